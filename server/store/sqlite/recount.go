package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"

	"turnwise/server/ingest/sealed"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// recount shares a machine's revolutions out again over its assignments where
// one was entered for a time that is already counted, so that kilos are right
// in whatever order book and counts arrive.
//
// It reads all count spans of the machine: about a second for half a year of a
// machine that runs day and night. That is paid only by those who enter an
// assignment late.
func (w *writer) recount(ctx context.Context, old, b store.Book) error {
	known := index(old.Assignments, assignmentID)
	since := map[string]int64{}
	for _, a := range b.Assignments {
		if _, ok := known[assignmentID(a)]; ok {
			continue // its start did not move, so that no count does
		}
		from := a.From.UnixMilli()
		if s, ok := since[a.Machine]; !ok || from < s {
			since[a.Machine] = from
		}
	}
	for id, from := range since {
		m := w.machines[id]
		if m == nil || !m.Heard || from > newest(m) {
			continue
		}
		if err := w.recountMachine(ctx, m); err != nil {
			return fmt.Errorf("share the revolutions of machine %s out over its assignments: %w", id, err)
		}
	}
	return nil
}

// newest is the newest instant at which a count was booked.
func newest(m *machine) int64 {
	t := m.Last
	for _, l := range m.Lives {
		t = max(t, l.MaxAt)
	}
	return t
}

func (w *writer) recountMachine(ctx context.Context, m *machine) error {
	var again tally.Machine
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		var from int64
		err := rows.Scan(&from)
		again.Jobs = append(again.Jobs, from)
		return err
	}, `SELECT from_ms FROM assignment WHERE machine_num = ? ORDER BY from_ms`, m.num)
	if err != nil {
		return err
	}
	c := tally.NewChanges(nil)
	streams := map[int64]*stream{}
	var order []int64
	for _, st := range w.streams {
		if st.machine == m.id {
			streams[st.num] = st
			order = append(order, st.num)
		}
	}
	slices.Sort(order)
	for _, num := range order {
		places := streams[num].places
		places.Lo, places.Hi = math.MinInt64/2, math.MaxInt64/2
		err := each(ctx, w.conn, func(rows *sql.Rows) error {
			var seq int64
			var body sql.RawBytes
			if err := rows.Scan(&seq, &body); err != nil {
				return err
			}
			r := store.Record{Seq: uint64(seq)}
			if err := sealed.Decode(body, &r); err != nil {
				return fmt.Errorf("stored record of stream %x: %w; the file is damaged: keep it and restore a backup", streams[num].id, err)
			}
			again.Recount(&r, places, c)
			return nil
		}, `SELECT seq, body FROM record WHERE stream_num = ? AND kind & 255 = 10
			AND NOT EXISTS (SELECT 1 FROM refused f WHERE f.stream_num = record.stream_num AND f.seq = record.seq) ORDER BY seq`, num)
		if err != nil {
			return err
		}
	}
	if again.Revolutions != m.Revolutions {
		return fmt.Errorf("the stored records give %d revolutions, the account has %d; the file is damaged: keep it and restore a backup", again.Revolutions, m.Revolutions)
	}
	if _, err := w.exec(ctx, `DELETE FROM assignment_count WHERE machine_num = ?`, m.num); err != nil {
		return err
	}
	for from, n := range c.Counts {
		if _, err := w.exec(ctx, addCount, m.num, from, n); err != nil {
			return err
		}
	}
	return nil
}
