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

func TestOffsetKeepsTheBestMeasurement(t *testing.T) {
	var o offset
	tests := []struct {
		name                           string
		sent, received, answered, back int64
		wantAdd, wantHalf              time.Duration
	}{
		{"first", 1000, 501_000, 501_000, 1200, 499_900, 100},
		{"slower is left", 2000, 502_600, 502_600, 3000, 499_900, 100},
		{"quicker is taken", 4000, 504_050, 504_060, 4100, 500_005, 45},
		{"clock of the server went back", 5000, 505_050, 505_000, 5010, 500_005, 45},
		{"no echo", 0, 505_050, 505_060, 5010, 500_005, 45},
	}
	for _, tt := range tests {
		o.measure(tt.sent, tt.received, tt.answered, tt.back)
		if add, half, _ := o.get(0); add != tt.wantAdd || half != tt.wantHalf {
			t.Errorf("%s: %d ± %d, want %d ± %d", tt.name, add, half, tt.wantAdd, tt.wantHalf)
		}
	}
}

// Whatever comes from the server's side of the broker, the sender neither
// panics nor takes an acknowledgement beyond its head.
func FuzzReceive(f *testing.F) {
	j, _, err := journal.Open(f.TempDir(), journal.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { j.Close() })
	c, err := j.Channel("m01")
	if err != nil {
		f.Fatal(err)
	}
	if err := c.Append(nil, &wirepb.Record{}, &wirepb.Record{}); err != nil {
		f.Fatal(err)
	}
	if err := j.Sync(); err != nil {
		f.Fatal(err)
	}
	id := c.StreamID()
	for v := range wirepb.Verdict(7) {
		b, err := proto.Marshal(&wirepb.Acks{Acks: []*wirepb.Ack{{StreamId: id[:], AckedSeq: uint64(v), Verdict: v, Credit: 1 << 31, EchoBoottimeNs: 5, DbIncarnation: make([]byte, 16)}}})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		u := New(j, Options{Site: "mill", Agent: "agent-1", Log: slog.New(slog.DiscardHandler)})
		now := Now{At: time.Unix(1_900_000_000, 0), Clock: source.Instant{Boot: [16]byte{5}, Boottime: 10}}
		u.Step(now, func(Message) bool { return true }, false)
		u.Receive(now, Message{Topic: wire.Ack("mill", "agent-1"), Payload: b, At: 10})
		if s := u.streams[0]; s.acked > c.Head() || c.Acked() > c.Head() || s.next > c.Head()+1 || s.credit < 0 {
			t.Errorf("acked %d, next %d, credit %d with head %d", s.acked, s.next, s.credit, c.Head())
		}
	})
}
