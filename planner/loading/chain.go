package loading

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// chain is one machine whose set-ups depend on the sequence, without releases.
//
// A stretch of places that is shifted as a whole by d pays a sum of w max(0, late+d):
// a convex piecewise linear function of d. One such function is kept for every tail of the
// sequence and for the block that moves, so that a move of whole blocks costs a few
// look-ups, however long the blocks are (after Ergun and Orlin 2006, for single machines;
// from memory). A convex function lies above its tangent, which sums of the places before
// give at once: most moves are refused by that alone.
type chain struct {
	n       int
	p, w, d []int64
	setup   [][]int64 // [1+before][job]
	into    [][]int64 // [job][1+before]
	free    int64
	perUnit int64 // cost of a unit of set-up

	seq  []int
	cost int64
	// By place: knitting begins and ends, end less due, weight; then what the places before pay,
	// and the weight of those of them that are late.
	start, end, over, weight, sum, slope []int64
	tails                                []shifting // by place, n+1 of them
	block                                shifting   // of the places from blockAt, as many as were asked for
	blockAt                              int
	order                                []int

	marked []bool // places from which a move may help
	back   int
}

// shifting is what some places pay when all are shifted.
type shifting struct {
	at     []int64 // shifts, ascending, at which one more place is late
	weight []int64 // of the first k of them, k = 0..len(at)
	over   []int64 // weight times lateness of them
	zero   int     // how many are late unshifted
}

// pay looks up a shift. The walk begins at no shift, since most are short.
func (t *shifting) pay(shift int64) int64 {
	k := t.seek(t.zero, shift)
	return t.weight[k]*shift + t.over[k]
}

// seek walks from k to how many are late at a shift.
func (t *shifting) seek(k int, shift int64) int {
	for k < len(t.at) && t.at[k] < shift {
		k++
	}
	for k > 0 && t.at[k-1] >= shift {
		k--
	}
	return k
}

// with is t and one place more that is late when shifted by more than at, written to b;
// b may be t.
func (t *shifting) with(at, w int64, b *shifting) {
	i, n := 0, len(t.at)
	for i < n && t.at[i] < at {
		i++
	}
	b.zero = t.zero
	if at < 0 {
		b.zero++
	}
	b.at, b.weight, b.over = b.at[:n+1], b.weight[:n+2], b.over[:n+2]
	o := w * at
	for q := n; q >= i; q-- {
		b.weight[q+1], b.over[q+1] = t.weight[q]+w, t.over[q]-o
	}
	copy(b.at[i+1:], t.at[i:n])
	b.at[i] = at
	if b != t {
		copy(b.at[:i], t.at[:i])
		copy(b.weight[:i+1], t.weight[:i+1])
		copy(b.over[:i+1], t.over[:i+1])
	}
}

func (t *shifting) clear() {
	t.at, t.weight, t.over, t.zero = t.at[:0], t.weight[:1], t.over[:1], 0
}

func newChain(p *Problem, machine int) *chain {
	n := p.Jobs()
	c := &chain{n: n, p: p.Time[machine], w: p.Weight, d: p.Due, setup: p.Setup[machine], free: p.Free[machine], perUnit: p.SetupCost}
	for _, s := range []*[]int64{&c.start, &c.end, &c.over, &c.weight, &c.sum, &c.slope} {
		*s = make([]int64, n+1)
	}
	c.into = make([][]int64, n)
	for j := range c.into {
		c.into[j] = make([]int64, n+1)
		for b, row := range c.setup {
			c.into[j][b] = row[j]
		}
	}
	c.marked, c.back = make([]bool, n), 8
	empty := func() shifting { return shifting{make([]int64, 0, n), make([]int64, 1, n+1), make([]int64, 1, n+1), 0} }
	c.tails, c.block = make([]shifting, n+1), empty()
	for k := range c.tails {
		c.tails[k] = empty()
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
	t, cost, changed, late := c.free, int64(0), int64(0), int64(0)
	for k, j := range c.seq {
		s := c.before(k)[j]
		changed += s
		c.sum[k], c.slope[k] = cost, late
		c.start[k] = t + s
		t += s + c.p[j]
		c.end[k], c.over[k], c.weight[k] = t, t-c.d[j], c.w[j]
		if c.over[k] > 0 {
			cost += c.w[j] * c.over[k]
			late += c.w[j]
		}
	}
	c.sum[c.n], c.slope[c.n] = cost, late
	c.cost = cost + c.perUnit*changed
	for k := c.n - 1; k >= 0; k-- {
		c.tails[k+1].with(-c.over[k], c.weight[k], &c.tails[k])
	}
}

// least is a bound below what the places from a up to b (without it) pay when shifted.
func (c *chain) least(a, b int, shift int64) int64 {
	return max(c.sum[b]-c.sum[a]+shift*(c.slope[b]-c.slope[a]), 0)
}

// shifted is what the places from a up to b (without it) pay when shifted.
func (c *chain) shifted(a, b int, shift int64) int64 {
	if b-a <= 4 {
		sum := int64(0)
		for k := a; k < b; k++ {
			sum += late(c.weight[k], c.over[k]+shift)
		}
		return sum
	}
	return c.tails[a].pay(shift) - c.tails[b].pay(shift)
}

// swapped is the cost when the jobs of the places i and k change places, with one
// place at least between them, or known when that is less.
func (c *chain) swapped(i, k int, known int64) int64 {
	a, b := c.seq[i], c.seq[k]
	endB := c.ended(i) + c.before(i)[b] + c.p[b]
	shift := endB + c.setup[b+1][c.seq[i+1]] - c.start[i+1]
	endA := c.end[k-1] + shift + c.into[a][c.seq[k-1]+1] + c.p[a]
	rest := endA - c.end[k]
	if k+1 < c.n {
		rest = endA + c.setup[a+1][c.seq[k+1]] - c.start[k+1]
	}
	cost := c.sum[i] + (c.cost - c.sum[c.n]) + c.perUnit*rest + late(c.w[b], endB-c.d[b]) + late(c.w[a], endA-c.d[a])
	if cost+c.least(i+1, k, shift)+c.least(k+1, c.n, rest) >= known {
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
// near a move are marked anew.
func (c *chain) descend(rng *rand.Rand) {
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
				c.betterAt(i)
			}
		}
	}
}

// reach is how many places the two blocks of a move span at most together. Good moves that
// span more are rare, and two shorter ones often do the same.
const reach = 22

// mark says that moves that begin at or shortly before the places lo to hi may help again.
func (c *chain) mark(lo, hi int) {
	for k := max(lo-c.back, 0); k <= min(hi, c.n-1); k++ {
		c.marked[k] = true
	}
}

// betterAt makes the best move whose first place is i, if there is one: the places
// i..j-1 and j..k-1 change sides, or the jobs of i and k.
func (c *chain) betterAt(i int) bool {
	best, bj, bk := c.cost, 0, 0
	c.begins(i)
	for j := i + 1; j < min(c.n, i+reach); j++ {
		last := min(c.n, i+reach)
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

// begins says where the block begins.
func (c *chain) begins(i int) {
	c.blockAt = i
	c.block.clear()
}

// upTo makes the block end before j, not sooner than it does.
func (c *chain) upTo(j int) {
	for k := c.blockAt + len(c.block.at); k < j; k++ {
		c.block.with(-c.over[k], c.weight[k], &c.block)
	}
}

// turned is the least cost below known, and its k, when the places i..j-1, which are the
// block, and j..k-1 change sides, k up to last.
func (c *chain) turned(i, j, last int, known int64) (int64, int) {
	first, lastA, found := c.seq[i], c.seq[j-1], 0
	fromA, toA := c.setup[lastA+1], c.into[first]
	endA, startA := c.end[j-1], c.start[i]
	shiftB := c.ended(i) + c.before(i)[c.seq[j]] - c.start[j]
	base := c.sum[i] + c.cost - c.sum[c.n] // and what the second block pays so far
	paidA, slopeA := c.sum[j]-c.sum[i], c.slope[j]-c.slope[i]
	finger := -1 // in the block; shiftA grows with k, more or less
	for k := j + 1; k <= last; k++ {
		if o := c.over[k-1] + shiftB; o > 0 {
			base += c.weight[k-1] * o
			if base >= known && c.perUnit == 0 {
				break
			}
		}
		shiftA := c.end[k-1] + shiftB + toA[c.seq[k-1]+1] - startA
		rest := endA + shiftA - c.end[c.n-1]
		if k < c.n {
			rest = endA + shiftA + fromA[c.seq[k]] - c.start[k]
		}
		cost := base + c.perUnit*rest
		tail := max(c.sum[c.n]-c.sum[k]+rest*(c.slope[c.n]-c.slope[k]), 0)
		if cost+tail+max(paidA+shiftA*slopeA, 0) >= known {
			continue
		}
		if finger < 0 {
			c.upTo(j)
			finger = c.block.zero
		}
		finger = c.block.seek(finger, shiftA)
		cost += c.block.weight[finger]*shiftA + c.block.over[finger]
		if cost+tail >= known {
			continue
		}
		if cost += c.tails[k].pay(rest); cost < known {
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

// The search goes through valleys. In each it kicks and descends until nothing better came for
// patience rounds. The best sequences of valleys are kept, up to poolSize; once there
// are poolLeast, a new valley begins between two of them, before that far from the best (a
// memetic search; crossing by order as in Davis 1985, from memory).
const (
	longest   = 6 // jobs of a block that moves past a longer one
	patience  = 60
	poolSize  = 12
	poolLeast = 4
)

// valley is a sequence with its cost.
type valley struct {
	cost int64
	seq  []int
}

func (c *chain) search(rng *rand.Rand, stop func() bool, better func(seq []int, cost int64)) {
	if c.n == 0 {
		better(nil, 0)
		return
	}
	best := valley{cost: math.MaxInt64}
	note := func() {
		if c.cost < best.cost {
			best = valley{c.cost, append(best.seq[:0], c.seq...)}
			better(best.seq, best.cost)
		}
	}
	for _, look := range []float64{0.3, 1, 3} {
		c.seq = append(c.seq[:0], c.begin(look, 0.3)...)
		c.mark(0, c.n)
		c.descend(rng)
		note()
	}
	c.seq = append(c.seq[:0], best.seq...)
	c.lay()
	done := func() bool { return best.cost == 0 || stop() }
	for pool := []valley(nil); !done(); {
		pool = keep(pool, c.explore(rng, done, note))
		if len(pool) < poolLeast {
			c.seq = append(c.seq[:0], best.seq...)
			c.kick(rng, 8, 10)
		} else {
			a, b := rng.IntN(len(pool)), rng.IntN(len(pool)-1)
			if b >= a {
				b++
			}
			c.seq = cross(rng, pool[a].seq, pool[b].seq, c.seq[:0])
			c.mark(0, c.n)
		}
		c.descend(rng)
		note()
	}
}

// explore goes on from the sequence that is laid, and gives the best near it.
func (c *chain) explore(rng *rand.Rand, done func() bool, note func()) valley {
	here := valley{c.cost, slices.Clone(c.seq)}
	best := valley{c.cost, slices.Clone(c.seq)}
	for idle := 0; idle <= patience && !done(); idle++ {
		c.seq = append(c.seq[:0], here.seq...)
		c.kick(rng, 1+rng.IntN(2), 8)
		c.descend(rng)
		if c.cost < best.cost {
			best, idle = valley{c.cost, append(best.seq[:0], c.seq...)}, 0
			note()
		}
		// Equal and slightly worse sequences are gone on from.
		if c.cost <= here.cost || rng.IntN(4) == 0 && c.cost <= here.cost+here.cost/200+1 {
			here = valley{c.cost, append(here.seq[:0], c.seq...)}
		}
	}
	return best
}

// keep adds a valley unless one of its cost is there, in place of the worst when the pool is full.
func keep(pool []valley, v valley) []valley {
	at, there := slices.BinarySearchFunc(pool, v.cost, func(x valley, cost int64) int { return cmp.Compare(x.cost, cost) })
	if there {
		return pool
	}
	pool = slices.Insert(pool, at, v)
	return pool[:min(len(pool), poolSize)]
}

// cross has some places as a has them, and the other jobs in the order of b.
func cross(rng *rand.Rand, a, b, out []int) []int {
	n := len(a)
	size := n/4 + rng.IntN(n/2+1)
	at := rng.IntN(n - size + 1)
	taken := make([]bool, n)
	for _, j := range a[at : at+size] {
		taken[j] = true
	}
	for _, j := range b {
		if !taken[j] {
			out = append(out, j)
		}
	}
	return slices.Insert(out, at, a[at:at+size]...)
}
