package loading

import (
	"math"
	"math/rand/v2"
	"slices"
)

// chain is one machine whose set-ups depend on the sequence, without releases.
//
// A stretch of places that is shifted as a whole by d pays a sum of w max(0, late+d):
// a piecewise linear function of d. One such function for every tail of the
// sequence is kept, so that a move of whole blocks costs a few look-ups, however long the
// blocks are (after Ergun and Orlin 2006, for single machines; from memory).
type chain struct {
	n       int
	p, w, d []int64
	setup   [][]int64 // [1+before][job]
	free    int64
	perUnit int64 // cost of a unit of set-up

	seq   []int
	cost  int64
	start []int64 // by place: knitting begins
	end   []int64
	sum   []int64 // cost of tardiness before the place
	tails []tail  // by place, n+1 of them
	order []int

	marked []bool // places from which a move may help
	back   int
}

// tail is the function of the places from one on.
type tail struct {
	at     []int64 // shifts, ascending, at which one more place is late
	weight []int64 // of the first k of them, k = 0..len(at)
	over   []int64 // weight times lateness of them
	zero   int     // how many are late unshifted
}

// pay is what the tail pays when shifted. The walk begins at no shift, since most
// shifts are short.
func (t *tail) pay(shift int64) int64 {
	k := t.zero
	if shift > 0 {
		for k < len(t.at) && t.at[k] < shift {
			k++
		}
	} else {
		for k > 0 && t.at[k-1] >= shift {
			k--
		}
	}
	return t.weight[k]*shift + t.over[k]
}

func newChain(p *Problem, machine int) *chain {
	n := p.Jobs()
	c := &chain{n: n, p: p.Time[machine], w: p.Weight, d: p.Due, setup: p.Setup[machine], free: p.Free[machine], perUnit: p.SetupCost}
	c.start, c.end, c.sum = make([]int64, n+1), make([]int64, n+1), make([]int64, n+1)
	c.marked, c.back = make([]bool, n), 8
	c.tails = make([]tail, n+1)
	for k := range c.tails {
		c.tails[k] = tail{make([]int64, 0, n), make([]int64, n+1), make([]int64, n+1), 0}
	}
	return c
}

// before is the row of set-ups of what stands before a place.
func (c *chain) before(k int) []int64 {
	if k == 0 {
		return c.setup[0]
	}
	return c.setup[c.seq[k-1]+1]
}

// ended is when the machine is free before a place.
func (c *chain) ended(k int) int64 {
	if k == 0 {
		return c.free
	}
	return c.end[k-1]
}

// lay spreads the sequence over the places and makes the tails anew.
func (c *chain) lay() {
	t, cost, changed := c.free, int64(0), int64(0)
	for k, j := range c.seq {
		s := c.before(k)[j]
		changed += s
		c.sum[k] = cost
		c.start[k] = t + s
		t += s + c.p[j]
		c.end[k] = t
		cost += late(c.w[j], t-c.d[j])
	}
	c.sum[c.n] = cost
	c.cost = cost + c.perUnit*changed
	for k := c.n - 1; k >= 0; k-- {
		j := c.seq[k]
		a, b := &c.tails[k+1], &c.tails[k]
		at := c.d[j] - c.end[k] // late when shifted by more
		i, _ := slices.BinarySearch(a.at, at)
		b.at = append(append(append(b.at[:0], a.at[:i]...), at), a.at[i:]...)
		b.zero = a.zero
		if at < 0 {
			b.zero++
		}
		copy(b.weight[:i+1], a.weight[:i+1])
		copy(b.over[:i+1], a.over[:i+1])
		w, o := c.w[j], -c.w[j]*at
		for q := i; q < len(a.at)+1; q++ {
			b.weight[q+1], b.over[q+1] = a.weight[q]+w, a.over[q]+o
		}
	}
}

// shifted is what the places from a up to b (without it) pay when shifted.
func (c *chain) shifted(a, b int, shift int64) int64 {
	if b-a == 1 {
		j := c.seq[a]
		return late(c.w[j], c.end[a]+shift-c.d[j])
	}
	return c.tails[a].pay(shift) - c.tails[b].pay(shift)
}

// swapped is the cost when the jobs of the places i and k change places, with one
// place at least between them.
func (c *chain) swapped(i, k int, known int64) int64 {
	a, b := c.seq[i], c.seq[k]
	endB := c.ended(i) + c.before(i)[b] + c.p[b]
	shift := endB + c.setup[b+1][c.seq[i+1]] - c.start[i+1]
	endA := c.end[k-1] + shift + c.setup[c.seq[k-1]+1][a] + c.p[a]
	rest := endA - c.end[k]
	if k+1 < c.n {
		rest = endA + c.setup[a+1][c.seq[k+1]] - c.start[k+1]
	}
	cost := c.sum[i] + (c.cost - c.sum[c.n]) + c.perUnit*rest + late(c.w[b], endB-c.d[b]) + late(c.w[a], endA-c.d[a])
	if cost >= known {
		return known
	}
	if cost += c.tails[k+1].pay(rest); cost >= known {
		return known
	}
	return min(cost+c.shifted(i+1, k, shift), known)
}

// turn makes the move of turned.
func (c *chain) turn(i, j, k int) {
	slices.Reverse(c.seq[i:j])
	slices.Reverse(c.seq[j:k])
	slices.Reverse(c.seq[i:k])
}

// descend goes down to a sequence that no move of a marked place betters; places
// near a move are marked anew. The block that moves has at most longest jobs.
func (c *chain) descend(rng *rand.Rand, longest int) {
	c.lay()
	for c.cost > 0 {
		c.order = c.order[:0]
		for k, yes := range c.marked {
			if yes {
				c.order = append(c.order, k)
			}
		}
		if len(c.order) == 0 {
			return
		}
		rng.Shuffle(len(c.order), func(a, b int) { c.order[a], c.order[b] = c.order[b], c.order[a] })
		for _, i := range c.order {
			if c.marked[i] {
				c.marked[i] = false
				c.betterAt(i, longest)
			}
		}
	}
}

// mark says that moves that begin at or shortly before the places lo to hi may help again.
func (c *chain) mark(lo, hi int) {
	for k := max(lo-c.back, 0); k <= min(hi, c.n-1); k++ {
		c.marked[k] = true
	}
}

// betterAt makes the best move whose first place is i, if there is one: the places
// i..j-1 and j..k-1 change sides, or the jobs of i and k.
func (c *chain) betterAt(i, longest int) bool {
	best, bj, bk := c.cost, 0, 0
	for j := i + 1; j < c.n; j++ {
		last := c.n
		if j-i > longest {
			last = min(last, j+longest)
		}
		if v, k := c.turned(i, j, last, best); v < best {
			best, bj, bk = v, j, k
		}
	}
	for k := i + 2; k < c.n; k++ {
		if v := c.swapped(i, k, best); v < best {
			best, bj, bk = v, -1, k
		}
	}
	if best >= c.cost {
		return false
	}
	c.mark(i, bk)
	if bj < 0 {
		c.seq[i], c.seq[bk] = c.seq[bk], c.seq[i]
	} else {
		c.turn(i, bj, bk)
	}
	c.lay()
	return true
}

// turned is the least cost below known, and its k, when the places i..j-1 and j..k-1
// change sides, k up to last. What the second block pays grows with k; the
// first and the tail are looked up, and only where what they save can be enough.
func (c *chain) turned(i, j, last int, known int64) (int64, int) {
	first, lastA, found := c.seq[i], c.seq[j-1], 0
	fromA := c.setup[lastA+1]
	shiftB := c.ended(i) + c.before(i)[c.seq[j]] - c.start[j]
	base := c.sum[i] + c.cost - c.sum[c.n]
	paidA := c.sum[j] - c.sum[i]
	tailA, tailB := &c.tails[i], &c.tails[j]
	for k := j + 1; k <= last; k++ {
		b := c.seq[k-1]
		endB := c.end[k-1] + shiftB
		if base += late(c.w[b], endB-c.d[b]); base >= known && c.perUnit == 0 {
			break
		}
		shiftA := endB + c.setup[b+1][first] - c.start[i]
		rest := c.end[j-1] + shiftA - c.end[c.n-1]
		if k < c.n {
			rest = c.end[j-1] + shiftA + fromA[c.seq[k]] - c.start[k]
		}
		cost := base + c.perUnit*rest
		if shiftA >= 0 {
			cost += paidA
		}
		if rest >= 0 && cost+c.sum[c.n]-c.sum[k] >= known {
			continue
		}
		if cost += c.tails[k].pay(rest); cost >= known {
			continue
		}
		if shiftA >= 0 {
			cost -= paidA
		}
		if cost += tailA.pay(shiftA) - tailB.pay(shiftA); cost < known {
			known, found = cost, k
		}
	}
	return known, found
}

// kick moves a few blocks to elsewhere near.
func (c *chain) kick(rng *rand.Rand, times, reach int) {
	for range times {
		if c.n < 3 {
			return
		}
		i := rng.IntN(c.n - 1)
		j := i + 1 + rng.IntN(min(reach, c.n-i-1))
		if j >= c.n {
			continue
		}
		k := j + 1 + rng.IntN(min(reach, c.n-j))
		c.turn(i, j, k)
		c.mark(i, k)
	}
}

// begin is a sequence by apparent tardiness cost with set-ups (Lee, Bhaskaran, Pinedo
// 1997, from memory).
func (c *chain) begin(look, lookSetup float64) []int {
	rest := make([]int, c.n)
	var p, s float64
	for j := range rest {
		rest[j] = j
		p += float64(c.p[j])
		for b := range c.setup {
			s += float64(c.setup[b][j]) / float64(c.n+1)
		}
	}
	meanP, meanS := max(p/float64(c.n), 1e-9), max(s/float64(c.n), 1e-9)
	now, row := float64(c.free), c.setup[0]
	var seq []int
	for len(rest) > 0 {
		best, at := math.Inf(-1), 0
		for k, j := range rest {
			p := max(float64(c.p[j]), 1e-9)
			slack := max(float64(c.d[j])-p-now, 0)
			v := math.Log(max(float64(c.w[j]), 1e-9)/p) - slack/(look*meanP) - float64(row[j])/(lookSetup*meanS)
			if v > best {
				best, at = v, k
			}
		}
		j := rest[at]
		seq = append(seq, j)
		now += float64(row[j] + c.p[j])
		row = c.setup[j+1]
		rest = slices.Delete(rest, at, at+1)
	}
	return seq
}

func (c *chain) search(rng *rand.Rand, stop func() bool, better func(seq []int, cost int64)) {
	if c.n == 0 {
		better(nil, 0)
		return
	}
	best := int64(math.MaxInt64)
	var bestSeq []int
	note := func() {
		if c.cost < best {
			best, bestSeq = c.cost, append(bestSeq[:0], c.seq...)
			better(bestSeq, best)
		}
	}
	const longest = 12
	for _, look := range []float64{0.3, 1, 3} {
		c.seq = append(c.seq[:0], c.begin(look, 0.3)...)
		c.mark(0, c.n)
		c.descend(rng, longest)
		note()
	}
	here, hereSeq := best, slices.Clone(bestSeq)
	for idle := 0; best > 0 && !stop(); {
		c.seq = append(c.seq[:0], hereSeq...)
		c.kick(rng, 1+rng.IntN(2), 8)
		c.descend(rng, longest)
		if c.cost < here {
			idle = 0
		} else {
			idle++
		}
		if c.cost <= here || rng.IntN(4) == 0 && c.cost <= here+here/200+1 {
			here, hereSeq = c.cost, append(hereSeq[:0], c.seq...)
		}
		note()
		if idle > 20 {
			c.seq = append(c.seq[:0], bestSeq...)
			c.kick(rng, 8, 10)
			c.descend(rng, longest)
			note()
			here, hereSeq, idle = c.cost, append(hereSeq[:0], c.seq...), 0
		}
	}
}
