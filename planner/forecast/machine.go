package forecast

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Machine is what is known of one machine's stops.
type Machine struct {
	fleet  *Fleet
	id     string
	own    seen
	stops  []Stops // of an order to come
	common float64 // shape of the factor that all causes share, 0 = none
	// current is what is known of the order it is on; nil if that is nothing more.
	current *Machine
	change  change
}

// Work is what a machine still has to do, up to the end of the job in question:
// jobs before it on the same machine are part of it, as they share its rates.
type Work struct {
	RunMinutes   float64 // running time, turns over speed
	RunSDMin     float64 // its standard deviation, as the speed is not certain
	FixedMinutes float64 // standing known exactly
	Pauses       []Pause // standing that comes only if the work takes that long
	// Planned stops come a known number of times and are then not random.
	Planned []Planned
	// Order the work is for; empty = not known. If it is the one that the machine's
	// history ends with, its stops so far tell of the rest.
	Order string
	// Orders is the number of orders that RunMinutes are spread over; 0 counts as 1.
	Orders int
	// ClassMinutes are the running minutes that fall into each kind of shift, by
	// [Stretch.Class]; they need not sum up to RunMinutes. Nil = as usual.
	ClassMinutes []float64
	// Stop is the stop in progress; nil while the machine runs.
	Stop *OpenStop
	// NoWaiting supposes that no random stop waits for somebody to take it up, as far
	// as it is known how long they do.
	NoWaiting bool
}

// Planned is a cause that comes a known number of times in the work. Count 0 takes
// the cause out of the random stops.
type Planned struct {
	Cause string
	Count int
	// UsualMin is how long one usually lasts, for a cause that no machine has had yet;
	// 0 = as stops of any cause.
	UsualMin float64
}

// OpenStop is a stop in progress.
type OpenStop struct {
	Cause      string // may be unknown, ""
	ElapsedMin float64
}

// CauseMinutes is standing time expected under one cause.
type CauseMinutes struct {
	Cause   string
	Minutes float64
}

// Finish is the law of the working minutes until the work is done.
func (m *Machine) Finish(w Work) (Law, error) {
	if !(w.FixedMinutes >= 0 && w.FixedMinutes <= maxMinutes) {
		return Law{}, fmt.Errorf("%w: fixed standing time is %g min, expected 0 to %d", ErrInput, w.FixedMinutes, maxMinutes)
	}
	if err := checkPauses(w.Pauses); err != nil {
		return Law{}, err
	}
	repeats, err := m.repeats(w)
	if err != nil {
		return Law{}, err
	}
	sum := m.of(w)
	sum.Repeats = repeats
	law, err := sum.law(&m.fleet.cache)
	if err != nil {
		return Law{}, err
	}
	law.shift(w.FixedMinutes)
	law.pause(w.Pauses)
	return law, nil
}

// Expect gives the mean standing time of every cause in the work, most first; the
// stop in progress is not among them.
func (m *Machine) Expect(w Work) []CauseMinutes {
	var out []CauseMinutes
	for _, s := range m.of(w).Stops {
		out = append(out, CauseMinutes{s.Cause, s.Rate.Mean * w.RunMinutes * s.Durations.Mean()})
	}
	for _, p := range w.Planned {
		if p.Count > 0 {
			out = append(out, CauseMinutes{p.Cause, float64(p.Count) * m.plannedLaw(p).Mean()})
		}
	}
	slices.SortStableFunc(out, func(a, b CauseMinutes) int {
		switch {
		case a.Minutes > b.Minutes:
			return -1
		case a.Minutes < b.Minutes:
			return 1
		}
		return strings.Compare(a.Cause, b.Cause)
	})
	return out
}

// RunningShare is the expected share of working time in which the machine runs,
// all stops counted as random; above 0 to 1.
func (m *Machine) RunningShare() float64 {
	standing := 0.0
	for _, s := range m.stops {
		standing += s.Rate.Mean * s.Durations.Mean()
	}
	return 1 / (1 + standing)
}

// Seen says whether stops of a cause can be told apart on this machine: it had
// some, or it has too little history to say. A cause that never shows is inside the
// others (a lamp for everything) and must not be planned on top of them.
func (m *Machine) Seen(cause string) bool {
	if m.own.count(cause) > 0 {
		return true
	}
	if m.own.minutes >= littleHistory {
		return false
	}
	return m.fleet.minutes < littleHistory || slices.ContainsFunc(m.fleet.causes, func(c fleetCause) bool { return c.cause == cause })
}

// Minutes of running that the machine's own history has.
func (m *Machine) Minutes() float64 { return m.own.minutes }

// Stops gives the random stops of the machine as they are forecast.
func (m *Machine) Stops() []Stops { return slices.Clone(m.stops) }

// Basis tells in sentences what is known of this machine itself; what it is drawn
// towards is told by [Fleet.Basis].
func (m *Machine) Basis() []string {
	own := 0
	for _, c := range m.own.causes {
		if !slices.Contains(m.fleet.ignored, c.cause) {
			own += c.count
		}
	}
	lines := []string{fmt.Sprintf("%s in %s of running", plural(own, "stop"), ran(m.own.minutes))}
	if m.own.minutes < littleHistory && m.fleet.minutes >= littleHistory {
		lines = append(lines, "little history of its own, taken as the others are")
	}
	wears := m.Wears()
	switch z := m.Drift(); {
	case z > clearWear:
		lines = append(lines, fmt.Sprintf("it stops more and more often; look for wear, the forecast takes %.2f times its mean rate", m.change.ratio))
	case z < -clearWear:
		lines = append(lines, fmt.Sprintf("it stops less and less often; the forecast takes %.2f times its mean rate", m.change.ratio))
	case len(wears) > 0 && wears[0].Laplace > 0:
		lines = append(lines, fmt.Sprintf("its %s stops come more and more often, as running time to the power %.1f; look for wear", wears[0].Cause, wears[0].Exponent))
	case m.change.told():
		lines = append(lines, fmt.Sprintf("it has probably changed: the forecast takes %.2f times its mean rate", m.change.ratio))
	}
	return lines
}

func plural(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

// ran writes running time, in minutes while it is little.
func ran(minutes float64) string {
	if minutes < littleHistory {
		return fmt.Sprintf("%.0f min", minutes)
	}
	return fmt.Sprintf("%.0f h", minutes/60)
}

// of gives the running and the random stops of the work.
func (m *Machine) of(w Work) Sum {
	if m.current != nil && w.Order != "" && w.Order == m.own.last {
		m = m.current
	}
	sum := Sum{Run: w.RunMinutes, RunSD: w.RunSDMin, Common: m.common}
	level := m.fleet.mix(w.ClassMinutes)
	for _, s := range m.stops {
		if !slices.ContainsFunc(w.Planned, func(p Planned) bool { return p.Cause == s.Cause }) {
			s.Rate.Mean *= level
			if wait, ok := m.waitsOf(s.Cause); ok && w.NoWaiting {
				s.Durations = scale(s.Durations, 1-wait.share)
			}
			sum.Stops = append(sum.Stops, s)
		}
	}
	if n := float64(w.Orders); n > 1 && m.common > 0 {
		// The orders' factors are independent, the machine's is not.
		order := m.fleet.spread.order
		v := 1/m.common - order + order/n
		sum.Common = 1 / max(v, least)
	}
	return sum
}

func (m *Machine) repeats(w Work) ([]Repeat, error) {
	var out []Repeat
	for _, p := range w.Planned {
		out = append(out, Repeat{p.Count, m.plannedLaw(p)})
	}
	if w.Stop == nil {
		return out, nil
	}
	if !(w.Stop.ElapsedMin >= 0) || math.IsInf(w.Stop.ElapsedMin, 1) {
		return nil, fmt.Errorf("%w: the stop in progress has lasted %g min, expected 0 or more", ErrInput, w.Stop.ElapsedMin)
	}
	return append(out, Repeat{1, m.remainder(*w.Stop)}), nil
}

// remainder is what is left of the stop in progress. Beyond everything seen only
// the fitted tail speaks; a stop older than thirty days is taken as thirty days old.
func (m *Machine) remainder(s OpenStop) Durations {
	of := m.durationsOf(s.Cause)
	elapsed := min(s.ElapsedMin, maxDurationMin)
	if of.Tail(elapsed) < 1e-9 {
		of = Lognormal{math.Log(elapsed), anyDuration.Sigma}
	}
	return Remainder{of, elapsed}
}

// plannedLaw is the law of a planned stop. Half as long again is usual where only the
// usual length is told: an assumption, no source.
func (m *Machine) plannedLaw(p Planned) Durations {
	if i, ok := m.fleet.index[p.Cause]; p.UsualMin > 0 && p.UsualMin <= maxDurationMin && (!ok || m.fleet.causes[i].choice.Ended == 0) {
		return lognormal(p.UsualMin, 1.5*p.UsualMin)
	}
	return m.durationsOf(p.Cause)
}

// durationsOf is the law of a cause for this machine, of any cause if it was never seen.
func (m *Machine) durationsOf(cause string) Durations {
	for _, c := range m.fleet.causes {
		if c.cause == cause {
			law, _ := m.fleet.durations(m.own, c)
			return law
		}
	}
	if l, ok := knownDurations[cause]; ok {
		return kept{l, "known " + cause}
	}
	return m.fleet.pooled
}
