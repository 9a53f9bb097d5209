package board

import (
	"math"

	"turnwise/planner/loading"
)

// Sequence looks for the plan of a problem in bare numbers, which is never worse than the
// start by apparent tardiness cost. What [loading.Problem.Solve] does exactly, on one machine or
// for the last end is left to it; several machines with due dates are searched as the board's
// own problems are.
func Sequence(p *loading.Problem, how loading.Search) (loading.Solution, error) {
	if how.Spent == nil || p.Machines() == 1 || p.Goal != loading.Tardiness || p.Jobs() <= exactJobs {
		return p.Solve(how)
	}
	if err := p.Validate(); err != nil {
		return loading.Solution{}, err
	}
	s, ok := shopOf(p)
	if !ok {
		return p.Solve(how)
	}
	l := newLayout(s)
	if how.Start == nil {
		l = begin(l)
	} else {
		if _, err := p.Evaluate(how.Start); err != nil {
			return loading.Solution{}, err
		}
		for i, jobs := range how.Start {
			for k, j := range jobs {
				l.insert(i, int32(j), k)
			}
		}
	}
	x := newSearch(l, how.Seed)
	x.enough, x.mend = p.Bound(), how.Start != nil
	told := int64(math.MaxInt64)
	x.run(math.MaxInt, func(int, bool) bool {
		if how.Better != nil && x.bestCost < told {
			told = x.bestCost
			how.Better(planOf(x.best), told)
		}
		return how.Spent() < 1
	})
	plan := planOf(x.best)
	score, err := p.Evaluate(plan)
	return loading.Solution{Plan: plan, Cost: score.Cost, Proven: score.Cost <= p.Bound()}, err
}

// exactJobs: problems up to this size are tried by the exact solver first.
const exactJobs = 16

func planOf(seq [][]int32) loading.Plan {
	out := make(loading.Plan, len(seq))
	for i, q := range seq {
		out[i] = make([]int, len(q))
		for k, t := range q {
			out[i][k] = int(t)
		}
	}
	return out
}

// shopOf is the same problem as the search has it: every job is a state of its own, what is on
// a machine at the beginning is one more. It is false when numbers are too large for it.
func shopOf(p *loading.Problem) (*shop, bool) {
	n, m := p.Jobs(), p.Machines()
	s := &shop{n: n, m: m, states: int32(n + 1), price: p.SetupCost, weight: p.Weight, free: p.Free, fixed: make([]int, m),
		dur: make([]int64, n*m), release: make([]int64, n*m), due: make([]int64, n*m), extra: make([]int64, n*m),
		state: make([]int32, n), live: make([]int32, m), setup: make([][]int32, m), able: make([][]int32, n), after: make([]int32, n), kin: make([]int32, n)}
	for i := range m {
		s.live[i] = int32(n)
		s.setup[i] = make([]int32, (n+1)*(n+1))
		for b, row := range p.Setup[i] {
			from := (b + n) % (n + 1) // row 0 is what is on the machine
			for j, v := range row {
				if v > math.MaxInt32 {
					return nil, false
				}
				s.setup[i][from*(n+1)+j] = int32(v)
			}
		}
		for j := range n {
			k := i*n + j
			s.dur[k], s.release[k], s.due[k] = p.Time[i][j], p.Release[j], p.Due[j]
			if p.Time[i][j] != loading.Never {
				s.able[j] = append(s.able[j], int32(i))
			}
			if p.From != nil && p.From[j] >= 0 && p.From[j] != i {
				s.extra[k] = p.Move[j]
			}
		}
	}
	for j := range n {
		s.state[j], s.after[j], s.kin[j] = int32(j), -1, -1
	}
	return s, true
}
