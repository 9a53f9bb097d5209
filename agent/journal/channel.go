package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"syscall"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// Acknowledgements are written at least this often, in records and in time;
// one that is forgotten only costs a resend.
const (
	noteAckRecords = 1000
	noteAckEvery   = time.Minute
)

// noteRoom is what sessions and acknowledgements may take beyond MaxBytes.
const noteRoom = 64 << 10

// Channel is one machine's stream in a journal.
type Channel struct {
	j       *Journal
	slot    int
	machine string
	id      [16]byte

	// All below is guarded by j.mu.
	state    []byte
	memory   Memory
	appended uint64 // newest record written
	durable  uint64 // newest record synced
	sound    uint64 // newest record found at Open, before numbers were skipped
	sent     uint64 // newest record that may be on its way

	held []*wirepb.Record // in the tail row, without numbers yet
	gen  uint64           // of the newest tail row

	acked, horizon uint64
	incarnation    [16]byte
	noted          uint64 // acked as last written
	notedAt        time.Time
}

// Machine is the machine id.
func (c *Channel) Machine() string { return c.machine }

// StreamID identifies the stream; it dies with the journal.
func (c *Channel) StreamID() [16]byte { return c.id }

// Memory says what a channel knew when its journal was opened.
type Memory int

const (
	// MemoryNew: the stream has no state and never had one.
	MemoryNew Memory = iota
	// MemoryKept: the state is the newest that was durable.
	MemoryKept
	// MemoryLost: bytes that do not check may have held the state, or a newer
	// one than State tells, or the whole stream of this machine. What State
	// tells was true once; records that were written after it may be with the
	// server.
	MemoryLost
)

// Memory tells what the state of this channel is worth: how it was found at
// Open until Append or Tick gives a newer one, which is kept. A loss stays
// known over restarts until then.
func (c *Channel) Memory() Memory {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	return c.memory
}

// State is the newest state given to Append or Tick; nil when there is none.
// Whether there never was one, or it was lost, tells [Channel.Memory].
func (c *Channel) State() []byte {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	return slices.Clone(c.state)
}

// Head is the newest durable sequence number; 0 when there is none.
func (c *Channel) Head() uint64 {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	return c.durable
}

// Unsynced is the number of records that are not durable yet, or have no
// number because the disk is full.
func (c *Channel) Unsynced() uint64 {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	return c.appended - c.durable + uint64(len(c.held))
}

// Acked is the newest sequence number that the server has.
func (c *Channel) Acked() uint64 {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	return c.acked
}

// Incarnation is that of the server's database as last acknowledged; zero at
// first.
func (c *Channel) Incarnation() [16]byte {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	return c.incarnation
}

func (c *Channel) stream(b []byte) []byte {
	b = binary.AppendUvarint(b, uint64(c.slot))
	return append(append(b, c.id[:]...), c.machine...)
}

func (c *Channel) headFrame(b []byte) []byte {
	b = binary.AppendUvarint(b, uint64(c.slot))
	b = binary.AppendUvarint(b, c.appended)
	b = binary.AppendUvarint(b, c.acked)
	b = binary.AppendUvarint(b, c.horizon)
	b = append(b, c.incarnation[:]...)
	var flags byte
	if c.state != nil {
		flags = headState
	}
	if c.memory == MemoryLost {
		flags |= headLost
	}
	return append(append(b, flags), c.state...)
}

// Append assigns the next sequence numbers to the records, seals them and
// writes them together with state in one frame. They are durable after the
// next group sync. Nothing is written and no number is used when it returns
// an error. Without room older records become coarser ([Rung]); in the end the
// records wait, merged, in a row of their own, where they are as safe but have
// no number yet. When that is full too [ErrFull] is in the error.
func (c *Channel) Append(state []byte, recs ...*wirepb.Record) error {
	if len(recs) == 0 {
		return c.Tick(state)
	}
	return c.add(state, kindData, recs)
}

// Tick writes state alone, as a mark that the machine is watched.
func (c *Channel) Tick(state []byte) error { return c.add(state, kindTick, nil) }

func (c *Channel) add(state []byte, k kind, recs []*wirepb.Record) error {
	if len(state) > maxState {
		return fmt.Errorf("journal: machine %s: state of %d bytes, at most %d are held", c.machine, len(state), maxState)
	}
	j := c.j
	if err := j.drain(); err != nil {
		return fmt.Errorf("journal: machine %s: %w", c.machine, err)
	}
	err := c.tryAdd(state, k, recs)
	if errors.Is(err, ErrFull) {
		err = c.addInNeed(state, k, recs)
	}
	if err != nil {
		return fmt.Errorf("journal: machine %s: append %d records: %w", c.machine, len(recs), err)
	}
	return nil
}

func (c *Channel) tryAdd(state []byte, k kind, recs []*wirepb.Record) error {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	if err := c.letGo(); err != nil {
		return err
	}
	return c.addLocked(state, k, recs)
}

// addLocked writes one frame. Call with j.mu held.
func (c *Channel) addLocked(state []byte, k kind, recs []*wirepb.Record) error {
	j := c.j
	var err error
	first := c.appended + 1
	at, werr := j.write(k, func(b []byte) []byte {
		if k == kindTick {
			return appendSlotState(b, c.slot, state)
		}
		b = binary.AppendUvarint(b, uint64(c.slot))
		b = binary.AppendUvarint(b, first)
		b = binary.AppendUvarint(b, uint64(len(recs)))
		b = binary.AppendUvarint(b, uint64(len(state)))
		b = append(b, state...)
		for i, r := range recs {
			r.Seq = first + uint64(i)
			s, serr := wire.Seal(c.id[:], r)
			if serr != nil {
				err = serr
				return nil
			}
			b = binary.LittleEndian.AppendUint32(b, s.Crc32C)
			b = binary.AppendUvarint(b, uint64(len(s.Body)))
			b = append(b, s.Body...)
		}
		return b
	})
	if err = errors.Join(err, werr); err != nil {
		return err
	}
	c.state = append(c.state[:0], state...)
	if c.state == nil {
		c.state = []byte{}
	}
	c.memory = MemoryKept
	if k == kindData {
		c.appended += uint64(len(recs))
		at.first = first
		if s := j.segments[len(j.segments)-1]; s.places != nil {
			s.places.add(c.slot, at)
		}
	}
	return nil
}

// errSkip ends a write whose payload could not be made.
var errSkip = errors.New("nothing to write")

// write puts one frame, after boots that wait to be named, at the end of the
// newest segment. On an error the segment is as before. Call with j.mu held.
func (j *Journal) write(k kind, fill func([]byte) []byte) (place, error) {
	if j.closed {
		return place{}, ErrClosed
	}
	s := j.segments[len(j.segments)-1]
	b, start := j.buf[:0], 0
	end := func() { endFrame(b, start, s.number, s.size+int64(start), j.durable) }
	for _, i := range j.newBoots {
		b = binary.AppendUvarint(beginFrame(b, kindBoot), uint64(i+1))
		b = append(b, j.boots[i][:]...)
		end()
		start = len(b)
	}
	b = fill(beginFrame(b, k))
	if b == nil {
		return place{}, errSkip
	}
	j.buf = b
	if n := len(b) - start - frameHead; n > maxFrame {
		return place{}, fmt.Errorf("%d bytes at once, at most %d fit in a frame: append fewer records at a time", n, maxFrame)
	}
	room := j.o.MaxBytes
	if k != kindData && k != kindTick {
		room += noteRoom // what makes room again must not need it
	}
	if j.total+int64(len(b)) > room {
		return place{}, fmt.Errorf("%w: %d of at most %d bytes held; see that the server acknowledges, or raise journal.max_bytes", ErrFull, j.total, j.o.MaxBytes)
	}
	end()
	if _, err := j.active.WriteAt(b, s.size); err != nil {
		_ = j.active.Truncate(s.size) // the next frame covers the rest, or recovery cuts it
		if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
			err = fmt.Errorf("%w: no space on the device with %d bytes held; free space there: %w", ErrFull, j.total, err)
		}
		return place{}, err
	}
	at := place{off: uint32(s.size + int64(start)), size: uint32(len(b) - start)}
	s.size += int64(len(b))
	j.total += int64(len(b))
	j.pending = append(j.pending, b...)
	j.newBoots = j.newBoots[:0]
	select {
	case j.dirty <- struct{}{}:
	default:
	}
	return at, nil
}

// Ack notes what the server holds (acked) and what of it is in a verified
// backup (horizon; 0 means nothing is). Within one incarnation of the server's
// database both only grow, an older acknowledgement changes nothing; a new
// incarnation replaces them, also downwards. An acknowledgement beyond the
// newest durable record is refused with [ErrBeyondHead].
func (c *Channel) Ack(acked, horizon uint64, incarnation [16]byte) error {
	j := c.j
	j.mu.Lock()
	defer j.mu.Unlock()
	if acked > c.durable {
		return fmt.Errorf("journal: machine %s: %w: %d acknowledged, %d is the newest", c.machine, ErrBeyondHead, acked, c.durable)
	}
	horizon = min(horizon, acked)
	fresh := incarnation != c.incarnation
	if !fresh {
		acked, horizon = max(acked, c.acked), max(horizon, c.horizon)
	}
	moved := horizon != c.horizon
	c.acked, c.horizon, c.incarnation = acked, horizon, incarnation
	now := j.o.Now()
	if !fresh && !moved && (acked == c.noted || acked < c.noted+noteAckRecords && now.Sub(c.notedAt) < noteAckEvery) {
		return nil
	}
	c.noted, c.notedAt = acked, now
	_, err := j.write(kindAck, func(b []byte) []byte { return appendAck(b, c.slot, acked, horizon, incarnation) })
	if errors.Is(err, ErrFull) {
		return nil // it is in memory, and room comes from what it allows to remove
	}
	if err != nil {
		return fmt.Errorf("journal: machine %s: note acknowledgement of %d: %w", c.machine, acked, err)
	}
	return nil
}
