package storetest

import (
	"fmt"
	"slices"
	"testing"

	"turnwise/server/store"
)

func testStops(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	o := b.ok(a.span(0, 10, 0, 4).begin(10, "s1", "yarn").batch())
	if len(o.Stops) != 1 || o.Stops[0].Cause != "yarn" || !o.Stops[0].End.IsZero() || o.Stops[0].Revolutions != 4 {
		t.Errorf("stops of the outcome %+v", o.Stops)
	}
	if o.State.Open == nil || o.State.Open.ID != mark("s1") || !o.State.Since.Equal(at(10)) {
		t.Errorf("state %+v", o.State)
	}
	// The same words again, a standstill, a doff, and an end told twice.
	b.ok(a.begin(10, "s1", "yarn").span(10, 30, 4, 4).end(35, "s1").end(35, "s1").
		span(35, 45, 4, 8).standstill(45, "s2").end(60, "s2").
		span(60, 70, 8, 12).begin(70, "s3", "doff").end(100, "s3").span(100, 110, 12, 14).batch())
	x := b.totals("k01")
	if x.Stops != 2 || x.ByCause["yarn"] != 1 || x.ByCause["doff"] != 1 || len(x.ByCause) != 2 || x.OpenStop {
		t.Errorf("totals %+v, want one yarn and one doff", x)
	}
	if x.StopMS != 25_000+15_000+30_000 || x.RunMS != 40_000 {
		t.Errorf("%d ms stopped, %d ms run, want 70000 and 40000", x.StopMS, x.RunMS)
	}
	s := b.state("k01")
	if s.Doffs != 1 || s.DoffAt != 12 || s.Open != nil || !s.Since.Equal(at(100)) {
		t.Errorf("state %+v", s)
	}
	// A stop whose end nobody told ends with the next one.
	b.ok(a.begin(110, "s4", "needle").begin(120, "s5", "yarn").batch())
	if x := b.totals("k01"); x.Stops != 4 || !x.OpenStop {
		t.Errorf("totals %+v", x)
	}
	stops, err := b.st.Stops(t.Context(), store.StopQuery{Machine: "k01"})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range stops {
		lasted := x.End.Sub(x.Begin).String()
		if x.End.IsZero() {
			lasted = "open"
		}
		got = append(got, fmt.Sprint(x.Cause, " ", x.Input, " ", lasted))
	}
	want := []string{"yarn true open", "needle true 10s", "doff true 30s", " false 15s", "yarn true 25s"}
	if !slices.Equal(got, want) {
		t.Errorf("stops, the newest first: %q, want %q", got, want)
	}
}

func testStopQueries(t *testing.T, b *bench) {
	b.register("a1", "k01", "k02")
	one, two := newAgent(t, "a1", "k01"), newAgent(t, "a1", "k02")
	for i := range 5 {
		s := float64(i * 100)
		one.span(s, s+10, uint64(i), uint64(i+1)).begin(s+10, string(rune('a'+i)), "yarn").end(s+50, string(rune('a'+i)))
		two.span(s, s+10, uint64(i), uint64(i+1)).begin(s+10, string(rune('p'+i)), "needle")
		if i < 4 {
			two.end(s+50, string(rune('p'+i)))
		}
	}
	b.ok(one.batch())
	b.ok(two.batch())
	ids := func(q store.StopQuery) (got []store.ID) {
		stops, err := b.st.Stops(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range stops {
			got = append(got, s.ID)
		}
		return got
	}
	marks := func(words ...string) (want []store.ID) {
		for _, w := range words {
			want = append(want, mark(w))
		}
		return want
	}
	for _, c := range []struct {
		name string
		q    store.StopQuery
		want []store.ID
	}{
		{"all of one", store.StopQuery{Machine: "k01"}, marks("e", "d", "c", "b", "a")},
		{"window", store.StopQuery{Machine: "k01", From: at(150), To: at(310)}, marks("c")},
		{"reaching in", store.StopQuery{Machine: "k01", From: at(149), To: at(311)}, marks("d", "c", "b")},
		{"open one reaches in", store.StopQuery{Machine: "k02", From: at(900), To: at(1000)}, marks("t")},
		{"limit", store.StopQuery{Machine: "k01", Limit: 2}, marks("e", "d")},
		{"next page", store.StopQuery{Machine: "k01", Limit: 2, Before: at(310), BeforeID: mark("d")}, marks("c", "b")},
		{"unknown machine", store.StopQuery{Machine: "k77"}, nil},
	} {
		if got := ids(c.q); !slices.Equal(got, c.want) {
			t.Errorf("%s: %x, want %x", c.name, got, c.want)
		}
	}
	// Page by page everything comes once, also where instants are equal.
	var seen []store.ID
	q := store.StopQuery{Limit: 3}
	for {
		page, err := b.st.Stops(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range page {
			seen = append(seen, s.ID)
			q.Before, q.BeforeID = s.Begin, s.ID
		}
		if len(page) < 3 {
			break
		}
	}
	if all := ids(store.StopQuery{}); len(all) != 10 || !slices.Equal(seen, all) {
		t.Errorf("pages %x, all %x", seen, all)
	}
}

func testOrphanEnd(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).end(20, "lost").batch())
	if x := b.totals("k01"); x.Stops != 0 || x.OpenStop || x.RunMS != 20_000 {
		t.Errorf("after an end without a begin: %+v", x)
	}
	b.ok(a.begin(15, "lost", "yarn").span(20, 30, 4, 8).batch())
	if x := b.totals("k01"); x.Stops != 1 || x.OpenStop || x.ByCause["yarn"] != 1 {
		t.Errorf("after its begin: %+v", x)
	}
	stops, err := b.st.Stops(t.Context(), store.StopQuery{Machine: "k01"})
	if err != nil || len(stops) != 1 || !stops[0].Begin.Equal(at(15)) || !stops[0].End.Equal(at(20)) {
		t.Errorf("stops %+v, %v", stops, err)
	}
}

func testGaps(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).gap(10, 60, false).span(60, 70, 4, 8). // a plain hole
									begin(70, "s1", "yarn").gap(80, 180, true).end(200, "s1"). // the stop went on
									begin(200, "s2", "needle").gap(210, 260, false).           // the stop ended in the hole
									add(260, &store.StopEnd{Stop: mark("s2"), Earliest: ns(210)}).
									add(270, &store.CountSpan{Life: a.life, From: 8, To: 12, FromBoottime: ns(260), PerRev: 1, TimeUnknown: true}).batch())
	x := b.totals("k01")
	if x.RunMS != 20_000 || x.StopMS != 130_000+10_000 || x.UnknownMS != 50_000+50_000+10_000 || x.Revolutions != 12 || x.OpenStop {
		t.Errorf("totals %+v", x)
	}
	gaps, err := b.st.Gaps(t.Context(), at(20), at(215))
	if err != nil || len(gaps) != 2 || !gaps[0].From.Equal(at(10)) || !gaps[0].To.Equal(at(60)) || gaps[0].Reason != "agent down" || !gaps[1].To.Equal(at(260)) {
		t.Errorf("gaps %+v, %v", gaps, err)
	}
}

// A stop that was open when the host went down may have ended at any time
// since: its length is what was watched of it.
func testStopOverBoot(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).begin(10, "s1", "yarn").span(10, 70, 4, 4).batch())
	x := store.Batch{
		Agent: "a1", Machine: "k01", Stream: a.stream, Run: mark("second run"), FirstSeq: 4, HeadSeq: 5,
		Boots: map[uint32]store.ID{0: a.boot, 1: mark("second boot")},
		Clock: store.Clock{Boot: 1, Boottime: ns(30), Wall: at(1030).UnixNano()}, Received: at(1030),
		Records: []store.Record{
			{Boot: 1, Boottime: ns(20), Wall: at(1020).UnixNano(), Kind: &store.StateGap{FromBoot: 0, FromBoottime: ns(80), FromWall: at(80).UnixNano(), Reason: "agent down"}},
			{Boot: 1, Boottime: ns(20), Wall: at(1020).UnixNano(), Kind: &store.StopEnd{Stop: mark("s1"), Earliest: 1}},
		},
	}
	whole := sealed(t, x)
	b.ok(part(t, whole, 4, 4))
	b.restart()
	b.ok(whole)
	if x := b.totals("k01"); x.RunMS != 10_000 || x.StopMS != 70_000 || x.UnknownMS != 940_000 || x.OpenStop || x.Stops != 1 {
		t.Errorf("totals %+v", x)
	}
	stops, err := b.st.Stops(t.Context(), store.StopQuery{})
	if err != nil || len(stops) != 1 || !stops[0].End.Equal(at(80)) {
		t.Errorf("stops %+v, %v, want the end at 80 s", stops, err)
	}
}

func testRollups(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(290, 320, 0, 10).begin(320, "s1", "yarn").end(3700, "s1").span(3700, 3800, 10, 50).batch())
	cells, err := b.st.Rollups(t.Context(), store.RollupQuery{Grain: store.Fine, Machine: "k01", From: at(100), To: at(600)})
	if err != nil {
		t.Fatal(err)
	}
	want := []store.Rollup{
		{Machine: "k01", Start: at(0), Revolutions: 3, RunMS: 10_000},
		{Machine: "k01", Start: at(300), Revolutions: 7, RunMS: 20_000, StopMS: 280_000, Stops: 1},
	}
	if !slices.Equal(cells, want) {
		t.Errorf("fine cells %+v, want %+v", cells, want)
	}
	cells, err = b.st.Rollups(t.Context(), store.RollupQuery{Grain: store.Hour, From: at(0), To: at(7200)})
	want = []store.Rollup{
		{Machine: "k01", Start: at(0), Revolutions: 10, RunMS: 30_000, StopMS: 3_280_000, Stops: 1},
		{Machine: "k01", Start: at(3600), Revolutions: 40, RunMS: 100_000, StopMS: 100_000},
	}
	if err != nil || !slices.Equal(cells, want) {
		t.Errorf("hours %+v, %v, want %+v", cells, err, want)
	}
	for _, c := range []struct {
		s    float64
		want int64
	}{{-10, 0}, {300, 3}, {600, 10}, {3600, 10}, {3750, 30}, {3800, 50}, {9999, 50}} {
		if n, err := b.st.RevolutionsAt(t.Context(), "k01", at(c.s)); err != nil || n < c.want-12 || n > c.want+12 || c.s != 3750 && n != c.want {
			t.Errorf("RevolutionsAt(%v s) = %d, %v, want %d", c.s, n, err, c.want)
		}
	}
	wantNotFound(t, "unknown machine", func() error { _, err := b.st.RevolutionsAt(t.Context(), "k77", t0); return err })
	wantInvalid(t, "odd grain", func() error {
		_, err := b.st.Rollups(t.Context(), store.RollupQuery{Grain: 7})
		return err
	})
}

// Turns by hand in a stop are in the total, filed apart, and no running time;
// neither are they without a stop that explains them.
func testInched(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	a.span(0, 20, 0, 8).begin(20, "s1", "yarn")
	a.add(50, &store.CountSpan{Life: a.life, From: 8, To: 11, FromBoottime: ns(20), PerRev: 1, Inched: true})
	a.end(60, "s1").span(60, 70, 11, 15)
	a.add(90, &store.CountSpan{Life: a.life, From: 15, To: 16, FromBoottime: ns(70), PerRev: 1, Inched: true})
	x := a.batch()
	b.ok(x)
	b.ok(x)
	if got := b.totals("k01"); got.Revolutions != 16 || got.Inched != 4 || got.RunMS != 30_000 || got.StopMS != 60_000 {
		t.Errorf("books %+v, want 16 revolutions, 4 of them inched, 30 s running", got)
	}
	b.restart()
	if got := b.state("k01"); got.Inched != 4 || got.Revolutions != 16 {
		t.Errorf("state %+v", got)
	}
}
