package journal

import (
	"encoding/binary"
	"testing"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// knitter is a machine that knits, stops and tells its journal about it, and
// remembers the truth.
type knitter struct {
	id    string
	now   int64 // ns
	count uint64
	stops [][16]byte // begun and ended, as accepted
	open  bool

	told    uint64 // up to which counts are told
	toldAt  int64
	steps   int
	records uint64
	refused int
}

const knitterBoot = 1

func (k *knitter) stamp(kind any) *wirepb.Record {
	r := &wirepb.Record{Boot: knitterBoot, BoottimeNs: k.now, WallNs: 1_700_000_000e9 + k.now, Clock: wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED}
	switch x := kind.(type) {
	case *wirepb.CountSpan:
		r.Kind = &wirepb.Record_CountSpan{CountSpan: x}
	case *wirepb.StopBegin:
		r.Kind = &wirepb.Record_StopBegin{StopBegin: x}
	case *wirepb.StopEnd:
		r.Kind = &wirepb.Record_StopEnd{StopEnd: x}
	}
	return r
}

// step lets ten seconds pass. every is how many steps lie between two stops.
func (k *knitter) step(c *Channel, every int) error {
	k.steps++
	k.now += 10e9
	k.count += uint64(3 + k.steps%4)
	recs := k.span()
	var id [16]byte
	copy(id[:], k.id)
	begins, ends := !k.open && k.steps%every == 0, k.open
	switch {
	case begins:
		binary.BigEndian.PutUint64(id[8:], uint64(len(k.stops)+1))
		recs = append(recs, k.stamp(&wirepb.StopBegin{StopId: id[:], Source: wirepb.StopSource_STOP_SOURCE_INPUT, Cause: "yarn", At: k.count}))
	case ends:
		id = k.stops[len(k.stops)-1]
		recs = append(recs, k.stamp(&wirepb.StopEnd{StopId: id[:], At: k.count}))
	}
	if err := c.Append(k.state(), recs...); err != nil {
		k.refused++
		return err
	}
	k.records += uint64(len(recs))
	k.told, k.toldAt = k.count, k.now
	if begins {
		k.stops, k.open = append(k.stops, id), true
	} else if ends {
		k.open = false
	}
	return nil
}

// span tells the counts that are not told yet.
func (k *knitter) span() []*wirepb.Record {
	life := append([]byte("life of machine "), k.id...)[:16]
	return []*wirepb.Record{k.stamp(&wirepb.CountSpan{LifeId: life, From: k.told, To: k.count, RawTo: k.count, RawBits: 32, FromBoottimeNs: k.toldAt, Quality: wirepb.CountQuality_COUNT_QUALITY_SURE})}
}

// state is as long as that of a real machine.
func (k *knitter) state() []byte {
	b := make([]byte, 130)
	binary.BigEndian.PutUint64(b, k.count)
	binary.BigEndian.PutUint64(b[8:], uint64(k.now))
	return b
}

// resume goes on where the state says, as an agent does after a restart.
func (k *knitter) resume(t testing.TB, c *Channel) {
	t.Helper()
	b := c.State()
	if len(b) != 130 {
		t.Fatalf("machine %s: state of %d bytes after the restart", k.id, len(b))
	}
	k.told, k.toldAt = binary.BigEndian.Uint64(b), int64(binary.BigEndian.Uint64(b[8:]))
}

// heard is what a server makes of records: the hull of the spans and the stops.
type heard struct {
	from, to    uint64
	began       map[string]bool
	ended       map[string]bool
	records     int
	coarse      int
	tombstones  int
	runningTime int64
}

func hear(t testing.TB, c *Channel, from uint64) heard {
	t.Helper()
	h := heard{from: 1 << 63, began: map[string]bool{}, ended: map[string]bool{}}
	for _, s := range readFrom(t, c, from) {
		r := new(wirepb.Record)
		if err := proto.Unmarshal(s.GetBody(), r); err != nil {
			t.Fatal(err)
		}
		h.records++
		if s.GetCoarse() {
			h.coarse++
		}
		switch x := r.GetKind().(type) {
		case *wirepb.Record_CountSpan:
			h.from, h.to = min(h.from, x.CountSpan.GetFrom()), max(h.to, x.CountSpan.GetTo())
			h.runningTime += r.GetBoottimeNs() - x.CountSpan.GetFromBoottimeNs()
		case *wirepb.Record_StopBegin:
			h.began[string(x.StopBegin.GetStopId())] = true
		case *wirepb.Record_StopEnd:
			h.ended[string(x.StopEnd.GetStopId())] = true
		case *wirepb.Record_Tombstone:
			h.tombstones++
			if !s.GetCoarse() {
				t.Errorf("tombstone %d of %s is not marked coarse", r.GetSeq(), c.Machine())
			}
		}
	}
	return h
}

// agrees compares what was heard with the truth.
func (k *knitter) agrees(t testing.TB, h heard, what string) {
	t.Helper()
	if h.from != 0 || h.to != k.told {
		t.Errorf("%s: machine %s: counts %d to %d, want 0 to %d", what, k.id, h.from, h.to, k.told)
	}
	if h.runningTime != k.toldAt {
		t.Errorf("%s: machine %s: spans over %d s, want %d", what, k.id, h.runningTime/1e9, k.toldAt/1e9)
	}
	for i, id := range k.stops {
		if !h.began[string(id[:])] {
			t.Errorf("%s: machine %s: stop %d of %d is missing", what, k.id, i+1, len(k.stops))
		}
		if last := i == len(k.stops)-1; !h.ended[string(id[:])] && !(last && k.open) {
			t.Errorf("%s: machine %s: end of stop %d of %d is missing", what, k.id, i+1, len(k.stops))
		}
	}
	if len(h.began) != len(k.stops) {
		t.Errorf("%s: machine %s: %d stops, want %d", what, k.id, len(h.began), len(k.stops))
	}
}

// agreesWithRow counts what waits in the tail row as well.
func (k *knitter) agreesWithRow(t testing.TB, j *Journal, c *Channel, what string) {
	t.Helper()
	h := hear(t, c, 1)
	for _, r := range c.held {
		if x := r.GetCountSpan(); x != nil {
			h.from, h.to = min(h.from, x.GetFrom()), max(h.to, x.GetTo())
			h.runningTime += r.GetBoottimeNs() - x.GetFromBoottimeNs()
		}
		if x := r.GetStopBegin(); x != nil {
			h.began[string(x.GetStopId())] = true
		}
		if x := r.GetStopEnd(); x != nil {
			h.ended[string(x.GetStopId())] = true
		}
	}
	k.agrees(t, h, what)
}

// checkJournal looks at the invariants as far as a journal can see them: every
// number of a stream from the oldest held to the newest reads as exactly one
// record that checks (I2), a merged record is marked, the newest state is
// there where a record is (I1), and no record that is not coarse has another
// check sum than before (I3, over the life of the test).
func checkJournal(t testing.TB, j *Journal) {
	t.Helper()
	j.mu.Lock()
	closed := j.closed
	j.mu.Unlock()
	if closed {
		return
	}
	for _, c := range j.Channels() {
		j.mu.Lock()
		base, head := j.segments[0].beforeSlot(c.slot)+1, c.durable
		if base-1 > c.acked && !j.segments[0].vague {
			t.Errorf("I2: machine %s is held from %d on, %d is acknowledged", c.machine, base, c.acked)
		}
		if c.appended > 0 && c.state == nil && c.memory != MemoryLost {
			t.Errorf("I1: machine %s has %d records and no state", c.machine, c.appended)
		}
		if c.durable > c.appended || c.acked > c.durable {
			t.Errorf("machine %s: appended %d, durable %d, acknowledged %d", c.machine, c.appended, c.durable, c.acked)
		}
		j.mu.Unlock()
		id := c.StreamID()
		for next := base; next <= head; {
			recs, _, err := c.Read(next, wire.MaxRecords, wire.MaxBatchBytes)
			if err != nil || len(recs) == 0 {
				t.Errorf("I2: machine %s: Read(%d) of %d gives %d records, %v", c.machine, next, head, len(recs), err)
				break
			}
			for _, s := range recs {
				if wire.RecordCRC(id[:], next, s.GetBody()) != s.GetCrc32C() {
					t.Errorf("machine %s: record %d does not check", c.machine, next)
				}
				if !s.GetCoarse() {
					sameBytes(t, id, next, s.GetCrc32C())
				}
				next++
			}
		}
	}
}

type streamSeq struct {
	test string
	id   [16]byte
	seq  uint64
}

var seenRecords = map[streamSeq]uint32{} // tests of this package are not parallel

func sameBytes(t testing.TB, id [16]byte, seq uint64, crc uint32) {
	t.Helper()
	k := streamSeq{t.Name(), id, seq}
	if was, seen := seenRecords[k]; seen && was != crc {
		t.Errorf("I3: record %d of stream %x had check sum %08x and now has %08x", seq, id[:4], was, crc)
	}
	seenRecords[k] = crc
}
