package storetest

import (
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/server/store"
)

func testRegister(t *testing.T, b *bench) {
	made, err := b.st.RegisterAgent(t.Context(), "a1", []string{"k01", "k02"}, t0, true)
	if err != nil || !slices.Equal(made, []string{"k01", "k02"}) {
		t.Fatalf("rehearsal: created %v, %v", made, err)
	}
	if agents, err := b.st.Agents(t.Context()); err != nil || len(agents) != 0 {
		t.Fatalf("after a rehearsal there are agents %v, %v", agents, err)
	}
	b.register("a1", "k01", "k02")
	made, err = b.st.RegisterAgent(t.Context(), "a1", []string{"k02", "k03"}, t0, false)
	if err != nil || !slices.Equal(made, []string{"k03"}) {
		t.Fatalf("second registration: created %v, %v", made, err)
	}
	agents, err := b.st.Agents(t.Context())
	if err != nil || len(agents) != 1 || !slices.Equal(agents[0].Machines, []string{"k01", "k02", "k03"}) || !agents[0].Registered.Equal(t0) {
		t.Fatalf("agents %+v, %v", agents, err)
	}
	for _, bad := range []string{"", "K01", "a/b", "srv", strings.Repeat("x", 64)} {
		wantInvalid(t, bad, func() error { _, err := b.st.RegisterAgent(t.Context(), bad, nil, t0, false); return err })
		wantInvalid(t, bad, func() error { _, err := b.st.RegisterAgent(t.Context(), "a1", []string{bad}, t0, false); return err })
	}
}

func testCommit(t *testing.T, b *bench) {
	b.register("a1", "k01", "k02")
	one, two := newAgent(t, "a1", "k01"), newAgent(t, "a1", "k02")
	out := b.commit(one.span(0, 10, 100, 104).span(10, 20, 104, 108).batch(), two.span(0, 30, 0, 15).batch())
	for i, want := range []int64{8, 15} {
		if out[i].Verdict != store.OK || out[i].State.Revolutions != want {
			t.Errorf("outcome %d: %+v, want %d revolutions", i, out[i], want)
		}
	}
	if out[0].Acked != 2 || out[0].Applied != 2 {
		t.Errorf("acked %d, applied %d, want 2 and 2", out[0].Acked, out[0].Applied)
	}
	s := b.state("k01")
	if s.RunMS != 20_000 || !s.First.Equal(at(0)) || !s.Last.Equal(at(20)) || s.SpeedRPM < 23.9 || s.SpeedRPM > 24.1 {
		t.Errorf("state %+v, want 20 s of running at 24 rpm", s)
	}
	if n, err := b.st.Records(t.Context()); err != nil || n != 3 {
		t.Errorf("Records = %d, %v, want 3", n, err)
	}
}

func testDuplicate(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	whole := a.span(0, 10, 0, 4).begin(10, "s1", "yarn").end(40, "s1").span(40, 50, 4, 8).batch()
	b.ok(part(t, whole, 1, 2))
	b.ok(part(t, whole, 1, 2))
	o := b.ok(part(t, whole, 2, 3))
	if o.Applied != 1 {
		t.Errorf("an overlap applied %d records, want 1", o.Applied)
	}
	b.ok(whole)
	b.ok(whole)
	x := b.totals("k01")
	if x.Revolutions != 8 || x.Stops != 1 || x.RunMS != 20_000 || x.StopMS != 30_000 {
		t.Errorf("totals %+v", x)
	}
}

func testGap(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	first, second, third := a.span(0, 10, 0, 4).batch(), a.span(10, 20, 4, 8).batch(), a.span(20, 30, 8, 12).batch()
	if o := b.commit(second)[0]; o.Verdict != store.NeedFrom || o.Acked != 0 {
		t.Errorf("a gap at the start gave %+v", o)
	}
	b.ok(first)
	out := b.commit(third, second)
	if out[0].Verdict != store.NeedFrom || out[1].Verdict != store.OK || out[1].Acked != 2 {
		t.Errorf("third before second gave %+v", out)
	}
	b.ok(third)
	if x := b.totals("k01"); x.Revolutions != 12 || x.RunMS != 30_000 {
		t.Errorf("totals %+v", x)
	}
}

func testTombstone(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).batch())
	a.next = 10
	late := a.add(20, &store.Tombstone{From: 2, To: 9}).span(90, 100, 36, 40).batch()
	o := b.commit(late)[0]
	if o.Verdict != store.OK || o.Acked != 11 {
		t.Fatalf("a tombstone before seq 10 gave %+v", o)
	}
	if x := b.totals("k01"); x.Revolutions != 40 {
		t.Errorf("the hull gives %d revolutions, want 40", x.Revolutions)
	}
}

func testUnregistered(t *testing.T, b *bench) {
	b.register("a1", "k01")
	for _, a := range []*agent{newAgent(t, "a2", "k01"), newAgent(t, "a1", "k09")} {
		o := b.commit(a.span(0, 10, 0, 4).batch())[0]
		if o.Verdict != store.Unregistered || o.Acked != 0 {
			t.Errorf("%s for %s gave %+v", a.agent, a.machine, o)
		}
		if want := "planner units register " + a.agent + " --machines " + a.machine; !strings.Contains(o.Reason, want) {
			t.Errorf("reason %q does not tell %q", o.Reason, want)
		}
	}
	if n, _ := b.st.Records(t.Context()); n != 0 {
		t.Errorf("%d records were stored", n)
	}
}

func testForeignStream(t *testing.T, b *bench) {
	b.register("a1", "k01")
	b.register("a2", "k02")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).batch())
	thief := newAgent(t, "a2", "k02")
	thief.stream, thief.next = a.stream, 2
	if o := b.commit(thief.span(0, 10, 0, 4).batch())[0]; o.Verdict != store.Frozen || o.Acked != 0 {
		t.Errorf("a foreign stream gave %+v", o)
	}
	b.ok(a.span(10, 20, 4, 8).batch()) // the owner is not harmed
}

func testChangedRecord(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).span(10, 20, 4, 8).batch())
	coarse := newAgent(t, "a1", "k01")
	x := coarse.span(0, 20, 0, 8).batch()
	x.Records[0].Coarse = true
	b.ok(x) // coarse records stand for finer ones, they are not compared
	again := newAgent(t, "a1", "k01").span(0, 10, 0, 5).batch()
	if o := b.commit(again)[0]; o.Verdict != store.Frozen || o.Reason == "" {
		t.Fatalf("a changed record gave %+v", o)
	}
	b.restart()
	if o := b.commit(a.span(20, 30, 8, 12).batch())[0]; o.Verdict != store.Frozen || o.Acked != 2 {
		t.Errorf("a frozen stream gave %+v", o)
	}
	if x := b.totals("k01"); x.Revolutions != 8 {
		t.Errorf("%d revolutions, want 8", x.Revolutions)
	}
}

func testTwoProcesses(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).batch())
	late := part(t, newAgent(t, "a1", "k01").span(0, 10, 0, 4).batch(), 1, 1)
	old := a.run
	a.run = mark("second run")
	b.ok(a.span(10, 20, 4, 8).batch())
	b.ok(late) // sent before the second process began
	a.run = old
	if o := b.commit(a.span(20, 30, 8, 12).batch())[0]; o.Verdict != store.Frozen {
		t.Errorf("a process back from the dead gave %+v", o)
	}
}

// A copy of a journal and the original take turns, each as a new process that
// goes on after the number that is acknowledged. What it does not hold itself is
// the record that is stored there.
func testCopyTakesTurns(t *testing.T, b *bench) {
	b.register("a1", "k01")
	one, two := newAgent(t, "a1", "k01"), newAgent(t, "a1", "k01")
	sum := func(x store.Batch) *uint32 { return &x.Records[len(x.Records)-1].CRC }
	first := one.span(0, 10, 0, 4).batch()
	two.span(0, 10, 0, 4).batch()
	b.ok(first)
	two.run = mark("second run")
	own, other := one.span(10, 20, 4, 8).batch(), two.span(10, 21, 4, 9).batch()
	other.Before = sum(first)
	b.ok(sealed(t, other)) // it holds the first record too
	two.run = mark("third run")
	whole := two.span(21, 30, 9, 12).batch()
	whole.Before = sum(other)
	b.restart() // the store has to look it up
	b.ok(sealed(t, whole))
	old := two.span(30, 40, 12, 16).batch()
	b.ok(old) // of an agent that does not tell

	one.run, one.next = mark("fourth run"), old.FirstSeq+1
	next := one.span(40, 50, 16, 20).batch()
	next.Before = sum(own)
	if o := b.commit(sealed(t, next))[0]; o.Verdict != store.Frozen || o.Applied != 0 || !strings.Contains(o.Reason, "record 4") {
		t.Errorf("a batch after another record gave %+v", o)
	}
	if x := b.totals("k01"); x.Revolutions != 16 {
		t.Errorf("%d revolutions, want 16", x.Revolutions)
	}
	again := newAgent(t, "a1", "k02")
	b.register("a1", "k02")
	again.stream = mark("another stream")
	begin := again.span(0, 10, 0, 4).batch()
	b.ok(begin)
	b.restart()
	next = again.span(10, 20, 4, 8).batch()
	next.Before = sum(own)
	if o := b.commit(sealed(t, next))[0]; o.Verdict != store.Frozen || o.Applied != 0 {
		t.Errorf("a batch after another record, looked up, gave %+v", o)
	}
}

// The first word of a process comes after that of the process that followed it.
func testOvertaken(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).batch())
	a.run = mark("second run")
	second := a.span(10, 20, 4, 8).batch()
	a.run = mark("third run")
	third := a.span(20, 30, 8, 12).batch()
	if o := b.commit(third)[0]; o.Verdict != store.NeedFrom {
		t.Fatalf("a batch before its time gave %+v", o)
	}
	b.ok(second)
	b.ok(third)
	b.ok(a.span(30, 40, 12, 16).batch())
}

func testRestart(t *testing.T, b *bench) {
	b.register("a1", "k01")
	before, err := b.st.Incarnation(t.Context())
	if err != nil || before == (store.ID{}) {
		t.Fatalf("Incarnation = %x, %v", before, err)
	}
	a := newAgent(t, "a1", "k01")
	first := a.span(0, 10, 0, 4).begin(12, "s1", "yarn").batch()
	b.ok(first)
	was := b.state("k01")
	b.restart()
	if now := b.state("k01"); now.Open == nil || *now.Open != *was.Open || now.RunMS != was.RunMS || now.Revolutions != was.Revolutions {
		t.Errorf("state after a restart %+v, before %+v", now, was)
	}
	if after, err := b.st.Incarnation(t.Context()); err != nil || after != before {
		t.Errorf("Incarnation after a restart = %x, %v, want %x", after, err, before)
	}
	b.ok(first)
	b.ok(a.end(42, "s1").span(42, 52, 4, 8).batch())
	x := b.totals("k01")
	if x.Revolutions != 8 || x.Stops != 1 || x.ByCause["yarn"] != 1 || x.OpenStop || x.StopMS != 30_000 || x.RunMS != 22_000 {
		t.Errorf("totals %+v", x)
	}
}

func testUnknownKind(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	whole := a.span(0, 10, 0, 4).add(11, nil).span(10, 20, 4, 8).batch()
	b.ok(whole)
	b.ok(whole)
	if x := b.totals("k01"); x.Revolutions != 8 {
		t.Errorf("totals %+v", x)
	}
	if n, _ := b.st.Records(t.Context()); n != 3 {
		t.Errorf("%d records are stored, want 3", n)
	}
}

func testPoison(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).
		span(10, 20, 8, 4).                   // counts backwards
		span(30, 20, 4, 8).                   // time backwards
		span(10, 20, 4, 1<<63).               // too many
		span(10, 20, 1<<40, 1<<40+4).         // too far
		add(20, &store.CountSpan{PerRev: 1}). // no life
		add(20, &store.StateGap{FromBoottime: ns(30)}).
		add(20, &store.StopBegin{}).
		add(20, &store.LifeLink{New: mark("x"), LostMin: 2, LostMax: 1}).
		span(10, 20, 4, 8).batch())
	x := b.totals("k01")
	if x.Revolutions != 8 || x.Stops != 0 || x.LostMax != 0 || x.RunMS != 20_000 {
		t.Errorf("totals %+v", x)
	}
	if n, _ := b.st.Records(t.Context()); n != 10 {
		t.Errorf("%d records are stored, want all 10", n)
	}
}

func testHull(t *testing.T, b *bench) {
	b.register("a1", "k01")
	b.register("a2", "k01")
	one, two := newAgent(t, "a1", "k01"), newAgent(t, "a2", "k01")
	one.perRev, two.perRev = 4, 4
	b.ok(one.span(0, 10, 1000, 1010).span(10, 20, 1010, 1019).batch())
	late := one.span(20, 24, 1019, 1026).batch()
	b.ok(two.span(5, 25, 1006, 1023).batch()) // saw the same counter
	b.ok(late)                                // before the other one began
	x := b.totals("k01")
	if x.Revolutions != 26/4 {
		t.Errorf("%d revolutions, want %d of 26 counts, 4 in one", x.Revolutions, 26/4)
	}
	two.add(31, &store.LifeLink{New: mark("second life"), Prev: two.life, PrevTo: 1026, Kind: "reset", LostMin: 3, LostMax: 9, PerRev: 4})
	two.life = mark("second life")
	b.ok(two.span(31, 40, 0, 9).batch())
	x = b.totals("k01")
	if x.Revolutions != 26/4+9/4 || x.LostMin != 0 || x.LostMax != 3 {
		t.Errorf("after a reset: %d revolutions, lost %d to %d; want %d, 0 to 3", x.Revolutions, x.LostMin, x.LostMax, 26/4+9/4)
	}
}

func testBoots(t *testing.T, b *bench) {
	b.register("a1", "k01")
	a := newAgent(t, "a1", "k01")
	b.ok(a.span(0, 10, 0, 4).batch())
	// The host starts anew at 100 s with a clock that is a year slow.
	a.bootIndex, a.boot = 1, mark("second boot")
	x := store.Batch{
		Agent: "a1", Machine: "k01", Stream: a.stream, Run: mark("second run"), FirstSeq: 2, HeadSeq: 3,
		Boots: map[uint32]store.ID{0: mark("boot a1"), 1: a.boot},
		Clock: store.Clock{Boot: 1, Boottime: ns(10), Wall: at(110).AddDate(-1, 0, 0).UnixNano()}, Received: at(110),
		Records: []store.Record{
			{Boot: 1, Boottime: ns(5), Kind: &store.StateGap{FromBoot: 0, FromBoottime: ns(10), FromWall: at(10).UnixNano(), Reason: "agent down"}},
			{Boot: 1, Boottime: ns(10), Kind: &store.CountSpan{Life: a.life, From: 4, To: 6, FromBoottime: ns(5), PerRev: 1}},
		},
	}
	b.ok(sealed(t, x))
	s := b.state("k01")
	if !s.Last.Equal(at(110)) || s.UnknownMS != 95_000 || s.RunMS != 15_000 {
		t.Errorf("state %+v, want it watched to 110 s with 95 s unknown", s)
	}
}

func testOutstanding(t *testing.T, b *bench) {
	b.register("a1", "k01")
	drained := func() bool {
		_, d, err := b.st.Totals(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	if !drained() {
		t.Error("an empty store is not drained")
	}
	a := newAgent(t, "a1", "k01")
	if err := b.st.SawHead(t.Context(), "a1", map[store.ID]uint64{a.stream: 3}); err != nil {
		t.Fatal(err)
	}
	if drained() {
		t.Error("drained although 3 records are at the agent")
	}
	b.restart()
	if drained() {
		t.Error("drained after a restart although 3 records are at the agent")
	}
	if agents, _ := b.st.Agents(t.Context()); agents[0].Outstanding != 3 {
		t.Errorf("agents %+v, want 3 outstanding", agents)
	}
	whole := a.span(0, 10, 0, 4).span(10, 20, 4, 8).span(20, 30, 8, 12).batch()
	b.ok(part(t, whole, 1, 2))
	if drained() {
		t.Error("drained at 2 of 3")
	}
	b.ok(whole)
	if !drained() {
		t.Error("not drained at 3 of 3")
	}
	x := a.span(30, 40, 12, 16).batch()
	x.HeadSeq = 9
	b.ok(x)
	b.restart()
	if drained() {
		t.Error("drained although a batch told of 9 records")
	}
}

func testQuarantine(t *testing.T, b *bench) {
	for range 3 {
		err := b.st.Quarantine(t.Context(), store.Quarantined{Agent: "a1", Topic: "t", Reason: "r", Received: t0, Payload: make([]byte, 200<<10)})
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := b.st.Quarantine(t.Context(), store.Quarantined{Received: time.Time{}}); err != nil {
		t.Errorf("an empty message: %v", err)
	}
}
