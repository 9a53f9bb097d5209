package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"turnwise/server/store"
)

var _ store.AlarmRecord = (*Store)(nil)

// Limits of the record of alarms.
const (
	mostAlarms    = 10_000
	mostAlarmBody = 64 << 10
)

// KeepAlarms writes alarms and what happened to them.
func (s *Store) KeepAlarms(ctx context.Context, alarms []store.Alarm, acts []store.AlarmAct) error {
	if len(alarms) > mostAlarms || len(acts) > mostAlarms {
		return fmt.Errorf("keep %d alarms and %d acts: %w: at most %d at once are expected", len(alarms), len(acts), store.ErrInvalid, mostAlarms)
	}
	for _, a := range alarms {
		if a.ID == "" || len(a.ID) > 2*maxText || len(a.Body) > mostAlarmBody || !json.Valid(a.Body) {
			return fmt.Errorf("keep alarm %.60q: %w: an id of at most %d bytes and JSON of at most %d are expected", a.ID, store.ErrInvalid, 2*maxText, mostAlarmBody)
		}
	}
	for _, a := range acts {
		if a.Alarm == "" || a.What == "" || a.At.IsZero() || max(len(a.Role), len(a.Reason), len(a.RequestID)) > maxText || !json.Valid(a.After) {
			return fmt.Errorf("keep what happened to alarm %.60q: %w: an act, an instant, texts of at most %d bytes and the alarm as JSON are expected", a.Alarm, store.ErrInvalid, maxText)
		}
	}
	return s.transact(ctx, "keep alarms", func(ctx context.Context, w *writer) error {
		for _, a := range alarms {
			if _, err := w.exec(ctx, `INSERT INTO alarm (id, body) VALUES (?, ?) ON CONFLICT (id) DO UPDATE SET body = excluded.body`, a.ID, string(a.Body)); err != nil {
				return err
			}
		}
		for _, a := range acts {
			if a.RequestID != "" {
				var used bool
				if err := w.row(ctx, `SELECT EXISTS (SELECT 1 FROM alarm_act WHERE request_id = ?)`, a.RequestID).Scan(&used); err != nil {
					return err
				}
				if used {
					return fmt.Errorf("alarm %s: %w: request id %.40q was used before; make a new one", a.Alarm, store.ErrInvalid, a.RequestID)
				}
			}
			told, err := json.Marshal(a.Told)
			if err != nil {
				return err
			}
			request := sql.NullString{String: a.RequestID, Valid: a.RequestID != ""}
			if _, err := w.exec(ctx, `INSERT INTO alarm_act (request_id, alarm, at_ms, what, from_state, to_state, role, reason, told, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
				request, a.Alarm, a.At.UnixMilli(), a.What, a.From, a.To, a.Role, a.Reason, string(told), string(a.After)); err != nil {
				return err
			}
		}
		return nil
	})
}

// ForgetAlarms drops alarms; what happened to them stays.
func (s *Store) ForgetAlarms(ctx context.Context, ids []string) error {
	return s.transact(ctx, "forget alarms", func(ctx context.Context, w *writer) error {
		for _, id := range ids {
			if _, err := w.exec(ctx, `DELETE FROM alarm WHERE id = ?`, id); err != nil {
				return err
			}
		}
		return nil
	})
}

// Alarms returns every alarm that is kept.
func (s *Store) Alarms(ctx context.Context) ([]store.Alarm, error) {
	var out []store.Alarm
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var a store.Alarm
		var body string
		err := rows.Scan(&a.ID, &body)
		a.Body = []byte(body)
		out = append(out, a)
		return err
	}, `SELECT id, body FROM alarm ORDER BY id`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read alarms: %w", err)
	}
	return out, nil
}

const actColumns = `SELECT coalesce(request_id, ''), alarm, at_ms, what, from_state, to_state, role, reason, told, body FROM alarm_act `

func scanAct(rows scanner) (a store.AlarmAct, err error) {
	var at int64
	var told, body string
	if err := rows.Scan(&a.RequestID, &a.Alarm, &at, &a.What, &a.From, &a.To, &a.Role, &a.Reason, &told, &body); err != nil {
		return a, err
	}
	a.At, a.After = ms(at), []byte(body)
	if err := json.Unmarshal([]byte(told), &a.Told); err != nil {
		return a, fmt.Errorf("what happened to alarm %s: %w: who was told is no list: %w", a.Alarm, store.ErrDamaged, err)
	}
	return a, nil
}

// AlarmActs returns what happened in a time.
func (s *Store) AlarmActs(ctx context.Context, from, to time.Time) ([]store.AlarmAct, error) {
	var out []store.AlarmAct
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		a, err := scanAct(rows)
		out = append(out, a)
		return err
	}, actColumns+`WHERE at_ms >= ? AND at_ms < ? ORDER BY id`, from.UnixMilli(), to.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("sqlite: read what happened to alarms: %w", err)
	}
	return out, nil
}

// AlarmAsked finds the act of a request.
func (s *Store) AlarmAsked(ctx context.Context, requestID string) (store.AlarmAct, error) {
	a, err := scanAct(s.read.QueryRowContext(ctx, actColumns+`WHERE request_id = ?`, requestID))
	if errors.Is(err, sql.ErrNoRows) {
		return a, fmt.Errorf("request %.40q: %w", requestID, store.ErrNotFound)
	}
	if err != nil {
		return a, fmt.Errorf("sqlite: look for a request about an alarm: %w", err)
	}
	return a, nil
}

// KeepCalls notes tasks that fell due, and drops those that are old.
func (s *Store) KeepCalls(ctx context.Context, calls []store.TaskCall) error {
	newest := time.Time{}
	for _, c := range calls {
		if c.Task == "" || c.At.IsZero() || max(len(c.Task), len(c.Person), len(c.Machine), len(c.Walk)) > 2*maxText {
			return fmt.Errorf("keep the call of task %.60q: %w: a task and an instant are expected", c.Task, store.ErrInvalid)
		}
		if c.At.After(newest) {
			newest = c.At
		}
	}
	if len(calls) == 0 {
		return nil
	}
	return s.transact(ctx, "keep calls", func(ctx context.Context, w *writer) error {
		for _, c := range calls {
			if _, err := w.exec(ctx, `INSERT INTO task_call (task, machine, person, at_ms, walk) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`, c.Task, c.Machine, c.Person, c.At.UnixMilli(), c.Walk); err != nil {
				return err
			}
		}
		_, err := w.exec(ctx, `DELETE FROM task_call WHERE at_ms < ?`, newest.Add(-store.CallsKept).UnixMilli())
		return err
	})
}

// TaskCalls returns the calls of a time.
func (s *Store) TaskCalls(ctx context.Context, from, to time.Time) ([]store.TaskCall, error) {
	var out []store.TaskCall
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var c store.TaskCall
		var at int64
		err := rows.Scan(&c.Task, &c.Machine, &c.Person, &at, &c.Walk)
		c.At = ms(at)
		out = append(out, c)
		return err
	}, `SELECT task, machine, person, at_ms, walk FROM task_call WHERE at_ms >= ? AND at_ms < ? ORDER BY at_ms, task`, from.UnixMilli(), to.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("sqlite: read calls: %w", err)
	}
	return out, nil
}
