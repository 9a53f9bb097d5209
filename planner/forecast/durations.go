package forecast

import (
	"math"
	"slices"
	"sort"
)

// Durations is the law of how long one stop lasts, in minutes.
type Durations interface {
	Mean() float64
	// Square is the mean of the squared duration.
	Square() float64
	// Tail is the chance to last longer than minutes; 1 below 0.
	Tail(minutes float64) float64
	// Limited is the mean of the duration cut off at minutes: the integral of Tail
	// from 0.
	Limited(minutes float64) float64
}

// Exponential durations have no memory; the value is their mean.
type Exponential float64

// Mean gives the mean.
func (e Exponential) Mean() float64 { return float64(e) }

// Square gives the mean square.
func (e Exponential) Square() float64 { return 2 * float64(e) * float64(e) }

// Tail gives the chance to last longer.
func (e Exponential) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return math.Exp(-x / float64(e))
}

// Limited gives the mean cut off at x.
func (e Exponential) Limited(x float64) float64 {
	return -float64(e) * math.Expm1(-max(x, 0)/float64(e))
}

// Lognormal durations: the logarithm of the minutes is normal with mean Mu and
// standard deviation Sigma.
type Lognormal struct{ Mu, Sigma float64 }

// Mean gives the mean.
func (l Lognormal) Mean() float64 { return math.Exp(l.Mu + l.Sigma*l.Sigma/2) }

// Square gives the mean square.
func (l Lognormal) Square() float64 { return math.Exp(2*l.Mu + 2*l.Sigma*l.Sigma) }

// Tail gives the chance to last longer.
func (l Lognormal) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return math.Erfc((math.Log(x)-l.Mu)/(l.Sigma*math.Sqrt2)) / 2
}

// Limited gives the mean cut off at x.
func (l Lognormal) Limited(x float64) float64 {
	if x <= 0 {
		return 0
	}
	z := (math.Log(x) - l.Mu) / l.Sigma
	return l.Mean()*math.Erfc((l.Sigma-z)/math.Sqrt2)/2 + x*math.Erfc(z/math.Sqrt2)/2
}

// Sample is the empirical law of observed durations. The zero value holds none.
type Sample struct {
	sorted       []float64
	shares       []float64 // of each; nil = all the same
	sums, upto   []float64 // sums[i] is the sum of the first i, by share; upto[i] their share
	mean, square float64
}

const maxDurationMin = 30 * 24 * 60

// NewSample takes durations in any order; those that are negative, not finite or
// longer than thirty days are left out, as no stop of a running machine.
func NewSample(minutes ...float64) Sample {
	s := Sample{sorted: make([]float64, 0, len(minutes))}
	for _, x := range minutes {
		if x >= 0 && x <= maxDurationMin {
			s.sorted = append(s.sorted, x)
		}
	}
	if len(s.sorted) == 0 {
		return s
	}
	slices.Sort(s.sorted)
	s.sum()
	return s
}

func (s *Sample) sum() {
	n := len(s.sorted)
	s.sums, s.upto = make([]float64, n+1), make([]float64, n+1)
	s.each(func(x, share float64) { s.square += share * x * x })
	for i, x := range s.sorted {
		s.sums[i+1] = s.sums[i] + x*s.share(i)
		s.upto[i+1] = s.upto[i] + s.share(i)
	}
	s.mean, s.upto[n] = s.sums[n], 1
}

func (s Sample) share(i int) float64 {
	if s.shares == nil {
		return 1 / float64(len(s.sorted))
	}
	return s.shares[i]
}

// Len is the number of durations.
func (s Sample) Len() int { return len(s.sorted) }

// Mean gives the mean.
func (s Sample) Mean() float64 { return s.mean }

// Square gives the mean square.
func (s Sample) Square() float64 { return s.square }

// Tail gives the share that lasted longer.
func (s Sample) Tail(x float64) float64 {
	if len(s.sorted) == 0 || x < 0 {
		return 1
	}
	return max(1-s.upto[s.upTo(x)], 0)
}

// Limited gives the mean cut off at x.
func (s Sample) Limited(x float64) float64 {
	if len(s.sorted) == 0 || x <= 0 {
		return 0
	}
	n := s.upTo(x)
	return s.sums[n] + x*max(1-s.upto[n], 0)
}

// upTo is the number of durations of at most x.
func (s Sample) upTo(x float64) int {
	return sort.Search(len(s.sorted), func(i int) bool { return s.sorted[i] > x })
}

// Mixture is one law or the other, by weight; the weights' sum is 1.
type Mixture []Weighted

// Weighted is one part of a mixture.
type Weighted struct {
	Weight float64
	Law    Durations
}

// Mean gives the mean.
func (m Mixture) Mean() float64 { return m.sum(Durations.Mean) }

// Square gives the mean square.
func (m Mixture) Square() float64 { return m.sum(Durations.Square) }

// Tail gives the chance to last longer.
func (m Mixture) Tail(x float64) float64 {
	return m.sum(func(d Durations) float64 { return d.Tail(x) })
}

// Limited gives the mean cut off at x.
func (m Mixture) Limited(x float64) float64 {
	return m.sum(func(d Durations) float64 { return d.Limited(x) })
}

func (m Mixture) sum(f func(Durations) float64) float64 {
	var sum float64
	for _, w := range m {
		sum += w.Weight * f(w.Law)
	}
	return sum
}

// Remainder is the law of what is left of a stop that has lasted Elapsed minutes:
// its Tail is Of's beyond that age. For heavy tails it grows with the age.
type Remainder struct {
	Of      Durations
	Elapsed float64
}

// Mean gives the mean.
func (r Remainder) Mean() float64 { return r.scaled(r.Of.Mean() - r.Of.Limited(r.Elapsed)) }

// Square gives the mean square, by cells that widen as tails do.
func (r Remainder) Square() float64 {
	const first, growth = 0.01, 1.04 // minutes
	var sum float64
	for x, step := 0.0, first; x < maxDurationMin; x, step = x+step, step*growth {
		sum += step * 2 * (x + step/2) * r.Tail(x+step/2)
	}
	return sum
}

// Tail gives the chance that the stop lasts longer than x from now.
func (r Remainder) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return min(r.scaled(r.Of.Tail(r.Elapsed+x)), 1)
}

// Limited gives the mean cut off at x.
func (r Remainder) Limited(x float64) float64 {
	return r.scaled(r.Of.Limited(r.Elapsed+max(x, 0)) - r.Of.Limited(r.Elapsed))
}

func (r Remainder) scaled(x float64) float64 {
	alive := r.Of.Tail(r.Elapsed)
	if !(alive > 0) {
		return 0
	}
	return max(x, 0) / alive
}

// kept is a law whose transforms are worth keeping, under a key of its own.
type kept struct {
	Durations
	key string
}

// each gives every duration with its share.
func (s Sample) each(f func(minutes, share float64)) {
	for i, x := range s.sorted {
		f(x, s.share(i))
	}
}
