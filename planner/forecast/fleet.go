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
	// Squared relative spread of a cause's rate between machines: what is usual and
	// how far off that may be (an assumption, no source), and its bounds.
	usualSpread, usualSpreadError = 0.35, 0.25
	leastSpread, mostSpread       = 0.02, 3.0
	maxSample                     = 5000 // durations of one machine and cause that are looked at, the last given
	maxCount                      = 1e9
)

// lognormal is the law with this median and 90 % point.
func lognormal(median, p90 float64) Lognormal {
	const z90 = 1.2815515655446004
	return Lognormal{math.Log(median), math.Log(p90/median) / z90}
}

// Fleet is what all machines have taught. It keeps intermediate results and is not
// for use by several goroutines.
type Fleet struct {
	histories []seen
	causes    []fleetCause
	minutes   float64
	pooled    Durations // of any cause
	ignored   []string
	stops     int
	cache     spectra
}

// seen is a history without what cannot be.
type seen struct {
	machine string
	minutes float64
	causes  []seenCause
}

type seenCause struct {
	cause     string
	count     int
	durations Sample
}

type fleetCause struct {
	cause     string
	rate      Rate // of a machine not yet seen
	durations Durations
	ended     int // stops that durations rests on
}

// Learn pools the histories of all machines. Causes in ignored are not stops of a
// running machine (no order, set-up) and are left out of the random stops; they
// may still be planned.
func Learn(histories []History, ignored ...string) *Fleet {
	f := &Fleet{ignored: ignored, cache: spectra{}}
	durations := map[string][]float64{}
	var all []float64
	for _, h := range histories {
		own := look(h)
		f.histories = append(f.histories, own)
		f.minutes += own.minutes
		for _, c := range own.causes {
			durations[c.cause] = append(durations[c.cause], c.durations.sorted...)
			if !slices.Contains(ignored, c.cause) {
				all = append(all, c.durations.sorted...)
				f.stops += c.count
			}
		}
	}
	f.pooled = kept{withTail(NewSample(all...), anyDuration), ""}
	for _, cause := range causeNames(f.histories) {
		sample := NewSample(durations[cause]...)
		law := kept{withTail(sample, priorDuration(cause)), "cause " + cause}
		f.causes = append(f.causes, fleetCause{cause, f.fleetRate(cause), law, sample.Len()})
	}
	return f
}

// look leaves out what cannot be, negative times and counts, and joins causes that
// come twice.
func look(h History) seen {
	out := seen{machine: h.Machine}
	if h.RunMinutes >= 0 && h.RunMinutes <= 50*maxMinutes {
		out.minutes = h.RunMinutes
	}
	for _, c := range h.Causes {
		durations := c.DurationsMin[max(len(c.DurationsMin)-maxSample, 0):]
		own := seenCause{cause: c.Cause, durations: NewSample(durations...)}
		own.count = min(max(c.Count, own.durations.Len()), maxCount)
		if i := slices.IndexFunc(out.causes, func(o seenCause) bool { return o.cause == c.Cause }); i >= 0 {
			o := &out.causes[i]
			o.count = min(o.count+own.count, maxCount)
			o.durations = NewSample(append(slices.Clone(o.durations.sorted), own.durations.sorted...)...)
			continue
		}
		out.causes = append(out.causes, own)
	}
	return out
}

func causeNames(histories []seen) []string {
	var names []string
	for _, h := range histories {
		for _, c := range h.causes {
			if !slices.Contains(names, c.cause) {
				names = append(names, c.cause)
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
// with a little of the prior's place and two stops of its spread counted in.
func withTail(s Sample, prior Lognormal) Durations {
	if s.Len() == 0 {
		return prior
	}
	const priorPlace, priorSpread = 0.25, 2.0
	n, sum := priorPlace, priorPlace*prior.Mu
	for _, x := range s.sorted {
		n, sum = n+1, sum+math.Log(max(x, finestStep))
	}
	mu := sum / n
	n, square := priorSpread, priorSpread*prior.Sigma*prior.Sigma
	for _, x := range s.sorted {
		d := math.Log(max(x, finestStep)) - mu
		n, square = n+1, square+d*d
	}
	fit := Lognormal{mu, math.Sqrt(min(square/n, 2.25))}
	w := tailWeight / (tailWeight + float64(s.Len()))
	return Mixture{{1 - w, s}, {w, fit}}
}

// fleetRate fits the gamma distribution of a cause's rate over the machines by
// moments: what the rates of the machines vary more than counts would by chance,
// drawn towards usual as far as the counts are too few to tell, and widened by what
// is not known of the fleet's mean itself.
func (f *Fleet) fleetRate(cause string) Rate {
	var stops, time, square, machines float64
	for _, h := range f.histories {
		if h.minutes > 0 {
			stops += float64(h.count(cause))
			time += h.minutes
			square += h.minutes * h.minutes
			machines++
		}
	}
	if time == 0 {
		return Rate{}
	}
	var spread float64
	for _, h := range f.histories {
		if h.minutes > 0 {
			d := float64(h.count(cause))/h.minutes - stops/time
			spread += h.minutes * d * d
		}
	}
	mean := (stops + 0.5) / time // half a stop, so that none seen is not never
	told, sd := 0.0, math.Inf(1) // squared spread between machines and its error
	if weight := time - square/time; machines > 1 && weight > 0 {
		told = max(spread-(machines-1)*stops/time, 0) / weight / (mean * mean)
		sd = math.Sqrt(2*(machines-1)) / (weight * mean)
	}
	precision, usual := 1/(sd*sd), 1/(usualSpreadError*usualSpreadError)
	between := (told*precision + usualSpread*usual) / (precision + usual)
	between = min(max(between, leastSpread), mostSpread)
	return Rate{mean, 1 / (between + 1/(stops+0.5) + between/machines)}
}

func (h seen) count(cause string) int {
	for _, c := range h.causes {
		if c.cause == cause {
			return c.count
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
		if h.machine == id {
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
		rate := posterior(c.rate, m.own.count(c.cause), m.own.minutes)
		law, doubt := m.durations(c)
		// Rate and mean duration multiply in the minutes lost, so what is not known
		// of the mean duration is counted with the rate.
		rate.Shape = 1 / (1/rate.Shape + doubt)
		m.stops = append(m.stops, Stops{c.cause, rate, law})
	}
	return m
}

// posterior: Gamma(a, b) and x stops in t minutes give Gamma(a+x, b+t).
func posterior(prior Rate, stops int, minutes float64) Rate {
	a, b := prior.Shape, prior.Shape/prior.Mean
	a, b = a+float64(stops), b+minutes
	return Rate{a / b, a}
}

// Basis tells in sentences what is known of all machines together.
func (f *Fleet) Basis() []string {
	if f.minutes < littleHistory {
		return []string{fmt.Sprintf("All machines ran %.0f minutes so far; common figures fill in: 2 stops an hour of 3 minutes", f.minutes)}
	}
	return []string{fmt.Sprintf("All %d machines: %d stops in %.0f h of running", len(f.histories), f.stops, f.minutes/60)}
}
