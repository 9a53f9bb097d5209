package storetest

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"turnwise/server/store"
)

func wantInvalid(t *testing.T, what string, do func() error) {
	t.Helper()
	if err := do(); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("%q: error %v, want ErrInvalid", what, err)
	}
}

func wantNotFound(t *testing.T, what string, do func() error) {
	t.Helper()
	if err := do(); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("%q: error %v, want ErrNotFound", what, err)
	}
}

// book is a small mill: two machines, two articles, two orders.
func book() store.Book {
	return store.Book{
		Machines: []store.Machine{{ID: "k01", Name: "K01", Feeders: 96, CylinderNeedles: 2640, MaxRPM: 30, Structures: []string{"single jersey"}}, {ID: "k02", Feeders: 72}},
		Agents:   []store.BookAgent{{ID: "a1", Machines: []string{"k01", "k02"}}},
		Yarns:    []store.Yarn{{ID: "y1", Count: "20 tex", Fibre: "cotton", ConeNetKg: 2}, {ID: "y2", Count: "Ne 24/1"}},
		Lots:     []store.Lot{{ID: "l1", Yarn: "y1", Tip: "green", StoreKg: 500}},
		Articles: []store.Article{{ID: "sj", Name: "jersey", RollKg: 25, WasteRatio: 0.01}, {ID: "pq", Name: "piqué"}},
		Cards: []store.Card{
			{ID: "c1", Article: "sj", Machine: "k01", SpeedRPM: 24, Feeds: []store.FeedGroup{{ID: "ground", Yarn: "y1", Lot: "l1", Feeders: 96, CourseLengthM: 7.5}}},
			{ID: "c2", Article: "pq", Feeds: []store.FeedGroup{{ID: "a", Yarn: "y1", Feeders: 36, CourseLengthM: 6}, {ID: "b", Yarn: "y2", Feeders: 36, CourseLengthM: 7, Ends: 1, Draft: 1}}},
		},
		Orders: []store.Order{{ID: "SO-1", Article: "sj", QuantityKg: 1200, Promise: at(86400)}, {ID: "SO-2", Article: "pq", QuantityKg: 600}},
		Assignments: []store.Assignment{
			{Machine: "k01", From: at(0), Order: "SO-1", Card: "c1"},
			{Machine: "k02", From: at(0), Order: "SO-2", Card: "c2", QuantityKg: 300},
		},
	}
}

func (b *bench) apply(x store.Book) store.BookChange {
	b.Helper()
	ch, err := b.st.ApplyBook(b.Context(), x, false)
	if err != nil {
		b.Fatalf("ApplyBook: %v", err)
	}
	return ch
}

func testBook(t *testing.T, b *bench) {
	ch, err := b.st.ApplyBook(t.Context(), book(), true)
	if err != nil || ch.Created != 14 || len(ch.Lines) != 14 {
		t.Fatalf("rehearsal: %+v, %v, want 14 created", ch, err)
	}
	if got, err := b.st.Book(t.Context()); err != nil || len(got.Machines) != 0 {
		t.Fatalf("a rehearsal wrote %+v, %v", got, err)
	}
	b.apply(book())
	if ch := b.apply(book()); ch.Same != 14 || ch.Created+ch.Updated != 0 {
		t.Errorf("the same book again: %+v, want 14 the same", ch)
	}
	x := book()
	x.Orders[0].QuantityKg = 1300
	if ch := b.apply(store.Book{Orders: x.Orders[:1]}); ch.Updated != 1 || ch.Lines[0] != "update order SO-1" {
		t.Errorf("one order changed: %+v", ch)
	}
	b.restart()
	got, err := b.st.Book(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Machines) != 2 || got.Machines[0].Feeders != 96 || got.Orders[0].QuantityKg != 1300 || !got.Orders[0].Promise.Equal(at(86400)) ||
		len(got.Assignments) != 2 || got.Assignments[1].QuantityKg != 300 || len(got.Cards[1].Feeds) != 2 || !slices.Equal(got.Agents[0].Machines, []string{"k01", "k02"}) {
		t.Errorf("book %+v", got)
	}
	// An agent of the book speaks for its machines, and for no others.
	b.ok(newAgent(t, "a1", "k02").span(0, 10, 0, 4).batch())
	b.apply(store.Book{Agents: []store.BookAgent{{ID: "a1", Machines: []string{"k01"}}}})
	if o := b.commit(newAgent(t, "a1", "k02").span(0, 10, 0, 4).batch())[0]; o.Verdict != store.Unregistered {
		t.Errorf("an agent that lost its machine: %+v", o)
	}
}

func testBookFaults(t *testing.T, b *bench) {
	b.apply(book())
	for _, c := range []struct {
		name string
		x    store.Book
		want []string // words of the error
	}{
		{"unknown yarn", store.Book{Cards: []store.Card{{ID: "c9", Article: "sj", Feeds: []store.FeedGroup{{ID: "g", Yarn: "y9", Feeders: 9, CourseLengthM: 6}}}}}, []string{"card c9", `yarn "y9"`}},
		{"unknown article and machine", store.Book{Cards: []store.Card{{ID: "c9", Article: "zz", Machine: "k99", Feeds: []store.FeedGroup{{ID: "g", Yarn: "y1", Feeders: 9, CourseLengthM: 6}}}}}, []string{`article "zz"`, `machine "k99"`}},
		{"no feeds", store.Book{Cards: []store.Card{{ID: "c9", Article: "sj"}}}, []string{"feed groups"}},
		{"negative kilos", store.Book{Orders: []store.Order{{ID: "SO-9", Article: "sj", QuantityKg: -1}}}, []string{"order SO-9", "-1"}},
		{"not a number", store.Book{Lots: []store.Lot{{ID: "l9", Yarn: "y1", StoreKg: math.NaN()}}}, []string{"lot l9", "NaN"}},
		{"without end", store.Book{Machines: []store.Machine{{ID: "k09", MaxRPM: math.Inf(1)}}}, []string{"k09", "Inf"}},
		{"twice", store.Book{Yarns: []store.Yarn{{ID: "y9", Count: "20 tex"}, {ID: "y9", Count: "30 tex"}}}, []string{"y9 stands twice"}},
		{"not a count", store.Book{Yarns: []store.Yarn{{ID: "y9", Count: "thick"}}}, []string{"yarn y9", "thick"}},
		{"more feeders than the machine", store.Book{Cards: []store.Card{{ID: "c9", Article: "sj", Machine: "k02", Feeds: []store.FeedGroup{{ID: "g", Yarn: "y1", Feeders: 96, CourseLengthM: 6}}}}}, []string{"96 feeders", "k02 has 72"}},
		{"machine with fewer feeders than its card", store.Book{Machines: []store.Machine{{ID: "k01", Feeders: 48}}}, []string{"card c1", "k01 has 48"}},
		{"lot of another yarn", store.Book{Cards: []store.Card{{ID: "c9", Article: "sj", Feeds: []store.FeedGroup{{ID: "g", Yarn: "y2", Lot: "l1", Feeders: 9, CourseLengthM: 6}}}}}, []string{"lot l1 is of yarn y1"}},
		{"group twice", store.Book{Cards: []store.Card{{ID: "c9", Article: "sj", Feeds: []store.FeedGroup{{ID: "g", Yarn: "y1", Feeders: 9, CourseLengthM: 6}, {ID: "g", Yarn: "y1", Feeders: 9, CourseLengthM: 6}}}}}, []string{`"g" stands twice`}},
		{"card of another machine", store.Book{Assignments: []store.Assignment{{Machine: "k02", From: at(9), Order: "SO-1", Card: "c1"}}}, []string{"card c1 is for machine k01"}},
		{"card of another article", store.Book{Assignments: []store.Assignment{{Machine: "k01", From: at(9), Order: "SO-1", Card: "c2"}}}, []string{"knits article pq"}},
		{"order without card", store.Book{Assignments: []store.Assignment{{Machine: "k01", From: at(9), Order: "SO-1"}}}, []string{"needs a knit card"}},
		{"no instant", store.Book{Assignments: []store.Assignment{{Machine: "k01", Order: "SO-1", Card: "c1"}}}, []string{"an instant"}},
		{"ids", store.Book{Machines: []store.Machine{{ID: "K 1"}}, Orders: []store.Order{{ID: "", Article: "sj"}}}, []string{"2 faults", `machine "K 1"`, `order ""`}},
		{"agent of an unknown machine", store.Book{Agents: []store.BookAgent{{ID: "a9", Machines: []string{"k99"}}}}, []string{"agent a9", `"k99"`}},
	} {
		_, err := b.st.ApplyBook(t.Context(), c.x, false)
		if !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: error %v, want ErrInvalid", c.name, err)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: error %q does not tell %q", c.name, err, w)
			}
		}
	}
	if ch := b.apply(book()); ch.Same != 14 {
		t.Errorf("after refused books: %+v, want everything as it was", ch)
	}
}

// counted tells the revolutions of each assignment of a machine by order.
func (b *bench) counted(machine string) map[string]int64 {
	b.Helper()
	got := map[string]int64{}
	for _, c := range b.totals(machine).Counted {
		got[c.Order] += c.Revolutions
	}
	return got
}

func (b *bench) wantCounted(machine string, want map[string]int64) {
	b.Helper()
	got := b.counted(machine)
	for order, n := range want {
		if got[order] != n {
			b.Errorf("%s: %v revolutions by order, want %v", machine, got, want)
			return
		}
	}
}

func testAssignments(t *testing.T, b *bench) {
	x := book()
	x.Cards[0].Machine = ""
	x.Orders = append(x.Orders, store.Order{ID: "SO-3", Article: "sj", QuantityKg: 100})
	x.Assignments = []store.Assignment{
		{Machine: "k01", From: at(10), Order: "SO-1", Card: "c1"},
		{Machine: "k01", From: at(30), Order: "SO-3", Card: "c1"},
	}
	b.apply(x)
	a := newAgent(t, "a1", "k01")
	whole := a.span(0, 5, 0, 2).span(5, 20, 2, 8).span(20, 31, 8, 13).span(31, 40, 13, 17).batch()
	b.ok(whole)
	b.ok(whole)
	// What ends under an assignment counts for it.
	b.wantCounted("k01", map[string]int64{"": 2, "SO-1": 6, "SO-3": 9})
	if c := b.totals("k01").Counted; len(c) != 3 || !c[0].From.IsZero() || !c[1].From.Equal(at(10)) || c[1].Card != "c1" || c[1].Machine != "k01" {
		t.Errorf("Counted = %+v", c)
	}
}

func testLateAssignments(t *testing.T, b *bench) {
	x := book()
	jobs := x.Assignments
	x.Assignments = nil
	b.apply(x)
	a := newAgent(t, "a1", "k01")
	a.perRev = 3
	for i := range 20 {
		a.span(float64(i*10), float64(i*10+10), uint64(i*10), uint64(i*10+10))
	}
	b.ok(a.span(200, 210, 200, 1<<50).batch()) // the last one is refused, also when counted again
	b.wantCounted("k01", map[string]int64{"": 66})
	jobs[0].From = at(95)
	b.apply(store.Book{Assignments: jobs[:1]})
	// By hand: 9 spans of 10 counts end before 95 s, 90 of 200 counts, 3 in a revolution.
	b.wantCounted("k01", map[string]int64{"": 30, "SO-1": 36})
	if _, err := b.st.ApplyBook(t.Context(), store.Book{Assignments: []store.Assignment{{Machine: "k01", From: at(150)}}}, true); err != nil {
		t.Fatal(err)
	}
	b.wantCounted("k01", map[string]int64{"": 30, "SO-1": 36}) // a rehearsal
	b.apply(store.Book{Assignments: []store.Assignment{{Machine: "k01", From: at(150)}}})
	b.wantCounted("k01", map[string]int64{"": 30 + 20, "SO-1": 16})
	b.restart()
	b.ok(a.span(200, 210, 200, 230).batch())
	b.wantCounted("k01", map[string]int64{"": 60, "SO-1": 16})
}

func testLoads(t *testing.T, b *bench) {
	b.apply(book())
	add := func(l store.Load) int64 {
		t.Helper()
		id, err := b.st.AddLoad(t.Context(), l)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	first := add(store.Load{Machine: "k01", Group: "ground", Cones: 96, Lot: "l1", At: at(0), RequestID: "r1"})
	if again := add(store.Load{Machine: "k01", Group: "ground", Cones: 96, Lot: "l1", At: at(1), RequestID: "r1"}); again != first {
		t.Errorf("the same request gave load %d, then %d", first, again)
	}
	second := add(store.Load{Machine: "k01", Group: "ground", Cones: 48, At: at(100), Revolutions: 40, ConeKg: 1.9})
	ids := func() (got []int64) {
		loads, err := b.st.Loads(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range loads {
			got = append(got, l.ID)
		}
		return got
	}
	if got := ids(); !slices.Equal(got, []int64{first, second}) {
		t.Errorf("loads %v, want both: 48 cones are half of the feeds", got)
	}
	third := add(store.Load{Machine: "k01", Group: "ground", Cones: 48, At: at(200), Revolutions: 80})
	if got := ids(); !slices.Equal(got, []int64{second, third}) {
		t.Errorf("loads %v, want the newest two: together they fill the feeds", got)
	}
	if err := b.st.UndoLoad(t.Context(), "k01", third); err != nil {
		t.Fatal(err)
	}
	if got := ids(); !slices.Equal(got, []int64{first, second}) {
		t.Errorf("loads after an undo %v", got)
	}
	loads, _ := b.st.Loads(t.Context())
	if l := loads[1]; l.Cones != 48 || l.ConeKg != 1.9 || l.Revolutions != 40 || !l.At.Equal(at(100)) || l.Machine != "k01" || l.Group != "ground" {
		t.Errorf("load %+v", l)
	}
	wantNotFound(t, "unknown load", func() error { return b.st.UndoLoad(t.Context(), "k01", 999) })
	wantNotFound(t, "load of another machine", func() error { return b.st.UndoLoad(t.Context(), "k02", second) })
	wantNotFound(t, "unknown machine", func() error {
		_, err := b.st.AddLoad(t.Context(), store.Load{Machine: "k77", Group: "g", Cones: 1, At: at(0)})
		return err
	})
	for _, l := range []store.Load{
		{Machine: "k01", Group: "g", At: at(0)}, {Machine: "k01", Cones: 1, At: at(0)}, {Machine: "k01", Group: "g", Cones: 1},
		{Machine: "k01", Group: "g", Cones: 1, At: at(0), ConeKg: math.NaN()},
	} {
		wantInvalid(t, "load", func() error { _, err := b.st.AddLoad(t.Context(), l); return err })
	}
}
