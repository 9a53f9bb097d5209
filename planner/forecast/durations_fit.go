package forecast

import (
	"fmt"
	"math"
	"slices"
)

// Observed is one duration; Open says that it was not over when last looked at, so
// that it is only known to be longer.
type Observed struct {
	Minutes float64
	Open    bool
}

// leastDuration stands for durations of 0 where a logarithm is taken, minutes.
const leastDuration = 1.0 / 60

// usable leaves out durations that cannot be, and sorts.
func usable(seen []Observed) (out []Observed, ended int) {
	for _, o := range seen {
		if o.Minutes >= 0 && o.Minutes <= maxDurationMin {
			o.Minutes = max(o.Minutes, leastDuration)
			out = append(out, o)
			if !o.Open {
				ended++
			}
		}
	}
	slices.SortFunc(out, func(a, b Observed) int {
		switch {
		case a.Minutes < b.Minutes:
			return -1
		case a.Minutes > b.Minutes:
			return 1
		case a.Open == b.Open:
			return 0
		case b.Open: // at a tie the open one lasted longer
			return -1
		}
		return 1
	})
	return out, ended
}

// leastFit is the number of different ended durations that two parameters need.
const leastFit = 3

// grouped are durations of one length, as logarithm and minutes.
type grouped struct {
	log, minutes, n float64
	open            bool
}

// Durations are fitted one by one up to mostSingle; of more, those that differ by less
// than groupStep of themselves count as one, which moves a fit by far less than it knows.
const (
	mostSingle = 2000
	groupStep  = 0.01
)

// group prepares a fit; it refuses what is too little for one.
func group(seen []Observed, law string) (out []grouped, n, ended float64, err error) {
	different := map[float64]bool{}
	cells := map[Observed]int{}
	for _, o := range seen {
		if !(o.Minutes >= 0 && o.Minutes <= maxDurationMin) {
			continue
		}
		x := math.Log(max(o.Minutes, leastDuration))
		n++
		if !o.Open {
			ended++
			if len(different) < leastFit {
				different[o.Minutes] = true
			}
		}
		if len(seen) <= mostSingle {
			out = append(out, grouped{x, math.Exp(x), 1, o.Open})
			continue
		}
		key := Observed{math.Round(x / groupStep), o.Open}
		i, ok := cells[key]
		if !ok {
			i = len(out)
			cells[key] = i
			x = key.Minutes * groupStep
			out = append(out, grouped{x, math.Exp(x), 0, o.Open})
		}
		out[i].n++
	}
	if len(different) < leastFit {
		return nil, 0, 0, fmt.Errorf("%w: %d different ended stops of %d given are too few to fit a %s law, expected %d; pool machines or take a known law",
			ErrInput, len(different), len(seen), law, leastFit)
	}
	return out, n, ended, nil
}

// FitLognormal is the lognormal law of greatest likelihood, open stops counted as
// longer than they are seen; loglik is the logarithm of that likelihood.
func FitLognormal(seen []Observed) (l Lognormal, loglik float64, err error) {
	obs, n, _, err := group(seen, "lognormal")
	if err != nil {
		return l, 0, err
	}
	sum, square := 0.0, 0.0
	for _, o := range obs {
		sum, square = sum+o.n*o.log, square+o.n*o.log*o.log
	}
	l = Lognormal{sum / n, math.Sqrt(max(square/n-sum*sum/n/n, 1e-12))}
	// Expectation and maximisation: an open stop counts with the mean and mean square
	// of what it may become. Without open stops the first step is the last.
	for range 2000 {
		var s1, s2 float64
		for _, o := range obs {
			if !o.open {
				s1, s2 = s1+o.n*o.log, s2+o.n*o.log*o.log
				continue
			}
			mills := hazard((o.log - l.Mu) / l.Sigma)
			s1 += o.n * (l.Mu + l.Sigma*mills)
			s2 += o.n * (l.Mu*l.Mu + l.Sigma*l.Sigma + l.Sigma*(o.log+l.Mu)*mills)
		}
		next := Lognormal{s1 / n, math.Sqrt(max(s2/n-s1*s1/n/n, 1e-12))}
		moved := math.Abs(next.Mu-l.Mu) + math.Abs(next.Sigma-l.Sigma)
		l = next
		if moved < 1e-11 {
			break
		}
	}
	if !(l.Sigma < 20 && math.Abs(l.Mu) < 30) {
		return l, 0, fmt.Errorf("%w: nearly all of %g stops are still open, so their law cannot be told; wait for more to end", ErrInput, n)
	}
	for _, o := range obs {
		z := (o.log - l.Mu) / l.Sigma
		if o.open {
			loglik += o.n * math.Log(max(math.Erfc(z/math.Sqrt2)/2, math.SmallestNonzeroFloat64))
		} else {
			loglik -= o.n * (z*z/2 + o.log + math.Log(l.Sigma*math.Sqrt(2*math.Pi)))
		}
	}
	return l, loglik, nil
}

// hazard of the standard normal: density over tail.
func hazard(z float64) float64 {
	if z > 30 {
		return z + 1/z
	}
	return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / (math.Erfc(z/math.Sqrt2) / 2)
}

// FitWeibull is the Weibull law of greatest likelihood, open stops counted as longer
// than they are seen. A shape below 1 says that what has lasted will last.
func FitWeibull(seen []Observed) (w Weibull, loglik float64, err error) {
	obs, n, ended, err := group(seen, "Weibull")
	if err != nil {
		return w, 0, err
	}
	longest, meanLog := math.Inf(-1), 0.0 // scaled by the longest, powers stay at most 1
	for _, o := range obs {
		longest = max(longest, o.log)
	}
	for _, o := range obs {
		if !o.open {
			meanLog += o.n * (o.log - longest) / ended
		}
	}
	// The score of the shape rises with it: sum x^k ln x / sum x^k - 1/k - mean ln x.
	score := func(k float64) float64 {
		var p, pl float64
		for _, o := range obs {
			x := o.log - longest
			e := o.n * math.Exp(k*x)
			p, pl = p+e, pl+e*x
		}
		return pl/p - 1/k - meanLog
	}
	lo, hi := 0.01, 200.0
	if score(lo) > 0 || score(hi) < 0 {
		return w, 0, fmt.Errorf("%w: %g stops give no Weibull shape between %g and %g; check for durations all alike", ErrInput, n, lo, hi)
	}
	for hi/lo > 1+1e-14 {
		mid := math.Sqrt(lo * hi)
		if !(mid > lo && mid < hi) {
			break
		}
		if score(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	sum := 0.0
	for _, o := range obs {
		sum += o.n * math.Exp(lo*(o.log-longest))
	}
	w = Weibull{Shape: lo, Scale: math.Exp(longest + math.Log(sum/ended)/lo)}
	scale := math.Log(w.Scale)
	for _, o := range obs {
		x := o.log - scale
		loglik -= o.n * math.Exp(w.Shape*x)
		if !o.open {
			loglik += o.n * (math.Log(w.Shape) - scale + (w.Shape-1)*x)
		}
	}
	return w, loglik, nil
}

// Survival is a step of the Kaplan-Meier curve: the share that lasts longer than
// Minutes, and its Greenwood standard error (NaN once nobody is left).
type Survival struct{ Minutes, Share, SE float64 }

// KaplanMeier is the curve of observed durations, a step for each ended one.
func KaplanMeier(seen []Observed) []Survival {
	obs, _ := usable(seen)
	return survivals(obs)
}

// survivals is KaplanMeier of what is sorted.
func survivals(obs []Observed) []Survival {
	var out []Survival
	share, sum := 1.0, 0.0
	for i := 0; i < len(obs); {
		left, ended, at := float64(len(obs)-i), 0.0, obs[i].Minutes
		for ; i < len(obs) && obs[i].Minutes == at; i++ {
			if !obs[i].Open {
				ended++
			}
		}
		if ended == 0 {
			continue
		}
		share *= 1 - ended/left
		sum += ended / (left * (left - ended))
		out = append(out, Survival{at, share, share * math.Sqrt(sum)})
	}
	return out
}

// Pooled is the law of observed durations as they are, open ones among them
// (Kaplan-Meier); what lasts longer than the last ended one follows tail.
func Pooled(seen []Observed, tail Durations) Durations {
	obs, _ := usable(seen)
	return pooled(obs, tail)
}

func pooled(obs []Observed, tail Durations) Durations {
	curve := survivals(obs)
	if len(curve) == 0 {
		return tail
	}
	s := Sample{}
	before := 1.0
	last := curve[len(curve)-1]
	if last.Share >= 1 {
		return tail
	}
	for _, c := range curve {
		s.sorted = append(s.sorted, c.Minutes)
		s.shares = append(s.shares, (before-c.Share)/(1-last.Share))
		before = c.Share
	}
	s.sum()
	if last.Share < 1e-12 {
		return s
	}
	return Mixture{{1 - last.Share, s}, {last.Share, Beyond{tail, last.Minutes}}}
}
