package journal

import (
	"errors"
	"sync"
	"syscall"
	"testing"
)

// flakyDisk is a real folder whose calls go wrong as told.
type flakyDisk struct {
	mu    sync.Mutex
	syncs int
	calls int
	// failCall fails that call (from 1); failSync and full fail while set.
	failCall int
	failSync bool
	full     bool
	disk     Disk
}

func (d *flakyDisk) on(dir string) Disk {
	d.disk = osDisk{dir}
	return d
}

// synced counts the calls of sync so far.
func (d *flakyDisk) synced() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.syncs
}

func (d *flakyDisk) fault(write bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls++
	if d.calls == d.failCall {
		return syscall.EIO
	}
	if write && d.full {
		return syscall.ENOSPC
	}
	return nil
}

func (d *flakyDisk) Create(name string) (File, error) {
	if err := d.fault(true); err != nil {
		return nil, err
	}
	return d.wrap(d.disk.Create(name))
}

func (d *flakyDisk) Open(name string) (File, error) {
	if err := d.fault(false); err != nil {
		return nil, err
	}
	return d.wrap(d.disk.Open(name))
}

func (d *flakyDisk) wrap(f File, err error) (File, error) {
	if err != nil {
		return nil, err
	}
	return &flakyFile{File: f, d: d}, nil
}

func (d *flakyDisk) List() ([]string, error) { return d.disk.List() }

func (d *flakyDisk) Rename(from, to string) error {
	if err := d.fault(false); err != nil {
		return err
	}
	return d.disk.Rename(from, to)
}

func (d *flakyDisk) Remove(name string) error { return d.disk.Remove(name) }

func (d *flakyDisk) Sync() error {
	if err := d.fault(false); err != nil {
		return err
	}
	return nil
}

type flakyFile struct {
	File
	d *flakyDisk
}

func (f *flakyFile) WriteAt(b []byte, off int64) (int, error) {
	if err := f.d.fault(true); err != nil {
		n, _ := f.File.WriteAt(b[:len(b)/2], off) // half of it gets there
		return n, err
	}
	return f.File.WriteAt(b, off)
}

func (f *flakyFile) Sync() error {
	f.d.mu.Lock()
	f.d.syncs++
	fail := f.d.failSync
	f.d.mu.Unlock()
	if fail {
		return syscall.EIO
	}
	return f.d.fault(false) // the test's machine does not lose power: no need to wait for its disk
}

func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	d := &flakyDisk{}
	j, _ := mustOpen(t, dir, Options{disk: d.on})
	c := mustChannel(t, j, "m01")
	mustAppend(t, c, "one", span(1, 1))
	mustSync(t, j)
	d.full = true
	err := c.Append([]byte("two"), span(1, 2))
	if !errors.Is(err, ErrFull) || !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("%v, want ErrFull and ENOSPC", err)
	}
	if string(c.State()) != "one" {
		t.Errorf("state %q, want that of the newest record, \"one\"", c.State())
	}
	if _, err := j.NextSession(); err != nil {
		t.Errorf("a full disk must not keep the agent from connecting: %v", err)
	}
	d.full = false
	mustAppend(t, c, "three", span(1, 3))
	mustSync(t, j)
	if c.Head() != 2 {
		t.Errorf("head %d, want 2", c.Head())
	}
	j.Close()
	j, rep := mustOpen(t, dir, Options{})
	if rep.Cut != nil || rep.Damage != nil || len(readFrom(t, mustChannel(t, j, "m01"), 1)) != 2 {
		t.Errorf("reopened: %+v", rep)
	}
}

func TestNothingIsDurableBeforeTheSyncSucceeds(t *testing.T) {
	dir := t.TempDir()
	d := &flakyDisk{}
	j, _ := mustOpen(t, dir, Options{disk: d.on})
	c := mustChannel(t, j, "m01")
	mustAppend(t, c, "one", span(1, 1))
	d.failSync = true
	if err := j.Sync(); !errors.Is(err, syscall.EIO) {
		t.Fatalf("Sync = %v, want EIO", err)
	}
	mustAppend(t, c, "two", span(1, 2))
	if c.Head() != 0 {
		t.Errorf("head %d after a sync that went wrong, want 0", c.Head())
	}
	// The kernel dropped the pages: what comes back is zero.
	if _, err := j.active.(*flakyFile).File.WriteAt(make([]byte, len(j.pending)), j.durable); err != nil {
		t.Fatal(err)
	}
	d.failSync = false
	mustSync(t, j)
	if c.Head() != 2 {
		t.Errorf("head %d, want 2", c.Head())
	}
	j.Close()
	j, rep := mustOpen(t, dir, Options{})
	if rep.Cut != nil || len(readFrom(t, mustChannel(t, j, "m01"), 1)) != 2 {
		t.Errorf("the lost pages were not written again: %+v", rep)
	}
}

// Every call to the disk goes wrong once; each time there is a clean error or
// success, and what was synced is there afterwards.
func TestEachCallGoesWrongOnce(t *testing.T) {
	for n := 1; ; n++ {
		dir := t.TempDir()
		d := &flakyDisk{failCall: n}
		synced := uint64(0)
		j, _, err := Open(dir, Options{SegmentBytes: 1024, disk: d.on})
		if err == nil {
			c, err := j.Channel("m01")
			for i := uint64(0); err == nil && i < 30; i++ {
				if c.Append([]byte("state"), span(1, i)) == nil && j.Sync() == nil {
					synced = c.Head()
				}
			}
			if c != nil {
				synced = c.Head()
			}
			j.Close()
		}
		j, rep, err := Open(dir, Options{})
		if err != nil {
			t.Fatalf("call %d: reopen: %v", n, err)
		}
		c := mustChannel(t, j, "m01")
		if c.Head() < synced || rep.Damage != nil {
			t.Errorf("call %d: head %d, %d was durable; report %+v", n, c.Head(), synced, rep)
		}
		for i, r := range readFrom(t, c, 1) {
			if r.GetCoarse() {
				t.Errorf("call %d: record %d is a tombstone", n, i+1)
			}
		}
		j.Close()
		if d.calls < n {
			return // all of them had their turn
		}
	}
}
