package chaos

import (
	"math"
	"slices"
	"time"
)

// Figure is what a program that lives long used, and whether that grows.
//
// A minute counts by the lower quartile of its samples: a heap is a saw tooth
// and connections come and go, while what leaks raises the low values too. The
// growth is the median of the slopes between all pairs of minutes (Theil and
// Sen), which a quarter of wild minutes cannot move far; its lower bound is
// Sen's, one-sided at 99.9 %, from Kendall's variance without ties, which is the
// wider one. A program grows when even the lower bound is above what is allowed.
type Figure struct {
	What    string  `json:"what"`
	Samples int     `json:"samples"`
	Minutes int     `json:"minutes"` // judged: those after the first ones of a life
	Seconds float64 `json:"seconds"` // from the first to the last sample
	Verdict string  `json:"verdict"` // steady, grows, or too young to tell
	Growth  *Growth `json:"growth,omitempty"`
}

// Growth is that of a program that is old enough, in the unit of what is measured.
type Growth struct {
	First   float64 `json:"first"` // median of the first quarter of the minutes
	Last    float64 `json:"last"`  // and of the last
	PerHour float64 `json:"per_hour"`
	AtLeast float64 `json:"per_hour_at_least"` // lower bound
	Allowed float64 `json:"per_hour_allowed"`
}

// Verdicts of a figure.
const (
	steady = "steady"
	grows  = "grows"
	young  = "too young to tell"
)

// measure is what is sampled, and by how much it may grow in an hour; a tenth of
// what it was at first always is allowed.
type measure struct {
	what    string
	allowed float64
}

var measures = []measure{{"goroutines", 3}, {"files", 3}, {"heap_mb", 2}, {"own_mb", 6}}

const (
	mayGrow   = 0.10
	settling  = 3    // minutes of a life that are not judged, in which pools and caches fill
	enough    = 10   // minutes that tell something
	oneSided  = 3.09 // standard deviations: 99.9 % lie below
	perMinute = 3    // samples that make a minute
)

// judgeGrowth judges one measure of one process: values and the process' age
// at each.
func judgeGrowth(k measure, at []time.Duration, values []float64) Figure {
	f := Figure{What: k.what, Samples: len(at), Verdict: young}
	if len(at) > 0 {
		f.Seconds = (at[len(at)-1] - at[0]).Seconds()
	}
	minutes, v := byMinute(at, values)
	f.Minutes = len(v)
	if len(v) < enough {
		return f
	}
	q := len(v) / 4
	slope, least := theilSen(minutes, v)
	g := Growth{First: median(v[:q]), Last: median(v[len(v)-q:]), PerHour: 60 * slope, AtLeast: 60 * least}
	g.Allowed = max(k.allowed, mayGrow*g.First)
	f.Growth, f.Verdict = &g, steady
	if g.AtLeast > g.Allowed {
		f.Verdict = grows
	}
	return f
}

// byMinute gives the lower quartile of each minute of a life that has enough
// samples, after the first ones.
func byMinute(at []time.Duration, values []float64) (minutes, low []float64) {
	for i := 0; i < len(at); {
		n := i
		for n < len(at) && at[n]/time.Minute == at[i]/time.Minute {
			n++
		}
		if minute := float64(at[i] / time.Minute); minute >= settling && n-i >= perMinute {
			v := slices.Sorted(slices.Values(values[i:n]))
			minutes, low = append(minutes, minute), append(low, v[(len(v)-1)/4])
		}
		i = n
	}
	return minutes, low
}

// theilSen is the median slope of a series and its lower bound.
func theilSen(x, y []float64) (slope, least float64) {
	var all []float64
	for i := range x {
		for j := range i {
			all = append(all, (y[i]-y[j])/(x[i]-x[j]))
		}
	}
	slices.Sort(all)
	n := float64(len(x))
	c := oneSided * math.Sqrt(n*(n-1)*(2*n+5)/18)
	return median(all), all[max(0, int((float64(len(all))-c)/2))]
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
