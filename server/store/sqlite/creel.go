package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"turnwise/server/store"
)

var _ store.CreelRecord = (*Store)(nil)

const mostMovedKg = 100_000 // of one move

// Tap notes what somebody does about a task.
func (s *Store) Tap(ctx context.Context, t store.Tap, dryRun bool) (store.TaskState, error) {
	if err := checkTap(t); err != nil {
		return store.TaskState{}, err
	}
	var state store.TaskState
	err := s.transact(ctx, "tap on task "+t.Task, func(ctx context.Context, w *writer) error {
		log, err := readTaps(ctx, w.conn, `WHERE task = ?`, t.Task)
		if err != nil {
			return err
		}
		var task, act string
		switch err := w.row(ctx, `SELECT task, act FROM task_tap WHERE request_id = ?`, t.RequestID).Scan(&task, &act); {
		case err == nil && (task != t.Task || act != t.Act):
			return fmt.Errorf("tap on task %s: %w: request id %.40q was used for %s of task %s; make a new one for each tap", t.Task, store.ErrInvalid, t.RequestID, act, task)
		case err == nil:
			upTo := slices.IndexFunc(log, func(l tap) bool { return l.request == t.RequestID })
			state = fold(log[:upTo+1])[t.Task]
			return nil
		case !errors.Is(err, sql.ErrNoRows):
			return err
		}
		if err := t.InTime(); err != nil { // only now: a repeat was in time once
			return err
		}
		m := w.machines[t.Machine]
		if m == nil {
			return fmt.Errorf("tap on task %s: %w", t.Task, store.Unknown("machine", t.Machine))
		}
		var moved bool
		if state, moved, err = w.tap(ctx, m.num, log, t); err != nil {
			return err
		}
		if dryRun {
			state.Load = 0
			return errRollback
		}
		if moved {
			return w.forget(ctx, false) // the machine's jobs are remembered
		}
		return nil
	})
	return state, err
}

// tap writes a tap that was not heard before, and tells whether it moved jobs.
func (w *writer) tap(ctx context.Context, machine int64, log []tap, t store.Tap) (state store.TaskState, moved bool, err error) {
	if err := permits(log, t); err != nil {
		return state, false, err
	}
	var load sql.NullInt64
	var undone *tap
	switch standing := stands(log); {
	case t.Act == store.ActUndo:
		undone = &standing[len(standing)-1]
		load = undone.load
		if load.Valid {
			if err := w.undoLoad(ctx, load.Int64); err != nil {
				return state, false, err
			}
		}
	case t.Load != nil:
		id, err := w.addLoad(ctx, machine, *t.Load, sql.NullString{})
		if err != nil {
			return state, false, err
		}
		load = sql.NullInt64{Int64: id, Valid: true}
	}
	began, err := w.beginByTap(ctx, t, undone)
	if err != nil {
		return state, false, err
	}
	if _, err := w.exec(ctx, `INSERT INTO task_tap (request_id, task, act, machine, at_ms, heard_ms, load_id, began_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		t.RequestID, t.Task, t.Act, t.Machine, t.At.UnixMilli(), t.Heard.UnixMilli(), load, began); err != nil {
		return state, false, err
	}
	at := time.UnixMilli(t.At.UnixMilli()).UTC()
	return fold(append(log, tap{t.RequestID, t.Task, t.Act, t.Machine, at, load, began}))[t.Task], began.Valid, nil
}

func checkTap(t store.Tap) error {
	bad := func(format string, args ...any) error {
		return fmt.Errorf("tap on task %.60q: %w: %s", t.Task, store.ErrInvalid, fmt.Sprintf(format, args...))
	}
	switch {
	case t.Task == "" || len(t.Task) > 2*maxText || t.RequestID == "" || len(t.RequestID) > maxText:
		return bad("a task and a request id of at most %d bytes are expected", maxText)
	case !slices.Contains([]string{store.ActTake, store.ActDone, store.ActHalf, store.ActUndo, store.ActFixer}, t.Act):
		return bad("act %.40q, expected take, done, half, undo or fixer", t.Act)
	case t.At.IsZero() || t.Heard.IsZero():
		return t.InTime()
	case t.Load == nil:
		return nil
	case t.Act != store.ActDone && t.Act != store.ActHalf || t.Load.Machine != t.Machine:
		return bad("a load comes with done or half, on the machine of the task")
	}
	return checkLoad(*t.Load)
}

// tap is a row of task_tap.
type tap struct {
	request, task, act, machine string
	at                          time.Time
	load                        sql.NullInt64
	began                       sql.NullInt64 // job that it began, or that the undo took back
}

func readTaps(ctx context.Context, q querier, where string, args ...any) ([]tap, error) {
	var log []tap
	err := each(ctx, q, func(rows *sql.Rows) error {
		var t tap
		var at int64
		if err := rows.Scan(&t.request, &t.task, &t.act, &t.machine, &at, &t.load, &t.began); err != nil {
			return err
		}
		t.at = ms(at)
		log = append(log, t)
		return nil
	}, `SELECT request_id, task, act, machine, at_ms, load_id, began_ms FROM task_tap `+where+` ORDER BY id`, args...)
	return log, err
}

// stands are the acts of one task that were not taken back.
func stands(log []tap) []tap {
	var out []tap
	for _, t := range log {
		switch {
		case t.act != store.ActUndo:
			out = append(out, t)
		case len(out) > 0:
			out = out[:len(out)-1]
		}
	}
	return out
}

// stateOf reads a state off the acts of one task that stand.
func stateOf(standing []tap) store.TaskState {
	s := store.TaskState{State: store.TaskDue}
	for _, t := range standing {
		s.Since = t.at
		switch t.act {
		case store.ActTake:
			s.State = store.TaskTaken
			if s.Taken.IsZero() {
				s.Taken = t.at
			}
		case store.ActHalf:
			s.State = store.TaskHalf
		case store.ActDone:
			s.State = store.TaskDone
		case store.ActFixer:
			if s.Fixer.IsZero() {
				s.Fixer = t.at
			}
		}
	}
	return s
}

// fold gives the states of the tasks in a log.
func fold(log []tap) map[string]store.TaskState {
	by := map[string][]tap{}
	for _, t := range log {
		by[t.task] = append(by[t.task], t)
	}
	out := make(map[string]store.TaskState, len(by))
	for task, own := range by {
		s := stateOf(stands(own))
		last := own[len(own)-1]
		s.Task, s.Machine, s.Load = task, last.machine, last.load.Int64
		out[task] = s
	}
	return out
}

// permits says why a tap cannot be, given what was heard of its task.
func permits(log []tap, t store.Tap) error {
	standing := stands(log)
	was := stateOf(standing)
	state := was.State
	no := func(format string, args ...any) error {
		return fmt.Errorf("task %s is %s: %w: %s", t.Task, state, store.ErrTask, fmt.Sprintf(format, args...))
	}
	switch t.Act {
	case store.ActUndo:
		if len(standing) == 0 {
			return no("nothing was told that could be taken back")
		}
		if d := t.At.Sub(standing[len(standing)-1].at); d > store.UndoFor {
			return no("the newest tap was %d s before; only 10 s are given to take it back; tell the shift supervisor", int(d.Seconds()))
		}
	case store.ActTake:
		if lapsed := state == store.TaskTaken && t.At.Sub(was.Since) >= store.TakenHolds; state != store.TaskDue && !lapsed {
			return no("it cannot be taken; go to the next one")
		}
	case store.ActHalf:
		if state == store.TaskHalf || state == store.TaskDone {
			return no("half of it was told before; say done when the rest is changed")
		}
	case store.ActDone:
		if state == store.TaskDone {
			return no("it was told before and counts once; go to the next one")
		}
	}
	return nil
}

// Heard tells whether a tap of that request id was taken.
func (s *Store) Heard(ctx context.Context, requestID string) (heard bool, err error) {
	if err := s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM task_tap WHERE request_id = ?)`, requestID).Scan(&heard); err != nil {
		return false, fmt.Errorf("sqlite: look for a tap: %w", err)
	}
	return heard, nil
}

// Taps returns the states of tasks that were tapped since an instant.
func (s *Store) Taps(ctx context.Context, since time.Time) (map[string]store.TaskState, error) {
	log, err := readTaps(ctx, s.read, `WHERE task IN (SELECT task FROM task_tap WHERE heard_ms >= ?)`, since.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("sqlite: read taps: %w", err)
	}
	return fold(log), nil
}

// MoveLot moves yarn between the store and a machine.
func (s *Store) MoveLot(ctx context.Context, m store.LotMove, dryRun bool) (store.LotMoves, error) {
	if !(math.Abs(m.Kg) <= mostMovedKg) || m.Kg == 0 || m.RequestID == "" || max(len(m.RequestID), len(m.Lot)) > maxText || m.At.IsZero() {
		return store.LotMoves{}, fmt.Errorf("move of lot %.40q: %g kg: %w: net kilos above 0 to %d, an instant and a request id are expected", m.Lot, m.Kg, store.ErrInvalid, mostMovedKg)
	}
	var moves store.LotMoves
	err := s.transact(ctx, "move of lot "+m.Lot, func(ctx context.Context, w *writer) error {
		b, err := readBook(ctx, w.conn)
		if err != nil {
			return err
		}
		lot, known := index(b.Lots, lotID)[m.Lot]
		if !known || w.machines[m.Machine] == nil {
			return fmt.Errorf("move of lot %q to or from machine %q: %w: apply both with the book first", m.Lot, m.Machine, store.ErrNotFound)
		}
		var of, at string
		var kg float64
		switch err := w.row(ctx, `SELECT lot, machine, kg FROM lot_move WHERE request_id = ?`, m.RequestID).Scan(&of, &at, &kg); {
		case err == nil && (of != m.Lot || at != m.Machine || kg != m.Kg):
			return fmt.Errorf("move of lot %s: %w: request id %.40q was used for %g kg of lot %s at %s; make a new one", m.Lot, store.ErrInvalid, m.RequestID, kg, of, at)
		case err == nil:
			all, err := readMoves(ctx, w.conn)
			moves = all[m.Lot]
			return err
		case !errors.Is(err, sql.ErrNoRows):
			return err
		}
		all, err := readMoves(ctx, w.conn)
		if err != nil {
			return err
		}
		const gram = 0.001 // sums of decimals are not exact
		if left := lot.StoreKg - all[m.Lot].OutKg; m.Kg > left+gram {
			return fmt.Errorf("requisition of %g kg of lot %s: %w: %.1f kg are in the store; ask for less, or enter what came in", m.Kg, m.Lot, store.ErrInvalid, left)
		}
		there, err := w.returnable(ctx, m.Lot, m.Machine, all[m.Lot].ByMachine[m.Machine])
		if err != nil {
			return err
		}
		if -m.Kg > there+gram {
			return fmt.Errorf("return of %g kg of lot %s from %s: %w: %.1f kg were requisitioned there, or taken off its creel; weigh without cores, or return from the right machine", -m.Kg, m.Lot, m.Machine, store.ErrInvalid, there)
		}
		if _, err := w.exec(ctx, `INSERT INTO lot_move (request_id, lot, machine, kg, at_ms) VALUES (?, ?, ?, ?, ?)`, m.RequestID, m.Lot, m.Machine, m.Kg, m.At.UnixMilli()); err != nil {
			return err
		}
		if all, err = readMoves(ctx, w.conn); err != nil {
			return err
		}
		moves = all[m.Lot]
		if dryRun {
			return errRollback
		}
		return nil
	})
	return moves, err
}

// returnable is what may come back of a lot from a machine: what was requisitioned, less what came back. Where
// nobody requisitions, it is what was taken off the creel.
func (w *writer) returnable(ctx context.Context, lot, machine string, net float64) (float64, error) {
	var requisitioned bool
	var off float64
	err := w.row(ctx, `SELECT EXISTS (SELECT 1 FROM lot_move WHERE lot = :lot AND machine = :machine AND kg > 0),
		(SELECT coalesce(sum(l.cones * l.cone_kg), 0) FROM creel_load l JOIN machine m ON m.num = l.machine_num WHERE m.id = :machine AND l.lot = :lot AND l.work = :off AND l.undone = 0)`,
		sql.Named("lot", lot), sql.Named("machine", machine), sql.Named("off", store.LoadOff)).Scan(&requisitioned, &off)
	if requisitioned {
		off = 0
	}
	return net + off, err
}

func readMoves(ctx context.Context, q querier) (map[string]store.LotMoves, error) {
	out := map[string]store.LotMoves{}
	err := each(ctx, q, func(rows *sql.Rows) error {
		var lot, machine string
		var kg float64
		var first int64
		if err := rows.Scan(&lot, &machine, &kg, &first); err != nil {
			return err
		}
		m := out[lot]
		if m.ByMachine == nil {
			m.ByMachine, m.Since = map[string]float64{}, map[string]time.Time{}
		}
		m.Since[machine] = ms(first)
		m.OutKg += kg
		m.ByMachine[machine] = kg
		out[lot] = m
		return nil
	}, `SELECT lot, machine, sum(kg), min(at_ms) FROM lot_move GROUP BY lot, machine ORDER BY lot, machine`)
	return out, err
}

// LotMoves returns what was moved, by lot.
func (s *Store) LotMoves(ctx context.Context) (map[string]store.LotMoves, error) {
	m, err := readMoves(ctx, s.read)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read moves of lots: %w", err)
	}
	return m, nil
}

// ReleaseLot lets a lot onto a machine.
func (s *Store) ReleaseLot(ctx context.Context, r store.LotRelease, dryRun bool) (store.LotRelease, error) {
	if r.Role == "" || r.Reason == "" || r.RequestID == "" || r.At.IsZero() || max(len(r.Role), len(r.Reason), len(r.RequestID), len(r.Lot)) > maxText {
		return store.LotRelease{}, fmt.Errorf("release of lot %.40q: %w: a role, a reason and a request id of at most %d bytes are expected", r.Lot, store.ErrInvalid, maxText)
	}
	r.At = time.UnixMilli(r.At.UnixMilli()).UTC()
	err := s.transact(ctx, "release of lot "+r.Lot, func(ctx context.Context, w *writer) error {
		b, err := readBook(ctx, w.conn)
		if err != nil {
			return err
		}
		if _, known := index(b.Lots, lotID)[r.Lot]; !known || w.machines[r.Machine] == nil {
			return fmt.Errorf("release of lot %q for machine %q: %w: apply both with the book first", r.Lot, r.Machine, store.ErrNotFound)
		}
		all, err := readReleases(ctx, w.conn)
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(all, func(o store.LotRelease) bool { return o.RequestID == r.RequestID }); i >= 0 {
			if o := all[i]; o.Lot != r.Lot || o.Machine != r.Machine {
				return fmt.Errorf("release of lot %s: %w: request id %.40q was used for lot %s on %s; make a new one", r.Lot, store.ErrInvalid, r.RequestID, o.Lot, o.Machine)
			}
			r = all[i]
			return nil
		}
		if _, err := w.exec(ctx, `INSERT INTO lot_release (request_id, lot, machine, role, reason, at_ms) VALUES (?, ?, ?, ?, ?, ?)`,
			r.RequestID, r.Lot, r.Machine, r.Role, r.Reason, r.At.UnixMilli()); err != nil {
			return err
		}
		if dryRun {
			return errRollback
		}
		return nil
	})
	return r, err
}

func readReleases(ctx context.Context, q querier) ([]store.LotRelease, error) {
	var out []store.LotRelease
	err := each(ctx, q, func(rows *sql.Rows) error {
		var r store.LotRelease
		var at int64
		if err := rows.Scan(&r.RequestID, &r.Lot, &r.Machine, &r.Role, &r.Reason, &at); err != nil {
			return err
		}
		r.At = ms(at)
		out = append(out, r)
		return nil
	}, `SELECT request_id, lot, machine, role, reason, at_ms FROM lot_release ORDER BY id`)
	return out, err
}

// LotReleases returns all releases, oldest first.
func (s *Store) LotReleases(ctx context.Context) ([]store.LotRelease, error) {
	out, err := readReleases(ctx, s.read)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read releases of lots: %w", err)
	}
	return out, nil
}
