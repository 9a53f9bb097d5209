package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

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
