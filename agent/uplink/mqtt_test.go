package uplink

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang/packets"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink/sender"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// store is the server's side behind a real broker.
type store struct {
	mochi.HookBase
	mu     sync.Mutex
	broker *mochi.Server
	held   map[string]uint64 // by machine
	states []*wirepb.AgentState
	moved  chan struct{}
	mute   bool
}

func (s *store) ID() string { return "store" }
func (s *store) Provides(b byte) bool {
	return bytes.Contains([]byte{mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPublished, mochi.OnWillSent}, []byte{b})
}

func (s *store) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (s *store) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

func (s *store) OnWillSent(_ *mochi.Client, pk packets.Packet) { s.take(pk.TopicName, pk.Payload) }

func (s *store) OnPublished(_ *mochi.Client, pk packets.Packet) { s.take(pk.TopicName, pk.Payload) }

func (s *store) take(name string, payload []byte) {
	topic, err := wire.ParseTopic(name)
	if err != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	defer func() {
		select {
		case s.moved <- struct{}{}:
		default:
		}
	}()
	if topic.Kind == "state" {
		st := new(wirepb.AgentState)
		if proto.Unmarshal(payload, st) == nil {
			s.states = append(s.states, st)
		}
		return
	}
	b, err := wire.DecodeBatch(payload)
	if topic.Kind != "up" || err != nil || s.mute {
		return
	}
	held, verdict := s.held[topic.Machine], wirepb.Verdict_VERDICT_OK
	if b.GetFirstSeq() > held+1 {
		verdict = wirepb.Verdict_VERDICT_NEED_FROM
	} else {
		held = max(held, b.GetFirstSeq()+uint64(len(b.GetRecords()))-1)
	}
	s.held[topic.Machine] = held
	ack, _ := proto.Marshal(&wirepb.Acks{Acks: []*wirepb.Ack{{StreamId: b.GetStreamId(), AckedSeq: held, DbIncarnation: bytes.Repeat([]byte{1}, 16), Credit: 4, Verdict: verdict, EchoBoottimeNs: b.GetClock().GetBoottimeNs()}}})
	broker := s.broker
	go broker.Publish(wire.Ack(topic.Site, topic.Agent), ack, false, 1)
}

// until waits for a condition of the store.
func (s *store) until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		s.mu.Lock()
		done := ok()
		s.mu.Unlock()
		if done {
			return
		}
		select {
		case <-s.moved:
		case <-ctx.Done():
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

// listen starts a broker; an empty address means any free port of loopback.
func (s *store) listen(t *testing.T, address string) string {
	t.Helper()
	if address == "" {
		address = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	b := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := b.AddHook(s, nil); err != nil {
		t.Fatal(err)
	}
	if err := b.AddListener(listeners.NewNet("tcp", l)); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	s.broker = b
	s.mu.Unlock()
	go b.Serve()
	return l.Addr().String()
}

func bootClock() func() source.Instant {
	began := time.Now()
	return func() source.Instant {
		return source.Instant{Boot: [16]byte{3}, Boottime: int64(time.Since(began)) + 1e12, Wall: time.Now().UnixNano()}
	}
}

func TestAgainstABroker(t *testing.T) {
	before := runtime.NumGoroutine()
	s := &store{held: map[string]uint64{}, moved: make(chan struct{}, 1)}
	address := s.listen(t, "")
	log := &logged{}
	j, _, err := journal.Open(t.TempDir(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	c, err := j.Channel("m01")
	if err != nil {
		t.Fatal(err)
	}
	add := func(n int) {
		t.Helper()
		for range n {
			if err := c.Append([]byte("s"), &wirepb.Record{Boot: j.Boot([16]byte{3})}); err != nil {
				t.Fatal(err)
			}
		}
		if err := j.Sync(); err != nil {
			t.Fatal(err)
		}
	}
	add(1000)
	u, err := New(j, Options{URL: "mqtt://" + address, Site: site, Agent: agent, Clock: bootClock(), Keepalive: time.Second, AckTimeout: 300 * time.Millisecond,
		Log: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- u.Run(ctx) }()
	s.until(t, "the backlog", func() bool { return s.held["m01"] == 1000 })
	add(10)
	s.until(t, "new records", func() bool { return s.held["m01"] == 1010 })

	// The broker goes and comes back without any memory.
	s.mu.Lock()
	broker := s.broker
	s.mu.Unlock()
	if err := broker.Close(); err != nil {
		t.Fatal(err)
	}
	add(500)
	s.listen(t, address)
	s.until(t, "records after the broker's restart", func() bool { return s.held["m01"] == 1510 })
	if log.count("connection to the broker lost") == 0 {
		t.Errorf("the loss of the connection was not logged: %v", log.lines)
	}

	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Errorf("Run = %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("Run does not end")
	}
	s.until(t, "the last state", func() bool { return len(s.states) > 0 && !s.states[len(s.states)-1].GetOnline() })
	if c.Acked() != 1510 {
		t.Errorf("acked %d, want 1510", c.Acked())
	}
	s.mu.Lock()
	broker = s.broker
	s.mu.Unlock()
	broker.Close()
	deadline := time.After(5 * time.Second)
	for runtime.NumGoroutine() > before+2 {
		select {
		case <-deadline:
			buf := make([]byte, 1<<16)
			t.Fatalf("%d goroutines left of %d:\n%s", runtime.NumGoroutine(), before, buf[:runtime.Stack(buf, true)])
		default:
			runtime.Gosched()
		}
	}
}

// A broker that accepts and then says nothing must not hold the agent.
func TestSilentBroker(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	accepted := make(chan net.Conn, 10)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			accepted <- c
		}
	}()
	j, _, err := journal.Open(t.TempDir(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	u, err := New(j, Options{URL: "mqtt://" + l.Addr().String(), Site: site, Agent: agent, Clock: bootClock()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- u.Run(ctx) }()
	c := <-accepted
	defer c.Close()
	began := time.Now()
	cancel()
	if err := <-done; err != nil {
		t.Errorf("Run = %v", err)
	}
	if d := time.Since(began); d > 2*time.Second {
		t.Errorf("the end took %v, want it at once", d)
	}
}

func TestRefusedSubscriptionIsTold(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := b.AddHook(new(deaf), nil); err != nil {
		t.Fatal(err)
	}
	if err := b.AddListener(listeners.NewNet("tcp", l)); err != nil {
		t.Fatal(err)
	}
	go b.Serve()
	defer b.Close()
	o := Options{Site: site, Agent: agent, Clock: bootClock(), Keepalive: 5 * time.Second}
	_, err = mqttDialer(o, l.Addr().String(), false)(t.Context(), sender.Message{Topic: wire.State(site, agent), Payload: []byte{16, 0}})
	if err == nil || !strings.Contains(err.Error(), "refused by the broker") {
		t.Errorf("dial = %v, want the refused subscription", err)
	}
}

// A broker that answers pings but confirms nothing is left after three
// keepalives.
func TestStalledBrokerIsLeft(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		n, err := l.Accept()
		if err != nil {
			return
		}
		defer n.Close()
		for {
			p, err := paho.ReadPacket(n)
			if err != nil {
				return
			}
			switch p := p.(type) {
			case *paho.ConnectPacket:
				paho.NewControlPacket(paho.Connack).Write(n)
			case *paho.SubscribePacket:
				a := paho.NewControlPacket(paho.Suback).(*paho.SubackPacket)
				a.MessageID, a.ReturnCodes = p.MessageID, []byte{1}
				a.Write(n)
			case *paho.PingreqPacket:
				paho.NewControlPacket(paho.Pingresp).Write(n)
			}
		}
	}()
	o := Options{Site: site, Agent: agent, Clock: bootClock(), Keepalive: time.Second}
	c, err := mqttDialer(o, l.Addr().String(), false)(t.Context(), sender.Message{Topic: wire.State(site, agent), Payload: []byte{16, 0}})
	if err != nil {
		t.Fatal(err)
	}
	defer c.close(0)
	began := time.Now()
	if !c.send(sender.Message{Topic: wire.State(site, agent), Payload: []byte{16, 0}}) {
		t.Fatal("nothing was taken")
	}
	select {
	case <-c.done():
	case <-time.After(20 * time.Second):
		t.Fatal("the stalled connection is still in use")
	}
	if d := time.Since(began); !errors.Is(c.err(), errStalled) || d < 2900*time.Millisecond {
		t.Errorf("ended after %v with %v, want 3 s and errStalled", d, c.err())
	}
}

// deaf lets everybody in and nobody read.
type deaf struct{ mochi.HookBase }

func (deaf) ID() string { return "deaf" }
func (deaf) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (deaf) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (deaf) OnACLCheck(*mochi.Client, string, bool) bool              { return false }
