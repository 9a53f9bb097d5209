package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"maps"
	"slices"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// accountColumns in the order in which they are read and written.
const accountColumns = `machine_num, heard, first_ms, last_ms, revolutions, stops, run_ms, stop_ms, unknown_ms,
	lost_min, lost_max, since_ms, doff_at, doffs, speed_revs, speed_ms, stream_num, open_stop, life, life_per_rev, gone, inched, max_rpm`

// lifeColumns in the order in which they are read and written.
const lifeColumns = `machine_num, id, per_rev, counted, min, max, min_ms, max_ms, lost_min, lost_max,
	raw, ext, raw_bits, read_ms, read_stream, read_boot, read_boottime, prev, prev_per_rev, prev_to`

// ledger is the tables of kept sums, by what their names begin with.
type ledger string

const (
	current ledger = ""
	base    ledger = "base_" // of the dropped records alone
)

// save writes what records have changed in a machine's account.
func (w *writer) save(ctx context.Context, in ledger, m *machine, c *tally.Changes) error {
	var open []byte
	if m.Open != nil {
		open = m.Open.ID[:]
	}
	if _, err := w.exec(ctx, `INSERT OR REPLACE INTO `+string(in)+`account (`+accountColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		m.num, m.Heard, m.First, m.Last, m.Revolutions, m.Stops, m.RunMS, m.StopMS, m.UnknownMS,
		m.LostMin, m.LostMax, m.Since, m.DoffAt, m.Doffs, m.SpeedRevs, m.SpeedMS, m.Stream, open,
		m.Current.ID[:], m.Current.PerRev, m.Gone, m.Inched, m.MaxRPM); err != nil {
		return err
	}
	for k := range c.Lives {
		l := m.Lives[k]
		if _, err := w.exec(ctx, `INSERT OR REPLACE INTO `+string(in)+`life (`+lifeColumns+`)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, m.num, k.ID[:], k.PerRev, l.Counted, int64(l.Min), int64(l.Max), l.MinAt, l.MaxAt,
			int64(l.LostMin), int64(l.LostMax), int64(l.Read.Raw), int64(l.Read.Ext), l.Read.Bits, l.Read.At, l.Read.Stream, l.Read.Boot, l.Read.Boottime,
			l.Prev.ID[:], l.Prev.PerRev, int64(l.PrevTo)); err != nil {
			return err
		}
	}
	for k := range c.Joins {
		j := m.Joins[k]
		if _, err := w.exec(ctx, `INSERT OR REPLACE INTO `+string(in)+`life_join (machine_num, id, per_rev, to_id, add_counts) VALUES (?, ?, ?, ?, ?)`,
			m.num, k.ID[:], k.PerRev, j.To.ID[:], int64(j.Offset)); err != nil {
			return err
		}
	}
	for _, s := range c.Stops {
		if err := w.saveStop(ctx, in, m.num, s); err != nil {
			return err
		}
	}
	for _, g := range c.Gaps {
		if _, err := w.exec(ctx, `INSERT INTO `+string(in)+`gap (machine_num, from_ms, to_ms, reason) VALUES (?, ?, ?, ?)`, m.num, g.From, g.To, g.Reason); err != nil {
			return err
		}
	}
	for cause, n := range c.Causes {
		if _, err := w.exec(ctx, `INSERT INTO `+string(in)+`cause_count (machine_num, cause, stops) VALUES (?, ?, ?)
			ON CONFLICT DO UPDATE SET stops = stops + excluded.stops`, m.num, cause, n); err != nil {
			return err
		}
	}
	for from, n := range c.Counts {
		if _, err := w.exec(ctx, addCount(in), m.num, from, n); err != nil {
			return err
		}
	}
	return w.saveCells(ctx, in, m.num, c.Cells)
}

func addCount(in ledger) string {
	return `INSERT INTO ` + string(in) + `assignment_count (machine_num, from_ms, revolutions) VALUES (?, ?, ?)
	ON CONFLICT DO UPDATE SET revolutions = revolutions + excluded.revolutions`
}

// hourMS is the coarser grain, in ms.
const hourMS = int64(store.Hour) / 1e6

// hours adds fine cells up.
func hours(fine map[int64]*tally.Cell) map[int64]*tally.Cell {
	all := map[int64]*tally.Cell{}
	for start, x := range fine {
		h := all[tally.CellStart(start, hourMS)]
		if h == nil {
			h = new(tally.Cell)
			all[tally.CellStart(start, hourMS)] = h
		}
		h.Revolutions += x.Revolutions
		h.RunMS += x.RunMS
		h.StopMS += x.StopMS
		h.UnknownMS += x.UnknownMS
		h.Inched += x.Inched
		h.Stops += x.Stops
	}
	return all
}

// saveCells adds to the cells of both grains. Fine cells of a time that is kept
// by hours are not written. The base has no hours but those: others follow from
// its fine cells.
func (w *writer) saveCells(ctx context.Context, in ledger, num int64, cells map[int64]*tally.Cell) error {
	fine, old := map[int64]*tally.Cell{}, map[int64]*tally.Cell{}
	for start, x := range cells {
		if start < w.fineFrom {
			old[start] = x
		} else {
			fine[start] = x
		}
	}
	whole := hours(cells)
	if in == base {
		whole = hours(old)
	}
	for grain, cells := range map[int64]map[int64]*tally.Cell{tally.Fine: fine, hourMS: whole} {
		for _, start := range slices.Sorted(maps.Keys(cells)) {
			x := cells[start]
			if _, err := w.exec(ctx, `INSERT INTO `+string(in)+`rollup (grain_ms, machine_num, start_ms, revolutions, run_ms, stop_ms, unknown_ms, stops, inched)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
				ON CONFLICT DO UPDATE SET revolutions = revolutions + excluded.revolutions, run_ms = run_ms + excluded.run_ms,
					stop_ms = stop_ms + excluded.stop_ms, unknown_ms = unknown_ms + excluded.unknown_ms, stops = stops + excluded.stops,
					inched = inched + excluded.inched`,
				grain, num, start, x.Revolutions, x.RunMS, x.StopMS, x.UnknownMS, x.Stops, x.Inched); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w *writer) saveStop(ctx context.Context, in ledger, num int64, s *tally.Stop) error {
	var begin, end, latest, seen sql.NullInt64
	if s.Begun {
		begin = sql.NullInt64{Int64: s.Begin, Valid: true}
	}
	if s.Ended {
		end, latest = sql.NullInt64{Int64: s.End, Valid: true}, sql.NullInt64{Int64: s.Latest, Valid: true}
	}
	if s.Unwatched {
		seen = sql.NullInt64{Int64: s.Seen, Valid: true}
	}
	_, err := w.exec(ctx, `INSERT OR REPLACE INTO `+string(in)+`stop (machine_num, id, begin_ms, end_ms, latest_ms, seen_ms, sure, cause, side, input, revolutions)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, num, s.ID[:], begin, end, latest, seen, s.Sure, s.Cause, s.Side, s.Input, s.Revolutions)
	return err
}

// stopColumns in the order in which they are read.
const stopColumns = `id, begin_ms, end_ms, latest_ms, seen_ms, sure, cause, side, input, revolutions`

func scanTallyStop(row scanner) (*tally.Stop, error) {
	s := new(tally.Stop)
	var b []byte
	var begin, end, latest, seen sql.NullInt64
	if err := row.Scan(&b, &begin, &end, &latest, &seen, &s.Sure, &s.Cause, &s.Side, &s.Input, &s.Revolutions); err != nil {
		return nil, err
	}
	s.ID = id(b)
	s.Begun, s.Begin = begin.Valid, begin.Int64
	s.Ended, s.End, s.Latest = end.Valid, end.Int64, latest.Int64
	s.Unwatched, s.Seen = seen.Valid, seen.Int64
	return s, nil
}

// findStop reads a stop of a machine; nil where there is none.
func (w *writer) findStop(ctx context.Context, in ledger, num int64, stop store.ID) (*tally.Stop, error) {
	s, err := scanTallyStop(w.row(ctx, `SELECT `+stopColumns+` FROM `+string(in)+`stop WHERE machine_num = ? AND id = ?`, num, stop[:]))
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return s, err
}

func ms(t int64) time.Time { return time.UnixMilli(t).UTC() }

// stopOf turns a stop into that of the store.
func stopOf(machine string, s *tally.Stop) store.Stop {
	x := store.Stop{ID: s.ID, Machine: machine, Cause: s.Cause, Side: s.Side, Input: s.Input, Revolutions: s.Revolutions}
	if s.Begun {
		x.Begin = ms(s.Begin)
	}
	if s.Ended {
		x.End = ms(s.End)
	}
	return x
}

func stopsOf(machine string, c *tally.Changes) []store.Stop {
	var stops []store.Stop
	for _, s := range c.Stops {
		stops = append(stops, stopOf(machine, s))
	}
	slices.SortFunc(stops, func(a, b store.Stop) int {
		return cmp.Or(a.Begin.Compare(b.Begin), slices.Compare(a.ID[:], b.ID[:]))
	})
	return stops
}

// state turns an account into that of the store.
func state(m *machine) store.MachineState {
	x := store.MachineState{
		Machine: m.id, Revolutions: m.Revolutions, Inched: m.Inched, RunMS: m.RunMS, StopMS: m.StopMS, UnknownMS: m.UnknownMS,
		SpeedRPM: m.RPM(), DoffAt: m.DoffAt, Doffs: m.Doffs,
	}
	if m.Heard {
		x.First, x.Last, x.Since = ms(m.First), ms(m.Last), ms(m.Since)
	}
	if m.Open != nil {
		s := stopOf(m.id, m.Open)
		x.Open = &s
	}
	return x
}
