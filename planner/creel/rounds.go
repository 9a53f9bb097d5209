package creel

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Cone is one cone as a visit sees it.
type Cone struct {
	Mean   float64 // turn at which it is expected to run out
	Latest float64 // last turn at which it may be changed
	Value  float64 // of yarn left on it at a change, per turn
}

// Round is one visit: at which turn, and which cones (indices) are changed.
type Round struct {
	At    float64
	Cones []int
}

// Rounds parts the cones of one creel into the cheapest visits, each cone changed
// once. A visit costs visit, a cone changed before its mean wastes its value for
// every turn. It is exact: given the visits every cone takes the last one that it
// can, so groups are consecutive in Latest and a visit is at the least Latest of
// its group. Cost is the sum of both.
func Rounds(cones []Cone, visit float64) (rounds []Round, cost float64, err error) {
	if !(visit >= 0) || math.IsInf(visit, 1) {
		return nil, 0, fmt.Errorf("rounds: %w: cost of a visit is %g, expected 0 or more", ErrLoad, visit)
	}
	order := make([]int, len(cones))
	for i, c := range cones {
		order[i] = i
		if !(c.Latest >= 0 && c.Latest <= c.Mean && c.Mean < 1e12 && c.Value >= 0 && c.Value < 1e12) {
			return nil, 0, fmt.Errorf("rounds: %w: cone %d has mean %g, latest %g, value %g, expected 0 <= latest <= mean and a value of 0 or more", ErrLoad, i, c.Mean, c.Latest, c.Value)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch d := cones[a].Latest - cones[b].Latest; {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	n := len(cones)
	best := make([]float64, n+1) // best[j]: the first j cones served
	from := make([]int, n+1)
	for j := 1; j <= n; j++ {
		best[j] = math.Inf(1)
		var values, worth float64 // sums over cones i..j-1
		for i := j - 1; i >= 0; i-- {
			c := cones[order[i]]
			values += c.Value
			worth += c.Value * c.Mean
			if v := best[i] + visit + worth - values*c.Latest; v < best[j] {
				best[j], from[j] = v, i
			}
		}
	}
	for j := n; j > 0; j = from[j] {
		group := slices.Clone(order[from[j]:j])
		rounds = append(rounds, Round{cones[group[0]].Latest, group})
	}
	slices.Reverse(rounds)
	return rounds, best[n], nil
}

// Span is a window in wall time: from the first to the last cone.
type Span struct{ From, To time.Time }

// Together groups windows that overlap, directly or through others, so that one
// walk serves them. It gives indices; groups and members are in order of From.
func Together(windows []Span) [][]int {
	order := make([]int, len(windows))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return windows[a].From.Compare(windows[b].From) })
	var groups [][]int
	var end time.Time
	for _, i := range order {
		w := windows[i]
		if n := len(groups); n > 0 && !w.From.After(end) {
			groups[n-1] = append(groups[n-1], i)
		} else {
			groups = append(groups, []int{i})
			end = w.To
		}
		if w.To.After(end) {
			end = w.To
		}
	}
	return groups
}
