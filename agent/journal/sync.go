package journal

import (
	"context"
	"fmt"
	"time"
)

// Run syncs what is appended and removes what is no longer needed, until ctx
// ends; then it syncs once more. A sync that goes wrong is logged and tried
// again: nothing is durable, and nothing is sent, before it succeeds.
func (j *Journal) Run(ctx context.Context) error {
	house := time.NewTicker(time.Minute)
	defer house.Stop()
	last := time.Now().Add(-j.o.SyncEvery)
	ill, turn := false, 0
	j.tend()
	for {
		select {
		case <-ctx.Done():
			return j.Sync()
		case <-house.C:
			turn = j.Tend(turn)
			continue
		case <-j.dirty:
		}
		if wait := j.o.SyncEvery - time.Since(last); wait > 0 {
			select {
			case <-ctx.Done():
				return j.Sync()
			case <-time.After(wait):
			}
		}
		last = time.Now()
		err := j.Sync()
		switch {
		case err != nil && !ill:
			j.o.Log.Error("journal not synced, trying again", "error", err)
		case err == nil && ill:
			j.o.Log.Info("journal synced again")
		}
		if ill = err != nil; ill {
			j.wake()
		}
	}
}

// Tend removes what is no longer needed and looks whether an older segment
// still checks, a different one each turn; it returns the next turn. Run does
// so every minute.
func (j *Journal) Tend(turn int) int {
	j.prune(false)
	j.tend()
	return j.check(turn)
}

func (j *Journal) wake() {
	select {
	case j.dirty <- struct{}{}:
	default:
	}
}

// Sync makes everything appended so far durable.
func (j *Journal) Sync() error {
	j.syncing.Lock()
	defer j.syncing.Unlock()
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return ErrClosed
	}
	if err := j.syncOnce(); err != nil {
		return err
	}
	if s := j.segments[len(j.segments)-1]; s.size >= j.o.SegmentBytes {
		if err := j.roll(); err != nil {
			// The old segment goes on; the next sync tries again.
			j.o.Log.Warn("journal segment not changed", "error", err)
		}
	}
	j.keepRoom()
	return nil
}

// syncOnce syncs what is pending. It frees j.mu while the disk works, so that
// appending goes on. Call with j.syncing and j.mu held.
func (j *Journal) syncOnce() error {
	n := len(j.pending)
	if n == 0 {
		return j.syncTail()
	}
	f, from, again := j.active, j.durable, j.rewrite
	heads := make([]uint64, len(j.channels))
	for i, c := range j.channels {
		if c != nil {
			heads[i] = c.appended
		}
	}
	data := j.pending[:n:n] // appending beyond n does not touch it
	j.syncs++
	j.mu.Unlock()
	var err error
	if again {
		// After a sync that went wrong the kernel may have dropped the pages
		// and call the next sync a success: write them again.
		_, err = f.WriteAt(data, from)
	}
	if err == nil {
		err = f.Sync()
	}
	j.mu.Lock()
	if err != nil {
		j.rewrite = true
		return fmt.Errorf("journal: sync %s: %w", j.segments[len(j.segments)-1].name(), err)
	}
	j.rewrite = false
	j.durable = from + int64(n)
	j.pending = append(j.pending[:0], j.pending[n:]...)
	if cap(j.pending) > maxPending && len(j.pending) == 0 {
		j.pending = nil
	}
	more := false
	for i, seq := range heads {
		if c := j.channels[i]; c != nil && c.durable < seq {
			c.durable, more = seq, true
		}
	}
	if more {
		select {
		case j.changed <- struct{}{}:
		default:
		}
	}
	return j.syncTail()
}

// syncTail makes the tail rows durable. Call with j.mu held.
func (j *Journal) syncTail() error {
	if !j.tailDirty {
		return nil
	}
	j.syncs++
	if err := j.tail.Sync(); err != nil {
		return fmt.Errorf("journal: sync tail rows: %w", err)
	}
	j.tailDirty = false
	return nil
}

// drain syncs when too much waits for it.
func (j *Journal) drain() error {
	j.mu.Lock()
	n := len(j.pending)
	j.mu.Unlock()
	if n < maxPending {
		return nil
	}
	return j.Sync()
}

// roll begins a new segment. What was appended meanwhile is synced first: the
// opening of the new one builds on it. Call with j.syncing and j.mu held, or
// before the journal is shared.
func (j *Journal) roll() error {
	for len(j.pending) > 0 {
		if err := j.syncOnce(); err != nil {
			return err
		}
	}
	old := j.segments[len(j.segments)-1]
	s, f, err := j.createSegment(old.number + 1)
	if err != nil {
		return err
	}
	_ = j.active.Truncate(old.size) // what a write that went wrong may have left
	_ = j.active.Close()            // all of it is synced
	j.begin(s, f)
	j.total += s.size
	for _, c := range j.channels {
		if c != nil {
			c.noted = c.acked
		}
	}
	j.recent = append(j.recent, old)
	j.trim()
	return nil
}

// prune removes segments from the oldest on whose records the server has and
// has in a backup, or has had for longer than KeepAcked. With force being in
// the server's database is enough: room is worth more than a second copy. It
// returns the number of segments removed.
func (j *Journal) prune(force bool) (removed int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return 0
	}
	return j.pruneLocked(len(j.segments), force)
}

func (j *Journal) pruneLocked(most int, force bool) (removed int) {
	for removed < most && len(j.segments) > 1 && j.prunable(force) {
		s := j.segments[0]
		if err := j.disk.Remove(s.name()); err != nil {
			j.o.Log.Warn("journal segment not removed", "file", s.name(), "error", err)
			break
		}
		s.places = nil
		j.total -= s.size
		j.segments = j.segments[1:]
		removed++
	}
	if removed > 0 {
		j.recent = deleteGone(j.recent)
		if err := j.disk.Sync(); err != nil {
			j.o.Log.Warn("journal folder not synced", "error", err)
		}
	}
	return removed
}

func deleteGone(list []*segment) []*segment {
	kept := list[:0]
	for _, s := range list {
		if s.places != nil {
			kept = append(kept, s)
		}
	}
	return kept
}

// prunable tells whether the oldest segment may go. Call with j.mu held.
func (j *Journal) prunable(force bool) bool {
	force = force || j.total > j.o.KeepAckedBytes || j.aged(j.segments[1].created)
	for _, c := range j.channels {
		if c == nil {
			continue
		}
		last := j.lastIn(0, c)
		if last <= j.segments[0].beforeSlot(c.slot) {
			continue // nothing of this stream in it
		}
		if last > c.acked || last > c.horizon && !force {
			return false
		}
	}
	return true
}

// firstYear is before any agent was built; a clock that shows less was never
// set.
var firstYear = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)

// aged tells whether an instant, taken from the wall clock, is longer ago
// than KeepAcked.
func (j *Journal) aged(created int64) bool {
	at := time.Unix(0, created)
	return at.After(firstYear) && j.o.Now().Sub(at) > j.o.KeepAcked
}

// check surveys one of the older segments, so that damage is found before the
// records are needed. It returns which one is next.
func (j *Journal) check(turn int) int {
	j.mu.Lock()
	if j.closed || len(j.segments) < 2 {
		j.mu.Unlock()
		return 0
	}
	s := j.segments[turn%(len(j.segments)-1)]
	name, size := s.name(), s.size
	j.mu.Unlock()
	b, err := readAll(j.disk, name, nil)
	if err != nil {
		return turn + 1 // removed meanwhile, or read with a clear error when it is needed
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.survey(s, b[:min(int64(len(b)), size)])
	return turn + 1
}
