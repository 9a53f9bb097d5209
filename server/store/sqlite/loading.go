package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnwise/server/store"
)

var _ store.PlanRecord = (*Store)(nil)

const (
	maxPlanBody = 16 << 20
	mostPlans   = 1000 // of one listing
)

// KeepPlan adds a plan as proposed.
func (s *Store) KeepPlan(ctx context.Context, p store.LoadingPlan) (id int64, err error) {
	if len(p.Body) > maxPlanBody || !json.Valid(p.Body) {
		return 0, fmt.Errorf("keep a loading plan: %w: a body of %d bytes, JSON of at most %d is expected", store.ErrInvalid, len(p.Body), maxPlanBody)
	}
	base, err := json.Marshal(tidy(p.Base))
	if err != nil {
		return 0, err
	}
	next, err := json.Marshal(tidy(p.Next))
	if err != nil {
		return 0, err
	}
	err = s.transact(ctx, "keep a loading plan", func(ctx context.Context, w *writer) error {
		res, err := w.exec(ctx, `INSERT INTO loading_plan (made_ms, state, base, next, body) VALUES (?, ?, ?, ?, ?)`,
			p.Made.UnixMilli(), store.PlanProposed, string(base), string(next), string(p.Body))
		if err != nil {
			return err
		}
		id, err = res.LastInsertId()
		return err
	})
	return id, err
}

// tidy brings assignments into the order and the grain of the book.
func tidy(list []store.Assignment) []store.Assignment {
	out := make([]store.Assignment, len(list))
	for i, a := range list {
		a.From = a.From.UTC().Truncate(time.Millisecond)
		out[i] = a
	}
	slices.SortFunc(out, func(a, b store.Assignment) int {
		if c := strings.Compare(a.Machine, b.Machine); c != 0 {
			return c
		}
		return a.From.Compare(b.From)
	})
	return out
}

const planColumns = `SELECT id, made_ms, state, applied_ms, undone_ms, base, next, body FROM loading_plan`

func scanPlan(rows *sql.Rows) (p store.LoadingPlan, err error) {
	var made int64
	var applied, undone sql.NullInt64
	var base, next, body string
	if err := rows.Scan(&p.ID, &made, &p.State, &applied, &undone, &base, &next, &body); err != nil {
		return p, err
	}
	p.Made, p.Body = ms(made), []byte(body)
	if applied.Valid {
		p.Applied = ms(applied.Int64)
	}
	if undone.Valid {
		p.Undone = ms(undone.Int64)
	}
	if err := json.Unmarshal([]byte(base), &p.Base); err != nil {
		return p, fmt.Errorf("loading plan %d: %w", p.ID, err)
	}
	if err := json.Unmarshal([]byte(next), &p.Next); err != nil {
		return p, fmt.Errorf("loading plan %d: %w", p.ID, err)
	}
	return p, nil
}

func readPlans(ctx context.Context, q querier, where string, args ...any) (list []store.LoadingPlan, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		p, err := scanPlan(rows)
		list = append(list, p)
		return err
	}, planColumns+where, args...)
	return list, err
}

// LoadingPlans returns plans older than a number, newest first.
func (s *Store) LoadingPlans(ctx context.Context, before int64, limit int) ([]store.LoadingPlan, error) {
	if limit <= 0 || limit > mostPlans {
		limit = mostPlans
	}
	list, err := readPlans(ctx, s.read, ` WHERE ?1 = 0 OR id < ?1 ORDER BY id DESC LIMIT ?2`, before, limit)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list loading plans: %w", err)
	}
	return list, nil
}

// LoadingPlan returns one plan.
func (s *Store) LoadingPlan(ctx context.Context, id int64) (store.LoadingPlan, error) {
	return onePlan(ctx, s.read, id)
}

func onePlan(ctx context.Context, q querier, id int64) (store.LoadingPlan, error) {
	list, err := readPlans(ctx, q, ` WHERE id = ?`, id)
	if err != nil {
		return store.LoadingPlan{}, fmt.Errorf("sqlite: read loading plan %d: %w", id, err)
	}
	if len(list) == 0 {
		return store.LoadingPlan{}, fmt.Errorf("loading %w", store.Unknown("plan", strconv.FormatInt(id, 10)))
	}
	return list[0], nil
}

// ApplyPlan enters the plan's assignments in the place of those to come.
func (s *Store) ApplyPlan(ctx context.Context, id int64, at time.Time, dryRun bool) (store.LoadingPlan, error) {
	return s.turnPlan(ctx, id, at, dryRun, func(p *store.LoadingPlan) (from, to []store.Assignment, err error) {
		if p.State != store.PlanProposed {
			return nil, nil, fmt.Errorf("apply loading plan %d, which is %s: %w; make a new plan", id, p.State, store.ErrMoved)
		}
		p.State, p.Applied = store.PlanApplied, at
		return p.Base, p.Next, nil
	})
}

// UndoPlan puts back what ApplyPlan took out.
func (s *Store) UndoPlan(ctx context.Context, id int64, at time.Time, dryRun bool) (store.LoadingPlan, error) {
	return s.turnPlan(ctx, id, at, dryRun, func(p *store.LoadingPlan) (from, to []store.Assignment, err error) {
		if p.State != store.PlanApplied {
			return nil, nil, fmt.Errorf("undo loading plan %d, which is %s: %w; only a plan in force can be undone", id, p.State, store.ErrMoved)
		}
		p.State, p.Undone = store.PlanUndone, at
		return p.Next, p.Base, nil
	})
}

// turnPlan swaps assignments to come, if the book has exactly those that the
// plan says, and notes the plan's new state. What began by the instant is
// history for both lists and stays; a planned job begins by somebody's word, after
// which a plan can be undone as far as it is to come, but no longer applied.
func (s *Store) turnPlan(ctx context.Context, id int64, at time.Time, dryRun bool, turn func(*store.LoadingPlan) (from, to []store.Assignment, err error)) (store.LoadingPlan, error) {
	var p store.LoadingPlan
	at = at.UTC().Truncate(time.Millisecond)
	err := s.transact(ctx, "change of the loading", func(ctx context.Context, w *writer) error {
		var err error
		if p, err = onePlan(ctx, w.conn, id); err != nil {
			return err
		}
		from, to, err := turn(&p)
		if err != nil {
			return err
		}
		book, err := readBook(ctx, w.conn)
		if err != nil {
			return err
		}
		if p.State == store.PlanUndone {
			from, to = withoutBegun(book, from, to)
		}
		entered := begins(from, to, at)
		if err := w.swapJobs(ctx, id, book, toCome(from, at), entered, at); err != nil {
			return err
		}
		if p.State == store.PlanApplied {
			p.Next = entered
		}
		next, err := json.Marshal(p.Next)
		if err != nil {
			return err
		}
		instant := func(t time.Time) sql.NullInt64 {
			return sql.NullInt64{Int64: t.UnixMilli(), Valid: !t.IsZero()}
		}
		if _, err := w.exec(ctx, `UPDATE loading_plan SET state = ?, applied_ms = ?, undone_ms = ?, next = ? WHERE id = ?`, p.State, instant(p.Applied), instant(p.Undone), string(next), id); err != nil {
			return err
		}
		return w.forget(ctx, dryRun)
	})
	if err != nil {
		return store.LoadingPlan{}, err
	}
	return p, nil
}

// begins puts what should have begun by an instant right behind it, unless it
// did begin: the machine is on that order then.
func begins(from, to []store.Assignment, at time.Time) []store.Assignment {
	var out []store.Assignment
	last := map[string]time.Time{}
	for _, a := range tidy(to) {
		begun := func(b store.Assignment) bool {
			return b.Machine == a.Machine && b.Order == a.Order && !b.Ahead(at)
		}
		if !a.Ahead(at) && slices.ContainsFunc(from, begun) {
			continue
		}
		least := at.Add(time.Second)
		if t, ok := last[a.Machine]; ok {
			least = t.Add(time.Second)
		}
		if a.From.Before(least) {
			a.From = least
		}
		last[a.Machine] = a.From
		out = append(out, a)
	}
	return out
}

func toCome(list []store.Assignment, at time.Time) []store.Assignment {
	return slices.DeleteFunc(tidy(list), func(a store.Assignment) bool { return !a.Ahead(at) })
}

// withoutBegun leaves planned jobs out of both lists that were said to have begun
// since they were entered: they are history.
func withoutBegun(book store.Book, from, to []store.Assignment) (_, _ []store.Assignment) {
	from, to = tidy(from), tidy(to)
	for _, b := range book.Assignments {
		same := func(a store.Assignment) bool { return a.Machine == b.Machine && a.Order == b.Order }
		i := slices.IndexFunc(from, func(a store.Assignment) bool { return same(a) && a.Planned && a.From.Equal(b.PlannedFrom) })
		if b.PlannedFrom.IsZero() || i < 0 {
			continue
		}
		from = slices.Delete(from, i, i+1)
		if k := slices.IndexFunc(to, same); k >= 0 {
			to = slices.Delete(to, k, k+1)
		}
	}
	return from, to
}

// swapJobs takes the assignments to come out of the book and enters others.
func (w *writer) swapJobs(ctx context.Context, id int64, book store.Book, from, to []store.Assignment, at time.Time) error {
	have := toCome(book.Assignments, at)
	if !slices.EqualFunc(have, from, func(a, b store.Assignment) bool { return a.From.Equal(b.From) && same(a, b) }) {
		return fmt.Errorf("loading plan %d: %w: the book has %d jobs to come, %d others are expected; make a new plan", id, store.ErrMoved, len(have), len(from))
	}
	book.Assignments = slices.DeleteFunc(slices.Clone(book.Assignments), func(a store.Assignment) bool { return a.Ahead(at) })
	book.Assignments = append(book.Assignments, to...)
	if err := check(book, new(faults)); err != nil {
		return err
	}
	if _, err := w.exec(ctx, `DELETE FROM assignment WHERE planned OR from_ms > ?`, at.UnixMilli()); err != nil {
		return err
	}
	for _, a := range to {
		if err := w.putJob(ctx, a); err != nil {
			return err
		}
	}
	// An agent whose clock is ahead may have told counts for then already.
	return w.recount(ctx, store.Book{}, store.Book{Assignments: slices.DeleteFunc(slices.Concat(have, to), func(a store.Assignment) bool { return a.Planned })})
}
