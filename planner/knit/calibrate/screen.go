package calibrate

import (
	"math"
	"slices"
)

const (
	window  = 7   // neighbours that a roll is compared with, itself included
	tooFar  = 4.5 // usual spreads from its neighbours
	alone   = 0.1 // of the logarithm, where a machine has too few rolls to compare
	leastSD = 0.003
	// A change must be as plain as this, in standard errors and in size, to be
	// called one: ratios wander by less from lot to lot.
	plainStep, leastStep = 5.0, 0.008
	leastRun             = 4 // rolls on each side of a change
)

// screen sets outliers aside and finds the last change on every machine. The usual
// spread is that of neighbouring rolls over the whole article, so that neither a
// change nor one machine's outliers widen it.
func (a *article) screen() {
	var steps, all []float64
	for _, m := range a.machines {
		all = append(all, m.y...)
		for i := 1; i < len(m.y); i++ {
			steps = append(steps, math.Abs(m.y[i]-m.y[i-1]))
		}
	}
	usual := leastSD
	if len(steps) > 0 { // 1.4826 makes a median deviation a standard one under the normal law
		usual = max(usual, 1.4826*median(steps)/math.Sqrt2)
	}
	centre := median(all)
	for _, m := range a.machines {
		m.usual, m.away = usual, make([]bool, len(m.y))
		for i, y := range m.y {
			near, limit := centre, max(alone, tooFar*usual)
			if len(m.y) >= 3 {
				near, limit = median(neighbours(m.y, i)), tooFar*usual
			}
			if off := y - near; math.Abs(off) > limit {
				m.away[i] = true
				m.outliers = append(m.outliers, Outlier{Roll: m.rolls[i].ID, Ratio: math.Exp(y), Times: math.Abs(off) / usual})
			}
		}
		for m.change() {
		}
	}
}

func neighbours(y []float64, i int) []float64 {
	from := min(max(i-window/2, 0), max(len(y)-window, 0))
	return y[from:min(from+window, len(y))]
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(v))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

// change looks for the plainest step since the last change, and moves behind it.
func (m *machine) change() bool {
	rolls, y := m.used()
	var at int
	var most float64
	total, left := sum(y), 0.0
	for k := 1; k < len(y); k++ {
		left += y[k-1]
		if k < leastRun || len(y)-k < leastRun {
			continue
		}
		before, after := left/float64(k), (total-left)/float64(len(y)-k)
		plain := math.Abs(after-before) / (m.usual * math.Sqrt(1/float64(k)+1/float64(len(y)-k)))
		if plain > most && math.Abs(after-before) >= leastStep {
			at, most = k, plain
		}
	}
	if most < plainStep {
		return false
	}
	m.step = &Change{Roll: rolls[at].ID, Before: math.Exp(mean(y[:at])), After: math.Exp(mean(y[at:])), Rolls: at}
	for i, seen := m.from, 0; ; i++ { // the at-th of the used rolls is where it begins
		if m.away[i] {
			continue
		}
		if seen == at {
			m.from = i
			return true
		}
		seen++
	}
}

func sum(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s
}

func mean(v []float64) float64 { return sum(v) / float64(len(v)) }
