package loading

import (
	"math"
	"math/rand/v2"
	"slices"
)

// board is a plan that is changed job by job: every machine keeps when its places
// end and what the places before have cost, so that a change costs the places after it.
type board struct {
	p     *Problem
	lanes []lane
	where []int   // [job] machine
	able  [][]int // [job] machines that can knit it
	total float64
	spare [2][]int // sequences under trial
	wish  []float64
	kept  Plan    // the best plan of an annealing
	told  float64 // its total
}

type lane struct {
	jobs []int
	end  []int64   // [1+place]; 0 is when the machine is free
	cost []float64 // [1+place], of the places up to it
}

// value of a lane: its cost, or for the last end a power of its end, which is
// smooth where the largest of all ends is not.
func (b *board) value(end int64, cost float64) float64 {
	if b.p.Goal == LastEnd {
		x := float64(end)
		return x * x * x * x
	}
	return cost
}

func (b *board) valueOf(i int) float64 {
	l := &b.lanes[i]
	k := len(l.jobs)
	return b.value(l.end[k], l.cost[k])
}

func newBoard(p *Problem, plan Plan) *board {
	b := &board{p: p, lanes: make([]lane, p.Machines()), where: make([]int, p.Jobs()), able: make([][]int, p.Jobs()), kept: make(Plan, p.Machines())}
	for j := range b.able {
		for i := range p.Time {
			if p.Time[i][j] != Never {
				b.able[j] = append(b.able[j], i)
			}
		}
	}
	b.set(plan)
	return b
}

func (b *board) set(plan Plan) {
	b.total = 0
	for i := range b.lanes {
		b.put(i, 0, plan[i])
		b.total += b.valueOf(i)
	}
	b.told = b.total
}

// put makes jobs the sequence of a machine; the places before from stay as they are.
func (b *board) put(i, from int, jobs []int) {
	l := &b.lanes[i]
	l.jobs = append(l.jobs[:from], jobs[from:]...)
	if from == 0 {
		l.end, l.cost = append(l.end[:0], b.p.Free[i]), append(l.cost[:0], 0)
	}
	l.end, l.cost = l.end[:from+1], l.cost[:from+1]
	b.walk(i, from, l.jobs, func(end int64, cost float64, j int) {
		l.end, l.cost = append(l.end, end), append(l.cost, cost)
		b.where[j] = i
	})
}

func (b *board) walk(i, from int, jobs []int, each func(int64, float64, int)) {
	l := &b.lanes[i]
	at, cost, before := l.end[from], l.cost[from], 0
	if from > 0 {
		before = jobs[from-1] + 1
	}
	for _, j := range jobs[from:] {
		at, cost = b.step(i, before, j, at, cost)
		each(at, cost, j)
		before = j + 1
	}
}

func (b *board) step(i, before, j int, at int64, cost float64) (int64, float64) {
	p := b.p
	s := p.Setup[i][before][j]
	at = max(at+s, p.Release[j]) + p.Time[i][j]
	if over := at - p.Due[j]; over > 0 {
		cost += float64(p.Weight[j] * over)
	}
	if p.SetupCost != 0 {
		cost += float64(p.SetupCost * s)
	}
	if p.From != nil {
		cost += float64(p.moved(j, i))
	}
	return at, cost
}

// weigh is the value of a machine with another sequence from a place on.
func (b *board) weigh(i, from int, jobs []int) float64 {
	l := &b.lanes[i]
	at, cost, before := l.end[from], l.cost[from], 0
	if from > 0 {
		before = jobs[from-1] + 1
	}
	for _, j := range jobs[from:] {
		at, cost = b.step(i, before, j, at, cost)
		before = j + 1
	}
	return b.value(at, cost)
}

// A try is a change of one or two machines that has been weighed.
type try struct {
	a, b         int // machines; b is -1 when there is one
	fromA, fromB int
	by           float64 // change of the total
}

// propose draws a change: a run of jobs put elsewhere, or two jobs that change places.
// ok is false when what was drawn changes nothing or cannot be.
func (b *board) propose(rng *rand.Rand) (t try, ok bool) {
	j := rng.IntN(b.p.Jobs())
	if rng.IntN(3) == 0 {
		return b.exchange(rng, j)
	}
	return b.relocate(rng, j)
}

func (b *board) place(i, j int) int {
	for k, x := range b.lanes[i].jobs {
		if x == j {
			return k
		}
	}
	return -1
}

func (b *board) exchange(rng *rand.Rand, j int) (try, bool) {
	x := rng.IntN(b.p.Jobs())
	i, o := b.where[j], b.where[x]
	if x == j || b.p.Time[o][j] == Never || b.p.Time[i][x] == Never {
		return try{}, false
	}
	k, m := b.place(i, j), b.place(o, x)
	if i == o {
		if k > m {
			k, m = m, k
			j, x = x, j
		}
		s := append(b.spare[0][:0], b.lanes[i].jobs...)
		s[k], s[m] = x, j
		b.spare[0] = s
		return try{i, -1, k, 0, b.weigh(i, k, s) - b.valueOf(i)}, true
	}
	s := append(b.spare[0][:0], b.lanes[i].jobs...)
	s[k] = x
	r := append(b.spare[1][:0], b.lanes[o].jobs...)
	r[m] = j
	b.spare[0], b.spare[1] = s, r
	return try{i, o, k, m, b.weigh(i, k, s) - b.valueOf(i) + b.weigh(o, m, r) - b.valueOf(o)}, true
}

func (b *board) relocate(rng *rand.Rand, j int) (try, bool) {
	i := b.where[j]
	k := b.place(i, j)
	from := b.lanes[i].jobs
	size := 1
	if rng.IntN(4) == 0 {
		size = min(1+rng.IntN(3), len(from)-k)
	}
	o := i
	if ways := b.able[j]; len(ways) > 1 && rng.IntN(4) > 0 {
		o = ways[rng.IntN(len(ways))]
	}
	if o == i {
		if len(from) == size {
			return try{}, false
		}
		to := rng.IntN(len(from) - size + 1)
		if to == k {
			return try{}, false
		}
		s := append(append(b.spare[0][:0], from[:k]...), from[k+size:]...)
		s = append(s, from[:size]...) // room
		copy(s[to+size:], s[to:len(from)-size])
		copy(s[to:], from[k:k+size])
		b.spare[0] = s
		lo := min(k, to)
		return try{i, -1, lo, 0, b.weigh(i, lo, s) - b.valueOf(i)}, true
	}
	for _, x := range from[k : k+size] {
		if b.p.Time[o][x] == Never {
			return try{}, false
		}
	}
	there := b.lanes[o].jobs
	to := rng.IntN(len(there) + 1)
	s := append(append(b.spare[0][:0], from[:k]...), from[k+size:]...)
	r := append(append(append(b.spare[1][:0], there[:to]...), from[k:k+size]...), there[to:]...)
	b.spare[0], b.spare[1] = s, r
	return try{i, o, k, to, b.weigh(i, k, s) - b.valueOf(i) + b.weigh(o, to, r) - b.valueOf(o)}, true
}

func (b *board) accept(t try) {
	b.total += t.by
	b.put(t.a, t.fromA, b.spare[0])
	if t.b >= 0 {
		b.put(t.b, t.fromB, b.spare[1])
	}
}

// anneal goes through plans from the one on the board: worse ones are accepted with a
// chance that falls with the share of the budget that is spent, from hot to cold, a share of
// the typical change. It tells every best plan.
func (b *board) anneal(rng *rand.Rand, hot, cold float64, spent func() float64, better func()) {
	if b.p.Jobs() == 0 {
		return
	}
	best, kept := b.total, true
	heat := hot
	for step := 0; ; step++ {
		if step&255 == 0 {
			share := spent()
			if best < b.told {
				b.keep(&kept)
				b.told = best
				better()
			}
			if share >= 1 {
				return
			}
			heat = hot * math.Pow(cold/hot, share)
		}
		t, ok := b.propose(rng)
		if !ok || t.by > 0 && (heat <= 0 || t.by > 20*heat || rng.Float64() >= math.Exp(-t.by/heat)) {
			continue
		}
		if t.by > 0 && !kept {
			b.keep(&kept)
		}
		b.accept(t)
		if b.total < best {
			best, kept = b.total, false
		}
	}
}

// keep writes the plan down when it is the best so far and is about to be left.
func (b *board) keep(kept *bool) {
	if *kept {
		return
	}
	*kept = true
	for i := range b.lanes {
		b.kept[i] = append(b.kept[i][:0], b.lanes[i].jobs...)
	}
}

// typical is the middle of the changes for the worse near the plan, over some draws.
func (b *board) typical(rng *rand.Rand) float64 {
	b.wish = b.wish[:0]
	for range 2000 {
		if t, ok := b.propose(rng); ok && t.by > 0 {
			b.wish = append(b.wish, t.by)
		}
	}
	if len(b.wish) == 0 {
		return 1
	}
	slices.Sort(b.wish)
	return b.wish[len(b.wish)/2]
}
