package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// Resume hands the counter of a machine over to a stream.
func (s *Store) Resume(ctx context.Context, q store.ResumeQuery, at time.Time) (store.Resume, error) {
	var out store.Resume
	err := s.transact(ctx, "hand-over of machine "+q.Machine, func(ctx context.Context, w *writer) error {
		k := s.work(ctx, w)
		var m *tally.Machine
		if x := w.machines[q.Machine]; x != nil {
			m = &x.Machine
		}
		if out = w.Resume(m, q, at, k.readers); len(k.readers.Streams) == 0 {
			return errRollback
		}
		_, err := k.flush()
		return err
	})
	if err != nil {
		return store.Resume{}, err
	}
	return out, nil
}

// LongerAgo implements [store.Store].
func (s *Store) LongerAgo(ctx context.Context, since, at time.Time) (longer time.Duration, err error) {
	err = s.transact(ctx, "question about the clock", func(_ context.Context, w *writer) error {
		longer = w.LongerAgo(since, at)
		return errRollback
	})
	return longer, err
}

// Frozen lists the streams that take nothing more, by agent and machine.
func (s *Store) Frozen(ctx context.Context) ([]store.FrozenStream, error) {
	var list []store.FrozenStream
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var x store.FrozenStream
		var b []byte
		var acked int64
		if err := rows.Scan(&b, &x.Agent, &x.Machine, &acked, &x.Reason, &x.HandedOver); err != nil {
			return err
		}
		x.Stream, x.Acked = id(b), uint64(acked)
		list = append(list, x)
		return nil
	}, `SELECT s.id, s.agent, m.id, s.acked, s.frozen, s.fence_ms IS NOT NULL FROM stream s JOIN machine m ON m.num = s.machine_num
		WHERE s.frozen <> '' ORDER BY s.agent, m.id, s.num`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list frozen streams: %w", err)
	}
	return list, nil
}

// Release lets a frozen stream go on.
func (s *Store) Release(ctx context.Context, id store.ID) error {
	return s.transact(ctx, fmt.Sprintf("release of stream %x", id), func(ctx context.Context, w *writer) error {
		st := w.Streams[id]
		switch {
		case st == nil:
			return fmt.Errorf("release stream %x: %w; list them with server streams", id, store.ErrNotFound)
		case st.Fenced:
			return fmt.Errorf("release stream %x of machine %s of agent %s: %w: it was handed over to another reader; give the agent an empty journal, with it the agent goes on from the newest reading",
				id, st.Machine, st.Agent, store.ErrInvalid)
		case st.Frozen == "":
			return errRollback
		}
		k := s.work(ctx, w)
		st.Release(k.readers)
		s.log.Warn("stream released", "agent", st.Agent, "machine", st.Machine, "stream", fmt.Sprintf("%x", id))
		_, err := k.flush()
		return err
	})
}
