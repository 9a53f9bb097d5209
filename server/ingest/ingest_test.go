package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

var (
	quiet = slog.New(slog.DiscardHandler)
	day   = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
)

// fakeStore keeps nothing: it answers as it is told.
type fakeStore struct {
	store.Store
	mu          sync.Mutex
	groups      []int
	quarantined []store.Quarantined
	fail        error
	hold        chan struct{} // commits wait for it
}

func (f *fakeStore) Incarnation(context.Context) (store.ID, error) { return store.ID{42}, nil }

func (f *fakeStore) Commit(_ context.Context, b []store.Batch) ([]store.Outcome, error) {
	if f.hold != nil {
		<-f.hold
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.groups = append(f.groups, len(b))
	if f.fail != nil {
		return nil, f.fail
	}
	out := make([]store.Outcome, len(b))
	for i := range b {
		out[i] = store.Outcome{Verdict: store.OK, Acked: b[i].FirstSeq + uint64(len(b[i].Records)) - 1, Horizon: 3}
	}
	return out, nil
}

func (f *fakeStore) Quarantine(_ context.Context, q store.Quarantined) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.quarantined = append(f.quarantined, q)
	return f.fail
}

// said collects acknowledgements.
type said struct {
	mu   sync.Mutex
	acks []*wirepb.Ack
	to   []string
}

func (s *said) ack(agent string, acks *wirepb.Acks) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, a := range acks.GetAcks() {
		s.acks, s.to = append(s.acks, a), append(s.to, agent)
	}
}

func payload(t testing.TB, stream, first, size int) []byte {
	t.Helper()
	p, err := ingest.Wire(benchBatch(stream, first, size))
	if err != nil {
		t.Fatal(err)
	}
	bytes, err := proto.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return bytes
}

// run starts an ingest in a bubble; it ends with the test.
func run(t *testing.T, st store.Store, o ingest.Options) *ingest.Ingest {
	t.Helper()
	o.Log = quiet
	g := ingest.New(st, o)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return g
}

func submit(t *testing.T, g *ingest.Ingest, agent, machine string, p []byte) {
	t.Helper()
	if err := g.Submit(t.Context(), agent, machine, "topic", p); err != nil {
		t.Fatalf("Submit: %v", err)
	}
}

func TestAck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st, s := &fakeStore{}, &said{}
		g := run(t, st, ingest.Options{Ack: s.ack, Now: func() time.Time { return day }})
		submit(t, g, "a1", "k07", payload(t, 7, 5, 3))
		synctest.Wait()
		if len(s.acks) != 1 || s.to[0] != "a1" {
			t.Fatalf("%d acks to %v, want one to a1", len(s.acks), s.to)
		}
		stream, incarnation := store.ID{2, 7}, store.ID{42}
		want := &wirepb.Ack{
			StreamId: stream[:], AckedSeq: 7, BackupHorizon: 3, DbIncarnation: incarnation[:], Credit: 4, Verdict: wirepb.Verdict_VERDICT_OK,
			EchoBoottimeNs: 70e9, ReceivedNs: day.UnixNano(), SentNs: day.UnixNano(), Machine: "k07",
		}
		if !proto.Equal(s.acks[0], want) {
			t.Errorf("ack %v, want %v", s.acks[0], want)
		}
	})
}

// While a commit lasts, what arrives waits and then shares the next one.
func TestGroup(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st, s := &fakeStore{hold: make(chan struct{})}, &said{}
		committed := 0
		g := run(t, st, ingest.Options{Ack: s.ack, GroupMax: 3, Committed: func(o []store.Outcome) { committed += len(o) }})
		for i := range 6 {
			submit(t, g, "a1", "k01", payload(t, 1, i+1, 1))
			synctest.Wait()
		}
		if len(s.acks) != 0 {
			t.Errorf("%d acks before the commit", len(s.acks))
		}
		close(st.hold)
		synctest.Wait()
		if got := fmt.Sprint(st.groups); got != "[1 3 2]" || len(s.acks) != 6 || committed != 6 {
			t.Errorf("groups %s, %d acks, %d committed; want [1 3 2], 6, 6", got, len(s.acks), committed)
		}
	})
}

// A full queue holds a client up for two seconds and then refuses.
func TestFullQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := &fakeStore{hold: make(chan struct{})}
		g := run(t, st, ingest.Options{Queue: 2})
		p := payload(t, 1, 1, 1)
		for range 3 { // one is being committed, two wait
			submit(t, g, "a1", "k01", p)
			synctest.Wait()
		}
		began := time.Now()
		if err := g.Submit(t.Context(), "a1", "k01", "topic", p); !errors.Is(err, ingest.ErrBusy) || time.Since(began) != 2*time.Second {
			t.Errorf("error %v after %v, want ErrBusy after 2s", err, time.Since(began))
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := g.Submit(ctx, "a1", "k01", "topic", p); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("error %v, want DeadlineExceeded", err)
		}
		close(st.hold)
		submit(t, g, "a1", "k01", p)
	})
}

// A commit that gave an error may have happened: nobody is told anything.
func TestFailedCommitIsNotAcked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st, s := &fakeStore{fail: errors.New("disk full")}, &said{}
		committed := false
		g := run(t, st, ingest.Options{Ack: s.ack, Committed: func([]store.Outcome) { committed = true }})
		submit(t, g, "a1", "k01", payload(t, 1, 1, 1))
		submit(t, g, "a1", "k01", []byte("noise"))
		synctest.Wait()
		<-time.After(time.Second) // of the bubble: the pause after an error
		if len(s.acks) != 0 || committed {
			t.Errorf("%d acks, committed %v after an error", len(s.acks), committed)
		}
		st.mu.Lock()
		st.fail = nil
		st.mu.Unlock()
		submit(t, g, "a1", "k01", payload(t, 1, 1, 1))
		synctest.Wait()
		if len(s.acks) != 1 {
			t.Errorf("%d acks after the disk has room, want 1", len(s.acks))
		}
	})
}

func TestQuarantine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st, s := &fakeStore{}, &said{}
		g := run(t, st, ingest.Options{Ack: s.ack})
		noise := []byte("noise")
		submit(t, g, "a1", "k01", noise)
		copy(noise, "xxxxx") // the payload belongs to the caller
		p, err := ingest.Wire(benchBatch(7, 1, 2))
		if err != nil {
			t.Fatal(err)
		}
		p.Records[1].Body[3] ^= 1
		damaged, _ := proto.Marshal(p)
		submit(t, g, "a2", "k07", damaged)
		synctest.Wait()
		if len(st.quarantined) != 2 || string(st.quarantined[0].Payload) != "noise" || st.quarantined[1].Agent != "a2" || st.quarantined[1].Reason == "" {
			t.Fatalf("quarantined %+v", st.quarantined)
		}
		if len(s.acks) != 1 || s.to[0] != "a2" || s.acks[0].GetVerdict() != wirepb.Verdict_VERDICT_QUARANTINED || len(s.acks[0].GetStreamId()) != wire.IDLen ||
			s.acks[0].GetMachine() != "k07" || s.acks[0].GetReason() == "" {
			t.Errorf("acks %v to %v, want QUARANTINED for the stream that could be read", s.acks, s.to)
		}
	})
}

// The whole way into a database: unregistered first, then stored, then again.
func TestIntoDatabase(t *testing.T) {
	st, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "turnwise.db"), sqlite.Options{Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	told := make(chan *wirepb.Ack, 10)
	g := ingest.New(st, ingest.Options{Log: quiet, Now: func() time.Time { return day.Add(time.Hour) }, Ack: func(_ string, acks *wirepb.Acks) {
		for _, a := range acks.GetAcks() {
			told <- a
		}
	}})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	next := func(p []byte) *wirepb.Ack {
		submit(t, g, "a1", "k01", p)
		return <-told
	}
	if a := next(payload(t, 1, 1, 10)); a.GetVerdict() != wirepb.Verdict_VERDICT_UNREGISTERED || !strings.Contains(a.GetReason(), "planner units register a1 --machines k01") {
		t.Errorf("unregistered: %v", a)
	}
	if _, err := st.RegisterAgent(t.Context(), "a1", []string{"k01"}, day, false); err != nil {
		t.Fatal(err)
	}
	if a := next(payload(t, 1, 11, 10)); a.GetVerdict() != wirepb.Verdict_VERDICT_NEED_FROM || a.GetAckedSeq() != 0 {
		t.Errorf("a gap: %v", a)
	}
	for range 2 {
		if a := next(payload(t, 1, 1, 10)); a.GetVerdict() != wirepb.Verdict_VERDICT_OK || a.GetAckedSeq() != 10 {
			t.Errorf("first batch: %v", a)
		}
	}
	// A record that checks but cannot be read does not hold the stream up.
	p, err := ingest.Wire(benchBatch(1, 11, 2))
	if err != nil {
		t.Fatal(err)
	}
	p.Records[0].Body = []byte{0xff, 0xff}
	p.Records[0].Crc32C = wire.RecordCRC(p.StreamId, 11, p.Records[0].Body)
	p.Crc32C = wire.BatchCRC(p)
	bytes, err := proto.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if a := next(bytes); a.GetVerdict() != wirepb.Verdict_VERDICT_OK || a.GetAckedSeq() != 12 {
		t.Errorf("a record that cannot be read: %v", a)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("Run: %v", err)
	}
	totals, drained, err := st.Totals(t.Context())
	if err != nil || totals[0].Revolutions != 48 || drained {
		t.Errorf("totals %+v, drained %v, %v; want the hull of 48, and 8 records outstanding that the second batch told of", totals, drained, err)
	}
}

// FuzzBatch demands that no message can do more than be refused.
func FuzzBatch(f *testing.F) {
	f.Add(payload(f, 1, 1, 1))
	f.Add(payload(f, 1, 1, 3))
	f.Add([]byte("noise"))
	f.Fuzz(func(t *testing.T, p []byte) {
		b, err := wire.DecodeBatch(p)
		if err != nil {
			if !errors.Is(err, wire.ErrMalformed) {
				t.Errorf("error %v is not ErrMalformed", err)
			}
			if b == nil {
				return
			}
		}
		x := ingest.Batch("a1", "k01", b, day)
		if len(x.Records) != len(b.GetRecords()) || err == nil && len(x.Records) > wire.MaxRecords {
			t.Errorf("%d records of %d", len(x.Records), len(b.GetRecords()))
		}
	})
}
