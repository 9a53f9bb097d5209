package journal

import (
	"errors"
	"runtime"
	"runtime/debug"
	"syscall"
	"testing"

	"turnwise/proto/wire"
)

// The power goes at any moment while the ladder works: what was durable is
// there, nothing is damaged, counts and stops agree up to the state that is kept.
func TestFault_06_PowerCutWhileMakingRoom(t *testing.T) {
	steps := 400
	if testing.Short() {
		steps = 120
	}
	d := newMemDisk(96 << 10)
	k := &knitter{id: "m01"}
	j, _, err := Open("memory", Options{Disk: d, Log: silent})
	if err != nil {
		t.Fatal(err)
	}
	c := mustChannel(t, j, "m01")
	j.Boot([16]byte{1})
	j.tend()
	for i := range steps {
		if err := k.step(c, 60); err != nil {
			t.Fatal(err)
		}
		if i%3 != 0 {
			continue
		}
		mustSync(t, j)
		durable, rows := c.Head(), len(c.held)
		cut := d.crash()
		after, rep, err := Open("memory", Options{Disk: cut, Log: silent})
		if err != nil || rep.Damage != nil {
			t.Fatalf("cut after step %d: %v, %v", i, rep.Damage, err)
		}
		ac := mustChannel(t, after, "m01")
		if ac.Head() != durable || len(ac.held) != rows {
			t.Errorf("cut after step %d: head %d with %d in the row, want %d with %d", i, ac.Head(), len(ac.held), durable, rows)
		}
		if i%30 == 0 {
			k.agreesWithRow(t, after, ac, "after the cut")
		}
		_ = after.Close()
	}
	_ = j.Close()
}

// A sync that went wrong has made nothing durable, and the next good one all.
func TestFault_13_FailedSyncIsNotBelieved(t *testing.T) { TestNothingIsDurableBeforeTheSyncSucceeds(t) }

// The process may open no more files: nothing is lost, and it goes on when it
// may again.
func TestFault_45_NoDescriptors(t *testing.T) {
	d := newMemDisk(0)
	j, _ := mustOpen(t, "memory", Options{Disk: d, Log: silent, SegmentBytes: 4 << 10})
	c := mustChannel(t, j, "m01")
	j.Boot([16]byte{1})
	k := &knitter{id: "m01"}
	work := func() {
		t.Helper()
		for range 60 {
			if err := k.step(c, 20); err != nil {
				t.Fatal(err)
			}
			mustSync(t, j)
		}
	}
	work()
	d.mu.Lock()
	d.most = d.open
	d.mu.Unlock()
	work() // no new segment can begin
	if _, _, err := c.Read(1, 10, 1<<20); !errors.Is(err, syscall.EMFILE) {
		t.Errorf("reading without descriptors: %v, want EMFILE", err)
	}
	d.mu.Lock()
	d.most = 0
	d.mu.Unlock()
	work()
	k.agrees(t, hear(t, c, 1), "with descriptors again")
	checkJournal(t, j)
}

// Three days of a machine wait, under a memory limit of 64 MiB: they are read
// batch by batch, head and tail, and the memory does not grow.
func TestFault_44_BacklogStreams(t *testing.T) {
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(64 << 20))
	const records = 3 * 24 * 360
	heap := func() int64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before := heap()
	j := backlog(t, records, Options{Log: silent, SegmentBytes: 256 << 10, disk: (&flakyDisk{}).on})
	read, most := 0, int64(0)
	for _, c := range j.Channels() {
		for next := uint64(1); next <= c.Head(); {
			recs, _, err := c.Read(next, wire.MaxRecords, wire.MaxBatchBytes)
			if err != nil || len(recs) == 0 {
				t.Fatalf("Read(%d): %d records, %v", next, len(recs), err)
			}
			next += uint64(len(recs))
			read += len(recs)
		}
		most = max(most, heap()-before)
	}
	if read != records {
		t.Errorf("%d records read, want %d", read, records)
	}
	if most > 8<<20 {
		t.Errorf("%d bytes of memory for %d bytes of journal, want 8 MiB at most", most, j.Bytes())
	}
}
