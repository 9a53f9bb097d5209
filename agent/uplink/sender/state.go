package sender

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// publishState sends the live view when it is due and returns when to look
// again.
func (u *Sender) publishState(now Now, send func(Message) bool) time.Time {
	if at := u.stateSent.Add(stateAtMost); !u.stateSent.IsZero() && now.At.Before(at) {
		return at
	}
	machines := u.machines()
	digest := stateDigest(machines)
	resumes, absences := u.asks()
	if len(resumes)+len(absences) == 0 && now.At.Sub(u.stateSent) < stateEvery && bytes.Equal(digest, u.stateDigest) {
		return now.At.Add(stateAtMost)
	}
	run := u.j.RunID()
	st := &wirepb.AgentState{
		SessionNo: u.session, Online: true, RunId: run[:], Version: u.o.Version, BootId: now.Clock.Boot[:],
		Clock: u.agentClock(now.Clock), Machines: machines, JournalBytes: uint64(u.j.Bytes()),
		Resumes: resumes, Absences: absences,
	}
	payload, err := proto.Marshal(st)
	if err != nil {
		// A string that is not UTF-8: without the machines' words it goes.
		st.Machines = nil
		payload, _ = proto.Marshal(st)
		u.o.Log.Warn("live view without machines", "error", err)
	}
	if !send(u.stateMessage(payload)) {
		return now.At.Add(stateAtMost)
	}
	u.stateSent, u.stateDigest = now.At, digest
	return now.At.Add(stateAtMost)
}

func stateDigest(machines []*wirepb.MachineLive) []byte {
	h := sha256.New()
	for _, m := range machines {
		b, _ := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		h.Write(b)
	}
	return h.Sum(nil)
}

// asks are the questions to the server. A machine whose stream still holds
// records that the server may not have waits with that for its counter: the
// newest reading may be among them.
func (u *Sender) asks() (resumes []*wirepb.ResumeRequest, absences []*wirepb.AbsenceRequest) {
	for _, q := range u.o.Asking() {
		for _, s := range u.streams {
			if s.ch.Machine() != q.Machine || s.frozen != "" || len(resumes)+len(absences) == wire.MaxMachines {
				continue
			}
			id := s.ch.StreamID()
			switch {
			case q.Since != 0:
				absences = append(absences, &wirepb.AbsenceRequest{Machine: q.Machine, StreamId: id[:], SinceNs: q.Since})
			case s.acked >= s.ch.Head():
				resumes = append(resumes, &wirepb.ResumeRequest{Machine: q.Machine, StreamId: id[:], HeadSeq: s.ch.Head()})
			}
		}
	}
	return resumes, absences
}

// commanded takes a command of the server.
func (u *Sender) commanded(now Now, m Message) {
	c, err := wire.DecodeCommand(m.Payload)
	if err != nil {
		u.o.Log.Warn("command of the server not read", "bytes", len(m.Payload), "error", err)
		return
	}
	at := now.Clock
	if m.At > 0 && m.At < at.Boottime {
		at.Wall, at.Boottime = at.Wall-(at.Boottime-m.At), m.At
	}
	// An answer to an older journal of this agent is none.
	ours := func(stream []byte, machine string) bool {
		s := u.byID[[16]byte(stream)]
		return s != nil && s.ch.Machine() == machine
	}
	for _, r := range c.GetResumes() {
		if ours(r.GetStreamId(), r.GetMachine()) {
			u.o.Resumed(r, at)
		}
	}
	for _, a := range c.GetAbsences() {
		if ours(a.GetStreamId(), a.GetMachine()) {
			u.o.Absent(a, at)
		}
	}
}

// machines is the newest look at each machine, with how its stream stands.
func (u *Sender) machines() []*wirepb.MachineLive {
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
		for _, problem := range []string{u.unspoken, s.problem} {
			if problem != "" && m.Problem != "" {
				problem = "; " + problem
			}
			m.Problem += problem
		}
	}
	return list[:min(len(list), wire.MaxMachines)]
}

// Will is what the broker publishes when the connection ends without a
// goodbye.
func (u *Sender) Will() Message { return u.offline(nil) }

// Goodbye is the last word of a clean end: unlike the will it knows how the
// streams stand.
func (u *Sender) Goodbye() Message { return u.offline(u.machines()) }

func (u *Sender) offline(machines []*wirepb.MachineLive) Message {
	run := u.j.RunID()
	st := &wirepb.AgentState{SessionNo: u.session, RunId: run[:], Version: u.o.Version, Machines: machines}
	payload, err := proto.Marshal(st)
	if err != nil { // a string that is not UTF-8
		st.Version, st.Machines = "", nil
		payload, _ = proto.Marshal(st)
	}
	return u.stateMessage(payload)
}

func (u *Sender) stateMessage(payload []byte) Message {
	return Message{Topic: wire.State(u.o.Site, u.o.Agent), Payload: payload, Retain: true}
}

// heardServer takes the server's retained state. A server that accepts no major
// version of this agent answers nothing: the agent keeps everything, goes on
// asking, and says what to do. A server that names no version is one of before.
func (u *Sender) heardServer(payload []byte) {
	st := new(wirepb.ServerState)
	if len(payload) == 0 || len(payload) > wire.MaxPacketBytes {
		return
	}
	if err := proto.Unmarshal(payload, st); err != nil {
		u.o.Log.Warn("state of the server not read", "bytes", len(payload), "error", err)
		return
	}
	majors := st.GetAcceptedMajors()
	if !st.GetOnline() && len(majors) == 0 {
		return
	}
	was := u.unspoken
	u.unspoken = ""
	if len(majors) > 0 && !slices.Contains(majors, wire.Major) {
		u.unspoken = fmt.Sprintf("server accepts messages of version %v, this agent speaks version %d: bring the older of the two up to date; everything is kept", majors[:min(len(majors), 8)], wire.Major)
	}
	switch {
	case u.unspoken != "" && was == "":
		u.o.Log.Error("server and agent have no version of their messages in common; everything is kept and sent when one of them is brought up to date",
			"server_accepts", majors[:min(len(majors), 8)], "agent_speaks", wire.Major)
	case u.unspoken == "" && was != "":
		u.o.Log.Info("server understands this agent again", "agent_speaks", wire.Major)
	}
}
