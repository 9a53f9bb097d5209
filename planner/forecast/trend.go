package forecast

import (
	"fmt"
	"math"
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
	f := m.fleet
	var at, count, expected []float64
	var ran, sum, stops float64
	for _, p := range m.own.pieces {
		e, x := p.minutes*f.level(p.class, p.shift), 0.0
		for c, n := range p.counts {
			if !f.causes[c].planned {
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

// Memory is the Weibull shape of the gaps between stops and the chance of a shape so
// far from 1 if the machine had no memory. Only where that is small should stops be
// taken for anything but Poisson.
type Memory struct{ Shape, P float64 }

// MemoryOf compares the Weibull and exponential laws of gaps, the gap in progress
// open, by twice the gain of likelihood (chi-square, one degree of freedom).
func MemoryOf(gaps []Observed) (Memory, error) {
	w, weibull, err := FitWeibull(gaps)
	if err != nil {
		return Memory{}, err
	}
	_, exponential := exponentialFit(gaps)
	return Memory{w.Shape, math.Erfc(math.Sqrt(max(weibull-exponential, 0)))}, nil
}

// exponentialFit is total time over ended durations, and the likelihood's logarithm.
func exponentialFit(seen []Observed) (mean, loglik float64) {
	obs, ended := usable(seen)
	total := 0.0
	for _, o := range obs {
		total += o.Minutes
	}
	mean = total / float64(ended)
	return mean, -float64(ended) * (math.Log(mean) + 1)
}
