package sender

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// bench is a sender with a clock that is moved by hand and a server that
// answers when it is told to.
type bench struct {
	u    *Sender
	now  Now
	sent []*wirepb.Batch
	full []bool // more than liveRecords waited when it went
	at   []time.Time
}

func newBench(t testing.TB, o Options, records ...int) *bench {
	j, _, err := journal.Open(t.TempDir(), journal.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	for i, n := range records {
		c, err := j.Channel("m" + string(rune('a'+i)))
		if err != nil {
			t.Fatal(err)
		}
		recs := make([]*wirepb.Record, n)
		for k := range recs {
			recs[k] = new(wirepb.Record)
		}
		if err := c.Append(nil, recs...); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Sync(); err != nil {
		t.Fatal(err)
	}
	o.Site, o.Agent, o.Log = "mill", "a1", slog.New(slog.DiscardHandler)
	return &bench{u: New(j, o), now: Now{At: time.Unix(1_900_000_000, 0), Clock: source.Instant{Boot: [16]byte{1}, Boottime: 1e9}}}
}

func (b *bench) pass(d time.Duration) {
	b.now.At, b.now.Clock.Boottime = b.now.At.Add(d), b.now.Clock.Boottime+int64(d)
}

// step lets the sender send and returns how many batches it sent.
func (b *bench) step(t rapid.TB) int {
	before := len(b.sent)
	b.u.Step(b.now, func(m Message) bool {
		if strings.Contains(m.Topic, "/up/") {
			batch := new(wirepb.Batch)
			if err := proto.Unmarshal(m.Payload, batch); err != nil {
				t.Error(err)
			}
			b.sent, b.at = append(b.sent, batch), append(b.at, b.now.At)
			b.full = append(b.full, batch.GetHeadSeq()-batch.GetFirstSeq()+1 > liveRecords)
		}
		return true
	}, false)
	return len(b.sent) - before
}

// answer acknowledges batch i with a credit; echo 0 is a word of the server's own.
func (b *bench) answer(t rapid.TB, i int, credit uint32, own bool) {
	batch := b.sent[i]
	ack := &wirepb.Ack{StreamId: batch.GetStreamId(), AckedSeq: batch.GetFirstSeq() + uint64(len(batch.GetRecords())) - 1,
		DbIncarnation: make([]byte, 16), Credit: credit, Verdict: wirepb.Verdict_VERDICT_OK, EchoBoottimeNs: batch.GetClock().GetBoottimeNs()}
	if own {
		ack.EchoBoottimeNs = 0
	}
	p, err := proto.Marshal(&wirepb.Acks{Acks: []*wirepb.Ack{ack}})
	if err != nil {
		t.Fatal(err)
	}
	b.u.Receive(b.now, Message{Topic: wire.Ack("mill", "a1"), Payload: p, At: b.now.Clock.Boottime})
}

// With a credit of 0 nothing goes, however many answers say it; a word of the
// server's own ends the wait at once, and without it one batch asks in time.
func TestCreditZeroHolds(t *testing.T) {
	for _, tt := range []struct {
		name string
		own  bool
	}{{"the server says when", true}, {"the server says nothing", false}} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, Options{Random: func() float64 { return 0.5 }}, 3000)
			for b.step(t); len(b.sent) < 4; b.step(t) {
				b.pass(100 * time.Millisecond)
			}
			for i := range 4 {
				b.answer(t, i, 0, false)
			}
			for range 49 {
				b.pass(100 * time.Millisecond)
				if b.step(t) > 0 {
					t.Fatalf("sent %v after a credit of 0", b.at[4].Sub(b.at[3]))
				}
			}
			if tt.own {
				b.answer(t, 3, 4, true)
				if n := b.step(t); n == 0 {
					t.Error("nothing sent after the credit came back")
				}
				return
			}
			b.pass(200 * time.Millisecond)
			if n := b.step(t); n != 1 {
				t.Errorf("%d batches after the wait, want one that asks", n)
			}
			b.answer(t, 4, 4, false)
			for range 3 {
				b.step(t)
				b.pass(100 * time.Millisecond)
			}
			if n := len(b.sent); n < 8 {
				t.Errorf("%d batches in all after the credit came back, want the window full", n)
			}
		})
	}
}

// A paused stream stops nobody else.
func TestCreditZeroOfOneStream(t *testing.T) {
	b := newBench(t, Options{}, 2000, 5)
	b.step(t)
	for i := range b.sent {
		if len(b.sent[i].GetRecords()) > liveRecords {
			b.answer(t, i, 0, false)
		} else {
			b.answer(t, i, 4, false)
		}
	}
	live := b.u.streams[1]
	for range 20 {
		if err := live.ch.Append(nil, &wirepb.Record{}); err != nil {
			t.Fatal(err)
		}
		if err := b.u.j.Sync(); err != nil {
			t.Fatal(err)
		}
		b.pass(200 * time.Millisecond)
		if n := b.step(t); n != 1 || b.sent[len(b.sent)-1].GetHeadSeq() != live.ch.Head() {
			t.Fatalf("%d batches, want the one with what is new", n)
		}
		b.answer(t, len(b.sent)-1, 4, false)
	}
}

// TestCatchUp: at whatever instants it is looked, and whenever answers come
// with whatever credit, in no span of time more backlog goes than the rate and
// the burst allow, and no stream has more outstanding than its last credit and
// its window.
func TestCatchUp(t *testing.T) {
	folders := t
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(1, 60).Draw(t, "rate")
		streams := rapid.IntRange(1, 4).Draw(t, "streams")
		b := newBench(folders, Options{CatchUp: rate, Window: rapid.IntRange(1, 6).Draw(t, "window")}, []int{3000, 2500, 2000, 1500}[:streams]...)
		for range rapid.IntRange(5, 60).Draw(t, "steps") {
			b.pass(time.Duration(rapid.IntRange(0, 900).Draw(t, "ms")) * time.Millisecond)
			b.step(t)
			for _, s := range b.u.streams {
				if most := b.u.o.Window; len(s.flight) > most {
					t.Fatalf("%d batches outstanding with a window of %d", len(s.flight), most)
				}
			}
			if len(b.sent) > 0 && rapid.Bool().Draw(t, "answer") {
				i := len(b.sent) - 1 - rapid.IntRange(0, min(3, len(b.sent)-1)).Draw(t, "which")
				c := rapid.SampledFrom([]uint32{0, 1, 4, 9}).Draw(t, "credit")
				b.answer(t, i, c, rapid.Bool().Draw(t, "own"))
				s := b.u.byID[[16]byte(b.sent[i].GetStreamId())]
				before := len(s.flight)
				b.step(t)
				if after := len(s.flight); after > max(before, int(c)) {
					t.Fatalf("%d batches outstanding after a credit of %d, %d before", after, c, before)
				}
			}
		}
		burst := max(1, rate/5)
		for i := range b.sent {
			n := 0.0
			for k := i; k < len(b.sent); k++ {
				if b.full[k] {
					n++
				}
				if allowed := burst + rate*b.at[k].Sub(b.at[i]).Seconds() + 1e-6; n > allowed {
					t.Fatalf("%v batches of backlog in %v, at most %.2f at %.1f/s", n, b.at[k].Sub(b.at[i]), allowed, rate)
				}
			}
		}
	})
}
