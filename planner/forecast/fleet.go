package forecast

import (
	"fmt"
	"maps"
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
	maxSample     = 5000  // durations of one machine and cause that are looked at, the last given
	maxCount      = 1e9
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
	index     map[string]int // of causes
	groups    map[string][]float64
	spread    spreads
	levels    commonLevels
	restless  float64 // see restlessness
	minutes   float64
	pooled    Durations // of any cause
	ignored   []string
	stops     int
	ready     map[string]*Machine // see [Fleet.Ready]
	cache     spectra
}

// seen is a history without what cannot be.
type seen struct {
	machine, group string
	minutes        float64
	pieces         []piece
	causes         []seenCause
	last           string // order of the last stretch; "" = not known
	lastNumber     int
}

type seenCause struct {
	cause     string
	count     int
	durations Sample    // of those that ended
	open      []float64 // minutes so far of those that did not
	taken     []Taken
}

type fleetCause struct {
	cause     string
	rate      float64 // of stops in a running minute, at usual levels
	doubt     float64 // squared relative error of rate
	durations Durations
	bins      binned // the same
	pace      pace
	choice    Choice // what durations rests on
	planned   bool
	waits     waits
}

// Learn pools the histories of all machines. Causes in ignored are not stops of a
// running machine (no order, set-up) and are left out of the random stops; they
// may still be planned.
func Learn(histories []History, ignored ...string) *Fleet {
	f := &Fleet{ignored: ignored, index: map[string]int{}}
	f.nameCauses(histories)
	durations, taken := make([][]Observed, len(f.causes)), make([][]Taken, len(f.causes))
	var all []Observed
	for _, h := range histories {
		own := f.look(h)
		f.histories = append(f.histories, own)
		f.minutes += own.minutes
		for _, c := range own.causes {
			i := f.index[c.cause]
			before := len(durations[i])
			for _, x := range c.durations.sorted {
				durations[i] = append(durations[i], Observed{Minutes: x})
			}
			for _, x := range c.open {
				durations[i] = append(durations[i], Observed{x, true})
			}
			taken[i] = append(taken[i], c.taken...)
			if !f.causes[i].planned {
				all = append(all, durations[i][before:]...)
				f.stops += c.count
			}
		}
	}
	f.pooled = kept{Choose(all, anyDuration).Law, ""}
	for i := range f.causes {
		c := &f.causes[i]
		c.choice = Choose(durations[i], priorDuration(c.cause))
		c.bins = bin(c.choice.Law)
		c.durations = kept{c.bins, "cause " + c.cause}
		c.pace = f.fitPace(c.cause)
		c.waits = waitsOf(taken[i])
	}
	f.fit()
	f.restless = f.restlessness()
	return f
}

// nameCauses numbers the causes, the first maxCauses by name.
func (f *Fleet) nameCauses(histories []History) {
	names := map[string]bool{}
	for _, h := range histories {
		for _, c := range h.Causes {
			names[c.Cause] = true
		}
		for _, s := range h.Stretches {
			for _, c := range s.Causes {
				names[c.Cause] = true
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		if len(f.causes) < maxCauses {
			f.index[name] = len(f.causes)
			f.causes = append(f.causes, fleetCause{cause: name, planned: slices.Contains(f.ignored, name)})
		}
	}
}

// look leaves out what cannot be, negative times and counts, joins causes that come
// twice, and cuts the history into pieces.
func (f *Fleet) look(h History) seen {
	out := seen{machine: h.Machine, group: h.Group, lastNumber: -1}
	stretches := h.Stretches
	if len(stretches) == 0 {
		stretches = []Stretch{{RunMinutes: h.RunMinutes, Causes: h.Causes}}
	}
	counts := make([]int, len(f.causes))
	durations, open := make([][]float64, len(f.causes)), make([][]float64, len(f.causes))
	taken := make([][]Taken, len(f.causes))
	var orders []string
	for _, s := range stretches {
		p := piece{order: orderOf(&orders, s.Order), shift: max(s.Shift, 0), counts: make([]float64, len(f.causes))}
		if s.Class > 0 && s.Class <= maxClass {
			p.class = s.Class
		}
		if s.RunMinutes >= 0 && s.RunMinutes <= 50*maxMinutes {
			p.minutes = s.RunMinutes
		}
		for _, c := range s.Causes {
			i, ok := f.index[c.Cause]
			if !ok {
				continue
			}
			n := min(max(c.Count, len(c.DurationsMin)+len(c.OpenMin), 0), maxCount)
			durations[i] = append(durations[i], c.DurationsMin...)
			open[i] = append(open[i], c.OpenMin...)
			taken[i] = append(taken[i], c.Taken...)
			counts[i] = min(counts[i]+n, maxCount)
			if !f.causes[i].planned {
				p.counts[i] += float64(n)
			}
		}
		out.minutes += p.minutes
		out.pieces = append(out.pieces, p)
		out.last, out.lastNumber = s.Order, p.order
	}
	later := 0.0
	for i := len(out.pieces) - 1; i >= 0; i-- {
		out.pieces[i].weight = math.Exp2(-later / halfLife)
		later += out.pieces[i].minutes
	}
	for i, n := range counts {
		if n > 0 {
			d, o := durations[i], open[i]
			out.causes = append(out.causes, seenCause{f.causes[i].cause, n, NewSample(d[max(len(d)-maxSample, 0):]...), o[max(len(o)-maxSample, 0):], taken[i]})
		}
	}
	return out
}

func priorDuration(cause string) Lognormal {
	if l, ok := knownDurations[cause]; ok {
		return l
	}
	return anyDuration
}

func (h seen) count(cause string) int {
	for _, c := range h.causes {
		if c.cause == cause {
			return c.count
		}
	}
	return 0
}

func (h seen) durations(cause string) Sample {
	for _, c := range h.causes {
		if c.cause == cause {
			return c.durations
		}
	}
	return Sample{}
}

// Minutes of running that the fleet's knowledge rests on.
func (f *Fleet) Minutes() float64 { return f.minutes }

// Machine gives what is known of one machine: its own history shrunk towards the
// fleet. A machine without history is the fleet's.
func (f *Fleet) Machine(id string) *Machine {
	if m := f.ready[id]; m != nil {
		return m.with(f)
	}
	own := seen{machine: id, lastNumber: -1}
	for _, h := range f.histories {
		if h.machine == id {
			own = h
		}
	}
	return f.machine(own)
}

// With gives what is known of one machine by a history newer than the one the fleet
// has learnt from. Causes that the fleet has not seen are left out.
func (f *Fleet) With(h History) *Machine { return f.machine(f.look(h)) }

// Basis tells in sentences what is known of all machines together.
func (f *Fleet) Basis() []string {
	if f.minutes < littleHistory {
		return []string{fmt.Sprintf("All machines ran %.0f minutes so far; common figures fill in: 2 stops an hour of 3 minutes", f.minutes)}
	}
	out := []string{fmt.Sprintf("All %d machines: %d stops in %.0f h of running", len(f.histories), f.stops, f.minutes/60)}
	if line := f.waitsBasis(); line != "" {
		out = append(out, line)
	}
	return out
}
