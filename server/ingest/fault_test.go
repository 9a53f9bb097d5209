package ingest_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/ingest"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// process is a server's store and ingest that can be killed.
type process struct {
	t    *testing.T
	dir  string
	st   store.Store
	g    *ingest.Ingest
	acks chan *wirepb.Ack
	end  func()
}

// runs starts a process on the records in a folder. With idle the ingest takes
// messages but does nothing with them.
func runs(t *testing.T, dir string, idle bool) *process {
	t.Helper()
	st, err := sqlite.Open(t.Context(), filepath.Join(dir, "turnwise.db"), sqlite.Options{Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	p := &process{t: t, dir: dir, st: st, acks: make(chan *wirepb.Ack, 4096)}
	p.g = ingest.New(st, ingest.Options{Log: quiet, Now: func() time.Time { return day.Add(time.Hour) }, Ack: func(_ string, acks *wirepb.Acks) {
		for _, a := range acks.GetAcks() {
			p.acks <- a
		}
	}})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	if idle {
		ended <- nil
	} else {
		go func() { ended <- p.g.Run(ctx) }()
	}
	p.end = func() {
		p.end = func() {}
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(func() { p.end() })
	return p
}

// image is what a SIGKILL leaves of the files at this moment.
func (p *process) image() string {
	p.t.Helper()
	dir := p.t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(p.dir)); err != nil {
		p.t.Fatal(err)
	}
	return dir
}

func (p *process) revolutions() int64 {
	p.t.Helper()
	totals, _, err := p.st.Totals(p.t.Context())
	if err != nil {
		p.t.Fatal(err)
	}
	n := int64(0)
	for _, m := range totals {
		n += m.Revolutions
	}
	return n
}

func register(t *testing.T, st store.Store, machines ...string) {
	t.Helper()
	if _, err := st.RegisterAgent(t.Context(), "a1", machines, day, false); err != nil {
		t.Fatal(err)
	}
}

// Committed, killed before the agent heard of it: the same batch is answered
// from the database and counted once.
func TestFault_04_KilledBeforeTheAcknowledgement(t *testing.T) {
	first := runs(t, t.TempDir(), false)
	register(t, first.st, "k01")
	submit(t, first.g, "a1", "k01", payload(t, 1, 1, 10))
	if a := <-first.acks; a.GetAckedSeq() != 10 { // this one is lost on its way
		t.Fatalf("ack %v", a)
	}
	next := runs(t, first.image(), false)
	submit(t, next.g, "a1", "k01", payload(t, 1, 1, 10))
	if a := <-next.acks; a.GetVerdict() != wirepb.Verdict_VERDICT_OK || a.GetAckedSeq() != 10 {
		t.Errorf("the batch again: %v, want OK up to 10", a)
	}
	if n := next.revolutions(); n != 40 {
		t.Errorf("%d revolutions, want 40", n)
	}
}

// Taken from the broker, which has confirmed it, and killed before the COMMIT:
// nothing was acknowledged, nothing is stored, and the agent's next try is.
func TestFault_05_KilledBeforeTheCommit(t *testing.T) {
	first := runs(t, t.TempDir(), true)
	register(t, first.st, "k01")
	submit(t, first.g, "a1", "k01", payload(t, 1, 1, 10)) // no error: the broker sends its PUBACK
	next := runs(t, first.image(), false)
	if n, err := next.st.Records(t.Context()); n != 0 || err != nil || len(first.acks) != 0 {
		t.Errorf("%d records, %v, %d acknowledgements of what was never committed", n, err, len(first.acks))
	}
	submit(t, next.g, "a1", "k01", payload(t, 1, 1, 10))
	if a := <-next.acks; a.GetAckedSeq() != 10 || next.revolutions() != 40 {
		t.Errorf("after the resend: %v and %d revolutions, want 10 acknowledged and 40", a, next.revolutions())
	}
}

// A broker that loses, doubles and shuffles fifty messages at a time, within
// and across streams: what is out of order is asked for again, and everything
// is counted once.
func TestFault_18_LostDoubledAndShuffled(t *testing.T) {
	const streams, records, size = 4, 400, 20
	p := runs(t, t.TempDir(), false)
	var machines []string
	for i := range streams {
		machines = append(machines, fmt.Sprintf("k%02d", i))
	}
	register(t, p.st, machines...)
	rng := rand.New(rand.NewPCG(18, 18))
	acked, needs := [streams]int{}, 0
	for round := 0; ; round++ {
		type message struct{ stream, first int }
		var queue []message
		for s := range streams {
			for first := acked[s] + 1; first <= records && first <= acked[s]+13*size; first += size {
				for n := rng.IntN(4); n > 0; n-- { // lost, once, or more often
					queue = append(queue, message{s, first})
				}
			}
		}
		if round > 1000 {
			t.Fatalf("acknowledged %v after %d rounds", acked, round)
		}
		rng.Shuffle(len(queue), func(i, j int) { queue[i], queue[j] = queue[j], queue[i] })
		for _, m := range queue {
			submit(t, p.g, "a1", machines[m.stream], payload(t, m.stream, m.first, size))
		}
		for range queue {
			a := <-p.acks
			switch a.GetVerdict() {
			case wirepb.Verdict_VERDICT_NEED_FROM:
				needs++
			case wirepb.Verdict_VERDICT_OK:
			default:
				t.Fatalf("verdict %v: %s", a.GetVerdict(), a.GetReason())
			}
			s := int(a.GetStreamId()[1])
			if int(a.GetAckedSeq()) < acked[s] {
				t.Fatalf("acknowledged %d after %d", a.GetAckedSeq(), acked[s])
			}
			acked[s] = int(a.GetAckedSeq())
		}
		if acked == [streams]int{records, records, records, records} {
			break
		}
	}
	if n := p.revolutions(); n != streams*records*4 || needs == 0 {
		t.Errorf("%d revolutions with %d gaps asked for, want %d", n, needs, streams*records*4)
	}
}
