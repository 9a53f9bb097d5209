package alarm

import (
	"maps"
	"slices"
	"time"
)

// Bounds of a flood and the window in which calls are counted. Ten alarms in
// ten minutes, over when fewer than five come in ten: ANSI/ISA-18.2, from memory.
const (
	LoadWindow = 10 * time.Minute
	floodFrom  = 10
	floodUntil = 5
)

// Call is one thing that was asked of one person: an alarm told, or a task
// that fell due. A person is a set of machines.
type Call struct {
	At     time.Time
	Person string
	Alarm  bool
	// Walk that the person was called to with this task. Tasks of one walk are one
	// call, at the first of them; a task without is a call of its own.
	Walk string
}

// Load is what was asked of one person between two instants.
type Load struct {
	Calls, Alarms int // walks called to, alarms told
	Tasks         int // of those walks
	// Of ten minutes.
	MeanCalls, MeanTasks, MeanAlarms float64

	Worst       int // calls and alarms in any ten minutes
	WorstAt     time.Time
	WorstAlarms int
	Floods      []Flood
}

// Flood is a time in which alarms come faster than a person can answer them.
type Flood struct {
	From, To time.Time // To = the last instant of the window when it did not end
	Alarms   int
}

// LoadOf adds up the calls of [from, to). Calls need not be in order. The worst
// ten minutes may begin at any instant, not at full tens of the clock.
func LoadOf(calls []Call, from, to time.Time) Load {
	var l Load
	var all, alarms []time.Time
	walks := map[string]time.Time{}
	for _, c := range calls {
		if c.At.Before(from) || !c.At.Before(to) {
			continue
		}
		switch first, known := walks[c.Walk]; {
		case c.Alarm:
			alarms = append(alarms, c.At)
			all = append(all, c.At)
		case c.Walk == "":
			l.Tasks++
			all = append(all, c.At)
		default:
			l.Tasks++
			if !known || c.At.Before(first) {
				walks[c.Walk] = c.At
			}
		}
	}
	all = slices.AppendSeq(all, maps.Values(walks))
	slices.SortFunc(all, time.Time.Compare)
	slices.SortFunc(alarms, time.Time.Compare)
	l.Alarms, l.Calls = len(alarms), len(all)-len(alarms)
	if tens := float64(to.Sub(from)) / float64(LoadWindow); tens > 0 {
		l.MeanCalls, l.MeanTasks, l.MeanAlarms = float64(l.Calls)/tens, float64(l.Tasks)/tens, float64(l.Alarms)/tens
	}
	l.Worst, l.WorstAt = worst(all)
	l.WorstAlarms, _ = worst(alarms)
	l.Floods = floods(alarms, to)
	return l
}

// worst is the most instants in any window, and where that begins. at is sorted.
func worst(at []time.Time) (n int, from time.Time) {
	first := 0
	for i := range at {
		for at[i].Sub(at[first]) >= LoadWindow {
			first++
		}
		if i-first+1 > n {
			n, from = i-first+1, at[first]
		}
	}
	return n, from
}

// floods finds the times from the tenth alarm in ten minutes until fewer than
// five are in ten minutes. at is sorted.
func floods(at []time.Time, to time.Time) []Flood {
	var out []Flood
	first, open := 0, false
	for i := range at {
		if open {
			// Alarms leave the window between two that come: the flood ends when
			// the fifth newest is ten minutes old.
			if end := at[i-floodUntil].Add(LoadWindow); !end.After(at[i]) {
				out[len(out)-1].To, open = end, false
			} else {
				out[len(out)-1].Alarms++
				continue
			}
		}
		for at[i].Sub(at[first]) >= LoadWindow {
			first++
		}
		if n := i - first + 1; n >= floodFrom {
			out, open = append(out, Flood{From: at[i], To: to, Alarms: n}), true
		}
	}
	if open {
		if end := at[len(at)-floodUntil].Add(LoadWindow); end.Before(to) {
			out[len(out)-1].To = end
		}
	}
	return out
}

// Standing tells whether an alarm holds for too long without anybody having
// decided about it.
func (p *Point) Standing(now time.Time, most time.Duration) bool {
	return p.Active && !p.State().Hidden() && now.Sub(p.Raised) > most
}
