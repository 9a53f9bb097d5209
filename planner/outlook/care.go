package outlook

import (
	"slices"

	"turnwise/planner/forecast"
)

// care is when a machine stands for its care at the latest, in working minutes without
// the care before: each begins as late as it may, not before its time, one after the
// other. Care whose numbers cannot be believed, or that has no latest, delays nothing.
func (d *desk) care(m *Machine) []forecast.Pause {
	var due []Care
	for _, c := range m.Care {
		if c.Minutes > 0 && c.Minutes <= longestStop.Minutes() && !c.Latest.IsZero() && c.Latest.Before(d.now.AddDate(1, 0, 0)) {
			due = append(due, c)
		}
	}
	slices.SortStableFunc(due, func(a, b Care) int { return a.Latest.Compare(b.Latest) })
	var out []forecast.Pause
	clear, done := 0.0, 0.0 // until when there is care, and how much of it
	for _, c := range due {
		start := max(d.clock.Working(c.Latest).Minutes()-c.Minutes, d.clock.Working(c.Earliest).Minutes(), clear)
		out = append(out, forecast.Pause{At: start - done, Minutes: c.Minutes})
		clear, done = start+c.Minutes, done+c.Minutes
	}
	return out
}

// cared is a mean working time with the care that comes before.
func (q *queue) cared(minutes float64) float64 {
	sum := minutes
	for _, p := range q.care {
		if p.At < minutes {
			sum += p.Minutes
		}
	}
	return sum
}

// caredFor says that the book tells of a cause as care, which must not come twice.
func (q *queue) caredFor(cause string) bool {
	return slices.ContainsFunc(q.m.Care, func(c Care) bool { return c.Kind == cause })
}
