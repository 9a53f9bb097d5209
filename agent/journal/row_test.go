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

// The box starts anew while there is no room, not even to name its boot: what waits
// in the row is still of that boot after the next start, and another one has another
// number.
func TestBootWithoutRoom(t *testing.T) {
	d := newMemDisk(64 << 10)
	k := &knitter{id: "m01"}
	boots := [][16]byte{{1}, {2}, {3}}
	var j *Journal
	var c *Channel
	start := func(boot int) {
		t.Helper()
		if j != nil { // the power went
			was := j
			d = d.crash()
			defer func() { _ = was.Close() }()
		}
		var rep Report
		var err error
		if j, rep, err = Open("memory", Options{Disk: d, Log: silent}); err != nil || rep.Damage != nil {
			t.Fatal(rep.Damage, err)
		}
		c = mustChannel(t, j, "m01")
		if got := j.Boot(boots[boot-1]); got != uint32(boot) {
			t.Fatalf("boot %d has number %d", boot, got)
		}
	}
	start(1)
	j.tend()
	for i := 0; len(c.held) == 0; i++ {
		if err := k.step(c, 20); err != nil || i > 5000 {
			t.Fatal(i, err)
		}
		mustSync(t, j)
	}
	start(2)
	more := k.span()[0]
	more.Boot, more.GetCountSpan().To = 2, k.count+5
	if err := c.Append(k.state(), more); err != nil {
		t.Fatal(err)
	}
	mustSync(t, j)
	if len(c.held) < 2 || len(j.newBoots) == 0 {
		t.Fatalf("%d records in the row, those of two boots expected; %d boots without a name", len(c.held), len(j.newBoots))
	}
	start(3)
	if id, ok := j.bootID(2); !ok || id != boots[1] {
		t.Errorf("boot 2 is %x, %v; want %x", id[:1], ok, boots[1][:1])
	}
	// With room the segment names both.
	d.mu.Lock()
	d.bytes = 0
	d.mu.Unlock()
	if err := k.step(c, 20); err != nil {
		t.Fatal(err)
	}
	mustSync(t, j)
	start(3)
	if id, _ := j.bootID(2); len(c.held) != 0 || id != boots[1] {
		t.Errorf("%d records in the row, boot 2 is %x; want none and %x", len(c.held), id[:1], boots[1][:1])
	}
	checkJournal(t, j)
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
