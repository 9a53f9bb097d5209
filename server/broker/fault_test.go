package broker

import (
	"encoding/binary"
	"io"
	"testing"
	"time"

	"turnwise/proto/wire"
)

// A connection that is dead at the other side, without a word: after one and a
// half keepalives [MQTT-3.1.2-24] the broker ends it, tells the will, and lets
// the agent in again.
func TestFault_20_HalfOpenConnection(t *testing.T) {
	b, h := start(t, Options{})
	hello := connect("u-01", wire.State(site, "u-01"), state(1, false))
	// The keepalive is the two bytes before the client id.
	at := len(hello) - len(str("u-01")) - len(str(wire.State(site, "u-01"))) - 2 - len(state(1, false)) - 2
	binary.BigEndian.PutUint16(hello[at:], 1)
	dead := dial(t, b)
	dead.send(hello...)
	dead.expect(0x20, 2, 0, 0)
	began := time.Now()
	_ = dead.SetReadDeadline(time.Now().Add(30 * time.Second))
	if _, err := io.ReadAll(dead); err != nil {
		t.Fatalf("the connection is still open: %v", err)
	}
	if d := time.Since(began); d < time.Second {
		t.Errorf("ended after %s, before one keepalive", d)
	}
	h.until(t, "the will", func() bool { return len(h.states) == 1 && !h.states[0].GetOnline() })
	join(t, b, "u-01", wire.State(site, "u-01"), state(2, false))
}
