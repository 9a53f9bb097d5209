package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"syscall"
	"time"

	"google.golang.org/protobuf/proto"

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

// reading gathers one batch.
type reading struct {
	c     *Channel
	max   int
	room  int
	recs  []*wirepb.SealedRecord
	boots []*wirepb.Boot
	clock *wirepb.Record // newest record read, lends its time to tombstones
	full  bool
}

// batchOverhead is what a batch needs besides its records and boots.
const batchOverhead = 256

// maxBoots leaves room for the boot of the sender's clock.
const maxBoots = wire.MaxBoots - 1

// bootBytes is the most that one boot takes in a batch.
const bootBytes = 2 + 2 + 16 + 6

// Read returns durable records from a sequence number on, in order and
// without a hole, and the boots that they refer to. They fit in one batch
// ([wire.MaxRecords], [wire.MaxBatchBytes]) and in maxRecords and maxBytes,
// but for one record, which always fits. A record that is no longer held, or
// does not check, reads as a tombstone of its own number, marked coarse.
func (c *Channel) Read(from uint64, maxRecords, maxBytes int) ([]*wirepb.SealedRecord, []*wirepb.Boot, error) {
	head := c.Head()
	r := &reading{c: c, max: min(max(maxRecords, 1), wire.MaxRecords), room: min(maxBytes, wire.MaxBatchBytes-batchOverhead)}
	next := max(from, 1)
	for tries := 0; next <= head && !r.full; {
		s, places, to, err := c.j.locate(c, next, min(r.max, wire.MaxRecords))
		if err != nil {
			return nil, nil, fmt.Errorf("journal: machine %s: read record %d: %w", c.machine, next, err)
		}
		was := next
		if s == nil || len(places) == 0 || places[0].first > next {
			// A hole up to the next record that is held.
			end := to
			if len(places) > 0 {
				end = places[0].first - 1
			}
			if r.clock == nil && len(places) > 0 {
				_, _ = r.frames(s, places[:1], 0, 0)
			}
			next = r.bury(next, min(end, head))
			continue
		}
		next, err = r.frames(s, places, next, head)
		if (errors.Is(err, errFrame) || errors.Is(err, fs.ErrNotExist)) && tries < 3 {
			tries++ // what checked before does not any more: look again at the whole segment
			c.j.forget(s)
			continue
		}
		if err != nil {
			return nil, nil, fmt.Errorf("journal: machine %s: read record %d in %s: %w", c.machine, next, s.name(), err)
		}
		if next == was && !r.full {
			// The frame that begins before it does not reach it.
			end := to
			if len(places) > 1 {
				end = places[1].first - 1
			}
			next = r.bury(next, min(end, head))
		}
	}
	return r.recs, r.boots, nil
}

// frames takes the records next to head from the frames at places, as far as
// they follow one another. With head 0 it only looks at the time.
func (r *reading) frames(s *segment, places []place, next, head uint64) (uint64, error) {
	f, err := r.c.j.disk.Open(s.name())
	if err != nil {
		return next, err
	}
	defer f.Close()
	var buf []byte
	for _, at := range places {
		if at.first > next && head > 0 {
			return next, nil
		}
		if buf, err = readPart(f, int64(at.off), int64(at.size), buf); err != nil {
			return next, err
		}
		p, _, err := parseFrame(buf, s.number, int64(at.off))
		if err != nil {
			if _, ok := mend(buf, s.number, int64(at.off)); !ok {
				return next, err
			}
			p, _, _ = parseFrame(buf, s.number, int64(at.off))
		}
		fr, err := decode(p)
		if err != nil {
			return next, err
		}
		if fr.slot != r.c.slot || fr.first != at.first {
			return next, errFrame // another file has taken the place of that one
		}
		err = fr.each(func(seq uint64, rec sealed) bool {
			if head == 0 {
				r.clock = new(wirepb.Record)
				_ = proto.Unmarshal(rec.body, r.clock)
				return false
			}
			if seq < next || seq > head {
				return seq <= head
			}
			if seq > next { // merged into this one
				r.clock = new(wirepb.Record)
				_ = proto.Unmarshal(rec.body, r.clock)
				if next = r.bury(next, seq-1); r.full {
					return false
				}
			}
			if !r.take(&wirepb.SealedRecord{Body: slices.Clone(rec.body), Crc32C: rec.crc, Coarse: rec.coarse}) {
				return false
			}
			next = seq + 1
			return true
		})
		if err != nil || r.full || head == 0 {
			return next, err
		}
	}
	return next, nil
}

// take adds a record when there is room for it.
func (r *reading) take(s *wirepb.SealedRecord) bool {
	if r.full {
		return false
	}
	rec := new(wirepb.Record)
	if err := proto.Unmarshal(s.Body, rec); err != nil {
		rec = &wirepb.Record{} // sealed by another version: it carries what it must
	}
	need := proto.Size(s) + 4
	boots := r.unnamed(rec)
	need += len(boots) * bootBytes
	if len(r.recs) > 0 && (need > r.room || len(r.boots)+len(boots) > maxBoots) {
		r.full = true
		return false
	}
	r.recs, r.boots, r.clock = append(r.recs, s), append(r.boots, boots...), rec
	r.room -= need
	r.full = len(r.recs) >= r.max
	return true
}

// unnamed lists the boots of a record that the batch does not name yet.
func (r *reading) unnamed(rec *wirepb.Record) []*wirepb.Boot {
	var list []*wirepb.Boot
	for _, i := range []uint32{rec.GetBoot(), rec.GetStateGap().GetFromBoot()} {
		named := func(b *wirepb.Boot) bool { return b.GetIndex() == i }
		if i == 0 || slices.ContainsFunc(r.boots, named) || slices.ContainsFunc(list, named) {
			continue
		}
		if id, ok := r.c.j.bootID(i); ok {
			list = append(list, &wirepb.Boot{Index: i, BootId: id[:]})
		}
	}
	return list
}

func (j *Journal) bootID(index uint32) (id [16]byte, ok bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if index == 0 || int(index) > len(j.boots) {
		return id, false
	}
	id = j.boots[index-1]
	return id, id != [16]byte{}
}

// bury adds tombstones for the records from next to end.
func (r *reading) bury(next, end uint64) uint64 {
	for ; next <= end && !r.full; next++ {
		rec := &wirepb.Record{
			Seq: next, Boot: r.clock.GetBoot(), BoottimeNs: r.clock.GetBoottimeNs(), WallNs: r.clock.GetWallNs(), Clock: r.clock.GetClock(),
			Kind: &wirepb.Record_Tombstone{Tombstone: &wirepb.Tombstone{FromSeq: next, ToSeq: next}},
		}
		s, err := wire.Seal(r.c.id[:], rec)
		if err != nil {
			panic(err) // a tombstone is a few dozen bytes
		}
		s.Coarse = true
		if !r.take(s) {
			break
		}
	}
	return next
}

// locate finds where record seq of a channel lies: the segment, the frames
// from the one that should hold it on, and the last record that the segment
// can hold. s is nil when no segment holds it; to is then the last one that
// is missing.
func (j *Journal) locate(c *Channel, seq uint64, max int) (s *segment, at []place, to uint64, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return nil, nil, 0, ErrClosed
	}
	if first := j.segments[0]; seq <= first.beforeSlot(c.slot) && !first.vague {
		to = first.beforeSlot(c.slot)
		s, at, err := j.firstHeld(c, to+1)
		return s, at, to, err
	}
	for i := range j.segments {
		s := j.segments[i]
		if seq <= s.beforeSlot(c.slot) || seq > j.lastIn(i, c) {
			continue
		}
		if err := j.load(s); err != nil {
			return nil, nil, 0, err
		}
		to = j.lastIn(i, c)
		at = s.places.from(c.slot, seq, max)
		if len(at) > 0 && at[0].first <= seq || i+1 == len(j.segments) || !j.segments[i+1].vague {
			return s, at, to, nil
		}
	}
	return nil, nil, seq, nil
}

// firstHeld finds the first frame of a channel at or after seq, so that what
// is gone before it can be given a time. Call with j.mu held.
func (j *Journal) firstHeld(c *Channel, seq uint64) (*segment, []place, error) {
	for i, s := range j.segments {
		if j.lastIn(i, c) < seq {
			continue
		}
		if err := j.load(s); err != nil {
			return nil, nil, err
		}
		if at := s.places.from(c.slot, seq, 1); len(at) > 0 && at[0].first >= seq {
			return s, at, nil
		}
		return s, nil, nil
	}
	return nil, nil, nil
}

// lastIn is the newest record of a channel that segment i can hold. Call with
// j.mu held.
func (j *Journal) lastIn(i int, c *Channel) uint64 {
	for _, next := range j.segments[i+1:] {
		if !next.vague {
			return next.beforeSlot(c.slot)
		}
	}
	return c.appended
}

// load reads the places of a segment when they are not in memory. Call with
// j.mu held: a segment of 2 MiB takes a few milliseconds.
func (j *Journal) load(s *segment) error {
	newest := s == j.segments[len(j.segments)-1]
	if s.places == nil {
		b, err := readAll(j.disk, s.name(), nil)
		if err != nil {
			return err
		}
		s.places = j.survey(s, b[:min(int64(len(b)), s.size)])
	}
	if newest {
		return nil // always in memory
	}
	j.recent = slices.DeleteFunc(j.recent, func(r *segment) bool { return r == s })
	j.recent = append(j.recent, s)
	j.trim()
	return nil
}

// trim forgets the places that were used longest ago.
func (j *Journal) trim() {
	for len(j.recent) > maxPlaces {
		j.recent[0].places = nil
		j.recent = slices.Delete(j.recent, 0, 1)
	}
}

// survey lists the data frames of a segment and declares what does not check.
func (j *Journal) survey(s *segment, b []byte) places {
	found := places{}
	visit := func(off, size int64, p []byte) error {
		f, err := decode(p)
		switch {
		case err != nil:
			j.note(Damage{File: s.name(), Offset: off, Bytes: size, Reason: err.Error()})
		case f.kind == kindData || f.kind == kindCoarse:
			found.add(f.slot, place{f.first, uint32(off), uint32(size)})
		}
		return nil
	}
	off := int64(headerBytes)
	var mended []flip
	if _, err := parseHeader(b); err != nil {
		if f, ok := mendHeader(b); ok {
			mended = append(mended, f)
		} else {
			off = 0
		}
	}
	_, w, _ := walk(b, s.number, off, false, visit)
	if mended = append(mended, w.mended...); len(mended) > 0 {
		if f, err := j.disk.Open(s.name()); err == nil {
			j.heal(s, f, b, mended)
			_ = f.Close()
		}
	}
	for _, st := range w.bad {
		j.note(Damage{File: s.name(), Offset: st.off, Bytes: st.bytes, Reason: "check sum"})
	}
	return found
}

// forget drops the places of a segment so that it is surveyed again.
func (j *Journal) forget(s *segment) {
	j.mu.Lock()
	defer j.mu.Unlock()
	s.places = nil
}
