package board

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/planner/unit"
)

// shareOne gives a shop one cylinder that all machines share for some tasks.
func shareOne(s *shop, r *dice) {
	x := &rings{fits: [][]bool{make([]bool, s.m)}, live: []int{-1}, kind: []int32{0}, need: make([]int32, s.m*s.n),
		held: make([]int, s.m), now: make([]int64, s.m), mode: make([]int32, s.m), paid: make([]int64, s.m), place: make([]int, s.m),
		taken: make([][]int64, s.m), wait: make([][]int64, s.m), free: make([]int64, 1), owner: make([]int, 1)}
	for i := range s.m {
		x.fits[0][i] = true
		x.hosts = append(x.hosts, i)
	}
	for t := range s.n {
		need := int32(-1)
		if r.below(5) < 3 {
			need = 0
		}
		for i := range s.m {
			x.need[i*s.n+t] = need
		}
	}
	if r.below(2) == 0 {
		x.live[0] = r.below(s.m)
	}
	s.rings = x
}

// exactShared is the least cost over all sequences on all machines, when who is ready first has
// the one cylinder first, or, with any, over every way of taking turns. It shares no line with
// the search.
func exactShared(s *shop, any bool) int64 {
	seq := make([][]int, s.m)
	best := int64(1) << 60
	var place func(left []int)
	place = func(left []int) {
		if len(left) == 0 {
			best = min(best, interleave(s, seq, best, any))
			return
		}
		t := left[0]
		for _, m := range s.able[t] {
			i := int(m)
			for k := 0; k <= len(seq[i]); k++ {
				kept := seq[i]
				seq[i] = slices.Insert(slices.Clone(kept), k, t)
				place(left[1:])
				seq[i] = kept
			}
		}
	}
	all := make([]int, s.n)
	for t := range all {
		all[t] = t
	}
	place(all)
	return best
}

// interleave lays one task after the other: that of the machine that is ready first, or, with
// any, of each that can be next.
func interleave(s *shop, seq [][]int, known int64, any bool) int64 {
	type lane struct {
		at   int64
		mode int32
		k    int
	}
	lanes := make([]lane, s.m)
	for i := range lanes {
		lanes[i] = lane{s.free[i], s.live[i], 0}
	}
	needs := func(i, t int) bool { return s.rings.need[i*s.n+t] == 0 }
	best := known
	var step func(holder int, free, cost int64)
	step = func(holder int, free, cost int64) {
		if cost >= best {
			return
		}
		// Whoever holds it lets it go when the next task does without.
		if holder >= 0 {
			l := lanes[holder]
			if l.k == len(seq[holder]) || !needs(holder, seq[holder][l.k]) {
				holder, free = -1, max(free, l.at)
			}
		}
		done, first := true, int64(1)<<60
		ready := make([]int64, len(lanes))
		for i, l := range lanes {
			ready[i] = -1
			if l.k == len(seq[i]) {
				continue
			}
			done = false
			switch wants := needs(i, seq[i][l.k]) && holder != i; {
			case !wants:
				ready[i] = l.at
			case holder < 0:
				ready[i] = max(l.at, free)
			}
			if ready[i] >= 0 {
				first = min(first, ready[i])
			}
		}
		for i, at := range ready {
			if at < 0 || !any && at > first {
				continue
			}
			l, h := lanes[i], holder
			t := seq[i][l.k]
			if needs(i, t) {
				h = i
			}
			up := int64(s.setup[i][l.mode*s.states+s.state[t]])
			end := max(at+up, s.release[i*s.n+t]) + s.dur[i*s.n+t]
			lanes[i] = lane{end, s.state[t], l.k + 1}
			step(h, free, cost+up*s.price+max(end-s.due[i*s.n+t], 0)*s.weight[t])
			lanes[i] = l
			if !any {
				return
			}
		}
		if done {
			best = cost
		}
	}
	step(s.rings.live[0], 0, 0)
	return best
}

// TestSharedCylinderIsBest: on small shops the search finds the least cost that there is when who
// is ready first has the cylinder first. How often another way of taking turns would cost less is
// told.
func TestSharedCylinderIsBest(t *testing.T) {
	r := dice(17)
	equal, rounds, loss := 0, 120, 0.0
	for round := range rounds {
		s := small(&r, 3+r.below(3), 2+r.below(2))
		shareOne(s, &r)
		want, least := exactShared(s, false), exactShared(s, true)
		l := begin(newLayout(s))
		x := newSearch(l, uint64(round))
		x.run(1500, func(int, bool) bool { return true })
		x.restore()
		if x.bestCost != l.total() {
			t.Fatalf("round %d: the search says %d, its layout %d", round, x.bestCost, l.total())
		}
		if x.bestCost != want || least > want {
			t.Errorf("round %d: %d, the least by the rule is %d, by any %d", round, x.bestCost, want, least)
		}
		if want == least {
			equal++
		}
		loss += float64(want-least) / float64(max(want, 1)) / float64(rounds)
	}
	t.Logf("in %d of %d shops no other way of taking turns costs less; the mean loss is %.2f %%", equal, rounds, 100*loss)
}

// twoMachines can both knit gauge 24; gauge 28 only with the one cylinder R28.
func twoMachines() Problem {
	p := oneMachine()
	p.Last = Plan{}
	p.Machines[0].Running = nil
	p.Machines = append(p.Machines, p.Machines[0])
	p.Machines[1].ID = "K02"
	p.Cylinders = []Cylinder{{ID: "R28", Gauge: 28, Machines: []string{"K01", "K02"}}}
	p.Setups.Rows = []SetupRow{{Kind: ChangeGauge, From: Any, To: Any, Minutes: 60}, {Kind: ChangeStructure, From: Any, To: Any}, {Kind: ChangeYarn, From: Any, To: Any}, {Kind: ChangeLot, From: Any, To: Any}, {Kind: ChangeStitch, From: Any, To: Any}}
	for k := range p.Orders {
		o := &p.Orders[k]
		o.Kg, o.Needs.Gauge, o.Due = 500, 28, p.Now
		o.Makes.Gauge = 28
	}
	for i := range p.Machines {
		p.Machines[i].Live.Gauge = 24
	}
	return p
}

// TestSharedCylinderIsInOneMachine: two orders that both want it are never knitted at once; with
// two cylinders they are; without one, no machine can.
func TestSharedCylinderIsInOneMachine(t *testing.T) {
	spans := func(plan Plan) (out []Job) {
		for _, l := range plan.Machines {
			for _, j := range l.Jobs {
				if j.Kind == JobOrder {
					out = append(out, j)
				}
			}
		}
		return out
	}
	p := twoMachines()
	plan := solve(t, p, Options{Seed: 1, Iterations: 500})
	check(t, withGauges(p), plan)
	jobs := spans(plan)
	if len(jobs) != 2 || jobs[0].Cylinder != "R28" || jobs[1].Cylinder != "R28" || jobs[0].SetupStart.Before(jobs[1].End) && jobs[1].Start.Before(jobs[0].End) {
		t.Errorf("one cylinder: %+v", jobs)
	}
	// On two machines the second set-up waits until the first job has ended.
	p.Orders[0].Pin, p.Orders[1].Pin = &Pin{Machine: "K01"}, &Pin{Machine: "K02"}
	jobs = spans(solve(t, p, Options{Seed: 1, Iterations: 500}))
	if jobs[0].End.After(jobs[1].End) {
		jobs[0], jobs[1] = jobs[1], jobs[0]
	}
	if len(jobs) != 2 || jobs[1].Start.Before(jobs[0].End.Add(time.Hour)) || jobs[1].CylinderMinutes < 60 {
		t.Errorf("pinned to two machines: %+v", jobs)
	}
	p.Cylinders = append(p.Cylinders, Cylinder{ID: "S28", Gauge: 28, Machines: []string{"K02"}})
	jobs = spans(solve(t, p, Options{Seed: 1, Iterations: 500}))
	if len(jobs) != 2 || jobs[0].CylinderMinutes+jobs[1].CylinderMinutes > 0 || jobs[0].Cylinder == jobs[1].Cylinder {
		t.Errorf("two cylinders: %+v", jobs)
	}
	p.Cylinders = nil
	if plan := solve(t, p, Options{}); len(plan.Refused) != 2 || plan.Refused[0].Reasons[0].Rule != RuleGauge {
		t.Errorf("no cylinder: %+v", plan.Refused)
	}
	for says, bad := range map[string][]Cylinder{
		"stands twice":  {{ID: "R", Gauge: 28, Machines: []string{"K01"}}, {ID: "R", Gauge: 28, Machines: []string{"K01"}}},
		"gauge 0":       {{ID: "R", Machines: []string{"K01"}}},
		"for 0 machine": {{ID: "R", Gauge: 28}},
	} {
		p.Cylinders = bad
		if _, err := Solve(p, Options{}); !errors.Is(err, ErrProblem) || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want %q", err, says)
		}
	}
}

// withGauges lets the check of plans know what the cylinders add to the machines.
func withGauges(p Problem) Problem {
	p.Machines = slices.Clone(p.Machines)
	for i := range p.Machines {
		p.Machines[i].Gauges = []unit.Gauge{28}
	}
	return p
}
