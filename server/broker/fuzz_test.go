package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// FuzzPublish feeds topics and payloads to what decides about them. Whatever
// passes belongs to the agent that sent it.
func FuzzPublish(f *testing.F) {
	f.Add("kt/v1/mill/u-01/up/k01", []byte("x"))
	f.Add("kt/v1/mill/u-01/state", state(3, true))
	f.Add("kt/v2/mill/u-01/up/k01", []byte(nil))
	f.Add("kt/v1/mill/u-02/state", state(3, true))
	f.Add("kt/v1/mill/u-01/down/ack", []byte("x"))
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		b := &Broker{log: &limited{log: slog.New(slog.DiscardHandler)}}
		b.ctx, b.cancel = context.WithCancel(t.Context())
		defer b.cancel()
		calls := 0
		b.o = Options{Site: site,
			Batch: func(_ context.Context, agent, machine, _ string, _ []byte) error {
				if calls++; agent != "u-01" || !wire.ValidID(machine) {
					t.Errorf("batch of %q %q on %q", agent, machine, topic)
				}
				return nil
			},
			State: func(agent string, st *wirepb.AgentState) {
				if calls++; agent != "u-01" || len(st.GetMachines()) > wire.MaxMachines {
					t.Errorf("state of %q on %q", agent, topic)
				}
			},
			Malformed: func(agent, _ string, _ []byte, _ error) {
				if calls++; agent != "u-01" {
					t.Errorf("malformed of %q on %q", agent, topic)
				}
			},
		}
		b.o.defaults()
		h := &hook{b: b, newest: make(map[string]uint64)}
		cl := &mqtt.Client{ID: "u-01"}
		if !h.mayWrite(cl.ID, topic) {
			return
		}
		if _, err := h.OnPublish(cl, packets.Packet{TopicName: topic, Payload: payload}); err != packets.ErrRejectPacket && calls != 1 {
			t.Errorf("%q: %d calls and %v, want one call or a rejection", topic, calls, err)
		}
	})
}

// FuzzState reads bytes as the state of an agent: within all bounds and the
// same again when written, or refused with a word on what is wrong.
func FuzzState(f *testing.F) {
	f.Add(state(3, true))
	id := make([]byte, wire.IDLen)
	full, err := proto.Marshal(&wirepb.AgentState{SessionNo: 1, Online: true, RunId: id, BootId: id, Clock: &wirepb.AgentClock{Boot: 1},
		Machines: []*wirepb.MachineLive{{Machine: "k01", StreamId: id, LifeId: id, SpeedRpm: 24.5, HeadSeq: 9}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(full)
	f.Fuzz(func(t *testing.T, p []byte) {
		st, err := decodeState(p)
		if err != nil {
			if !errors.Is(err, wire.ErrMalformed) || !strings.HasPrefix(err.Error(), "broker: agent state: ") {
				t.Errorf("error %v", err)
			}
			return
		}
		if len(p) > maxStateBytes || len(st.GetMachines()) > wire.MaxMachines {
			t.Errorf("accepted %d bytes with %d machines", len(p), len(st.GetMachines()))
		}
		p, err = proto.Marshal(st)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := decodeState(p); len(p) > 0 && len(p) <= maxStateBytes && (err != nil || !proto.Equal(st, again)) {
			t.Errorf("read %v, written and read again %v (%v)", st, again, err)
		}
	})
}

// FuzzConnection gives bytes to the listener as a stranger sends them, and then
// the same bytes as an agent that was let in. No socket is between: the bytes
// are there at once, and reading ends with them.
func FuzzConnection(f *testing.F) {
	f.Add(connect("u-01", wire.State(site, "u-01"), state(1, false)))
	f.Add(publish("kt/v1/mill/u-01/up/k01", 1, 1, []byte("x")))
	f.Add(subscribe(1, "#"))
	f.Add([]byte{0xc0, 0, 0xe0, 0})
	f.Add([]byte{0x32, 0xff, 0xff, 0xff, 0x7f})
	b := quiet(f)
	f.Fuzz(func(t *testing.T, p []byte) {
		for _, head := range [][]byte{nil, connect("u-01", "", nil)} {
			nc := &given{r: bytes.NewReader(append(head, p...))}
			hangs := time.AfterFunc(patience, func() { panic(fmt.Sprintf("% x: the connection hangs", p)) })
			if err := b.l.admit(nc, peer(nc)); err != nil {
				t.Fatalf("% x: %v; the connections before it have not ended", p, err)
			}
			b.l.serve(nc, b.mq.EstablishConnection)
			b.l.release(nc, peer(nc))
			b.l.wg.Done()
			hangs.Stop()
			if !nc.closed.Load() {
				t.Errorf("% x: the connection is left open", p)
			}
		}
		if b.log.panics() {
			t.Errorf("% x: panic", p)
		}
	})
}

// quiet is a broker that runs, takes everything and remembers nothing.
func quiet(f *testing.F) *Broker {
	b, err := New(Options{Listen: "127.0.0.1:0", Site: site,
		Batch: func(context.Context, string, string, string, []byte) error { return nil },
		State: func(string, *wirepb.AgentState) {}, Malformed: func(string, string, []byte, error) {}})
	if err != nil {
		f.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	f.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			f.Error(err)
		}
	})
	return b
}

// given is a connection whose peer has sent all it will send, and reads what
// it gets.
type given struct {
	r      *bytes.Reader
	closed atomic.Bool
}

func (g *given) Read(p []byte) (int, error) {
	if g.closed.Load() {
		return 0, net.ErrClosed
	}
	return g.r.Read(p)
}

func (g *given) Write(p []byte) (int, error) {
	if g.closed.Load() {
		return 0, net.ErrClosed
	}
	return len(p), nil
}

func (g *given) Close() error                     { g.closed.Store(true); return nil }
func (g *given) LocalAddr() net.Addr              { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 7883} }
func (g *given) RemoteAddr() net.Addr             { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 40000} }
func (g *given) SetDeadline(time.Time) error      { return nil }
func (g *given) SetReadDeadline(time.Time) error  { return nil }
func (g *given) SetWriteDeadline(time.Time) error { return nil }

func (l *limited) panics() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at["panic on a connection"] != nil
}
