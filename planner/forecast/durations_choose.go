package forecast

import "math"

// The law of a cause's durations is a mean of three, each by its chance to be right:
//
//   - the lognormal and the Weibull of greatest censored likelihood. Both have two
//     parameters, so the ratio of their likelihoods is their evidence;
//   - the law of the durations as they were seen (Kaplan and Meier 1958). A Dirichlet
//     process about the fitted law, worth mass stops, gives it the weight n/(n+mass); the
//     mass is averaged over by the marginal likelihood of the counts in boxes that
//     the fitted law gives equal chances (Ferguson 1973; formulas from memory).
//
// So where a fitted law holds, its tail is believed; where it does not, what was seen
// is, and the fit keeps a little for what lasts longer than anything seen.

var (
	// masses of the Dirichlet process, thought equally likely beside a mass without end:
	// the fitted law itself.
	masses = []float64{3, 10, 30, 100, 300, 1000}
)

const (
	// leastChoice is the number of ended stops below which only the lognormal is fitted
	// and what was seen has the weight n/(n+leastMass).
	leastChoice = 30.0
	leastMass   = 3.0
	// Boxes are as many as have ten stops each, within these bounds.
	leastBoxes, mostBoxes, perBox = 4, 24, 10
	// noChance is the weight below which a law is left out.
	noChance = 0.01
)

// Choice is the law of a cause's durations with the evidence for its parts.
type Choice struct {
	Law Durations
	// Ended and Open count the stops it rests on.
	Ended, Open int
	// Seen, Lognormal and Weibull are the weights of the three laws, sum 1.
	Seen, Lognormal, Weibull float64
}

// Choose weighs the laws of observed durations. Where little is known, prior has its part
// in the lognormal; with no ended stop the law is prior.
func Choose(seen []Observed, prior Lognormal) Choice {
	obs, ended := usable(seen)
	c := Choice{Law: prior, Ended: ended, Open: len(obs) - ended, Lognormal: 1}
	if ended == 0 {
		return c
	}
	n := float64(ended)
	lognormal, logNormal, err := FitLognormal(obs)
	if err != nil {
		lognormal = prior
	}
	lognormal = withPrior(lognormal, n, prior, obs, err == nil)
	fitted := Durations(lognormal)
	if n >= leastChoice && err == nil {
		if w, logWeibull, err := FitWeibull(obs); err == nil {
			c.Weibull = 1 / (1 + math.Exp(logNormal-logWeibull))
			if c.Weibull < noChance || !(w.Mean() < maxDurationMin) {
				c.Weibull = 0
			} else if c.Weibull > 1-noChance {
				c.Weibull = 1
			}
			fitted = mixed(Weighted{1 - c.Weibull, lognormal}, Weighted{c.Weibull, w})
		}
	}
	asSeen := pooled(obs, fitted)
	c.Seen = n / (n + leastMass)
	if n >= leastChoice {
		c.Seen = weightOfSeen(asSeen, fitted, n)
	}
	c.Lognormal, c.Weibull = (1-c.Seen)*(1-c.Weibull), (1-c.Seen)*c.Weibull
	c.Law = mixed(Weighted{c.Seen, asSeen}, Weighted{1 - c.Seen, fitted})
	return c
}

// withPrior counts a quarter of a stop at the prior's place and two of its spread in.
// Without a fit the logarithms of the few ended stops are taken as they are.
func withPrior(l Lognormal, n float64, prior Lognormal, obs []Observed, fitted bool) Lognormal {
	const priorPlace, priorSpread, widest = 0.25, 2.0, 2.25
	if !fitted {
		var sum, square float64
		for _, o := range obs {
			if !o.Open {
				x := math.Log(o.Minutes)
				sum, square = sum+x, square+x*x
			}
		}
		l = Lognormal{sum / n, math.Sqrt(max(square/n-sum*sum/n/n, 0))}
	}
	mu := (n*l.Mu + priorPlace*prior.Mu) / (n + priorPlace)
	off := l.Mu - mu
	square := (n*(l.Sigma*l.Sigma+off*off) + priorSpread*prior.Sigma*prior.Sigma) / (n + priorSpread)
	return Lognormal{mu, math.Sqrt(min(square, widest))}
}

// mixed joins laws; those without weight are left out.
func mixed(parts ...Weighted) Durations {
	var out Mixture
	for _, p := range parts {
		switch m, ok := p.Law.(Mixture); {
		case p.Weight <= 0:
		case ok:
			for _, w := range m {
				out = append(out, Weighted{p.Weight * w.Weight, w.Law})
			}
		default:
			out = append(out, p)
		}
	}
	if len(out) == 1 {
		return out[0].Law
	}
	return out
}

// weightOfSeen is the mean of n/(n+mass) over the masses by their marginal likelihood.
func weightOfSeen(seen, fitted Durations, n float64) float64 {
	boxes := int(min(max(n/perBox, leastBoxes), mostBoxes))
	counts := make([]float64, boxes)
	last := 1.0
	for i := range counts {
		tail := 0.0
		if i < boxes-1 {
			tail = seen.Tail(quantileOf(fitted, float64(i+1)/float64(boxes)))
		}
		counts[i], last = n*max(last-tail, 0), tail
	}
	logGamma := func(x float64) float64 { l, _ := math.Lgamma(x); return l }
	logs := []float64{-n * math.Log(float64(boxes))} // of the fitted law itself
	for _, mass := range masses {
		share := mass / float64(boxes)
		l := logGamma(mass) - logGamma(mass+n)
		for _, x := range counts {
			l += logGamma(x+share) - logGamma(share)
		}
		logs = append(logs, l)
	}
	best := math.Inf(-1)
	for _, l := range logs {
		best = max(best, l)
	}
	var sum, weight float64
	for i, l := range logs {
		p := math.Exp(l - best)
		sum += p
		if i > 0 {
			weight += p * n / (n + masses[i-1])
		}
	}
	if weight /= sum; weight < noChance {
		return 0
	}
	return weight
}

// quantileOf is where a law's chance not to last longer reaches p.
func quantileOf(d Durations, p float64) float64 {
	lo, hi := 0.0, 1.0
	for d.Tail(hi) > 1-p && hi < maxDurationMin {
		lo, hi = hi, 2*hi
	}
	for range 40 {
		if mid := (lo + hi) / 2; d.Tail(mid) > 1-p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}
