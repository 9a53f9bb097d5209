package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// States returns every machine as committed.
func (s *Store) States(ctx context.Context) ([]store.MachineState, error) {
	var states []store.MachineState
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		m, err := scanMachine(rows)
		if err == nil {
			states = append(states, state(m))
		}
		return err
	}, machineQuery)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read the machines: %w", err)
	}
	return states, nil
}

const machineQuery = `SELECT m.num, m.id, coalesce(a.heard, 0), coalesce(a.first_ms, 0), coalesce(a.last_ms, 0), coalesce(a.revolutions, 0), coalesce(a.inched, 0),
		coalesce(a.stops, 0), coalesce(a.run_ms, 0), coalesce(a.stop_ms, 0), coalesce(a.unknown_ms, 0), coalesce(a.lost_min, 0),
		coalesce(a.lost_max, 0), coalesce(a.since_ms, 0), coalesce(a.doff_at, 0), coalesce(a.doffs, 0), coalesce(a.speed_revs, 0),
		coalesce(a.speed_ms, 0), s.id, s.begin_ms, coalesce(s.cause, ''), coalesce(s.side, ''), coalesce(s.input, 0), coalesce(s.revolutions, 0)
	FROM machine m LEFT JOIN account a ON a.machine_num = m.num
	LEFT JOIN stop s ON s.machine_num = m.num AND s.id = a.open_stop ORDER BY m.id`

func scanMachine(rows *sql.Rows) (*machine, error) {
	m := new(machine)
	var stop []byte
	var begin sql.NullInt64
	var open tally.Stop
	err := rows.Scan(&m.num, &m.id, &m.Heard, &m.First, &m.Last, &m.Revolutions, &m.Inched, &m.Stops, &m.RunMS, &m.StopMS, &m.UnknownMS, &m.LostMin,
		&m.LostMax, &m.Since, &m.DoffAt, &m.Doffs, &m.SpeedRevs, &m.SpeedMS, &stop, &begin, &open.Cause, &open.Side, &open.Input, &open.Revolutions)
	if stop != nil {
		open.ID, open.Begun, open.Begin = id(stop), begin.Valid, begin.Int64
		m.Open = &open
	}
	return m, err
}

// Totals returns the books of every machine, and whether every stream is
// stored up to the newest record that its agent told of.
func (s *Store) Totals(ctx context.Context) ([]store.Totals, bool, error) {
	// Before the sums are read: what comes in later can only make them newer.
	outstanding, _ := s.heads.outstanding()
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, false, fmt.Errorf("sqlite: read the totals: %w", err)
	}
	defer tx.Rollback()
	totals, err := readTotals(ctx, tx)
	if err != nil {
		return nil, false, fmt.Errorf("sqlite: read the totals: %w", err)
	}
	return totals, outstanding == 0, nil
}

func readTotals(ctx context.Context, tx *sql.Tx) ([]store.Totals, error) {
	var totals []store.Totals
	byNum := map[int64]int{}
	err := each(ctx, tx, func(rows *sql.Rows) error {
		m, err := scanMachine(rows)
		if err != nil {
			return err
		}
		byNum[m.num] = len(totals)
		totals = append(totals, store.Totals{
			Machine: m.id, Revolutions: m.Revolutions, Inched: m.Inched, Stops: m.Stops, ByCause: map[string]int64{}, OpenStop: m.Open != nil && m.Open.Input,
			LostMin: m.LostMin, LostMax: m.LostMax, RunMS: m.RunMS, StopMS: m.StopMS, UnknownMS: m.UnknownMS,
		})
		return nil
	}, machineQuery)
	if err != nil {
		return nil, err
	}
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var num, n int64
		var cause string
		err := rows.Scan(&num, &cause, &n)
		if err == nil {
			totals[byNum[num]].ByCause[cause] = n
		}
		return err
	}, `SELECT machine_num, cause, stops FROM cause_count`)
	if err != nil {
		return nil, err
	}
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var num, from int64
		var c store.AssignmentCount
		if err := rows.Scan(&num, &from, &c.Revolutions, &c.Order, &c.Card); err != nil {
			return err
		}
		t := &totals[byNum[num]]
		c.Machine = t.Machine
		if from != tally.BeforeFirst {
			c.From = ms(from)
		}
		t.Counted = append(t.Counted, c)
		return nil
	}, `SELECT c.machine_num, c.from_ms, c.revolutions, coalesce(a.order_id, ''), coalesce(a.card, '') FROM assignment_count c
		LEFT JOIN assignment a ON a.machine_num = c.machine_num AND a.from_ms = c.from_ms ORDER BY c.machine_num, c.from_ms`)
	return totals, err
}

// The range of instants a query may name, in ms.
const minMS, maxMS = math.MinInt64 / 4, math.MaxInt64 / 4

// from and to turn the borders of a query into ms; a zero time is no border.
func from(t time.Time) int64 { return border(t, minMS) }
func to(t time.Time) int64   { return border(t, maxMS) }

func border(t time.Time, none int64) int64 {
	if t.IsZero() {
		return none
	}
	return t.UnixMilli()
}

// Stops returns stops that overlap the query, newest first. Of the stops that
// begin before it only the last one of a machine can reach into it.
func (s *Store) Stops(ctx context.Context, q store.StopQuery) ([]store.Stop, error) {
	const most = 10_000
	limit := q.Limit
	if limit <= 0 || limit > most {
		limit = most
	}
	var stops []store.Stop
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		x, err := scanStop(rows)
		if err == nil {
			stops = append(stops, x)
		}
		return err
	}, `SELECT machine, id, begin_ms, end_ms, cause, side, input, revolutions FROM (
			SELECT m.id AS machine, s.* FROM machine m CROSS JOIN stop s ON s.machine_num = m.num AND s.begin_ms >= :from AND s.begin_ms < :to
			WHERE :machine = '' OR m.id = :machine
			UNION ALL
			SELECT m.id AS machine, s.* FROM machine m CROSS JOIN stop s ON s.machine_num = m.num
				AND s.id = (SELECT id FROM stop WHERE machine_num = m.num AND begin_ms < :from ORDER BY begin_ms DESC, id DESC LIMIT 1)
			WHERE (:machine = '' OR m.id = :machine) AND (s.end_ms IS NULL OR s.end_ms > :from) AND s.begin_ms < :to)
		WHERE begin_ms < :before OR begin_ms = :before AND id < :before_id
		ORDER BY begin_ms DESC, id DESC LIMIT :limit`,
		sql.Named("from", from(q.From)), sql.Named("to", to(q.To)), sql.Named("machine", q.Machine),
		sql.Named("before", to(q.Before)), sql.Named("before_id", q.BeforeID[:]), sql.Named("limit", limit))
	if err != nil {
		return nil, fmt.Errorf("sqlite: list stops: %w", err)
	}
	return stops, nil
}

func scanStop(rows *sql.Rows) (x store.Stop, err error) {
	var b []byte
	var begin int64
	var end sql.NullInt64
	err = rows.Scan(&x.Machine, &b, &begin, &end, &x.Cause, &x.Side, &x.Input, &x.Revolutions)
	x.ID, x.Begin = id(b), ms(begin)
	if end.Valid {
		x.End = ms(end.Int64)
	}
	return x, err
}

// Rollups returns the cells of one grain that overlap [From, To); of a time of
// which only hours are kept, those.
func (s *Store) Rollups(ctx context.Context, q store.RollupQuery) ([]store.Rollup, error) {
	grain := int64(q.Grain) / 1e6
	if q.Grain != store.Fine && q.Grain != store.Hour {
		return nil, fmt.Errorf("cells of %v: %w: %v or %v are kept", time.Duration(q.Grain), store.ErrInvalid, time.Duration(store.Fine), time.Duration(store.Hour))
	}
	cells, err := s.cells(ctx, plainCells, q, grain)
	if err != nil || q.Grain == store.Hour {
		return cells, err
	}
	// The border only moves on: what is of after it now was so before.
	var fineFrom int64
	if err := s.read.QueryRowContext(ctx, `SELECT fine_from_ms FROM meta`).Scan(&fineFrom); err != nil {
		return nil, fmt.Errorf("sqlite: read rollups: %w", err)
	}
	if from(q.From) >= fineFrom {
		return cells, nil
	}
	return s.cells(ctx, cellsOrHours, q, grain)
}

const (
	plainCells = `SELECT m.id, r.start_ms, r.revolutions, r.run_ms, r.stop_ms, r.unknown_ms, r.stops, r.inched, 0
		FROM (SELECT num, id FROM machine WHERE :machine = '' OR id = :machine) m
		CROSS JOIN rollup r ON r.grain_ms = :grain AND r.machine_num = m.num AND r.start_ms > :from AND r.start_ms < :to
		ORDER BY m.id, r.start_ms`
	cellsOrHours = `WITH m AS (SELECT num, id FROM machine WHERE :machine = '' OR id = :machine)
		SELECT m.id, r.start_ms, r.revolutions, r.run_ms, r.stop_ms, r.unknown_ms, r.stops, r.inched, 0
		FROM m CROSS JOIN rollup r ON r.grain_ms = :grain AND r.machine_num = m.num AND r.start_ms > :from AND r.start_ms < :to
		UNION ALL
		SELECT m.id, r.start_ms, r.revolutions, r.run_ms, r.stop_ms, r.unknown_ms, r.stops, r.inched, 1
		FROM m CROSS JOIN rollup r ON r.grain_ms = 3600000 AND r.machine_num = m.num AND r.start_ms > :from + :grain - 3600000
			AND r.start_ms < min(:to, (SELECT fine_from_ms FROM meta))
		ORDER BY 1, 2`
)

func (s *Store) cells(ctx context.Context, query string, q store.RollupQuery, grain int64) (cells []store.Rollup, err error) {
	err = each(ctx, s.read, func(rows *sql.Rows) error {
		var x store.Rollup
		var start int64
		err := rows.Scan(&x.Machine, &start, &x.Revolutions, &x.RunMS, &x.StopMS, &x.UnknownMS, &x.Stops, &x.Inched, &x.Whole)
		x.Start = ms(start)
		cells = append(cells, x)
		return err
	}, query, sql.Named("machine", q.Machine), sql.Named("grain", grain), sql.Named("from", from(q.From)-grain), sql.Named("to", to(q.To)))
	if err != nil {
		return nil, fmt.Errorf("sqlite: read rollups: %w", err)
	}
	return cells, nil
}

// Gaps returns unknown times that overlap [a, b), oldest first.
func (s *Store) Gaps(ctx context.Context, a, b time.Time) ([]store.Gap, error) {
	var gaps []store.Gap
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var g store.Gap
		var x, y int64
		err := rows.Scan(&g.Machine, &x, &y, &g.Reason)
		g.From, g.To = ms(x), ms(y)
		gaps = append(gaps, g)
		return err
	}, `SELECT m.id, g.from_ms, g.to_ms, g.reason FROM gap g JOIN machine m ON m.num = g.machine_num
		WHERE g.from_ms < ? AND g.to_ms > ? ORDER BY g.from_ms, m.id`, to(b), from(a))
	if err != nil {
		return nil, fmt.Errorf("sqlite: list gaps: %w", err)
	}
	return gaps, nil
}

// RevolutionsAt tells a machine's revolutions up to an instant: whole cells,
// and of the last one, which is an hour where finer ones are not kept, a share by time.
func (s *Store) RevolutionsAt(ctx context.Context, machine string, at time.Time) (int64, error) {
	t := at.UnixMilli()
	cell := tally.CellStart(t, tally.Fine)
	hour := tally.CellStart(t, int64(store.Hour)/1e6)
	var known, heard, last, all, hours, fine, part, whole int64
	var old bool
	err := s.read.QueryRowContext(ctx, `SELECT count(m.num), coalesce(max(a.heard), 0), coalesce(max(a.last_ms), 0), coalesce(max(a.revolutions), 0),
			coalesce((SELECT sum(revolutions) FROM rollup WHERE grain_ms = :hourly AND machine_num = m.num AND start_ms < :hour), 0),
			coalesce((SELECT sum(revolutions) FROM rollup WHERE grain_ms = :fine AND machine_num = m.num AND start_ms >= :hour AND start_ms < :cell), 0),
			coalesce((SELECT revolutions FROM rollup WHERE grain_ms = :fine AND machine_num = m.num AND start_ms = :cell), 0),
			coalesce((SELECT revolutions FROM rollup WHERE grain_ms = :hourly AND machine_num = m.num AND start_ms = :hour), 0),
			coalesce((SELECT fine_from_ms > :hour FROM meta), 0)
		FROM machine m LEFT JOIN account a ON a.machine_num = m.num WHERE m.id = :machine`,
		sql.Named("hourly", int64(store.Hour)/1e6), sql.Named("fine", tally.Fine), sql.Named("hour", hour), sql.Named("cell", cell), sql.Named("machine", machine)).
		Scan(&known, &heard, &last, &all, &hours, &fine, &part, &whole, &old)
	switch {
	case err != nil:
		return 0, fmt.Errorf("sqlite: read the revolutions of machine %s: %w", machine, err)
	case known == 0:
		return 0, fmt.Errorf("revolutions of machine %q: %w", machine, store.ErrNotFound)
	case heard == 0 || t >= last:
		return all, nil
	}
	if old {
		return hours + int64(float64(whole)*float64(t-hour)/float64(min(hourMS, last-hour))), nil
	}
	return hours + fine + int64(float64(part)*float64(t-cell)/float64(min(tally.Fine, last-cell))), nil
}
