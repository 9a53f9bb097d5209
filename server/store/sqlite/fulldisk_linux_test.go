package sqlite

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"turnwise/server/store"
)

// The index of SQLite's log is a file that is also memory. Where it grows onto a
// page for which a full disk has no room, the system ends the program at once
// (SIGBUS). The server must go on: it says that the disk is full, and that is all.
func TestFault_12_FullDiskUnderTheIndexOfTheLog(t *testing.T) {
	if dir := os.Getenv("FULL_DISK"); dir != "" {
		fullDisk(t, dir)
		return
	}
	disk, _ := mortalDisk(t)
	c := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v")
	c.Env = append(os.Environ(), "FULL_DISK="+disk)
	if out, err := c.CombinedOutput(); err != nil || !strings.Contains(string(out), "the disk is full, the program goes on") {
		t.Fatalf("%v\n%s", err, out[:min(len(out), 4000)])
	}
}

func fullDisk(t *testing.T, dir string) {
	s := open(t, dir)
	register(t, s, "k01")
	if _, err := s.w.conn.ExecContext(t.Context(), `PRAGMA wal_autocheckpoint = 0`); err != nil {
		t.Fatal(err)
	}
	log, n := file(dir)+"-wal", uint64(0)
	size := func() int64 {
		st, err := os.Stat(log)
		if err != nil {
			t.Fatal(err)
		}
		return st.Size()
	}
	next := func() error {
		n++
		_, err := s.Commit(t.Context(), []store.Batch{spans(t, "k01", n, n)})
		return err
	}
	// The index grows by a piece of 32 KiB before frame 4063.
	for size() < 4040*4120 {
		if err := next(); err != nil {
			t.Fatal(err)
		}
	}
	// The log has room for more, the index beside it not: else the log would be
	// full before it, but for one frame in a thousand.
	w, err := os.OpenFile(log, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if err := unix.Fallocate(int(w.Fd()), unix.FALLOC_FL_KEEP_SIZE, 0, 6000*4120); err != nil {
		t.Fatal(err)
	}
	filler := filepath.Join(dir, "filler")
	fill(t, filler)
	st, err := os.Stat(filler)
	if err != nil {
		t.Fatal(err)
	}
	// Room for the beginning of each page of the piece, but not for all of it.
	if err := os.Truncate(filler, st.Size()-16<<10); err != nil {
		t.Fatal(err)
	}
	for size() < 5000*4120 {
		if err := next(); err != nil {
			break
		}
	}
	if size() < 4060*4120 {
		t.Errorf("the log ended after %d bytes, before the index had to grow", size())
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	if err := next(); err != nil {
		t.Errorf("with room again: %v", err)
	}
	if got, want := revolutions(t, s), 4*int64(n); got > want || got < want-8 {
		t.Errorf("%d revolutions after %d records", got, n)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	undamaged(t, file(dir))
	os.Stdout.WriteString("the disk is full, the program goes on\n")
}

// fill leaves no block free.
func fill(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 1 << 20; size >= 512; {
		_, err := f.Write(make([]byte, size))
		switch {
		case errors.Is(err, unix.ENOSPC):
			size /= 2
		case err != nil:
			t.Fatal(err)
		}
	}
	if err := f.Sync(); err != nil && !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
}
