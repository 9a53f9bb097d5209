package journal

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
)

// The bytes of a segment, see FORMAT.md. Everything of fixed width is little
// endian; everything else is an unsigned varint.
const (
	magic       = "TWJRNL\x00\x01"
	headerBytes = 8 + 8 + 16 + 8 + 4
	frameHead   = 4 + 4 + 4
	maxFrame    = 256 << 10 // payload of a frame
	maxState    = 16 << 10  // opaque state of a channel

	headState = 1 // flags of a head: a state follows
	headLost  = 2 // the state, or a newer one, was lost
)

type kind byte

const (
	kindBoot    kind = 1
	kindSession kind = 2
	kindStream  kind = 3
	kindHead    kind = 4
	kindOpened  kind = 5
	kindData    kind = 6
	kindTick    kind = 7
	kindAck     kind = 8
	kindMark    kind = 9
	kindJoined  kind = 10
	kindCoarse  kind = 11
)

var (
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
	errFrame   = errors.New("frame does not check")
	errKind    = errors.New("frame is of an unknown kind or shape")
)

// header is the first thing in a segment.
type header struct {
	segment uint64
	journal [16]byte
	created int64 // wall clock, ns
}

func appendHeader(dst []byte, h header) []byte {
	start := len(dst)
	dst = append(dst, magic...)
	dst = binary.LittleEndian.AppendUint64(dst, h.segment)
	dst = append(dst, h.journal[:]...)
	dst = binary.LittleEndian.AppendUint64(dst, uint64(h.created))
	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli))
}

func parseHeader(b []byte) (header, error) {
	if len(b) < headerBytes || string(b[:8]) != magic {
		return header{}, errors.New("no segment header")
	}
	if crc32.Checksum(b[:headerBytes-4], castagnoli) != binary.LittleEndian.Uint32(b[headerBytes-4:]) {
		return header{}, errors.New("segment header does not check")
	}
	h := header{segment: binary.LittleEndian.Uint64(b[8:]), created: int64(binary.LittleEndian.Uint64(b[32:]))}
	copy(h.journal[:], b[16:32])
	return h, nil
}

// beginFrame reserves the head of a frame; the payload is appended after it.
func beginFrame(dst []byte, k kind) []byte {
	return append(dst, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, byte(k))
}

// endFrame fills the head of the frame that begins at dst[start] and will lie
// at off in its segment. durable is how much of the segment was synced when
// the frame was made: it tells a torn tail from later damage.
func endFrame(dst []byte, start int, segment uint64, off, durable int64) {
	f := dst[start:]
	binary.LittleEndian.PutUint32(f, uint32(len(f)-frameHead))
	binary.LittleEndian.PutUint32(f[8:], uint32(durable))
	binary.LittleEndian.PutUint32(f[4:], frameCRC(f, segment, off))
}

// frameCRC covers the place of the frame, its length, the durable mark and
// the payload, so that a frame in a wrong place does not check.
func frameCRC(f []byte, segment uint64, off int64) uint32 {
	var place [24]byte
	binary.LittleEndian.PutUint64(place[:], segment)
	binary.LittleEndian.PutUint64(place[8:], uint64(off))
	copy(place[16:], f[:4])
	copy(place[20:], f[8:12])
	return crc32.Update(crc32.Checksum(place[:], castagnoli), castagnoli, f[frameHead:])
}

// parseFrame checks the frame at the beginning of b, which lies at off in its
// segment. The payload is a part of b.
func parseFrame(b []byte, segment uint64, off int64) (payload []byte, durable int64, err error) {
	if len(b) <= frameHead {
		return nil, 0, errFrame
	}
	n := binary.LittleEndian.Uint32(b)
	if n == 0 || n > maxFrame || int(n) > len(b)-frameHead {
		return nil, 0, errFrame
	}
	f := b[:frameHead+int(n)]
	if frameCRC(f, segment, off) != binary.LittleEndian.Uint32(f[4:]) {
		return nil, 0, errFrame
	}
	return f[frameHead:], int64(binary.LittleEndian.Uint32(f[8:])), nil
}

// cursor reads the fields of a payload; after the first short field it
// reports bad for ever.
type cursor struct {
	b   []byte
	bad bool
}

func (c *cursor) uvarint() uint64 {
	v, n := binary.Uvarint(c.b)
	if n <= 0 {
		c.bad, c.b = true, nil
		return 0
	}
	c.b = c.b[n:]
	return v
}

func (c *cursor) bytes(n uint64) []byte {
	if n > uint64(len(c.b)) {
		c.bad, c.b = true, nil
		return nil
	}
	v := c.b[:n:n]
	c.b = c.b[n:]
	return v
}

func (c *cursor) id() (id [16]byte) {
	copy(id[:], c.bytes(16))
	return id
}

func (c *cursor) uint32() uint32 {
	if b := c.bytes(4); b != nil {
		return binary.LittleEndian.Uint32(b)
	}
	return 0
}

func (c *cursor) slot() int {
	v := c.uvarint()
	if v >= maxChannels {
		c.bad = true
		return 0
	}
	return int(v)
}

// sealed is one record inside a data frame.
type sealed struct {
	crc    uint32
	body   []byte
	coarse bool
}

// frame is a decoded payload; which fields hold depends on kind. Byte slices
// are parts of the payload.
type frame struct {
	kind        kind
	slot        int
	id          [16]byte // boot, stream, incarnation
	machine     string
	number      uint64 // boot index, session, first segment that is joined
	grade       int    // joined
	first       uint64 // data: sequence number of the first record
	head        uint64
	acked       uint64
	horizon     uint64
	hasState    bool
	lost        bool // head: the state is not the newest, or there is none
	state       []byte
	covered     uint64 // data, coarse: how many sequence numbers from first on
	records     int
	recordBytes []byte // data, coarse: the records, still encoded
}

// decode reads a payload.
func decode(p []byte) (frame, error) {
	if len(p) == 0 {
		return frame{}, errKind
	}
	f := frame{kind: kind(p[0])}
	c := cursor{b: p[1:]}
	switch f.kind {
	case kindBoot:
		f.number, f.id = c.uvarint(), c.id()
	case kindSession:
		f.number = c.uvarint()
	case kindStream:
		f.slot, f.id = c.slot(), c.id()
		f.machine = string(c.bytes(uint64(len(c.b))))
	case kindHead:
		f.slot, f.head, f.acked, f.horizon, f.id = c.slot(), c.uvarint(), c.uvarint(), c.uvarint(), c.id()
		flags := c.uvarint()
		f.hasState, f.lost = flags&headState != 0, flags&headLost != 0
		f.state = c.bytes(uint64(len(c.b)))
	case kindData:
		f.slot, f.first = c.slot(), c.uvarint()
		n := c.uvarint()
		f.hasState, f.state = true, c.bytes(c.uvarint())
		f.recordBytes = c.bytes(uint64(len(c.b)))
		if n == 0 || n > uint64(len(f.recordBytes)) || f.first == 0 || f.first+n < f.first {
			return frame{}, errKind
		}
		f.records, f.covered = int(n), n
	case kindCoarse:
		f.slot, f.first, f.covered = c.slot(), c.uvarint(), c.uvarint()
		n := c.uvarint()
		f.recordBytes = c.bytes(uint64(len(c.b)))
		if n == 0 || n > uint64(len(f.recordBytes)) || n > f.covered || f.first == 0 || f.first+f.covered < f.first {
			return frame{}, errKind
		}
		f.records = int(n)
	case kindJoined:
		f.number = c.uvarint()
		if f.grade = int(c.uvarint() & 0xff); f.number == 0 {
			return frame{}, errKind
		}
	case kindTick:
		f.slot = c.slot()
		f.hasState, f.state = true, c.bytes(uint64(len(c.b)))
	case kindAck:
		f.slot, f.acked, f.horizon, f.id = c.slot(), c.uvarint(), c.uvarint(), c.id()
	case kindOpened, kindMark:
	default:
		return frame{}, errKind
	}
	if c.bad || len(c.b) != 0 {
		return frame{}, errKind
	}
	return f, nil
}

// each calls yield for the records of a data or coarse frame in order.
func (f frame) each(yield func(seq uint64, r sealed) bool) error {
	c, seq := cursor{b: f.recordBytes}, f.first
	for range f.records {
		var r sealed
		if f.kind == kindCoarse {
			gone := c.uvarint()
			flags := c.bytes(1)
			if c.bad || gone >= f.covered || seq+gone > f.first+f.covered-1 {
				return errKind
			}
			seq, r.coarse = seq+gone, flags[0]&1 != 0
		}
		r.crc = c.uint32()
		r.body = c.bytes(c.uvarint())
		if c.bad {
			return errKind
		}
		if !yield(seq, r) {
			return nil
		}
		seq++
	}
	if len(c.b) != 0 || seq != f.first+f.covered {
		return errKind
	}
	return nil
}

func appendSlotState(dst []byte, slot int, state []byte) []byte {
	return append(binary.AppendUvarint(dst, uint64(slot)), state...)
}

func appendAck(dst []byte, slot int, acked, horizon uint64, incarnation [16]byte) []byte {
	dst = binary.AppendUvarint(dst, uint64(slot))
	dst = binary.AppendUvarint(dst, acked)
	dst = binary.AppendUvarint(dst, horizon)
	return append(dst, incarnation[:]...)
}
