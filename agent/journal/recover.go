package journal

import (
	"fmt"
	"slices"
	"strings"
)

// minRecordBytes is the least that a record takes in a data frame; it bounds
// how many records a damaged stretch can have held.
const minRecordBytes = 8

// maxLostBoots bounds how many boots may be missing in a row.
const maxLostBoots = 1000

// recover reads what is on the disk. The last segment restates everything, so
// only its frames are read one by one; of the others the openings tell which
// records they hold, and their frames are checked when they are read.
func (j *Journal) recover() (rep Report, err error) {
	names, err := j.disk.List()
	if err != nil {
		return rep, fmt.Errorf("journal: list %s: %w", j.dir, err)
	}
	slices.Sort(names)
	for _, name := range names {
		if strings.HasSuffix(name, segmentSuffix+newSuffix) {
			if err := j.disk.Remove(name); err != nil {
				return rep, fmt.Errorf("journal: remove unfinished segment: %w", err)
			}
		}
		if n, ok := parseName(name); ok {
			j.segments = append(j.segments, &segment{number: n, first: n})
		}
	}
	if len(j.segments) == 0 {
		j.randomID(&j.id)
		s, f, err := j.createSegment(1)
		if err != nil {
			return rep, err
		}
		j.begin(s, f)
		j.findBallast()
		j.signLock()
		return j.report(rep), nil
	}
	for i, s := range j.segments[:len(j.segments)-1] {
		if err := j.sealedOpening(i, s); err != nil {
			return rep, err
		}
	}
	j.dropJoined()
	for i, s := range j.segments[:len(j.segments)-1] {
		if next := j.segments[i+1].first; next > s.number+1 {
			j.note(Damage{File: s.name(), Reason: fmt.Sprintf("segments %d to %d are missing", s.number+1, next-1)})
		}
	}
	rep.Cut, err = j.recoverLast()
	if err != nil {
		return rep, err
	}
	j.settle()
	j.findBallast()
	j.readTail()
	j.signLock()
	return j.report(rep), nil
}

// dropJoined removes segments that were joined into a later one when the
// agent ended before it had removed them.
func (j *Journal) dropJoined() {
	for i := 0; i+1 < len(j.segments); {
		if s, next := j.segments[i], j.segments[i+1]; next.first <= s.number {
			if err := j.disk.Remove(s.name()); err != nil {
				j.o.Log.Warn("journal segment not removed", "file", s.name(), "error", err)
			}
			j.segments = slices.Delete(j.segments, i, i+1)
			i = max(i-1, 0)
			continue
		}
		i++
	}
}

// sealedOpening reads which records came before a segment that is no longer
// written. Without its opening the bound of the segment before must do.
func (j *Journal) sealedOpening(i int, s *segment) error {
	heads := make([]uint64, maxChannels)
	used := 0
	h, _, err := opening(j.disk, s.name(), s.number, func(f frame) {
		if f.kind == kindHead {
			heads[f.slot] = f.head
			used = max(used, f.slot+1)
		}
		if f.kind == kindJoined && f.number <= s.number {
			s.first, s.grade = f.number, f.grade
		}
	})
	f, ferr := j.disk.Open(s.name())
	if ferr == nil {
		s.size, ferr = f.Size()
		f.Close()
	}
	if ferr != nil {
		return fmt.Errorf("journal: read %s: %w", s.name(), ferr)
	}
	if err == nil {
		s.created, s.before = h.created, slices.Clone(heads[:used])
		return nil
	}
	s.vague = true
	if i > 0 {
		s.before, s.created = j.segments[i-1].before, j.segments[i-1].created
	}
	j.note(Damage{File: s.name(), Bytes: s.size, Reason: err.Error()})
	return nil
}

// recoverLast reads the last segment whole, removes a torn tail and begins a
// new segment when there is other damage in it.
func (j *Journal) recoverLast() (cut *Damage, err error) {
	s := j.segments[len(j.segments)-1]
	l, err := j.readLast(s)
	if err != nil {
		return nil, err
	}
	f, err := j.disk.Open(s.name())
	if err != nil {
		return nil, fmt.Errorf("journal: open %s to write: %w", s.name(), err)
	}
	cut, err = j.cutTail(s, f, l)
	if err == nil {
		err = j.keepLast(s, f, l)
	}
	if err != nil {
		f.Close()
		return cut, err
	}
	j.declare(s, l)
	j.begin(s, f)
	if len(l.bad) > 0 {
		return cut, j.roll()
	}
	return cut, nil
}

// newest is what was found in the last segment.
type newest struct {
	wounds
	b          []byte
	end, size  int64   // where its opening ends, and its last whole frame
	seen, told []int64 // offset of the newest data frame by slot, and of the newest frame with a state
}

// readLast reads the last segment and takes over what its frames say.
func (j *Journal) readLast(s *segment) (l newest, err error) {
	l.b, err = readAll(j.disk, s.name(), nil)
	if err != nil {
		return l, fmt.Errorf("journal: read %s: %w", s.name(), err)
	}
	refuse := func(off int64, err error) error {
		return fmt.Errorf("journal: open %s: %w: newest segment %s at offset %d: %w; how many records it held cannot be known, so its streams cannot go on: "+
			"move the folder aside and start again with an empty one, the agent then begins new streams and the machines' counters carry the count", j.dir, ErrDamaged, s.name(), off, err)
	}
	frames, h, end, mended, err := parseOpening(l.b, s.number)
	if err != nil {
		return l, refuse(0, err)
	}
	j.id, s.created, l.end = h.journal, h.created, end
	for _, f := range frames {
		if err := j.apply(f); err != nil {
			return l, refuse(0, err)
		}
	}
	s.before = make([]uint64, len(j.channels))
	for slot, c := range j.channels {
		if c != nil {
			s.before[slot] = c.appended
		}
	}
	l.seen, l.told = make([]int64, maxChannels), make([]int64, maxChannels)
	s.places, s.opening = places{}, end
	l.size, l.wounds, err = walk(l.b, s.number, end, true, func(off, size int64, p []byte) error {
		f, err := decode(p)
		if err != nil {
			return refuse(off, fmt.Errorf("%w; an older agent may not read what a newer one wrote", err))
		}
		if err := j.apply(f); err != nil {
			j.note(Damage{File: s.name(), Offset: off, Bytes: size, Reason: err.Error()})
			return nil
		}
		if f.kind == kindData || f.kind == kindCoarse {
			s.places.add(f.slot, place{f.first, uint32(off), uint32(size)})
			l.seen[f.slot] = off
		}
		if f.hasState {
			l.told[f.slot] = off
		}
		return nil
	})
	l.mended = append(mended, l.mended...)
	return l, err
}

// cutTail removes what a cut of power left unfinished behind the last whole frame.
func (j *Journal) cutTail(s *segment, f File, l newest) (*Damage, error) {
	torn := int64(len(l.b)) - l.size
	if torn == 0 {
		return nil, nil
	}
	cut := &Damage{File: s.name(), Offset: l.size, Bytes: torn, Reason: "torn tail, never synced"}
	j.o.Log.Warn("journal tail cut", "file", s.name(), "offset", l.size, "bytes", torn)
	err := f.Truncate(l.size)
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		return cut, fmt.Errorf("journal: cut torn tail of %s: %w", s.name(), err)
	}
	return cut, nil
}

// keepLast makes durable what was read. It may never have been synced: without
// this a record could be sent, acknowledged and then vanish with the power. And a
// sync of the process before may have gone wrong, after which the kernel shows
// pages that it will not write any more: they are written again.
func (j *Journal) keepLast(s *segment, f File, l newest) error {
	s.size = l.size
	j.heal(s, f, l.b, l.mended)
	var err error
	if from := max(l.end, l.synced); from < l.size {
		_, err = f.WriteAt(l.b[from:l.size], from)
	}
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = j.disk.Sync() // nor may its name ever have been
	}
	if err != nil {
		return fmt.Errorf("journal: sync %s: %w", s.name(), err)
	}
	for _, c := range j.channels {
		if c != nil {
			c.sound = c.appended
		}
	}
	return nil
}

// declare notes stretches that nobody can read. Records in them may have been
// sent: their numbers must not be used again.
func (j *Journal) declare(s *segment, l newest) {
	j.orphans = j.orphans || len(l.bad) > 0
	for _, st := range l.bad {
		j.note(Damage{File: s.name(), Offset: st.off, Bytes: st.bytes, Reason: "check sum"})
		for _, c := range j.channels {
			if c != nil && l.seen[c.slot] < st.off {
				c.appended += uint64(st.bytes / minRecordBytes)
			}
			if c != nil && l.told[c.slot] < st.off {
				c.memory = MemoryLost
			}
		}
	}
}

// apply takes over what a frame says.
func (j *Journal) apply(f frame) error {
	switch f.kind {
	case kindBoot:
		// Boots that were lost to damage keep their numbers, without an id.
		if n := uint64(len(j.boots)); f.number <= n || f.number > n+maxLostBoots {
			return fmt.Errorf("boot %d after %d boots", f.number, n)
		}
		for f.number > uint64(len(j.boots)+1) {
			j.boots = append(j.boots, [16]byte{})
		}
		j.boots = append(j.boots, f.id)
		return nil
	case kindSession:
		j.session = max(j.session, f.number)
		return nil
	case kindOpened, kindMark, kindJoined:
		return nil
	case kindStream:
		for len(j.channels) <= f.slot {
			j.channels = append(j.channels, nil)
		}
		if c := j.channels[f.slot]; c != nil {
			return fmt.Errorf("slot %d begins a second stream", f.slot)
		}
		j.channels[f.slot] = &Channel{j: j, slot: f.slot, machine: f.machine, id: f.id}
		return nil
	}
	if f.slot >= len(j.channels) || j.channels[f.slot] == nil {
		for len(j.channels) <= f.slot {
			j.channels = append(j.channels, nil) // the slot is used up
		}
		j.orphans = true
		return fmt.Errorf("slot %d has no stream", f.slot)
	}
	c := j.channels[f.slot]
	switch f.kind {
	case kindHead:
		c.appended = f.head
		c.acked, c.horizon, c.incarnation = f.acked, f.horizon, f.id
	case kindData, kindCoarse:
		if f.first <= c.appended {
			return fmt.Errorf("record %d of machine %s after %d", f.first, c.machine, c.appended)
		}
		if err := f.each(func(uint64, sealed) bool { return true }); err != nil {
			return err
		}
		c.appended = f.first + f.covered - 1
	case kindAck:
		c.acked, c.horizon, c.incarnation = f.acked, f.horizon, f.id
	}
	if f.hasState {
		c.memory, c.state = MemoryKept, slices.Clone(f.state)
		if c.state == nil {
			c.state = []byte{}
		}
	}
	if f.lost {
		c.memory = MemoryLost
	}
	return nil
}

// settle brings the channels in line with what is held.
func (j *Journal) settle() {
	for _, c := range j.channels {
		if c == nil {
			continue
		}
		c.durable = c.appended
		// A segment is removed only when the server has all of it, so what is
		// gone was acknowledged, even if that note was not written any more.
		if s := j.segments[0]; !s.vague {
			c.acked = max(c.acked, s.beforeSlot(c.slot))
		}
		c.acked = min(c.acked, c.durable)
		c.noted = c.acked
	}
}

func (j *Journal) begin(s *segment, f File) {
	if len(j.segments) == 0 || j.segments[len(j.segments)-1] != s {
		j.segments = append(j.segments, s)
	}
	if s.places == nil {
		s.places = places{}
	}
	j.active, j.durable, j.pending = f, s.size, j.pending[:0]
}

func (j *Journal) report(rep Report) Report {
	rep.Segments, rep.Damage = len(j.segments), slices.Clone(j.damage)
	j.total = 0
	for _, s := range j.segments {
		j.total += s.size
	}
	rep.Bytes = j.total
	for _, c := range j.channels {
		if c != nil {
			rep.Streams++
			rep.Records += c.durable - min(c.durable, j.segments[0].beforeSlot(c.slot))
		}
	}
	return rep
}

// heal writes bits that were put right in memory back to the disk. A second
// wrong bit in the same frame could not be put right any more.
func (j *Journal) heal(s *segment, f File, b []byte, mended []flip) {
	for _, m := range mended {
		d := Damage{File: s.name(), Offset: m.off, Bytes: 1, Reason: mendedReason}
		if slices.Contains(j.damage, d) {
			continue
		}
		_, err := f.WriteAt(b[m.off:m.off+1], m.off)
		if err == nil {
			err = f.Sync()
		}
		j.note(d)
		if err != nil {
			j.o.Log.Warn("bit put right in memory only", "file", s.name(), "offset", m.off, "error", err)
		}
	}
}

// mendedReason is the reason of a Damage that cost nothing.
const mendedReason = "one bit had turned over and was put right"

// note declares damage, once. Call with j.mu held or before the journal is
// shared.
func (j *Journal) note(d Damage) {
	if slices.Contains(j.damage, d) || len(j.damage) >= 1000 {
		return
	}
	j.damage = append(j.damage, d)
	if d.Reason == mendedReason {
		j.o.Log.Warn("journal: a bit had turned over and was put right; when it happens again the device is wearing out", "file", d.File, "offset", d.Offset)
		return
	}
	j.o.Log.Error("journal damaged: records in it are lost and are declared to the server",
		"file", d.File, "offset", d.Offset, "bytes", d.Bytes, "reason", d.Reason)
}
