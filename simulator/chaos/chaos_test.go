package chaos

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/simulator/machine"
)

// TestFewCycles runs real processes under faults that end programs, lines and
// journals, and both controls.
func TestFewCycles(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs agents and a server for about 20 seconds")
	}
	r, err := Run(t.Context(), Options{Cycles: 3, Seed: 4, Settle: 60 * time.Second, Told: func(s string) { t.Log(s) },
		Faults: []string{"kill agent", "kill server", "end agent", "end server", "line delayed", "counter read wrong once"}})
	if err != nil {
		t.Fatal(err)
	}
	if !r.OK() {
		t.Errorf("found %+v, want nothing lost, doubled or contradicted, and both controls caught", r)
	}
	n := 0
	for _, v := range r.Faults {
		n += v
	}
	if r.Cycles != 3 || n < 3 || r.Turns < 20 || r.StopsStored == 0 {
		t.Errorf("%d cycles, %d faults, %d turns, %d stops: too little happened to find anything", r.Cycles, n, r.Turns, r.StopsStored)
	}
}

func TestUnknownFault(t *testing.T) {
	if _, err := Run(t.Context(), Options{Faults: []string{"bad luck"}}); err == nil {
		t.Error("a fault that nobody knows was taken")
	}
}

// TestCountable: what can be counted, from what was looked at.
func TestCountable(t *testing.T) {
	const s = time.Second
	see := func(gen, from, to, input int, raw int64) sight {
		return sight{gen: gen, from: time.Duration(from) * s, to: time.Duration(to) * s, calls: 20, input: input, first: raw, last: raw}
	}
	glance := func(v sight) sight { v.calls = 1; return v }
	moved := func(v sight) sight { v.last++; return v }
	old, fresh := &generation{}, &generation{fresh: true}
	tests := []struct {
		name   string
		sights []sight
		gens   map[int]*generation
		want   span
	}{
		{"nothing", nil, nil, span{0, 0}},
		{"one stop", []sight{see(1, 0, 2, none, 5), see(1, 2, 4, 1, 9), see(1, 4, 6, none, 9)}, nil, span{1, 1}},
		{"one input after the other", []sight{see(1, 0, 2, 0, 5), see(1, 2, 4, 1, 5)}, nil, span{2, 2}},
		{"seen once only", []sight{see(1, 0, 2, none, 5), glance(see(1, 2, 2, 1, 9)), see(1, 4, 6, none, 9)}, nil, span{0, 1}},
		{"goes on through a hole", []sight{see(1, 0, 2, 0, 5), see(2, 4, 6, 0, 5)}, map[int]*generation{1: old, 2: old}, span{1, 1}},
		{"the counter moved in the hole", []sight{see(1, 0, 2, 0, 5), see(2, 4, 6, 0, 7)}, map[int]*generation{1: old, 2: old}, span{2, 2}},
		{"the counter jumped before the hole", []sight{moved(see(1, 0, 2, 0, 5)), see(2, 4, 6, 0, 6)}, map[int]*generation{1: old, 2: old}, span{1, 2}},
		{"a new journal knows no stop", []sight{see(1, 0, 2, 0, 5), see(2, 4, 6, 0, 5)}, map[int]*generation{1: old, 2: fresh}, span{2, 2}},
		{"begun where it may not be kept", []sight{see(1, 0, 2, none, 5), see(1, 3, 4, 0, 5), see(2, 6, 8, none, 5)},
			map[int]*generation{1: {doubt: []window{{3 * s, 4 * s}}}, 2: old}, span{0, 1}},
		{"begun in doubt, still on after it", []sight{see(1, 0, 2, none, 5), see(1, 3, 4, 0, 5), see(2, 6, 8, 0, 5)},
			map[int]*generation{1: {doubt: []window{{3 * s, 4 * s}}}, 2: old}, span{1, 1}},
		{"ended in doubt, another on after it", []sight{see(1, 0, 2, 0, 5), see(1, 3, 4, none, 5), see(2, 6, 8, 1, 5)},
			map[int]*generation{1: {doubt: []window{{3 * s, 4 * s}}}, 2: old}, span{1, 2}},
	}
	for _, tt := range tests {
		if got := countable(tt.sights, tt.gens); got != tt.want {
			t.Errorf("%s: %+v, want %+v", tt.name, got, tt.want)
		}
	}
}

// TestLedgerKnowsFirst: a turn is in the ledger before it is shown, and jumps
// that nobody could ever tell from turning are not made.
func TestLedgerKnowsFirst(t *testing.T) {
	c := newCylinder("k01", machine.U16, 65_535)
	c.hold = false
	if got := c.look(false).Turns; got != 65_535 {
		t.Errorf("shows %d, want 65535", got)
	}
	c.turn()
	if got := c.look(false).Turns; got != 0 || c.turns != 1 || c.wraps != 1 {
		t.Errorf("shows %d after %d turns and %d wraps, want 0, 1, 1", got, c.turns, c.wraps)
	}
	if c.jump("preset", 100) {
		t.Error("jumped by 100 counts, which turning can explain")
	}
	if !c.jump("preset", 20_000) || c.look(false).Turns != 20_000 || c.turns != 1 {
		t.Errorf("shows %d after %d turns, want 20000 after 1", c.look(false).Turns, c.turns)
	}
	if c.jump("reset", 0) {
		t.Error("jumped again before anybody can have believed the first jump")
	}
	if n := c.excusable(); n < 1 {
		t.Errorf("a jump excuses %d counts, want some", n)
	}
}

// TestForge: the controls change what is counted and nothing else.
func TestForge(t *testing.T) {
	stream := make([]byte, wire.IDLen)
	record := &wirepb.Record{Seq: 1, Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: stream, From: 100, To: 120}}}
	sealed, err := wire.Seal(stream, record)
	if err != nil {
		t.Fatal(err)
	}
	b := &wirepb.Batch{StreamId: stream, RunId: stream, FirstSeq: 1, HeadSeq: 1, Records: []*wirepb.SealedRecord{sealed}, Clock: &wirepb.AgentClock{}}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	topic := wire.Up(site, "u-01", "k01")
	packet := append(append([]byte{0, byte(len(topic))}, topic...), 0, 7) // packet id 7
	head := len(packet)
	packet = append(packet, payload...)
	for _, tt := range []struct {
		move     func(uint64) uint64
		from, to uint64
	}{{lossy, 90, 108}, {doubling, 200, 240}} {
		out, ok := forge(packet, tt.move)
		if !ok || !slices.Equal(out[:head], packet[:head]) {
			t.Fatalf("not forged, or topic and packet id changed: %t", ok)
		}
		got, err := wire.DecodeBatch(out[head:])
		if err != nil {
			t.Fatal(err)
		}
		r := new(wirepb.Record)
		if err := proto.Unmarshal(got.GetRecords()[0].GetBody(), r); err != nil {
			t.Fatal(err)
		}
		if s := r.GetCountSpan(); s.GetFrom() != tt.from || s.GetTo() != tt.to {
			t.Errorf("span (%d, %d], want (%d, %d]", s.GetFrom(), s.GetTo(), tt.from, tt.to)
		}
	}
	if _, ok := forge([]byte{0, 3, 'a', '/', 'b', 0, 1}, lossy); ok {
		t.Error("a topic that is not ours was forged")
	}
}

// TestFrame: remaining lengths of one, two and three bytes [MQTT-2.2.3].
func TestFrame(t *testing.T) {
	for n, head := range map[int][]byte{0: {0x30, 0}, 127: {0x30, 0x7f}, 128: {0x30, 0x80, 1}, 16_383: {0x30, 0xff, 0x7f}, 16_384: {0x30, 0x80, 0x80, 1}} {
		if got := frame(0x30, make([]byte, n)); len(got) != len(head)+n || !slices.Equal(got[:len(head)], head) {
			t.Errorf("%d bytes begin with % x, want % x", n, got[:len(head)], head)
		}
	}
}
