package sqlite

import (
	"context"
	"database/sql"
	"fmt"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// dropped is what remains of the oldest records of a stream after they were
// dropped.
type dropped struct {
	last    uint64 // newest of them
	records int64
	sum     []byte        // see [droppedSum]
	buried  bool          // a tombstone was among them
	until   int64         // newest instant of them, Unix ms, without bounds
	crc     sql.NullInt64 // check sum of the newest; not valid for a coarse one
}

// loadDropped reads what was dropped of the streams.
func (w *writer) loadDropped(ctx context.Context) (err error) {
	w.dropped, err = readDropped(ctx, w.conn)
	return err
}

func readDropped(ctx context.Context, q querier) (map[int64]dropped, error) {
	all := map[int64]dropped{}
	err := each(ctx, q, func(rows *sql.Rows) error {
		var num, last int64
		var d dropped
		err := rows.Scan(&num, &last, &d.records, &d.sum, &d.buried, &d.until, &d.crc)
		d.last = uint64(last)
		all[num] = d
		return err
	}, `SELECT stream_num, last_seq, records, sum, buried, until_ms, crc FROM dropped`)
	return all, err
}

// base is the account of a machine as its dropped records alone give it, or as it
// was settled; one that heard nothing where neither was. The other records go on
// from there.
func (w *writer) base(ctx context.Context, m *machine) (*tally.Machine, error) {
	b := new(tally.Machine)
	of := func(int64) (*tally.Machine, error) { return b, nil }
	if err := w.loadAccounts(ctx, base, ` WHERE machine_num = ?`, of, m.num); err != nil {
		return nil, fmt.Errorf("base of machine %s: %w", m.id, err)
	}
	if err := w.loadNumberLines(ctx, base, ` WHERE machine_num = ?`, of, m.num); err != nil {
		return nil, fmt.Errorf("base of machine %s: %w", m.id, err)
	}
	b.Jobs, b.Late, b.Vague = m.Jobs, m.Late, m.Vague
	for _, st := range w.Streams {
		if st.Machine == m.id && (w.dropped[st.Num].buried || w.settled[st.Num].buried) {
			b.Bury(st.Num)
		}
	}
	return b, nil
}

// baseChanges is what the dropped records of a machine did beside its account,
// with everything of the base account that is to be written with it.
func (w *writer) baseChanges(ctx context.Context, m *machine, b *tally.Machine) (*tally.Changes, error) {
	c := tally.NewChanges(nil)
	for k := range b.Lives {
		c.Lives[k] = true
	}
	for k := range b.Joins {
		c.Joins[k] = true
	}
	for _, x := range []struct {
		query string
		read  func(*sql.Rows) error
	}{
		{`SELECT ` + stopColumns + ` FROM base_stop WHERE machine_num = ?`, func(rows *sql.Rows) error {
			s, err := scanTallyStop(rows)
			if err == nil {
				c.Stops[s.ID] = s
			}
			return err
		}},
		{`SELECT from_ms, to_ms, reason FROM base_gap WHERE machine_num = ?`, func(rows *sql.Rows) error {
			var g tally.Gap
			err := rows.Scan(&g.From, &g.To, &g.Reason)
			c.Gaps = append(c.Gaps, g)
			return err
		}},
		{`SELECT cause, stops FROM base_cause_count WHERE machine_num = ?`, func(rows *sql.Rows) error {
			var cause string
			var n int64
			err := rows.Scan(&cause, &n)
			c.Causes[cause] = n
			return err
		}},
		{`SELECT from_ms, revolutions FROM base_assignment_count WHERE machine_num = ?`, func(rows *sql.Rows) error {
			var from, n int64
			err := rows.Scan(&from, &n)
			c.Counts[from] = n
			return err
		}},
		// Hours stand where their first fine cell would: added up they are hours again.
		{`SELECT start_ms, revolutions, run_ms, stop_ms, unknown_ms, stops, inched FROM base_rollup WHERE machine_num = ?`, func(rows *sql.Rows) error {
			var start int64
			var x tally.Cell
			err := rows.Scan(&start, &x.Revolutions, &x.RunMS, &x.StopMS, &x.UnknownMS, &x.Stops, &x.Inched)
			c.Cells[start] = &x
			return err
		}},
	} {
		if err := each(ctx, w.conn, x.read, x.query, m.num); err != nil {
			return nil, fmt.Errorf("base of machine %s: %w", m.id, err)
		}
	}
	if b.Open != nil {
		if s := c.Stops[b.Open.ID]; s != nil {
			b.Open = s
		} else {
			c.Stops[b.Open.ID] = b.Open
		}
	}
	return c, nil
}

// within tells whether the base has not more of anything than the account.
func within(b, m *tally.Machine) bool {
	return b.Revolutions <= m.Revolutions && b.Inched <= m.Inched && b.Stops <= m.Stops && b.Doffs <= m.Doffs &&
		b.RunMS <= m.RunMS && b.StopMS <= m.StopMS && b.UnknownMS <= m.UnknownMS && (!b.Heard || m.Heard && b.First == m.First && b.Last <= m.Last)
}

var errOrder = fmt.Errorf("records were dropped out of the order in which they were applied: %w", store.ErrDamaged)
