package board

import (
	"cmp"
	"math"
	"slices"
)

// search takes some tasks out and puts each back where it costs least, over and over
// (ruin and recreate: Schrimpf and others 2000; neighbouring strings as in Christiaens
// and Vanden Berghe 2020; both from memory). Whether a worse layout is gone on from
// depends on a temperature that falls in cycles, each twice as long as the one before,
// so that it can be stopped at any time.
type search struct {
	s              *shop
	l              *layout // the one at hand
	best           [][]int32
	rolls          []int32 // of best
	cost, bestCost int64
	dice           dice

	out      []int32   // tasks taken out
	key      []float64 // [task] by which they are put back
	touched  []bool
	saved    [][]int32 // sequences before this round
	list     []int     // machines touched
	oldRolls []oldRolls
	locked   []bool // [task]
	movable  []int32
	mend     bool    // begins with a plan in force and stays near it
	strings  int     // how many machines a round takes strings from at most
	typical  float64 // worsening by a round
	enough   int64   // a cost that cannot be bettered
	shelf    int     // how many of the last best layouts are kept for the ranking by risk
	kept     []keptLayout
}

type keptLayout struct {
	seq   [][]int32
	rolls []int32
}

type oldRolls struct {
	order int
	rolls [maxParts]int32
}

func newSearch(l *layout, seed uint64) *search {
	s := l.s
	x := &search{s: s, l: l, dice: dice(seed), key: make([]float64, s.n), touched: make([]bool, s.m), saved: make([][]int32, s.m), locked: make([]bool, s.n), best: make([][]int32, s.m), strings: 2}
	for i, q := range l.seq {
		for _, t := range q[:s.fixed[i]] {
			x.locked[t] = true
		}
	}
	for t := range s.n {
		if !x.locked[t] {
			x.movable = append(x.movable, int32(t))
		}
	}
	x.cost = l.total()
	x.keep()
	return x
}

func (x *search) keep() {
	x.bestCost = x.cost
	for i, q := range x.l.seq {
		x.best[i] = append(x.best[i][:0], q...)
	}
	x.rolls = append(x.rolls[:0], x.l.rolls...)
	if x.shelf > 0 {
		if len(x.kept) == x.shelf {
			x.kept = append(x.kept[:0], x.kept[1:]...)
		}
		k := keptLayout{rolls: slices.Clone(x.rolls)}
		for _, q := range x.best {
			k.seq = append(k.seq, slices.Clone(q))
		}
		x.kept = append(x.kept, k)
	}
}

// restore lays the best layout again.
func (x *search) restore() { x.lay(keptLayout{x.best, x.rolls}) }

func (x *search) lay(k keptLayout) {
	l := x.l
	for t := range l.where {
		l.where[t] = -1
	}
	for n := range x.s.split {
		o := &x.s.split[n]
		deal(l, o, k.rolls[o.first:o.first+o.parts])
	}
	for i := range l.seq {
		l.seq[i] = append(l.seq[i][:0], k.seq[i]...)
		for _, t := range l.seq[i] {
			l.where[t] = int32(i)
		}
		l.walk(i, 0)
	}
	x.cost = l.total()
}

// touch keeps machine i as it is before this round.
func (x *search) touch(i int) {
	if x.touched[i] {
		return
	}
	x.touched[i] = true
	x.list = append(x.list, i)
	x.saved[i] = append(x.saved[i][:0], x.l.seq[i]...)
}

// take takes a task out.
func (x *search) take(t int32) {
	i := int(x.l.where[t])
	if i < 0 || x.locked[t] {
		return
	}
	x.touch(i)
	x.l.seq[i] = slices.Delete(x.l.seq[i], slices.Index(x.l.seq[i], t), slices.Index(x.l.seq[i], t)+1)
	x.l.where[t] = -1
	x.out = append(x.out, t)
}

// ruin takes strings of neighbouring tasks out of one to three machines that share tasks.
func (x *search) ruin() {
	if len(x.movable) == 0 {
		return
	}
	x.out = x.out[:0]
	l, seed := x.l, x.pick()
	if seed < 0 {
		return
	}
	machines := 1 + x.dice.below(x.strings)
	for k := 0; k < machines; k++ {
		t := seed
		if k > 0 {
			// A task on a machine that could have the first one, near it in time.
			able := x.s.able[seed]
			i := int(able[x.dice.below(len(able))])
			q := l.seq[i]
			if x.touched[i] || len(q) <= x.s.fixed[i] {
				continue
			}
			place := x.s.fixed[i] + x.dice.below(len(q)-x.s.fixed[i])
			t = q[place]
		}
		x.string(t, 1+x.dice.below(3))
	}
	for _, i := range x.list {
		l.walk(i, min(x.s.fixed[i], len(l.seq[i])))
	}
}

// pick is a task to begin with.
func (x *search) pick() int32 {
	for range 20 {
		t := x.movable[x.dice.below(len(x.movable))]
		if x.l.where[t] < 0 {
			continue
		}
		return t
	}
	return -1
}

// string takes out up to size tasks side by side, t among them.
func (x *search) string(t int32, size int) {
	i := int(x.l.where[t])
	if i < 0 {
		return
	}
	q := x.l.seq[i]
	place := slices.Index(q, t)
	lo := max(place-x.dice.below(size), x.s.fixed[i])
	hi := min(lo+size, len(q))
	for _, u := range slices.Clone(q[lo:hi]) {
		if x.s.twins && len(x.s.split) > 0 {
			if o := x.orderOf(u); o >= 0 && x.dice.below(2) == 0 {
				x.redraw(o)
				continue
			}
		}
		x.take(u)
	}
}

// orderOf is the index of the split order that a task is part of, or -1.
func (x *search) orderOf(t int32) int {
	k, ok := slices.BinarySearchFunc(x.s.split, t, func(o split, t int32) int {
		switch {
		case o.first+o.parts <= t:
			return -1
		case o.first > t:
			return 1
		}
		return 0
	})
	if !ok {
		return -1
	}
	return k
}

// redraw takes an order out whole and divides its rolls anew.
func (x *search) redraw(k int) {
	o := &x.s.split[k]
	old := oldRolls{order: k}
	for p := range o.parts {
		if x.locked[o.first+p] {
			return
		}
		old.rolls[p] = x.l.rolls[o.first+p]
	}
	if slices.ContainsFunc(x.oldRolls, func(r oldRolls) bool { return r.order == k }) {
		return
	}
	x.oldRolls = append(x.oldRolls, old)
	for p := range o.parts {
		x.take(o.first + p)
	}
	most := min(o.parts, o.rolls/max(o.least, 1))
	n := 1 + int32(x.dice.below(int(max(most, 1))))
	if x.dice.below(2) == 0 {
		n = 1
	}
	var rolls [maxParts]int32
	left := o.rolls
	for p := range n {
		rest := n - p - 1
		fair := left / (rest + 1)
		r := fair
		if rest == 0 {
			r = left
		} else if x.dice.below(3) > 0 {
			if room := left - (rest+1)*o.least; room > 0 {
				r = o.least + int32(x.dice.below(int(room)+1))
			}
		}
		rolls[p] = r
		left -= r
	}
	deal(x.l, o, rolls[:o.parts])
	for p := range o.parts {
		t := o.first + p
		x.out = slices.DeleteFunc(x.out, func(u int32) bool { return u == t })
		if rolls[p] > 0 {
			x.out = append(x.out, t)
		}
	}
}

// order says in which order the tasks are put back.
func (x *search) order() {
	s := x.s
	how := x.dice.below(6)
	for _, t := range x.out {
		k := int(s.able[t][0])*s.n + int(t)
		switch how {
		case 0, 1:
			x.key[t] = x.dice.unit()
		case 2:
			x.key[t] = float64(s.due[k])
		case 3:
			x.key[t] = -float64(s.weight[t])
		case 4:
			x.key[t] = -float64(s.dur[k])
		case 5:
			x.key[t] = float64(s.release[k]) + float64(s.dur[k])
		}
	}
	slices.SortFunc(x.out, func(a, b int32) int { return cmp.Or(cmp.Compare(x.key[a], x.key[b]), cmp.Compare(a, b)) })
	if s.pinned {
		// What must be earlier is put back earlier.
		for k := 0; k < len(x.out); k++ {
			for q := k + 1; q < len(x.out); q++ {
				if s.after[x.out[k]] == x.out[q] {
					t := x.out[q]
					x.out = slices.Insert(slices.Delete(x.out, q, q+1), k, t)
					k = max(k-1, -1)
					break
				}
			}
		}
	}
}

// back puts one task where it costs least, now and then overlooking a place.
func (x *search) back(t int32) {
	skip := func() bool { return x.dice.below(50) == 0 }
	if x.s.rings != nil && x.s.rings.concerns(x.s, t) {
		skip = func() bool { return x.dice.below(8) == 0 }
		x.backShared(t, skip)
		return
	}
	i, p := x.l.cheapest(t, skip)
	x.touch(i)
	x.l.insert(i, t, p)
}

// change is one ruin and recreation; it says by how much the cost is more.
func (x *search) change() int64 {
	x.list, x.oldRolls = x.list[:0], x.oldRolls[:0]
	x.ruin()
	x.order()
	for _, t := range x.out {
		x.back(t)
	}
	return x.l.total() - x.cost
}

// tryOne makes a change and takes it back.
func (x *search) tryOne() int64 {
	by := x.change()
	x.undo()
	x.settle()
	return by
}

// round is one change, kept when it costs little more than nothing: the more the warmer.
func (x *search) round(warmth float64) {
	if by := x.change(); float64(by) < warmth*x.dice.drop() {
		if x.cost += by; x.cost < x.bestCost {
			x.keep()
		}
	} else {
		x.undo()
	}
	x.settle()
}

func (x *search) settle() {
	for _, i := range x.list {
		x.touched[i] = false
	}
}

// undo lays the machines of this round as they were.
func (x *search) undo() {
	l := x.l
	for _, t := range x.out {
		l.where[t] = -1
	}
	for _, r := range x.oldRolls {
		o := &x.s.split[r.order]
		deal(x.l, o, r.rolls[:o.parts])
	}
	for _, i := range x.list {
		l.seq[i] = append(l.seq[i][:0], x.saved[i]...)
		for _, t := range l.seq[i] {
			l.where[t] = int32(i)
		}
		l.walk(i, min(x.s.fixed[i], len(l.seq[i])))
	}
}

// feel finds the typical worsening of a round, the median of some that all are taken back: the
// scale of warmth. The cost itself is none, for it may be 0 or nearly so.
func (x *search) feel() {
	var worse []float64
	for range 60 {
		if by := float64(x.tryOne()); by > 0 {
			worse = append(worse, by)
		}
	}
	slices.Sort(worse)
	x.typical = 1
	if len(worse) > 0 {
		x.typical = worse[len(worse)/2]
	}
}

// run searches for so many rounds.
func (x *search) run(rounds int, on func(round int, better bool) bool) int {
	if len(x.movable) == 0 {
		return 0
	}
	x.feel()
	done, told := 0, x.bestCost
	small := len(x.movable) <= 30
	for cycle, k := 2000, 0; done < rounds; k++ {

		// Hot is a share of the typical worsening that grows with the rounds for each task: in a
		// few rounds only a cool search gets anywhere, in many a hot one gets further (found by
		// trial on plants and on sets of known instances). A plan in force is only mended.
		share := 0.012 * math.Pow(float64(cycle)/float64(len(x.movable)), 0.4)
		switch {
		case x.mend:
			share = 0.001
		case small:
			// A few tasks are soon in a valley that only heat leads out of.
			cycle, share = 500, []float64{0.3, 1.5, 5}[k%3]
		}
		// As long as there are few rounds for each task, wider changes get further (by trial, too).
		x.strings = 2
		if cycle < 100*len(x.movable) {
			x.strings = 3
		}
		hot := max(x.typical*share, 1)
		cold := hot * 1e-2
		for k := 0; k < cycle && done < rounds; k++ {
			warmth := hot * math.Pow(cold/hot, float64(k)/float64(cycle))
			x.round(warmth)
			done++
			if done&15 == 0 || done == rounds {
				if !on(done, x.bestCost < told) {
					x.restore()
					return done
				}
				told = x.bestCost
			}
			if x.bestCost <= x.enough {
				x.restore()
				return done
			}
		}
		x.restore()
		cycle *= 2
	}
	return done
}
