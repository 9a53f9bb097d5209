package forecast

import (
	"math"
	"slices"
)

// Together is the law of the latest of sums that share good and bad days: one gamma
// factor of shape common and mean 1 multiplies the rates of all of them, and their own
// Common is not used. Given the factor they are independent, so the law is a mean of
// products over nodes of the factor, right within 3e-3. Common 0 is [Max] of independent sums.
func Together(common float64, sums ...Sum) (Law, error) {
	for i := range sums {
		probe := sums[i]
		probe.Common = common
		if _, err := probe.moments(); err != nil {
			return Law{}, err
		}
	}
	if !(common > 0) {
		common = 0
	}
	nodes := factorNodes(common, 32)
	cache := new(spectra)
	given := make([]Law, len(nodes))
	for i, n := range nodes {
		parts := make([]Law, len(sums))
		for k, s := range sums {
			var err error
			if parts[k], err = s.given(n.factor).law(cache); err != nil {
				return Law{}, err
			}
		}
		given[i] = Max(parts...)
	}
	return combine(given, func(x float64) float64 {
		f := 0.0
		for i, n := range nodes {
			f += n.weight * given[i].CDF(x)
		}
		return min(f, 1)
	}, math.Min), nil
}

type factorNode struct{ factor, weight float64 }

// factorNodes are points of the gamma factor with mean 1: the trapezium rule over its
// logarithm, whose density is smooth and dies fast on both sides.
func factorNodes(shape float64, points int) []factorNode {
	if shape == 0 {
		return []factorNode{{1, 1}}
	}
	const least = 1e-6 // of the density at 1, its highest
	density := func(t float64) float64 { return math.Exp(shape * (1 + t - math.Exp(t))) }
	reach := func(way float64) float64 { // where the density has fallen to least
		lo, hi := 0.0, 1.0
		for density(way*hi) > least && hi < 1e3 {
			lo, hi = hi, 2*hi
		}
		for range 40 {
			if mid := (lo + hi) / 2; density(way*mid) > least {
				lo = mid
			} else {
				hi = mid
			}
		}
		return way * hi
	}
	lo, hi := reach(-1), reach(1)
	nodes, sum := make([]factorNode, points), 0.0
	for i := range nodes {
		t := lo + (hi-lo)*float64(i)/float64(points-1)
		nodes[i] = factorNode{math.Exp(t), density(t)}
		sum += nodes[i].weight
	}
	for i := range nodes {
		nodes[i].weight /= sum
	}
	return nodes
}

// given is the sum when the shared factor is known: a cause's own doubt narrows as the
// factor grows, as in [Sum].
func (s Sum) given(factor float64) Sum {
	s.Common = 0
	s.Stops = slices.Clone(s.Stops)
	for i := range s.Stops {
		s.Stops[i].Rate.Mean *= factor
		s.Stops[i].Rate.Shape *= factor
	}
	return s
}
