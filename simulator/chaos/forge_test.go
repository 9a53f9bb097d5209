package chaos

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// TestForger: one turn and one stop go missing or come twice, again and again
// in the same way, and nothing else changes.
func TestForger(t *testing.T) {
	id := func(n byte) []byte { return append(make([]byte, wire.IDLen-1), n) }
	span := func(from, to uint64) *wirepb.Record {
		return &wirepb.Record{Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: id(1), From: from, To: to}}}
	}
	begin := func(n byte) *wirepb.Record {
		return &wirepb.Record{Kind: &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: id(n), Cause: "yarn", Source: wirepb.StopSource_STOP_SOURCE_INPUT}}}
	}
	end := func(n byte) *wirepb.Record {
		return &wirepb.Record{Kind: &wirepb.Record_StopEnd{StopEnd: &wirepb.StopEnd{StopId: id(n)}}}
	}
	records := []*wirepb.Record{span(0, 1), span(1, 9), begin(5), end(5), span(9, 20), begin(6), end(6)}
	for _, tt := range []struct {
		twice  bool
		last   uint64 // end of the number line
		begins int
		ends   int
	}{{false, 19, 1, 1}, {true, 21, 3, 1}} {
		f := newForger(tt.twice)
		packet, head := batch(t, 1, records)
		first := f.packet(packet)
		if !slices.Equal(first[:head], packet[:head]) {
			t.Error("topic or packet id changed")
		}
		if again := f.packet(packet); !slices.Equal(first, again) {
			t.Errorf("twice %t: a repetition is forged otherwise", tt.twice)
		}
		b, err := wire.DecodeBatch(first[head:])
		if err != nil {
			t.Fatal(err)
		}
		last := b.GetRecords()[len(records)-1].GetCrc32C()
		next, nextHead := batch(t, b.GetHeadSeq()+1, []*wirepb.Record{span(20, 21)})
		follows, err := wire.DecodeBatch(next[nextHead:])
		if err != nil {
			t.Fatal(err)
		}
		follows.BeforeCrc32C = proto.Uint32(1)
		follows.Crc32C = wire.BatchCRC(follows)
		payload, err := proto.Marshal(follows)
		if err != nil {
			t.Fatal(err)
		}
		if follows, err = wire.DecodeBatch(f.packet(append(next[:nextHead:nextHead], payload...))[nextHead:]); err != nil || follows.GetBeforeCrc32C() != last {
			t.Errorf("twice %t: the next batch names %x before it, %v, want the forged record %x", tt.twice, follows.GetBeforeCrc32C(), err, last)
		}
		at, begins, ends := uint64(0), 0, 0
		for _, sealed := range b.GetRecords() {
			r := new(wirepb.Record)
			if err := proto.Unmarshal(sealed.GetBody(), r); err != nil {
				t.Fatal(err)
			}
			switch {
			case r.GetCountSpan() != nil:
				if s := r.GetCountSpan(); s.GetFrom() != at {
					t.Errorf("twice %t: span (%d, %d] after %d", tt.twice, s.GetFrom(), s.GetTo(), at)
				}
				at = r.GetCountSpan().GetTo()
			case r.GetStopBegin() != nil:
				begins++
			case r.GetStopEnd() != nil:
				ends++
			}
		}
		if at != tt.last || begins != tt.begins || ends != tt.ends {
			t.Errorf("twice %t: counted to %d, %d begins, %d ends; want %d, %d, %d", tt.twice, at, begins, ends, tt.last, tt.begins, tt.ends)
		}
	}
	strange := []byte{0, 3, 'a', '/', 'b', 0, 1}
	if got := newForger(false).packet(strange); !slices.Equal(got, strange) {
		t.Error("a topic that is not ours was forged")
	}
}

// batch is the body of a PUBLISH with records, and where its payload begins.
func batch(t *testing.T, seq uint64, records []*wirepb.Record) (body []byte, head int) {
	stream := make([]byte, wire.IDLen)
	b := &wirepb.Batch{StreamId: stream, RunId: stream, FirstSeq: seq, HeadSeq: seq + uint64(len(records)) - 1, Clock: &wirepb.AgentClock{}}
	for i, r := range records {
		r.Seq = seq + uint64(i)
		sealed, err := wire.Seal(stream, r)
		if err != nil {
			t.Fatal(err)
		}
		b.Records = append(b.Records, sealed)
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	topic := wire.Up(site, "u-01", "k01")
	body = append(append([]byte{0, byte(len(topic))}, topic...), 0, 7) // packet id 7
	return append(body, payload...), len(body)
}
