package sqlite

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// cellsOf are the cells of a grain.
func cellsOf(t testing.TB, s *Store, grain store.Grain, from, to time.Duration) []store.Rollup {
	t.Helper()
	list, err := s.Rollups(t.Context(), store.RollupQuery{Grain: grain, From: start.Add(from), To: start.Add(to)})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// added adds cells up by machine and hour.
func added(list []store.Rollup) map[store.Rollup]store.Rollup {
	sums := map[store.Rollup]store.Rollup{}
	for _, c := range list {
		k := store.Rollup{Machine: c.Machine, Start: c.Start.Truncate(time.Hour)}
		x := sums[k]
		x.Revolutions += c.Revolutions
		x.Inched += c.Inched
		x.RunMS += c.RunMS
		x.StopMS += c.StopMS
		x.UnknownMS += c.UnknownMS
		x.Stops += c.Stops
		sums[k] = x
	}
	return sums
}

func equalCells(a, b map[store.Rollup]store.Rollup) bool {
	for k, x := range a {
		if b[k] != x {
			return false
		}
	}
	return len(a) == len(b)
}

func TestRollUp(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	defer func() { s.Close() }()
	register(t, s, "k01", "k02")
	for first := uint64(1); first < 1500; first += 150 { // 4 h 10 min
		commit(t, s, spans(t, "k01", first, first+149))
	}
	commit(t, s, spans(t, "k02", 1, 200))
	hours, fine := cellsOf(t, s, store.Hour, 0, 24*time.Hour), cellsOf(t, s, store.Fine, 0, 24*time.Hour)
	account := sums(t, s)
	before := start.Truncate(time.Hour).Add(2*time.Hour + 7*time.Minute)
	dry, err := s.RollUp(t.Context(), RollUpOptions{Before: before, DryRun: true})
	if err != nil || dry.Cells == 0 || !dry.Before.Equal(before.Truncate(time.Hour)) || !slices.Equal(sums(t, s), account) {
		t.Fatalf("dry run %+v, %v", dry, err)
	}
	enough := errors.New("enough")
	if x, err := s.RollUp(t.Context(), RollUpOptions{Before: before, Rest: func(context.Context) error { return enough }}); !errors.Is(err, enough) || x.Cells != 0 {
		t.Errorf("%+v, %v", x, err)
	}
	did, err := s.RollUp(t.Context(), RollUpOptions{Before: before})
	if err != nil || did.Cells != dry.Cells {
		t.Fatalf("%+v, %v, the dry run said %+v", did, err, dry)
	}
	undamaged(t, s.file)
	if now := cellsOf(t, s, store.Hour, 0, 24*time.Hour); !slices.Equal(now, hours) {
		t.Errorf("hours %+v, want %+v", now, hours)
	}
	now := cellsOf(t, s, store.Fine, 0, 24*time.Hour)
	if !equalCells(added(now), added(fine)) {
		t.Errorf("fine or hours %+v, want the same sums as %+v", now, fine)
	}
	for _, c := range now {
		if c.Whole != c.Start.Before(did.Before) || c.Length(store.Fine) != map[bool]time.Duration{true: time.Hour, false: 5 * time.Minute}[c.Whole] {
			t.Errorf("cell %+v, of before %s hours are expected", c, did.Before)
		}
	}
	// A window inside one hour gives that hour, one after the border fine cells.
	from := did.Before.Add(-110 * time.Minute).Sub(start)
	if list := cellsOf(t, s, store.Fine, from, from+10*time.Minute); len(list) != 2 || !list[0].Whole || list[0].Start != did.Before.Add(-2*time.Hour).UTC() {
		t.Errorf("within an hour %+v, want the hour of two machines", list)
	}
	if list := cellsOf(t, s, store.Fine, did.Before.Sub(start), did.Before.Add(5*time.Minute).Sub(start)); len(list) != 1 || list[0].Whole {
		t.Errorf("after the border %+v, want one fine cell", list)
	}
	// Counts up to an instant: exact at full hours, in between by time.
	for at, want := range map[time.Duration]int64{time.Hour: 1440, 90 * time.Minute: 2160, 3 * time.Hour: 4320, 5 * time.Hour: 6000} {
		if n, err := s.RevolutionsAt(t.Context(), "k01", start.Add(at)); err != nil || n < want-15 || n > want+15 {
			t.Errorf("%d revolutions after %s, %v, want %d", n, at, err, want)
		}
	}
	// What comes in later for that time is booked in hours; a restart knows it too.
	s.Close()
	s = open(t, dir)
	late := spans(t, "k01", 1, 60)
	late.Stream, late.Run = store.ID{8}, store.ID{9}
	for i := range late.Records {
		k := *late.Records[i].Kind.(*store.CountSpan)
		k.Life = store.ID{7}
		late.Records[i].Kind = &k
	}
	was := revolutions(t, s)
	if o := commit(t, s, seal(t, "a1", "k01", late)); o.Applied != 1 || revolutions(t, s) != was+4 { // up to where the other reader began
		t.Errorf("late records: %+v, %d revolutions, want 4 more than %d", o, revolutions(t, s), was)
	}
	undamaged(t, s.file)
	for _, c := range cellsOf(t, s, store.Fine, -24*time.Hour, 24*time.Hour) {
		if !c.Whole && c.Start.Before(did.Before) {
			t.Errorf("a fine cell of before the border: %+v", c)
		}
	}
}

// Hours that are not the sum of their cells are damage, and nothing goes.
func TestRollUpRefusesDamage(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	smallMill(t, s)
	spoil(t, s.file, `UPDATE rollup SET run_ms = run_ms + 1 WHERE machine_num = 2 AND grain_ms = 3600000; UPDATE meta SET writes = writes + 1`)
	want := sums(t, s)
	x, err := s.RollUp(t.Context(), RollUpOptions{Before: start.Add(48 * time.Hour)})
	if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "machine k02") || x.Cells != 0 || !slices.Equal(sums(t, s), want) {
		t.Errorf("%+v, %v", x, err)
	}
}

// In whatever order records come, go and cells are rolled up: the hours are
// those of a database that kept everything, and fine cells add up to them.
func TestRollUpChangesNoSum(t *testing.T) {
	fewChecks(t, 12)
	rapid.Check(t, func(rt *rapid.T) {
		var both [2]*Store
		for i := range both {
			both[i] = open(t, inMemory(t))
			if _, err := both[i].RegisterAgent(t.Context(), "a1", []string{"k01"}, start, false); err != nil {
				rt.Fatal(err)
			}
		}
		defer func() { _ = errors.Join(both[0].Close(), both[1].Close()) }()
		j := drawWild(rt, "a1", 'a')
		next := 1
		for next <= len(j.records) {
			last := rapid.IntRange(next, len(j.records)).Draw(rt, "last")
			for _, s := range both {
				commit(t, s, j.batch(t, next, last))
			}
			next = last + 1
			before := time.Duration(rapid.IntRange(0, 60_000).Draw(rt, "before")) * time.Second
			if rapid.Bool().Draw(rt, "drop") {
				prune(t, both[1], before, rapid.IntRange(1, 30).Draw(rt, "most"))
			}
			if rapid.Bool().Draw(rt, "roll") {
				if _, err := both[1].RollUp(t.Context(), RollUpOptions{Before: start.Add(before)}); err != nil {
					rt.Fatal(err)
				}
			}
			undamaged(t, both[1].file)
			const ever = 400 * 24 * time.Hour
			if a, b := cellsOf(t, both[0], store.Hour, -ever, ever), cellsOf(t, both[1], store.Hour, -ever, ever); !slices.Equal(a, b) {
				rt.Fatalf("hours %+v\nwant %+v", b, a)
			}
			if a, b := added(cellsOf(t, both[0], store.Fine, -ever, ever)), added(cellsOf(t, both[1], store.Fine, -ever, ever)); !equalCells(a, b) {
				rt.Fatalf("fine cells add up to %+v\nwant %+v", b, a)
			}
		}
	})
}
