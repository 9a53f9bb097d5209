package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// RollUpOptions tunes RollUp.
type RollUpOptions struct {
	// Before is the instant: fine cells of from it on stay. It is rounded down to
	// a whole hour.
	Before time.Time
	// DryRun tells what would be rolled up and changes nothing.
	DryRun bool
	// Rest is called before each transaction, when nothing is held. It may
	// wait; its error ends it. Nil waits for nothing.
	Rest func(context.Context) error
}

// RolledUp tells what was rolled up, or would be.
type RolledUp struct {
	Before time.Time `json:"before"`
	Cells  int64     `json:"cells"` // that are not kept any more
}

// cellsAtOnce bounds a transaction: it spans so many hours that it has about so
// many cells.
const cellsAtOnce = 3000

// RollUp keeps the cells of before an instant by hours only. The hours have been
// counted all along; fine cells go only where they add up to them. What comes in
// later for that time is booked in hours.
func (s *Store) RollUp(ctx context.Context, o RollUpOptions) (*RolledUp, error) {
	if o.Rest == nil {
		o.Rest = func(context.Context) error { return nil }
	}
	to := tally.CellStart(o.Before.UnixMilli(), hourMS)
	out := &RolledUp{Before: ms(to)}
	if o.DryRun {
		err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM machine m JOIN rollup r ON r.grain_ms = ? AND r.machine_num = m.num AND r.start_ms < ?`, tally.Fine, to).Scan(&out.Cells)
		if err != nil {
			return out, fmt.Errorf("sqlite: count fine cells: %w", err)
		}
		return out, nil
	}
	for {
		if err := o.Rest(ctx); err != nil {
			return out, err
		}
		if err := ctx.Err(); err != nil {
			return out, err
		}
		done := false
		var cells int64
		err := s.transact(ctx, "roll-up of fine cells", func(ctx context.Context, w *writer) error {
			until, err := w.nextHours(ctx, to)
			if err != nil {
				return err
			}
			if until <= w.fineFrom {
				done = true
				return errRollback
			}
			cells, err = w.rollUp(ctx, until)
			return err
		})
		if err != nil {
			return out, err
		}
		out.Cells += cells
		if done {
			return out, nil
		}
	}
}

// nextHours is up to where the next transaction goes, at most to an instant.
func (w *writer) nextHours(ctx context.Context, to int64) (int64, error) {
	var oldest sql.NullInt64
	var machines int64
	err := w.row(ctx, `SELECT min((SELECT min(start_ms) FROM rollup WHERE grain_ms = ? AND machine_num = m.num)), count(*) FROM machine m`, tally.Fine).Scan(&oldest, &machines)
	if err != nil || !oldest.Valid || oldest.Int64 >= to {
		return to, err
	}
	hours := max(cellsAtOnce/(max(machines, 1)*(hourMS/tally.Fine)), 1)
	return min(tally.CellStart(oldest.Int64, hourMS)+hours*hourMS, to), nil
}

// hourOf is the SQL of the hour in which a cell begins.
const hourOf = `(start_ms - ((start_ms % 3600000) + 3600000) % 3600000)`

// rollUp keeps cells of before an instant, a whole hour, by hours.
func (w *writer) rollUp(ctx context.Context, until int64) (cells int64, err error) {
	// Every hour that loses cells must be what they add up to.
	err = each(ctx, w.conn, func(rows *sql.Rows) error {
		var machine string
		var start int64
		if err := rows.Scan(&machine, &start); err != nil {
			return err
		}
		return fmt.Errorf("rollup of machine %s: the fine cells of %s do not add up to the hour: %w; %s", machine, ms(start).Format("2006-01-02T15Z"), store.ErrDamaged, repairDamage)
	}, `SELECT m.id, f.hour FROM machine m JOIN (
			SELECT machine_num, `+hourOf+` AS hour, sum(revolutions) AS revolutions, sum(run_ms) AS run, sum(stop_ms) AS stop, sum(unknown_ms) AS unknown, sum(stops) AS stops, sum(inched) AS inched
			FROM machine JOIN rollup ON grain_ms = ?1 AND machine_num = num AND start_ms < ?2 GROUP BY 1, 2) f ON f.machine_num = m.num
		LEFT JOIN rollup h ON h.grain_ms = ?3 AND h.machine_num = m.num AND h.start_ms = f.hour
		WHERE (h.revolutions, h.run_ms, h.stop_ms, h.unknown_ms, h.stops, h.inched) IS NOT (f.revolutions, f.run, f.stop, f.unknown, f.stops, f.inched)`,
		tally.Fine, until, hourMS)
	if err != nil {
		return 0, err
	}
	if _, err := w.exec(ctx, `INSERT INTO base_rollup (grain_ms, machine_num, start_ms, revolutions, run_ms, stop_ms, unknown_ms, stops, inched)
		SELECT ?1, machine_num, `+hourOf+`, sum(revolutions), sum(run_ms), sum(stop_ms), sum(unknown_ms), sum(stops), sum(inched)
		FROM machine JOIN base_rollup ON grain_ms = ?2 AND machine_num = num AND start_ms < ?3 WHERE true GROUP BY 2, 3
		ON CONFLICT DO UPDATE SET revolutions = revolutions + excluded.revolutions, run_ms = run_ms + excluded.run_ms,
			stop_ms = stop_ms + excluded.stop_ms, unknown_ms = unknown_ms + excluded.unknown_ms, stops = stops + excluded.stops,
			inched = inched + excluded.inched`, hourMS, tally.Fine, until); err != nil {
		return 0, err
	}
	for _, table := range []ledger{base, current} {
		res, err := w.exec(ctx, `DELETE FROM `+string(table)+`rollup WHERE grain_ms = ?1 AND machine_num IN (SELECT num FROM machine) AND start_ms < ?2`, tally.Fine, until)
		if err != nil {
			return 0, err
		}
		if cells, err = res.RowsAffected(); err != nil {
			return 0, err
		}
	}
	if _, err := w.exec(ctx, `UPDATE meta SET fine_from_ms = ?`, until); err != nil {
		return 0, err
	}
	w.fineFrom = until
	return cells, nil
}
