package forecast

import (
	"maps"
	"math"
	"slices"
)

// How a rate is thought to come about, for machine m, order o, cause c, in a shift of
// class k:
//
//	rate = base[c] * group[m][c] * machine[m][c] * order[o] * class[k] * tide[shift]
//
// Every factor has mean 1. Of the machine's factor a part is common to all causes;
// the order's is common to all causes of the order. The variances of the factors are
// estimated by pairs of counts: two counts in different orders of a machine have in
// common what the machine makes them, two in the same order what the order makes them
// besides, and Poisson noise has no part in a pair. So stops that cluster by the order
// are not taken for the machine's doing.

// Figures for what the pairs do not tell, with how far off they may be: squared
// relative spreads. Assumptions, no source.
const (
	usualMachine, usualMachineError = 0.03, 0.30 // of a machine, all causes alike
	usualOwn, usualOwnError         = 0.35, 0.30 // of a machine under one cause
	usualOrder, usualOrderError     = 0.05, 0.15
	usualGroup, usualGroupError     = 0.05, 0.10
	// causesAlike is how far the own spreads of causes are thought to differ.
	causesAlike = 0.15
	least, most = 0.001, 3.0
	// halfLife is the running time after which a stop counts half.
	halfLife = 30_000.0 // minutes
	// maxCauses of a fleet are told apart.
	maxCauses = 64
)

// piece is a stretch by the fleet's numbers of causes.
type piece struct {
	order        int // of this machine; -1 = not known
	shift, class int
	minutes      float64
	weight       float64 // what forgetting leaves of it
	counts       []float64
}

// tally is what one order, or all time of which the order is not known, brought.
type tally struct {
	known           bool
	count, expected []float64 // by cause; expected by the base rates
}

// spreads are the variances of the factors.
type spreads struct {
	machine, order, group float64
	own                   []float64 // by cause
}

// tallies sums the pieces of a machine by order, the order numbered current apart.
func (f *Fleet) tallies(h seen, current int) (past []tally, now tally) {
	empty := func(known bool) tally {
		return tally{known, make([]float64, len(f.causes)), make([]float64, len(f.causes))}
	}
	byOrder := map[int]*tally{}
	now = empty(true)
	for _, p := range h.pieces {
		t := &now
		if p.order < 0 || p.order != current {
			if byOrder[p.order] == nil {
				e := empty(p.order >= 0)
				byOrder[p.order] = &e
			}
			t = byOrder[p.order]
		}
		minutes := p.minutes * p.weight * f.level(p.class, p.shift)
		for c := range f.causes {
			t.count[c] += p.weight * p.counts[c]
			t.expected[c] += minutes * f.base(h.group, c)
		}
	}
	for _, o := range slices.Sorted(maps.Keys(byOrder)) {
		past = append(past, *byOrder[o])
	}
	return past, now
}

// base is the rate of a cause for machines of a group.
func (f *Fleet) base(group string, c int) float64 {
	return f.causes[c].rate * f.groupFactor(group, c)
}

func (f *Fleet) groupFactor(group string, c int) float64 {
	if g, ok := f.groups[group]; ok {
		return g[c]
	}
	return 1
}

// fit estimates base rates, levels and spreads. They need each other, so it goes
// round; three rounds change the last one's figures by less than they are worth.
func (f *Fleet) fit() {
	f.spread = spreads{usualMachine, usualOrder, usualGroup, slices.Repeat([]float64{usualOwn}, len(f.causes))}
	for range 3 {
		f.fitBase()
		all := make([][]tally, len(f.histories))
		for i, h := range f.histories {
			all[i], _ = f.tallies(h, -1)
		}
		f.fitSpreads(all)
		f.fitGroups(all)
		if !f.fitLevels(all) {
			break
		}
	}
	f.fitBase()
}

func (f *Fleet) fitBase() {
	for c := range f.causes {
		var count, minutes, square, machines float64
		for _, h := range f.histories {
			var own float64
			for _, p := range h.pieces {
				count += p.weight * p.counts[c]
				own += p.weight * p.minutes * f.level(p.class, p.shift) * f.groupFactor(h.group, c)
			}
			minutes += own
			square += own * own
			if own > 0 {
				machines++
			}
		}
		if minutes > 0 {
			// Half a stop, so that none seen is not never.
			f.causes[c].rate = (count + 0.5) / minutes
			f.causes[c].doubt = 1/(count+0.5) + f.spread.own[c]*square/(minutes*minutes)
		}
	}
}

// pairs sums products of what counts deviate by, and of what was expected.
type pairs struct{ got, could float64 }

func (p *pairs) add(got, could float64) { p.got, p.could = p.got+got, p.could+could }

// value is the variance that the pairs have in common, and its squared error: by the
// counts, and by which machines there happen to be.
func (p pairs) value(machines float64) (v, err float64) {
	if !(p.could > 1e-9) {
		return 0, math.Inf(1)
	}
	v = p.got / p.could * machines / max(machines-1, 1)
	return v, 2/p.could + 4*max(v, 0)*max(v, 0)/max(machines, 1)
}

// between draws an estimate towards what is usual; both errors are squared.
func between(v, err, usual, usualErr float64) (float64, float64) {
	if math.IsInf(err, 1) {
		return usual, usualErr
	}
	w := usualErr / (usualErr + err)
	return w*v + (1-w)*usual, w * err
}

func (f *Fleet) fitSpreads(all [][]tally) {
	n := len(f.causes)
	var otherOrder, sameOrder pairs // of different causes
	otherOwn, sameOwn := make([]pairs, n), make([]pairs, n)
	machines := 0.0
	for _, orders := range all {
		if len(orders) > 0 {
			machines++
		}
		z, e := make([]float64, n), make([]float64, n)
		for _, o := range orders {
			var zo, eo, zz, ee float64
			for c := range n {
				x, m := o.count[c], o.expected[c]
				d := x - m
				z[c], e[c] = z[c]+d, e[c]+m
				zo, eo, zz, ee = zo+d, eo+m, zz+d*d, ee+m*m
				if o.known {
					otherOwn[c].add(-d*d, -m*m)
					sameOwn[c].add(d*d-x, m*m)
				} else {
					otherOwn[c].add(-x, 0) // Poisson noise alone
				}
			}
			if o.known {
				otherOrder.add(zz-zo*zo, ee-eo*eo)
				sameOrder.add(zo*zo-zz, eo*eo-ee)
			}
		}
		var zm, em float64
		for c := range n {
			zm, em = zm+z[c], em+e[c]
			otherOwn[c].add(z[c]*z[c], e[c]*e[c])
			otherOrder.add(-z[c]*z[c], -e[c]*e[c])
		}
		otherOrder.add(zm*zm, em*em)
	}
	f.spread = mergeSpreads(machines, otherOrder, sameOrder, otherOwn, sameOwn)
}

// mergeSpreads weighs what different and same orders tell by their errors.
func mergeSpreads(machines float64, otherOrder, sameOrder pairs, otherOwn, sameOwn []pairs) spreads {
	var s spreads
	a, aErr := otherOrder.value(machines)
	b, bErr := sameOrder.value(machines)
	machine, machineErr := between(a, aErr, usualMachine, usualMachineError*usualMachineError)
	// Which machines there are matters to both alike, so their difference is surer.
	apart, apartErr := b-a, 2/sameOrder.could+2/otherOrder.could
	if math.IsInf(aErr, 1) {
		apart, apartErr = b-machine, bErr+machineErr
	}
	if math.IsInf(bErr, 1) {
		apartErr = bErr
	}
	var orderErr float64
	s.order, orderErr = between(apart, apartErr, usualOrder, usualOrderError*usualOrderError)
	s.machine, _ = between(b-s.order, bErr+orderErr, machine, machineErr)
	s.order = min(max(s.order, 0), most)
	s.machine = min(max(s.machine, 0), most)

	var pooled pairs
	own, ownErr := make([]float64, len(otherOwn)), make([]float64, len(otherOwn))
	for c := range otherOwn {
		v, err := otherOwn[c].value(machines)
		w, werr := sameOwn[c].value(machines)
		switch v, w = v-s.machine, w-s.machine-s.order; {
		case math.IsInf(err, 1):
			own[c], ownErr[c] = w, werr
		default:
			own[c], ownErr[c] = between(v, err, w, werr)
			if math.IsInf(werr, 1) {
				own[c], ownErr[c] = v, err
			}
		}
		if !math.IsInf(ownErr[c], 1) {
			pooled.add(own[c]/ownErr[c], 1/ownErr[c])
		}
	}
	all, allErr := usualOwn, usualOwnError*usualOwnError
	if pooled.could > 0 {
		all, allErr = between(pooled.got/pooled.could, 1/pooled.could, all, allErr)
	}
	for c := range own {
		own[c], _ = between(own[c], ownErr[c], all, allErr+causesAlike*causesAlike)
		own[c] = min(max(own[c], least), most)
	}
	s.own = own
	return s
}

// fitGroups gives the factors of the groups. What machines differ by within a group
// limits what their counts tell of it.
func (f *Fleet) fitGroups(all [][]tally) {
	count := map[string]int{}
	for _, h := range f.histories {
		count[h.group]++
	}
	if len(count) < 2 {
		return
	}
	type sum struct{ got, could []float64 }
	sums := map[string]sum{}
	var common pairs
	for i, h := range f.histories {
		s, ok := sums[h.group]
		if !ok {
			s = sum{make([]float64, len(f.causes)), make([]float64, len(f.causes))}
			sums[h.group] = s
		}
		for c := range f.causes {
			var x, e float64
			for _, o := range all[i] {
				x, e = x+o.count[c], e+o.expected[c]
			}
			e /= f.groupFactor(h.group, c)
			w := 1 / (1 + (f.spread.machine+f.spread.own[c]+f.spread.order)*e)
			s.got[c], s.could[c] = s.got[c]+w*x, s.could[c]+w*e
		}
	}
	for _, g := range slices.Sorted(maps.Keys(sums)) {
		s := sums[g]
		for c := range f.causes {
			d := s.got[c] - s.could[c]
			common.add(d*d-s.got[c], s.could[c]*s.could[c])
		}
	}
	v, err := common.value(float64(len(sums)))
	v, _ = between(v, err, usualGroup, usualGroupError*usualGroupError)
	f.spread.group = min(max(v, least), most)
	shape := 1 / f.spread.group
	f.groups = map[string][]float64{}
	for g, s := range sums {
		factors := make([]float64, len(f.causes))
		for c := range factors {
			factors[c] = (shape + s.got[c]) / (shape + s.could[c])
		}
		f.groups[g] = factors
	}
}

// credit gives the factors of a machine, prior mean 1, from the tallies of its orders:
// the best linear estimate, which for one cause and no order factor is the gamma-
// Poisson posterior mean (a+x)/(b+t) to the letter. Rel is the relative covariance of
// what the factors may still be; there it is 1/(a+x).
func credit(prior [][]float64, orders []tally, order float64) (factor []float64, rel [][]float64) {
	n := len(prior)
	factor = slices.Repeat([]float64{1}, n)
	if n == 0 {
		return factor, nil
	}
	inverse := invertMatrix(prior)
	for range 3 { // the noise goes with the factor sought
		info := make([][]float64, n)
		for i := range info {
			info[i] = slices.Clone(inverse[i])
		}
		pull := make([]float64, n)
		for _, o := range orders {
			var deviation, expected float64
			for c := range n {
				deviation += o.count[c] - o.expected[c]
				expected += o.expected[c] * factor[c]
			}
			shared := 0.0
			if o.known {
				shared = order / (1 + order*expected)
			}
			for c := range n {
				root := math.Sqrt(factor[c])
				info[c][c] += o.expected[c]
				pull[c] += (o.count[c]-o.expected[c])/root - shared*o.expected[c]*root*deviation
				for d := range n {
					info[c][d] -= shared * o.expected[c] * root * o.expected[d] * math.Sqrt(factor[d])
				}
			}
		}
		rel = invertMatrix(info)
		next := make([]float64, n)
		for c := range n {
			step := 0.0
			for d := range n {
				step += rel[c][d] * pull[d]
			}
			next[c] = max(1+math.Sqrt(factor[c])*step, 0.02)
		}
		for c := range n {
			for d := range n {
				rel[c][d] /= math.Sqrt(next[c] * next[d])
			}
		}
		factor = next
	}
	return factor, rel
}

// invertMatrix inverts a positive definite matrix by Gauss and Jordan.
func invertMatrix(m [][]float64) [][]float64 {
	n := len(m)
	a, out := make([][]float64, n), make([][]float64, n)
	for i := range m {
		a[i], out[i] = slices.Clone(m[i]), make([]float64, n)
		out[i][i] = 1
	}
	for i := range n {
		p := a[i][i]
		if !(p > 1e-300) {
			p = 1e-300
		}
		for k := range n {
			a[i][k] /= p
			out[i][k] /= p
		}
		for j := range n {
			q := a[j][i]
			if j == i || q == 0 {
				continue
			}
			for k := range n {
				a[j][k] -= q * a[i][k]
				out[j][k] -= q * out[i][k]
			}
		}
	}
	return out
}

// orderOf numbers the orders of a history; -1 stands for none.
func orderOf(names *[]string, order string) int {
	if order == "" {
		return -1
	}
	if i := slices.Index(*names, order); i >= 0 {
		return i
	}
	*names = append(*names, order)
	return len(*names) - 1
}
