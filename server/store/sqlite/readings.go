package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"turnwise/server/store"
)

// checkReading says what is wrong with a reading, nil if nothing.
func checkReading(r *store.Reading) error {
	rolls := r.Kind == store.ReadRolls
	usable := r.Ratio > 0.5 && r.Ratio < 2 && r.SD > 0 && r.SD <= 0.5 && (r.Kind == store.ReadMeter || rolls)
	if !usable || r.Group == "" && !rolls || r.RequestID == "" || r.At.IsZero() || max(len(r.Group), len(r.Lot), len(r.RequestID)) > maxText {
		return fmt.Errorf("reading of %s, group %.40q: %w: %.40q of %g with a spread of %g: meter or rolls, a ratio of 0.5 to 2, a spread above 0 to 0.5, an instant and a request id are expected",
			r.Machine, r.Group, store.ErrInvalid, r.Kind, r.Ratio, r.SD)
	}
	if !(r.Measured > 0 && r.Measured < 1e10) || r.Turns < 1 || r.Turns > 1e9 || rolls != (r.Rolls > 0) || r.Roll < 0 || r.Roll > 0 && int64(r.Rolls) > r.Roll {
		return fmt.Errorf("reading of %s: %w: %g over %d turns, %d rolls, the last of number %d: above 0 and, of rolls, how many of the numbers up to the last are expected",
			r.Machine, store.ErrInvalid, r.Measured, r.Turns, r.Rolls, r.Roll)
	}
	return nil
}

// AddReading keeps what rolls or a yarn meter tell.
func (s *Store) AddReading(ctx context.Context, r store.Reading, dryRun bool) (id int64, err error) {
	if err := checkReading(&r); err != nil {
		return 0, err
	}
	err = s.transact(ctx, "reading of machine "+r.Machine, func(ctx context.Context, w *writer) error {
		m := w.machines[r.Machine]
		if m == nil {
			return fmt.Errorf("reading of %w", store.Unknown("machine", r.Machine))
		}
		var num, roll int64
		var group, kind string
		switch err := w.row(ctx, `SELECT id, machine_num, feed_group, kind, roll FROM creel_reading WHERE request_id = ?`, r.RequestID).Scan(&id, &num, &group, &kind, &roll); {
		case err == nil && (num != m.num || group != r.Group || kind != r.Kind):
			return fmt.Errorf("reading of %s: %w: request id %.40q was used for another one; make a new one", r.Machine, store.ErrInvalid, r.RequestID)
		case err == nil:
			return nil
		case !errors.Is(err, sql.ErrNoRows):
			return err
		}
		if err := w.freeRolls(ctx, m.num, &r); err != nil {
			return err
		}
		res, err := w.exec(ctx, `INSERT INTO creel_reading (request_id, machine_num, feed_group, lot, kind, ratio, sd, at_ms, turns, measured, rolls, roll) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			r.RequestID, m.num, r.Group, r.Lot, r.Kind, r.Ratio, r.SD, r.At.UnixMilli(), r.Turns, r.Measured, r.Rolls, r.Roll)
		if err != nil {
			return err
		}
		if dryRun {
			return errRollback
		}
		id, err = res.LastInsertId()
		return err
	})
	return id, err
}

// freeRolls refuses rolls that were weighed already.
func (w *writer) freeRolls(ctx context.Context, machine int64, r *store.Reading) error {
	if r.Roll == 0 {
		return nil
	}
	var id, roll, at int64
	var rolls int
	var kg float64
	err := w.row(ctx, `SELECT id, roll, rolls, measured, at_ms FROM creel_reading
		WHERE machine_num = ? AND roll > ? AND roll - rolls < ? AND undone_ms IS NULL ORDER BY roll LIMIT 1`, machine, r.Roll-int64(r.Rolls), r.Roll).
		Scan(&id, &roll, &rolls, &kg, &at)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return err
	}
	which := fmt.Sprintf("roll %d", roll)
	if rolls > 1 {
		which = fmt.Sprintf("rolls %d to %d", roll-int64(rolls)+1, roll)
	}
	return fmt.Errorf("weight of roll %d of %s: %w: %s weighed %.2f kg at %s (UTC), reading %d; take that back first, or name another roll",
		r.Roll, r.Machine, store.ErrInvalid, which, kg, ms(at).Format("2006-01-02 15:04"), id)
}

// UndoReading takes a reading back.
func (s *Store) UndoReading(ctx context.Context, machine string, id int64, at time.Time) error {
	return s.transact(ctx, "undo of a reading of machine "+machine, func(ctx context.Context, w *writer) error {
		m := w.machines[machine]
		var undone sql.NullInt64
		err := sql.ErrNoRows
		if m != nil {
			err = w.row(ctx, `SELECT undone_ms FROM creel_reading WHERE id = ? AND machine_num = ?`, id, m.num).Scan(&undone)
		}
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("reading %d of machine %q: %w", id, machine, store.ErrNotFound)
		case err != nil || undone.Valid:
			return err
		}
		_, err = w.exec(ctx, `UPDATE creel_reading SET undone_ms = ? WHERE id = ?`, at.UnixMilli(), id)
		return err
	})
}

// Readings returns the readings since an instant, oldest first.
func (s *Store) Readings(ctx context.Context, since time.Time) ([]store.Reading, error) {
	var out []store.Reading
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var r store.Reading
		var at int64
		err := rows.Scan(&r.ID, &r.RequestID, &r.Machine, &r.Group, &r.Lot, &r.Kind, &r.Ratio, &r.SD, &at, &r.Turns, &r.Measured, &r.Rolls, &r.Roll)
		r.At = ms(at)
		out = append(out, r)
		return err
	}, `SELECT r.id, r.request_id, m.id, r.feed_group, r.lot, r.kind, r.ratio, r.sd, r.at_ms, r.turns, r.measured, r.rolls, r.roll
		FROM creel_reading r JOIN machine m ON m.num = r.machine_num WHERE r.at_ms >= ? AND r.undone_ms IS NULL ORDER BY r.at_ms, r.id`, from(since))
	if err != nil {
		return nil, fmt.Errorf("sqlite: read readings: %w", err)
	}
	return out, nil
}

// ReadingsVersion tells what Readings would return from what it returned before.
func (s *Store) ReadingsVersion(ctx context.Context) (v store.ReadingsVersion, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT coalesce((SELECT max(id) FROM creel_reading), 0), (SELECT count(*) FROM creel_reading WHERE undone_ms IS NOT NULL)`).Scan(&v.Newest, &v.Undone)
	if err != nil {
		return v, fmt.Errorf("sqlite: read readings: %w", err)
	}
	return v, nil
}
