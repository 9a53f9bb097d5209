package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// saveReaders writes what was decided about streams and their clocks.
func (k *work) saveReaders() error {
	if err := k.saveBegun(); err != nil {
		return err
	}
	for _, b := range k.readers.Boots {
		if _, err := k.w.exec(k.ctx, `INSERT INTO boot (agent, id, offset_ns) VALUES (?, ?, ?)`, b.Agent, b.ID[:], k.w.Boots[b]); err != nil {
			return fmt.Errorf("store a boot of agent %s: %w", b.Agent, err)
		}
	}
	for _, p := range k.readers.Placed {
		if _, err := k.w.exec(k.ctx, `INSERT OR REPLACE INTO stream_boot (stream_num, idx, boot) VALUES (?, ?, ?)`, p.Stream.Num, p.Index, p.Boot[:]); err != nil {
			return fmt.Errorf("store a boot of stream %x: %w", p.Stream.ID, err)
		}
	}
	for _, l := range k.readers.Lines {
		if _, err := k.w.exec(k.ctx, `INSERT INTO boot_line (stream_num, idx, n, from_ns, offset_ns, rate, step) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			l.Stream.Num, l.Index, l.N, l.From, l.Offset, l.Rate, l.Step); err != nil {
			return fmt.Errorf("store a correction of the clock of stream %x: %w", l.Stream.ID, err)
		}
		if l.Step {
			k.s.log.Warn("clock of an agent and the server's differ by more than any oscillator: one of them was set", "agent", l.Stream.Agent, "machine", l.Stream.Machine)
		}
	}
	for _, st := range k.readers.Ended {
		k.s.log.Warn("stream ends where another one begins", "agent", st.Agent, "machine", st.Machine, "stream", fmt.Sprintf("%x", st.ID), "believed_until", ms(st.Fence))
	}
	for _, st := range slices.SortedFunc(maps.Keys(k.readers.Streams), func(a, b *stream) int { return cmp.Compare(a.Num, b.Num) }) {
		if err := k.saveStream(st); err != nil {
			return fmt.Errorf("store stream %x: %w", st.ID, err)
		}
	}
	return nil
}

// saveBegun writes the streams that began, which other rows name.
func (k *work) saveBegun() error {
	for _, st := range k.readers.Forgot {
		for _, forget := range []string{`DELETE FROM boot_line WHERE stream_num = ?`, `DELETE FROM stream_boot WHERE stream_num = ?`, `DELETE FROM stream WHERE num = ?`} {
			if _, err := k.w.exec(k.ctx, forget, st.Num); err != nil {
				return fmt.Errorf("forget stream %x that never spoke: %w", st.ID, err)
			}
		}
	}
	for _, st := range k.readers.New {
		m := k.w.machines[st.Machine]
		if _, err := k.w.exec(k.ctx, `INSERT INTO stream (num, id, agent, machine_num, acked, horizon, records, run, run_boot, run_boottime, past_runs, frozen)
			VALUES (?, ?, ?, ?, 0, 0, 0, ?, ?, ?, x'', '')`, st.Num, st.ID[:], st.Agent, m.num, st.Run.ID[:], st.Run.Boot[:], st.Run.Boottime); err != nil {
			return fmt.Errorf("begin stream %x: %w", st.ID, err)
		}
	}
	k.readers.Forgot, k.readers.New = nil, nil
	return nil
}

func (k *work) saveStream(st *stream) error {
	past := make([]byte, 0, len(st.Past)*len(store.ID{}))
	for _, p := range st.Past {
		past = append(past, p[:]...)
	}
	begin, fence, met := sql.NullInt64{Int64: st.Begin, Valid: st.Begun}, sql.NullInt64{Int64: st.Fence, Valid: st.Fenced}, sql.NullInt64{Int64: st.Met, Valid: st.Met != 0}
	if _, err := k.w.exec(k.ctx, `UPDATE stream SET acked = ?, records = ?, run = ?, run_boot = ?, run_boottime = ?, past_runs = ?, frozen = ?,
		begin_ms = ?, covers = ?, fence_ms = ?, closed = ?, unread = ?, met_ms = ?, vague = ?, late = ?, buried = ?, back_ms = ? WHERE num = ?`,
		int64(st.Acked), st.Records, st.Run.ID[:], st.Run.Boot[:], st.Run.Boottime, past, st.Frozen, begin, st.Covers, fence, st.Closed, st.Unread,
		met, st.Vague, st.Late, k.w.machines[st.Machine].Buried[st.Num], st.Back, st.Num); err != nil {
		return err
	}
	return k.saveBooked(st)
}

// saveBooked writes how far boots are booked.
func (k *work) saveBooked(st *stream) error {
	for _, idx := range st.Touched {
		if _, err := k.w.exec(k.ctx, `UPDATE stream_boot SET booked_ns = ? WHERE stream_num = ? AND idx = ?`, st.Booked[idx], st.Num, idx); err != nil {
			return fmt.Errorf("store the clock of stream %x: %w", st.ID, err)
		}
	}
	st.Touched = st.Touched[:0]
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
		st.Boots[idx] = id(b)
		if o, ok := w.Boots[readers.BootKey{Agent: st.Agent, ID: id(b)}]; ok {
			st.Places.Offsets[idx] = o
		}
		if booked.Valid {
			st.Booked[idx] = booked.Int64
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
			st.Places.Lines[idx] = append(st.Places.Lines[idx], l)
		}
		return err
	}, `SELECT stream_num, idx, from_ns, offset_ns, rate, step FROM boot_line ORDER BY stream_num, idx, n`)
}
