package host

import (
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// A box that asks how long ago an instant was is told by the server's clock.
func TestAbsenceIsTold(t *testing.T) {
	now := time.Date(2030, 5, 6, 7, 8, 9, 0, time.UTC)
	h, _ := serve(t, config(t), Options{Now: func() time.Time { return now }})
	a := join(t, h, "u-01")
	told := make(chan *wirepb.Command, 16)
	a.AddRoute(wire.Cmd("demo", "u-01"), func(_ paho.Client, m paho.Message) {
		c, err := wire.DecodeCommand(m.Payload())
		if err != nil {
			t.Error(err)
		}
		told <- c
	})
	stream := make([]byte, wire.IDLen)
	stream[0] = 7
	ask := func(machine string, stream []byte, since time.Time) *wirepb.AbsenceRequest {
		return &wirepb.AbsenceRequest{Machine: machine, StreamId: stream, SinceNs: since.UnixNano()}
	}
	state, err := proto.Marshal(&wirepb.AgentState{SessionNo: 1, Online: true, Absences: []*wirepb.AbsenceRequest{
		ask("No Id", stream, now), ask("k02", stream[:3], now), ask("k01", stream, now.Add(-90*time.Second)),
	}})
	if err != nil {
		t.Fatal(err)
	}
	a.wait(a.Publish(wire.State("demo", "u-01"), 1, true, state))
	select {
	case c := <-told:
		x := c.GetAbsences()
		if len(x) != 1 || x[0].GetMachine() != "k01" || string(x[0].GetStreamId()) != string(stream) || x[0].GetSinceNs() != now.Add(-90*time.Second).UnixNano() ||
			time.Duration(x[0].GetAgeNs()) != 90*time.Second || x[0].GetLongerAgoNs() != 0 {
			t.Errorf("told %v", c)
		}
	case <-time.After(patience):
		t.Error("not answered")
	}
}
