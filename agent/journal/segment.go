package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

const (
	segmentSuffix = ".twj"
	newSuffix     = ".new"
)

// segment is one file of the journal.
type segment struct {
	number  uint64
	first   uint64 // lowest number that it stands for: others were joined into it
	grade   int    // how far it is coarsened
	created int64
	size    int64
	opening int64 // where the opening ends, of the one that is written
	// before holds, by slot, the newest sequence number before the segment.
	before []uint64
	// vague says that the opening does not check, so that before is only a
	// lower bound.
	vague bool
	// places tells where the data frames lie; nil when not read yet.
	places places
}

// place is where a data frame lies in its segment.
type place struct {
	first     uint64 // sequence number of its first record
	off, size uint32
}

// places lists the data frames of a segment by slot, in order of sequence.
type places [][]place

func (p *places) add(slot int, at place) {
	for len(*p) <= slot {
		*p = append(*p, nil)
	}
	(*p)[slot] = append((*p)[slot], at)
}

// from returns a copy of at most max places, beginning with the last one that
// starts at or before seq.
func (p places) from(slot int, seq uint64, max int) []place {
	if slot >= len(p) {
		return nil
	}
	list := p[slot]
	i, found := slices.BinarySearchFunc(list, seq, func(a place, s uint64) int {
		switch {
		case a.first < s:
			return -1
		case a.first > s:
			return 1
		}
		return 0
	})
	if !found && i > 0 {
		i--
	}
	return slices.Clone(list[i:min(len(list), i+max)])
}

func (s *segment) name() string { return fmt.Sprintf("%012d%s", s.number, segmentSuffix) }

func parseName(name string) (uint64, bool) {
	digits, ok := strings.CutSuffix(name, segmentSuffix)
	if !ok || len(digits) != 12 {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 64)
	return n, err == nil && n > 0
}

func (s *segment) beforeSlot(slot int) uint64 {
	if slot < len(s.before) {
		return s.before[slot]
	}
	return 0
}

// stretch is a part of a segment that does not check.
type stretch struct{ off, bytes int64 }

// wounds are the places of a segment that do not check.
type wounds struct {
	bad    []stretch // cannot be read
	mended []flip    // one bit was wrong and is put right in memory
	synced int64     // so many bytes are known to have been synced
}

// walk visits the frames of a segment from off on, puts single bits right in b
// and steps over what does not check. In the last segment (last) a bad end
// that was never synced is a torn tail: walk stops before it and end is less
// than len(b). visit may stop the walk with an error.
func walk(b []byte, number uint64, off int64, last bool, visit func(off, size int64, payload []byte) error) (end int64, w wounds, err error) {
	for off < int64(len(b)) {
		p, durable, ferr := parseFrame(b[off:], number, off)
		if ferr != nil {
			if f, ok := mend(b[off:], number, off); ok {
				w.mended = append(w.mended, f)
				p, durable, ferr = parseFrame(b[off:], number, off)
			}
		}
		if ferr == nil {
			size := int64(len(p) + frameHead)
			w.synced = max(w.synced, min(durable, off))
			if err := visit(off, size, p); err != nil {
				return off, w, err
			}
			off += size
			continue
		}
		next := resync(b, number, off+1)
		if last && !syncedPast(b, number, next, off) {
			return off, w, nil
		}
		w.bad = append(w.bad, stretch{off, next - off})
		off = next
	}
	return off, w, nil
}

// resync finds the next offset at which a frame checks; len(b) when none does.
func resync(b []byte, number uint64, off int64) int64 {
	for ; off+frameHead < int64(len(b)); off++ {
		if n := binary.LittleEndian.Uint32(b[off:]); n == 0 || n > maxFrame {
			continue
		}
		if _, _, err := parseFrame(b[off:], number, off); err == nil {
			return off
		}
	}
	return int64(len(b))
}

// syncedPast tells whether a frame from off on was made when the byte at bad
// had been synced: then the damage came later, and the end is not torn.
func syncedPast(b []byte, number uint64, off, bad int64) bool {
	for off < int64(len(b)) {
		p, durable, err := parseFrame(b[off:], number, off)
		if err != nil {
			off = resync(b, number, off+1)
			continue
		}
		if durable > bad {
			return true
		}
		off += int64(len(p) + frameHead)
	}
	return false
}

// readAll reads a segment file whole.
func readAll(d Disk, name string, scratch []byte) ([]byte, error) {
	f, err := d.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	n, err := f.Size()
	if err != nil {
		return nil, err
	}
	return readPart(f, 0, n, scratch)
}

// readPart reads n bytes at off.
func readPart(f File, off, n int64, scratch []byte) ([]byte, error) {
	b := slices.Grow(scratch[:0], int(n))[:n]
	if m, err := f.ReadAt(b, off); int64(m) < n {
		return nil, fmt.Errorf("%d of %d bytes at %d read: %w", m, n, off, err)
	}
	return b, nil
}

// openingPeek is how much of a segment is read at first to see its opening.
const openingPeek = 32 << 10

var errOpening = errors.New("opening does not check")

// opening reads the header and the opening of a segment.
func opening(d Disk, name string, number uint64, visit func(f frame)) (h header, end int64, err error) {
	f, err := d.Open(name)
	if err != nil {
		return h, 0, err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return h, 0, err
	}
	for want := min(size, openingPeek); ; want = min(size, want*8) {
		b, err := readPart(f, 0, want, nil)
		if err != nil {
			return h, 0, err
		}
		frames, hd, end, _, err := parseOpening(b, number)
		if err != nil && want < size {
			continue
		}
		if err != nil {
			return h, 0, err
		}
		for _, fr := range frames {
			visit(fr)
		}
		return hd, end, nil
	}
}

// parseOpening reads header and opening; single bits are put right in b.
func parseOpening(b []byte, number uint64) (frames []frame, h header, end int64, mended []flip, err error) {
	if h, err = parseHeader(b); err != nil {
		f, ok := mendHeader(b)
		if !ok {
			return nil, h, 0, nil, err
		}
		h, _ = parseHeader(b)
		mended = append(mended, f)
	}
	if h.segment != number {
		return nil, h, 0, nil, fmt.Errorf("header names segment %d", h.segment)
	}
	for off := int64(headerBytes); ; {
		rest := b[min(off, int64(len(b))):]
		p, _, err := parseFrame(rest, number, off)
		if err != nil {
			f, ok := mend(rest, number, off)
			if !ok {
				return nil, h, 0, nil, errOpening
			}
			mended = append(mended, f)
			p, _, _ = parseFrame(rest, number, off)
		}
		f, err := decode(p)
		if err != nil {
			return nil, h, 0, nil, err
		}
		off += int64(len(p) + frameHead)
		if f.kind == kindOpened {
			return frames, h, off, mended, nil
		}
		frames = append(frames, f)
	}
}

// createSegment writes a segment that restates everything that later frames
// refer to, so that every older one may go. It gets its name only when it is
// whole on the disk. Call with j.mu held.
func (j *Journal) createSegment(number uint64) (*segment, File, error) {
	s := &segment{number: number, first: number, created: j.o.Now().UnixNano()}
	b := appendHeader(nil, header{segment: number, journal: j.id, created: s.created})
	add := func(k kind, fill func([]byte) []byte) {
		start := len(b)
		b = fill(beginFrame(b, k))
		endFrame(b, start, number, int64(start), 0)
	}
	for i, id := range j.boots {
		add(kindBoot, func(b []byte) []byte { return append(binary.AppendUvarint(b, uint64(i+1)), id[:]...) })
	}
	add(kindSession, func(b []byte) []byte { return binary.AppendUvarint(b, j.session) })
	s.before = make([]uint64, len(j.channels))
	for slot, c := range j.channels {
		if c == nil {
			continue
		}
		s.before[slot] = c.appended
		add(kindStream, c.stream)
		add(kindHead, c.headFrame)
	}
	add(kindOpened, func(b []byte) []byte { return b })
	s.size, s.opening = int64(len(b)), int64(len(b))

	name := s.name()
	fail := func(err error) (*segment, File, error) {
		return nil, nil, fmt.Errorf("journal: create segment %s in %s: %w", name, j.dir, err)
	}
	_ = j.disk.Remove(name + newSuffix) // left by a creation that was cut short
	f, err := j.disk.Create(name + newSuffix)
	if err != nil {
		return fail(err)
	}
	if _, err = f.WriteAt(b, 0); err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = j.disk.Rename(name+newSuffix, name)
	}
	if err == nil {
		err = j.disk.Sync()
	}
	if err != nil {
		f.Close()
		_ = j.disk.Remove(name + newSuffix)
		_ = j.disk.Remove(name)
		return fail(err)
	}
	j.newBoots = nil
	return s, f, nil
}
