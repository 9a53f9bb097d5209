package calibrate

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// What is believed before a roll is weighed, all of logarithms of the ratio; common
// practice, no source. Articles lie within some per cent of 1 (moisture, count, wax),
// machines of one article within a few of each other, rolls of one machine within
// one. The rolls soon outweigh all three.
const (
	priorArticle = 0.03
	priorSpread  = 0.02 // scale of a half-normal law
	priorRoll    = 0.01
	priorRolls   = 4.0 // as sure of priorRoll as of so many rolls
)

// law is what is known of one logarithm: a mixture of normal laws, one for every
// spread between machines that the rolls leave possible.
type law struct {
	weight, mean, sd []float64
}

func (l *law) add(w, mean, variance float64) {
	l.weight, l.mean, l.sd = append(l.weight, w), append(l.mean, mean), append(l.sd, math.Sqrt(variance))
}

func (l law) centre() float64 {
	m := 0.0
	for i, w := range l.weight {
		m += w * l.mean[i]
	}
	return m
}

// quantile by halving. wide stretches it away from the centre: the spread of rolls
// is itself an estimate, so tails are those of Student's law.
func (l law) quantile(p, wide float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range l.mean {
		low, high = min(low, l.mean[i]-10*l.sd[i]), max(high, l.mean[i]+10*l.sd[i])
	}
	for range 60 {
		mid, cdf := (low+high)/2, 0.0
		for i, w := range l.weight {
			cdf += w * 0.5 * math.Erfc(-(mid-l.mean[i])/(l.sd[i]*math.Sqrt2))
		}
		if cdf < p {
			low = mid
		} else {
			high = mid
		}
	}
	c := l.centre()
	return c + wide*((low+high)/2-c)
}

// evidence is what the used rolls of the machines say.
type evidence struct {
	n, mean    []float64
	roll       float64 // variance between rolls of one machine
	freedom    float64
	spread     []float64 // grid of spreads between machines
	possible   []float64 // posterior weight of each
	mu, muVar  []float64 // centre of the article at each
	meanSpread float64
}

func (a *article) weighEvidence() evidence {
	e := evidence{freedom: priorRolls}
	squares := priorRolls * priorRoll * priorRoll
	for _, m := range a.machines {
		_, y := m.used()
		e.n = append(e.n, float64(len(y)))
		if len(y) == 0 {
			e.mean = append(e.mean, 0)
			continue
		}
		c := mean(y)
		for _, v := range y {
			squares += (v - c) * (v - c)
		}
		e.mean, e.freedom = append(e.mean, c), e.freedom+float64(len(y)-1)
	}
	e.roll = squares / e.freedom
	e.overSpreads()
	return e
}

// overSpreads walks a grid of spreads between machines: the weight of each is its
// prior times the chance of the machines' means under it.
func (e *evidence) overSpreads() {
	const points, most = 60, 0.12
	top := math.Inf(-1)
	for k := range points {
		// Closer points near 0, where the weight changes fastest.
		tau := most * math.Pow((float64(k)+0.5)/points, 2)
		precision, weighted := 1/(priorArticle*priorArticle), 0.0
		for j, n := range e.n {
			if n > 0 {
				v := tau*tau + e.roll/n
				precision, weighted = precision+1/v, weighted+e.mean[j]/v
			}
		}
		mu := weighted / precision
		// Points lie 2 sqrt(tau) apart, up to a factor.
		log := -tau*tau/(2*priorSpread*priorSpread) + 0.5*math.Log(tau) - 0.5*math.Log(precision) - mu*mu/(2*priorArticle*priorArticle)
		for j, n := range e.n {
			if n > 0 {
				v := tau*tau + e.roll/n
				log -= 0.5*math.Log(v) + (e.mean[j]-mu)*(e.mean[j]-mu)/(2*v)
			}
		}
		e.spread, e.possible = append(e.spread, tau), append(e.possible, log)
		e.mu, e.muVar = append(e.mu, mu), append(e.muVar, 1/precision)
		top = max(top, log)
	}
	total := 0.0
	for k, log := range e.possible {
		e.possible[k] = math.Exp(log - top)
		total += e.possible[k]
	}
	for k := range e.possible {
		e.possible[k] /= total
		e.meanSpread += e.possible[k] * e.spread[k]
	}
}

// machine is the law of one machine's ratio, and how much of its centre is its own.
func (e evidence) machine(j int) (l law, own float64) {
	for k, tau := range e.spread {
		w := 0.0
		if e.n[j] > 0 {
			w = tau * tau / (tau*tau + e.roll/e.n[j])
		}
		own += e.possible[k] * w
		// Between the article's centre and its own rolls, by what each is worth.
		l.add(e.possible[k], w*e.mean[j]+(1-w)*e.mu[k], (1-w)*tau*tau+(1-w)*(1-w)*e.muVar[k])
	}
	return l, own
}

// unweighed is the law of a machine without rolls.
func (e evidence) unweighed() law {
	var l law
	for k, tau := range e.spread {
		l.add(e.possible[k], e.mu[k], e.muVar[k]+tau*tau)
	}
	return l
}

// tails is how much wider Student's law reaches than the normal one.
func (e evidence) tails(level float64) float64 {
	p := (1 + level) / 2
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: e.freedom}.Quantile(p) / distuv.UnitNormal.Quantile(p)
}

func (a *article) estimate(o Options) (Article, []Estimate) {
	a.screen()
	e := a.weighEvidence()
	wide, low, high := e.tails(o.Level), (1-o.Level)/2, (1+o.Level)/2
	whole := e.unweighed()
	out := Article{
		Name: a.name, Machines: len(a.machines), Ratio: math.Exp(whole.centre()), Spread: e.meanSpread, RollSpread: math.Sqrt(e.roll),
		Low: math.Exp(whole.quantile(low, wide)), High: math.Exp(whole.quantile(high, wide)),
	}
	estimates := make([]Estimate, 0, len(a.machines))
	for j, m := range a.machines {
		l, own := e.machine(j)
		rolls, y := m.used()
		out.Rolls += len(m.rolls)
		est := Estimate{
			Machine: m.name, Article: a.name, Rolls: len(m.rolls), Used: len(rolls), Own: own, Changed: m.step, Outliers: m.outliers,
			Ratio: math.Exp(l.centre()), Low: math.Exp(l.quantile(low, wide)), High: math.Exp(l.quantile(high, wide)),
		}
		for _, r := range rolls {
			est.Counted, est.Weighed = est.Counted+r.Counted, est.Weighed+r.mass()
		}
		if est.Counted > 0 {
			est.Raw = float64(est.Weighed / est.Counted)
		}
		est.Derived = explain(l.centre(), own, y, est.Counted, est.Weighed)
		estimates = append(estimates, est)
	}
	a.reasons(estimates, o)
	return out, estimates
}

// explain writes the estimate as what it is: the machine's own mean and the
// article's, each by its weight.
func explain(centre, own float64, y []float64, counted, weighed unit.Kilograms) derive.Derivation {
	var d derive.Derivation
	others := centre
	if len(y) > 0 {
		d.Add(derive.Step{
			Result: "raw ratio", Formula: "weighed mass / counted mass", Value: float64(weighed / counted),
			Inputs: []derive.Input{
				{Name: "weighed mass", Value: float64(weighed), Unit: "kg", From: derive.Weighed},
				{Name: "counted mass", Value: float64(counted), Unit: "kg", From: derive.Counted},
			},
		})
		others = (centre - own*mean(y)) / (1 - own)
	}
	step := derive.Step{
		Result: "ratio", Formula: "exp((1 − own weight) × article's log ratio)", Value: math.Exp(centre),
		Inputs: []derive.Input{
			{Name: "own weight", Value: own, From: "spread between machines against that between rolls"},
			{Name: "article's log ratio", Value: others, From: "all machines of the article"},
		},
	}
	if len(y) > 0 {
		step.Formula = "exp(own weight × own log ratio + (1 − own weight) × article's log ratio)"
		step.Inputs = append(step.Inputs, derive.Input{Name: "own log ratio", Value: mean(y), From: "mean over the machine's used rolls"})
	}
	d.Add(step)
	return d
}
