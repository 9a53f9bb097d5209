package loading

import (
	"math"
	"math/bits"
	"slices"
)

// The exact solver serves sets of jobs: first what every machine pays at least for
// every set, then how the jobs are best parted among the machines.
const exactJobs = 12

func (p *Problem) exactable() bool {
	n := p.Jobs()
	// 3^n ways to part a set into two, for each machine but the first.
	return n <= exactJobs && p.Machines() <= 64
}

// exact needs few jobs; it is complete.
func (p *Problem) exact() Plan {
	n := p.Jobs()
	all := 1<<n - 1
	var cost []int64 // [set] of the machines so far
	var parts [][]int32
	var lanes []*subsets
	for i := range p.Machines() {
		l := p.subsets(i)
		lanes = append(lanes, l)
		if i == 0 {
			cost = slices.Clone(l.best)
			parts = append(parts, nil)
			continue
		}
		next, part := make([]int64, all+1), make([]int32, all+1)
		for set := 0; set <= all; set++ {
			next[set] = math.MaxInt64
			for sub := set; ; sub = (sub - 1) & set {
				if a, b := l.best[sub], cost[set^sub]; a != math.MaxInt64 && b != math.MaxInt64 {
					v := a + b
					if p.Goal == LastEnd {
						v = max(a, b)
					}
					if v < next[set] {
						next[set], part[set] = v, int32(sub)
					}
				}
				if sub == 0 {
					break
				}
			}
		}
		cost = next
		parts = append(parts, part)
	}
	plan, set := make(Plan, p.Machines()), all
	for i := p.Machines() - 1; i >= 0; i-- {
		own := set
		if i > 0 {
			own = int(parts[i][set])
		}
		plan[i] = lanes[i].sequence(own)
		set ^= own
	}
	return plan
}

// subsets holds, for one machine, the ways worth keeping to serve each set of
// jobs with each last one: none is both later and dearer than another.
type subsets struct {
	n    int
	ways [][]way // [set*n+last]
	best []int64 // [set]; an idle machine costs and ends nothing
}

type way struct {
	end, cost int64
	from      int32 // index in ways of the set without last, with its last
	last      int8  // the job before, -1 at the start
}

func (p *Problem) subsets(i int) *subsets {
	n := p.Jobs()
	s := &subsets{n: n, ways: make([][]way, (1<<n)*n), best: make([]int64, 1<<n)}
	for set := 1; set < 1<<n; set++ {
		s.best[set] = math.MaxInt64
		for rest := set; rest != 0; rest &= rest - 1 {
			j := bits.TrailingZeros(uint(rest))
			if p.Time[i][j] == Never {
				continue
			}
			var ws []way
			add := func(end, cost int64, before int, from int) {
				e, c := p.serve(i, before, j, end, cost)
				ws = append(ws, way{e, c, int32(from), int8(before)})
			}
			if without := set &^ (1 << j); without == 0 {
				add(p.Free[i], 0, -1, 0)
			} else {
				for b := without; b != 0; b &= b - 1 {
					before := bits.TrailingZeros(uint(b))
					for k, w := range s.ways[without*n+before] {
						add(w.end, w.cost, before, k)
					}
				}
			}
			ws = undominated(ws)
			s.ways[set*n+j] = ws
			for _, w := range ws {
				v := w.cost
				if p.Goal == LastEnd {
					v = w.end
				}
				s.best[set] = min(s.best[set], v)
			}
		}
	}
	return s
}

// serve is one job more on a machine; for the last end the cost is left at 0.
func (p *Problem) serve(i, before, j int, end, cost int64) (int64, int64) {
	setup := p.Setup[i][before+1][j]
	end = max(end+setup, p.Release[j]) + p.Time[i][j]
	if p.Goal == Tardiness {
		cost += p.Weight[j]*max(end-p.Due[j], 0) + p.SetupCost*setup + p.moved(j, i)
	}
	return end, cost
}

func undominated(ws []way) []way {
	slices.SortFunc(ws, func(a, b way) int {
		switch {
		case a.end != b.end:
			return int(min(max(a.end-b.end, -1), 1))
		default:
			return int(min(max(a.cost-b.cost, -1), 1))
		}
	})
	out := ws[:0]
	for _, w := range ws {
		if len(out) == 0 || w.cost < out[len(out)-1].cost {
			out = append(out, w)
		}
	}
	return slices.Clip(slices.Clone(out))
}

// sequence is the best way to serve a set.
func (s *subsets) sequence(set int) []int {
	if set == 0 {
		return []int{}
	}
	last, at := -1, 0
	bestEnd, bestCost := int64(math.MaxInt64), int64(math.MaxInt64)
	for j := range s.n {
		for k, w := range s.ways[set*s.n+j] {
			if w.cost < bestCost || w.cost == bestCost && w.end < bestEnd {
				last, at, bestEnd, bestCost = j, k, w.end, w.cost
			}
		}
	}
	var out []int
	for set != 0 {
		w := s.ways[set*s.n+last][at]
		out = append(out, last)
		set &^= 1 << last
		last, at = int(w.last), int(w.from)
	}
	slices.Reverse(out)
	return out
}
