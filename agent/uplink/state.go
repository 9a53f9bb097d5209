package uplink

import (
	"bytes"
	"crypto/sha256"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// publishState sends the live view when it is due and returns when to look
// again.
func (u *Uplink) publishState(now time.Time, c conn) time.Time {
	if at := u.stateSent.Add(stateAtMost); !u.stateSent.IsZero() && now.Before(at) {
		return at
	}
	machines := u.machines()
	digest := stateDigest(machines)
	if now.Sub(u.stateSent) < stateEvery && bytes.Equal(digest, u.stateDigest) {
		return now.Add(stateAtMost)
	}
	run := u.j.RunID()
	clock := u.o.Clock()
	st := &wirepb.AgentState{
		SessionNo: u.session, Online: true, RunId: run[:], Version: u.o.Version, BootId: clock.Boot[:],
		Clock: u.agentClock(clock), Machines: machines, JournalBytes: uint64(u.j.Bytes()),
	}
	payload, err := proto.Marshal(st)
	if err != nil {
		// A string that is not UTF-8: without the machines' words it goes.
		st.Machines = nil
		payload, _ = proto.Marshal(st)
		u.o.Log.Warn("live view without machines", "error", err)
	}
	if !c.send(message{topic: wire.State(u.o.Site, u.o.Agent), payload: payload, retain: true}) {
		return now.Add(stateAtMost)
	}
	u.stateSent, u.stateDigest = now, digest
	return now.Add(stateAtMost)
}

func stateDigest(machines []*wirepb.MachineLive) []byte {
	h := sha256.New()
	for _, m := range machines {
		b, _ := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		h.Write(b)
	}
	return h.Sum(nil)
}

// machines is the newest look at each machine, with how its stream stands.
func (u *Uplink) machines() []*wirepb.MachineLive {
	var list []*wirepb.MachineLive
	byMachine := map[string]*wirepb.MachineLive{}
	if u.o.Live != nil {
		for _, m := range u.o.Live() {
			m = proto.CloneOf(m)
			byMachine[m.GetMachine()] = m
			list = append(list, m)
		}
	}
	for _, s := range u.streams {
		m := byMachine[s.ch.Machine()]
		if m == nil {
			if u.o.Live != nil && s.problem == "" {
				continue // a machine of the past that has nothing to tell
			}
			m = &wirepb.MachineLive{Machine: s.ch.Machine()}
			list = append(list, m)
		}
		id := s.ch.StreamID()
		m.StreamId, m.HeadSeq, m.AckedSeq = id[:], s.ch.Head(), s.acked
		switch {
		case s.problem != "" && m.Problem != "":
			m.Problem += "; " + s.problem
		case s.problem != "":
			m.Problem = s.problem
		}
	}
	return list[:min(len(list), wire.MaxMachines)]
}

// offlineState is the will, and with the machines the last word of a clean
// end.
func (u *Uplink) offlineState() *wirepb.AgentState {
	run := u.j.RunID()
	return &wirepb.AgentState{SessionNo: u.session, RunId: run[:], Version: u.o.Version}
}
