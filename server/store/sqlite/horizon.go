package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"turnwise/server/ingest/sealed"
	"turnwise/server/store"
)

// FallBack lets agents forget acknowledged records from before an instant
// although no backup holds them. It is for mills that make no backups: their
// agents' journals must not grow for ever. It returns how many streams moved.
func (s *Store) FallBack(ctx context.Context, before time.Time) (int, error) {
	moved := 0
	err := s.transact(ctx, "fall-back of the backup horizon", func(ctx context.Context, w *writer) error {
		moved = 0
		for _, st := range w.Streams {
			h, err := w.newestBefore(ctx, st, st.Horizon, st.Acked, before.UnixMilli())
			if err != nil {
				return err
			}
			if h <= st.Horizon {
				continue
			}
			if _, err := w.exec(ctx, `UPDATE stream SET horizon = ? WHERE num = ?`, int64(h), st.Num); err != nil {
				return err
			}
			st.Horizon = h
			moved++
		}
		if moved == 0 {
			return errRollback
		}
		return nil
	})
	return moved, err
}

// newestBefore finds the newest record of a stream from before an instant, in
// [lo, hi], of which lo is; by halving: a stream is in the order of time.
func (w *writer) newestBefore(ctx context.Context, st *stream, lo, hi uint64, before int64) (uint64, error) {
	for lo < hi {
		mid := lo + (hi-lo+1)/2
		var seq int64
		var body []byte
		err := w.row(ctx, `SELECT seq, body FROM record WHERE stream_num = ? AND seq <= ? ORDER BY seq DESC LIMIT 1`, st.Num, int64(mid)).Scan(&seq, &body)
		if errors.Is(err, sql.ErrNoRows) || err == nil && uint64(seq) <= lo {
			lo = mid // a tombstone stands for all of it
			continue
		}
		if err != nil {
			return 0, err
		}
		r := store.Record{Seq: uint64(seq)}
		if err := sealed.Decode(body, &r); err != nil {
			return 0, fmt.Errorf("stored record of stream %x: %w; %s", st.ID, err, repairDamage)
		}
		if st.Places.Or(r.Boot, r.Boottime, r.Wall) < before {
			lo = mid
		} else {
			hi = uint64(seq) - 1
		}
	}
	return lo, nil
}
