package forecast

import "math"

// Weibull durations: the chance to last longer than x is exp(-(x/Scale)^Shape).
type Weibull struct{ Shape, Scale float64 }

// Mean gives the mean.
func (w Weibull) Mean() float64 { return w.Scale * math.Gamma(1+1/w.Shape) }

// Square gives the mean square.
func (w Weibull) Square() float64 { return w.Scale * w.Scale * math.Gamma(1+2/w.Shape) }

// Tail gives the chance to last longer.
func (w Weibull) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return math.Exp(-math.Pow(x/w.Scale, w.Shape))
}

// Limited gives the mean cut off at x.
func (w Weibull) Limited(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return w.Mean() * gammaBelow(1/w.Shape, math.Pow(x/w.Scale, w.Shape))
}

// gammaBelow is the distribution function of the gamma law with shape a at x: by its
// series up to a+1, beyond by its continued fraction (Lentz).
func gammaBelow(a, x float64) float64 {
	if x <= 0 {
		return 0
	}
	lg, _ := math.Lgamma(a)
	front := math.Exp(a*math.Log(x) - x - lg)
	if front == 0 {
		if x > a {
			return 1
		}
		return 0
	}
	if x < a+1 {
		term := 1 / a
		sum := term
		for n := 1; n < 10000 && term > 1e-17*sum; n++ {
			term *= x / (a + float64(n))
			sum += term
		}
		return front * sum
	}
	const tiny = 1e-300
	b := x + 1 - a
	c, d := 1/tiny, 1/b
	h := d
	for i := 1; i < 10000; i++ {
		n := float64(i)
		an := -n * (n - a)
		b += 2
		d = an*d + b
		c = b + an/c
		if math.Abs(d) < tiny {
			d = tiny
		}
		if math.Abs(c) < tiny {
			c = tiny
		}
		d = 1 / d
		h *= d * c
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return 1 - front*h
}

// Beyond is a law known to last longer than From minutes, told from 0.
type Beyond struct {
	Of   Durations
	From float64
}

// Mean gives the mean.
func (b Beyond) Mean() float64 { return b.From + b.rest().Mean() }

// Square gives the mean square.
func (b Beyond) Square() float64 {
	r := b.rest()
	return b.From*b.From + 2*b.From*r.Mean() + r.Square()
}

// Tail gives the chance to last longer.
func (b Beyond) Tail(x float64) float64 { return b.rest().Tail(x - b.From) }

// Limited gives the mean cut off at x.
func (b Beyond) Limited(x float64) float64 {
	if x <= b.From {
		return max(x, 0)
	}
	return b.From + b.rest().Limited(x-b.From)
}

// rest is what lasts longer; where the law has nothing there, a lognormal does.
func (b Beyond) rest() Remainder {
	if b.Of.Tail(b.From) < 1e-9 {
		return Remainder{Lognormal{math.Log(max(b.From, leastDuration)), 1}, b.From}
	}
	return Remainder{b.Of, b.From}
}
