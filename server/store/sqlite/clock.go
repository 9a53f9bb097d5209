package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"fmt"
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
)

func newPlaces() tally.Places {
	return tally.Places{Offsets: map[uint32]int64{}, Lines: map[uint32][]tally.Line{}}
}

// unmeasured tells whether a batch has to wait for a measurement.
func (k *work) unmeasured(st *stream, b *store.Batch) bool {
	c := b.Clock.Server
	if !c.Told || c.Measured && c.Error <= int64(goodEnough) || st.asked >= maxAsked {
		return false
	}
	boot, named := b.Boots[b.Clock.Boot]
	if _, placed := k.w.boots[bootKey{st.agent, boot}]; !named || placed {
		return false
	}
	st.asked++
	return true
}

// followClock adds what a batch measured to the map of the boot that sends.
func (k *work) followClock(st *stream, b *store.Batch) error {
	idx := b.Clock.Boot
	if _, placed := st.places.Offsets[idx]; !placed || !tally.Measured(b) {
		return nil
	}
	booked, known := st.booked[idx]
	if !known { // by an older version: nothing is from after the sending
		booked = b.Clock.Boottime
	}
	return k.addLines(st, idx, tally.Follow(st.places, b, booked, true))
}

func (k *work) addLines(st *stream, idx uint32, lines []tally.Line) error {
	for _, l := range lines {
		n := len(st.places.Lines[idx])
		if _, err := k.w.exec(k.ctx, `INSERT INTO boot_line (stream_num, idx, n, from_ns, offset_ns, rate, step) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			st.num, idx, n, l.From, l.Offset, l.Rate, l.Step); err != nil {
			return fmt.Errorf("store a correction of the clock of stream %x: %w", st.id, err)
		}
		st.places.Lines[idx] = append(st.places.Lines[idx], l)
		if l.Step {
			k.s.log.Warn("clock of an agent and the server's differ by more than any oscillator: one of them was set", "agent", st.agent, "machine", st.machine)
		}
	}
	return nil
}

// book notes how far a boot is booked in a stream.
func (st *stream) book(r *store.Record) {
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
	if was, ok := st.booked[r.Boot]; ok && was >= at {
		return
	}
	st.booked[r.Boot] = at
	if !slices.Contains(st.touched, r.Boot) {
		st.touched = append(st.touched, r.Boot)
	}
}

// newest is the newest instant of a stream in Unix ms, 0 = none.
func (st *stream) newest() int64 {
	t := int64(0)
	for idx, booked := range st.booked {
		if _, placed := st.places.Offsets[idx]; placed {
			t = max(t, st.places.Free().At(idx, booked))
		}
	}
	return t
}

// saveBooked writes how far boots are booked.
func (k *work) saveBooked(st *stream) error {
	for _, idx := range st.touched {
		if _, err := k.w.exec(k.ctx, `UPDATE stream_boot SET booked_ns = ? WHERE stream_num = ? AND idx = ?`, st.booked[idx], st.num, idx); err != nil {
			return fmt.Errorf("store the clock of stream %x: %w", st.id, err)
		}
	}
	st.touched = st.touched[:0]
	return nil
}

// loadClocks reads the boots of the streams.
func (w *writer) loadClocks(ctx context.Context, byNum map[int64]*stream) error {
	find := func(num int64) (*stream, error) {
		if st := byNum[num]; st != nil {
			return st, nil
		}
		return nil, fmt.Errorf("boot of stream number %d, which is not in the store: %w", num, store.ErrDamaged)
	}
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		var num int64
		var idx uint32
		var b []byte
		var booked sql.NullInt64
		if err := rows.Scan(&num, &idx, &b, &booked); err != nil {
			return err
		}
		st, err := find(num)
		if err != nil {
			return err
		}
		st.boots[idx] = id(b)
		if o, ok := w.boots[bootKey{st.agent, id(b)}]; ok {
			st.places.Offsets[idx] = o
		}
		if booked.Valid {
			st.booked[idx] = booked.Int64
		}
		return nil
	}, `SELECT stream_num, idx, boot, booked_ns FROM stream_boot`)
	if err != nil {
		return err
	}
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var num int64
		var idx uint32
		var l tally.Line
		if err := rows.Scan(&num, &idx, &l.From, &l.Offset, &l.Rate, &l.Step); err != nil {
			return err
		}
		st, err := find(num)
		if err == nil {
			st.places.Lines[idx] = append(st.places.Lines[idx], l)
		}
		return err
	}, `SELECT stream_num, idx, from_ns, offset_ns, rate, step FROM boot_line ORDER BY stream_num, idx, n`)
}

// place makes sure that the boots of a record have their offset.
func (k *work) place(m *machine, st *stream, b *store.Batch, r *store.Record) error {
	switch r.Kind.(type) {
	case *store.CountSpan, *store.StopBegin, *store.StopEnd, *store.StateGap, *store.LifeLink, nil: // nil: a later version may book it
	default:
		return nil // not booked in time
	}
	if err := k.placeBoot(m, st, b, r.Boot); err != nil {
		return err
	}
	if g, ok := r.Kind.(*store.StateGap); ok {
		return k.placeBoot(m, st, b, g.FromBoot)
	}
	return nil
}

func (k *work) placeBoot(m *machine, st *stream, b *store.Batch, idx uint32) error {
	if _, ok := st.places.Offsets[idx]; ok {
		return nil
	}
	boot, named := b.Boots[idx]
	if !named {
		// A boot without a name is at least not the same as any other.
		h := sha256.New()
		h.Write(st.id[:])
		_ = binary.Write(h, binary.BigEndian, idx)
		boot = id(h.Sum(nil))
	}
	key := bootKey{st.agent, boot}
	offset, known := k.w.boots[key]
	if !known {
		newest := int64(0)
		if m.Heard {
			newest = m.Last
		}
		offset = tally.Offset(b, idx, st.newest(), newest)
		k.w.boots[key] = offset
		if _, err := k.w.exec(k.ctx, `INSERT INTO boot (agent, id, offset_ns) VALUES (?, ?, ?)`, st.agent, boot[:], offset); err != nil {
			return fmt.Errorf("store a boot of agent %s: %w", st.agent, err)
		}
	}
	st.boots[idx], st.places.Offsets[idx] = boot, offset
	if _, err := k.w.exec(k.ctx, `INSERT OR REPLACE INTO stream_boot (stream_num, idx, boot) VALUES (?, ?, ?)`, st.num, idx, boot[:]); err != nil {
		return fmt.Errorf("store a boot of stream %x: %w", st.id, err)
	}
	if idx == b.Clock.Boot && tally.Measured(b) {
		return k.addLines(st, idx, tally.Follow(st.places, b, 0, false))
	}
	return nil
}
