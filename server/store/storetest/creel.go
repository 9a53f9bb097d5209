package storetest

import (
	"errors"
	"testing"
	"time"

	"turnwise/server/store"
)

// RunCreel runs the suite of [store.CreelRecord]. open opens the store in dir: a
// new, empty one the first time, the same one again after a Close.
func RunCreel(t *testing.T, open func(t *testing.T, dir string) interface {
	store.Store
	store.CreelRecord
}) {
	dir := t.TempDir()
	r := open(t, dir)
	defer func() {
		if err := r.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	}()
	ctx := t.Context()
	book := store.Book{
		Machines: []store.Machine{{ID: "k01"}, {ID: "k02"}}, Yarns: []store.Yarn{{ID: "y", Count: "20 tex"}},
		Lots: []store.Lot{{ID: "L-1", Yarn: "y", StoreKg: 100}},
	}
	if _, err := r.ApplyBook(ctx, book, false); err != nil {
		t.Fatal(err)
	}
	heard := at(100000)
	load := store.Load{Machine: "k01", Group: "ground", Cones: 10, Lot: "L-1", At: heard}
	loads := func() int {
		t.Helper()
		l, err := r.Loads(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return len(l)
	}
	tap := func(act, id string, after time.Duration, l *store.Load) (store.TaskState, error) {
		return r.Tap(ctx, store.Tap{Task: "k01-creel-1", Machine: "k01", Act: act, RequestID: id, At: heard.Add(after - 20*time.Second), Heard: heard, Load: l}, false)
	}
	for _, step := range []struct {
		act, id string
		after   time.Duration
		load    *store.Load
		state   string // empty = refused
		err     error
		loads   int
	}{
		{store.ActUndo, "u0", 0, nil, "", store.ErrTask, 0},
		{store.ActTake, "t1", 0, nil, store.TaskTaken, nil, 0},
		{store.ActTake, "t2", 0, nil, "", store.ErrTask, 0},
		{store.ActHalf, "h1", 0, &load, store.TaskHalf, nil, 1},
		{store.ActHalf, "h1", 0, &load, store.TaskHalf, nil, 1},
		{store.ActHalf, "h2", 0, &load, "", store.ErrTask, 1},
		{store.ActDone, "h1", 0, &load, "", store.ErrInvalid, 1}, // the id is another tap's
		{store.ActUndo, "u1", 11 * time.Second, nil, "", store.ErrTask, 1},
		{store.ActUndo, "u1", 10 * time.Second, nil, store.TaskTaken, nil, 0},
		{store.ActUndo, "u1", 10 * time.Second, nil, store.TaskTaken, nil, 0},
		{store.ActDone, "d1", 10 * time.Second, &load, store.TaskDone, nil, 1},
		{store.ActDone, "d2", 10 * time.Second, &load, "", store.ErrTask, 1},
		{store.ActHalf, "h1", 0, &load, store.TaskHalf, nil, 1}, // late repeat: its own first answer
		{store.ActFixer, "f1", 11 * time.Second, nil, store.TaskDone, nil, 1},
		{store.ActTake, "x1", -25 * time.Hour, nil, "", store.ErrInvalid, 1},
		{store.ActTake, "x2", time.Hour, nil, "", store.ErrInvalid, 1},
		{"dance", "x3", 0, nil, "", store.ErrInvalid, 1},
		{store.ActTake, "", 0, nil, "", store.ErrInvalid, 1},
		{store.ActTake, "x4", 0, &load, "", store.ErrInvalid, 1},
	} {
		s, err := tap(step.act, step.id, step.after, step.load)
		if !errors.Is(err, step.err) || s.State != step.state {
			t.Errorf("%s %s: %q, %v, want %q, %v", step.act, step.id, s.State, err, step.state, step.err)
		}
		if n := loads(); n != step.loads {
			t.Errorf("after %s %s: %d loads, want %d", step.act, step.id, n, step.loads)
		}
	}
	late := store.Tap{Task: "k01-creel-1", Machine: "k01", Act: store.ActHalf, RequestID: "h1", At: heard.Add(-20 * time.Second), Heard: heard.Add(30 * 24 * time.Hour), Load: &load}
	if s, err := r.Tap(ctx, late, false); err != nil || s.State != store.TaskHalf {
		t.Errorf("a repeat after a month: %+v, %v, want its first answer", s, err)
	}
	if _, err := r.Tap(ctx, store.Tap{Task: "x", Machine: "k99", Act: store.ActTake, RequestID: "n", At: heard, Heard: heard}, false); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("tap on an unknown machine: %v", err)
	}
	if s, err := r.Tap(ctx, store.Tap{Task: "k02-doff-1", Machine: "k02", Act: store.ActDone, RequestID: "dry", At: heard, Heard: heard}, true); err != nil || s.State != store.TaskDone {
		t.Errorf("dry run: %+v, %v", s, err)
	}
	testLots(t, r)

	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	r = open(t, dir)
	states, err := r.Taps(ctx, heard.Add(-time.Hour))
	if err != nil || len(states) != 1 || states["k01-creel-1"].State != store.TaskDone || states["k01-creel-1"].Fixer.IsZero() ||
		!states["k01-creel-1"].Taken.Equal(heard.Add(-20*time.Second)) {
		t.Errorf("states after reopening: %+v, %v", states, err)
	}
	if yes, err := r.Heard(ctx, "d1"); !yes || err != nil {
		t.Errorf("Heard(d1): %v, %v", yes, err)
	}
	if yes, err := r.Heard(ctx, "d2"); yes || err != nil {
		t.Errorf("Heard(d2): %v, %v", yes, err)
	}
}

func testLots(t *testing.T, r store.CreelRecord) {
	ctx := t.Context()
	move := func(kg float64, machine, id string, dry bool) (store.LotMoves, error) {
		return r.MoveLot(ctx, store.LotMove{Lot: "L-1", Machine: machine, Kg: kg, RequestID: id, At: at(1)}, dry)
	}
	for _, step := range []struct {
		kg      float64
		machine string
		id      string
		dry     bool
		out     float64
		err     error
	}{
		{60, "k01", "a", false, 60, nil},
		{60, "k01", "a", false, 60, nil}, // a repeat
		{41, "k02", "b", false, 0, store.ErrInvalid},
		{40, "k02", "b", true, 100, nil}, // a dry run
		{40, "k02", "b", false, 100, nil},
		{-61, "k01", "c", false, 0, store.ErrInvalid},
		{-60, "k01", "c", false, 40, nil},
		{1, "k01", "a", false, 0, store.ErrInvalid}, // the id is another move's
		{1, "k99", "d", false, 0, store.ErrNotFound},
		{0, "k01", "d", false, 0, store.ErrInvalid},
		{1, "k01", "", false, 0, store.ErrInvalid},
	} {
		m, err := move(step.kg, step.machine, step.id, step.dry)
		if !errors.Is(err, step.err) || m.OutKg != step.out {
			t.Errorf("move %g to %s, id %q: %+v, %v, want %g kg out, %v", step.kg, step.machine, step.id, m, err, step.out, step.err)
		}
	}
	rel := store.LotRelease{Lot: "L-1", Machine: "k02", Role: "shift supervisor", Reason: "same spinning", RequestID: "r", At: at(5)}
	first, err := r.ReleaseLot(ctx, rel, false)
	if err != nil {
		t.Fatal(err)
	}
	rel.At = at(9)
	if again, err := r.ReleaseLot(ctx, rel, false); err != nil || again != first {
		t.Errorf("a repeated release: %+v, %v, want %+v", again, err, first)
	}
	for _, bad := range []store.LotRelease{
		{Lot: "L-1", Machine: "k02", Reason: "x", RequestID: "s", At: at(5)}, {Lot: "L-1", Machine: "k02", Role: "x", RequestID: "s", At: at(5)},
	} {
		if _, err := r.ReleaseLot(ctx, bad, false); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("release %+v: %v", bad, err)
		}
	}
	if all, err := r.LotReleases(ctx); err != nil || len(all) != 1 || all[0] != first {
		t.Errorf("releases %+v, %v", all, err)
	}
}
