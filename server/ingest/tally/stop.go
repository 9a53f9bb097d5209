package tally

import (
	"turnwise/server/store"
)

// Doff is the cause of the stops in which a full roll is taken off.
const Doff = "doff"

// find returns a stop by id, or nil.
func (m *Machine) find(id store.ID, c *Changes) *Stop {
	if s := c.Stops[id]; s != nil {
		return s
	}
	if m.Open != nil && m.Open.ID == id {
		return m.Open
	}
	if c.Find == nil {
		return nil
	}
	return c.Find(id)
}

func (m *Machine) stopBegin(stream int64, k *store.StopBegin, t int64, c *Changes) string {
	if k.Stop == (store.ID{}) {
		return "stop without an id"
	}
	m.watch(stream, t, t, byState, "", c)
	s := m.find(k.Stop, c)
	if s != nil && s.Begun {
		m.goesOn(s, stream, t, c)
		return ""
	}
	orphan := s != nil // its end came first
	if !orphan {
		s = &Stop{ID: k.Stop}
	}
	s.Begun, s.Begin = true, t
	s.Cause, s.Side, s.Input, s.Revolutions = k.Cause, k.Side, k.Input, m.Revolutions
	c.Stops[s.ID] = s
	if s.Input {
		m.Stops++
		c.Causes[s.Cause]++
		c.at(CellStart(t, Fine)).Stops++
	}
	switch {
	case orphan:
		s.Begin = min(s.Begin, s.End)
		m.doffed(s, stream)
	case stream == m.Stream:
		m.closeOpen(t, c)
		m.Open, m.Since = s, t
	default:
		// Late word from a stream that is no longer in charge: its end will
		// tell how long the stop was.
		s.Ended, s.End, s.Latest = true, t, t
	}
	return ""
}

// goesOn opens a stop again that was closed because its reader was replaced: the new
// one found the machine still held in it. A stop whose end was told stays ended.
func (m *Machine) goesOn(s *Stop, stream int64, t int64, c *Changes) {
	if stream != m.Stream || s.Sure || m.Open != nil && m.Open.ID == s.ID {
		return
	}
	m.closeOpen(t, c)
	s.Ended, s.End, s.Latest = false, 0, 0
	c.Stops[s.ID] = s
	m.Open, m.Since = s, t
}

// closeOpen ends the open stop where its own end was not told.
func (m *Machine) closeOpen(t int64, c *Changes) {
	if m.Open == nil {
		return
	}
	s := m.Open
	s.Ended, s.End, s.Latest = true, max(t, s.Begin), max(t, s.Begin)
	c.Stops[s.ID] = s
	m.Open, m.Since = nil, s.End
}

func (m *Machine) stopEnd(stream int64, k *store.StopEnd, r *store.Record, t int64, place Places, c *Changes) string {
	if k.Stop == (store.ID{}) {
		return "stop without an id"
	}
	earliest := t
	if k.Earliest != 0 {
		earliest = min(place.At(r.Boot, k.Earliest), t)
	}
	h := byState
	if earliest < t {
		h = unknown
	}
	m.watch(stream, earliest, t, h, "end of the stop not watched", c)
	s := m.find(k.Stop, c)
	if s == nil {
		s = &Stop{ID: k.Stop}
	}
	if k.Earliest != 0 && s.Unwatched {
		// The boot in which it ended says little: it was last seen before.
		earliest = min(earliest, s.Seen)
	}
	if s.Begun {
		earliest, t = max(earliest, s.Begin), max(t, s.Begin)
	}
	switch {
	case s.Sure && s.End <= earliest:
		return ""
	case s.Sure:
		s.End, s.Latest = earliest, max(earliest, min(t, s.Latest))
		c.Stops[s.ID] = s
		return ""
	}
	s.Ended, s.Sure, s.End, s.Latest = true, true, earliest, t
	c.Stops[s.ID] = s
	if m.Open != nil && m.Open.ID == s.ID {
		m.Open, m.Since = nil, t
	}
	if s.Begun {
		m.doffed(s, stream)
	}
	return ""
}

// doffed counts a finished doff. The roll begins anew at the revolutions
// booked so far, unless this is late word of an older doff.
func (m *Machine) doffed(s *Stop, stream int64) {
	if s.Cause != Doff || !s.Input {
		return
	}
	m.Doffs++
	if stream == m.Stream {
		m.DoffAt = m.Revolutions
	}
}

func (m *Machine) gap(stream int64, k *store.StateGap, r *store.Record, t int64, place Places, c *Changes) string {
	if k.FromBoot == r.Boot && k.FromBoottime > r.Boottime {
		return "gap ends before it begins"
	}
	from := min(place.Or(k.FromBoot, k.FromBoottime, k.FromWall), t)
	h := unknown
	if k.StopContinued && m.Open != nil && stream == m.Stream {
		h = byState
	}
	m.watch(stream, from, t, h, k.Reason, c)
	if s := m.Open; s != nil && h == unknown && stream == m.Stream && !s.Unwatched && from >= s.Begin {
		s.Unwatched, s.Seen = true, from
		c.Stops[s.ID] = s
	}
	return ""
}
