package forecast

import (
	"cmp"
	"math"
	"slices"
)

// A machine may change: a needle line begins, a feeder is put right. Its rate, against
// what was expected of it, is followed through its orders on a grid of factors: it stays
// as it is or, seldom, jumps. What the last order leaves of the chances of the factors
// is the present one's law, and whoever had no change still has the law of all orders.

const (
	// changeEvery is the running time in which a machine changes once: an
	// assumption, no source.
	changeEvery = 40_000.0 // minutes
	// changeBy is the standard deviation of the logarithm of a change.
	changeBy = 0.7
	// An order's squared spread is taken for at least leastOrder; a part of the orders,
	// oddOrders, has oddOrder times as much. Assumptions, no source.
	leastOrder, oddOrders, oddOrder = 0.02, 0.15, 4.0
	// A change is told from this chance on, if the present rate is a seventh or more off.
	clearChange, leastTold = 0.8, 0.15
	// The grid of the logarithm of the factor reaches gridReach to both sides.
	gridReach, gridPoints = 2.4, 49
)

// change is what following a machine tells against taking all its orders alike: the
// present factor over the mean one, and by how much its squared relative error is
// greater.
type change struct {
	ratio, doubt float64
	chance       float64 // that there was a change
}

// apply moves a machine's factors and widens what they may still be: in full where a
// change is as likely as none, less where it is not, so that machines that only have
// their ups and downs are nearly left alone.
func (c change) apply(factor []float64, rel [][]float64) {
	part := min(2*c.chance, 1)
	for i := range factor {
		factor[i] *= math.Pow(c.ratio, part)
		for j := range rel[i] {
			rel[i][j] += c.doubt * part
		}
	}
}

// told says that people should hear of the change.
func (c change) told() bool { return c.chance > clearChange && math.Abs(math.Log(c.ratio)) > leastTold }

// orderSum is what one order, or all its time without one, brought: stops and those
// expected.
type orderSum struct {
	known                    bool
	count, expected, minutes float64
}

// orderSums sums a machine's pieces by order, in their sequence; those of the order
// numbered without are left out.
func (f *Fleet) orderSums(h seen, without int) (out []orderSum) {
	last := -2
	for _, p := range h.pieces {
		if p.order == without && without >= 0 {
			continue
		}
		if p.order != last || len(out) == 0 {
			out, last = append(out, orderSum{known: p.order >= 0}), p.order
		}
		o := &out[len(out)-1]
		minutes := p.minutes * f.level(p.class, p.shift)
		o.minutes += p.minutes
		for c := range f.causes {
			if !f.causes[c].planned {
				o.count += p.counts[c]
				o.expected += minutes * f.base(h.group, c)
			}
		}
	}
	return out
}

// restlessness is the squared spread of the counts of a machine's orders, whatever it
// comes from, beyond what chance gives: the mean over the machines, the most restless
// tenth left out, as machines that changed are.
func (f *Fleet) restlessness() float64 {
	type own struct{ got, could float64 }
	var all []own
	for _, h := range f.histories {
		var x, e, n float64
		orders := f.orderSums(h, -1)
		for _, o := range orders {
			if o.known && o.expected > 0 {
				x, e, n = x+o.count, e+o.expected, n+1
			}
		}
		if n < 3 || !(x > 0) {
			continue
		}
		var got, could float64
		for _, o := range orders {
			if o.known && o.expected > 0 {
				mean := x / e * o.expected
				got, could = got+(o.count-mean)*(o.count-mean), could+mean*mean
			}
		}
		all = append(all, own{got*n/(n-1) - x, could})
	}
	slices.SortFunc(all, func(a, b own) int { return cmp.Compare(a.got/a.could, b.got/b.could) })
	var got, could float64
	for _, o := range all[:len(all)-len(all)/10] {
		got, could = got+o.got, could+o.could
	}
	if !(could > 0) {
		return 0
	}
	return min(max(got/could, 0), most)
}

// follow runs a machine's orders through the grid.
func (f *Fleet) follow(orders []orderSum) change {
	none := change{ratio: 1}
	var expected float64
	for _, o := range orders {
		expected += o.expected
	}
	if len(orders) < 2 || !(expected > 0) {
		return none
	}
	// The machine's own spread, of all its causes together.
	var own, all float64
	for c, cause := range f.causes {
		if !cause.planned {
			own += f.spread.own[c] * cause.rate * cause.rate
			all += cause.rate
		}
	}
	if !(all > 0) {
		return none
	}
	spread := math.Sqrt(math.Log1p(f.spread.machine + own/(all*all)))
	grid := make([]float64, gridPoints)
	steady, moving := make([]float64, gridPoints), make([]float64, gridPoints)
	step := 2 * gridReach / (gridPoints - 1)
	for i := range grid {
		z := -gridReach + float64(i)*step
		grid[i] = math.Exp(z)
		d := (z + spread*spread/2) / spread
		steady[i] = math.Exp(-d * d / 2)
	}
	normalise(steady)
	copy(moving, steady)
	jump := jumps(step)
	stayed := 1.0 // chance of no change, of the moving law
	var logSteady, logMoving float64
	likely := make([]float64, gridPoints)
	for i, o := range orders {
		if i > 0 {
			h := -math.Expm1(-(orders[i-1].minutes + o.minutes) / 2 / changeEvery)
			moving = leap(moving, jump, h)
			stayed *= 1 - h
		}
		likelihood(likely, grid, o, max(f.spread.order, f.restless))
		logSteady += weigh(steady, likely)
		logMoving += weigh(moving, likely)
	}
	m0, v0 := moments2(grid, steady)
	m1, v1 := moments2(grid, moving)
	out := change{ratio: m1 / m0, doubt: max(v1/(m1*m1)-v0/(m0*m0), 0)}
	// Of the moving law's likelihood the part without a change is stayed times the
	// steady one's.
	out.chance = 1 - min(stayed*math.Exp(logSteady-logMoving), 1)
	return out
}

func normalise(p []float64) (sum float64) {
	for _, x := range p {
		sum += x
	}
	for i := range p {
		p[i] /= sum
	}
	return sum
}

// weigh multiplies chances by likelihoods and gives the logarithm of their mean.
func weigh(p, likely []float64) float64 {
	for i := range p {
		p[i] *= likely[i]
	}
	return math.Log(normalise(p))
}

// likelihood of an order's count at each factor, the greatest set to 1: Poisson with the
// order's own gamma factor. Now and then an order is bad or good beyond the others, so
// that one alone is no sign of a machine that has changed.
func likelihood(out, grid []float64, o orderSum, order float64) {
	best := math.Inf(-1)
	for i, g := range grid {
		mean := max(g*o.expected, 1e-300)
		if !o.known {
			out[i] = o.count*math.Log(mean) - mean
		} else {
			usual := gammaPoisson(o.count, mean, max(order, leastOrder))
			odd := gammaPoisson(o.count, mean, oddOrder*max(order, leastOrder))
			top := max(usual, odd)
			out[i] = top + math.Log((1-oddOrders)*math.Exp(usual-top)+oddOrders*math.Exp(odd-top))
		}
		best = max(best, out[i])
	}
	for i := range out {
		out[i] = math.Exp(out[i] - best)
	}
}

// gammaPoisson is the logarithm of the chance of a count with this mean, its rate's
// squared relative spread v; without what depends on the count alone.
func gammaPoisson(count, mean, v float64) float64 {
	a, _ := math.Lgamma(count + 1/v)
	b, _ := math.Lgamma(1 / v)
	return a - b + count*math.Log(v*mean) - (count+1/v)*math.Log1p(v*mean)
}

// jumps is the law of a change on the grid, by steps from -(n-1) to n-1.
func jumps(step float64) []float64 {
	out := make([]float64, 2*gridPoints-1)
	for i := range out {
		d := float64(i-gridPoints+1) * step / changeBy
		out[i] = math.Exp(-d * d / 2)
	}
	normalise(out)
	return out
}

// leap lets a part of the chances jump; what would leave the grid stays at its end.
func leap(p, jump []float64, part float64) []float64 {
	out := make([]float64, len(p))
	for i, x := range p {
		out[i] += (1 - part) * x
		if x < 1e-12 {
			continue
		}
		for k, j := range jump {
			to := min(max(i+k-gridPoints+1, 0), gridPoints-1)
			out[to] += part * x * j
		}
	}
	return out
}

func moments2(grid, p []float64) (mean, variance float64) {
	var square float64
	for i, g := range grid {
		mean, square = mean+p[i]*g, square+p[i]*g*g
	}
	return mean, max(square-mean*mean, 0)
}
