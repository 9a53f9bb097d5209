package journal

import (
	"syscall"
	"testing"
)

// forgetful is a disk whose next sync goes wrong, after which the kernel shows
// the pages and never writes them, unless they are written anew.
type forgetful struct {
	*memDisk
	ill      bool
	from, to int64 // forgotten
}

func (d *forgetful) Open(name string) (File, error)   { return d.wrap(d.memDisk.Open(name)) }
func (d *forgetful) Create(name string) (File, error) { return d.wrap(d.memDisk.Create(name)) }

func (d *forgetful) wrap(f File, err error) (File, error) {
	if err != nil {
		return nil, err
	}
	return &forgetfulFile{f.(*memFile), d}, nil
}

type forgetfulFile struct {
	*memFile
	d *forgetful
}

func (f *forgetfulFile) WriteAt(b []byte, off int64) (int, error) {
	if off <= f.d.from && off+int64(len(b)) >= f.d.to {
		f.d.from, f.d.to = 0, 0
	}
	return f.memFile.WriteAt(b, off)
}

func (f *forgetfulFile) Sync() error {
	if f.d.ill {
		f.d.ill = false
		f.d.from, f.d.to = int64(len(f.n.synced)), int64(len(f.n.now))
		return syscall.EIO
	}
	if err := f.memFile.Sync(); err != nil {
		return err
	}
	if f.d.to > f.d.from {
		clear(f.n.synced[f.d.from:f.d.to])
	}
	return nil
}

// A sync goes wrong, the process ends, the next one opens the journal and tells
// the server; then the power goes. Found by a rehearsal: the record was gone
// and its number came twice.
func TestSyncThatWentWrongBeforeTheProcessEnded(t *testing.T) {
	d := &forgetful{memDisk: newMemDisk(0)}
	o := Options{Disk: d, Log: silent}
	j, _ := mustOpen(t, "", o)
	c := mustChannel(t, j, "m01")
	mustAppend(t, c, "one", span(1, 1))
	mustSync(t, j)
	mustAppend(t, c, "two", span(1, 2))
	d.ill = true
	if j.Sync() == nil {
		t.Fatal("the sync did not go wrong")
	}
	j.crash() // the process is killed

	j, _ = mustOpen(t, "", o)
	if head := mustChannel(t, j, "m01").Head(); head != 2 {
		t.Fatalf("head %d, want 2: the kernel shows what it has not written", head)
	}
	j.crash()

	j, _ = mustOpen(t, "", Options{Disk: d.memDisk.crash(), Log: silent})
	if head := mustChannel(t, j, "m01").Head(); head != 2 {
		t.Errorf("head %d after the power was cut, want 2: it was told to the server", head)
	}
	j.crash()
}
