package uplink

import (
	"context"
	"log/slog"
	"os"
	"sync"
	"testing"
	"time"

	"turnwise/agent/journal"
)

// killed goes on as the next process after a SIGKILL: with what the files hold
// at this moment. The process before can say nothing any more.
func (r *rig) killed() (next *rig, end func()) {
	r.t.Helper()
	image := r.t.TempDir()
	if err := os.CopyFS(image, os.DirFS(r.dir)); err != nil {
		r.t.Fatal(err)
	}
	loses := r.f.loseUp
	r.f.loseUp = func(int) bool { return true }
	r.stop()
	r.f.loseUp = loses
	log := slog.New(slog.NewTextHandler(r.log, nil))
	j, _, err := journal.Open(image, journal.Options{Log: log})
	if err != nil {
		r.t.Fatal(err)
	}
	u, err := New(j, Options{Site: site, Agent: agent, URL: "mqtt://127.0.0.1", Clock: clock, Log: log, dial: r.f.dial})
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(r.t.Context())
	synced := make(chan error, 1)
	go func() { synced <- j.Run(ctx) }()
	next = &rig{t: r.t, f: r.f, j: j, u: u, log: r.log, dir: image}
	return next, func() {
		next.stop()
		cancel()
		if err := <-synced; err != nil {
			r.t.Errorf("journal Run = %v", err)
		}
		if err := j.Close(); err != nil {
			r.t.Errorf("Close = %v", err)
		}
	}
}

// Durable, never sent, killed: the next process sends it.
func TestFault_02_KilledBeforeItWasSent(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		r.append(r.channel("m01"), 5)
		if err := r.j.Sync(); err != nil {
			t.Fatal(err)
		}
		next, end := r.killed()
		defer end()
		next.start()
		next.after(10 * time.Second)
		if c := next.channel("m01"); r.f.held(c) != 5 || c.Acked() != 5 {
			t.Errorf("server holds %d, acked %d; want 5", r.f.held(c), c.Acked())
		}
	})
}

// Sent, stored, killed before the answer: the next process sends it again, the
// same bytes, and the server has it once.
func TestFault_03_KilledBeforeItWasAcknowledged(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		lose := true
		r.f.loseAck = func(int) bool { return lose }
		c := r.channel("m01")
		r.append(c, 3)
		r.start()
		r.after(time.Second)
		if r.f.held(c) != 3 || c.Acked() != 0 {
			t.Fatalf("server holds %d, acked %d; want 3 and 0", r.f.held(c), c.Acked())
		}
		next, end := r.killed()
		defer end()
		r.f.mu.Lock()
		lose = false
		r.f.mu.Unlock()
		next.start()
		next.after(10 * time.Second)
		c = next.channel("m01")
		if n := len(r.f.sent()); r.f.held(c) != 3 || c.Acked() != 3 || n < 2 {
			t.Errorf("server holds %d, acked %d after %d batches; want 3 and 3, sent twice", r.f.held(c), c.Acked(), n)
		}
	})
}

// The line is away for a moment, or for hours: everything from before, from
// then and from afterwards arrives, in order.
func TestFault_19_Partition(t *testing.T) {
	for _, away := range []time.Duration{10 * time.Millisecond, time.Second, time.Minute, 6 * time.Hour} {
		t.Run(away.String(), func(t *testing.T) {
			bubble(t, Options{}, func(r *rig) {
				c := r.channel("m01")
				r.append(c, 7)
				r.start()
				r.after(5 * time.Second)
				r.f.mu.Lock()
				r.f.refuse = true
				r.f.conns[0].close(0)
				r.f.mu.Unlock()
				const records = 400
				for range records {
					r.append(c, 1)
					r.after(away / records)
				}
				if away >= time.Second && r.f.held(c) > 7 {
					t.Errorf("server holds %d without a line", r.f.held(c))
				}
				r.f.mu.Lock()
				r.f.refuse = false
				r.f.mu.Unlock()
				r.after(time.Minute) // a try each half minute at the latest
				r.append(c, 7)
				r.after(10 * time.Second)
				if r.f.held(c) != 14+records || c.Acked() != 14+records {
					t.Errorf("server holds %d, acked %d; want %d", r.f.held(c), c.Acked(), 14+records)
				}
			})
		})
	}
}

// 9600 bit/s and two seconds of latency: the backlog gets through, on one
// connection, and little is sent more than once.
func TestFault_22_SlowLine(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		// A batch of 200 records is about 12,000 bytes; here half of its time is
		// given to its answer, as on a line that goes one way at a time.
		const half, bytesPerSecond = 6_000, 960
		var mu sync.Mutex
		var free time.Time // when the line has sent what it got
		r.f.delay = func(int) time.Duration {
			mu.Lock()
			defer mu.Unlock()
			now := time.Now()
			if free.Before(now) {
				free = now
			}
			free = free.Add(half * time.Second / bytesPerSecond)
			return free.Sub(now) + 2*time.Second
		}
		c := r.channel("m01")
		r.append(c, 2000)
		r.start()
		r.after(15 * time.Minute)
		r.f.mu.Lock()
		conns := len(r.f.conns)
		r.f.mu.Unlock()
		if r.f.held(c) != 2000 || c.Acked() != 2000 {
			t.Errorf("server holds %d, acked %d; want 2000", r.f.held(c), c.Acked())
		}
		if n := len(r.f.sent()); conns != 1 || n > 3*10 {
			t.Errorf("%d batches on %d connections, want 10 on one, few of them twice", n, conns)
		}
	})
}

// A box is killed with records of two machines; it comes back with a configuration
// that knows one of them no more, and a new one. All records are sent.
func TestMachineThatIsNoLongerConfigured(t *testing.T) {
	bubble(t, Options{}, func(r *rig) {
		stays, gone := r.channel("k01"), r.channel("k02")
		r.append(stays, 30)
		r.append(gone, 40)
		next, end := r.killed()
		defer end()
		added := next.channel("k03")
		next.append(next.channel("k01"), 1)
		next.append(added, 2)
		next.start()
		next.after(10 * time.Second)
		if a, b, c := r.f.held(stays), r.f.held(gone), r.f.held(added); a != 31 || b != 40 || c != 2 {
			t.Errorf("the server has %d, %d and %d records; want 31, 40 of the machine that is gone, and 2", a, b, c)
		}
	})
}
