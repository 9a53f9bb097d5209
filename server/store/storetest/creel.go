package storetest

import (
	"errors"
	"math"
	"reflect"
	"slices"
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
		if n := len(positions(t, r)); n != 10*step.loads {
			t.Errorf("after %s %s: %d positions hold a cone, want those of %d loads", step.act, step.id, n, step.loads)
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
	before := testPositions(t, r)
	learnt := testLearnt(t, r)

	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	r = open(t, dir)
	if after := positions(t, r); !reflect.DeepEqual(after, before) {
		t.Errorf("positions after reopening %+v, want %+v", after, before)
	}
	if after, err := r.Learnt(ctx); err != nil || !reflect.DeepEqual(after, learnt) {
		t.Errorf("learnt after reopening %+v, %v, want %+v", after, err, learnt)
	}
	states, err := r.Taps(ctx, heard.Add(-time.Hour))
	if err != nil || len(states) != 1 || states["k01-creel-1"].State != store.TaskDone || states["k01-creel-1"].Fixer.IsZero() ||
		!states["k01-creel-1"].Taken.Equal(heard.Add(-20*time.Second)) {
		t.Errorf("states after reopening: %+v, %v", states, err)
	}
	for _, step := range []struct {
		after time.Duration
		err   error
	}{{0, nil}, {store.TakenHolds - time.Second, store.ErrTask}, {store.TakenHolds, nil}, {store.TakenHolds + time.Minute, store.ErrTask}} {
		tap := store.Tap{Task: "k01-doff-9", Machine: "k01", Act: store.ActTake, RequestID: "lapse" + step.after.String(), At: heard.Add(step.after - time.Hour), Heard: heard}
		if _, err := r.Tap(ctx, tap, false); !errors.Is(err, step.err) {
			t.Errorf("taken %s after it was taken: %v, want %v", step.after, err, step.err)
		}
	}
	if yes, err := r.Heard(ctx, "d1"); !yes || err != nil {
		t.Errorf("Heard(d1): %v, %v", yes, err)
	}
	if yes, err := r.Heard(ctx, "d2"); yes || err != nil {
		t.Errorf("Heard(d2): %v, %v", yes, err)
	}
}

func positions(t *testing.T, r store.CreelRecord) []store.Position {
	t.Helper()
	p, err := r.Positions(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// testPositions loads a creel of k02 in several ways and takes it back again; it
// returns what stands in the end.
func testPositions(t *testing.T, r interface {
	store.Store
	store.CreelRecord
}) []store.Position {
	ctx := t.Context()
	add := func(l store.Load) int64 {
		t.Helper()
		l.Machine, l.Places, l.At = "k02", 4, at(10)
		id, err := r.AddLoad(ctx, l)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	stands := func(what string) []store.Position {
		t.Helper()
		var own []store.Position
		for _, p := range positions(t, r) {
			if p.Machine == "k02" {
				own = append(own, p)
			}
		}
		log, err := r.CreelLog(ctx, at(0))
		if err != nil {
			t.Fatal(err)
		}
		by := map[string][]store.Load{}
		for _, l := range log {
			if l.Machine == "k02" {
				by[l.Group] = append(by[l.Group], l)
			}
		}
		var want []store.Position
		for _, g := range []string{"elastane", "ground"} {
			p, _ := store.Stand(by[g])
			want = append(want, p...)
		}
		if !reflect.DeepEqual(own, want) {
			t.Errorf("%s: positions %+v, want what the loads give, %+v", what, own, want)
		}
		return own
	}
	first := add(store.Load{Group: "ground", Cones: 4, Lot: "L-1", ConeKg: 1.9, ConeCV: 0.03, Turns: 100})
	add(store.Load{Group: "elastane", Cones: 4, Turns: 900})
	tied := add(store.Load{Group: "ground", Cones: 3, Lot: "L-1", Work: store.LoadTie, Revolutions: 50, Turns: 90})
	out := add(store.Load{Group: "ground", Cones: 1, Work: store.LoadOut, Positions: []int{4}, Revolutions: 99, Turns: 100})
	p := stands("tied")
	if len(p) != 8 || p[0].Group != "elastane" || p[4].Running != (store.Cone{Load: first, Lot: "L-1", Kg: 1.9, CV: 0.03, Turns: 100}) || !p[4].Tied || p[4].Reserve.Load != tied || p[7].Running.Load != out || p[7].Tied {
		t.Errorf("positions %+v", p)
	}
	half := add(store.Load{Group: "ground", Cones: 2, Revolutions: 120, Turns: 100})
	changed := stands("half changed")
	if err := r.UndoLoad(ctx, "k02", half); err != nil {
		t.Fatal(err)
	}
	if back := stands("taken back"); !reflect.DeepEqual(back, p) || reflect.DeepEqual(changed, p) {
		t.Errorf("after the undo %+v, want %+v", back, p)
	}
	if again := add(store.Load{Group: "ground", Cones: 4, RequestID: "same"}); again != add(store.Load{Group: "ground", Cones: 4, RequestID: "same"}) {
		t.Error("a repeated load is another one")
	}
	for name, l := range map[string]store.Load{
		"more cones than places": {Cones: 5, Places: 4}, "unknown work": {Cones: 1, Work: "juggle"}, "a place twice": {Cones: 2, Positions: []int{1, 1}, Places: 4},
		"a place that is not there": {Cones: 1, Positions: []int{5}, Places: 4}, "places for other cones": {Cones: 2, Positions: []int{1}, Places: 4},
		"negative mass": {Cones: 1, ConeKg: -1}, "negative spread": {Cones: 1, ConeCV: -0.1}, "negative turns": {Cones: 1, Turns: -1},
	} {
		l.Machine, l.Group, l.At = "k02", "ground", at(10)
		if _, err := r.AddLoad(ctx, l); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	stands("after refusals")
	return positions(t, r)
}

func testLearnt(t *testing.T, r store.CreelRecord) []store.Learnt {
	ctx := t.Context()
	testReadings(t, r)
	all := []store.Learnt{
		{Machine: "k01", Group: "ground", Lot: "L-1", Mean: 0.01, SD: 0.02, Noise: 0.019, Walk: 0.001, Weight: 21, Seen: 3, Apart: []store.Apart{{Value: 0.3, Expected: 0.01, SD: 0.03, Runs: 2}}, Events: 5, Newest: 4, Outs: 7, Late: 11},
		{Machine: "k02", Group: "ground", Mean: -0.01, SD: 0.02, Noise: 0.02, Weight: 20},
	}
	if err := r.KeepLearnt(ctx, all); err != nil {
		t.Fatal(err)
	}
	all[0].Mean, all[0].Seen = 0.015, 4
	if err := r.KeepLearnt(ctx, all[:1]); err != nil {
		t.Fatal(err)
	}
	if err := r.KeepLearnt(ctx, []store.Learnt{{Machine: "k01", Group: "ground", Mean: math.NaN()}}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a learner without number: %v", err)
	}
	if got, err := r.Learnt(ctx); err != nil || !reflect.DeepEqual(got, all) {
		t.Errorf("learnt %+v, %v, want %+v", got, err, all)
	}
	return all
}

func testReadings(t *testing.T, r store.CreelRecord) {
	ctx := t.Context()
	meter := store.Reading{Machine: "k02", Group: "ground", Lot: "L-1", Kind: store.ReadMeter, RequestID: "m1", Ratio: 1.02, SD: 0.005, At: at(20), Turns: 100, Measured: 812.4}
	rolls := store.Reading{Machine: "k02", Kind: store.ReadRolls, RequestID: "r1", Ratio: 0.97, SD: 0.01, At: at(30), Turns: 4000, Measured: 50.4, Rolls: 2, Roll: 9}
	dry := meter
	dry.RequestID = "m0"
	if id, err := r.AddReading(ctx, dry, true); err != nil || id != 0 {
		t.Errorf("a dry run: %d, %v", id, err)
	}
	stands := func(what string, want ...store.Reading) {
		t.Helper()
		if all, err := r.Readings(ctx, time.Time{}); err != nil || !slices.Equal(all, want) {
			t.Errorf("%s: readings %+v, %v, want %+v", what, all, err, want)
		}
	}
	for _, x := range []*store.Reading{&rolls, &meter} {
		var err error
		if x.ID, err = r.AddReading(ctx, *x, false); err != nil || x.ID == 0 {
			t.Fatal(x.ID, err)
		}
		if id, err := r.AddReading(ctx, *x, false); err != nil || id != x.ID {
			t.Errorf("a repeat: %d, %v, want %d", id, err, x.ID)
		}
	}
	stands("two of them", meter, rolls)
	if late, err := r.Readings(ctx, at(25)); err != nil || len(late) != 1 || late[0] != rolls {
		t.Errorf("since 25: %+v, %v", late, err)
	}
	for name, change := range map[string]func(x *store.Reading){
		"kind": func(x *store.Reading) { x.Kind = "guess" }, "ratio": func(x *store.Reading) { x.Ratio = 3 }, "spread": func(x *store.Reading) { x.SD = 0 },
		"group": func(x *store.Reading) { x.Kind, x.Rolls, x.Group = store.ReadMeter, 0, "" }, "instant": func(x *store.Reading) { x.At = time.Time{} },
		"request id": func(x *store.Reading) { x.RequestID = "" }, "mass": func(x *store.Reading) { x.Measured = -25 }, "number": func(x *store.Reading) { x.Measured = math.NaN() },
		"turns": func(x *store.Reading) { x.Turns = 0 }, "rolls": func(x *store.Reading) { x.Rolls = 0 }, "roll": func(x *store.Reading) { x.Roll = 1 },
		"first roll, weighed before": func(x *store.Reading) { x.Roll = 8 }, "last roll, weighed before": func(x *store.Reading) { x.Roll = 10 },
	} {
		bad := rolls
		bad.RequestID = "other"
		change(&bad)
		if _, err := r.AddReading(ctx, bad, false); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("reading with a bad %s: %v", name, err)
		}
	}
	bad := meter
	bad.RequestID, bad.Machine = "other", "k99"
	if _, err := r.AddReading(ctx, bad, false); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("reading of an unknown machine: %v", err)
	}
	stands("after refusals", meter, rolls)
	next := rolls
	next.RequestID, next.Roll = "r2", 11
	before, err := r.ReadingsVersion(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if next.ID, err = r.AddReading(ctx, next, false); err != nil {
		t.Errorf("the rolls after: %v", err)
	}
	added, err := r.ReadingsVersion(ctx)
	for range 2 { // the second changes nothing
		if err := errors.Join(err, r.UndoReading(ctx, "k02", rolls.ID, at(40))); err != nil {
			t.Error(err)
		}
	}
	stands("after an undo", meter, next)
	if undone, err := r.ReadingsVersion(ctx); err != nil || before == added || added == undone {
		t.Errorf("versions %v, %v, %v, %v: want three of them", before, added, undone, err)
	}
	again := rolls
	again.RequestID = "r3"
	if again.ID, err = r.AddReading(ctx, again, false); err != nil {
		t.Errorf("weighed anew after the undo: %v", err)
	}
	for _, x := range []struct {
		machine string
		id      int64
	}{{"k01", meter.ID}, {"k02", 99}, {"k99", meter.ID}} {
		if err := r.UndoReading(ctx, x.machine, x.id, at(40)); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("undo of reading %d of %s: %v", x.id, x.machine, err)
		}
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
