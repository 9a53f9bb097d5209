package loading

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// line is one machine without set-ups and releases, from minute 0: the problem of
// the least weighted tardiness. Its search is iterated dynasearch: all moves of a
// pair of places (exchange, or one put behind or before the other) that do not
// touch each other are made at once, the best set of them found by recursion over
// the places (Congram, Potts, van de Velde 2002, and with insertions Grosso, Della
// Croce, Tadei 2004; both from memory).
type line struct {
	n       int
	p, w, d []int64 // by job
	seq     []int
	cost    int64

	pp, ww, dd, end, pay []int64 // by place
	paid, weights        []int64 // sums of pay and ww of the places before
	best                 []int64
	move                 []linear
}

// linear is the last move of the best set that ends before a place: of places i and j-1.
type linear struct {
	i, kind int
}

const (
	stay = iota
	exchange
	behind // i is put behind j
	before // j is put before i
)

func newLine(p *Problem, machine int) *line {
	n := p.Jobs()
	l := &line{n: n, p: p.Time[machine], w: p.Weight, d: p.Due}
	for _, s := range []*[]int64{&l.pp, &l.ww, &l.dd, &l.end, &l.pay} {
		*s = make([]int64, n)
	}
	l.paid, l.weights = make([]int64, n+1), make([]int64, n+1)
	l.best, l.move = make([]int64, n+1), make([]linear, n+1)
	return l
}

func late(w, over int64) int64 {
	return w * max(over, 0)
}

// lay spreads the sequence over the places.
func (l *line) lay() {
	var t int64
	l.cost = 0
	for k, j := range l.seq {
		t += l.p[j]
		l.pp[k], l.ww[k], l.dd[k], l.end[k] = l.p[j], l.w[j], l.d[j], t
		l.pay[k] = late(l.w[j], t-l.d[j])
		l.cost += l.pay[k]
		l.paid[k+1], l.weights[k+1] = l.cost, l.weights[k]+l.w[j]
	}
}

// descend makes the best sets of moves until none helps.
func (l *line) descend() {
	l.lay()
	for l.cost > 0 && l.sweep() {
	}
}

// sweep finds and makes the best set of moves. It says whether there was one.
func (l *line) sweep() bool {
	n := l.n
	for k := 1; k <= n; k++ {
		l.best[k] = 1 << 61
	}
	l.best[0] = 0
	l.best[1], l.move[1] = 0, linear{0, stay}
	for i := 0; i < n; i++ {
		// best[i] is final: every move that ends before i begins before it.
		if i > 0 && l.best[i] <= l.best[i+1] {
			l.best[i+1], l.move[i+1] = l.best[i], linear{i, stay}
		}
		l.from(i)
	}
	if l.best[n] >= 0 {
		return false
	}
	for k := n; k > 0; {
		m := l.move[k]
		switch m.kind {
		case exchange:
			l.seq[m.i], l.seq[k-1] = l.seq[k-1], l.seq[m.i]
		case behind:
			j := l.seq[m.i]
			copy(l.seq[m.i:], l.seq[m.i+1:k])
			l.seq[k-1] = j
		case before:
			j := l.seq[k-1]
			copy(l.seq[m.i+1:k], l.seq[m.i:k-1])
			l.seq[m.i] = j
		}
		k = m.i
	}
	l.lay()
	return true
}

// from tries all moves whose first place is i.
func (l *line) from(i int) {
	pi, wi, di := l.pp[i], l.ww[i], l.dd[i]
	var start int64
	if i > 0 {
		start = l.end[i-1]
	}
	was := l.pay[i]
	var passed int64 // change of the places i+1..j when i is put behind j
	for j := i + 1; j < l.n; j++ {
		pj, wj, dj := l.pp[j], l.ww[j], l.dd[j]
		passed += late(wj, l.end[j]-pi-dj) - l.pay[j]
		gain, kind := passed+late(wi, l.end[j]-di)-was, behind

		// No more is looked for than what would be the best way to here.
		gain0 := gain
		gain = min(gain, l.best[j+1]-l.best[i])
		// What i and j pay when they change places, and j when it goes before i.
		early := late(wj, start+pj-dj)
		sum := early + late(wi, l.end[j]-di) - was - l.pay[j]
		if shift := pj - pi; shift > 0 {
			for k := i + 1; k < j && sum < gain; k++ {
				sum += late(l.ww[k], l.end[k]+shift-l.dd[k]) - l.pay[k]
			}
			if sum < gain {
				gain, kind = sum, exchange
			}
		} else if sum-min(l.paid[j]-l.paid[i+1], -shift*(l.weights[j]-l.weights[i+1])) < gain {
			for k := i + 1; k < j; k++ {
				sum += late(l.ww[k], l.end[k]+shift-l.dd[k]) - l.pay[k]
			}
			if sum < gain {
				gain, kind = sum, exchange
			}
		}
		if sum := early - l.pay[j]; sum < gain {
			for k := j - 1; k >= i && sum < gain; k-- {
				sum += late(l.ww[k], l.end[k]+pj-l.dd[k]) - l.pay[k]
			}
			if sum < gain {
				gain, kind = sum, before
			}
		}
		if kind == behind {
			gain = gain0
		}
		if v := l.best[i] + gain; v < l.best[j+1] {
			l.best[j+1], l.move[j+1] = v, linear{i, kind}
		}
	}
}

// kick disturbs the sequence: a few pairs near each other change places.
func (l *line) kick(rng *rand.Rand, times int) {
	for range times {
		i := rng.IntN(l.n)
		j := i + 1 + rng.IntN(max(l.n/3, 2))
		if j >= l.n {
			continue
		}
		if rng.IntN(2) == 0 {
			l.seq[i], l.seq[j] = l.seq[j], l.seq[i]
		} else {
			x := l.seq[i]
			copy(l.seq[i:], l.seq[i+1:j+1])
			l.seq[j] = x
		}
	}
}

// start is a sequence by apparent tardiness cost: weight over time, less the
// more slack a job has.
func (l *line) start(look float64) []int {
	rest := make([]int, l.n)
	var sum, now float64
	for j := range rest {
		rest[j] = j
		sum += float64(l.p[j])
	}
	mean := max(sum/float64(max(l.n, 1)), 1e-9)
	var seq []int
	for len(rest) > 0 {
		best, at := math.Inf(-1), 0
		for k, j := range rest {
			p := max(float64(l.p[j]), 1e-9)
			slack := max(float64(l.d[j])-p-now, 0)
			if v := float64(l.w[j]) / p * math.Exp(-slack/(look*mean)); v > best {
				best, at = v, k
			}
		}
		seq = append(seq, rest[at])
		now += float64(l.p[rest[at]])
		rest = slices.Delete(rest, at, at+1)
	}
	return seq
}

// search goes on until stop, or a cost of 0. Each better sequence is told.
func (l *line) search(rng *rand.Rand, stop func() bool, better func(seq []int, cost int64)) {
	if l.n == 0 {
		better(nil, 0)
		return
	}
	best := int64(math.MaxInt64)
	var bestSeq []int
	note := func() {
		if l.cost < best {
			best, bestSeq = l.cost, append(bestSeq[:0], l.seq...)
			better(bestSeq, best)
		}
	}
	starts := [][]int{l.start(2), l.start(0.5)}
	byDue := make([]int, l.n)
	for j := range byDue {
		byDue[j] = j
	}
	slices.SortFunc(byDue, func(a, b int) int { return cmp.Compare(l.d[a], l.d[b]) })
	starts = append(starts, byDue)
	for _, s := range starts {
		l.seq = append(l.seq[:0], s...)
		l.descend()
		note()
	}
	here, hereSeq := best, slices.Clone(bestSeq)
	for round, idle := 0, 0; best > 0 && !stop(); round++ {
		l.seq = append(l.seq[:0], hereSeq...)
		l.kick(rng, 2+rng.IntN(6))
		l.descend()
		if l.cost < here {
			idle = 0
		} else {
			idle++
		}
		// Equal and slightly worse sequences are gone on from, so that the search
		// does not circle around one valley.
		if l.cost <= here || rng.IntN(4) == 0 && l.cost <= here+here/2000+1 {
			here, hereSeq = l.cost, append(hereSeq[:0], l.seq...)
		}
		note()
		if idle > 12 {
			// Another valley: from the best, far.
			l.seq = append(l.seq[:0], bestSeq...)
			l.kick(rng, l.n/2+rng.IntN(l.n/2+1))
			l.descend()
			note()
			here, hereSeq, idle = l.cost, append(hereSeq[:0], l.seq...), 0
		}
	}
}
