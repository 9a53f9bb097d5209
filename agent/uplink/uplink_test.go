package uplink

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

func TestFirstRecordGoesAtOnceAndTheNextAreGrouped(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		r.start()
		r.after(3 * time.Second)
		began := time.Now()
		for range 50 {
			r.append(c, 1)
			r.after(10 * time.Millisecond)
		}
		r.after(500 * time.Millisecond)
		sent := r.f.sent()
		if len(sent) != 4 || sent[0].last != 1 || sent[3].last != 50 {
			t.Fatalf("batches %v, want record 1 and three groups", sent)
		}
		if d := sent[0].at.Sub(began); d > 5*time.Millisecond {
			t.Errorf("the first record took %v, want it to go at once", d)
		}
		for i := range sent[1:] {
			if d := sent[i+1].at.Sub(sent[i].at); d < 199*time.Millisecond || d > 250*time.Millisecond {
				t.Errorf("%v between batches %d and %d, want 200 ms", d, i, i+1)
			}
		}
		if c.Acked() != 50 {
			t.Errorf("acked %d, want 50", c.Acked())
		}
	})
}

func TestLostAcknowledgementsCostAResend(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		r.f.loseAck = func(n int) bool { return n < 2 }
		c := r.channel("m01")
		r.append(c, 3)
		began := time.Now()
		r.start()
		r.after(3 * time.Minute)
		sent := r.f.sent()
		if len(sent) != 3 || r.f.held(c) != 3 || c.Acked() != 3 {
			t.Fatalf("batches %v, server holds %d, acked %d; want 3 times the same", sent, r.f.held(c), c.Acked())
		}
		if d := sent[1].at.Sub(began); d < 5*time.Second || d > 6*time.Second {
			t.Errorf("second try after %v, want 5 s", d)
		}
		if d := sent[2].at.Sub(sent[1].at); d < 5*time.Second || d > 66*time.Second {
			t.Errorf("third try after %v, want 5 s and jitter", d)
		}
	})
}

// Messages are lost, doubled and put in another order both ways; connections
// break. Everything arrives, once, in order, with the same bytes.
func TestNothingIsLostOnABadLine(t *testing.T) {
	for seed := range uint64(5) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			bubble(t, Options{}, func(r *rig) {
				rnd := rand.New(rand.NewPCG(seed, 1))
				luck := make([]float64, 1<<16)
				for i := range luck {
					luck[i] = rnd.Float64()
				}
				r.f.loseUp = func(n int) bool { return luck[n] < 0.3 }
				r.f.loseAck = func(n int) bool { return luck[n+20000] < 0.3 }
				r.f.double = func(n int) bool { return luck[n+30000] < 0.3 }
				r.f.delay = func(n int) time.Duration { return time.Duration(luck[n+40000] * float64(300*time.Millisecond)) }
				a, b := r.channel("a"), r.channel("b")
				r.append(a, 700)
				r.start()
				for i := range 100 {
					r.append(b, 1)
					r.after(time.Second)
					if i%30 == 20 {
						r.f.mu.Lock()
						r.f.conns[len(r.f.conns)-1].close(0)
						r.f.mu.Unlock()
					}
				}
				r.after(30 * time.Minute)
				if r.f.held(a) != 700 || r.f.held(b) != 100 || a.Acked() != 700 || b.Acked() != 100 {
					t.Errorf("server holds %d and %d, acked %d and %d; want 700 and 100", r.f.held(a), r.f.held(b), a.Acked(), b.Acked())
				}
			})
		})
	}
}

func TestRestoredServerIsRefilled(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		r.append(c, 500)
		r.start()
		r.after(10 * time.Second)
		if r.f.held(c) != 500 {
			t.Fatalf("server holds %d", r.f.held(c))
		}
		r.f.mu.Lock()
		r.f.streams[c.StreamID()] = r.f.streams[c.StreamID()][:120]
		r.f.incarnation = [16]byte{2}
		r.f.mu.Unlock()
		r.append(c, 1) // the next record tells
		r.after(10 * time.Second)
		if r.f.held(c) != 501 || c.Acked() != 501 {
			t.Errorf("server holds %d, acked %d; want 501", r.f.held(c), c.Acked())
		}
		if n := r.log.count("database is another one"); n != 1 {
			t.Errorf("%d log lines about the other database, want 1", n)
		}
	})
}

// A machine that stands has nothing new to tell; a server that was restored
// gets what it lacks all the same when the agent comes back.
func TestStandingMachineRefillsARestoredServer(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		r.append(c, 500)
		r.start()
		r.after(10 * time.Second)
		if r.f.held(c) != 500 {
			t.Fatalf("server holds %d", r.f.held(c))
		}
		r.f.mu.Lock()
		r.f.streams[c.StreamID()] = r.f.streams[c.StreamID()][:120]
		r.f.incarnation = [16]byte{2}
		r.f.conns[0].close(0)
		r.f.mu.Unlock()
		r.after(time.Minute)
		if r.f.held(c) != 500 || c.Acked() != 500 {
			t.Errorf("server holds %d, acked %d; want 500", r.f.held(c), c.Acked())
		}
	})
}

func TestNoMoreThanTheWindowIsOutstanding(t *testing.T) {
	bubble(t, Options{CatchUp: 1000}, func(r *rig) {
		r.f.loseAck = func(int) bool { return true }
		c := r.channel("m01")
		r.append(c, 3000)
		r.start()
		r.after(4 * time.Second)
		if n := len(r.f.sent()); n != 4 {
			t.Errorf("%d batches without an answer, want 4", n)
		}
		r.after(time.Minute)
		if n := len(r.f.sent()); n > 4+13 {
			t.Errorf("%d batches in a minute without an answer, want one a try", n)
		}
	})
}

func TestCreditZeroPauses(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		r.f.credit = 0
		c := r.channel("m01")
		r.append(c, 2000)
		r.start()
		r.after(4 * time.Second)
		before := len(r.f.sent())
		if before > 4 {
			t.Errorf("%d batches before the pause, want at most the window", before)
		}
		r.after(5 * time.Minute)
		if n := len(r.f.sent()) - before; n < 2 || n > 40 {
			t.Errorf("%d batches in 5 min of pause, want a question now and then", n)
		}
		r.f.mu.Lock()
		r.f.credit = 4
		r.f.mu.Unlock()
		r.after(2 * time.Minute)
		if r.f.held(c) != 2000 {
			t.Errorf("server holds %d after the pause, want 2000", r.f.held(c))
		}
	})
}

func TestFrozenStreamStopsAlone(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		a, b := r.channel("a"), r.channel("b")
		r.f.verdict["a"] = wirepb.Verdict_VERDICT_FROZEN
		r.append(a, 30)
		r.append(b, 30)
		r.start()
		r.after(10 * time.Minute)
		r.append(b, 1)
		r.after(10 * time.Minute)
		n := 0
		for _, s := range r.f.sent() {
			if s.machine == "a" {
				n++
			}
		}
		if n != 1 || r.f.held(b) != 31 {
			t.Errorf("%d batches on the frozen stream, want 1; the other holds %d, want 31", n, r.f.held(b))
		}
		if n := r.log.count("server stopped the stream"); n != 1 {
			t.Errorf("%d alarms, want 1", n)
		}
		last := r.f.shown()[len(r.f.shown())-1]
		if p := last.GetMachines()[0].GetProblem(); !strings.Contains(p, "stopped by the server") {
			t.Errorf("problem of the live view = %q", p)
		}
	})
}

func TestUnregisteredAgentWaitsAndSaysWhatToRun(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		a, b := r.channel("m01"), r.channel("m02")
		for _, m := range []string{"m01", "m02"} {
			r.f.verdict[m] = wirepb.Verdict_VERDICT_UNREGISTERED
		}
		r.append(a, 500)
		r.append(b, 5)
		r.start()
		r.after(10 * time.Minute)
		var tries []arrival
		for _, s := range r.f.sent() {
			if s.machine == "m02" {
				tries = append(tries, s)
			}
		}
		if len(tries) < 8 || len(tries) > 60 {
			t.Fatalf("%d tries in 10 min, want one a minute or so", len(tries))
		}
		if d := tries[1].at.Sub(tries[0].at); d < 4900*time.Millisecond || d > 6*time.Second {
			t.Errorf("second try after %v, want 5 s", d)
		}
		if n := r.log.count("planner units register agent-1 --machines m01,m02"); n != 1 {
			t.Errorf("%d log lines with the command for both, want 1: %v", n, r.log.lines)
		}
		r.f.mu.Lock()
		clear(r.f.verdict)
		r.f.mu.Unlock()
		r.after(2 * time.Minute)
		if r.f.held(a) != 500 || r.f.held(b) != 5 {
			t.Errorf("server holds %d and %d after registering, want 500 and 5", r.f.held(a), r.f.held(b))
		}
		if p := r.f.shown()[len(r.f.shown())-1].GetMachines()[0].GetProblem(); p != "" {
			t.Errorf("problem %q is still shown", p)
		}
	})
}

func TestQuarantinedBatchDoesNotSpin(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		r.f.verdict["m01"] = wirepb.Verdict_VERDICT_QUARANTINED
		r.append(c, 900)
		r.start()
		r.after(10 * time.Minute)
		if n := len(r.f.sent()); n < 8 || n > 70 {
			t.Errorf("%d batches in 10 min, want one a minute or so", n)
		}
		if r.log.count("could not read a batch") == 0 {
			t.Error("nothing was logged")
		}
		r.f.mu.Lock()
		clear(r.f.verdict)
		r.f.mu.Unlock()
		r.after(2 * time.Minute)
		if r.f.held(c) != 900 {
			t.Errorf("server holds %d, want 900", r.f.held(c))
		}
	})
}

func TestAcknowledgementBeyondTheHeadIsIgnored(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		r.append(c, 3)
		r.start()
		r.after(time.Second)
		id := c.StreamID()
		r.f.mu.Lock()
		r.f.answer(r.f.conns[0], &wirepb.Ack{StreamId: id[:], AckedSeq: 99, DbIncarnation: make([]byte, 16), Verdict: wirepb.Verdict_VERDICT_OK, Credit: 4})
		r.f.answer(r.f.conns[0], &wirepb.Ack{StreamId: []byte("short"), AckedSeq: 99})
		r.f.mu.Unlock()
		r.after(time.Second)
		r.append(c, 2)
		r.after(time.Second)
		if c.Acked() != 5 || r.f.held(c) != 5 {
			t.Errorf("acked %d, held %d, want 5", c.Acked(), r.f.held(c))
		}
	})
}

func TestBacklogDoesNotStarveNewRecords(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		old := r.channel("m00")
		r.append(old, 60_000)
		live := r.channel("m01")
		r.start()
		r.after(2 * time.Second)
		var made []time.Time
		for range 8 {
			made = append(made, time.Now())
			r.append(live, 1)
			r.after(time.Second)
		}
		backlog, next := 0, 0
		for _, s := range r.f.sent() {
			if s.machine == "m00" {
				backlog++
				continue
			}
			if d := s.at.Sub(made[next]); d > 250*time.Millisecond {
				t.Errorf("new record %d took %v beside the backlog", next+1, d)
			}
			next++
		}
		if backlog < 20*9 || backlog > 20*11 {
			t.Errorf("%d backlog batches in 10 s, want about 20 a second", backlog)
		}
		if r.f.held(live) != 8 || live.Acked() != 8 {
			t.Errorf("%d new records arrived, want all 8 while the backlog drains", r.f.held(live))
		}
		r.after(10 * time.Second)
		if r.f.held(old) != 60_000 {
			t.Errorf("%d records of the backlog arrived, want 60000", r.f.held(old))
		}
	})
}

func TestReconnectCountsSessions(t *testing.T) {
	bubble(t, Options{Version: "v1"}, func(r *rig) {
		c := r.channel("m01")
		r.f.refuse = true
		r.append(c, 10)
		r.start()
		r.after(5 * time.Minute)
		if n := r.log.count("broker not reached"); n != 1 {
			t.Errorf("%d log lines about one refusal again and again, want 1", n)
		}
		r.f.mu.Lock()
		r.f.refuse = false
		r.f.mu.Unlock()
		r.after(time.Minute)
		r.f.mu.Lock()
		r.f.conns[0].close(0)
		r.f.mu.Unlock()
		r.append(c, 10)
		r.after(2 * time.Minute)
		if r.f.held(c) != 20 {
			t.Errorf("server holds %d, want 20", r.f.held(c))
		}
		r.stop()
		f := r.f
		if len(f.wills) != 2 || f.wills[1].GetSessionNo() <= f.wills[0].GetSessionNo() {
			t.Fatalf("wills %v, want two with growing session numbers", f.wills)
		}
		first, last := f.states[0], f.states[len(f.states)-1]
		if !first.GetOnline() || first.GetSessionNo() != f.wills[0].GetSessionNo() || first.GetVersion() != "v1" {
			t.Errorf("first state %v, want online with the session of the will", first)
		}
		if last.GetOnline() || last.GetSessionNo() != f.wills[1].GetSessionNo() {
			t.Errorf("last state %v, want offline in the second session", last)
		}
	})
}

func TestDrainsAtTheEnd(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		r.start()
		r.after(time.Second)
		r.append(c, 5)
		r.after(10 * time.Millisecond) // the first are on their way
		r.append(c, 1)                 // neither synced nor old enough to go
		began := time.Now()
		r.stop()
		if r.f.held(c) != 6 || c.Acked() != 6 {
			t.Errorf("server holds %d, acked %d, want 6", r.f.held(c), c.Acked())
		}
		if d := time.Since(began); d > time.Second {
			t.Errorf("the end took %v with a server that answers", d)
		}
	})
	bubble(t, Options{}, func(r *rig) {
		r.f.loseAck = func(int) bool { return true }
		c := r.channel("m01")
		r.start()
		r.append(c, 5)
		r.after(time.Second)
		began := time.Now()
		r.stop()
		if d := time.Since(began); d < 1900*time.Millisecond || d > 3*time.Second {
			t.Errorf("the end took %v with a server that says nothing, want 2 s", d)
		}
	})
}

func TestLiveView(t *testing.T) {
	turns := uint64(0)
	var moving atomic.Bool
	o := Options{Live: func() []*wirepb.MachineLive {
		if moving.Load() {
			turns++
		}
		return []*wirepb.MachineLive{{Machine: "m01", Extended: turns, Problem: "no answer"}}
	}}
	bubble(t, o, func(r *rig) {
		c := r.channel("m01")
		r.start()
		r.after(61 * time.Second)
		if n := len(r.f.shown()); n < 6 || n > 8 {
			t.Errorf("%d states in a minute of rest, want one each 10 s", n)
		}
		before := len(r.f.shown())
		moving.Store(true)
		r.after(60 * time.Second)
		if n := len(r.f.shown()) - before; n < 55 || n > 61 {
			t.Errorf("%d states in a minute of change, want one a second", n)
		}
		r.append(c, 2)
		r.after(3 * time.Second)
		id := c.StreamID()
		m := r.f.shown()[len(r.f.shown())-1].GetMachines()
		if len(m) != 1 || string(m[0].GetStreamId()) != string(id[:]) || m[0].GetHeadSeq() != 2 || m[0].GetAckedSeq() != 2 || m[0].GetProblem() != "no answer" {
			t.Errorf("machines = %v", m)
		}
	})
}

func TestServerOffset(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		if _, _, ok := r.u.ServerOffset(r.u.o.Clock().Boottime); ok {
			t.Error("an offset before the first acknowledgement")
		}
		c := r.channel("m01")
		r.append(c, 1)
		r.start()
		r.after(time.Second)
		// The fake server's clock is the bubble's, 1 ms away each way.
		add, off, ok := r.u.ServerOffset(r.u.o.Clock().Boottime)
		if !ok || add != bootedAt || off < time.Millisecond || off > 2*time.Millisecond {
			t.Errorf("ServerOffset = %v, %v, %v; want %v within 1 to 2 ms", add, off, ok, time.Duration(bootedAt))
		}
		first := off
		r.after(time.Hour)
		if _, off, _ = r.u.ServerOffset(r.u.o.Clock().Boottime); off < first+300*time.Millisecond {
			t.Errorf("uncertainty %v after an hour without a measurement, want it to grow", off)
		}
	})
}

func TestNewRefuses(t *testing.T) {
	good := Options{URL: "mqtts://broker.example:8883", Site: site, Agent: agent, Clock: func() source.Instant { return source.Instant{} }}
	if _, err := New(nil, good); err != nil {
		t.Fatalf("New = %v", err)
	}
	tests := []struct {
		name   string
		change func(*Options)
		want   string
	}{
		{"plain to another host", func(o *Options) { o.URL = "mqtt://192.0.2.7:1883" }, "no TLS to another host"},
		{"password in the address", func(o *Options) { o.URL = "mqtts://a:canary@h:1" }, "on their own"},
		{"scheme", func(o *Options) { o.URL = "http://127.0.0.1" }, "unknown scheme"},
		{"no host", func(o *Options) { o.URL = "" }, "not an address"},
		{"path", func(o *Options) { o.URL = "mqtts://h/x" }, "more than host and port"},
		{"agent", func(o *Options) { o.Agent = "A 1" }, "not an id"},
		{"site", func(o *Options) { o.Site = "srv" }, "not an id"},
		{"clock", func(o *Options) { o.Clock = nil }, "no clock"},
		{"keepalive", func(o *Options) { o.Keepalive = time.Millisecond }, "1 s or more"},
	}
	for _, tt := range tests {
		o := good
		tt.change(&o)
		_, err := New(nil, o)
		if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "canary") {
			t.Errorf("%s: %v, want %q in it", tt.name, err, tt.want)
		}
	}
}

// The largest records and the most boots still give a batch that the wire
// takes; the fake server checks each with wire.DecodeBatch.
func TestLargestBatchFits(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("m01")
		for i := range 300 {
			rec := &wirepb.Record{Boot: r.j.Boot([16]byte{9, byte(i), byte(i >> 8)}),
				Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{Evidence: strings.Repeat("x", 990)}}}
			if err := c.Append([]byte("s"), rec); err != nil {
				t.Fatal(err)
			}
		}
		r.start()
		r.after(10 * time.Second)
		if r.f.held(c) != 300 {
			t.Errorf("server holds %d, want 300", r.f.held(c))
		}
	})
}
