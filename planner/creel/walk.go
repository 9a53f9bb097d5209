package creel

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Call is work of one person at one machine. All times are minutes from now.
type Call struct {
	ID, Machine  string
	Open, Latest float64 // from when it is of use; from when the machine stands without it
	Work         float64 // minutes at the machine
	LateCost     float64 // of each minute after Latest
	Taken        string  // tender who has said that he goes: stays with him, and comes first
	Fetch        []Fetch
	Parts        []string // IDs of the calls folded into this one
}

// Tender is one person on the floor.
type Tender struct {
	Name     string
	At       string   // machine where he is; "" where all walks take no time
	Free     float64  // minutes until he can start
	Machines []string // that he serves; none means all
}

// Stop is one call on a route.
type Stop struct {
	Call               int // index
	Arrive, Start, End float64
	Late               float64
}

// Route is one tender's walk.
type Route struct {
	Tender        string
	Stops         []Stop
	Cost          float64 // of lateness and walking
	Walking, Late float64 // minutes
	// Both is the minutes in which two or more of the machines stand for this one person.
	Both float64
}

// Floor is what a walk needs to know of the hall.
type Floor struct {
	Walk     func(from, to string) float64 // minutes between two machines; nil means none
	WalkCost float64                       // of a minute of walking
}

const (
	exactCalls   = 12
	exactTenders = 4
	maxCalls     = 2000
)

// Routes gives every call to a tender and puts the calls in order, at the least
// cost: exact up to 12 calls and 4 tenders, by local search above. It refuses a call
// at a machine that nobody serves.
func Routes(calls []Call, tenders []Tender, f Floor) (routes []Route, exact bool, err error) {
	w, err := newWalk(calls, tenders, f)
	if err != nil {
		return nil, false, err
	}
	var orders [][]int
	exact = len(calls) <= exactCalls && len(tenders) <= exactTenders
	if exact {
		orders = w.exact()
	} else {
		orders = w.kick(w.insertAll())
	}
	for t, order := range orders {
		routes = append(routes, w.route(t, order))
	}
	return routes, exact, nil
}

type walk struct {
	calls   []Call
	tenders []Tender
	floor   Floor
	serves  [][]bool // by tender, call
	between [][]float64
	from    [][]float64
}

func newWalk(calls []Call, tenders []Tender, f Floor) (*walk, error) {
	if len(calls) > maxCalls {
		return nil, fmt.Errorf("%w: %d calls, expected at most %d; plan a shorter time", ErrLoad, len(calls), maxCalls)
	}
	if len(tenders) == 0 && len(calls) > 0 {
		return nil, fmt.Errorf("%w: %d calls and no tender, expected one or more", ErrLoad, len(calls))
	}
	w := &walk{calls: calls, tenders: tenders, floor: f}
	minutes := func(a, b string) float64 {
		if f.Walk == nil || a == "" || a == b {
			return 0
		}
		return max(f.Walk(a, b), 0)
	}
	for _, t := range tenders {
		serves, from := make([]bool, len(calls)), make([]float64, len(calls))
		for i, c := range calls {
			serves[i] = len(t.Machines) == 0 || slices.Contains(t.Machines, c.Machine)
			if c.Taken != "" {
				serves[i] = c.Taken == t.Name
			}
			from[i] = minutes(t.At, c.Machine)
		}
		w.serves, w.from = append(w.serves, serves), append(w.from, from)
	}
	for i, c := range calls {
		if !(c.Work >= 0 && c.LateCost >= 0) || math.IsNaN(c.Open+c.Latest) || math.IsInf(c.Open+c.Latest+c.Work+c.LateCost, 0) {
			return nil, fmt.Errorf("%w: call %s opens at %g, latest %g, %g minutes of work, expected numbers, work 0 or more", ErrLoad, c.ID, c.Open, c.Latest, c.Work)
		}
		if !slices.ContainsFunc(w.serves, func(s []bool) bool { return s[i] }) {
			return nil, fmt.Errorf("%w: nobody serves machine %s of call %s; give the machine to a tender", ErrLoad, c.Machine, c.ID)
		}
		row := make([]float64, len(calls))
		for j, d := range calls {
			row[j] = minutes(c.Machine, d.Machine)
		}
		w.between = append(w.between, row)
	}
	return w, nil
}

// step goes from one call (-1: the tender's place) to the next.
func (w *walk) step(t, from, to int, now float64) (end, cost float64) {
	d := w.from[t][to]
	if from >= 0 {
		d = w.between[from][to]
	}
	c := &w.calls[to]
	start := max(now+d, c.Open)
	return start + c.Work, w.floor.WalkCost*d + c.LateCost*max(0, start-c.Latest)
}

// cost of an order; taken calls must come first.
func (w *walk) cost(t int, order []int) float64 {
	now, sum, last, open := w.tenders[t].Free, 0.0, -1, false
	for _, i := range order {
		taken := w.calls[i].Taken != ""
		if open && taken {
			return math.Inf(1)
		}
		open = open || !taken
		end, c := w.step(t, last, i, now)
		now, sum, last = end, sum+c, i
	}
	return sum
}

func (w *walk) route(t int, order []int) Route {
	r := Route{Tender: w.tenders[t].Name, Cost: w.cost(t, order)}
	now, last := w.tenders[t].Free, -1
	type edge struct {
		at   float64
		step int
	}
	var standing []edge
	for _, i := range order {
		d := w.from[t][i]
		if last >= 0 {
			d = w.between[last][i]
		}
		c := w.calls[i]
		s := Stop{Call: i, Arrive: now + d}
		s.Start = max(s.Arrive, c.Open)
		s.End, s.Late = s.Start+c.Work, max(0, s.Start-c.Latest)
		r.Walking += d
		r.Late += s.Late
		if s.Late > 0 {
			standing = append(standing, edge{max(c.Latest, 0), 1}, edge{s.End, -1})
		}
		r.Stops = append(r.Stops, s)
		now, last = s.End, i
	}
	slices.SortFunc(standing, func(a, b edge) int { return cmp.Compare(a.at, b.at) })
	count, before := 0, 0.0
	for _, e := range standing {
		if count >= 2 {
			r.Both += e.at - before
		}
		count += e.step
		before = e.at
	}
	return r
}

// Fold joins calls at one machine that can be done in one visit: their times
// overlap. The joined call keeps the common part, so that none is late for another's sake;
// by rising Latest this gives the fewest visits. Taken calls stay as they are.
func Fold(calls []Call) []Call {
	order := slices.Clone(calls)
	slices.SortStableFunc(order, func(a, b Call) int {
		return cmp.Or(cmp.Compare(a.Machine, b.Machine), cmp.Compare(a.Latest, b.Latest))
	})
	var out []Call
	for _, c := range order {
		n := len(out) - 1
		if n < 0 || out[n].Machine != c.Machine || c.Open > out[n].Latest || c.Taken != "" || out[n].Taken != "" {
			c.Fetch = slices.Clone(c.Fetch)
			c.Parts = []string{c.ID}
			out = append(out, c)
			continue
		}
		o := &out[n]
		o.Open = max(o.Open, c.Open)
		o.Work += c.Work
		o.LateCost += c.LateCost
		o.Fetch = addFetch(o.Fetch, c.Fetch)
		o.Parts = append(o.Parts, c.ID)
	}
	slices.SortStableFunc(out, func(a, b Call) int { return cmp.Compare(a.Latest, b.Latest) })
	return out
}

func addFetch(to, more []Fetch) []Fetch {
	for _, f := range more {
		if i := slices.IndexFunc(to, func(g Fetch) bool { return g.Lot == f.Lot }); i >= 0 {
			to[i].Cones += f.Cones
		} else {
			to = append(to, f)
		}
	}
	slices.SortFunc(to, func(a, b Fetch) int { return cmp.Compare(a.Lot, b.Lot) })
	return to
}

// FetchList is the cones to bring for all stops that start within so many minutes, by lot.
func FetchList(calls []Call, routes []Route, within float64) []Fetch {
	var list []Fetch
	for _, r := range routes {
		for _, s := range r.Stops {
			if s.Start <= within {
				list = addFetch(list, calls[s.Call].Fetch)
			}
		}
	}
	return list
}

// Fewest is the least number of tenders for work at fixed times, each from a start to
// an end in minutes: the largest number at one instant. Work that ends when other work starts
// needs no second person; put the walk into the work.
func Fewest(work [][2]float64) int {
	type edge struct {
		at   float64
		step int
	}
	var edges []edge
	for _, x := range work {
		if x[1] > x[0] {
			edges = append(edges, edge{x[0], 1}, edge{x[1], -1})
		}
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Or(cmp.Compare(a.at, b.at), a.step-b.step) })
	now, most := 0, 0
	for _, e := range edges {
		now += e.step
		most = max(most, now)
	}
	return most
}
