package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"turnwise/server/ingest/readers"
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
		if k, ok := known[assignmentID(a)]; ok && k.Planned == a.Planned || !ok && a.Planned {
			continue // no start moved, so that no count does
		}
		from := a.From.UnixMilli()
		if s, ok := since[a.Machine]; !ok || from < s {
			since[a.Machine] = from
		}
	}
	for id, from := range since {
		m := w.machines[id]
		if m == nil || !m.Heard || from > newest(&m.Machine) {
			continue
		}
		if err := w.recountMachine(ctx, m, from); err != nil {
			return fmt.Errorf("share the revolutions of machine %s out over its assignments: %w", id, err)
		}
	}
	return nil
}

// newest is the newest instant at which a count was booked.
func newest(m *tally.Machine) int64 {
	t := m.Last
	for _, l := range m.Lives {
		t = max(t, l.MaxAt)
	}
	return t
}

// recountMachine shares out anew what was counted from an instant on. The turns
// of dropped records stay where they are, so that it must be after them.
func (w *writer) recountMachine(ctx context.Context, m *machine, from int64) error {
	again, err := w.base(ctx, m)
	if err != nil {
		return err
	}
	if again.Heard && from <= newest(again) {
		return fmt.Errorf("an assignment from %s: %w: its counts up to %s are kept as sums only, their records were dropped (retain.records) or their sums settled; let the assignment begin later",
			ms(from).Format(time.RFC3339), store.ErrInvalid, ms(newest(again)).Format(time.RFC3339))
	}
	c := tally.NewChanges(nil)
	err = each(ctx, w.conn, func(rows *sql.Rows) error {
		var from, n int64
		err := rows.Scan(&from, &n)
		c.Counts[from] = n
		return err
	}, `SELECT from_ms, revolutions FROM base_assignment_count WHERE machine_num = ?`, m.num)
	if err != nil {
		return err
	}
	again.Know(&m.Machine)
	again.Jobs = nil
	err = each(ctx, w.conn, func(rows *sql.Rows) error {
		var from int64
		err := rows.Scan(&from)
		again.Jobs = append(again.Jobs, from)
		return err
	}, `SELECT from_ms FROM assignment WHERE machine_num = ? AND NOT planned ORDER BY from_ms`, m.num)
	if err != nil {
		return err
	}
	if _, err := w.replay(ctx, m, true, func(_ *stream, r *store.Record, place tally.Places, _ readers.Refusal) { again.Recount(r, place, c) }); err != nil {
		return fmt.Errorf("%w; %s", err, repairDamage)
	}
	if again.Revolutions != m.Revolutions {
		return fmt.Errorf("the stored records give %d revolutions, the account has %d: %w; %s", again.Revolutions, m.Revolutions, store.ErrDamaged, repairDamage)
	}
	if _, err := w.exec(ctx, `DELETE FROM assignment_count WHERE machine_num = ?`, m.num); err != nil {
		return err
	}
	for from, n := range c.Counts {
		if _, err := w.exec(ctx, addCount(current), m.num, from, n); err != nil {
			return err
		}
	}
	return nil
}
