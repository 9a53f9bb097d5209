package forecast

import (
	"math"
	"sort"
)

// Law is the distribution of a time in working minutes from now. Its zero value
// is a time already past: 0 minutes for certain.
type Law struct {
	// at holds points in rising order, cdf the chance to be done by then; straight
	// lines between. cdf[0] is an atom at at[0], the last cdf is 1.
	at, cdf []float64
	mean    float64
}

// Certain is the law of a time known exactly.
func Certain(minutes float64) Law {
	return Law{at: []float64{minutes}, cdf: []float64{1}, mean: minutes}
}

// CDF is the chance that the time is at most minutes.
func (l Law) CDF(minutes float64) float64 {
	n := len(l.at)
	if n == 0 {
		if minutes >= 0 {
			return 1
		}
		return 0
	}
	i := sort.SearchFloat64s(l.at, minutes)
	switch {
	case i < n && l.at[i] == minutes:
		return l.cdf[i]
	case i == 0:
		return 0
	case i == n:
		return 1
	}
	part := (minutes - l.at[i-1]) / (l.at[i] - l.at[i-1])
	return l.cdf[i-1] + part*(l.cdf[i]-l.cdf[i-1])
}

// Quantile is the smallest time that is kept with chance p. p below 0 counts as 0,
// above 1 as 1.
func (l Law) Quantile(p float64) float64 {
	n := len(l.at)
	if n == 0 {
		return 0
	}
	i := sort.Search(n, func(i int) bool { return l.cdf[i] >= p })
	switch {
	case i == 0:
		return l.at[0]
	case i == n:
		return l.at[n-1]
	}
	rise := l.cdf[i] - l.cdf[i-1]
	return l.at[i-1] + (p-l.cdf[i-1])/rise*(l.at[i]-l.at[i-1])
}

// Mean of the time, minutes.
func (l Law) Mean() float64 { return l.mean }

// Max is the law of the latest of independent times: an order is done when its
// last part is. Without laws it is the zero Law.
func Max(laws ...Law) Law {
	switch len(laws) {
	case 0:
		return Law{}
	case 1:
		return laws[0]
	}
	const points = 2048
	lo, hi := math.Inf(-1), math.Inf(-1)
	for _, l := range laws {
		lo = max(lo, l.Quantile(0)) // the latest cannot come before the latest of the earliest
		hi = max(hi, l.Quantile(1))
	}
	if !(hi > lo) {
		return Certain(lo)
	}
	out := Law{at: make([]float64, points+1), cdf: make([]float64, points+1)}
	step := (hi - lo) / points
	for i := range out.at {
		x := lo + float64(i)*step
		f := 1.0
		for _, l := range laws {
			f *= l.CDF(x)
		}
		out.at[i], out.cdf[i] = x, f
	}
	out.at[points], out.cdf[points] = hi, 1
	out.mean = out.integrate()
	return out
}

// integrate gives the mean from the points.
func (l Law) integrate() float64 {
	mean := l.at[0] * l.cdf[0]
	for i := 1; i < len(l.at); i++ {
		mean += (l.cdf[i] - l.cdf[i-1]) * (l.at[i] + l.at[i-1]) / 2
	}
	return mean
}
