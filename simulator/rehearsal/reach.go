package rehearsal

import (
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// When the streams of a machine are believed, and where their clocks stand, by
// the rules of store/sqlite.

// reach is the time in which a stream is believed, in Unix ms.
type reach struct {
	begun, covers, fenced, closed bool
	begin, fence                  int64
}

func (r *reach) restrict(at int64, closed bool) {
	if !r.fenced || at < r.fence {
		r.fenced, r.fence = true, at
	}
	r.closed = r.closed || closed
}

// after tells that stream a takes over from stream b.
func (m *memory) after(a, b *stream) bool {
	x, y := m.state.turns[seatKey{a.agent, a.machine}], m.state.turns[seatKey{b.agent, b.machine}]
	switch {
	case x != y:
		return x > y
	case a.begin != b.begin:
		return a.begin > b.begin
	}
	return a.num > b.num
}

// line puts a stream that begins into the row of its machine's streams.
func (m *memory) line(s *stream, begin int64) {
	s.begun, s.begin = true, begin
	for _, id := range m.state.order {
		other := m.state.streams[id]
		if other == s || other.machine != s.machine || !other.begun {
			continue
		}
		s.covers = s.covers || len(other.crcs) > 0
		if m.after(s, other) {
			other.restrict(begin, true)
		} else {
			s.restrict(other.begin, other.covers)
		}
	}
}

// believed returns how many fresh records come before the fence of a stream.
func (m *memory) believed(a *account, s *stream, b *store.Batch, fresh []store.Record) (int, string) {
	s.places.Lo, s.places.Hi = tally.Bound(b.Received)
	for i := range fresh {
		r := &fresh[i]
		if r.Boottime == 0 && r.Wall == 0 {
			continue
		}
		if s.begun && !s.fenced {
			break
		}
		m.placeBoot(a, s, b, r.Boot)
		at := s.places.At(r.Boot, r.Boottime)
		if !s.begun {
			m.line(s, at)
		}
		if s.fenced && at > s.fence {
			return i, handedOver
		}
	}
	return len(fresh), ""
}

const handedOver = "handed over to another reader"

// strange tells that a record speaks of a life that began after the hand-over.
func (a *account) strange(s *stream, r *store.Record) bool {
	if !s.closed {
		return false
	}
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		return !a.Knows(k.Life)
	case *store.LifeLink:
		return !a.Knows(k.New)
	}
	return false
}

// unmeasured tells whether a batch has to wait for a measurement of its clock.
func (m *memory) unmeasured(s *stream, b *store.Batch) bool {
	const goodEnough, maxAsked = 250 * time.Millisecond, 3
	c := b.Clock.Server
	if !c.Told || c.Measured && c.Error <= int64(goodEnough) || s.asked >= maxAsked {
		return false
	}
	boot, named := b.Boots[b.Clock.Boot]
	if _, placed := m.state.boots[bootKey{s.agent, boot}]; !named || placed {
		return false
	}
	s.asked++
	return true
}

func (s *stream) followClock(b *store.Batch) {
	boot := b.Clock.Boot
	if _, placed := s.places.Offsets[boot]; !placed || !tally.Measured(b) {
		return
	}
	booked, known := s.booked[boot]
	if !known {
		booked = b.Clock.Boottime
	}
	s.addLines(boot, tally.Follow(s.places, b, booked, true))
}

// addLines copies, because backups share what was there.
func (s *stream) addLines(boot uint32, lines []tally.Line) {
	was := s.places.Lines[boot]
	s.places.Lines[boot] = append(was[:len(was):len(was)], lines...)
}

// book notes how far a boot is booked.
func (s *stream) book(r *store.Record) {
	at := r.Boottime
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		at = max(at, k.FromBoottime)
	case *store.StopEnd:
		at = max(at, k.Earliest)
	case *store.StopBegin, *store.StateGap, *store.LifeLink, nil:
	default:
		return
	}
	if was, ok := s.booked[r.Boot]; !ok || was < at {
		s.booked[r.Boot] = at
	}
}

// newest is the newest instant of a stream in Unix ms, 0 = none.
func (s *stream) newest() (t int64) {
	for boot, booked := range s.booked {
		if _, placed := s.places.Offsets[boot]; placed {
			t = max(t, s.places.Free().At(boot, booked))
		}
	}
	return t
}

// place makes sure that the boots of a record have their offset.
func (m *memory) place(a *account, s *stream, b *store.Batch, r *store.Record) {
	switch k := r.Kind.(type) {
	case *store.StateGap:
		m.placeBoot(a, s, b, r.Boot)
		m.placeBoot(a, s, b, k.FromBoot)
	case *store.CountSpan, *store.StopBegin, *store.StopEnd, *store.LifeLink, nil:
		m.placeBoot(a, s, b, r.Boot)
	}
}

func (m *memory) placeBoot(a *account, s *stream, b *store.Batch, index uint32) {
	if _, ok := s.places.Offsets[index]; ok {
		return
	}
	boot, named := b.Boots[index]
	if !named {
		boot = store.ID{0: 0xff, 1: byte(s.num), 2: byte(index >> 8), 3: byte(index)}
	}
	key := bootKey{s.agent, boot}
	offset, known := m.state.boots[key]
	if !known {
		newest := int64(0)
		if a.Heard {
			newest = a.Last
		}
		offset = tally.Offset(b, index, s.newest(), newest)
		m.state.boots[key] = offset
	}
	s.places.Offsets[index] = offset
	if index == b.Clock.Boot && tally.Measured(b) {
		s.addLines(index, tally.Follow(s.places, b, 0, false))
	}
}
