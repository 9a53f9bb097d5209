package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"turnwise/proto/turnwisepb/wirepb"
)

// Rung is how far the journal has gone to make room. Each one costs more than
// the one below; none of them costs a count or a stop, unless the server is set
// back too.
type Rung int

const (
	// RungNone: there is room.
	RungNone Rung = iota
	// RungPruned: what the server has in a backup was removed early.
	RungPruned
	// RungAcked: records that the server has are kept coarser; where all the rest
	// does not do, the oldest of them go.
	RungAcked
	// RungWaiting: records that wait for the server are coarser too.
	RungWaiting
	// RungBallast: the ballast was given up.
	RungBallast
	// RungTail: nothing more is added to the segments; what each machine tells
	// is kept merged in its tail row, written in place.
	RungTail
)

var rungWords = [...]string{"there is room", "backed-up records removed", "acknowledged records kept coarser", "waiting records kept coarser",
	"ballast given up", "only a tail row for each machine"}

func (r Rung) String() string {
	if r < 0 || int(r) >= len(rungWords) {
		return fmt.Sprintf("rung %d", int(r))
	}
	return rungWords[r]
}

// Defaults and bounds of the ladder.
const (
	defaultBallast = 16 << 20
	ballastFile    = "ballast"
	diskShare      = 16 // ballast and segments are at most this part of the disk
	minSegment     = 4 << 10
)

// fitDisk makes ballast and segments smaller on a small disk.
func (o *Options) fitDisk(d Disk) {
	if o.Ballast == 0 {
		o.Ballast = defaultBallast
	}
	o.Ballast = min(max(o.Ballast, 0), o.MaxBytes/diskShare)
	if size, ok := diskSize(d); ok {
		o.Ballast = min(o.Ballast, size/diskShare)
		o.SegmentBytes = min(o.SegmentBytes, max(minSegment, size/diskShare))
	}
}

func diskSize(d Disk) (int64, bool) {
	t, ok := d.(RoomTeller)
	if !ok {
		return 0, false
	}
	_, size, ok := t.Room()
	return size, ok
}

// room is how many bytes can still be written. Call with j.mu held.
func (j *Journal) room() int64 {
	left := j.o.MaxBytes - j.total
	if t, ok := j.disk.(RoomTeller); ok {
		if free, _, ok := t.Room(); ok {
			left = min(left, free)
		}
	}
	return left
}

// low is the room below which the ladder begins, so that it has room to work
// in: a coarser segment is written before the old one goes.
func (j *Journal) low() int64 { return 2 * j.o.SegmentBytes }

// Rung tells how far the journal has gone to make room.
func (j *Journal) Rung() Rung {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.rung
}

// Pressed says in one sentence what people should do about the room; empty
// when there is enough.
func (j *Journal) Pressed() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.rung < RungAcked {
		return ""
	}
	return fmt.Sprintf("journal runs out of room, %s: free space in %s, raise spool.max_size, or see that the server acknowledges and takes backups", j.rung, j.dir)
}

// setRung notes the rung, for people and for journal status. Call with j.mu
// held.
func (j *Journal) setRung(r Rung) {
	if r == j.rung {
		return
	}
	was := j.rung
	j.rung = r
	switch {
	case r < was:
		j.o.Log.Info("journal has room again", "rung", r.String())
	case r >= RungWaiting:
		j.o.Log.Error("journal runs out of room: free space there, or see that the server acknowledges", "dir", j.dir, "rung", r.String(), "bytes", j.total)
	case r >= RungAcked:
		j.o.Log.Warn("journal runs out of room", "dir", j.dir, "rung", r.String(), "bytes", j.total)
	}
	j.signLock()
}

// signLock writes process and rung into the lock file, over the same bytes: it
// needs no room.
func (j *Journal) signLock() {
	if f, ok := j.lock.(*os.File); ok {
		_, _ = f.WriteAt(fmt.Appendf(nil, "%-10d\nrung %d\n", os.Getpid(), int(j.rung)), 0)
	}
}

// relieve takes one step that makes room, on no higher rung than most. It
// tells whether anything was done. Call with j.syncing and j.mu held.
func (j *Journal) relieve(most Rung) bool {
	if j.pruneLocked(len(j.segments), false) > 0 {
		j.setRung(max(j.rung, RungPruned))
		return true
	}
	for _, waiting := range []bool{false, true} {
		r := RungAcked
		if waiting {
			r = RungWaiting
		}
		if r > most {
			return false
		}
		for _, grade := range []int{gradeCell, gradeRun} {
			if j.coarsenNext(waiting, grade) {
				j.setRung(max(j.rung, r))
				return true
			}
		}
	}
	if s := j.segments[len(j.segments)-1]; s.size-s.opening > j.o.SegmentBytes/4 {
		// What waits in the newest segment can be coarser once it is sealed.
		if err := j.roll(); err == nil {
			return true
		}
	}
	if most < RungBallast || !j.ballast {
		return false
	}
	if err := j.disk.Remove(ballastFile); err != nil && !errors.Is(err, fs.ErrNotExist) {
		j.o.Log.Error("ballast of the journal not removed", "dir", j.dir, "error", err)
		return false
	}
	j.ballast = false
	j.setRung(RungBallast)
	return true
}

// giveUp removes the oldest segment of which the server has everything, although
// no backup has: a server that is set back will not find it again. That is worth
// less than what is new, and more than anything else. Call with j.syncing and
// j.mu held.
func (j *Journal) giveUp() bool {
	if j.pruneLocked(1, true) == 0 {
		return false
	}
	j.setRung(max(j.rung, RungAcked))
	return true
}

// addInNeed climbs the ladder until there is room for the records; at its end
// the tail row takes them.
func (c *Channel) addInNeed(state []byte, k kind, recs []*wirepb.Record) error {
	j := c.j
	j.syncing.Lock()
	defer j.syncing.Unlock()
	j.mu.Lock()
	defer j.mu.Unlock()
	for {
		err := c.letGo()
		if err == nil {
			err = c.addLocked(state, k, recs)
		}
		if !errors.Is(err, ErrFull) || j.closed {
			return err
		}
		if j.relieve(RungBallast) {
			continue
		}
		// The row speaks of what follows the newest record: that must be there.
		for len(j.pending) > 0 {
			if serr := j.syncOnce(); serr != nil {
				return errors.Join(err, serr)
			}
		}
		herr := c.hold(state, recs)
		if herr == nil {
			return nil
		}
		if !j.giveUp() {
			return errors.Join(err, herr)
		}
	}
}

// keepRoom begins to make room before there is none, and ends it when there is
// enough. Call with j.syncing and j.mu held.
func (j *Journal) keepRoom() {
	room := j.room()
	if room < j.low() {
		if !j.relieve(RungWaiting) && j.o.MaxBytes-j.total < j.low() {
			j.giveUp() // not where others fill the disk: that may pass
		}
		return
	}
	if j.rung == RungNone {
		return
	}
	for _, c := range j.channels {
		if c == nil {
			continue
		}
		if err := c.letGo(); err != nil {
			return
		}
	}
	j.climbDown(room)
}

// coarsenNext coarsens the oldest segment that can be: one of which the server
// has everything, or, with waiting, any. Records that may be on their way stay
// as they are.
func (j *Journal) coarsenNext(waiting bool, grade int) bool {
	for i, s := range j.segments[:len(j.segments)-1] {
		if s.grade >= grade || !j.resting(i, waiting) {
			continue
		}
		from := i
		if p := i - 1; p >= 0 && j.segments[p].grade >= gradeCell && j.segments[p].size <= j.o.SegmentBytes/2 && j.resting(p, waiting) {
			from = p
		}
		_, err := j.coarsen(from, i, grade)
		if err == nil {
			return true
		}
		if errors.Is(err, errKeep) {
			s.grade = grade // nothing to be gained; not asked again in this run
			continue
		}
		if !noSpace(err) {
			j.o.Log.Warn("journal segment not coarsened", "file", s.name(), "error", err)
		}
		return false
	}
	return false
}

// noSpace tells that the device is full.
func noSpace(err error) bool {
	return errors.Is(err, ErrFull) || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// findBallast sees whether the ballast is there, whole.
func (j *Journal) findBallast() {
	f, err := j.disk.Open(ballastFile)
	if err != nil {
		return
	}
	n, err := f.Size()
	_ = f.Close()
	if j.ballast = err == nil && n >= j.o.Ballast && j.o.Ballast > 0; !j.ballast {
		_ = j.disk.Remove(ballastFile)
	}
}

// resting tells whether no record of segment i may be on its way and, without
// waiting, whether the server has them all. Call with j.mu held.
func (j *Journal) resting(i int, waiting bool) bool {
	s := j.segments[i]
	if s.vague || j.segments[i+1].vague {
		return false
	}
	for _, c := range j.channels {
		if c == nil {
			continue
		}
		first, last := s.beforeSlot(c.slot)+1, j.lastIn(i, c)
		if last < first || last <= c.acked {
			continue
		}
		if !waiting || max(first, c.acked+1) <= min(last, c.sent) {
			return false
		}
	}
	return true
}

// Sent notes that records up to seq are on their way to the server: they are
// not made coarser before they are acknowledged, or Sent is called with a
// lower number because the connection has ended.
func (c *Channel) Sent(seq uint64) {
	c.j.mu.Lock()
	defer c.j.mu.Unlock()
	c.sent = seq
}

// tend keeps ballast and tail rows and climbs down when there is room again.
func (j *Journal) tend() {
	j.syncing.Lock()
	defer j.syncing.Unlock()
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return
	}
	j.layTail()
	room := j.room()
	if !j.ballast && j.o.Ballast > 0 && room >= j.low()+2*j.o.Ballast {
		j.ballast = j.layBallast() == nil
		room = j.room()
	}
	j.climbDown(room)
}

// climbDown clears the alarm when there is room well beyond where it began.
// Call with j.mu held.
func (j *Journal) climbDown(room int64) {
	switch {
	case j.rung == RungNone || j.holding() > 0 || room < 2*j.low():
	case j.ballast || j.o.Ballast <= 0:
		j.setRung(RungNone)
	case j.rung > RungBallast:
		j.setRung(RungBallast)
	}
}

// layBallast makes the ballast whole or not at all.
func (j *Journal) layBallast() error {
	return j.reserve(ballastFile, j.o.Ballast)
}

// reserve makes a file of which all blocks are taken.
func (j *Journal) reserve(name string, size int64) error {
	_ = j.disk.Remove(name)
	f, err := j.disk.Create(name)
	if err != nil {
		return err
	}
	if r, ok := f.(Reserver); ok {
		err = r.Reserve(size)
	} else {
		err = fill(f, size)
	}
	if err == nil {
		err = f.Sync()
	}
	err = errors.Join(err, f.Close())
	if err == nil {
		err = j.disk.Sync()
	}
	if err != nil {
		_ = j.disk.Remove(name)
	}
	return err
}
