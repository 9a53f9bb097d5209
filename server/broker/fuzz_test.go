package broker

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"strings"
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

// FuzzConnection sends bytes to the listener as a stranger does, and then the
// same bytes as an agent that was let in.
func FuzzConnection(f *testing.F) {
	f.Add(connect("u-01", wire.State(site, "u-01"), state(1, false)))
	f.Add(publish("kt/v1/mill/u-01/up/k01", 1, 1, []byte("x")))
	f.Add(subscribe(1, "#"))
	f.Add([]byte{0xc0, 0, 0xe0, 0})
	f.Add([]byte{0x32, 0xff, 0xff, 0xff, 0x7f})
	b, _ := start(f, Options{ConnectWait: time.Second})
	f.Fuzz(func(t *testing.T, p []byte) {
		for _, head := range [][]byte{nil, connect("u-01", "", nil)} {
			c, err := net.Dial("tcp", b.Addr())
			if err != nil {
				t.Fatal(err)
			}
			_, _ = c.Write(append(head, p...))
			_ = c.(*net.TCPConn).CloseWrite()
			_ = c.SetReadDeadline(time.Now().Add(patience))
			if _, err := io.Copy(io.Discard, c); err != nil {
				if ne, ok := err.(net.Error); ok && ne.Timeout() {
					t.Errorf("% x: the connection hangs", p)
				}
			}
			_ = c.Close()
		}
		if b.log.panics() {
			t.Errorf("% x: panic", p)
		}
	})
}

func (l *limited) panics() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at["panic on a connection"] != nil
}
