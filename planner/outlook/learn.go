package outlook

import (
	"slices"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
)

// Learn pools the histories of all machines for [Snapshot.Fleet].
func Learn(histories []forecast.History) *forecast.Fleet {
	return forecast.Learn(histories, causeSetup, causeNoOrder).Ready()
}

// learn is Learn of the snapshot's own histories.
func (s *Snapshot) learn() *forecast.Fleet {
	histories := make([]forecast.History, len(s.Machines))
	for i, m := range s.Machines {
		histories[i] = m.History
		histories[i].Machine = m.ID
	}
	return Learn(histories)
}

// Class is the kind of shift by its name, as the stretches of histories tell it, see
// [forecast.Stretch]: 0 for time that no shift has, extra time for example.
func Class(c calendar.Calendar, shift string) int {
	return 1 + slices.IndexFunc(c.Shifts, func(s calendar.Shift) bool { return s.Name == shift })
}

// ShiftNumber is the running number of a shift for [forecast.Stretch]: the hour in which
// it began.
func ShiftNumber(s calendar.Span) int { return max(int(s.From.Unix()/3600), 1) }

// shiftAhead is a stretch of one shift in working minutes from now.
type shiftAhead struct {
	until float64
	class int
}

// aheadDays are looked at for kinds of shifts; what comes later is as usual.
const aheadDays = 35

// shiftsAhead lists the shifts from now on; nil for a mill without kinds of shifts.
func shiftsAhead(c calendar.Calendar, now time.Time) []shiftAhead {
	if len(c.Shifts) < 2 {
		return nil
	}
	var out []shiftAhead
	sum := 0.0
	for _, s := range c.Spans(now, now.AddDate(0, 0, aheadDays)) {
		sum += s.Length().Minutes()
		out = append(out, shiftAhead{sum, Class(c, s.Name)})
	}
	return out
}

// classMinutes shares running minutes out to the kinds of shifts between two working
// minutes from now, by [forecast.Stretch] class; nil if they are not known.
func classMinutes(ahead []shiftAhead, from, to, run float64) []float64 {
	var out []float64
	begin, sum := 0.0, 0.0
	for _, s := range ahead {
		if in := min(to, s.until) - max(from, begin); in > 0 {
			for len(out) <= s.class {
				out = append(out, 0)
			}
			out[s.class] += in
			sum += in
		}
		if begin = s.until; begin >= to {
			break
		}
	}
	if !(sum > 0) || len(ahead) == 0 {
		return nil
	}
	// What lies beyond is shared out as the shifts that are known.
	for i := range out {
		out[i] *= run / sum
	}
	return out
}

// orders gives the order that all jobs are for, empty if they are several, and how many
// orders they are.
func orders(jobs []work) (only string, n int) {
	var seen []string
	for i := range jobs {
		if jobs[i].kg > 0 && !slices.Contains(seen, jobs[i].job.Order) {
			seen = append(seen, jobs[i].job.Order)
		}
	}
	if len(seen) == 1 {
		only = seen[0]
	}
	return only, len(seen)
}
