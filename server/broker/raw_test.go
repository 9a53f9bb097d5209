package broker

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
)

// patience is how long a test waits for what must happen at once.
const patience = 5 * time.Second

const site = "mill"

// heard is everything a broker told its server.
type heard struct {
	mu        sync.Mutex
	batches   []string // topics
	states    []*wirepb.AgentState
	malformed []string
	refuse    error
	did       chan struct{}
}

func (h *heard) note(f func()) {
	h.mu.Lock()
	f()
	h.mu.Unlock()
	select {
	case h.did <- struct{}{}:
	default:
	}
}

// until waits for a condition on what was heard.
func (h *heard) until(t *testing.T, what string, cond func() bool) {
	t.Helper()
	after := time.After(patience)
	for {
		h.mu.Lock()
		ok := cond()
		h.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-h.did:
		case <-after:
			t.Fatalf("%s: not within %s", what, patience)
		}
	}
}

// start runs a broker for the length of a test.
func start(t testing.TB, o Options) (*Broker, *heard) {
	t.Helper()
	h := &heard{did: make(chan struct{}, 1)}
	o.Listen, o.Site = "127.0.0.1:0", site
	if o.Batch == nil {
		o.Batch = func(_ context.Context, agent, machine, topic string, payload []byte) error {
			h.note(func() { h.batches = append(h.batches, topic) })
			return h.refuse
		}
	}
	o.State = func(agent string, st *wirepb.AgentState) { h.note(func() { h.states = append(h.states, st) }) }
	o.Malformed = func(agent, topic string, payload []byte, err error) {
		h.note(func() { h.malformed = append(h.malformed, topic) })
	}
	b, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Error("the broker does not end")
		}
	})
	return b, h
}

// raw is a client that speaks bytes.
type raw struct {
	net.Conn
	t testing.TB
}

func dial(t testing.TB, b *Broker) raw {
	t.Helper()
	c, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return raw{c, t}
}

func (r raw) send(p ...byte) {
	r.t.Helper()
	if _, err := r.Write(p); err != nil {
		r.t.Fatalf("write: %v", err)
	}
}

// expect reads exactly want.
func (r raw) expect(want ...byte) {
	r.t.Helper()
	_ = r.SetReadDeadline(time.Now().Add(patience))
	got := make([]byte, len(want))
	if n, err := io.ReadFull(r, got); err != nil || !bytes.Equal(got, want) {
		r.t.Fatalf("read % x (%v), want % x", got[:n], err, want)
	}
}

// closed waits for the end of the connection and gives what came before it.
func (r raw) closed() []byte {
	r.t.Helper()
	_ = r.SetReadDeadline(time.Now().Add(patience))
	got, err := io.ReadAll(r)
	if ne, ok := errors.AsType[net.Error](err); ok && ne.Timeout() {
		r.t.Fatalf("the connection is still open after %s, read %d bytes: % x", patience, len(got), got[:min(len(got), 64)])
	}
	return got
}

func packet(first byte, body ...[]byte) []byte {
	all := bytes.Join(body, nil)
	p := []byte{first}
	n := len(all)
	for {
		b := byte(n % 128)
		if n /= 128; n > 0 {
			p = append(p, b|0x80)
			continue
		}
		return append(append(p, b), all...)
	}
}

func str(s string) []byte {
	return append(binary.BigEndian.AppendUint16(nil, uint16(len(s))), s...)
}

// connect is a CONNECT of MQTT 3.1.1, with a will when topic is not empty.
func connect(id, willTopic string, will []byte) []byte {
	flags := byte(0x02) // clean session
	rest := str(id)
	if willTopic != "" {
		flags |= 0x04 | 0x08 | 0x20 // will, quality 1, retained
		rest = append(append(rest, str(willTopic)...), str(string(will))...)
	}
	return packet(0x10, []byte{0, 4, 'M', 'Q', 'T', 'T', 4, flags, 0, 30}, rest)
}

func publish(topic string, qos byte, id uint16, payload []byte) []byte {
	head := str(topic)
	if qos > 0 {
		head = binary.BigEndian.AppendUint16(head, id)
	}
	return packet(0x30|qos<<1, head, payload)
}

func subscribe(id uint16, filter string) []byte {
	return packet(0x82, binary.BigEndian.AppendUint16(nil, id), str(filter), []byte{1})
}

// join connects an agent.
func join(t testing.TB, b *Broker, id, willTopic string, will []byte) raw {
	t.Helper()
	r := dial(t, b)
	r.send(connect(id, willTopic, will)...)
	r.expect(0x20, 2, 0, 0)
	return r
}

// ping makes sure that everything sent before has been handled.
func (r raw) ping() {
	r.t.Helper()
	r.send(0xc0, 0)
	r.expect(0xd0, 0)
}

func state(session uint64, online bool) []byte {
	p, err := proto.Marshal(&wirepb.AgentState{SessionNo: session, Online: online})
	if err != nil {
		panic(err)
	}
	return p
}

// logged is a log that can be searched.
type logged struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *logged) has(s string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return bytes.Contains(l.buf.Bytes(), []byte(s))
}

func (l *logged) log() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }
