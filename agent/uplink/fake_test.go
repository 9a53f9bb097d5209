package uplink

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink/sender"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

const (
	site  = "mill"
	agent = "agent-1"
)

// server is a broker and a server in one: it keeps records as a real one must
// and breaks the rules of I3 and I4 loudly.
type server struct {
	t           *testing.T
	mu          sync.Mutex
	streams     map[[16]byte][][]byte // bodies, [0] is record 1
	incarnation [16]byte
	credit      uint32
	horizon     uint64
	verdict     map[string]wirepb.Verdict // by machine, instead of work

	batches []arrival
	states  []*wirepb.AgentState
	wills   []*wirepb.AgentState
	conns   []*fakeConn

	// lose and double say what becomes of the nth message (from 0).
	loseUp, loseAck, double func(n int) bool
	delay                   func(n int) time.Duration
	refuse                  bool // connections
	ups, acks               int
}

type arrival struct {
	at          time.Time
	machine     string
	first, last uint64
}

func newServer(t *testing.T) *server {
	never := func(int) bool { return false }
	return &server{t: t, streams: map[[16]byte][][]byte{}, incarnation: [16]byte{1}, credit: 4, verdict: map[string]wirepb.Verdict{},
		loseUp: never, loseAck: never, double: never, delay: func(int) time.Duration { return 0 }}
}

func (f *server) dial(ctx context.Context, will sender.Message) (conn, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse {
		return nil, errors.New("connection refused")
	}
	st := new(wirepb.AgentState)
	if err := proto.Unmarshal(will.Payload, st); err != nil {
		f.t.Errorf("will: %v", err)
	}
	f.wills = append(f.wills, st)
	c := &fakeConn{f: f, in: make(chan sender.Message, 1024), wake: make(chan struct{}, 1), ended: make(chan struct{})}
	f.conns = append(f.conns, c)
	return c, nil
}

type fakeConn struct {
	f     *server
	in    chan sender.Message
	wake  chan struct{}
	ended chan struct{}
	once  sync.Once
}

func (c *fakeConn) send(m sender.Message) bool {
	select {
	case <-c.ended:
		return false
	default:
	}
	c.f.take(c, m)
	return true
}
func (c *fakeConn) room() <-chan struct{}           { return c.wake }
func (c *fakeConn) received() <-chan sender.Message { return c.in }
func (c *fakeConn) done() <-chan struct{}           { return c.ended }
func (c *fakeConn) err() error                      { return errors.New("line cut") }
func (c *fakeConn) close(time.Duration)             { c.once.Do(func() { close(c.ended) }) }

func (f *server) take(c *fakeConn, m sender.Message) {
	topic, err := wire.ParseTopic(m.Topic)
	if err != nil {
		f.t.Errorf("topic: %v", err)
		return
	}
	if topic.Kind == "state" {
		st := new(wirepb.AgentState)
		if err := proto.Unmarshal(m.Payload, st); err != nil || !m.Retain {
			f.t.Errorf("state: %v, retained %v", err, m.Retain)
		}
		f.mu.Lock()
		f.states = append(f.states, st)
		f.mu.Unlock()
		return
	}
	f.mu.Lock()
	n := f.ups
	f.ups++
	f.mu.Unlock()
	if f.loseUp(n) {
		return
	}
	times := 1
	if f.double(n) {
		times = 2
	}
	for range times {
		time.AfterFunc(time.Millisecond+f.delay(n), func() { f.store(c, topic.Machine, m.Payload) })
	}
}

func (f *server) store(c *fakeConn, machine string, payload []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	b, err := wire.DecodeBatch(payload)
	if err != nil {
		f.t.Errorf("batch of %s: %v", machine, err)
		return
	}
	id := [16]byte(b.GetStreamId())
	first := b.GetFirstSeq()
	f.batches = append(f.batches, arrival{time.Now(), machine, first, first + uint64(len(b.GetRecords())) - 1})
	verdict := f.verdict[machine]
	held := f.streams[id]
	if before := first - 1; before > 0 && before <= uint64(len(held)) &&
		(b.BeforeCrc32C == nil || b.GetBeforeCrc32C() != wire.RecordCRC(id[:], before, held[before-1])) {
		f.t.Errorf("batch of %s from record %d does not name the record before: %v", machine, first, b.BeforeCrc32C)
	}
	if verdict == wirepb.Verdict_VERDICT_UNSPECIFIED {
		verdict = wirepb.Verdict_VERDICT_OK
		if first > uint64(len(held))+1 {
			verdict = wirepb.Verdict_VERDICT_NEED_FROM
		} else {
			for i, r := range b.GetRecords() {
				switch seq := first + uint64(i); {
				case seq == uint64(len(held))+1:
					held = append(held, r.GetBody())
				case !bytes.Equal(held[seq-1], r.GetBody()):
					f.t.Errorf("record %d of %s came with other bytes", seq, machine)
				}
			}
			f.streams[id] = held
		}
	}
	now := time.Now().UnixNano()
	f.answer(c, &wirepb.Ack{StreamId: id[:], AckedSeq: uint64(len(held)), BackupHorizon: min(f.horizon, uint64(len(held))), DbIncarnation: f.incarnation[:],
		Credit: f.credit, Verdict: verdict, Reason: "as the test wants", EchoBoottimeNs: b.GetClock().GetBoottimeNs(), ReceivedNs: now, SentNs: now, Machine: machine})
}

func (f *server) answer(c *fakeConn, a *wirepb.Ack) {
	n := f.acks
	f.acks++
	if f.loseAck(n) {
		return
	}
	payload, err := proto.Marshal(&wirepb.Acks{Acks: []*wirepb.Ack{a}})
	if err != nil {
		f.t.Error(err)
	}
	times := 1
	if f.double(n) {
		times = 2
	}
	for range times {
		time.AfterFunc(time.Millisecond+f.delay(n), func() {
			select {
			case c.in <- sender.Message{Topic: wire.Ack(site, agent), Payload: payload, At: clock().Boottime}:
			default:
			}
		})
	}
}

func (f *server) held(c *journal.Channel) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.streams[c.StreamID()])
}

func (f *server) sent() []arrival {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]arrival(nil), f.batches...)
}

func (f *server) shown() []*wirepb.AgentState {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]*wirepb.AgentState(nil), f.states...)
}

// clock is the bubble's own time since an invented boot.
func clock() source.Instant {
	now := time.Now()
	return source.Instant{Boot: [16]byte{5}, Boottime: now.UnixNano() - bootedAt, Wall: now.UnixNano(), Quality: source.Free}
}

const bootedAt = 900_000_000e9 // before the bubbles' clock begins

// rig is an uplink with its journal and server inside a bubble.
type rig struct {
	t    *testing.T
	f    *server
	j    *journal.Journal
	u    *Uplink
	dir  string // of the journal
	log  *logged
	quit context.CancelFunc // ends the uplink; nil when it does not run
	done chan error
}

// logged collects the messages of a log.
type logged struct {
	mu    sync.Mutex
	lines []string
}

func (l *logged) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lines = append(l.lines, string(b))
	return len(b), nil
}

func (l *logged) count(part string) (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, s := range l.lines {
		if bytes.Contains([]byte(s), []byte(part)) {
			n++
		}
	}
	return n
}

// bubble runs body with an uplink that sends to a fake server.
func bubble(t *testing.T, o Options, body func(r *rig)) {
	t.Helper()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		r := &rig{t: t, f: newServer(t), dir: dir, log: &logged{}}
		log := slog.New(slog.NewTextHandler(r.log, nil))
		j, _, err := journal.Open(dir, journal.Options{Log: log})
		if err != nil {
			t.Fatal(err)
		}
		r.j = j
		o.Site, o.Agent, o.URL, o.Clock, o.Log, o.dial = site, agent, "mqtt://127.0.0.1", clock, log, r.f.dial
		if r.u, err = New(j, o); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		synced := make(chan error, 1)
		go func() { synced <- j.Run(ctx) }()
		body(r)
		r.stop()
		cancel()
		if err := <-synced; err != nil {
			t.Errorf("journal Run = %v", err)
		}
		if err := j.Close(); err != nil {
			t.Errorf("Close = %v", err)
		}
	})
}

func (r *rig) start() {
	ctx, quit := context.WithCancel(r.t.Context())
	r.quit, r.done = quit, make(chan error, 1)
	go func() { r.done <- r.u.Run(ctx) }()
}

func (r *rig) stop() {
	r.t.Helper()
	if r.quit == nil {
		return
	}
	r.quit()
	r.quit = nil
	if err := <-r.done; err != nil {
		r.t.Errorf("Run = %v", err)
	}
}

func (r *rig) channel(machine string) *journal.Channel {
	r.t.Helper()
	c, err := r.j.Channel(machine)
	if err != nil {
		r.t.Fatal(err)
	}
	return c
}

func (r *rig) append(c *journal.Channel, n int) {
	r.t.Helper()
	for range n {
		rec := &wirepb.Record{Boot: r.j.Boot([16]byte{5}), BoottimeNs: clock().Boottime, WallNs: clock().Wall,
			Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: make([]byte, 16), From: 1, To: 2}}}
		if err := c.Append([]byte("state"), rec); err != nil {
			r.t.Fatal(err)
		}
	}
}

// after lets fake time pass.
func (r *rig) after(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}
