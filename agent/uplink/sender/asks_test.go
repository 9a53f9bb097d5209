package sender

import (
	"log/slog"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// A machine without a state is asked for each second until it is answered, but
// not while its own records may be on the way.
func TestAsksOnceTheStreamIsDrained(t *testing.T) {
	j, _, err := journal.Open(t.TempDir(), journal.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	fresh, err := j.Channel("m01")
	if err != nil {
		t.Fatal(err)
	}
	full, err := j.Channel("m02")
	if err != nil {
		t.Fatal(err)
	}
	if err := full.Append(nil, &wirepb.Record{}); err != nil {
		t.Fatal(err)
	}
	if err := j.Sync(); err != nil {
		t.Fatal(err)
	}
	asking := []Question{{Machine: "m01"}, {Machine: "m02"}, {Machine: "m03"}}
	var told []*wirepb.Absence
	var got []*wirepb.Resume
	var when source.Instant
	u := New(j, Options{Site: "mill", Agent: "a1", Log: slog.New(slog.DiscardHandler), Asking: func() []Question { return asking },
		Resumed: func(r *wirepb.Resume, at source.Instant) { got, when = append(got, r), at },
		Absent:  func(a *wirepb.Absence, at source.Instant) { told, when = append(told, a), at }})
	now := Now{At: time.Unix(1000, 0), Clock: source.Instant{Boot: [16]byte{1}, Boottime: 5e9, Wall: 1000e9}}
	var absences []*wirepb.AbsenceRequest
	step := func() (asks []*wirepb.ResumeRequest, states int) {
		u.Step(now, func(m Message) bool {
			if m.Topic == wire.State("mill", "a1") {
				st := new(wirepb.AgentState)
				if err := proto.Unmarshal(m.Payload, st); err != nil {
					t.Error(err)
				}
				asks, absences, states = st.GetResumes(), st.GetAbsences(), states+1
			}
			return true
		}, false)
		now.At, now.Clock.Boottime, now.Clock.Wall = now.At.Add(time.Second), now.Clock.Boottime+1e9, now.Clock.Wall+1e9
		return asks, states
	}
	u.findStreams()
	for range 3 {
		asks, states := step()
		if id := fresh.StreamID(); states != 1 || len(asks) != 1 || asks[0].GetMachine() != "m01" || string(asks[0].GetStreamId()) != string(id[:]) || asks[0].GetHeadSeq() != 0 {
			t.Fatalf("%d states, asks %v", states, asks)
		}
	}
	fullID := full.StreamID()
	ack, err := proto.Marshal(&wirepb.Acks{Acks: []*wirepb.Ack{{StreamId: fullID[:], AckedSeq: 1, Verdict: wirepb.Verdict_VERDICT_OK, Credit: 4, DbIncarnation: make([]byte, 16)}}})
	if err != nil {
		t.Fatal(err)
	}
	u.Receive(now, Message{Topic: wire.Ack("mill", "a1"), Payload: ack})
	if asks, _ := step(); len(asks) != 2 || asks[1].GetHeadSeq() != 1 {
		t.Errorf("drained: asks %v", asks)
	}
	id := fresh.StreamID()
	word := func(stream []byte) {
		p, err := proto.Marshal(&wirepb.Command{Resumes: []*wirepb.Resume{{Machine: "m01", StreamId: stream, Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_NOTHING}}})
		if err != nil {
			t.Fatal(err)
		}
		u.Receive(now, Message{Topic: wire.Cmd("mill", "a1"), Payload: p, At: now.Clock.Boottime - 7})
	}
	word(make([]byte, 16)) // to a journal of before
	if len(got) != 0 {
		t.Errorf("an answer to another stream was taken: %v", got)
	}
	word(id[:])
	if len(got) != 1 || when.Boottime != now.Clock.Boottime-7 || when.Wall != now.Clock.Wall-7 {
		t.Errorf("%v at %+v", got, when)
	}
	// How long the box was off may be asked while records are on their way.
	if err := full.Append(nil, &wirepb.Record{}); err != nil {
		t.Fatal(err)
	}
	asking = []Question{{Machine: "m02", Since: 5}}
	if asks, states := step(); states != 1 || len(asks) != 0 || len(absences) != 1 || absences[0].GetMachine() != "m02" || absences[0].GetSinceNs() != 5 || string(absences[0].GetStreamId()) != string(fullID[:]) {
		t.Errorf("%d states, asks %v and %v", states, asks, absences)
	}
	for _, stream := range [][]byte{make([]byte, 16), fullID[:]} {
		p, err := proto.Marshal(&wirepb.Command{Absences: []*wirepb.Absence{{Machine: "m02", StreamId: stream, SinceNs: 5, AgeNs: 9}}})
		if err != nil {
			t.Fatal(err)
		}
		u.Receive(now, Message{Topic: wire.Cmd("mill", "a1"), Payload: p, At: now.Clock.Boottime - 3})
	}
	if len(told) != 1 || told[0].GetAgeNs() != 9 || when.Boottime != now.Clock.Boottime-3 {
		t.Errorf("told %v at %+v", told, when)
	}
	asking = nil
	if asks, states := step(); len(asks) != 0 || states > 1 {
		t.Errorf("nobody asks: %v", asks)
	}
}
