package floor

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// got is a change with the time it was received at.
type got struct {
	Change
	at time.Duration
}

// follow collects changes until ctx ends. It runs in a bubble.
func follow(ctx context.Context, t *testing.T, f *Floor, token string, into chan<- got) {
	t.Helper()
	changes, err := f.Watch(ctx, token)
	if err != nil {
		t.Error(err)
		return
	}
	start := time.Now()
	go func() {
		defer close(into)
		for c, err := range changes {
			if err != nil {
				t.Error(err)
				return
			}
			into <- got{c, time.Since(start)}
		}
	}()
}

// commit tells the floor that a machine was watched until now.
func commit(f *Floor, machine string, revolutions int64) {
	s := watchedSince(machine, six, time.Now())
	s.Revolutions = revolutions
	f.Committed([]store.Outcome{{Verdict: store.OK, Applied: 1, State: s}})
}

func ids(c Change) (out []string) {
	for _, m := range c.Machines {
		out = append(out, m.ID)
	}
	return out
}

func TestWatchGroups(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFloor(t, &memory{book: millBook()}, nil)
		changes := make(chan got, 100)
		follow(ctx, t, f, "", changes)
		first := <-changes
		if !first.Full || len(first.Machines) != 3 || first.at != 0 {
			t.Fatalf("first change full %v with %v after %v, want all three at once", first.Full, ids(first.Change), first.at)
		}
		time.Sleep(time.Second)
		commit(f, "k01", 1) // after a quiet time: at once
		synctest.Wait()
		c := <-changes
		if c.at != time.Second || !slices.Equal(ids(c.Change), []string{"k01"}) || c.Full {
			t.Errorf("leading change after %v with %v, want k01 at 1 s", c.at, ids(c.Change))
		}
		for i := range 5 { // within 200 ms: together, at the end of them
			time.Sleep(20 * time.Millisecond)
			commit(f, "k01", int64(2+i))
			commit(f, "k02", int64(2+i))
		}
		c = <-changes
		if c.at != 1200*time.Millisecond || !slices.Equal(ids(c.Change), []string{"k01", "k02"}) || c.Machines[0].Revolutions != 6 {
			t.Errorf("grouped change after %v with %v, want the newest of k01 and k02 at 1.2 s", c.at, ids(c.Change))
		}
		cancel()
		if _, more := <-changes; more {
			t.Error("a change after the reader left")
		}
	})
}

func TestWatchResumes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFloor(t, &memory{book: millBook()}, nil)
		watch := func(token string) got {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			changes := make(chan got, 100)
			follow(ctx, t, f, token, changes)
			return <-changes
		}
		token := watch("").Token
		commit(f, "k02", 5)
		commit(f, "k03", 5)
		if c := watch(token); c.Full || !slices.Equal(ids(c.Change), []string{"k02", "k03"}) {
			t.Errorf("resumed with full %v, %v; want only what changed", c.Full, ids(c.Change))
		}
		for _, strange := range []string{"x", token + "9", "AAAAAAAAAAAA-1", "-", token[:12] + "-99999"} {
			if c := watch(strange); !c.Full {
				t.Errorf("token %q resumed, want the full picture", strange)
			}
		}
		synctest.Wait()
	})
}

// A reader that sleeps gets the newest of everything in one change.
func TestWatchSlowReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFloor(t, &memory{book: millBook()}, nil)
		changes := make(chan got) // not buffered
		follow(ctx, t, f, "", changes)
		<-changes
		time.Sleep(time.Second)
		for i := range 1000 {
			commit(f, "k01", int64(i+1))
			time.Sleep(10 * time.Millisecond)
		}
		var last got
		n := 0
		for last.Machines == nil || last.Machines[0].Revolutions < 1000 {
			last = <-changes
			n++
		}
		if n > 3 {
			t.Errorf("%d changes waited for the slow reader, want no queue", n)
		}
		cancel()
		for range changes { // until it ends
		}
	})
}

func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFloor(t, &memory{book: millBook()}, nil)
		done := make(chan error)
		go func() { done <- f.Run(ctx) }()
		commit(f, "k01", 7)
		commit(f, "k02", 7)
		time.Sleep(25 * time.Second)
		f.Live("u-01", live(1, &wirepb.MachineLive{Machine: "k02", Readable: true, Turning: true, SpeedRpm: 28}))
		time.Sleep(10 * time.Second)
		state := func(id string) State { m, _ := f.Machine(id); return m.State }
		if state("k01") != Unknown || state("k02") != Running || state("k03") != Unknown {
			t.Errorf("after 35 s: k01 %d, k02 %d, k03 %d; want unknown, running (heard 10 s ago), unknown", state("k01"), state("k02"), state("k03"))
		}
		if m, _ := f.Machine("k02"); m.Revolutions != 7 {
			t.Errorf("k02 has %d turns, want the 7 that were committed", m.Revolutions)
		}
		time.Sleep(21 * time.Second)
		synctest.Wait() // the look of this second too
		if state("k02") != Unknown {
			t.Error("k02 is not unknown 31 s after its last word")
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run ends with %v", err)
		}
	})
}

func TestSubscribe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFloor(t, &memory{book: millBook()}, nil)
		sub := f.Subscribe(ctx)
		for i := range 10 {
			commit(f, "k01", int64(i+1))
		}
		<-sub
		select {
		case <-sub:
			t.Error("ten changes gave two wakes, want one")
		default:
		}
		cancel()
		synctest.Wait()
		if _, open := <-sub; open {
			t.Error("the channel is open after the end")
		}
		commit(f, "k01", 99) // nobody listens; must not panic
	})
}

// live is an agent's word about machines, with both clocks right.
func live(session uint64, machines ...*wirepb.MachineLive) *wirepb.AgentState {
	const boot = int64(1e12)
	for _, m := range machines {
		if m.BoottimeNs == 0 {
			m.BoottimeNs = boot
		}
	}
	return &wirepb.AgentState{
		SessionNo: session, Online: true, Version: "1.0", Machines: machines,
		Clock: &wirepb.AgentClock{BoottimeNs: boot, WallNs: time.Now().UnixNano()},
	}
}

func BenchmarkCommittedToWatch(b *testing.B) {
	m := &memory{book: millBook()}
	f, err := New(b.Context(), m, Config{})
	if err != nil {
		b.Fatal(err)
	}
	for i := range 500 {
		f.mu.Lock()
		f.machine("m" + string(rune('a'+i%26)) + string(rune('a'+i/26)))
		f.mu.Unlock()
	}
	s := watchedSince("k01", six, time.Now())
	for i := 0; b.Loop(); i++ {
		s.Revolutions = int64(i)
		f.Committed([]store.Outcome{{Verdict: store.OK, Applied: 1, State: s}})
		if _, _, _, some := f.changesAfter(f.seq-1, false); !some {
			b.Fatal("the change is not there")
		}
	}
}

// A machine that stops is told at once, although figures of another went out
// a moment ago; a second stop is grouped with what comes after the first.
func TestWatchTellsStopsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		f := newFloor(t, &memory{book: millBook()}, nil)
		changes := make(chan got, 100)
		commit(f, "k01", 1)
		commit(f, "k02", 1)
		follow(ctx, t, f, "", changes)
		<-changes
		halt := func(machine string, id byte) {
			s := watchedSince(machine, six, time.Now())
			s.Revolutions, s.Open = 2, &store.Stop{ID: store.ID{id}, Machine: machine, Begin: time.Now(), Cause: "yarn", Input: true}
			f.Committed([]store.Outcome{{Verdict: store.OK, Applied: 1, State: s}})
		}
		time.Sleep(time.Second)
		commit(f, "k01", 2)
		synctest.Wait()
		if c := <-changes; c.at != time.Second {
			t.Fatalf("figures after %v, want 1 s", c.at)
		}
		time.Sleep(50 * time.Millisecond)
		halt("k02", 1)
		synctest.Wait()
		if c := <-changes; c.at != 1050*time.Millisecond || !slices.Equal(ids(c.Change), []string{"k02"}) {
			t.Errorf("the stop of K02 came after %v with %v, want 1.05 s", c.at, ids(c.Change))
		}
		time.Sleep(50 * time.Millisecond)
		halt("k01", 2)
		if c := <-changes; c.at != 1250*time.Millisecond {
			t.Errorf("the stop of K01 came after %v, want 1.25 s: grouped from the first", c.at)
		}
	})
}
