package uplink

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/uplink/sender"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// tellServer gives the newest connection a state of the server, as a broker
// does that retains it.
func (r *rig) tellServer(st *wirepb.ServerState) {
	r.t.Helper()
	payload, err := proto.Marshal(st)
	if err != nil {
		r.t.Fatal(err)
	}
	r.f.mu.Lock()
	c := r.f.conns[len(r.f.conns)-1]
	r.f.mu.Unlock()
	c.in <- sender.Message{Topic: wire.ServerState(site), Payload: payload, Retain: true, At: clock().Boottime}
}

// An agent that has no version in common with its server says so once, shows
// it, keeps everything, goes on asking, and sends it when they agree again.
func TestServerOfAnotherMajor(t *testing.T) {
	const line = "no version of their messages in common"
	bubble(t, Options{}, func(r *rig) {
		c := r.channel("k01")
		r.f.mu.Lock()
		r.f.loseUp = func(int) bool { return true } // nobody there understands
		r.f.mu.Unlock()
		r.start()
		r.after(time.Minute)
		r.tellServer(&wirepb.ServerState{Online: true})
		r.tellServer(&wirepb.ServerState{Online: true, AcceptedMajors: []uint32{wire.Major, wire.Major + 1}})
		r.after(time.Minute)
		if n := r.log.count(line); n != 0 {
			t.Fatalf("%d lines of a server that accepts this agent", n)
		}
		for range 3 {
			r.tellServer(&wirepb.ServerState{Online: true, AcceptedMajors: []uint32{wire.Major + 1}})
		}
		r.append(c, 5)
		r.after(2 * time.Minute)
		if n := r.log.count(line); n != 1 {
			t.Errorf("%d lines, want one", n)
		}
		problem := func() string {
			shown := r.f.shown()
			return shown[len(shown)-1].GetMachines()[0].GetProblem()
		}
		if p := problem(); !strings.Contains(p, "version [2]") || !strings.Contains(p, "up to date") {
			t.Errorf("problem %q, want the versions and what to do", p)
		}
		r.f.mu.Lock()
		asked := r.f.ups
		r.f.loseUp = func(int) bool { return false }
		r.f.mu.Unlock()
		if asked < 2 {
			t.Errorf("asked %d times in two minutes, want it again and again", asked)
		}
		r.tellServer(&wirepb.ServerState{Online: true, AcceptedMajors: []uint32{wire.Major}})
		r.after(3 * time.Minute)
		if n := r.f.held(c); n != 5 {
			t.Errorf("the server has %d records, want 5", n)
		}
		if p := problem(); p != "" {
			t.Errorf("problem %q after all was sent", p)
		}
	})
}
