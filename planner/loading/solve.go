package loading

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Search says how a plan is looked for.
type Search struct {
	Seed uint64
	// Spent tells which share of the budget is used up; the search ends at 1 and asks often.
	// nil ends at the first plan.
	Spent func() float64
	// Start is a plan to begin with, or nil: a re-plan begins with the last one, and
	// stays near it.
	Start Plan
	// Better hears of every better plan, with its cost. The plan is its own copy. May be nil.
	Better func(plan Plan, cost int64)
}

// Solution is the best plan found.
type Solution struct {
	Plan Plan
	Cost int64
	// Proven says that no plan is better: the bound is reached, or all were tried.
	Proven bool
}

// Solve looks for the plan of least cost. Small problems are solved exactly; one
// machine, and several, have searches of their own.
func (p *Problem) Solve(s Search) (Solution, error) {
	if err := p.Validate(); err != nil {
		return Solution{}, err
	}
	if s.Spent == nil {
		s.Spent = func() float64 { return 1 }
	}
	if s.Start != nil {
		if _, err := p.Evaluate(s.Start); err != nil {
			return Solution{}, err
		}
	}
	r := &run{p: p, s: s, rng: rand.New(rand.NewPCG(s.Seed, 0x7475726e)), bound: p.Bound(), cost: math.MaxInt64}
	if s.Start != nil {
		r.offer(s.Start)
	}
	switch {
	case p.Jobs() == 0:
		r.offer(make(Plan, p.Machines()))
		r.proven = true
	case p.exactable():
		r.offer(p.exact())
		r.proven = true
	case p.Machines() == 1 && p.Goal == Tardiness && p.From == nil && !p.waits(0):
		r.single()
	default:
		r.several()
	}
	return Solution{r.best, r.cost, r.proven || r.cost <= r.bound}, nil
}

type run struct {
	p      *Problem
	s      Search
	rng    *rand.Rand
	bound  int64
	best   Plan
	cost   int64
	proven bool
}

// offer takes a plan when it is better.
func (r *run) offer(plan Plan) {
	score, err := r.p.Evaluate(plan)
	if err != nil || score.Cost >= r.cost && r.best != nil {
		return
	}
	r.best, r.cost = plan.Clone(), score.Cost
	if r.s.Better != nil {
		r.s.Better(r.best.Clone(), r.cost)
	}
}

func (r *run) done() bool { return r.best != nil && r.cost <= r.bound || r.s.Spent() >= 1 }

// waits says whether a release can hold up a machine.
func (p *Problem) waits(i int) bool {
	return slices.ContainsFunc(p.Release, func(t int64) bool { return t > p.Free[i] })
}

func (r *run) single() {
	note := func(seq []int, _ int64) { r.offer(Plan{seq}) }
	plain := r.p.Free[0] == 0 && !slices.ContainsFunc(r.p.Setup[0], func(row []int64) bool {
		return slices.ContainsFunc(row, func(s int64) bool { return s != 0 })
	})
	if plain {
		newLine(r.p, 0).search(r.rng, r.done, note)
		return
	}
	newChain(r.p, 0).search(r.rng, r.done, note)
}

// several anneals. How hot follows from how many steps the budget holds for each
// job: few steps are best spent near the start, many in several hot rounds, for the landscape is
// rugged and the best of three rounds is better than one long one. A plan
// given to begin with is only mended.
func (r *run) several() {
	start := r.best
	if start == nil {
		for _, look := range []float64{0.5, 1, 2, 4} {
			r.offer(r.p.construct(look, 0.5))
		}
		start = r.best
	}
	b := newBoard(r.p, start)
	typical := b.typical(r.rng)
	hot, rounds := r.heat(b)
	for k := range rounds {
		b.set(r.best)
		b.anneal(r.rng, hot*typical, min(0.0005, hot/10)*typical, func() float64 {
			if r.cost <= r.bound {
				return 1
			}
			return r.s.Spent()*float64(rounds) - float64(k)
		}, func() { r.offer(b.kept) })
	}
}

// heat is how hot to begin, as a share of the typical change, and in how many rounds.
func (r *run) heat(b *board) (float64, int) {
	if r.s.Start != nil {
		return 0.003, 1
	}
	const probe = 4096
	before := r.s.Spent()
	for range probe {
		b.propose(r.rng)
	}
	each := probe / max(r.s.Spent()-before, 1e-9) / float64(r.p.Jobs())
	switch {
	case each < 20e3:
		return 0.04, 1
	case each < 150e3:
		return 0.1, 1
	case each < 400e3:
		return 0.3, 1
	}
	return 0.4, 3
}

// construct fills the machine that is free first with the job of greatest
// apparent tardiness cost (Lee, Bhaskaran, Pinedo 1997, from memory), job after job.
func (p *Problem) construct(look, lookSetup float64) Plan {
	n, m := p.Jobs(), p.Machines()
	var sumP, sumS, count float64
	for i := range m {
		for j := range n {
			if p.Time[i][j] != Never {
				sumP += float64(p.Time[i][j])
				sumS += float64(p.Setup[i][0][j])
				count++
			}
		}
	}
	meanP, meanS := max(sumP/max(count, 1), 1e-9), max(sumS/max(count, 1), 1)
	plan, free, last := make(Plan, m), slices.Clone(p.Free), make([]int, m)
	open := make([]bool, n)
	for left := n; left > 0; left-- {
		bi, bj, best := -1, -1, math.Inf(-1)
		for _, i := range p.soonest(free, open) {
			for j := range n {
				if open[j] || p.Time[i][j] == Never {
					continue
				}
				t := max(float64(p.Time[i][j]), 1)
				s := float64(p.Setup[i][last[i]][j])
				wait := max(float64(p.Release[j]-free[i])-s, 0)
				slack := max(float64(p.Due[j]-free[i])-t, 0)
				v := math.Log(max(float64(p.Weight[j]), 1e-3)/t) - slack/(look*meanP) - s/(lookSetup*meanS) - 2*wait/meanP
				if v > best {
					bi, bj, best = i, j, v
				}
			}
		}
		open[bj] = true
		free[bi] = max(free[bi]+p.Setup[bi][last[bi]][bj], p.Release[bj]) + p.Time[bi][bj]
		last[bi] = bj + 1
		plan[bi] = append(plan[bi], bj)
	}
	return plan
}

// soonest is the machine that is free first and can knit something that is left.
func (p *Problem) soonest(free []int64, taken []bool) []int {
	best := -1
	for i := range free {
		if best >= 0 && free[i] >= free[best] {
			continue
		}
		for j, t := range p.Time[i] {
			if !taken[j] && t != Never {
				best = i
				break
			}
		}
	}
	return []int{best}
}
