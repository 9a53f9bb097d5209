package creel

import (
	"cmp"
	"container/heap"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
)

// ErrHorizon is inside every error about a horizon of rounds.
var ErrHorizon = errors.New("horizon of rounds is not usable")

// Horizon is one creel until a turn in the future: every cone is replaced when it
// must be, as often as it takes. What a visit and a change cost and what a turn of
// yarn is worth are in one currency of the caller.
type Horizon struct {
	Until  float64 // turn up to which the creel must run
	Visit  float64 // cost of one walk to the creel, whatever is done there
	Change float64 // cost of one cone changed
	Value  float64 // of yarn left on a changed cone, per turn
	Ends   []End
}

// End is one position of the creel: the cone on it runs out Left turns from now
// (the latest turn at which it may be changed), each later one after Life turns.
type End struct{ Left, Life float64 }

// Rolled is the plan of a horizon.
type Rolled struct {
	Rounds []Round
	Cost   float64
	// Bound is a cost below which no plan can come. Proven says that it is Cost.
	Bound  float64
	Proven bool
}

// Effort bounds the search of Roll, in work, not in time, so that the same creel
// always has the same plan.
type Effort struct {
	States int // of the exact search; 0 = 20000
	Beam   int // plans kept side by side where it does not end; 0 = by the number of cones
	Looks  int // at a cone, while that plan is made better; 0 = 4000000
}

// Roll finds the cheapest rounds of a creel up to its horizon. Yarn left at the
// horizon is free.
//
// Two facts make the search small. A visit put off until the first of its own
// cones is empty never costs more, so visits are only at run-outs. And a cone that
// lasts until the next visit is left alone: what it would gain now, it gains then
// with less yarn thrown away. Hence at each visit the changed cones are those that
// run out before some later turn, and there are at most as many choices as cones.
// Both are checked in the tests against all subsets at all visits.
func Roll(h Horizon, e Effort) (Rolled, error) {
	if err := h.validate(); err != nil {
		return Rolled{}, err
	}
	if e.States <= 0 {
		e.States = 20000
	}
	if n := len(h.Ends); e.Beam <= 0 {
		e.Beam = min(max(1500/(n*n+1), 1), 128)
	}
	if e.Looks <= 0 {
		e.Looks = 4e6
	}
	s := &roller{h: h, n: len(h.Ends)}
	start := s.start()
	best := s.improve(s.guess(start, e.Beam), e.Looks)
	end, bound := s.exact(start, best.cost, e.States)
	if end != nil {
		best = end
	}
	return Rolled{Rounds: s.rounds(best), Cost: best.cost, Bound: min(bound, best.cost), Proven: bound >= best.cost}, nil
}

const maxVisits = 100000

func (h Horizon) validate() error {
	bad := func(what string, found float64, expected string) error {
		return fmt.Errorf("%w: %s is %g, expected %s", ErrHorizon, what, found, expected)
	}
	fine := func(v float64) bool { return v >= 0 && v < 1e12 }
	switch {
	case !fine(h.Until):
		return bad("the last turn", h.Until, "0 or more")
	case !fine(h.Visit) || !fine(h.Change) || !fine(h.Value):
		return bad("a cost", min(h.Visit, h.Change, h.Value), "0 or more")
	case len(h.Ends) > maxCones:
		return bad("the number of cones", float64(len(h.Ends)), fmt.Sprint("up to ", maxCones))
	}
	for i, end := range h.Ends {
		if !fine(end.Left) {
			return bad(fmt.Sprint("what is left on cone ", i), end.Left, "0 or more turns")
		}
		if !(end.Life > 0) || !fine(end.Life) {
			return bad(fmt.Sprint("the life of cone ", i), end.Life, "more than 0 turns")
		}
		if h.Until/end.Life > maxVisits {
			return bad(fmt.Sprint("the life of cone ", i), end.Life, fmt.Sprintf("at least %g turns for this horizon", h.Until/maxVisits))
		}
	}
	return nil
}

// A creelAt is the creel at a visit: when each cone runs out, never beyond the horizon,
// and what was spent to come here.
type creelAt struct {
	due   []float64
	now   float64 // the next visit: the earliest of due
	cost  float64
	bound float64 // cost and the least that must follow; of the exact search
	from  *creelAt
	until float64 // cones of from that ran out at this turn or before were changed
}

type roller struct {
	h     Horizon
	n     int
	order []int
	free  []*creelAt
}

// blank gives a creel to fill. One that was given up with spare is used again.
func (s *roller) blank() *creelAt {
	if n := len(s.free); n > 0 {
		c := s.free[n-1]
		s.free = s.free[:n-1]
		return c
	}
	return &creelAt{due: make([]float64, s.n)}
}

func (s *roller) spare(way []*creelAt) { s.free = append(s.free, way...) }

func (s *roller) start() *creelAt {
	c := &creelAt{due: make([]float64, s.n)}
	for i, e := range s.h.Ends {
		c.due[i] = min(e.Left, s.h.Until)
	}
	s.look(c)
	return c
}

// look sets the next visit of a creel.
func (s *roller) look(c *creelAt) {
	c.now = s.h.Until
	for _, d := range c.due {
		c.now = min(c.now, d)
	}
}

// bound is what a creel has cost and the least that must follow.
func (s *roller) bound(c *creelAt) float64 {
	if c.now >= s.h.Until {
		return c.cost
	}
	visits, changes := 0.0, 0.0
	for i, d := range c.due {
		life := s.h.Ends[i].Life
		if d < s.h.Until {
			changes += math.Ceil((s.h.Until - d) / life)
		}
		// The next visit is at now; a cone is at best fresh after it.
		fresh := max(d, c.now+life)
		visits = max(visits, 1+math.Ceil(max(s.h.Until-fresh, 0)/life))
	}
	return c.cost + s.h.Visit*visits + s.h.Change*changes
}

// steps gives what may follow the visit of c, one step for each turn up to which
// cones are taken along, with the lives that it adds to the creel.
func (s *roller) steps(c *creelAt, yield func(x step, gained float64)) {
	order := s.order[:0]
	for i, d := range c.due {
		if d < s.h.Until {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(c.due[a], c.due[b]) })
	s.order = order
	waste, gained, soonest := 0.0, 0.0, s.h.Until
	for k := 0; k < len(order); {
		until := c.due[order[k]]
		if soonest < until {
			return // the cones taken so far call again before this one is empty
		}
		for ; k < len(order) && c.due[order[k]] == until; k++ {
			life := s.h.Ends[order[k]].Life
			waste += until - c.now
			soonest = min(soonest, c.now+life)
			gained += (min(c.now+life, s.h.Until) - until) / life
		}
		cost := c.cost + s.h.Visit + s.h.Change*float64(k) + s.h.Value*waste
		yield(step{from: c, until: until, cost: cost}, gained)
	}
}

// build makes the creel after a step.
func (s *roller) build(x step) *creelAt {
	c := s.blank()
	copy(c.due, x.from.due)
	c.from, c.until, c.cost = x.from, x.until, x.cost
	for i, d := range c.due {
		if d <= x.until && d < s.h.Until {
			c.due[i] = min(x.from.now+s.h.Ends[i].Life, s.h.Until)
		}
	}
	s.look(c)
	return c
}

// A step is a creel that may follow, before it is built.
type step struct {
	from        *creelAt
	until       float64
	cost, guess float64
}

// beam goes forward visit by visit with the most promising creels side by side.
// Plans are compared by what they cost so far less what the yarn that hangs is
// worth, price a cone. It gives nil when every plan costs known or more.
func (s *roller) beam(start *creelAt, width int, price, known float64) *creelAt {
	level := []*creelAt{start}
	var best *creelAt
	var steps []step
	for len(level) > 0 {
		steps = steps[:0]
		for _, c := range level {
			if c.now >= s.h.Until {
				if c.cost < known {
					best, known = c, c.cost
				}
				continue
			}
			hangs := 0.0
			for i, d := range c.due {
				hangs += d / s.h.Ends[i].Life
			}
			s.steps(c, func(x step, gained float64) {
				x.guess = x.cost - price*(hangs+gained)
				steps = append(steps, x)
			})
		}
		slices.SortStableFunc(steps, func(a, b step) int { return cmp.Compare(a.guess, b.guess) })
		level = level[:0:0]
		seen := map[string]bool{}
		for _, x := range steps {
			if len(level) == width {
				break
			}
			c := s.build(x)
			if k := key(c.due); c.cost < known && !seen[k] {
				seen[k] = true
				level = append(level, c)
			}
		}
	}
	return best
}

// guess finds a good plan by beams at several prices of a cone. The right price is
// what a cone costs in the plan, its share of the visits and the waste included;
// the first is from a creel without beginning and end, visited in even steps.
func (s *roller) guess(start *creelAt, width int) *creelAt {
	rate := 0.0 // cones a turn
	for _, e := range s.h.Ends {
		rate += 1 / e.Life
	}
	price := s.h.Change + math.Sqrt(2*s.h.Visit*s.h.Value/max(rate, 1e-300))
	if most := s.h.Change + s.h.Visit; !(price < most) {
		price = most
	}
	var best *creelAt
	known := math.Inf(1)
	for _, f := range []float64{1, 0.85, 1.15, 0.7, 1.3, 1.6, 0.5} {
		if c := s.beam(start, width, f*price, known); c != nil {
			best, known = c, c.cost
		}
	}
	return best
}

// exact is best-first over creels with the bound as guide. It gives the plan when
// it is cheaper than known, and the least cost that is not ruled out: the cost
// of the best plan itself when the search ended within its states.
func (s *roller) exact(start *creelAt, known float64, states int) (*creelAt, float64) {
	start.bound = s.bound(start)
	open := &queue{start}
	least := map[string]float64{key(start.due): start.cost}
	for n := 0; open.Len() > 0; n++ {
		c := heap.Pop(open).(*creelAt)
		if c.bound >= known {
			return nil, known
		}
		if c.now >= s.h.Until {
			return c, c.cost
		}
		if n >= states {
			return nil, c.bound
		}
		if c.cost > least[key(c.due)] {
			continue
		}
		s.steps(c, func(x step, _ float64) {
			d := s.build(x)
			d.bound = s.bound(d)
			if d.bound >= known {
				return
			}
			k := key(d.due)
			if old, ok := least[k]; ok && old <= d.cost {
				return
			}
			least[k] = d.cost
			heap.Push(open, d)
		})
	}
	return nil, known
}

// rounds tells the way to a creel.
func (s *roller) rounds(c *creelAt) []Round {
	var out []Round
	for ; c.from != nil; c = c.from {
		r := Round{At: c.from.now}
		for i, d := range c.from.due {
			if d <= c.until && d < s.h.Until {
				r.Cones = append(r.Cones, i)
			}
		}
		out = append(out, r)
	}
	slices.Reverse(out)
	return out
}

func key(due []float64) string {
	b := make([]byte, 0, 8*len(due))
	for _, d := range due {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(d))
	}
	return string(b)
}

// queue is a heap of creels, the least bound first, the later visit first among equals.
type queue []*creelAt

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	if q[i].bound != q[j].bound {
		return q[i].bound < q[j].bound
	}
	return q[i].now > q[j].now
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)   { *q = append(*q, x.(*creelAt)) }
func (q *queue) Pop() any {
	old := *q
	c := old[len(old)-1]
	old[len(old)-1] = nil
	*q = old[:len(old)-1]
	return c
}
