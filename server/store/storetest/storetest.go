// Package storetest holds the conformance suite that every store.Store passes.
// It speaks to a store as the server does and as agents would: with sealed
// records of invented machines. It does not look into files.
package storetest

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
)

// Run runs the suite. open opens the store in dir: a new, empty one the first
// time, the same one again after a Close.
func Run(t *testing.T, open func(t *testing.T, dir string) store.Store) {
	Counts(t, open)
	each(t, open, []named{
		{"book", testBook},
		{"book faults", testBookFaults},
		{"set-ups and pins", testSetups},
		{"assignments", testAssignments},
		{"assignments entered late", testLateAssignments},
		{"loads", testLoads},
	})
}

// Counts runs the part that is about what agents say, for a store that keeps
// no order book and no loads of creels.
func Counts(t *testing.T, open func(t *testing.T, dir string) store.Store) {
	each(t, open, []named{
		{"register", testRegister},
		{"commit", testCommit},
		{"duplicate and overlap", testDuplicate},
		{"gap", testGap},
		{"tombstone", testTombstone},
		{"unregistered", testUnregistered},
		{"foreign stream", testForeignStream},
		{"changed record freezes", testChangedRecord},
		{"two processes freeze", testTwoProcesses},
		{"a copy that goes on from another record freezes", testCopyTakesTurns},
		{"a process is overtaken", testOvertaken},
		{"restart", testRestart},
		{"unknown kind", testUnknownKind},
		{"poison", testPoison},
		{"hull", testHull},
		{"a counter is handed over", testResume},
		{"a counter goes on in its own stream", testResumeOwnStream},
		{"a clock that was set back", testLongerAgo},
		{"a stop outlives its box", testStopOutlivesBox},
		{"pulse counters are not handed over", testPulsesDoNotResume},
		{"an offline first start is linked later", testLateLink},
		{"a reset that only the replaced reader saw", testLateReset},
		{"agent replaced by another", testReplacedAgent},
		{"two boxes with one id", testTwoBoxes},
		{"boxes replaced, late and back", testBoxes},
		{"cloned journal, released", testRelease},
		{"history gone is unknown time", testHistoryGone},
		{"stops", testStops},
		{"inched", testInched},
		{"stop queries", testStopQueries},
		{"orphan end", testOrphanEnd},
		{"gaps", testGaps},
		{"boots", testBoots},
		{"stop over a boot", testStopOverBoot},
		{"rollups", testRollups},
		{"outstanding", testOutstanding},
		{"quarantine", testQuarantine},
	})
}

type named struct {
	name string
	test func(*testing.T, *bench)
}

func each(t *testing.T, open func(t *testing.T, dir string) store.Store, tests []named) {
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			b := &bench{T: t, dir: t.TempDir(), open: open}
			b.st = open(t, b.dir)
			defer func() {
				if err := b.st.Close(); err != nil {
					t.Errorf("Close: %v", err)
				}
			}()
			c.test(t, b)
			b.invariants()
		})
	}
}

// t0 is when the invented days begin; it is a border of an hour.
var t0 = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)

// bench is a store under test with short words for what is done to it.
type bench struct {
	*testing.T
	dir  string
	open func(t *testing.T, dir string) store.Store
	st   store.Store
}

func (b *bench) restart() {
	b.Helper()
	if err := b.st.Close(); err != nil {
		b.Fatalf("Close: %v", err)
	}
	b.st = b.open(b.T, b.dir)
}

func (b *bench) register(agent string, machines ...string) {
	b.Helper()
	if _, err := b.st.RegisterAgent(b.Context(), agent, machines, t0, false); err != nil {
		b.Fatalf("RegisterAgent: %v", err)
	}
}

func (b *bench) commit(batches ...store.Batch) []store.Outcome {
	b.Helper()
	out, err := b.st.Commit(b.Context(), batches)
	if err != nil {
		b.Fatalf("Commit: %v", err)
	}
	if len(out) != len(batches) {
		b.Fatalf("Commit gave %d outcomes for %d batches", len(out), len(batches))
	}
	return out
}

// ok commits one batch that must be accepted up to its last record.
func (b *bench) ok(x store.Batch) store.Outcome {
	b.Helper()
	o := b.commit(x)[0]
	last := x.FirstSeq + uint64(len(x.Records)) - 1
	if o.Verdict != store.OK || o.Acked < last {
		b.Fatalf("verdict %d (%s), acked %d; want OK up to %d", o.Verdict, o.Reason, o.Acked, last)
	}
	return o
}

func (b *bench) totals(machine string) store.Totals {
	b.Helper()
	all, _, err := b.st.Totals(b.Context())
	if err != nil {
		b.Fatalf("Totals: %v", err)
	}
	for _, x := range all {
		if x.Machine == machine {
			return x
		}
	}
	b.Fatalf("Totals has no machine %s", machine)
	return store.Totals{}
}

func (b *bench) state(machine string) store.MachineState {
	b.Helper()
	all, err := b.st.States(b.Context())
	if err != nil {
		b.Fatalf("States: %v", err)
	}
	for _, x := range all {
		if x.Machine == machine {
			return x
		}
	}
	b.Fatalf("States has no machine %s", machine)
	return store.MachineState{}
}

// invariants holds after every test: times add up, and all kept sums agree.
func (b *bench) invariants() {
	b.Helper()
	ctx := b.Context()
	totals, _, err := b.st.Totals(ctx)
	if err != nil {
		b.Fatalf("Totals: %v", err)
	}
	for _, x := range totals {
		s := b.state(x.Machine)
		if got, want := x.RunMS+x.StopMS+x.UnknownMS, s.Last.Sub(s.First).Milliseconds(); got != want {
			b.Errorf("%s: run + stop + unknown = %d ms, last - first = %d ms", x.Machine, got, want)
		}
		var counted, causes int64
		for _, c := range x.Counted {
			counted += c.Revolutions
		}
		for _, n := range x.ByCause {
			causes += n
		}
		if counted != x.Revolutions || causes != x.Stops || s.Revolutions != x.Revolutions {
			b.Errorf("%s: %d revolutions, %d under assignments, %d in the state; %d stops, %d by cause", x.Machine, x.Revolutions, counted, s.Revolutions, x.Stops, causes)
		}
		for _, grain := range []store.Grain{store.Fine, store.Hour} {
			cells, err := b.st.Rollups(ctx, store.RollupQuery{Grain: grain, Machine: x.Machine, From: t0.AddDate(-2, 0, 0), To: t0.AddDate(2, 0, 0)})
			if err != nil {
				b.Fatalf("Rollups: %v", err)
			}
			var sum store.Rollup
			for _, c := range cells {
				sum.Revolutions += c.Revolutions
				sum.RunMS += c.RunMS
				sum.StopMS += c.StopMS
				sum.UnknownMS += c.UnknownMS
				sum.Inched += c.Inched
				sum.Stops += c.Stops
			}
			if want := (store.Rollup{Revolutions: x.Revolutions, Inched: x.Inched, RunMS: x.RunMS, StopMS: x.StopMS, UnknownMS: x.UnknownMS, Stops: x.Stops}); sum != want {
				b.Errorf("%s: cells of %v add up to %+v, want %+v", x.Machine, time.Duration(grain), sum, want)
			}
		}
		var unknown int64
		gaps, err := b.st.Gaps(ctx, t0.AddDate(-2, 0, 0), t0.AddDate(2, 0, 0))
		if err != nil {
			b.Fatalf("Gaps: %v", err)
		}
		for _, g := range gaps {
			if g.Machine == x.Machine {
				unknown += g.To.Sub(g.From).Milliseconds()
			}
		}
		if unknown != x.UnknownMS {
			b.Errorf("%s: gaps add up to %d ms, %d ms are unknown", x.Machine, unknown, x.UnknownMS)
		}
	}
}

// Agent writes the records of one machine as an agent would. Seconds are since
// t0; its boot began then.
type agent struct {
	t                 *testing.T
	agent, machine    string
	stream, run, boot store.ID
	life              store.ID
	next              uint64
	records           []store.Record
	bootIndex         uint32
	perRev            uint32
	sent              float64 // seconds, 0 = at the newest record
}

func newAgent(t *testing.T, name, machine string) *agent {
	return &agent{
		t: t, agent: name, machine: machine, stream: mark("stream " + name + machine), run: mark("run " + name),
		boot: mark("boot " + name), life: mark("life " + machine), next: 1, perRev: 1,
	}
}

// mark makes an identity out of a word.
func mark(word string) (id store.ID) {
	for i := range word {
		id[i%len(id)] = id[i%len(id)]*31 + word[i]
	}
	id[15] ^= byte(len(word))
	return id
}

func ns(seconds float64) int64 { return int64(seconds * 1e9) }

func at(seconds float64) time.Time { return t0.Add(time.Duration(ns(seconds))) }

func (a *agent) add(seconds float64, kind any) *agent {
	a.records = append(a.records, store.Record{Boot: a.bootIndex, Boottime: ns(seconds), Wall: t0.UnixNano() + ns(seconds), Kind: kind})
	return a
}

func (a *agent) span(fromS, toS float64, from, to uint64) *agent {
	return a.add(toS, &store.CountSpan{Life: a.life, From: from, To: to, RawTo: to, RawBits: 32, FromBoottime: ns(fromS), PerRev: a.perRev})
}

func (a *agent) begin(s float64, stop, cause string) *agent {
	return a.add(s, &store.StopBegin{Stop: mark(stop), Input: true, Cause: cause, Side: "top"})
}

func (a *agent) standstill(s float64, stop string) *agent {
	return a.add(s, &store.StopBegin{Stop: mark(stop)})
}

func (a *agent) end(s float64, stop string) *agent {
	return a.add(s, &store.StopEnd{Stop: mark(stop)})
}

func (a *agent) gap(fromS, toS float64, continued bool) *agent {
	return a.add(toS, &store.StateGap{FromBoot: a.bootIndex, FromBoottime: ns(fromS), FromWall: t0.UnixNano() + ns(fromS), Reason: "agent down", StopContinued: continued})
}

// batch takes the records added since the last batch, through the bytes of the
// wire and back.
func (a *agent) batch() store.Batch {
	a.t.Helper()
	last := a.records[len(a.records)-1].Boottime
	if a.sent != 0 {
		last = ns(a.sent)
	}
	b := store.Batch{
		Agent: a.agent, Machine: a.machine, Stream: a.stream, Run: a.run, FirstSeq: a.next, HeadSeq: a.next + uint64(len(a.records)) - 1,
		Records: a.records, Boots: map[uint32]store.ID{a.bootIndex: a.boot},
		Clock: store.Clock{Boot: a.bootIndex, Boottime: last, Wall: t0.UnixNano() + last, Synced: true}, Received: t0.Add(time.Duration(last)),
	}
	a.next += uint64(len(a.records))
	a.records = nil
	return sealed(a.t, b)
}

// sealed sends a batch over the wire.
func sealed(t *testing.T, b store.Batch) store.Batch {
	t.Helper()
	p, err := ingest.Wire(b)
	if err != nil {
		t.Fatalf("seal: %v", err)
	}
	payload, err := proto.Marshal(p)
	if err != nil {
		t.Fatalf("marshal: %v", err)
	}
	if p, err = wire.DecodeBatch(payload); err != nil {
		t.Fatalf("DecodeBatch: %v", err)
	}
	return ingest.Batch(b.Agent, b.Machine, p, b.Received)
}

// part cuts records out of a batch, as a resend would have them.
func part(t *testing.T, b store.Batch, from, to uint64) store.Batch {
	t.Helper()
	x := b
	x.Records = append([]store.Record(nil), b.Records[from-b.FirstSeq:to-b.FirstSeq+1]...)
	x.FirstSeq = from
	return sealed(t, x)
}
