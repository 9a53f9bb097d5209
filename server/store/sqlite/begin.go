package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/server/store"
)

// BeginJob says that a machine has begun with a planned job, or takes that back.
func (s *Store) BeginJob(ctx context.Context, b store.Beginning, dryRun bool) (store.Begun, error) {
	var out store.Begun
	err := s.transact(ctx, "beginning of a job", func(ctx context.Context, w *writer) error {
		var err error
		if b.TakeBack {
			out, err = w.takeBack(ctx, b.Machine, time.Time{}, b.Heard)
		} else {
			out, err = w.begin(ctx, b)
		}
		if err != nil {
			return err
		}
		return w.forget(ctx, dryRun)
	})
	if err != nil {
		return store.Begun{}, err
	}
	return out, nil
}

// jobsOf are the assignments of a machine: those that began by an instant, the latest
// last, and those that are still to come.
func (w *writer) jobsOf(ctx context.Context, id string, now time.Time) (m *machine, began, ahead []store.Assignment, err error) {
	if m = w.machines[id]; m == nil {
		return nil, nil, nil, store.Unknown("machine", id)
	}
	book, err := readBook(ctx, w.conn)
	for _, a := range book.Assignments {
		switch {
		case a.Machine != id:
		case a.Ahead(now):
			ahead = append(ahead, a)
		default:
			began = append(began, a)
		}
	}
	return m, began, ahead, err
}

func (w *writer) begin(ctx context.Context, b store.Beginning) (store.Begun, error) {
	m, began, ahead, err := w.jobsOf(ctx, b.Machine, b.Heard)
	if err != nil {
		return store.Begun{}, err
	}
	at := b.At.UTC().Truncate(time.Millisecond)
	runs := store.Assignment{} // at the instant
	for _, a := range began {
		if !a.From.After(at) {
			runs = a
		}
	}
	k := slices.IndexFunc(ahead, func(a store.Assignment) bool { return a.Planned && a.Order == b.Order })
	last := store.Assignment{}
	if len(began) > 0 {
		last = began[len(began)-1]
	}
	switch {
	case k < 0 && last.Order == b.Order && !last.PlannedFrom.IsZero():
		before := ""
		if len(began) > 1 {
			before = began[len(began)-2].Order
		}
		return store.Begun{Job: last, Before: before, Same: true}, nil
	case k < 0:
		return store.Begun{}, fmt.Errorf("order %q is not planned on machine %s: %w; planned there: %s", b.Order, b.Machine, store.ErrNotFound, ordersOf(ahead))
	case last.From.After(runs.From):
		return store.Begun{}, fmt.Errorf("machine %s cannot have begun %s at %s: %w: %s began there at %s; tell a later instant, or take that beginning back first",
			b.Machine, b.Order, at.Format(time.RFC3339), store.ErrInvalid, nameOr(last.Order), last.From.Format(time.RFC3339))
	}
	job := ahead[k]
	job.Planned, job.PlannedFrom, job.From = false, job.From, free(at, append(began, ahead...))
	if err := w.moveJob(ctx, m, ahead[k], job); err != nil {
		return store.Begun{}, err
	}
	return store.Begun{Job: job, Before: runs.Order}, nil
}

// takeBack lets a job wait again that was said to have begun: the one of an
// instant, or the latest of the machine.
func (w *writer) takeBack(ctx context.Context, machine string, at, now time.Time) (store.Begun, error) {
	m, began, ahead, err := w.jobsOf(ctx, machine, now)
	if err != nil {
		return store.Begun{}, err
	}
	k := len(began) - 1
	if k < 0 || began[k].PlannedFrom.IsZero() || !at.IsZero() && !began[k].From.Equal(at) {
		runs := "nothing"
		if k >= 0 {
			runs = nameOr(began[k].Order)
		}
		return store.Begun{}, fmt.Errorf("machine %s runs %s: %w: nobody told of its beginning, so that it cannot be taken back", machine, runs, store.ErrInvalid)
	}
	job := began[k]
	job.Planned, job.From, job.PlannedFrom = true, free(job.PlannedFrom, append(began[:k:k], ahead...)), time.Time{}
	out := store.Begun{Job: job}
	if k > 0 {
		out.Before = began[k-1].Order
	}
	return out, w.moveJob(ctx, m, began[k], job)
}

// free is the first instant from at on that no other job of the machine has.
func free(at time.Time, others []store.Assignment) time.Time {
	for slices.ContainsFunc(others, func(a store.Assignment) bool { return a.From.Equal(at) }) {
		at = at.Add(time.Millisecond)
	}
	return at
}

// moveJob writes an assignment in the place of another and shares the turns since out
// again.
func (w *writer) moveJob(ctx context.Context, m *machine, from, to store.Assignment) error {
	if _, err := w.exec(ctx, `DELETE FROM assignment WHERE machine_num = ? AND from_ms = ?`, m.num, from.From.UnixMilli()); err != nil {
		return err
	}
	if err := w.putJob(ctx, to); err != nil {
		return err
	}
	began := to.From
	if to.Planned {
		began = from.From
	}
	if !m.Heard || began.UnixMilli() > newest(&m.Machine) {
		return nil
	}
	if err := w.recountMachine(ctx, m, began.UnixMilli()); err != nil {
		return fmt.Errorf("share the revolutions of machine %s out over its assignments: %w", m.id, err)
	}
	return nil
}

// beginByTap begins the job that a tap names and notes the instant, or takes back
// what the tap undone had begun.
func (w *writer) beginByTap(ctx context.Context, t store.Tap, undone *tap) (began sql.NullInt64, err error) {
	if undone != nil {
		if undone.began.Valid {
			_, err = w.takeBack(ctx, t.Machine, ms(undone.began.Int64), t.Heard)
		}
		return undone.began, err
	}
	if t.Act != store.ActDone || t.Begins == "" {
		return began, nil
	}
	b, err := w.begin(ctx, store.Beginning{Machine: t.Machine, Order: t.Begins, At: t.At, Heard: t.Heard})
	return sql.NullInt64{Int64: b.Job.From.UnixMilli(), Valid: err == nil && !b.Same}, err
}

func ordersOf(list []store.Assignment) string {
	var ids []string
	for _, a := range list {
		if !a.Planned {
			continue
		}
		ids = append(ids, nameOr(a.Order))
	}
	if len(ids) == 0 {
		return "nothing"
	}
	return strings.Join(ids, ", ")
}

func nameOr(order string) string {
	if order == "" {
		return "no order"
	}
	return order
}
