// Package calendar says when a mill works. Shifts are kept as local wall time in
// an IANA zone; their real length follows the zone, so a night shift may be 7 or 9
// hours long. The one rule: working time is real elapsed time inside shifts and
// outside closed spans. It asks no clock and knows no machine.
//
// A calendar without shifts works round the clock, but for its closed spans: a
// mill that has not told its shifts is not taken for a closed one.
package calendar

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// ErrCalendar is inside every error of [Calendar.Validate].
var ErrCalendar = errors.New("calendar is not usable")

const (
	dayMinutes = 24 * 60
	// horizon bounds every search: a calendar that gives no working minute for ten
	// years gives none.
	horizonDays = 3660
	// A walk looks at days that began two days before, by the wall.
	longestExtra = 24 * time.Hour
)

// Shift is a stretch of local wall time that repeats on days of the week. It
// belongs to the day on which it starts, to its end.
type Shift struct {
	Name string
	// From and To are minutes after local midnight, 0 to 1440. To at or before From
	// is on the next day; both equal is a shift of a whole day.
	From, To int
	// Days says by [time.Weekday] of the start whether the shift is worked.
	Days [7]bool
}

// Span is a stretch of real time, To not included.
type Span struct {
	From, To time.Time
	Name     string
}

// Length of the span.
func (s Span) Length() time.Duration { return s.To.Sub(s.From) }

// Calendar is the working time of a mill. The zero value works round the clock in UTC.
type Calendar struct {
	Zone *time.Location // nil = UTC
	// DayStarts is where the mill's day begins, minutes after local midnight, for
	// instants outside every shift and for a calendar without shifts.
	DayStarts int
	Shifts    []Shift
	// Closed spans are not worked whatever the shifts say. They may overlap.
	Closed []Span
	// Extra spans are worked beside the shifts, each at most a day long. They may
	// overlap shifts and each other; closed time stays closed. Without shifts
	// there is nothing to add to.
	Extra []Span
}

// Validate joins all faults: minutes out of range, shifts on no day, shifts that
// overlap in the week, closed spans that end before they begin.
func (c Calendar) Validate() error {
	var errs []error
	bad := func(what, found, expected, repair string) {
		errs = append(errs, fmt.Errorf("%w: %s is %s, expected %s; %s", ErrCalendar, what, found, expected, repair))
	}
	if c.DayStarts < 0 || c.DayStarts >= dayMinutes {
		bad("start of the day", fmt.Sprint(c.DayStarts), "0 to 1439 minutes after midnight", `write for example "06:00"`)
	}
	var weekly []weekSpan
	for _, s := range c.Shifts {
		switch {
		case s.From < 0 || s.From >= dayMinutes || s.To < 0 || s.To > dayMinutes:
			bad("shift "+s.Name, fmt.Sprintf("%d to %d", s.From, s.To), "0 to 1440 minutes after midnight", "correct its from and to")
			continue
		case s.Days == [7]bool{}:
			bad("shift "+s.Name, "on no day", "one day of the week or more", "name its days or take it out")
			continue
		}
		weekly = append(weekly, s.week()...)
	}
	slices.SortStableFunc(weekly, func(a, b weekSpan) int { return a.from - b.from })
	const week = 7 * dayMinutes
	for i, a := range weekly {
		next := weekly[(i+1)%len(weekly)]
		if i+1 == len(weekly) {
			next.from += week
		}
		if a.to > next.from {
			bad("shift "+a.name, "running into shift "+next.name, "shifts that do not overlap", "end one where the other begins")
		}
	}
	for _, s := range c.Closed {
		if !s.From.Before(s.To) {
			bad("closed span "+s.Name, s.From.Format(time.RFC3339)+" to "+s.To.Format(time.RFC3339), "a beginning before its end", "swap or correct them")
		}
	}
	for _, s := range c.Extra {
		if !s.From.Before(s.To) || s.Length() > longestExtra {
			bad("extra time "+s.Name, s.From.Format(time.RFC3339)+" to "+s.To.Format(time.RFC3339), "a beginning before its end, at most 24 h apart", "correct them, or enter a span for each day")
		}
	}
	return errors.Join(errs...)
}

type weekSpan struct {
	from, to int // minutes after Sunday's midnight
	name     string
}

func (s Shift) week() []weekSpan {
	var spans []weekSpan
	for d, on := range s.Days {
		if on {
			from := d*dayMinutes + s.From
			spans = append(spans, weekSpan{from, from + s.minutes(), s.Name})
		}
	}
	return spans
}

// minutes is the wall length.
func (s Shift) minutes() int {
	if s.To > s.From {
		return s.To - s.From
	}
	return s.To - s.From + dayMinutes
}

// At gives the whole shift that t lies in, closed spans not cut out, and whether
// t is working time. Outside every shift the span is zero. Without shifts the
// span is the mill's day.
func (c Calendar) At(t time.Time) (Span, bool) {
	local := t.In(c.zone())
	y, m, d := local.Date()
	for ago := 2; ago >= 0; ago-- {
		for _, s := range c.day(y, m, d-ago) {
			if !t.Before(s.From) && t.Before(s.To) {
				return s, !c.closed(t)
			}
		}
	}
	return Span{}, false
}

// Day gives local midnight of the mill's day that t belongs to: the day its shift
// started, else the day by DayStarts.
func (c Calendar) Day(t time.Time) time.Time {
	if s, _ := c.At(t); !s.From.IsZero() && len(c.Shifts) > 0 {
		t = s.From
		y, m, d := t.In(c.zone()).Date()
		return c.wall(y, m, d, 0)
	}
	y, m, d := t.In(c.zone()).Date()
	if t.Before(c.wall(y, m, d, c.DayStarts)) {
		d--
	}
	return c.wall(y, m, d, 0)
}

// Spans gives the working time in [from, to) as spans in order, cut at closed
// spans and at the two ends.
func (c Calendar) Spans(from, to time.Time) []Span {
	var spans []Span
	for w := c.walk(from); w.next(to); {
		spans = append(spans, w.span)
	}
	return spans
}

// Working is the working time in [from, to); 0 if to is not after from.
func (c Calendar) Working(from, to time.Time) time.Duration {
	var sum time.Duration
	for w := c.walk(from); w.next(to); {
		sum += w.span.Length()
	}
	return sum
}

// After is the earliest time at which the working time since t has reached work.
// No work gives t itself. It is false if the calendar does not give so much within
// ten years.
func (c Calendar) After(t time.Time, work time.Duration) (time.Time, bool) {
	if work <= 0 {
		return t, true
	}
	end := t.AddDate(0, 0, horizonDays)
	for w := c.walk(t); w.next(end); {
		if l := w.span.Length(); l < work {
			work -= l
			continue
		}
		return w.span.From.Add(work), true
	}
	return time.Time{}, false
}

func (c Calendar) zone() *time.Location {
	if c.Zone == nil {
		return time.UTC
	}
	return c.Zone
}

func (c Calendar) closed(t time.Time) bool {
	return slices.ContainsFunc(c.Closed, func(s Span) bool { return !t.Before(s.From) && t.Before(s.To) })
}

// day gives the shifts and the extra time that start on a local day, in order of
// their beginnings.
func (c Calendar) day(y int, m time.Month, d int) []Span {
	if len(c.Shifts) == 0 {
		return []Span{{c.wall(y, m, d, c.DayStarts), c.wall(y, m, d+1, c.DayStarts), "day"}}
	}
	weekday := time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Weekday()
	var spans []Span
	for _, s := range c.Shifts {
		if !s.Days[weekday] {
			continue
		}
		span := Span{c.wall(y, m, d, s.From), c.wall(y, m, d, s.From+s.minutes()), s.Name}
		if span.From.Before(span.To) { // a shift inside the hour that spring leaves out has no length
			spans = append(spans, span)
		}
	}
	for _, s := range c.Extra {
		if ey, em, ed := s.From.In(c.zone()).Date(); time.Date(ey, em, ed, 0, 0, 0, 0, time.UTC).Equal(time.Date(y, m, d, 0, 0, 0, 0, time.UTC)) && s.Length() <= longestExtra {
			spans = append(spans, s)
		}
	}
	slices.SortStableFunc(spans, func(a, b Span) int { return a.From.Compare(b.From) })
	return spans
}

// wall gives the instant of a local wall time. An hour that comes twice is taken
// the first time; an hour that is left out is taken as the moment the clock jumps.
// So shifts that meet on the wall meet in real time.
func (c Calendar) wall(y int, m time.Month, d, minute int) time.Time {
	zone := c.zone()
	naive := time.Date(y, m, d, 0, minute, 0, 0, time.UTC)
	early := offsetAt(naive.Add(-24*time.Hour), zone)
	late := offsetAt(naive.Add(24*time.Hour), zone)
	first, second := naive.Add(-early), naive.Add(-late)
	if early < late { // second is the earlier instant
		first, second = second, first
	}
	for _, t := range [...]time.Time{first, second} {
		if offsetAt(t, zone) == naive.Sub(t) {
			return t.In(zone)
		}
	}
	// Left out: the later candidate lies just behind the jump.
	jump, _ := second.In(zone).ZoneBounds()
	if jump.IsZero() || jump.Before(first.Add(-24*time.Hour)) {
		return second.In(zone)
	}
	return jump.In(zone)
}

func offsetAt(t time.Time, zone *time.Location) time.Duration {
	_, seconds := t.In(zone).Zone()
	return time.Duration(seconds) * time.Second
}
