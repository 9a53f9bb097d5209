package storetest

import (
	"errors"
	"slices"
	"testing"
	"time"

	"turnwise/server/store"
)

// PlanStore is what the suite of plans needs: they change the book.
type PlanStore interface {
	store.Store
	store.PlanRecord
}

// RunPlans runs the suite of [store.PlanRecord]. open opens the store in dir: a
// new, empty one the first time, the same one again after a Close.
func RunPlans(t *testing.T, open func(t *testing.T, dir string) PlanStore) {
	each(t, func(t *testing.T, dir string) store.Store { return open(t, dir) }, []named{
		{"a planned job begins by word", testBegin},
		{"a tap begins the next job", testBeginByTap},
		{"plans over planned jobs", testBeginPlans},
		{"every turn for the job that was said to have begun", testBeginAlways},
	})
	dir := t.TempDir()
	s := open(t, dir)
	defer func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	}()
	ctx := t.Context()
	b := book()
	runs := b.Assignments[0]                                                                              // k01, SO-1 since 0
	waits := store.Assignment{Machine: "k01", From: at(5000), Order: "SO-2", Card: "c2", QuantityKg: 100} // to come
	b.Cards[1].Feeds = []store.FeedGroup{{ID: "a", Yarn: "y1", Feeders: 72, CourseLengthM: 6}}
	b.Machines[0].Feeders, b.Machines[0].Structures, b.Cards[0].Feeds[0].Feeders = 72, nil, 72
	b.Assignments = append(b.Assignments, waits)
	if _, err := s.ApplyBook(ctx, b, false); err != nil {
		t.Fatal(err)
	}
	moved := store.Assignment{Machine: "k02", From: at(4000), Order: "SO-2", Card: "c2", QuantityKg: 100}
	early := store.Assignment{Machine: "k02", From: at(1000), Order: "SO-1", Card: "c2", QuantityKg: 50}
	early.Card, early.Order = "c2", "SO-2"
	keep := func(base, next []store.Assignment) int64 {
		t.Helper()
		id, err := s.KeepPlan(ctx, store.LoadingPlan{Made: at(900), Base: base, Next: next, Body: []byte(`{"x":1}`)})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	toCome := func(after time.Time) []store.Assignment {
		t.Helper()
		got, err := s.Book(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return slices.DeleteFunc(got.Assignments, func(a store.Assignment) bool { return !a.From.After(after) })
	}
	id := keep([]store.Assignment{waits}, []store.Assignment{moved})
	if p, err := s.LoadingPlan(ctx, id); err != nil || p.State != store.PlanProposed || string(p.Body) != `{"x":1}` || len(p.Base) != 1 || !p.Made.Equal(at(900)) {
		t.Fatalf("kept plan %+v, %v", p, err)
	}
	if _, err := s.ApplyPlan(ctx, id, at(950), true); err != nil || !slices.Equal(toCome(at(950)), []store.Assignment{waits}) {
		t.Fatalf("rehearsal: %v, book %+v", err, toCome(at(950)))
	}
	if _, err := s.UndoPlan(ctx, id, at(950), false); !errors.Is(err, store.ErrMoved) {
		t.Errorf("undo of a proposed plan: %v, want ErrMoved", err)
	}
	if p, err := s.ApplyPlan(ctx, id, at(950), false); err != nil || p.State != store.PlanApplied || !slices.Equal(toCome(at(950)), []store.Assignment{moved}) {
		t.Fatalf("apply: %+v, %v, book %+v", p, err, toCome(at(950)))
	}
	if _, err := s.ApplyPlan(ctx, id, at(960), false); !errors.Is(err, store.ErrMoved) {
		t.Errorf("apply twice: %v, want ErrMoved", err)
	}
	stale := keep([]store.Assignment{waits}, nil)
	if _, err := s.ApplyPlan(ctx, stale, at(970), false); !errors.Is(err, store.ErrMoved) || len(toCome(at(970))) != 1 {
		t.Errorf("apply over other jobs: %v, want ErrMoved and the book as it was", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if p, err := s.UndoPlan(ctx, id, at(980), false); err != nil || p.State != store.PlanUndone || !slices.Equal(toCome(at(980)), []store.Assignment{waits}) {
		t.Fatalf("undo: %+v, %v, book %+v", p, err, toCome(at(980)))
	}
	// A plan that is applied late: what should have begun begins now, and what
	// runs stays.
	late := keep([]store.Assignment{waits}, []store.Assignment{early, waits})
	p, err := s.ApplyPlan(ctx, late, at(2000), false)
	if want := at(2000).Add(time.Second); err != nil || len(p.Next) != 2 || !p.Next[1].From.Equal(want) || !toCome(at(2000))[1].From.Equal(want) {
		t.Errorf("applied late: %+v, %v, want k02 from %v", p.Next, err, want)
	}
	got, err := s.Book(ctx)
	if err != nil || !slices.Contains(got.Assignments, runs) {
		t.Errorf("what runs was touched: %+v, %v", got.Assignments, err)
	}
	if list, err := s.LoadingPlans(ctx, 0, 2); err != nil || len(list) != 2 || list[0].ID != late || list[1].ID != stale {
		t.Errorf("newest plans %+v, %v", list, err)
	}
	if list, err := s.LoadingPlans(ctx, stale, 10); err != nil || len(list) != 1 || list[0].ID != id {
		t.Errorf("older plans %+v, %v", list, err)
	}
	wantNotFound(t, "plan 99", func() error { _, err := s.LoadingPlan(ctx, 99); return err })
	wantNotFound(t, "apply plan 99", func() error { _, err := s.ApplyPlan(ctx, 99, at(2000), false); return err })
	wantInvalid(t, "no JSON", func() error { _, err := s.KeepPlan(ctx, store.LoadingPlan{Made: at(1), Body: []byte("{")}); return err })
}

// testSetups: the table of set-ups, and pins.
func testSetups(t *testing.T, b *bench) {
	b.apply(book())
	yarn := store.Setup{Kind: "yarn", From: "*", To: "*", Minutes: 45}
	own := store.Setup{Kind: "yarn", Machine: "k01", From: "y1", To: "y2", Minutes: 60}
	if ch := b.apply(store.Book{Setups: []store.Setup{yarn, own}}); ch.Created != 2 {
		t.Fatalf("set-ups: %+v", ch)
	}
	if ch := b.apply(store.Book{Setups: []store.Setup{yarn}}); ch.Same != 1 {
		t.Errorf("the same row again: %+v", ch)
	}
	own.Remove = true
	if ch := b.apply(store.Book{Setups: []store.Setup{own}}); ch.Updated != 1 {
		t.Errorf("a row taken out: %+v", ch)
	}
	b.restart()
	got, err := b.st.Book(t.Context())
	if err != nil || !slices.Equal(got.Setups, []store.Setup{yarn}) {
		t.Errorf("set-ups %+v, %v", got.Setups, err)
	}
	care := store.Care{ID: "needles-k01", Machine: "k01", Kind: "needles", Minutes: 240, EveryRevolutions: 9e6, Done: at(10)}
	oil := store.Care{ID: "oil", Machine: "k02", Kind: "oil", Minutes: 30, From: at(100), To: at(100 + 3600)}
	ring := store.Cylinder{ID: "ring-24", GaugeNPI: 24, Machines: []string{"k01", "k02"}}
	if ch := b.apply(store.Book{Care: []store.Care{care, oil}, Cylinders: []store.Cylinder{ring}}); ch.Created != 3 {
		t.Fatalf("care and a cylinder: %+v", ch)
	}
	if ch := b.apply(store.Book{Care: []store.Care{care}, Cylinders: []store.Cylinder{{ID: "ring-24", GaugeNPI: 24, Machines: []string{"k02", "k01"}}}}); ch.Same != 2 {
		t.Errorf("the same care and cylinder again: %+v", ch)
	}
	if ch := b.apply(store.Book{Care: []store.Care{{ID: "oil", Remove: true}}}); ch.Updated != 1 {
		t.Errorf("a care taken out: %+v", ch)
	}
	b.restart()
	if got, err = b.st.Book(t.Context()); err != nil || !slices.Equal(got.Care, []store.Care{care}) || len(got.Cylinders) != 1 || !slices.Equal(got.Cylinders[0].Machines, ring.Machines) {
		t.Errorf("care %+v, cylinders %+v, %v", got.Care, got.Cylinders, err)
	}
	pin := func(id, machine, after string) store.Order {
		o := book().Orders[0]
		o.ID, o.PinMachine, o.PinAfter = id, machine, after
		return o
	}
	for what, x := range map[string]store.Book{
		"kind":          {Setups: []store.Setup{{Kind: "colour", From: "*", To: "*"}}},
		"no from":       {Setups: []store.Setup{{Kind: "yarn", To: "*"}}},
		"minutes":       {Setups: []store.Setup{{Kind: "yarn", From: "*", To: "*", Minutes: -1}}},
		"machine":       {Setups: []store.Setup{{Kind: "yarn", Machine: "k99", From: "*", To: "*"}}},
		"care nowhere":  {Care: []store.Care{{ID: "c", Machine: "k99", Minutes: 30}}},
		"no minutes":    {Care: []store.Care{{ID: "c", Machine: "k01"}}},
		"two dues":      {Care: []store.Care{{ID: "c", Machine: "k01", Minutes: 30, EveryRevolutions: 5, To: at(9000)}}},
		"turned window": {Care: []store.Care{{ID: "c", Machine: "k01", Minutes: 30, From: at(9000), To: at(1000)}}},
		"tight window":  {Care: []store.Care{{ID: "c", Machine: "k01", Minutes: 30, From: at(1000), To: at(1060)}}},
		"lone cylinder": {Cylinders: []store.Cylinder{{ID: "r", GaugeNPI: 24}}},
		"no gauge":      {Cylinders: []store.Cylinder{{ID: "r", Machines: []string{"k01"}}}},
		"ring nowhere":  {Cylinders: []store.Cylinder{{ID: "r", GaugeNPI: 24, Machines: []string{"k99"}}}},
		"pin nowhere":   {Orders: []store.Order{pin("SO-7", "k99", "")}},
		"two machines":  {Orders: []store.Order{pin("SO-7", "k01", ""), pin("SO-8", "k02", "SO-7")}},
		"circular pins": {Orders: []store.Order{pin("SO-7", "k01", "SO-9"), pin("SO-8", "k01", "SO-7"), pin("SO-9", "k01", "SO-8")}},
	} {
		wantInvalid(t, what, func() error { _, err := b.st.ApplyBook(t.Context(), x, false); return err })
	}
	b.apply(store.Book{Orders: []store.Order{pin("SO-7", "k01", ""), pin("SO-8", "k01", "SO-7")}})
}
