package readers

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"slices"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// How the clock of a boot comes to be known. A boot is placed once, when its
// first record is booked, and a machine's books never move because of a clock.
// So an agent that measures the server's clock is asked for a measurement
// first: its batch is answered, not booked, and comes again a moment later with
// the measurement that the answer made. Later measurements add lines to the
// map of the boot, each after the newest instant that the stream has booked by
// it; a verification that books all records again finds the same instants.
const (
	// goodEnough is the error of a measurement that needs no better one.
	goodEnough = 250 * time.Millisecond
	// maxAsked is how often a stream waits for one. A line that is so slow, or
	// a clock that is stepped all the time, must not keep records away.
	maxAsked = 3
	// stale is how far the instant of receipt may be from where a boot places
	// the sending. No batch is that long on its way: it is sent again.
	stale = time.Minute
)

// Unmeasured tells whether a batch has to wait for a measurement.
func (r *Row) Unmeasured(st *Stream, b *store.Batch) bool {
	c := b.Clock.Server
	if !c.Told || c.Measured && c.Error <= int64(goodEnough) || st.Asked >= maxAsked {
		return false
	}
	boot, named := b.Boots[b.Clock.Boot]
	if _, placed := r.Boots[BootKey{st.Agent, boot}]; !named || placed {
		return false
	}
	st.Asked++
	return true
}

// FollowClock adds what a batch measured to the map of the boot that sends.
func (st *Stream) FollowClock(b *store.Batch, c *Changes) {
	idx := b.Clock.Boot
	if _, placed := st.Places.Offsets[idx]; !placed || !tally.Measured(b) {
		return
	}
	booked, known := st.Booked[idx]
	if !known { // by an older version: nothing is from after the sending
		booked = b.Clock.Boottime
	}
	st.addLines(idx, tally.Follow(st.Places, b, booked, true), c)
}

func (st *Stream) addLines(idx uint32, lines []tally.Line, c *Changes) {
	for _, l := range lines {
		c.Lines = append(c.Lines, NewLine{st, idx, len(st.Places.Lines[idx]), l})
		st.Places.Lines[idx] = append(st.Places.Lines[idx], l)
	}
}

// Book notes how far a boot is booked in a stream.
func (st *Stream) Book(r *store.Record) {
	at := r.Boottime
	switch x := r.Kind.(type) {
	case *store.CountSpan:
		at = max(at, x.FromBoottime)
	case *store.StopEnd:
		at = max(at, x.Earliest)
	case *store.StopBegin, *store.StateGap, *store.LifeLink, nil:
	default:
		return // not booked in time
	}
	if was, ok := st.Booked[r.Boot]; ok && was >= at {
		return
	}
	st.Booked[r.Boot] = at
	if !slices.Contains(st.Touched, r.Boot) {
		st.Touched = append(st.Touched, r.Boot)
	}
}

// newest is the newest instant of a stream in Unix ms, 0 = none.
func (st *Stream) newest() int64 {
	t := int64(0)
	for idx, booked := range st.Booked {
		if _, placed := st.Places.Offsets[idx]; placed {
			t = max(t, st.Places.Free().At(idx, booked))
		}
	}
	return t
}

// Place makes sure that the boots of a record have their offset.
func (r *Row) Place(m *tally.Machine, st *Stream, b *store.Batch, rec *store.Record, c *Changes) {
	switch k := rec.Kind.(type) {
	case *store.StateGap:
		r.placeBoot(m, st, b, rec.Boot, c)
		r.placeBoot(m, st, b, k.FromBoot, c)
	case *store.CountSpan, *store.StopBegin, *store.StopEnd, *store.LifeLink, nil: // nil: a later version may book it
		r.placeBoot(m, st, b, rec.Boot, c)
	}
}

func (r *Row) placeBoot(m *tally.Machine, st *Stream, b *store.Batch, idx uint32, c *Changes) {
	if _, ok := st.Places.Offsets[idx]; ok {
		return
	}
	boot, named := b.Boots[idx]
	if !named {
		// A boot without a name is at least not the same as any other.
		sum := sha256.Sum256(binary.BigEndian.AppendUint32(slices.Clone(st.ID[:]), idx))
		copy(boot[:], sum[:])
	}
	key := BootKey{st.Agent, boot}
	offset, known := r.Boots[key]
	if !known {
		newest := int64(0)
		if m.Heard {
			newest = m.Last
		}
		fence := int64(0)
		if st.Fenced { // those of all machines of a box, a few seconds apart
			fence = st.Fence + 2*placing
		}
		offset = tally.Offset(b, idx, st.newest(), newest, fence)
		r.Boots[key] = offset
		c.Boots = append(c.Boots, key)
	}
	st.Boots[idx], st.Places.Offsets[idx] = boot, offset
	c.Placed = append(c.Placed, Placed{st, idx, boot})
	receipt := b.Received.UnixNano() - b.Clock.Boottime
	if now, ok := r.corrected(st, boot, b.Clock.Boottime); ok {
		offset = now
	}
	switch {
	case idx != b.Clock.Boot:
	case tally.Measured(b):
		st.addLines(idx, tally.Follow(st.Places, b, 0, false), c)
	case known && time.Duration(receipt-offset).Abs() > stale:
		// The server's clock was set since another stream had this boot placed.
		st.addLines(idx, []tally.Line{{From: math.MinInt64, Offset: receipt}}, c)
	case known && offset != st.Places.Offsets[idx]:
		st.addLines(idx, []tally.Line{{From: math.MinInt64, Offset: offset}}, c)
	}
}

// corrected is what is to be added to an instant of a boot as another stream of its
// box has learnt since the boot was placed, by the one that learnt last.
func (r *Row) corrected(st *Stream, boot store.ID, boottime int64) (offset int64, ok bool) {
	newest, num := int64(math.MinInt64), int64(0)
	for _, other := range r.Streams {
		if other == st || other.Agent != st.Agent {
			continue
		}
		for idx, id := range other.Boots {
			l := other.Places.Lines[idx]
			if id != boot || len(l) == 0 {
				continue
			}
			if at := l[len(l)-1].From; !ok || at > newest || at == newest && other.Num > num {
				offset, ok, newest, num = other.Places.Offset(idx, boottime), true, at, other.Num
			}
		}
	}
	return offset, ok
}
