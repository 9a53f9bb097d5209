package creel

import (
	"fmt"
	"math"

	"turnwise/planner/unit"
)

// Learner estimates the bias of one (lot, machine, feed group): a Kalman filter
// whose state walks at random. It takes run-outs, cones changed before they ran out
// (which say only "longer than this"), weighed rolls and yarn meters.
// The zero value is not usable: see NewLearner.
type Learner struct {
	Bias  Bias    // now
	Noise float64 // sd of one observation about the bias: the cones' own spread, learnt
	Walk  float64 // sd of the bias's step per observation
	Seen  int     // observations taken in
	Apart []Apart // observations held apart, latest last, at most keptApart
	// Weight of the noise estimate, as if from so many observations. A learner that was kept
	// goes on with the same fields.
	Weight float64
	// Outs are the run-outs that were told, Late the cones that were changed when some of their kind must have run out.
	Outs, Late int
}

// Apart is an observation that is not believed.
type Apart struct {
	Value, Expected, SD float64 // natural logarithms
	Runs                int     // how many of this kind came one after the other
}

const (
	keptApart = 20
	outlierSD = 4.0
	// Observations that the prior noise counts for, and the most that it ever counts for. Visits leave
	// little more to see than the share that ran out before them, which a low bias with little noise tells as well as the truth:
	// the first run-outs of a load are its shortest cones, look alike, and would start down that road.
	noisePrior  = 200
	noiseMemory = 200
	noiseFloor  = 1e-4
)

// NewLearner starts from a prior bias (of the supplier, or 0 and 0.02), the spread of
// one cone, both shares, and the walk per observation.
func NewLearner(prior Bias, noise, walk float64) (*Learner, error) {
	if !(prior.SD > 0 && prior.SD <= maxSpread) || !(math.Abs(prior.Mean) <= maxSpread) || !(noise > 0 && noise <= maxSpread) || !(walk >= 0 && walk <= maxSpread) {
		return nil, fmt.Errorf("%w: prior %+v, noise %g, walk %g, expected spreads above 0 to %g", ErrLoad, prior, noise, walk, maxSpread)
	}
	return &Learner{Bias: prior, Noise: noise, Walk: walk, Weight: noisePrior}, nil
}

// Observed is the observation of a cone: the logarithm of counted over calculated turns.
func Observed(counted, calculated unit.Revolutions) (float64, error) {
	if !(counted > 0) || !(calculated > 0) || math.IsInf(float64(counted/calculated), 0) {
		return 0, fmt.Errorf("%w: %g turns counted, %g calculated, expected both above 0", ErrLoad, float64(counted), float64(calculated))
	}
	return math.Log(float64(counted / calculated)), nil
}

// RanOut takes in a run-out. It is false when the value is held apart.
func (l *Learner) RanOut(y float64) bool {
	l.Outs++
	return l.measure(y, l.Noise, true)
}

// Changed takes in cones that were changed in one round, each said to have outlasted y. They balance
// the cones that ran out before them, so they are believed only of people who tell of run-outs, or they would push the
// bias up without end: of cones that come within one noise of their mean a sixth are out by then, and where
// less than half of that was told, some of the changed had run out. It is false when they are held apart.
func (l *Learner) Changed(y float64, cones int) bool {
	const lateForOne = 10 // cones changed late for one run-out told
	if d := y - l.Bias.Mean; d < outlierSD*math.Hypot(l.Noise, l.Bias.SD) {
		late := d > -l.Noise
		if late {
			l.Late += cones
		}
		if l.Outs == 0 || late && lateForOne*l.Outs < l.Late {
			return true
		}
	}
	for range cones {
		if !l.Outlasted(y) {
			return false // all of them say the same
		}
	}
	return true
}

// Measured takes in the bias read by other means, with its own sd: the turns per kilogram of weighed
// rolls, or a yarn meter. It tells nothing of the noise of cones.
func (l *Learner) Measured(y, sd float64) bool {
	return sd > 0 && l.measure(y, sd, false)
}

func (l *Learner) measure(y, noise float64, learnNoise bool) bool {
	if math.IsNaN(y) || math.IsInf(y, 0) {
		return false
	}
	p := l.Bias.SD*l.Bias.SD + l.Walk*l.Walk
	r := noise * noise
	innovation, sd := y-l.Bias.Mean, math.Sqrt(p+r)
	if math.Abs(innovation) > outlierSD*sd {
		l.holdApart(Apart{Value: y, Expected: l.Bias.Mean, SD: sd})
		return false
	}
	if learnNoise {
		r = l.learnNoise(innovation*innovation/(p+r), r)
	}
	k := p / (p + r)
	l.Bias = Bias{l.Bias.Mean + k*innovation, math.Sqrt(p * (1 - k))}
	l.Seen++
	return true
}

// Outlasted takes in a cone that was changed while it still ran: its value is above y.
// The predictive law is cut at y and its first two moments kept; the bias then follows as if
// it had seen a value of that law (assumed-density filtering).
func (l *Learner) Outlasted(y float64) bool {
	if math.IsNaN(y) || math.IsInf(y, 0) {
		return false
	}
	p := l.Bias.SD*l.Bias.SD + l.Walk*l.Walk
	r := l.Noise * l.Noise
	sd := math.Sqrt(p + r)
	if y-l.Bias.Mean > outlierSD*sd {
		l.holdApart(Apart{Value: y, Expected: l.Bias.Mean, SD: sd})
		return false
	}
	mean, spread := Truncated(l.Bias.Mean, sd, y)
	// The noise must learn from these too: run-outs alone are the short cones where most
	// are changed before, and their squares would inflate it without end.
	r = l.learnNoise((spread*spread+(mean-l.Bias.Mean)*(mean-l.Bias.Mean))/(sd*sd), r)
	k := p / (p + r)
	l.Bias = Bias{l.Bias.Mean + k*(mean-l.Bias.Mean), math.Sqrt(p*(1-k) + k*k*spread*spread)}
	l.Seen++
	return true
}

// learnNoise scales the variance r by a standardised square, 1 in the mean.
func (l *Learner) learnNoise(square, r float64) float64 {
	l.Weight = min(l.Weight+1, noiseMemory)
	r = max(r*(1+(square-1)/l.Weight), noiseFloor*noiseFloor)
	l.Noise = math.Sqrt(r)
	return r
}

func (l *Learner) holdApart(a Apart) {
	a.Runs = 1
	if n := len(l.Apart); n > 0 {
		if last := l.Apart[n-1]; (last.Value > last.Expected) == (a.Value > a.Expected) && last.Expected == a.Expected {
			a.Runs = last.Runs + 1
		}
	}
	l.Apart = append(l.Apart, a)
	if len(l.Apart) > keptApart {
		l.Apart = append(l.Apart[:0], l.Apart[1:]...)
	}
}

// Truncated is the mean and standard deviation of a normal value known to exceed
// lower.
func Truncated(mean, sd, lower float64) (m, s float64) {
	a := (lower - mean) / sd
	if a < -40 { // nothing is cut off
		return mean, sd
	}
	h := hazard(a)
	return mean + sd*h, sd * math.Sqrt(max(1-h*(h-a), 0))
}

// hazard is phi(a)/(1-Phi(a)); its asymptotic series takes over where erfc dies.
func hazard(a float64) float64 {
	if a > 25 {
		return a + 1/a - 2/(a*a*a)
	}
	return math.Sqrt(2/math.Pi) * math.Exp(-a*a/2) / math.Erfc(a/math.Sqrt2)
}

// Pool gives the prior for a new lot from the biases of a supplier's lots: normal
// means under a normal law between lots. Each lot's mean is weighted by its own
// precision, the spread between lots is by moments (DerSimonian and Laird 1986, from
// memory). own is the prior where there is little: it counts as one lot.
func Pool(own Bias, lots []Bias) Bias {
	all := []Bias{own}
	for _, b := range lots {
		if b.SD > 0 && !math.IsNaN(b.Mean) {
			all = append(all, b)
		}
	}
	if len(all) < 3 {
		return own
	}
	all = all[1:]
	var w, w2, wm float64
	for _, b := range all {
		v := 1 / (b.SD * b.SD)
		w, w2, wm = w+v, w2+v*v, wm+v*b.Mean
	}
	mean, q := wm/w, 0.0
	for _, b := range all {
		q += (b.Mean - mean) * (b.Mean - mean) / (b.SD * b.SD)
	}
	n := float64(len(all))
	between := max(0, (q-(n-1))/(w-w2/w))
	// Half of the prior's spread is taken for that between lots.
	between = (own.SD*own.SD/4 + n*between) / (1 + n)
	w, wm = 1/(own.SD*own.SD+between), own.Mean/(own.SD*own.SD+between)
	for _, b := range all {
		v := 1 / (b.SD*b.SD + between)
		w, wm = w+v, wm+v*b.Mean
	}
	return Bias{wm / w, math.Sqrt(between + 1/w)}
}

// Shrunk draws a lot's own estimate towards its supplier's: the normal-normal mean.
func Shrunk(own, supplier Bias) Bias {
	a, b := 1/(own.SD*own.SD), 1/(supplier.SD*supplier.SD)
	if math.IsInf(a, 1) {
		return own
	}
	if math.IsInf(b, 1) {
		return supplier
	}
	return Bias{(own.Mean*a + supplier.Mean*b) / (a + b), math.Sqrt(1 / (a + b))}
}

// CRPS is the continuous ranked probability score of a normal forecast at y (Gneiting
// and Raftery 2007, from memory): the distance of the forecast law from what came.
func CRPS(b Bias, y float64) float64 {
	if b.SD == 0 {
		return math.Abs(y - b.Mean)
	}
	z := (y - b.Mean) / b.SD
	density := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)
	return b.SD * (z*math.Erf(z/math.Sqrt2) + 2*density - 1/math.Sqrt(math.Pi))
}
