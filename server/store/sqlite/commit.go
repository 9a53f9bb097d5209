package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"time"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// coarseKind marks the kind of a coarse record.
const coarseKind = 256

// work is what one Commit changes. It is applied in memory and written down
// once at the end of the transaction.
type work struct {
	s        *Store
	w        *writer
	ctx      context.Context
	machines map[*machine]*tally.Changes
	readers  *readers.Changes
	heard    map[store.ID]bool // streams of which a head was told
	err      error             // of a look-up inside tally
}

func (s *Store) work(ctx context.Context, w *writer) *work {
	return &work{s: s, w: w, ctx: ctx, machines: map[*machine]*tally.Changes{}, readers: readers.NewChanges(), heard: map[store.ID]bool{}}
}

// Commit applies batches in order in one transaction.
func (s *Store) Commit(ctx context.Context, batches []store.Batch) ([]store.Outcome, error) {
	if len(batches) == 0 {
		return nil, nil
	}
	out := make([]store.Outcome, len(batches))
	var wrote map[store.ID]uint64
	acked := map[store.ID]uint64{}
	err := s.transact(ctx, "commit of batches", func(ctx context.Context, w *writer) error {
		k := s.work(ctx, w)
		last := map[*machine]int{}
		for i := range batches {
			m, err := k.batch(&batches[i], &out[i])
			if err != nil {
				return err
			}
			if m != nil {
				last[m] = i
			}
		}
		var err error
		if wrote, err = k.flush(); err != nil {
			return err
		}
		for st := range k.readers.Streams {
			acked[st.ID] = st.Acked
		}
		for i := range batches {
			m := w.machines[batches[i].Machine]
			if m == nil {
				continue
			}
			out[i].State = state(m)
			if st := w.Streams[batches[i].Stream]; st != nil && st.Agent == batches[i].Agent && st.Machine == m.id {
				out[i].Acked, out[i].Horizon = st.Acked, st.Horizon
			}
			if l, ok := last[m]; ok && l == i {
				out[i].Stops = stopsOf(m.id, k.machines[m])
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	s.heads.committed(wrote, acked)
	return out, nil
}

// batch applies one batch and writes its records. It returns the machine when
// anything was applied to it.
func (k *work) batch(b *store.Batch, out *store.Outcome) (*machine, error) {
	m := k.w.machines[b.Machine]
	if m == nil || k.w.Turn(b.Agent, b.Machine) < 0 {
		out.Verdict, out.Reason = store.Unregistered, readers.Unregistered(b.Agent, b.Machine)
		return nil, nil
	}
	if len(b.Records) == 0 || b.FirstSeq == 0 {
		return nil, fmt.Errorf("batch of stream %x without records or sequence number", b.Stream)
	}
	st := k.w.Streams[b.Stream]
	if st == nil {
		st = k.w.Begin(b.Stream, b.Agent, b.Machine, readers.RunOf(b), k.readers)
		if err := k.saveBegun(); err != nil {
			return nil, err
		}
	}
	if st.Agent != b.Agent || st.Machine != b.Machine {
		// Whoever sends this must not be able to freeze somebody else's stream.
		out.Verdict = store.Frozen
		out.Reason = fmt.Sprintf("stream %x belongs to machine %s of agent %s; enrol agent %s anew with an empty journal", b.Stream, st.Machine, st.Agent, b.Agent)
		return nil, nil
	}
	k.s.heads.tell(st.Agent, st.ID, b.HeadSeq)
	k.heard[st.ID] = true
	out.Acked, out.Horizon = st.Acked, st.Horizon
	why := st.Frozen
	if why == "" {
		why = st.TakeRun(b, k.readers)
	}
	if why == "" {
		var err error
		if why, err = k.compare(st, b); err != nil {
			return nil, err
		}
	}
	if why != "" {
		k.freeze(st, why)
		out.Verdict, out.Reason = store.Frozen, why
		return nil, nil
	}
	fresh, ok := st.Fresh(b)
	if !ok {
		out.Verdict = store.NeedFrom
		out.Reason = fmt.Sprintf("the batch begins at %d, the store has everything up to %d", b.FirstSeq, st.Acked)
		return nil, nil
	}
	if len(fresh) > 0 && k.w.Unmeasured(st, b) {
		out.Verdict = store.NeedFrom
		out.Reason = "the clock of a new boot is measured before its records are booked: send again"
		return nil, nil
	}
	if len(fresh) > 0 {
		st.FollowClock(b, k.readers)
	}
	n, why := k.w.Believed(&m.Machine, st, b, fresh, k.readers)
	out.Verdict, out.Applied = store.OK, n
	if why != "" {
		k.freeze(st, why)
		out.Verdict, out.Reason = store.Frozen, why
	}
	if n == 0 {
		return nil, nil
	}
	for i := range fresh[:n] {
		if fresh[i].Kind == nil {
			out.Unread++
		}
	}
	st.Unread += int64(out.Unread)
	return m, k.apply(m, st, b, fresh[:n])
}

// compare looks whether records that are sent again are still the same.
func (k *work) compare(st *stream, b *store.Batch) (why string, err error) {
	if ok, why := st.Continues(b); ok {
		return why, nil
	}
	if why := k.w.another(st, b); why != "" {
		return why, nil
	}
	last := min(st.Acked, b.FirstSeq+uint64(len(b.Records))-1)
	q, err := k.w.stmt(k.ctx, `SELECT seq, kind, crc FROM record WHERE stream_num = ? AND seq BETWEEN ? AND ?`)
	if err != nil {
		return "", err
	}
	rows, err := q.QueryContext(k.ctx, st.Num, int64(readers.First(b)), int64(last))
	if err != nil {
		return "", err
	}
	defer rows.Close()
	for rows.Next() {
		var seq, kind, crc int64
		if err := rows.Scan(&seq, &kind, &crc); err != nil {
			return "", err
		}
		if sent, ok := readers.Sum(b, uint64(seq)); ok && kind < coarseKind && uint32(crc) != sent {
			return readers.Changed(uint64(seq), sent, uint32(crc)), nil
		}
	}
	return "", rows.Err()
}

// another tells that a record which bears the number of a dropped one is not that:
// the check sum of the newest one is another, or the boot, or it is of after all
// that was dropped.
func (w *writer) another(st *stream, b *store.Batch) (why string) {
	d, ok := w.dropped[st.Num]
	if !ok {
		return ""
	}
	if first := readers.First(b); d.crc.Valid && first <= d.last && d.last < b.FirstSeq+uint64(len(b.Records)) {
		if sent, ok := readers.Sum(b, d.last); ok && sent != uint32(d.crc.Int64) {
			return readers.Changed(d.last, sent, uint32(d.crc.Int64))
		}
	}
	if d.until == 0 {
		return "" // no time is known of any of them
	}
	free := st.Places.Free()
	for i := range b.Records {
		r := &b.Records[i]
		if r.Seq > d.last {
			break
		}
		boot, told := b.Boots[r.Boot]
		if !told || r.Coarse || r.Boottime == 0 && r.Wall == 0 {
			continue // says nothing of time, or stands for others too
		}
		if st.Boots[r.Boot] != boot || free.At(r.Boot, r.Boottime) > d.until {
			return fmt.Sprintf("record %d was sent again and is another one than that of before %s, which was dropped for its age: the journal was set back or copied; give the agent an empty journal",
				r.Seq, ms(d.until).Format(time.RFC3339))
		}
	}
	return ""
}

func (k *work) freeze(st *stream, why string) {
	if st.Freeze(why, k.readers) {
		k.s.log.Error("stream frozen", "agent", st.Agent, "machine", st.Machine, "stream", fmt.Sprintf("%x", st.ID), "reason", why)
	}
}

// apply books fresh records and stores their bytes.
func (k *work) apply(m *machine, st *stream, b *store.Batch, fresh []store.Record) error {
	c := k.machines[m]
	if c == nil {
		c = tally.NewChanges(func(stop store.ID) *tally.Stop {
			s, err := k.w.findStop(k.ctx, current, m.num, stop)
			if err != nil {
				k.err = err
			}
			return s
		})
		k.machines[m] = c
	}
	st.Places.Lo, st.Places.Hi = tally.Bound(b.Received)
	insert, err := k.w.stmt(k.ctx, `INSERT INTO record (stream_num, seq, kind, crc, body) VALUES (?, ?, ?, ?, ?)`)
	if err != nil {
		return err
	}
	if err := k.noteOrder(m, st, fresh[0].Seq); err != nil {
		return err
	}
	for i := range fresh {
		r := &fresh[i]
		k.w.Place(&m.Machine, st, b, r, k.readers)
		if err := k.noteBounds(m, st, r, b.Received); err != nil {
			return err
		}
		st.Book(r)
		refused, how := k.w.Strange(&m.Machine, st, r, b.Received)
		switch {
		case refused == "":
			refused = m.Apply(st.Num, r, st.Places, c)
		case how == readers.Doubted:
			m.Doubt(r, c)
		}
		if k.err != nil {
			return k.err
		}
		if refused != "" {
			if err := k.refuse(st, r.Seq, refused, how, b.Received); err != nil {
				return err
			}
		}
		if _, err := insert.ExecContext(k.ctx, st.Num, int64(r.Seq), kindOf(r), keptCRC(r), r.Body); err != nil {
			return fmt.Errorf("store record %d of stream %x: %w", r.Seq, st.ID, err)
		}
	}
	st.Acked, st.Tail = fresh[len(fresh)-1].Seq, readers.TailOf(&fresh[len(fresh)-1])
	st.Records += int64(len(fresh))
	k.readers.Streams[st] = true
	return nil
}

func (k *work) refuse(st *stream, seq uint64, reason string, how readers.Refusal, received time.Time) error {
	k.s.log.Warn("record refused", "agent", st.Agent, "machine", st.Machine, "seq", seq, "reason", reason)
	_, err := k.w.exec(k.ctx, `INSERT INTO refused (stream_num, seq, reason, received_ms, how) VALUES (?, ?, ?, ?, ?)`, st.Num, int64(seq), reason, received.UnixMilli(), how)
	if err != nil {
		return fmt.Errorf("store why record %d of stream %x was refused: %w", seq, st.ID, err)
	}
	return nil
}

// keptCRC is how the check sum of a record is kept: inverted for a coarse one,
// so that the kind cannot change unseen.
func keptCRC(r *store.Record) int64 {
	if r.Coarse {
		return int64(^r.CRC)
	}
	return int64(r.CRC)
}

// crcOf is the check sum that a row keeps. What is no check sum at all gives
// one that no record has but by chance.
func crcOf(kind, kept int64) uint32 {
	if kept>>32 != 0 {
		return ^uint32(kept) ^ uint32(kept>>32)
	}
	if kind >= coarseKind {
		return ^uint32(kept)
	}
	return uint32(kept)
}

// kindOf is the field number of the kind in wire.proto.
func kindOf(r *store.Record) int64 {
	var n int64
	switch r.Kind.(type) {
	case *store.CountSpan:
		n = 10
	case *store.StopBegin:
		n = 11
	case *store.StopEnd:
		n = 12
	case *store.StateGap:
		n = 13
	case *store.LifeLink:
		n = 14
	case *store.Discontinuity:
		n = 15
	case *store.ConfigApplied:
		n = 16
	case *store.Tombstone:
		n = 17
	case *store.ClockStep:
		n = 18
	}
	if r.Coarse {
		n += coarseKind
	}
	return n
}

// flush writes down what was applied in memory.
func (k *work) flush() (heads map[store.ID]uint64, err error) {
	if err := k.saveReaders(); err != nil {
		return nil, err
	}
	for _, m := range slices.SortedFunc(maps.Keys(k.machines), func(a, b *machine) int { return int(a.num - b.num) }) {
		if err := k.w.save(k.ctx, current, m, k.machines[m]); err != nil {
			return nil, fmt.Errorf("store the account of machine %s: %w", m.id, err)
		}
	}
	return k.s.heads.write(k.ctx, k.w, k.heard)
}

// Quarantine keeps the newest messages that could not be read.
func (s *Store) Quarantine(ctx context.Context, q store.Quarantined) error {
	const keep, most = 1000, 64 << 10
	payload := q.Payload[:min(len(q.Payload), most)]
	if payload == nil {
		payload = []byte{}
	}
	return s.transact(ctx, "quarantine of a message", func(ctx context.Context, w *writer) error {
		res, err := w.exec(ctx, `INSERT INTO quarantine (agent, topic, reason, received_ms, bytes, payload) VALUES (?, ?, ?, ?, ?, ?)`,
			clip(q.Agent), clip(q.Topic), clip(q.Reason), q.Received.UnixMilli(), len(q.Payload), payload)
		if err != nil {
			return err
		}
		n, err := res.LastInsertId()
		if err != nil {
			return err
		}
		_, err = w.exec(ctx, `DELETE FROM quarantine WHERE id <= ?`, n-keep)
		return err
	})
}

// clip bounds a text that came from outside.
func clip(s string) string { return s[:min(len(s), 1000)] }

// SawHead notes the newest sequence numbers an agent told.
func (s *Store) SawHead(ctx context.Context, agent string, told map[store.ID]uint64) error {
	urgent := map[store.ID]bool{}
	for stream, seq := range told {
		if s.heads.tell(agent, stream, seq) {
			urgent[stream] = true
		}
	}
	if len(urgent) == 0 {
		return nil
	}
	var wrote map[store.ID]uint64
	err := s.transact(ctx, "note of what agent "+agent+" holds", func(ctx context.Context, w *writer) (err error) {
		wrote, err = s.heads.write(ctx, w, urgent)
		return err
	})
	if err == nil {
		s.heads.committed(wrote, nil)
	}
	return err
}

// Records tells how many records are in the store.
func (s *Store) Records(ctx context.Context) (int64, error) {
	var n sql.NullInt64
	if err := s.read.QueryRowContext(ctx, `SELECT sum(records) - (SELECT coalesce(sum(records), 0) FROM dropped) FROM stream`).Scan(&n); err != nil {
		return 0, fmt.Errorf("sqlite: count records: %w", err)
	}
	return n.Int64, nil
}
