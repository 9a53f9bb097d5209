package calendar

import (
	"slices"
	"time"
)

// walk goes through working time span by span, day by day.
type walk struct {
	c       Calendar
	closed  []Span // sorted, not overlapping
	at      time.Time
	y, d    int // local day that comes next; d runs on past the month's end
	m       time.Month
	days    int
	pending []Span
	span    Span
}

func (c Calendar) walk(from time.Time) *walk {
	// A shift of a whole day that started two days ago by the wall may still run
	// where the zone skips or repeats hours.
	y, m, d := from.In(c.zone()).Date()
	return &walk{c: c, closed: merge(c.Closed, from), at: from, y: y, m: m, d: d - 2}
}

// next moves to the next working span that begins before to.
func (w *walk) next(to time.Time) bool {
	for {
		if len(w.pending) == 0 {
			if w.days > 2*horizonDays {
				return false
			}
			w.days++
			w.pending = w.c.day(w.y, w.m, w.d)
			w.d++
			if len(w.pending) == 0 && w.days%7 == 0 && w.c.wall(w.y, w.m, w.d-1, 0).After(to) {
				return false
			}
			continue
		}
		s := w.pending[0]
		w.pending = w.pending[1:]
		if s.From.Before(w.at) {
			s.From = w.at // seen already, or covered by the shift before
		}
		if !s.From.Before(to) {
			return false
		}
		if s.To.After(to) {
			s.To = to
		}
		if !s.From.Before(s.To) {
			continue
		}
		open, rest := w.cut(s)
		if rest.From.Before(rest.To) {
			w.pending = slices.Insert(w.pending, 0, rest)
		}
		if !open.From.Before(open.To) {
			continue
		}
		w.span, w.at = open, open.To
		return true
	}
}

// cut takes the part of s before the first closed span off; rest is what lies
// behind that closed span.
func (w *walk) cut(s Span) (open, rest Span) {
	for len(w.closed) > 0 && !w.closed[0].To.After(s.From) {
		w.closed = w.closed[1:]
	}
	if len(w.closed) == 0 || !w.closed[0].From.Before(s.To) {
		return s, Span{}
	}
	gap := w.closed[0]
	open, rest = s, s
	open.To, rest.From = gap.From, gap.To
	return open, rest
}

// merge sorts closed spans that end after from and joins those that overlap.
func merge(closed []Span, from time.Time) []Span {
	spans := make([]Span, 0, len(closed))
	for _, s := range closed {
		if s.From.Before(s.To) && s.To.After(from) {
			spans = append(spans, s)
		}
	}
	slices.SortFunc(spans, func(a, b Span) int { return a.From.Compare(b.From) })
	out := spans[:0]
	for _, s := range spans {
		if n := len(out); n > 0 && !s.From.After(out[n-1].To) {
			if s.To.After(out[n-1].To) {
				out[n-1].To = s.To
			}
			continue
		}
		out = append(out, s)
	}
	return out
}
