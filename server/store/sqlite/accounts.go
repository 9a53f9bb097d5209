package sqlite

import (
	"context"
	"database/sql"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// ofMachine finds the account that a row belongs to.
type ofMachine func(num int64) (*tally.Machine, error)

// loadAccounts reads accounts and their open stops.
func (w *writer) loadAccounts(ctx context.Context, in ledger, which string, of ofMachine, args ...any) error {
	open := map[int64]store.ID{}
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		var num int64
		var a tally.Machine
		var stop, life []byte
		if err := rows.Scan(&num, &a.Heard, &a.First, &a.Last, &a.Revolutions, &a.Stops, &a.RunMS, &a.StopMS, &a.UnknownMS,
			&a.LostMin, &a.LostMax, &a.Since, &a.DoffAt, &a.Doffs, &a.SpeedRevs, &a.SpeedMS, &a.Stream, &stop, &life, &a.Current.PerRev, &a.Gone, &a.Inched, &a.MaxRPM); err != nil {
			return err
		}
		a.Current.ID = id(life)
		if stop != nil {
			open[num] = id(stop)
		}
		m, err := of(num)
		if err != nil {
			return err
		}
		*m = a
		return nil
	}, `SELECT `+accountColumns+` FROM `+string(in)+`account`+which, args...)
	if err != nil {
		return err
	}
	for num, stop := range open {
		m, err := of(num)
		if err != nil {
			return err
		}
		if m.Open, err = w.findStop(ctx, in, num, stop); err != nil {
			return err
		}
	}
	return nil
}

// loadNumberLines reads counter lives and which of them are joined.
func (w *writer) loadNumberLines(ctx context.Context, in ledger, which string, of ofMachine, args ...any) error {
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		var num int64
		var k tally.LifeKey
		var l tally.Life
		var b, prev []byte
		var lo, hi, lostMin, lostMax, raw, ext, prevTo int64
		if err := rows.Scan(&num, &b, &k.PerRev, &l.Counted, &lo, &hi, &l.MinAt, &l.MaxAt, &lostMin, &lostMax,
			&raw, &ext, &l.Read.Bits, &l.Read.At, &l.Read.Stream, &l.Read.Boot, &l.Read.Boottime, &prev, &l.Prev.PerRev, &prevTo); err != nil {
			return err
		}
		k.ID, l.Prev.ID = id(b), id(prev)
		l.Min, l.Max, l.LostMin, l.LostMax = uint64(lo), uint64(hi), uint64(lostMin), uint64(lostMax)
		l.Read.Raw, l.Read.Ext, l.PrevTo = uint64(raw), uint64(ext), uint64(prevTo)
		m, err := of(num)
		if err != nil {
			return err
		}
		if m.Lives == nil {
			m.Lives = map[tally.LifeKey]*tally.Life{}
		}
		m.Lives[k] = &l
		return nil
	}, `SELECT `+lifeColumns+` FROM `+string(in)+`life`+which, args...)
	if err != nil {
		return err
	}
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var num, add int64
		var k tally.LifeKey
		var b, to []byte
		if err := rows.Scan(&num, &b, &k.PerRev, &to, &add); err != nil {
			return err
		}
		m, err := of(num)
		if err != nil {
			return err
		}
		if m.Joins == nil {
			m.Joins = map[tally.LifeKey]tally.Join{}
		}
		k.ID = id(b)
		m.Joins[k] = tally.Join{To: tally.LifeKey{ID: id(to), PerRev: k.PerRev}, Offset: uint64(add)}
		return nil
	}, `SELECT machine_num, id, per_rev, to_id, add_counts FROM `+string(in)+`life_join`+which, args...)
}
