package storetest

import (
	"errors"
	"strings"
	"testing"
	"time"

	"turnwise/server/store"
)

// sight begins a life at a raw reading, as an agent that knows of none before.
func (a *agent) sight(s float64, life string, raw uint64, bits uint32) *agent {
	a.life = mark(life)
	return a.add(s, &store.LifeLink{New: a.life, Kind: "first sight", PerRev: a.perRev, Raw: raw, RawBits: bits, Ext: raw, MaxRPM: 60})
}

// counts tells a span of a counter of some bits that began with its life.
func (a *agent) counts(fromS, toS float64, from, to uint64, bits uint32) *agent {
	return a.add(toS, &store.CountSpan{Life: a.life, From: from, To: to, RawTo: to & (1<<bits - 1), RawBits: bits, FromBoottime: ns(fromS), PerRev: a.perRev})
}

// other is a second box with a journal of its own.
func other(t *testing.T, name, machine, box string) *agent {
	a := newAgent(t, name, machine)
	a.stream, a.run, a.boot = mark("stream "+box), mark("run "+box), mark("boot "+box)
	return a
}

func (b *bench) resume(a *agent, s float64) store.Resume {
	b.Helper()
	r, err := b.st.Resume(b.Context(), store.ResumeQuery{Agent: a.agent, Machine: a.machine, Stream: a.stream, Head: a.next - 1}, at(s))
	if err != nil {
		b.Fatalf("Resume: %v", err)
	}
	return r
}

// frozen commits a batch that must stop its stream after acked records.
func (b *bench) frozen(x store.Batch, acked uint64) {
	b.Helper()
	if o := b.commit(x)[0]; o.Verdict != store.Frozen || o.Acked != acked || o.Reason == "" {
		b.Fatalf("%+v, want frozen after record %d, with a reason", o, acked)
	}
}

// within checks that the truth is between what is counted and declared.
func (b *bench) within(machine string, truth int64, exact bool) {
	b.Helper()
	x := b.totals(machine)
	if x.Revolutions > truth || truth < x.Revolutions+x.LostMin || truth > x.Revolutions+x.LostMax || exact && (x.Revolutions != truth || x.LostMax != 0) {
		b.Errorf("%d revolutions, %d to %d lost; %d were made (exact: %v)", x.Revolutions, x.LostMin, x.LostMax, truth, exact)
	}
}

func testResume(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one := newAgent(t, "a1", "k01")
	if r := b.resume(one, 5); r.Verdict != store.ResumeNothing {
		t.Errorf("a machine never heard of gave %+v", r)
	}
	b.ok(one.sight(0, "first", 1000, 16).counts(0, 10, 1000, 1004, 16).batch())
	two := other(t, "a1", "k01", "two")
	for range 2 { // a lost answer is asked for again
		r := b.resume(two, 100)
		if r.Verdict != store.ResumeContinue || r.Life != one.life || r.Ext != 1004 || r.Raw != 1004 || r.RawBits != 16 || r.PerRev != 1 ||
			!r.At.Equal(at(10)) || r.Boot != one.boot || r.Boottime != ns(10) {
			t.Fatalf("%+v", r)
		}
		b.restart()
	}
	if r := b.resume(other(t, "a9", "k01", "nine"), 101); r.Verdict != store.ResumeRefused || !strings.Contains(r.Reason, "register a9") {
		t.Errorf("a stranger got %+v", r)
	}
	if r := b.resume(one, 102); r.Verdict != store.ResumeRefused {
		t.Errorf("the reader before got %+v", r)
	}
	// What the first one told late counts once, up to the hand-over.
	late := one.counts(10, 60, 1004, 1024, 16).counts(60, 99, 1024, 1040, 16)
	b.ok(late.batch())
	two.life = one.life
	b.ok(two.gap(10, 110, false).add(110, &store.CountSpan{Life: two.life, From: 1004, To: 1044, RawTo: 1044, RawBits: 16, FromBoottime: ns(10), PerRev: 1, TimeUnknown: true}).batch())
	b.within("k01", 44, true)
	b.frozen(one.counts(99, 99.5, 1040, 1041, 16).begin(120, "doubled", "yarn").batch(), 5)
	b.ok(two.counts(110, 120, 1044, 1048, 16).batch())
	b.within("k01", 48, true)
	if x := b.totals("k01"); x.Stops != 0 {
		t.Errorf("%d stops of a reader that was replaced", x.Stops)
	}
	list, err := b.st.Frozen(t.Context())
	if err != nil || len(list) != 1 || list[0].Stream != one.stream || !list[0].HandedOver || list[0].Acked != 5 {
		t.Errorf("frozen %+v, %v", list, err)
	}
	if err := b.st.Release(t.Context(), one.stream); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a stream that was handed over was released: %v", err)
	}
}

func testResumeOwnStream(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.sight(0, "first", 7, 32).counts(0, 10, 7, 11, 32).begin(10, "s", "yarn").batch())
	a.next++ // one more is on its way
	if r := b.resume(a, 20); r.Verdict != store.ResumeLater {
		t.Errorf("with a record on its way: %+v", r)
	}
	a.next--
	if r := b.resume(a, 20); r.Verdict != store.ResumeContinue || r.Ext != 11 || r.Stop != mark("s") {
		t.Errorf("%+v", r)
	}
	b.ok(a.counts(20, 30, 11, 15, 32).batch()) // the stream goes on
	b.within("k01", 8, true)
}

// A box replaced while a stop holds the machine: the new one goes on with that
// stop, however the server is restarted between, and only nobody's time is unknown.
func testStopOutlivesBox(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one := newAgent(t, "a1", "k01")
	b.ok(one.sight(0, "first", 7, 32).counts(0, 10, 7, 11, 32).begin(10, "s", "yarn").batch())
	two := other(t, "a1", "k01", "two")
	if r := b.resume(two, 40); r.Verdict != store.ResumeContinue || r.Stop != mark("s") || r.Cause != "yarn" || r.Side != "top" {
		t.Fatalf("%+v", r)
	}
	two.life = one.life
	b.ok(two.gap(10, 50, true).begin(50, "s", "yarn").batch())
	b.restart()
	if x := b.totals("k01"); x.Stops != 1 || !x.OpenStop || x.UnknownMS != 40_000 {
		t.Errorf("%d stops, one open: %v, %d ms unknown, expected 1, true, 40000", x.Stops, x.OpenStop, x.UnknownMS)
	}
	b.ok(two.end(70, "s").counts(70, 80, 11, 15, 32).batch())
	x := b.totals("k01")
	if x.Stops != 1 || x.ByCause["yarn"] != 1 || x.OpenStop || x.StopMS != 20_000 || x.RunMS != 20_000 || x.UnknownMS != 40_000 {
		t.Errorf("%+v, expected one yarn stop, 20 s of it seen, 20 s run, 40 s unknown", x)
	}
	// Its begin told again changes nothing once the end is sure.
	b.ok(two.begin(81, "s", "yarn").batch())
	if x := b.totals("k01"); x.Stops != 1 || x.OpenStop {
		t.Errorf("an ended stop went on: %d stops, open %v", x.Stops, x.OpenStop)
	}
}

func testPulsesDoNotResume(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.add(10, &store.CountSpan{Life: a.life, From: 0, To: 4, RawTo: 4, FromBoottime: 0, PerRev: 1}).batch())
	if r := b.resume(other(t, "a1", "k01", "two"), 20); r.Verdict != store.ResumeNothing {
		t.Errorf("a pulse counter was handed over: %+v", r)
	}
}

// A first start without the server opens a life; it is joined to the one
// before where the raw readings leave no doubt.
func testLateLink(t *testing.T, b *bench) {
	for _, c := range []struct {
		machine    string
		bits       uint32
		before, at uint64 // raw
		truth      int64
		exact      bool
	}{
		{"k01", 32, 90_000, 90_600, 600, true},
		{"k02", 16, 65_500, 564, 600, true}, // over the end
		{"k03", 32, 90_000, 40, 300, false}, // it fell after 260
		{"k04", 32, 90_000, 990_000, 0, false},
		{"k05", 32, 90_000, 90_000, 0, true},
	} {
		b.register("a1", c.machine)
		one, two := newAgent(t, "a1", c.machine), other(t, "a1", c.machine, "two"+c.machine)
		one.agent, two.agent = "a1", "a1"
		b.ok(one.sight(0, "one"+c.machine, c.before-4, c.bits).counts(0, 10, c.before-4, c.before, c.bits).batch())
		late := one.counts(10, 20, c.before, c.before+5, c.bits).batch()
		b.ok(two.sight(1210, "two"+c.machine, c.at, c.bits).counts(1210, 1220, c.at, c.at+4, c.bits).batch())
		b.within(c.machine, 4+c.truth+4, c.exact)
		if c.truth > 5 {
			late.Received = at(1221)
			b.ok(late) // told before the second one began: known, or lost no more
			b.within(c.machine, 4+c.truth+4, c.exact)
		}
		b.restart()
		b.ok(two.counts(1220, 1230, c.at+4, c.at+9, c.bits).batch())
		b.within(c.machine, 4+c.truth+9, c.exact)
	}
}

// A reset that only the replaced reader saw is within the bounds that its
// successor declares, and is not counted beside them.
func testLateReset(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one, two := newAgent(t, "a1", "k01"), other(t, "a1", "k01", "two")
	b.ok(one.sight(0, "first", 90_000, 32).counts(0, 10, 90_000, 90_004, 32).batch())
	first := one.life
	one.counts(10, 20, 90_004, 90_008, 32)
	one.add(30, &store.LifeLink{New: mark("fell"), Prev: first, PrevTo: 90_008, Kind: "reset", LostMax: 12, PerRev: 1, Raw: 2, RawBits: 32, Ext: 2, MaxRPM: 60})
	one.life = mark("fell")
	late := one.counts(30, 60, 0, 12, 32).batch()
	if r := b.resume(two, 90); r.Ext != 90_004 {
		t.Fatalf("%+v", r)
	}
	two.life = mark("after")
	b.ok(two.gap(10, 100, false).
		add(100, &store.LifeLink{New: two.life, Prev: first, PrevTo: 90_004, Kind: "reset", LostMax: 115 - 20, PerRev: 1, Raw: 20, RawBits: 32, Ext: 20, MaxRPM: 60}).
		add(100, &store.CountSpan{Life: two.life, From: 0, To: 20, RawTo: 20, RawBits: 32, FromBoottime: ns(100), PerRev: 1, TimeUnknown: true}).batch())
	b.within("k01", 4+4+20, false)
	late.Received = at(101)
	b.ok(late)
	b.within("k01", 4+4+20, false)
	if x := b.totals("k01"); x.Revolutions != 28 || x.LostMax != 91 {
		t.Errorf("%d revolutions, up to %d lost; want 28, and 95 less the 4 that were found", x.Revolutions, x.LostMax)
	}
}

// A machine that is registered to another agent belongs to it: what the one
// before tells of later is not counted, and it gets no counter back.
func testReplacedAgent(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one := newAgent(t, "a1", "k01")
	b.ok(one.sight(0, "first", 100, 32).counts(0, 10, 100, 104, 32).batch())
	b.register("a2", "k01")
	two := other(t, "a2", "k01", "two")
	if r := b.resume(other(t, "a1", "k01", "new box of a1"), 50); r.Verdict != store.ResumeRefused || !strings.Contains(r.Reason, "a2") {
		t.Errorf("the agent before got %+v", r)
	}
	if r := b.resume(two, 60); r.Verdict != store.ResumeContinue || r.Ext != 104 {
		t.Fatalf("%+v", r)
	}
	b.ok(one.counts(10, 59, 104, 120, 32).batch())
	b.frozen(one.counts(59, 61, 120, 121, 32).batch(), 3)
	two.life = one.life
	b.ok(two.gap(10, 70, false).counts(70, 80, 124, 128, 32).batch())
	b.within("k01", 28, true)
	b.register("a1", "k01") // given back, with an empty journal
	three := other(t, "a1", "k01", "three")
	if r := b.resume(three, 90); r.Verdict != store.ResumeContinue || r.Ext != 128 {
		t.Fatalf("%+v", r)
	}
	b.frozen(two.counts(80, 95, 128, 130, 32).batch(), 2)
	three.life = one.life
	b.ok(three.gap(80, 100, false).counts(100, 110, 134, 138, 32).batch())
	b.within("k01", 38, true)
}

// Two boxes with one id and journals of their own do not both add stops.
func testTwoBoxes(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one, two := newAgent(t, "a1", "k01"), other(t, "a1", "k01", "two")
	b.ok(one.sight(0, "one", 100, 32).counts(0, 10, 100, 104, 32).batch())
	b.ok(two.sight(12, "two", 105, 32).counts(12, 20, 105, 108, 32).begin(20, "seen by two", "yarn").batch())
	b.frozen(one.counts(10, 20, 104, 108, 32).begin(20, "seen by one", "yarn").batch(), 2)
	b.within("k01", 8, true)
	if x := b.totals("k01"); x.Stops != 1 {
		t.Errorf("%d stops, there was one", x.Stops)
	}
}

// A stream that froze because its journal was copied goes on with the copy
// that people kept; nothing is counted twice.
func testRelease(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.sight(0, "first", 0, 32).counts(0, 10, 0, 4, 32).batch())
	clone := newAgent(t, "a1", "k01")
	clone.run, clone.boot, clone.life, clone.next = mark("clone"), mark("boot of the clone"), a.life, 3
	b.ok(clone.counts(10, 20, 4, 8, 32).batch())
	whole := a.counts(10, 21, 4, 9, 32).batch()
	b.frozen(whole, 3) // both hold record 3, and tell it differently
	b.frozen(clone.counts(20, 30, 8, 12, 32).batch(), 3)
	b.within("k01", 8, true)
	if err := b.st.Release(t.Context(), mark("no stream")); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("release of nothing: %v", err)
	}
	for range 2 {
		if err := b.st.Release(t.Context(), a.stream); err != nil {
			t.Fatal(err)
		}
		b.restart()
	}
	clone.next = 4
	b.ok(clone.counts(20, 30, 8, 12, 32).batch())
	b.within("k01", 12, true)
	b.frozen(whole, 4) // the other one still tells another story
}

// Lost history is unknown time, not running time; the hull has the counts.
func testHistoryGone(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).begin(10, "s", "yarn").batch())
	a.next = 10
	x := a.add(90, &store.Tombstone{From: 3, To: 9}).span(90, 100, 36, 40).batch()
	b.ok(x)
	b.ok(x)
	got := b.totals("k01")
	if got.Revolutions != 40 || got.UnknownMS != 80_000 || got.RunMS != 20_000 || got.OpenStop {
		t.Errorf("%+v, want 40 revolutions and 80 s unknown", got)
	}
}

// Of a box that measured the server's clock before and after, that clock was set
// back by an hour, and no other box nor a restart forgets it.
func testLongerAgo(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one := newAgent(t, "a1", "k01")
	measured := func(x store.Batch, back float64) {
		x.Clock.Server = store.ServerClock{Told: true, Measured: true, Offset: t0.UnixNano() - ns(back), Error: 1e6}
		x.Received = x.Received.Add(-time.Duration(ns(back)))
		b.ok(x)
	}
	longer := func(since, now float64) time.Duration {
		d, err := b.st.LongerAgo(t.Context(), at(since), at(now))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	if d := longer(5, 10); d != 0 {
		t.Errorf("nobody saw the clock, and it was set back by %v", d)
	}
	measured(one.span(0, 10, 0, 4).batch(), 0)
	measured(one.span(10, 4000, 4, 1600).batch(), 3600)
	for range 2 {
		for _, x := range []struct {
			name       string
			since, now float64
			want       time.Duration
		}{
			{"read before", 10, 500, time.Hour},
			{"read since", 430, 500, 0},
			{"the clock shows less than then", 800, 500, 24 * time.Hour},
		} {
			if d := longer(x.since, x.now); d != x.want {
				t.Errorf("%s: up to %v longer ago, want %v", x.name, d, x.want)
			}
		}
		b.restart()
	}
}
