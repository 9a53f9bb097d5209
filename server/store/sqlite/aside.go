package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"turnwise/server/store"
)

// Aside is something that an agent sent and that is kept, but not booked: a
// message that could not be read, or a record that could not be applied.
type Aside struct {
	Message  int64 // its number; 0 for a record
	Agent    string
	Topic    string   // of a message
	Machine  string   // of a record
	Stream   store.ID // of a record
	Seq      uint64   // of a record
	Reason   string
	Received time.Time
	Bytes    int64 // as sent; of a message the first 64 KiB are kept
}

// Asides lists what was kept aside, newest first, at most so many.
func (s *Store) Asides(ctx context.Context, limit int) ([]Aside, error) {
	var list []Aside
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var a Aside
		var stream []byte
		var seq, received int64
		if err := rows.Scan(&a.Message, &a.Agent, &a.Topic, &a.Machine, &stream, &seq, &a.Reason, &received, &a.Bytes); err != nil {
			return err
		}
		if stream != nil {
			a.Stream = id(stream)
		}
		a.Seq, a.Received = uint64(seq), ms(received)
		list = append(list, a)
		return nil
	}, `SELECT id, agent, topic, '', NULL, 0, reason, received_ms, bytes FROM quarantine
		UNION ALL
		SELECT 0, s.agent, '', m.id, s.id, f.seq, f.reason, f.received_ms, coalesce(length(r.body), 0) FROM refused f
			JOIN stream s ON s.num = f.stream_num JOIN machine m ON m.num = s.machine_num
			LEFT JOIN record r ON r.stream_num = f.stream_num AND r.seq = f.seq
		ORDER BY 8 DESC, 1 DESC, 6 DESC LIMIT ?`, limit)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list what is kept aside: %w", err)
	}
	return list, nil
}

// AsideMessage returns the kept bytes of a message. The error holds
// [store.ErrNotFound] where there is none of that number.
func (s *Store) AsideMessage(ctx context.Context, number int64) (payload []byte, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT payload FROM quarantine WHERE id = ?`, number).Scan(&payload)
	if errors.Is(err, sql.ErrNoRows) {
		err = store.ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("message %d that is kept aside: %w; list them with server quarantine list, the newest 1000 are kept", number, err)
	}
	return payload, nil
}
