package journal

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"slices"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
)

// The tail file holds two rows for each slot, written in turn and in place, so
// that no write needs room and a torn one leaves the row before. It is used
// only while nothing can be added to the segments.
const (
	tailFile = "tail"
	tailRow  = 4096
	tailHead = 4 + 4 + 8 // check sum, length of the payload, generation
)

// tailRecord is what a row says: the state after the records that follow
// sequence number head and have no number yet.
type tailRecord struct {
	gen     uint64
	id      [16]byte
	head    uint64
	state   []byte
	records []*wirepb.Record
	boots   []tailBoot
}

// tailBoot is a boot that no segment names: there was no room for that either. Its
// number would be given to another one after a restart.
type tailBoot struct {
	number uint64
	id     [16]byte
}

func appendTail(dst []byte, slot int, t tailRecord) ([]byte, error) {
	b := append(dst, make([]byte, tailHead)...)
	b = binary.AppendUvarint(b, uint64(slot))
	b = binary.AppendUvarint(append(b, t.id[:]...), t.head)
	b = append(binary.AppendUvarint(b, uint64(len(t.state))), t.state...)
	b = binary.AppendUvarint(b, uint64(len(t.records)))
	for _, r := range t.records {
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
		if err != nil {
			return nil, err
		}
		b = append(binary.AppendUvarint(b, uint64(len(body))), body...)
	}
	if len(t.boots) > 0 {
		b = binary.AppendUvarint(b, uint64(len(t.boots)))
	}
	for _, x := range t.boots {
		b = append(binary.AppendUvarint(b, x.number), x.id[:]...)
	}
	if len(b) > tailRow {
		return nil, fmt.Errorf("%w: a tail row of %d bytes, %d are held", ErrFull, len(b), tailRow)
	}
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-tailHead))
	binary.LittleEndian.PutUint64(b[8:], t.gen)
	binary.LittleEndian.PutUint32(b, crc32.Checksum(b[4:], castagnoli))
	return b, nil
}

func parseTail(b []byte, slot int) (t tailRecord, ok bool) {
	if len(b) < tailHead {
		return t, false
	}
	n := binary.LittleEndian.Uint32(b[4:])
	if n == 0 || int64(n) > int64(len(b)-tailHead) {
		return t, false
	}
	b = b[:tailHead+n]
	if crc32.Checksum(b[4:], castagnoli) != binary.LittleEndian.Uint32(b) {
		return t, false
	}
	t.gen = binary.LittleEndian.Uint64(b[8:])
	c := cursor{b: b[tailHead:]}
	if c.slot() != slot {
		return t, false
	}
	t.id, t.head = c.id(), c.uvarint()
	t.state = slices.Clone(c.bytes(c.uvarint()))
	for range min(c.uvarint(), tailRow) {
		r := new(wirepb.Record)
		if body := c.bytes(c.uvarint()); c.bad || proto.Unmarshal(body, r) != nil {
			return t, false
		}
		t.records = append(t.records, r)
	}
	if len(c.b) > 0 { // older versions end here
		for range min(c.uvarint(), tailRow) {
			t.boots = append(t.boots, tailBoot{c.uvarint(), c.id()})
		}
	}
	return t, !c.bad && len(c.b) == 0
}

// layTail makes sure that there are rows for all channels. Call with j.mu
// held.
func (j *Journal) layTail() {
	need := int64(len(j.channels)) * 2 * tailRow
	if j.tail != nil && j.tailSize >= need || need == 0 || j.holding() > 0 {
		return
	}
	if j.tail != nil {
		_ = j.tail.Close()
		j.tail = nil
	}
	err := j.reserve(tailFile, need)
	if err == nil {
		j.tail, err = j.disk.Open(tailFile)
	}
	if err != nil {
		j.o.Log.Warn("journal has no tail rows: it refuses records when it is full", "dir", j.dir, "error", err)
		return
	}
	j.tailSize = need
}

// readTail takes up what was in the rows when the agent ended.
func (j *Journal) readTail() {
	f, err := j.disk.Open(tailFile)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	var b []byte
	if err == nil {
		var n int64
		if n, err = f.Size(); err == nil {
			b, err = readPart(f, 0, min(n, maxChannels*2*tailRow), nil)
		}
	}
	if err != nil {
		j.o.Log.Warn("tail rows of the journal not read", "dir", j.dir, "error", err)
		return
	}
	j.tail, j.tailSize = f, int64(len(b))
	var boots []tailBoot
	var renew []*Channel
	for _, c := range j.channels {
		if c == nil {
			continue
		}
		var newest tailRecord
		for side := range 2 {
			at := (c.slot*2 + side) * tailRow
			if at+tailRow > len(b) {
				break
			}
			row := b[at : at+tailRow]
			t, ok := parseTail(row, c.slot)
			if !ok && mendTail(row) {
				t, ok = parseTail(row, c.slot)
			}
			if ok && t.id == c.id && t.gen > newest.gen {
				newest = t
			}
		}
		c.gen = newest.gen
		// A head below says that its records went into the segments.
		if len(newest.records) > 0 && newest.head >= c.sound {
			c.held, c.state, c.memory = newest.records, newest.state, MemoryKept
			c.appended = max(c.appended, newest.head)
			c.durable, j.rung = c.appended, RungTail
			boots = append(boots, newest.boots...)
			if newest.head != c.appended {
				// Numbers were skipped: the row must follow the new head.
				renew = append(renew, c)
			}
		}
	}
	j.takeBoots(boots)
	for _, c := range renew {
		if err := c.hold(c.state, nil); err != nil {
			j.o.Log.Warn("tail row of the journal not renewed", "machine", c.machine, "error", err)
		}
	}
}

// takeBoots takes up boots that rows name; the next frame names them in its segment.
func (j *Journal) takeBoots(list []tailBoot) {
	slices.SortFunc(list, func(a, b tailBoot) int { return cmp.Compare(a.number, b.number) })
	for _, x := range list {
		n := uint64(len(j.boots))
		if x.number <= n || x.number > n+maxLostBoots {
			continue // of two rows, or of what is damaged
		}
		j.boots = append(j.boots, make([][16]byte, x.number-n)...)
		j.boots[x.number-1] = x.id
		j.newBoots = append(j.newBoots, int(x.number-1))
	}
}

// unnamedBoots are the boots that no segment names yet. Call with j.mu held.
func (j *Journal) unnamedBoots() (list []tailBoot) {
	for _, i := range j.newBoots {
		list = append(list, tailBoot{uint64(i + 1), j.boots[i]})
	}
	return list
}

// mendTail turns the one wrong bit of a row, where there is one.
func mendTail(b []byte) bool {
	for i := range 32 { // the length decides what is read
		b[4+i/8] ^= 1 << (i % 8)
		if n := binary.LittleEndian.Uint32(b[4:]); n > 0 && int64(n) <= int64(len(b)-tailHead) &&
			crc32.Checksum(b[4:tailHead+n], castagnoli) == binary.LittleEndian.Uint32(b) {
			return true
		}
		b[4+i/8] ^= 1 << (i % 8)
	}
	n := binary.LittleEndian.Uint32(b[4:])
	if n == 0 || int64(n) > int64(len(b)-tailHead) {
		return false
	}
	for i := range (tailHead + int(n)) * 8 {
		b[i/8] ^= 1 << (i % 8)
		if crc32.Checksum(b[4:tailHead+n], castagnoli) == binary.LittleEndian.Uint32(b) {
			return true
		}
		b[i/8] ^= 1 << (i % 8)
	}
	return false
}

// hold keeps records that found no room in the channel's tail row, merged with
// what is there. Without room there either nothing is kept and the error is
// [ErrFull]. Call with j.mu held.
func (c *Channel) hold(state []byte, recs []*wirepb.Record) error {
	j := c.j
	at := int64(c.slot*2+int((c.gen+1)%2)) * tailRow
	if j.closed || j.tail == nil || at+tailRow > j.tailSize || c.durable != c.appended {
		return ErrFull
	}
	if len(c.held) == 0 && len(recs) == 0 {
		return nil // a mark without news: it only says how long the machine was watched
	}
	merged := mergeRecords(c.held, recs)
	t := tailRecord{gen: c.gen + 1, id: c.id, head: c.appended, state: state, records: merged, boots: j.unnamedBoots()}
	b, err := appendTail(nil, c.slot, t)
	if err != nil {
		return err
	}
	if _, err := j.tail.WriteAt(append(b, make([]byte, tailRow-len(b))...), at); err != nil {
		return fmt.Errorf("write tail row: %w", err)
	}
	c.gen, c.held, c.memory = t.gen, merged, MemoryKept
	c.state = append(c.state[:0:0], state...)
	if c.state == nil {
		c.state = []byte{}
	}
	j.tailDirty = true
	j.setRung(RungTail)
	j.wake()
	return nil
}

// mergeRecords adds records without numbers to others, spans merged as far as
// they go.
func mergeRecords(held, more []*wirepb.Record) []*wirepb.Record {
	out := slices.Clone(held)
	var k coarser
	for _, r := range more {
		r = proto.CloneOf(r)
		r.Seq = 0
		next := item{span: spanOnly(r)}
		if n := len(out); n > 0 {
			last := item{span: spanOnly(proto.CloneOf(out[n-1]))}
			if k.join(&last, &next) {
				out[n-1] = r // it now begins where the one before began
				continue
			}
		}
		out = append(out, r)
	}
	return out
}

func spanOnly(r *wirepb.Record) *wirepb.Record {
	if r.GetCountSpan() == nil {
		return nil
	}
	return r
}

// letGo moves what the tail row holds into the segments when there is room.
// Call with j.mu held.
func (c *Channel) letGo() error {
	if len(c.held) == 0 {
		return nil
	}
	if err := c.addLocked(c.state, kindData, c.held); err != nil {
		return err
	}
	c.held = nil
	return nil
}

// holding counts the records in tail rows. Call with j.mu held.
func (j *Journal) holding() (n int) {
	for _, c := range j.channels {
		if c != nil {
			n += len(c.held)
		}
	}
	return n
}
