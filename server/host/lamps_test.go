package host

import (
	"encoding/json"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/calls"
)

// lamp is a real MQTT client that reads one topic.
func lamp(t *testing.T, h *Host, id, topic string) (heard chan lampMessage, granted bool) {
	t.Helper()
	heard = make(chan lampMessage, 64)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + h.Addrs().MQTT).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false))
	wait := func(tok paho.Token) {
		t.Helper()
		if !tok.WaitTimeout(patience) {
			t.Fatalf("lamp %s: no answer within %s", id, patience)
		}
	}
	tok := c.Connect()
	if wait(tok); tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	sub := c.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) {
		var l lampMessage
		if err := json.Unmarshal(m.Payload(), &l); err != nil || len(m.Payload()) > 200 || m.Topic() != topic {
			t.Errorf("on %s: %q, %v", m.Topic(), m.Payload(), err)
		}
		heard <- l
	})
	wait(sub)
	return heard, sub.(*paho.SubscribeToken).Result()[topic] < 0x80
}

// next waits for a message of a state.
func next(t *testing.T, heard chan lampMessage, state string) lampMessage {
	t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case l := <-heard:
			if l.Version != 1 {
				t.Errorf("version %d", l.Version)
			}
			if l.Lamp == state {
				return l
			}
		case <-deadline:
			t.Fatalf("the lamp was not told %q within %s", state, patience)
		}
	}
}

// A lamp of a hall is dark, shows an alarm that nobody has seen, is dark again
// when somebody has, says no word in between, and ends in not knowing.
func TestTowerLamp(t *testing.T) {
	const base = "turnwise/v1/demo/lamp"
	c := config(t)
	c.Push.TowerLampTopic = base
	h, end := serve(t, c, Options{})
	conn := call(t, h)
	book := &pb.Book{
		Machines:    []*pb.BookMachine{{Id: "k01", Area: "Hall 1", FeederCount: 100, Set: "A"}, {Id: "k02", Area: "Hall 2", FeederCount: 100, Set: "B"}},
		Yarns:       []*pb.BookYarn{{Id: "y", Count: "20 tex", ConeNetKg: 2}},
		Lots:        []*pb.BookLot{{Id: "L-1", Yarn: "y", StoreKg: 900}, {Id: "L-2", Yarn: "y", StoreKg: 900}},
		Articles:    []*pb.BookArticle{{Id: "SJ", RollKg: 25}},
		Cards:       []*pb.BookCard{{Id: "sj", Article: "SJ", Machine: "k01", SpeedRpm: 28, Feeds: []*pb.BookFeedGroup{{Id: "ground", Yarn: "y", Lot: "L-1", FeederCount: 100, CourseLengthM: 5}}}},
		Orders:      []*pb.BookOrder{{Id: "SO-1", Article: "SJ", QuantityKg: 3000}},
		Assignments: []*pb.BookAssignment{{Machine: "k01", FromTime: timestamppb.New(time.Now().Add(-time.Hour)), Order: "SO-1", Card: "sj"}},
	}
	if _, err := pb.NewBookServiceClient(conn).ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: book}); err != nil {
		t.Fatal(err)
	}
	hall, ok := lamp(t, h, "lamp-hall-1", base+"/hall-1")
	other, ok2 := lamp(t, h, "lamp-k02", base+"/k02")
	if !ok || !ok2 {
		t.Fatal("a lamp may not read its own topic")
	}
	if _, ok := lamp(t, h, "lamp-k01", base+"/hall-1"); ok {
		t.Error("a lamp may read the topic of another one")
	}
	if _, ok := lamp(t, h, "u-01", base+"/hall-1"); ok {
		t.Error("an agent may read the topic of a lamp")
	}
	next(t, hall, calls.LampDark)
	next(t, other, calls.LampDark)

	if _, err := pb.NewCreelServiceClient(conn).LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "k01", Lot: "L-2"}); err == nil {
		t.Fatal("another lot was taken")
	}
	l := next(t, hall, calls.LampAlarm)
	if l.Alarms != 1 || l.Since == nil || time.Since(*l.Since) > time.Minute {
		t.Errorf("the alarm: %+v", l)
	}
	// A lamp that comes later hears it too: the state is retained.
	late, _ := lamp(t, h, "lamp-k01", base+"/k01")
	next(t, late, calls.LampAlarm)
	if _, err := pb.NewAlarmServiceClient(conn).AcknowledgeAlarm(t.Context(), &pb.AcknowledgeAlarmRequest{Name: "alarms/other-lot-k01-ground", RequestId: "1"}); err != nil {
		t.Fatal(err)
	}
	if l := next(t, hall, calls.LampDark); l.Alarms != 0 || l.Since != nil {
		t.Errorf("seen: %+v", l)
	}
	if n := len(hall) + len(other); n != 0 {
		t.Errorf("%d messages while nothing changed", n)
	}
	end()
	next(t, hall, calls.LampUnknown)
	next(t, other, calls.LampUnknown)
}

// Without a topic in the configuration nothing is told to anybody.
func TestNoTowerLamp(t *testing.T) {
	h, _ := serve(t, config(t), Options{})
	if _, ok := lamp(t, h, "lamp-k01", "turnwise/v1/demo/lamp/k01"); ok {
		t.Error("a lamp may read where there are none")
	}
}
