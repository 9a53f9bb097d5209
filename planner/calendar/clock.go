package calendar

import (
	"sort"
	"time"
)

// Clock counts working time from one instant on. It answers what [Calendar.Working]
// and [Calendar.After] answer for that instant, but walks the calendar once
// for all questions; a plan asks thousands. Not for use by several goroutines.
type Clock struct {
	walk  *walk
	start time.Time
	end   time.Time
	spans []Span
	done  []time.Duration // working time up to the end of each span
	ended bool
}

// From gives the clock that starts at t.
func (c Calendar) From(t time.Time) *Clock {
	return &Clock{walk: c.walk(t), start: t, end: t.AddDate(0, 0, horizonDays)}
}

// Working is the working time from the clock's start to t; 0 before the start.
func (k *Clock) Working(t time.Time) time.Duration {
	for !k.ended && (len(k.spans) == 0 || k.spans[len(k.spans)-1].To.Before(t)) {
		k.grow()
	}
	i := sort.Search(len(k.spans), func(i int) bool { return k.spans[i].To.After(t) })
	var sum time.Duration
	if i > 0 {
		sum = k.done[i-1]
	}
	if i < len(k.spans) && t.After(k.spans[i].From) {
		sum += t.Sub(k.spans[i].From)
	}
	return sum
}

// After is the earliest time at which the working time since the start has reached
// work; false if the calendar does not give so much within ten years.
func (k *Clock) After(work time.Duration) (time.Time, bool) {
	if work <= 0 {
		return k.start, true
	}
	for !k.ended && k.total() < work {
		k.grow()
	}
	i := sort.Search(len(k.done), func(i int) bool { return k.done[i] >= work })
	if i == len(k.done) {
		return time.Time{}, false
	}
	return k.spans[i].To.Add(work - k.done[i]), true
}

func (k *Clock) total() time.Duration {
	if len(k.done) == 0 {
		return 0
	}
	return k.done[len(k.done)-1]
}

func (k *Clock) grow() {
	if !k.walk.next(k.end) {
		k.ended = true
		return
	}
	k.done = append(k.done, k.total()+k.walk.span.Length())
	k.spans = append(k.spans, k.walk.span)
}
