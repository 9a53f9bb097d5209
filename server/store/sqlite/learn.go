package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"time"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/sealed"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// newestKind is the highest kind that kindOf gives. Whoever adds a kind there
// raises it: the next server that opens a file books what was stored unread.
const newestKind = 18

// learned is a record that was stored unread and can be read now.
type learned struct {
	st   *stream
	seq  uint64
	kind int64
}

// learn books the records that an older server stored unread, once: a file of
// which the kinds are known is left as it is. A kind counts where it stands
// among the others, so that each machine that has such a record is booked again
// from its first one that is left, all in one transaction.
func (s *Store) learn(ctx context.Context, w *writer) error {
	var kinds int64
	if err := w.row(ctx, `SELECT kinds FROM meta`).Scan(&kinds); err != nil {
		return fmt.Errorf("sqlite: read %s: %w", s.file, err)
	}
	if err := knownKinds(kinds); err != nil {
		return fmt.Errorf("sqlite: open %s: %w; start the newer server again, or restore a backup made before the upgrade", s.file, err)
	}
	if kinds == newestKind {
		return nil
	}
	err := w.transact(ctx, func(ctx context.Context, w *writer) error {
		for _, name := range slices.Sorted(maps.Keys(w.machines)) {
			if err := s.learnMachine(ctx, w, w.machines[name]); err != nil {
				return fmt.Errorf("machine %s: %w", name, err)
			}
		}
		if _, err := w.exec(ctx, `UPDATE meta SET kinds = ?`, newestKind); err != nil {
			return err
		}
		return w.forget(ctx, false)
	})
	if err != nil {
		return fmt.Errorf("sqlite: book the records of %s that were stored unread: %w", s.file, err)
	}
	return nil
}

// knownKinds refuses a file in which kinds are booked that this program cannot
// read: it would take their part of the sums for damage.
func knownKinds(kinds int64) error {
	if kinds > newestKind {
		return fmt.Errorf("%w: record kinds up to %d are booked in it, this program knows up to %d", store.ErrNewerSchema, kinds, newestKind)
	}
	return nil
}

func (s *Store) learnMachine(ctx context.Context, w *writer, m *machine) error {
	news, err := w.unread(ctx, m)
	if err != nil || len(news) == 0 {
		return err
	}
	for _, x := range news {
		if x.st.Closed {
			// Whether its life was one of before the hand-over cannot be seen
			// any more; it would be counted twice otherwise.
			s.log.Error("records stored unread stay so: their stream was handed over", "machine", m.id, "agent", x.st.Agent, "seq", x.seq)
			return nil
		}
	}
	b, err := w.base(ctx, m)
	if err != nil {
		return err
	}
	c, err := w.baseChanges(ctx, m, b)
	if err != nil {
		return err
	}
	again := &machine{num: m.num, id: m.id, Machine: *b}
	refused, err := w.refusals(ctx, m)
	if err != nil {
		return err
	}
	verdicts := map[learned]string{} // that differ from what stands in refused
	exact, err := w.replayAll(ctx, m, func(st *stream, r *store.Record, place tally.Places, how readers.Refusal) {
		x := learned{st: st, seq: r.Seq}
		switch {
		case how == readers.Doubted:
			again.Doubt(r, c)
			return
		case how == readers.Told || refused[x] && st.Closed:
			return // by what was known when it came
		}
		if why := again.Apply(st.Num, r, place, c); (why != "") != refused[x] {
			verdicts[x] = why
		}
	})
	if err != nil {
		return fmt.Errorf("%w; %s", err, repairDamage)
	}
	if !exact {
		s.log.Error("records stored unread stay so: older rules booked the machine, or in an order that was not kept", "machine", m.id, "records", len(news))
		return nil
	}
	for _, table := range []string{"account", "life", "life_join", "stop", "gap", "cause_count", "rollup", "assignment_count"} {
		if _, err := w.exec(ctx, `DELETE FROM `+table+` WHERE machine_num = ?`, m.num); err != nil {
			return err
		}
	}
	if err := w.save(ctx, current, again, c); err != nil {
		return err
	}
	if err := w.judge(ctx, verdicts, s.now()); err != nil {
		return err
	}
	for _, x := range news {
		if _, err := w.exec(ctx, `UPDATE record SET kind = kind + ? WHERE stream_num = ? AND seq = ?`, x.kind, x.st.Num, int64(x.seq)); err != nil {
			return err
		}
		if _, err := w.exec(ctx, `UPDATE stream SET unread = unread - 1 WHERE num = ?`, x.st.Num); err != nil {
			return err
		}
	}
	s.log.Warn("records stored unread are booked", "machine", m.id, "records", len(news), "revolutions_before", m.Revolutions, "revolutions", again.Revolutions)
	return nil
}

// judge notes which records are refused now and were not, or the reverse.
func (w *writer) judge(ctx context.Context, verdicts map[learned]string, now time.Time) error {
	for x, why := range verdicts {
		if _, err := w.exec(ctx, `DELETE FROM refused WHERE stream_num = ? AND seq = ?`, x.st.Num, int64(x.seq)); err != nil {
			return err
		}
		if why == "" {
			continue
		}
		if _, err := w.exec(ctx, `INSERT INTO refused (stream_num, seq, reason, received_ms) VALUES (?, ?, ?, ?)`, x.st.Num, int64(x.seq), why, now.UnixMilli()); err != nil {
			return err
		}
	}
	return nil
}

// unread are the records of a machine that were stored unread and can be read.
func (w *writer) unread(ctx context.Context, m *machine) (news []learned, err error) {
	for _, st := range w.Streams {
		if st.Machine != m.id || st.Unread == 0 {
			continue
		}
		err := each(ctx, w.conn, func(rows *sql.Rows) error {
			var seq int64
			var body sql.RawBytes
			if err := rows.Scan(&seq, &body); err != nil {
				return err
			}
			r := store.Record{Seq: uint64(seq)}
			if sealed.Decode(body, &r) == nil && kindOf(&r) > 0 { // others are refused, or of a kind still to come
				news = append(news, learned{st, r.Seq, kindOf(&r)})
			}
			return nil
		}, `SELECT seq, body FROM record WHERE stream_num = ? AND kind & 255 = 0 AND NOT EXISTS
			(SELECT 1 FROM refused f WHERE f.stream_num = record.stream_num AND f.seq = record.seq)`, st.Num)
		if err != nil {
			return nil, err
		}
	}
	return news, nil
}

// refusals are the records of a machine that were refused.
func (w *writer) refusals(ctx context.Context, m *machine) (map[learned]bool, error) {
	all := map[learned]bool{}
	for _, st := range w.Streams {
		if st.Machine != m.id {
			continue
		}
		err := each(ctx, w.conn, func(rows *sql.Rows) error {
			var seq int64
			err := rows.Scan(&seq)
			all[learned{st: st, seq: uint64(seq)}] = true
			return err
		}, `SELECT seq FROM refused WHERE stream_num = ?`, st.Num)
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}
