package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// How far a segment is coarsened. The first grade keeps what the server's
// finest sums tell apart.
const (
	gradeFine = iota
	gradeCell // spans of at most coarseCell
	gradeRun  // spans as long as the machine was told to run
)

const coarseCell = 5 * time.Minute

// Records of a coarse frame: few, so that damage takes few.
const (
	coarseRecords = 16
	coarseBytes   = 1 << 10
)

// item is one record that a coarser segment holds, and how many numbers right
// before it are gone.
type item struct {
	seq, gone uint64
	r         sealed
	span      *wirepb.Record // of a count span, else nil
	merged    bool
}

// first is the lowest number that the item speaks for.
func (it *item) first() uint64 { return it.seq - it.gone }

// coarser merges the count spans of one stream that lie end to end. All other
// records stay byte by byte, stops above all.
type coarser struct {
	stream [16]byte
	limit  time.Duration // of a merged span; 0 = none
	items  []item
}

func (c *coarser) add(seq, gone uint64, r sealed) {
	it := item{seq: seq, gone: gone, r: r}
	rec := new(wirepb.Record)
	if proto.Unmarshal(r.body, rec) == nil && rec.GetCountSpan() != nil {
		it.span = rec
	}
	if n := len(c.items); n > 0 {
		if last := &c.items[n-1]; last.seq+1 == it.first() && c.join(last, &it) {
			return
		}
	}
	c.items = append(c.items, it)
}

// join makes last and it one when nothing but time detail is lost: the same
// line of counts in the same boot, without a hole in counts or time.
func (c *coarser) join(last, it *item) bool {
	if last.span == nil || it.span == nil {
		return false
	}
	a, b := last.span.GetCountSpan(), it.span.GetCountSpan()
	if a.GetTo() != b.GetFrom() || string(a.GetLifeId()) != string(b.GetLifeId()) || a.GetRawBits() != b.GetRawBits() ||
		a.GetCountsPerRevolution() != b.GetCountsPerRevolution() || a.GetQuality() != b.GetQuality() ||
		last.span.GetBoot() != it.span.GetBoot() || last.span.GetBoottimeNs() != b.GetFromBoottimeNs() {
		return false
	}
	if c.limit > 0 && it.span.GetBoottimeNs()-a.GetFromBoottimeNs() > int64(c.limit) {
		return false
	}
	b.From, b.FromBoottimeNs = a.GetFrom(), a.GetFromBoottimeNs()
	*last = item{seq: it.seq, gone: last.gone + 1 + it.gone, span: it.span, merged: true}
	return true
}

// seal gives merged records their bytes.
func (c *coarser) seal() error {
	for i := range c.items {
		it := &c.items[i]
		if !it.merged {
			continue
		}
		it.span.Seq = it.seq
		s, err := wire.Seal(c.stream[:], it.span)
		if err != nil {
			return err
		}
		it.r = sealed{crc: s.GetCrc32C(), body: s.GetBody(), coarse: true}
	}
	return nil
}

// frames appends the items as payloads of coarse frames.
func (c *coarser) frames(slot int, emit func(fill func([]byte) []byte)) {
	for from := 0; from < len(c.items); {
		end, bytes := from, 0
		for ; end < len(c.items) && end-from < coarseRecords && bytes < coarseBytes; end++ {
			if end > from && c.items[end-1].seq+1 != c.items[end].first() {
				break // numbers that nobody speaks for are no part of a frame
			}
			bytes += len(c.items[end].r.body)
		}
		part := c.items[from:end]
		emit(func(b []byte) []byte {
			b = binary.AppendUvarint(b, uint64(slot))
			b = binary.AppendUvarint(b, part[0].first())
			b = binary.AppendUvarint(b, part[len(part)-1].seq-part[0].first()+1)
			b = binary.AppendUvarint(b, uint64(len(part)))
			for _, it := range part {
				b = binary.AppendUvarint(b, it.gone)
				var flags byte
				if it.r.coarse {
					flags = 1
				}
				b = binary.LittleEndian.AppendUint32(append(b, flags), it.r.crc)
				b = append(binary.AppendUvarint(b, uint64(len(it.r.body))), it.r.body...)
			}
			return b
		})
		from = end
	}
}

// errKeep says that a segment stays as it is.
var errKeep = errors.New("segment is not coarsened")

// gather reads the records of a segment into a coarser for each stream. A
// segment in which anything does not check stays as it is: what can be read
// of it now must not be all that is left.
func (j *Journal) gather(s *segment, by map[int]*coarser, opening *[]frame, limit time.Duration) error {
	b, err := readAll(j.disk, s.name(), nil)
	if err != nil {
		return err
	}
	b = b[:min(int64(len(b)), s.size)]
	frames, _, end, mended, err := parseOpening(b, s.number)
	if err != nil || len(mended) > 0 {
		return errKeep
	}
	for _, f := range frames {
		if f.kind == kindStream || f.kind == kindHead {
			*opening = append(*opening, f)
		}
	}
	_, w, err := walk(b, s.number, end, false, func(_, _ int64, p []byte) error {
		f, err := decode(p)
		if err != nil {
			return err
		}
		switch f.kind {
		case kindStream:
			*opening = append(*opening, f)
			return nil
		case kindData, kindCoarse:
		default:
			return nil // boots, sessions, ticks and acknowledgements are restated by later openings
		}
		c := by[f.slot]
		if c == nil {
			if f.slot >= len(j.channels) || j.channels[f.slot] == nil {
				return errKeep
			}
			c = &coarser{stream: j.channels[f.slot].id, limit: limit}
			by[f.slot] = c
		}
		next := f.first
		return f.each(func(seq uint64, r sealed) bool {
			if wire.RecordCRC(c.stream[:], seq, r.body) != r.crc {
				err = errKeep
			}
			c.add(seq, seq-next, r)
			next = seq + 1
			return true
		})
	})
	if err != nil || len(w.bad) > 0 || len(w.mended) > 0 {
		return errKeep
	}
	return nil
}

// coarsen writes segments from to to (indices, all sealed) as one coarser
// segment in the place of the last of them. It returns how many bytes became
// free. The old ones go only when the new one is whole on the disk. Call with
// j.syncing and j.mu held.
func (j *Journal) coarsen(from, to, grade int) (freed int64, err error) {
	old := slices.Clone(j.segments[from : to+1])
	limit := time.Duration(0)
	if grade == gradeCell {
		limit = coarseCell
	}
	by, opening := map[int]*coarser{}, []frame(nil)
	for i, s := range old {
		known := len(opening)
		if err := j.gather(s, by, &opening, limit); err != nil {
			return 0, err
		}
		if i > 0 { // its heads follow from the records
			opening = append(opening[:known], newStreams(opening[:known], opening[known:])...)
		}
	}
	first, last := old[0], old[len(old)-1]
	s := &segment{number: last.number, first: first.first, created: first.created, before: first.before, grade: grade}
	b, err := j.coarseBytes(s, by, opening)
	if err != nil {
		return 0, err
	}
	for _, o := range old {
		freed += o.size
	}
	if freed -= s.size; freed <= 0 {
		return 0, errKeep
	}
	if err := j.putSegment(s, b); err != nil {
		return 0, err
	}
	for _, o := range old {
		o.places = nil
		if o.number == s.number {
			continue
		}
		if err := j.disk.Remove(o.name()); err != nil {
			j.o.Log.Warn("journal segment not removed", "file", o.name(), "error", err)
		}
	}
	j.recent = deleteGone(j.recent)
	j.segments = slices.Replace(j.segments, from, to+1, s)
	j.total -= freed
	return freed, nil
}

// newStreams are the beginnings of streams in more that known does not name.
func newStreams(known, more []frame) (out []frame) {
	for _, f := range more {
		if f.kind != kindStream || slices.ContainsFunc(known, func(k frame) bool { return k.kind == kindStream && k.slot == f.slot }) {
			continue
		}
		out = append(out, f)
	}
	return out
}

// coarseBytes are those of a coarser segment. Its heads tell no state: the
// newest is restated by the opening of the newest segment.
func (j *Journal) coarseBytes(s *segment, by map[int]*coarser, opening []frame) ([]byte, error) {
	b := appendHeader(nil, header{segment: s.number, journal: j.id, created: s.created})
	add := func(k kind, fill func([]byte) []byte) {
		start := len(b)
		b = fill(beginFrame(b, k))
		endFrame(b, start, s.number, int64(start), 0)
	}
	add(kindJoined, func(b []byte) []byte {
		return binary.AppendUvarint(binary.AppendUvarint(b, s.first), uint64(s.grade))
	})
	for _, f := range opening {
		switch f.kind {
		case kindStream:
			add(kindStream, func(b []byte) []byte {
				return append(append(binary.AppendUvarint(b, uint64(f.slot)), f.id[:]...), f.machine...)
			})
		case kindHead:
			add(kindHead, func(b []byte) []byte {
				b = binary.AppendUvarint(binary.AppendUvarint(b, uint64(f.slot)), f.head)
				b = binary.AppendUvarint(binary.AppendUvarint(b, f.acked), f.horizon)
				return append(append(b, f.id[:]...), 0)
			})
		}
	}
	add(kindOpened, func(b []byte) []byte { return b })
	for slot := range len(j.channels) {
		c := by[slot]
		if c == nil {
			continue
		}
		if err := c.seal(); err != nil {
			return nil, fmt.Errorf("journal: coarsen machine %s: %w", j.channels[slot].machine, err)
		}
		c.frames(slot, func(fill func([]byte) []byte) { add(kindCoarse, fill) })
	}
	s.size = int64(len(b))
	return b, nil
}

// putSegment puts a segment in the place of the file of its name, whole or
// not at all.
func (j *Journal) putSegment(s *segment, b []byte) error {
	name := s.name()
	_ = j.disk.Remove(name + newSuffix)
	f, err := j.disk.Create(name + newSuffix)
	if err == nil {
		if _, err = f.WriteAt(b, 0); err == nil {
			err = f.Sync()
		}
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		_ = j.disk.Remove(name + newSuffix)
		return fmt.Errorf("journal: write coarser segment %s in %s: %w", name, j.dir, err)
	}
	if err = j.disk.Rename(name+newSuffix, name); err == nil {
		err = j.disk.Sync()
	}
	if err != nil {
		return fmt.Errorf("journal: put coarser segment %s in its place in %s: %w", name, j.dir, err)
	}
	return nil
}
