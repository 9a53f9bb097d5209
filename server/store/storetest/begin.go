package storetest

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// beginBook has machine k01, which runs SO-1 and has SO-2 and SO-3 planned at 100 and
// 200 s.
func beginBook() store.Book {
	x := book()
	x.Cards[0].Machine = ""
	for _, id := range []string{"SO-3", "SO-4"} {
		x.Orders = append(x.Orders, store.Order{ID: id, Article: "sj", QuantityKg: 100})
	}
	x.Orders[1].Article = "sj"
	x.Assignments = []store.Assignment{
		{Machine: "k01", From: at(0), Order: "SO-1", Card: "c1"},
		{Machine: "k01", From: at(100), Order: "SO-2", Card: "c1", Planned: true},
		{Machine: "k01", From: at(200), Order: "SO-3", Card: "c1", Planned: true},
	}
	return x
}

// A planned job gets nothing until somebody says that it began, whatever the clock says,
// and then what was knitted since.
func testBegin(t *testing.T, b *bench) {
	plans := b.st.(store.PlanRecord)
	b.apply(beginBook())
	a := newAgent(t, "a1", "k01")
	for i := range 30 {
		a.span(float64(i*10), float64(i*10+10), uint64(i), uint64(i+1))
	}
	b.ok(a.batch())
	b.wantCounted("k01", map[string]int64{"SO-1": 30})
	begin := func(order string, sec float64) (store.Begun, error) {
		return plans.BeginJob(t.Context(), store.Beginning{Machine: "k01", Order: order, At: at(sec), Heard: at(310)}, false)
	}
	if _, err := plans.BeginJob(t.Context(), store.Beginning{Machine: "k01", Order: "SO-2", At: at(245), Heard: at(310)}, true); err != nil {
		t.Fatal(err)
	}
	b.wantCounted("k01", map[string]int64{"SO-1": 30}) // a rehearsal
	got, err := begin("SO-2", 245)
	if err != nil || got.Before != "SO-1" || got.Same || !got.Job.From.Equal(at(245)) || !got.Job.PlannedFrom.Equal(at(100)) {
		t.Fatalf("begun %+v, %v", got, err)
	}
	// By hand: 24 of 30 spans of a turn end before 245 s.
	b.wantCounted("k01", map[string]int64{"SO-1": 24, "SO-2": 6})
	if got, err := begin("SO-2", 300); err != nil || !got.Same || !got.Job.From.Equal(at(245)) || got.Before != "SO-1" {
		t.Errorf("said twice: %+v, %v", got, err)
	}
	if ch := b.apply(beginBook()); ch.Created+ch.Updated != 0 {
		t.Errorf("the same book again: %+v", ch)
	}
	b.wantCounted("k01", map[string]int64{"SO-1": 24, "SO-2": 6})
	wantNotFound(t, "not planned there", func() error { _, err := begin("SO-4", 300); return err })
	wantNotFound(t, "no such machine", func() error {
		_, err := plans.BeginJob(t.Context(), store.Beginning{Machine: "k99", Order: "SO-2", At: at(300), Heard: at(310)}, false)
		return err
	})
	wantInvalid(t, "before the one that runs", func() error { _, err := begin("SO-3", 240); return err })
	b.restart()
	plans = b.st.(store.PlanRecord)
	b.ok(a.span(300, 310, 30, 40).batch())
	b.wantCounted("k01", map[string]int64{"SO-1": 24, "SO-2": 16})
	back := store.Beginning{Machine: "k01", Heard: at(320), TakeBack: true}
	if got, err := plans.BeginJob(t.Context(), back, false); err != nil || !got.Job.Planned || !got.Job.From.Equal(at(100)) || got.Before != "SO-1" {
		t.Errorf("taken back: %+v, %v", got, err)
	}
	b.wantCounted("k01", map[string]int64{"SO-1": 40})
	wantInvalid(t, "nothing to take back", func() error { _, err := plans.BeginJob(t.Context(), back, false); return err })
}

// Done of the end of a job begins the next in the same write, and its undo stops it.
func testBeginByTap(t *testing.T, b *bench) {
	b.apply(beginBook())
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 90, 0, 9).span(90, 130, 9, 13).batch())
	taps := b.st.(store.CreelRecord)
	tap := store.Tap{Task: "k01-end-SO-1", Machine: "k01", Act: store.ActDone, RequestID: "one", At: at(95), Heard: at(131), Begins: "SO-2"}
	for range 2 { // a repeat changes nothing
		if s, err := taps.Tap(t.Context(), tap, false); err != nil || s.State != store.TaskDone {
			t.Fatalf("tap: %+v, %v", s, err)
		}
	}
	b.wantCounted("k01", map[string]int64{"SO-1": 9, "SO-2": 4})
	b.ok(a.span(130, 140, 13, 14).batch())
	b.wantCounted("k01", map[string]int64{"SO-1": 9, "SO-2": 5})
	undo := store.Tap{Task: tap.Task, Machine: "k01", Act: store.ActUndo, RequestID: "two", At: at(99), Heard: at(141)}
	if s, err := taps.Tap(t.Context(), undo, false); err != nil || s.State != store.TaskDue {
		t.Fatalf("undo: %+v, %v", s, err)
	}
	b.wantCounted("k01", map[string]int64{"SO-1": 14})
	tap.RequestID, tap.Begins = "three", "SO-4"
	if _, err := taps.Tap(t.Context(), tap, false); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a job that is not planned: %v", err)
	}
	if s, err := taps.Taps(t.Context(), at(0)); err != nil || s[tap.Task].State != store.TaskDue {
		t.Errorf("half a tap was written: %+v, %v", s, err)
	}
}

// Plans over planned jobs: those that began by word are history.
func testBeginPlans(t *testing.T, b *bench) {
	plans := b.st.(store.PlanRecord)
	b.apply(beginBook())
	jobs := beginBook().Assignments
	next := []store.Assignment{jobs[2], {Machine: "k01", From: at(300), Order: "SO-2", Card: "c1", Planned: true}}
	keep := func() int64 {
		t.Helper()
		id, err := plans.KeepPlan(t.Context(), store.LoadingPlan{Made: at(150), Base: jobs[1:], Next: next, Body: []byte("{}")})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	begin := func(order string, sec float64) {
		t.Helper()
		if _, err := plans.BeginJob(t.Context(), store.Beginning{Machine: "k01", Order: order, At: at(sec), Heard: at(sec)}, false); err != nil {
			t.Fatal(err)
		}
	}
	have := func() string {
		t.Helper()
		got, err := b.st.Book(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		out := ""
		for _, a := range got.Assignments {
			out += fmt.Sprintf("%s@%d", a.Order, a.From.Sub(at(0))/time.Second)
			if a.Planned {
				out += "?"
			}
			out += " "
		}
		return out
	}
	id, late := keep(), keep()
	if _, err := plans.ApplyPlan(t.Context(), id, at(160), false); err != nil || have() != "SO-1@0 SO-3@200? SO-2@300? " {
		t.Fatalf("applied after SO-2 was due by the clock: %q, %v", have(), err)
	}
	begin("SO-3", 400)
	if _, err := plans.UndoPlan(t.Context(), id, at(410), false); err != nil || have() != "SO-1@0 SO-3@400 SO-2@411? " {
		t.Fatalf("undone after SO-3 began: %q, %v", have(), err)
	}
	if _, err := plans.ApplyPlan(t.Context(), late, at(420), false); !errors.Is(err, store.ErrMoved) || have() != "SO-1@0 SO-3@400 SO-2@411? " {
		t.Fatalf("a plan from before: %q, %v, want ErrMoved", have(), err)
	}
}

// Property: whenever words come, and however late the counts, a turn belongs to the job
// that was last said to have begun by its end.
func testBeginAlways(t *testing.T, b *bench) {
	plans := b.st.(store.PlanRecord)
	n := 0
	rapid.Check(t, func(r *rapid.T) {
		n++
		id := fmt.Sprintf("m%d", n)
		x := beginBook()
		x.Machines, x.Agents = []store.Machine{{ID: id, Feeders: 96}}, []store.BookAgent{{ID: "b" + id, Machines: []string{id}}}
		for i := range x.Assignments {
			x.Assignments[i].Machine = id
			x.Assignments[i].From = at(float64(rapid.IntRange(50*i, 50*i+40).Draw(r, "planned")))
		}
		x.Assignments[0].From = at(0)
		x.Assignments = append(x.Assignments, store.Assignment{Machine: id, From: at(390), Order: "SO-4", Card: "c1", Planned: true})
		b.apply(x)
		a := newAgent(b.T, "b"+id, id)
		type word struct {
			at    float64
			order string
		}
		said := []word{{0, "SO-1"}}
		var spans []float64
		now, owed := 0.0, 0
		for range rapid.IntRange(5, 30).Draw(r, "steps") {
			now += 7
			switch rapid.IntRange(0, 5).Draw(r, "step") {
			case 0:
				order := rapid.SampledFrom([]string{"SO-2", "SO-3", "SO-4"}).Draw(r, "order")
				if slices.ContainsFunc(said, func(w word) bool { return w.order == order }) {
					continue
				}
				last := said[len(said)-1].at
				when := last + 1 + rapid.Float64Range(0, 1).Draw(r, "when")*max(now-last-1, 0)
				when = float64(int64(when*1000)) / 1000
				if when > now {
					continue
				}
				if _, err := plans.BeginJob(t.Context(), store.Beginning{Machine: id, Order: order, At: at(when), Heard: at(now)}, false); err != nil {
					r.Fatal(err)
				}
				said = append(said, word{when, order})
			case 1:
				if len(said) == 1 {
					continue
				}
				if _, err := plans.BeginJob(t.Context(), store.Beginning{Machine: id, Heard: at(now), TakeBack: true}, false); err != nil {
					r.Fatal(err)
				}
				said = said[:len(said)-1]
			default:
				a.span(now-7, now, uint64(len(spans)), uint64(len(spans)+1))
				spans = append(spans, now)
				if owed++; rapid.Bool().Draw(r, "told") {
					b.ok(a.batch())
					owed = 0
				}
			}
		}
		if owed > 0 {
			b.ok(a.batch())
		}
		want := map[string]int64{}
		for _, end := range spans {
			order := ""
			for _, w := range said {
				if w.at <= end {
					order = w.order
				}
			}
			want[order]++
		}
		got := map[string]int64{}
		for _, c := range b.totals(id).Counted {
			if c.Revolutions != 0 {
				got[c.Order] += c.Revolutions
			}
		}
		if !maps.Equal(got, want) {
			r.Fatalf("counted %v, want %v; said %v", got, want, said)
		}
	})
}
