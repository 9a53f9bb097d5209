package forecast

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Trend is whether stops of one cause come more often as a machine runs: wear.
type Trend struct {
	// Laplace is the test's statistic, normal with standard deviation 1 where there
	// is no trend; above 0 stops come more often. P is two-sided.
	Laplace, P float64
	// Exponent of the power law fitted to the stops, times^Exponent: 1 is no trend,
	// above 1 wear. Level is its factor.
	Exponent, Level float64
}

// leastTrend is the number of stops below which nothing is said of a trend.
const leastTrend = 4

// TrendOf takes the running minutes at which stops began, rising, and the running
// minutes watched. If the watch ended with the last stop, both are equal.
func TrendOf(at []float64, watched float64) (Trend, error) {
	sum, logs, last := 0.0, 0.0, 0.0
	for _, t := range at {
		if !(t > 0 && t >= last && t <= watched) {
			return Trend{}, fmt.Errorf("%w: a stop at %g running minutes after one at %g, of %g watched; expected rising times above 0", ErrInput, t, last, watched)
		}
		sum, logs, last = sum+t, logs+math.Log(watched/t), t
	}
	n := float64(len(at))
	if len(at) < leastTrend || math.IsInf(watched, 1) || !(logs > 0) {
		return Trend{}, fmt.Errorf("%w: %d stops tell no trend, expected %d or more", ErrInput, len(at), leastTrend)
	}
	// A watch that ends with a stop tells by the stops before it.
	seen := n
	if last == watched {
		seen, sum = n-1, sum-last
	}
	z := (sum/seen - watched/2) / (watched * math.Sqrt(1/(12*seen)))
	exponent := n / logs
	return Trend{z, math.Erfc(math.Abs(z) / math.Sqrt2), exponent, n / math.Pow(watched, exponent)}, nil
}

const (
	// leastWear is the number of stops below which a machine's trend is not looked at.
	leastWear = 12
	// clearWear is the statistic beyond which a trend is told: of machines without one
	// two in ten thousand reach it on either side.
	clearWear = 3.5
)

// Drift is Laplace's statistic of all random stops of the machine, counted by stretches
// of its history: normal with standard deviation 1 where it stops as often as ever,
// above 0 where it stops more and more often. What shifts, changes of all machines and
// orders do is not the machine's: the first two are taken out, the orders' part widens
// the doubt. It is 0 with few stops.
func (m *Machine) Drift() float64 {
	return m.drift(func(c int) bool { return !m.fleet.causes[c].planned })
}

// drift is Drift of some causes.
func (m *Machine) drift(of func(cause int) bool) float64 {
	f := m.fleet
	var at, count, expected []float64
	var ran, sum, stops float64
	for _, p := range m.own.pieces {
		e, x := p.minutes*f.level(p.class, p.shift), 0.0
		for c, n := range p.counts {
			if of(c) {
				x += n
			}
		}
		at, count, expected = append(at, ran+p.minutes/2), append(count, x), append(expected, e)
		ran, sum, stops = ran+p.minutes, sum+e, stops+x
	}
	if stops < leastWear || !(sum > 0) {
		return 0
	}
	middle := 0.0
	for i, e := range expected {
		middle += at[i] * e / sum
	}
	score, variance := 0.0, 0.0
	byOrder := make([]float64, len(m.own.pieces)+1)
	for i, p := range m.own.pieces {
		d, e := at[i]-middle, expected[i]*stops/sum
		score += count[i] * d
		variance += e * d * d
		if p.order >= 0 && p.order < len(byOrder) {
			byOrder[p.order] += e * d
		}
	}
	for _, b := range byOrder {
		variance += f.spread.order * b * b
	}
	if !(variance > 0) {
		return 0
	}
	return score / math.Sqrt(variance)
}

// Wear is a cause whose stops come more and more often on a machine, or less and less:
// by Drift of that cause alone, and the exponent of running time that they follow.
type Wear struct {
	Cause             string
	Laplace, Exponent float64
}

// Wears are the causes with a clear trend, the clearest first. Of several causes tried
// the clearest is likelier to seem so by chance, so more is asked of each.
func (m *Machine) Wears() []Wear {
	var out []Wear
	for c, cause := range m.fleet.causes {
		if cause.planned {
			continue
		}
		z := m.drift(func(k int) bool { return k == c })
		if math.Abs(z) < clearWear+0.2 {
			continue
		}
		// Shifts and what befalls all machines are taken out of the clock; in a stretch,
		// which is short against the history, stops are spread evenly.
		var at []float64
		ran := 0.0
		for _, p := range m.own.pieces {
			e := p.minutes * m.fleet.level(p.class, p.shift)
			n := min(p.counts[c], maxSample)
			for i := 0.5; i < n; i++ {
				at = append(at, ran+e*i/n)
			}
			ran += e
		}
		if trend, err := TrendOf(at, ran); err == nil {
			out = append(out, Wear{cause.cause, z, trend.Exponent})
		}
	}
	slices.SortStableFunc(out, func(a, b Wear) int { return cmp.Compare(math.Abs(b.Laplace), math.Abs(a.Laplace)) })
	return out
}
