package board

import (
	"math"
	"slices"
)

// begin lays a copy of a layout and puts what is left by apparent tardiness cost with
// set-ups (Lee, Bhaskaran, Pinedo 1997, from memory): always the machine that is free first
// takes the order with the most weight a minute, less the more slack it has and the longer
// its set-up. The best of a few scales is taken.
func begin(from *layout) *layout {
	var best *layout
	cost := int64(math.MaxInt64)
	for _, look := range []float64{0.5, 2, 6} {
		for _, setup := range []float64{0.3, 1} {
			l := from.clone()
			l.dispatch(look, setup)
			if c := l.total(); c < cost {
				best, cost = l, c
			}
		}
	}
	return best
}

func (l *layout) clone() *layout {
	c := newLayout(l.s)
	copy(c.where, l.where)
	copy(c.rolls, l.rolls)
	for i := range l.seq {
		c.seq[i] = slices.Clone(l.seq[i])
		c.walk(i, 0)
	}
	return c
}

// waiting are the tasks that are to be put and are not.
func (l *layout) waiting() []int32 {
	var out []int32
	idle := map[int32]bool{}
	for _, o := range l.s.split {
		for t := o.first; t < o.first+o.parts; t++ {
			idle[t] = l.rolls[t] == 0
		}
	}
	for t := range l.s.n {
		if l.where[t] < 0 && !idle[int32(t)] {
			out = append(out, int32(t))
		}
	}
	return out
}

func (l *layout) dispatch(look, lookSetup float64) {
	s := l.s
	var rest, last []int32
	for _, t := range l.waiting() {
		if s.state[t] < 0 || s.after[t] >= 0 {
			last = append(last, t)
		} else {
			rest = append(rest, t)
		}
	}
	meanP, meanS := l.means(rest)
	open := make([]bool, s.m)
	for i := range open {
		open[i] = true
	}
	for len(rest) > 0 {
		i := -1
		for k := range s.m {
			if open[k] && (i < 0 || l.time[k][len(l.seq[k])] < l.time[i][len(l.seq[i])]) {
				i = k
			}
		}
		if i < 0 {
			break
		}
		end := len(l.seq[i])
		now, mode := l.time[i][end], l.mode[i][end]
		at, best := -1, math.Inf(-1)
		for k, t := range rest {
			q := i*s.n + int(t)
			if !slices.Contains(s.able[t], int32(i)) {
				continue
			}
			p := float64(s.dur[q])
			wait := max(float64(s.release[q]-now), 0)
			slack := max(float64(s.due[q]-now)-p, 0)
			v := math.Log(float64(s.weight[t])/p) - slack/(look*meanP) - float64(s.setup[i][mode*s.states+s.state[t]])/(lookSetup*meanS) - wait/meanP
			if v > best {
				at, best = k, v
			}
		}
		if at < 0 {
			open[i] = false
			continue
		}
		l.insert(i, rest[at], end)
		rest = slices.Delete(rest, at, at+1)
	}
	l.greedy(last)
}

// means of the times and set-ups of tasks on their first machines.
func (l *layout) means(tasks []int32) (float64, float64) {
	s := l.s
	var p, up, n, pairs float64
	for _, t := range tasks {
		i := int(s.able[t][0])
		p += float64(s.dur[i*s.n+int(t)])
		n++
		for _, u := range tasks[:min(len(tasks), 50)] {
			up += max(float64(s.setup[i][s.state[u]*s.states+s.state[t]]), 0)
			pairs++
		}
	}
	return max(p/max(n, 1), 1), max(up/max(pairs, 1), 1)
}

// greedy puts tasks where each costs least, those that others wait for first.
func (l *layout) greedy(tasks []int32) {
	s := l.s
	for len(tasks) > 0 {
		at := slices.IndexFunc(tasks, func(t int32) bool { return s.after[t] < 0 || !slices.Contains(tasks, s.after[t]) })
		t := tasks[max(at, 0)]
		tasks = slices.Delete(tasks, max(at, 0), max(at, 0)+1)
		i, p := l.cheapest(t, nil)
		l.insert(i, t, p)
	}
}

// cheapest is the machine and place where a task costs least. Skip, when told, overlooks a
// place now and then.
func (l *layout) cheapest(t int32, skip func() bool) (int, int) {
	s := l.s
	bi, bp, bc := -1, 0, int64(math.MaxInt64)>>2
	for _, m := range s.able[t] {
		i := int(m)
		for p := len(l.seq[i]); p >= l.floor(i, t); p-- {
			if skip != nil && bi >= 0 && skip() {
				continue
			}
			if c := l.put(i, t, p, bc); c < bc || bi < 0 {
				bi, bp, bc = i, p, c
			}
		}
	}
	return bi, bp
}

// floor is the first place of machine i that a task may have. What is fixed stays before it,
// but a care may come between jobs that are.
func (l *layout) floor(i int, t int32) int {
	if l.careFirst && l.s.state[t] < 0 {
		return 0
	}
	return l.s.fixed[i]
}

// bound is a cost that no layout is below: every order alone where it ends best, with the
// least set-up before it.
func (s *shop) bound(split []split) int64 {
	least := make([]int64, s.m*int(s.states))
	for i := range s.m {
		for b := range s.states {
			v := int64(s.setup[i][s.live[i]*s.states+b])
			for _, a := range s.state {
				if a >= 0 && s.setup[i][a*s.states+b] >= 0 {
					v = min(v, int64(s.setup[i][a*s.states+b]))
				}
			}
			least[i*int(s.states)+int(b)] = max(v, 0)
		}
	}
	var sum int64
	twin := make([]bool, s.n)
	for _, o := range split {
		for t := o.first; t < o.first+o.parts; t++ {
			twin[t] = true
		}
	}
	for t := range s.n {
		if twin[t] {
			continue
		}
		best := int64(math.MaxInt64)
		for _, m := range s.able[t] {
			i := int(m)
			k := i*s.n + t
			up := int64(0)
			if s.state[t] >= 0 {
				up = least[i*int(s.states)+int(s.state[t])]
			}
			over := max(max(s.free[i]+up, s.release[k])+s.dur[k]-s.due[k], 0)
			best = min(best, over*s.weight[t]+up*s.price+s.extra[k])
		}
		sum += best
	}
	return sum
}
