package journal

import (
	"maps"
	"testing"
)

// The agent is killed after a new segment has got its name, before the folder
// was synced; the next process writes into it and tells its records durable.
// Then the power goes: they must still be there.
func TestNameOfASegmentOutlivesTheProcess(t *testing.T) {
	d := newMemDisk(0)
	open := func(d *memDisk) (*Journal, *Channel) {
		j, _ := mustOpen(t, "", Options{Disk: d, SegmentBytes: 400})
		return j, mustChannel(t, j, "m01")
	}
	j, c := open(d)
	n := uint64(0)
	var names map[string]*memInode
	for len(j.segments) < 2 {
		names = maps.Clone(d.names) // before the segment that comes now
		n++
		mustAppend(t, c, "state", span(1, n))
		mustSync(t, j)
	}
	d.names = names
	j.Close()
	j, c = open(d)
	n++
	mustAppend(t, c, "state", span(1, n))
	mustSync(t, j)
	if c.Head() != n {
		t.Fatalf("head %d after a sync, want %d", c.Head(), n)
	}
	_, c = open(d.crash())
	if c.Head() != n || len(readFrom(t, c, 1)) != int(n) {
		t.Errorf("head %d after the power cut, and record %d was durable", c.Head(), n)
	}
}
