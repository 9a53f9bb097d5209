package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// book reads every entry of the book.
func (v *verifier) book(ctx context.Context) error {
	_, err := readBook(ctx, v.w.conn)
	return err
}

// sums counts all that is kept beside the records again from the records.
func (v *verifier) sums(ctx context.Context) error {
	if err := v.w.load(ctx); err != nil {
		return err
	}
	v.rep.Machines = len(v.w.machines)
	var err error
	if v.rep.Settled, err = readSettlements(ctx, v.w.conn); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(v.w.machines)) {
		m := v.w.machines[name]
		v.rep.Revolutions += m.Revolutions
		if got, want := m.RunMS+m.StopMS+m.UnknownMS, m.Last-m.First; m.Heard && got != want {
			v.differs(m, "account", "run + stop + unknown", got, want)
		}
		whole, err := v.machine(ctx, m)
		switch {
		case err != nil:
			return err
		case whole:
			v.rep.Recounted++
		default:
			v.rep.InPart++
			if err := v.inPart(ctx, m); err != nil {
				return err
			}
		}
	}
	return nil
}

// machine counts all sums of a machine again. whole is false where they cannot
// be: the order of its records is not known, or older rules booked some of them
// and gave other sums than those of today.
func (v *verifier) machine(ctx context.Context, m *machine) (whole bool, err error) {
	all, known, err := v.w.stretches(ctx, m)
	switch {
	case err != nil || !known:
		return false, err
	case today(all):
		return true, v.recount(ctx, m)
	}
	// What is not equal now may be due to the rules: it is not damage.
	differences, err := v.apart(func() error { return v.recount(ctx, m) })
	return len(differences) == 0, err
}

func (v *verifier) recount(ctx context.Context, m *machine) error {
	again, err := v.w.base(ctx, m)
	if err != nil {
		return err
	}
	if !within(again, &m.Machine) {
		v.damage("base of machine "+m.id, "more in it than in the account", "what dropped records have given, as a part of the account")
	}
	c, err := v.w.baseChanges(ctx, m, again)
	if err != nil {
		return err
	}
	refused := 0
	_, err = v.w.replay(ctx, m, false, func(st *stream, r *store.Record, place tally.Places, how readers.Refusal) {
		if how == readers.Doubted {
			again.Doubt(r, c)
		} else if again.Apply(st.Num, r, place, c) != "" {
			refused++
		}
	})
	if err != nil {
		return err
	}
	if refused > 0 {
		v.differs(m, "records", "refused now and not when they came", int64(refused), 0)
	}
	v.account(m, again)
	for _, check := range []func(context.Context, *machine, *tally.Changes) error{v.stops, v.gaps, v.causes, v.counts, v.cells} {
		if err := check(ctx, m, c); err != nil {
			return err
		}
	}
	return nil
}

const countedAgain = ", counted again from the records"

// differs notes a sum that is not what the records give.
func (v *verifier) differs(m *machine, table, what string, kept, counted any) {
	found := what
	if kept != "" {
		found = fmt.Sprintf("%s = %v", what, kept)
	}
	v.damage(fmt.Sprintf("%s of machine %s", table, m.id), found, fmt.Sprintf("%v", counted)+countedAgain)
}

func (v *verifier) account(m *machine, again *tally.Machine) {
	open := func(x *tally.Machine) string {
		if x.Open == nil {
			return "none"
		}
		return fmt.Sprintf("%x", x.Open.ID)
	}
	for _, x := range []struct {
		what          string
		kept, counted any
	}{
		{"revolutions", m.Revolutions, again.Revolutions}, {"inched", m.Inched, again.Inched}, {"stops", m.Stops, again.Stops},
		{"heard", m.Heard, again.Heard}, {"first", m.First, again.First}, {"last", m.Last, again.Last},
		{"run ms", m.RunMS, again.RunMS}, {"stop ms", m.StopMS, again.StopMS}, {"unknown ms", m.UnknownMS, again.UnknownMS},
		{"lost at least", m.LostMin, again.LostMin}, {"lost at most", m.LostMax, again.LostMax}, {"since", m.Since, again.Since},
		{"revolutions at the last doff", m.DoffAt, again.DoffAt}, {"doffs", m.Doffs, again.Doffs},
		{"stream", m.Stream, again.Stream}, {"life", m.Current, again.Current}, {"records lost before", m.Gone, again.Gone}, {"highest speed", m.MaxRPM, again.MaxRPM}, {"open stop", open(&m.Machine), open(again)},
	} {
		if x.kept != x.counted {
			v.differs(m, "account", x.what, x.kept, x.counted)
		}
	}
	if !maps.Equal(m.Joins, again.Joins) {
		v.differs(m, "counter lives", "joins", m.Joins, again.Joins)
	}
	for k := range union(m.Lives, again.Lives) {
		if a, b := m.Lives[k], again.Lives[k]; a == nil || b == nil || *a != *b {
			v.differs(m, "counter lives", fmt.Sprintf("life %x", k.ID), show(a), show(b))
		}
	}
}

// inPart checks what depends neither on the order of the records nor on the
// rules of a version: what the counters have moved.
func (v *verifier) inPart(ctx context.Context, m *machine) error {
	again, err := v.w.base(ctx, m)
	if err != nil {
		return err
	}
	again.Know(&m.Machine)
	c := tally.NewChanges(nil)
	if _, err := v.w.replay(ctx, m, true, func(_ *stream, r *store.Record, place tally.Places, _ readers.Refusal) { again.Recount(r, place, c) }); err != nil {
		return err
	}
	if m.Revolutions != again.Revolutions {
		v.differs(m, "account", "revolutions", m.Revolutions, again.Revolutions)
	}
	for _, q := range []struct{ table, query string }{
		{"assignment counts", `SELECT coalesce(sum(revolutions), 0) FROM assignment_count WHERE machine_num = ?`},
		{"rollup by hours", `SELECT coalesce(sum(revolutions), 0) FROM rollup WHERE machine_num = ? AND grain_ms = 3600000`},
	} {
		var n int64
		if err := v.w.row(ctx, q.query, m.num).Scan(&n); err != nil {
			return err
		}
		if n != again.Revolutions {
			v.differs(m, q.table, "revolutions", n, again.Revolutions)
		}
	}
	return nil
}

func union[K comparable, V any](a, b map[K]V) map[K]V {
	all := maps.Clone(a)
	if all == nil {
		all = map[K]V{}
	}
	maps.Copy(all, b)
	return all
}

func show[T any](x *T) string {
	if x == nil {
		return "nothing"
	}
	return fmt.Sprintf("%+v", *x)
}

// kept is a stop as its row keeps it.
func kept(s tally.Stop) tally.Stop {
	if !s.Begun {
		s.Begin = 0
	}
	if !s.Ended {
		s.End, s.Latest = 0, 0
	}
	if !s.Unwatched {
		s.Seen = 0
	}
	return s
}

func (v *verifier) stops(ctx context.Context, m *machine, c *tally.Changes) error {
	seen := 0
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		s, err := scanTallyStop(rows)
		if err != nil {
			return err
		}
		again := c.Stops[s.ID]
		if again == nil || kept(*again) != *s {
			v.differs(m, "stops", show(s), "", show(again))
		}
		if again != nil {
			seen++
		}
		return nil
	}, `SELECT `+stopColumns+` FROM stop WHERE machine_num = ?`, m.num)
	if err == nil && seen != len(c.Stops) {
		v.differs(m, "stops", "rows", seen, len(c.Stops))
	}
	return err
}

func (v *verifier) gaps(ctx context.Context, m *machine, c *tally.Changes) error {
	again := map[tally.Gap]bool{}
	for _, g := range c.Gaps {
		again[g] = true
	}
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var g tally.Gap
		if err := rows.Scan(&g.From, &g.To, &g.Reason); err != nil {
			return err
		}
		if !again[g] {
			v.differs(m, "unknown times", show(&g), "", "nothing")
		}
		delete(again, g)
		return nil
	}, `SELECT from_ms, to_ms, reason FROM gap WHERE machine_num = ?`, m.num)
	for g := range again {
		v.differs(m, "unknown times", "nothing", "", show(&g))
	}
	return err
}

func (v *verifier) causes(ctx context.Context, m *machine, c *tally.Changes) error {
	return compare(ctx, v, m, "stops by cause", c.Causes, `SELECT cause, stops FROM cause_count WHERE machine_num = ?`)
}

func (v *verifier) counts(ctx context.Context, m *machine, c *tally.Changes) error {
	return compare(ctx, v, m, "assignment counts", c.Counts, `SELECT from_ms, revolutions FROM assignment_count WHERE machine_num = ?`)
}

// compare compares kept numbers by key; a missing one is 0.
func compare[K comparable](ctx context.Context, v *verifier, m *machine, table string, again map[K]int64, query string) error {
	again = maps.Clone(again)
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var k K
		var n int64
		if err := rows.Scan(&k, &n); err != nil {
			return err
		}
		if n != again[k] {
			v.differs(m, table, fmt.Sprint(k), n, again[k])
		}
		delete(again, k)
		return nil
	}, query, m.num)
	for k, n := range again {
		if n != 0 {
			v.differs(m, table, fmt.Sprint(k), 0, n)
		}
	}
	return err
}

func (v *verifier) cells(ctx context.Context, m *machine, c *tally.Changes) error {
	type key struct{ grain, start int64 }
	again := map[key]tally.Cell{}
	for grain, cells := range map[int64]map[int64]*tally.Cell{tally.Fine: c.Cells, hourMS: hours(c.Cells)} {
		for start, x := range cells {
			if grain == hourMS || start >= v.w.fineFrom {
				again[key{grain, start}] = *x
			}
		}
	}
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var k key
		var x tally.Cell
		if err := rows.Scan(&k.grain, &k.start, &x.Revolutions, &x.RunMS, &x.StopMS, &x.UnknownMS, &x.Stops, &x.Inched); err != nil {
			return err
		}
		if x != again[k] {
			v.differs(m, "rollup", fmt.Sprintf("%d min at %s: %+v", k.grain/60_000, ms(k.start).Format("2006-01-02T15:04Z"), x), "", again[k])
		}
		delete(again, k)
		return nil
	}, `SELECT grain_ms, start_ms, revolutions, run_ms, stop_ms, unknown_ms, stops, inched FROM rollup WHERE machine_num = ? AND grain_ms IN (?, ?)`, m.num, tally.Fine, hourMS)
	for k, x := range again {
		if x != (tally.Cell{}) {
			v.differs(m, "rollup", fmt.Sprintf("%d min at %s: nothing", k.grain/60_000, ms(k.start).Format("2006-01-02T15:04Z")), "", x)
		}
	}
	return err
}
