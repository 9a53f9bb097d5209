package forecast

import "math"

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

// apply moves a machine's factors and widens what they may still be.
func (c change) apply(factor []float64, rel [][]float64) {
	for i := range factor {
		factor[i] *= c.ratio
		for j := range rel[i] {
			rel[i][j] += c.doubt
		}
	}
}

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
		order := 0.0
		if o.known {
			order = f.spread.order
		}
		likelihood(likely, grid, o, order)
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
// order's own gamma factor.
func likelihood(out, grid []float64, o orderSum, order float64) {
	best := math.Inf(-1)
	for i, g := range grid {
		mean := g * o.expected
		l := o.count * math.Log(max(mean, 1e-300))
		if order > least {
			l -= (o.count + 1/order) * math.Log1p(order*mean)
		} else {
			l -= mean
		}
		out[i] = l
		best = max(best, l)
	}
	for i := range out {
		out[i] = math.Exp(out[i] - best)
	}
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
