package forecast

import (
	"math"
	"slices"
	"sort"
)

// Law is the distribution of a time in working minutes from now. Its zero value
// is a time already past: 0 minutes for certain.
type Law struct {
	// The time is never below lo and is lo itself with the chance atom. cdf holds
	// the chance to be done by start, start+step, ...; the curve between is a
	// rising cubic, before start a power: 0 counts as 1.
	lo, atom    float64
	power       float64
	start, step float64
	cdf         []float64
	// near are the chances of the first points at lo+nearStep, lo+2*nearStep, ... up to
	// one of cdf, where the law is too steep for cdf; the curve between is straight.
	near     []float64
	nearStep float64
	// far holds what lies beyond the last point of cdf, at ever wider points; its
	// last chance is 1.
	far  []farPoint
	mean float64
	// pauses stand between: what is above is of the time without them.
	pauses []Pause
}

type farPoint struct{ at, cdf float64 }

// Certain is the law of a time known exactly.
func Certain(minutes float64) Law { return Law{lo: minutes, atom: 1, mean: minutes} }

// CDF is the chance that the time is at most minutes.
func (l Law) CDF(minutes float64) float64 { return l.cdfAt(l.without(minutes)) }

func (l Law) cdfAt(minutes float64) float64 {
	n := len(l.cdf)
	switch {
	case !(minutes >= l.lo):
		return 0
	case n == 0:
		return 1
	case minutes-l.lo < l.nearStep*float64(len(l.near)):
		return l.nearTo((minutes - l.lo) / l.nearStep)
	case minutes < l.start:
		part := (minutes - l.lo) / (l.start - l.lo)
		if l.power > 0 {
			part = math.Pow(part, l.power)
		}
		return l.atom + part*(l.cdf[0]-l.atom)
	}
	at := (minutes - l.start) / l.step
	if i := int(min(at, 1e9)); i < n-1 {
		return l.between(i, at-float64(i))
	}
	i := sort.Search(len(l.far), func(i int) bool { return l.far[i].at > minutes })
	if i == len(l.far) {
		return 1
	}
	return line(minutes, l.before(i), l.far[i])
}

// nearTo is the chance of at most so many steps of near, nearAt its inverse.
func (l Law) nearTo(at float64) float64 {
	k := min(int(at), len(l.near)-1)
	if k == 0 {
		if l.power > 0 {
			at = math.Pow(at, l.power)
		}
		return l.atom + at*(l.near[0]-l.atom)
	}
	return l.near[k-1] + (at-float64(k))*(l.near[k]-l.near[k-1])
}

func (l Law) nearAt(p float64) float64 {
	k := sort.SearchFloat64s(l.near, p)
	if k == 0 {
		part := (p - l.atom) / (l.near[0] - l.atom)
		if l.power > 0 {
			part = math.Pow(part, 1/l.power)
		}
		return part
	}
	return float64(k) + (p-l.near[k-1])/(l.near[k]-l.near[k-1])
}

// between is the curve between two points of cdf, part of the way. Its slopes are
// held within three times the lesser rise beside them, so that it never falls.
func (l Law) between(i int, part float64) float64 {
	a, b := l.cdf[i], l.cdf[i+1]
	rise := b - a
	before, after := rise, rise
	if i > 0 {
		before = a - l.cdf[i-1]
	}
	if i+2 < len(l.cdf) {
		after = l.cdf[i+2] - b
	}
	s0 := min((before+rise)/2, 3*min(before, rise))
	s1 := min((after+rise)/2, 3*min(after, rise))
	t := part
	return a + t*(s0+t*(3*rise-2*s0-s1+t*(s0+s1-2*rise)))
}

// before is the point before far[i].
func (l Law) before(i int) farPoint {
	if i > 0 {
		return l.far[i-1]
	}
	last := len(l.cdf) - 1
	return farPoint{l.start + float64(last)*l.step, l.cdf[last]}
}

func line(x float64, a, b farPoint) float64 {
	if !(b.at > a.at) {
		return b.cdf
	}
	return a.cdf + (x-a.at)/(b.at-a.at)*(b.cdf-a.cdf)
}

// Quantile is the smallest time that is kept with chance p. p below 0 counts as 0,
// above 1 as 1.
func (l Law) Quantile(p float64) float64 { return l.with(l.quantile(p)) }

func (l Law) quantile(p float64) float64 {
	n := len(l.cdf)
	switch {
	case n == 0 || p <= l.atom || math.IsNaN(p):
		return l.lo
	case len(l.near) > 0 && p <= l.near[len(l.near)-1]:
		return l.lo + l.nearStep*l.nearAt(p)
	case p <= l.cdf[0]:
		part := (p - l.atom) / (l.cdf[0] - l.atom)
		if l.power > 0 {
			part = math.Pow(part, 1/l.power)
		}
		return l.lo + part*(l.start-l.lo)
	case p > l.cdf[n-1]:
		i := sort.Search(len(l.far)-1, func(i int) bool { return l.far[i].cdf >= p })
		a, b := l.before(i), l.far[i]
		return a.at + min((p-a.cdf)/(b.cdf-a.cdf), 1)*(b.at-a.at)
	}
	i := sort.Search(n-1, func(i int) bool { return l.cdf[i] >= p }) - 1
	// The curve rises from below p to p or more: a bracketed secant needs few steps.
	lo, hi, flo, fhi := 0.0, 1.0, l.cdf[i], l.cdf[i+1]
	for range 60 {
		at := lo + (p-flo)/(fhi-flo)*(hi-lo)
		f := l.between(i, at)
		if math.Abs(f-p) < 1e-12 || hi-lo < 1e-9 {
			return l.start + (float64(i)+at)*l.step
		}
		if f < p {
			lo, flo = at, f
		} else {
			hi, fhi = at, f
		}
		if mid := (lo + hi) / 2; l.between(i, mid) < p {
			lo, flo = mid, l.between(i, mid)
		} else {
			hi, fhi = mid, l.between(i, mid)
		}
	}
	return l.start + (float64(i)+hi)*l.step
}

// Mean of the time, minutes.
func (l Law) Mean() float64 { return l.mean + l.paused() }

// Excess is the mean of what the time lies beyond minutes, times within counted
// as 0: the lateness to expect.
func (l Law) Excess(minutes float64) float64 {
	at := l.without(minutes)
	sum, rest := l.excess(at), minutes-at // rest: of the pauses, those before minutes
	for _, p := range l.pauses {
		if gone := min(p.Minutes, rest); gone < p.Minutes {
			sum += (p.Minutes - gone) * (1 - l.cdfAt(p.At))
		}
		rest -= min(p.Minutes, rest)
	}
	return sum
}

func (l Law) excess(minutes float64) float64 {
	if !(minutes > l.lo) {
		return max(l.mean-minutes, 0)
	}
	// The mean is exact; the integral of the CDF up to minutes is not far.
	return max(l.mean-minutes+l.area(minutes), 0)
}

// area is the integral of the CDF up to minutes, which is beyond lo.
func (l Law) area(minutes float64) float64 {
	sum, last := 0.0, farPoint{l.lo, l.atom}
	add := func(p farPoint) bool {
		if p.at >= minutes {
			p = farPoint{minutes, line(minutes, last, p)}
		}
		sum += (p.at - last.at) * (p.cdf + last.cdf) / 2
		last = p
		return p.at < minutes
	}
	for k, f := range l.cdf {
		if !add(farPoint{l.start + float64(k)*l.step, f}) {
			return sum
		}
	}
	for _, p := range l.far {
		if !add(p) {
			return sum
		}
	}
	return sum + max(minutes-last.at, 0)
}

// integrate gives the mean from the points.
func (l Law) integrate() float64 {
	end := l.quantile(1)
	if !(end > l.lo) {
		return l.lo
	}
	return end - l.area(end)
}

func (l *Law) shift(minutes float64) {
	l.lo += minutes
	l.start += minutes
	l.mean += minutes
	for i := range l.far {
		l.far[i].at += minutes
	}
	l.pauses = slices.Clone(l.pauses)
	for i := range l.pauses {
		l.pauses[i].At += minutes
	}
}

// Max is the law of the latest of independent times: an order is done when its
// last part is. Parts that share good and bad days are less spread apart than that,
// so their latest comes a little earlier than Max says. Without laws it is the
// zero Law.
func Max(laws ...Law) Law {
	return combine(laws, func(x float64) float64 {
		f := 1.0
		for _, l := range laws {
			f *= l.CDF(x)
		}
		return f
	}, math.Max)
}

// combine makes a law of a CDF computed from those of other laws; ends says which
// of their ends bounds it.
func combine(laws []Law, cdf func(float64) float64, ends func(a, b float64) float64) Law {
	switch len(laws) {
	case 0:
		return Law{}
	case 1:
		return laws[0]
	}
	const points = 1024
	lo, near, hi := laws[0].Quantile(0), laws[0].Quantile(0.998), laws[0].Quantile(1)
	for _, l := range laws[1:] {
		lo = ends(lo, l.Quantile(0))
		near, hi = max(near, l.Quantile(0.998)), max(hi, l.Quantile(1))
	}
	atom := cdf(lo)
	if !(hi > lo) || atom >= 1 {
		return Certain(lo)
	}
	// Far below its P50 a law may be as good as never.
	first := lo
	if at := ends(laws[0].Quantile(1e-9), laws[1].Quantile(1e-9)); atom == 0 {
		for _, l := range laws[2:] {
			at = ends(at, l.Quantile(1e-9))
		}
		first = max(first, at)
	}
	near = max(near, first)
	out := Law{lo: lo, atom: atom, start: first, step: (near - first) / points}
	if out.step > 0 {
		out.start += out.step / 2
		out.cdf = make([]float64, points)
		for i := range out.cdf {
			out.cdf[i] = cdf(out.start + float64(i)*out.step)
		}
	} else {
		out.cdf, out.step = []float64{cdf(near)}, 1
	}
	const wide = 24
	end := out.before(0).at
	for k := 1; k <= wide; k++ {
		part := float64(k) / wide
		at := end + part*part*part*(hi-end)
		out.far = append(out.far, farPoint{at, cdf(at)})
	}
	out.far[wide-1].cdf = 1
	out.mean = out.integrate()
	return out
}
