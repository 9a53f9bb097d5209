package forecast

import (
	"fmt"
	"math"
	"slices"
)

// Figures that stand in where nothing has been seen. Common practice, no source;
// the basis of a forecast says when they are used.
var (
	// AnyStop is taken for all causes together while the fleet has little history:
	// two stops per running hour, as uncertain as two stops seen in one hour.
	anyStopCount, anyStopMinutes = 2.0, 60.0
	anyDuration                  = lognormal(2.5, 8)
	knownDurations               = map[string]Lognormal{
		"doff":  lognormal(3, 6),
		"setup": lognormal(120, 240),
	}
)

const (
	// littleHistory is the fleet's running time below which causes are not told apart.
	littleHistory = 240.0 // minutes
	// fleetWeight is the number of own stops that count as much as the fleet's
	// durations do for a machine.
	fleetWeight = 20.0
	// tailWeight is the number of stops that the fitted lognormal counts for beside
	// the fleet's durations: it gives a tail beyond the longest stop seen.
	tailWeight = 3.0
	// Machines always differ a little, and a few of them cannot tell how much.
	maxShape, fewShape = 50.0, 3.0
	fewMachines        = 3
	maxSample          = 5000 // durations of one machine and cause that are looked at, newest
)

// lognormal is the law with this median and 90 % point.
func lognormal(median, p90 float64) Lognormal {
	const z90 = 1.2815515655446004
	return Lognormal{math.Log(median), math.Log(p90/median) / z90}
}

// Fleet is what all machines have taught. It keeps intermediate results and is not
// for use by several goroutines.
type Fleet struct {
	histories []History
	causes    []fleetCause
	minutes   float64
	pooled    Durations // of any cause
	ignored   []string
	stops     int
	cache     spectra
}

type fleetCause struct {
	cause     string
	rate      Rate // of a machine not yet seen
	durations Durations
}

// Learn pools the histories of all machines. Causes in ignored are not stops of a
// running machine (no order, set-up) and are left out of the random stops; they
// may still be planned.
func Learn(histories []History, ignored ...string) *Fleet {
	f := &Fleet{ignored: ignored, cache: spectra{}}
	samples := map[string][]float64{}
	var all []float64
	for _, h := range histories {
		h = sane(h)
		f.histories = append(f.histories, h)
		f.minutes += h.RunMinutes
		for _, c := range h.Causes {
			samples[c.Cause] = append(samples[c.Cause], c.DurationsMin...)
			if !slices.Contains(ignored, c.Cause) {
				all = append(all, c.DurationsMin...)
				f.stops += c.Count
			}
		}
	}
	f.pooled = kept{withTail(NewSample(all...), anyDuration), ""}
	for _, cause := range causeNames(f.histories) {
		sample := NewSample(samples[cause]...)
		f.causes = append(f.causes, fleetCause{cause, f.fleetRate(cause), kept{withTail(sample, priorDuration(cause)), "cause " + cause}})
	}
	return f
}

// sane leaves out what cannot be: negative times and counts, and joins repeated causes.
func sane(h History) History {
	if !(h.RunMinutes >= 0 && h.RunMinutes <= 50*maxMinutes) {
		h.RunMinutes = 0
	}
	var causes []CauseHistory
	for _, c := range h.Causes {
		durations := c.DurationsMin
		if n := len(durations); n > maxSample {
			durations = durations[n-maxSample:]
		}
		c.DurationsMin = NewSample(durations...)
		c.Count = max(c.Count, len(c.DurationsMin))
		if i := slices.IndexFunc(causes, func(o CauseHistory) bool { return o.Cause == c.Cause }); i >= 0 {
			causes[i].Count += c.Count
			causes[i].DurationsMin = NewSample(append(slices.Clone(causes[i].DurationsMin), c.DurationsMin...)...)
			continue
		}
		causes = append(causes, c)
	}
	h.Causes = causes
	return h
}

func causeNames(histories []History) []string {
	var names []string
	for _, h := range histories {
		for _, c := range h.Causes {
			if !slices.Contains(names, c.Cause) {
				names = append(names, c.Cause)
			}
		}
	}
	slices.Sort(names)
	return names
}

func priorDuration(cause string) Lognormal {
	if l, ok := knownDurations[cause]; ok {
		return l
	}
	return anyDuration
}

// withTail mixes a sample with a lognormal that follows it: the fitted logarithms,
// with two stops of the prior counted in.
func withTail(s Sample, prior Lognormal) Durations {
	const priorStops = 2.0
	n, sum, square := priorStops, priorStops*prior.Mu, priorStops*(prior.Mu*prior.Mu+prior.Sigma*prior.Sigma)
	for _, x := range s {
		l := math.Log(max(x, finestStep))
		n, sum, square = n+1, sum+l, square+l*l
	}
	mu := sum / n
	fit := Lognormal{mu, math.Sqrt(min(max(square/n-mu*mu, 0.25), 2.25))}
	if len(s) == 0 {
		return fit
	}
	w := tailWeight / (tailWeight + float64(len(s)))
	return Mixture{{1 - w, s}, {w, fit}}
}

// fleetRate fits the gamma distribution of a cause's rate over the machines by
// moments: what the rates of the machines vary more than counts would by chance.
func (f *Fleet) fleetRate(cause string) Rate {
	var stops, time, square, machines float64
	for _, h := range f.histories {
		if h.RunMinutes > 0 {
			stops += float64(h.count(cause))
			time += h.RunMinutes
			square += h.RunMinutes * h.RunMinutes
			machines++
		}
	}
	if time == 0 {
		return Rate{}
	}
	mean := (stops + 0.5) / time // half a stop, so that none seen is not never
	shape := fewShape
	if machines >= fewMachines {
		var spread float64
		for _, h := range f.histories {
			if h.RunMinutes > 0 {
				d := float64(h.count(cause))/h.RunMinutes - stops/time
				spread += h.RunMinutes * d * d
			}
		}
		shape = maxShape
		if excess := (spread - (machines-1)*stops/time) / (time - square/time); excess > 0 {
			shape = mean * mean / excess
		}
	}
	// The fleet cannot know a rate better than the stops it saw tell.
	shape = min(max(shape, 0.3), maxShape, stops+0.5)
	return Rate{mean, shape}
}

func (h History) count(cause string) int {
	for _, c := range h.Causes {
		if c.Cause == cause {
			return c.Count
		}
	}
	return 0
}

// Minutes of running that the fleet's knowledge rests on.
func (f *Fleet) Minutes() float64 { return f.minutes }

// Machine gives what is known of one machine: its own history shrunk towards the
// fleet. A machine without history is the fleet's.
func (f *Fleet) Machine(id string) *Machine {
	m := &Machine{fleet: f, id: id}
	for _, h := range f.histories {
		if h.Machine == id {
			m.own = h
		}
	}
	if f.minutes < littleHistory {
		m.stops = []Stops{{
			Cause:     "",
			Rate:      Rate{(anyStopCount + float64(f.stops)) / (anyStopMinutes + f.minutes), anyStopCount + float64(f.stops)},
			Durations: f.pooled,
		}}
		return m
	}
	for _, c := range f.causes {
		if slices.Contains(f.ignored, c.cause) {
			continue
		}
		rate := posterior(c.rate, m.own.count(c.cause), m.own.RunMinutes)
		m.stops = append(m.stops, Stops{c.cause, rate, m.durations(c)})
	}
	return m
}

// posterior: Gamma(a, b) and x stops in t minutes give Gamma(a+x, b+t).
func posterior(prior Rate, stops int, minutes float64) Rate {
	a, b := prior.Shape, prior.Shape/prior.Mean
	a, b = a+float64(stops), b+minutes
	return Rate{a / b, a}
}

// basis tells in sentences what the knowledge rests on.
func (f *Fleet) basis(m *Machine) []string {
	if f.minutes < littleHistory {
		return []string{
			fmt.Sprintf("The fleet has run only %.0f minutes; common figures fill in", f.minutes),
			"Common figures: 2 stops per running hour of about 3 minutes",
		}
	}
	var lines []string
	if m.own.RunMinutes < littleHistory {
		lines = append(lines, "Little history of its own; rates are the fleet's")
	}
	own := 0
	for _, c := range m.own.Causes {
		if !slices.Contains(f.ignored, c.Cause) {
			own += c.Count
		}
	}
	return append(lines,
		fmt.Sprintf("Own history: %d stops in %.0f running hours", own, m.own.RunMinutes/60),
		fmt.Sprintf("Fleet history: %d stops in %.0f running hours of %d machines", f.stops, f.minutes/60, len(f.histories)))
}
