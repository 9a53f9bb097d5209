// Package score compares what was foreseen with what happened. A foreseen law
// is given as equally likely minutes, rising, as it was kept when it was told.
//
// The one rule: a figure about few outcomes carries the band that chance alone
// gives it. It forecasts nothing.
package score

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mathext"
)

// Outcome is one forecast and what happened.
type Outcome struct {
	Minutes  []float64 // equally likely, rising
	Happened float64   // minutes
}

// Place is the share of the law below what happened, 0 to 1. Where the law gives
// just that time a chance of its own, v in [0, 1] says how much of it is taken
// as below: with random v the places of a right forecast are spread evenly.
func (o Outcome) Place(v float64) float64 {
	n := len(o.Minutes)
	if n == 0 {
		return math.NaN()
	}
	below := sort.SearchFloat64s(o.Minutes, o.Happened)
	upTo := below + sort.Search(n-below, func(i int) bool { return o.Minutes[below+i] > o.Happened })
	return (float64(below) + v*float64(upTo-below)) / float64(n)
}

// CRPS is the continuous ranked probability score in minutes: the mean distance
// of the law to what happened less half its own spread. A law without doubt
// scores its error; 0 is best.
func (o Outcome) CRPS() float64 {
	n := float64(len(o.Minutes))
	if n == 0 {
		return math.NaN()
	}
	distance, spread := 0.0, 0.0
	for i, m := range o.Minutes {
		distance += math.Abs(m - o.Happened)
		// Of a rising list: the sum over pairs of |x-x'|.
		spread += m * (2*float64(i) - n + 1)
	}
	return distance/n - spread/(n*n)
}

// Pinball is the loss of a time given with chance p, in minutes.
func Pinball(p, given, happened float64) float64 {
	if happened < given {
		return (p - 1) * (happened - given)
	}
	return p * (happened - given)
}

// DoneBy says whether it happened by the time given with chance p.
func (o Outcome) DoneBy(p float64) bool { return o.Happened <= o.quantile(p) }

// quantile of the law, between the middles of its parts.
func (o Outcome) quantile(p float64) float64 {
	n := len(o.Minutes)
	if n == 0 {
		return math.NaN()
	}
	at := p*float64(n) - 0.5
	i := int(math.Floor(at))
	switch {
	case i < 0:
		return o.Minutes[0]
	case i >= n-1:
		return o.Minutes[n-1]
	}
	return o.Minutes[i] + (at-float64(i))*(o.Minutes[i+1]-o.Minutes[i])
}

// Band is where the number of hits among n lies with the given confidence, if each
// is one with chance p: the binomial quantiles that cut the same chance off at
// both ends.
func Band(n int, p, confidence float64) (low, high int) {
	tail := (1 - confidence) / 2
	return quantile(n, p, tail), quantile(n, p, 1-tail)
}

// quantile of the binomial law: the smallest k with P(X <= k) >= q.
func quantile(n int, p, q float64) int {
	return sort.Search(n, func(k int) bool { return upTo(n, k, p) >= q })
}

// upTo is P(X <= k) of the binomial law, by the incomplete beta function
// (Abramowitz and Stegun 26.5.24, from memory).
func upTo(n, k int, p float64) float64 {
	switch {
	case k >= n:
		return 1
	case p <= 0:
		return 1
	case p >= 1:
		return 0
	}
	return mathext.RegIncBeta(float64(n-k), float64(k+1), 1-p)
}

// Level compares a chance that was told with the share that was kept.
type Level struct {
	Chance, Share float64
	Low, High     float64 // of the share, with 95 %, if the chance is right
}

// Report is how a set of forecasts did.
type Report struct {
	Count  int
	Levels []Level
	Tenths [10]int // outcomes by their place; even counts are right
	CRPS   float64 // mean, minutes
}

// Levels that people are told.
var told = []float64{0.5, 0.8, 0.9}

// Of reports on outcomes; those without a law are left out. Without any the mean
// error is 0 and there are no levels.
func Of(outcomes []Outcome) Report {
	var r Report
	hits := make([]int, len(told))
	for i, o := range outcomes {
		if len(o.Minutes) == 0 || math.IsNaN(o.Happened) {
			continue
		}
		r.Count++
		r.CRPS += o.CRPS()
		// The golden ratio spreads the ties evenly and always in the same way.
		_, v := math.Modf(float64(i+1) * math.Phi)
		r.Tenths[min(int(10*o.Place(v)), 9)]++
		for k, p := range told {
			if o.DoneBy(p) {
				hits[k]++
			}
		}
	}
	if r.Count == 0 {
		return r
	}
	n := float64(r.Count)
	r.CRPS /= n
	for k, p := range told {
		low, high := Band(r.Count, p, 0.95)
		r.Levels = append(r.Levels, Level{Chance: p, Share: float64(hits[k]) / n, Low: float64(low) / n, High: float64(high) / n})
	}
	return r
}

// Sorted makes an outcome of minutes in any order.
func Sorted(minutes []float64, happened float64) Outcome {
	m := slices.Clone(minutes)
	slices.Sort(m)
	return Outcome{m, happened}
}
