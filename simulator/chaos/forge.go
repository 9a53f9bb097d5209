package chaos

import (
	"encoding/binary"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// The negative controls: a line between agent and server that loses a tenth
// of the turns, and one that doubles all of them, each in records that are
// sealed as an agent seals them. A comparison that does not see them is worth
// nothing. Both move every point of the number line by one rule, so that
// repetition is no contradiction and no check sum gives them away.

func lossy(n uint64) uint64    { return n - n/10 }
func doubling(n uint64) uint64 { return 2 * n }

// forger rewrites the count spans of what is published on up topics.
func forger(move func(uint64) uint64) func([]byte) []byte {
	return func(body []byte) []byte {
		out, ok := forge(body, move)
		if !ok {
			return body
		}
		return out
	}
}

// forge takes the body of a PUBLISH at QoS 1: topic, packet id, payload.
func forge(body []byte, move func(uint64) uint64) ([]byte, bool) {
	if len(body) < 4 {
		return nil, false
	}
	head := 2 + int(binary.BigEndian.Uint16(body)) + 2
	if head > len(body) {
		return nil, false
	}
	topic, err := wire.ParseTopic(string(body[2 : head-2]))
	if err != nil || topic.Kind != "up" {
		return nil, false
	}
	b, err := wire.DecodeBatch(body[head:])
	if err != nil {
		return nil, false
	}
	for _, sealed := range b.GetRecords() {
		r := new(wirepb.Record)
		if proto.Unmarshal(sealed.GetBody(), r) != nil {
			return nil, false
		}
		s := r.GetCountSpan()
		if s == nil {
			continue
		}
		s.From, s.To = move(s.GetFrom()), move(s.GetTo())
		again, err := wire.Seal(b.GetStreamId(), r)
		if err != nil {
			return nil, false
		}
		sealed.Body, sealed.Crc32C = again.GetBody(), again.GetCrc32C()
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		return nil, false
	}
	return append(append([]byte(nil), body[:head]...), payload...), true
}
