package sqlite

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"golang.org/x/sys/unix"
)

// A real small disk with room for the database and a part of the copy: the copy
// fails, the database is as it was and takes records on; with room it works.
func TestShrinkOnSmallDisk(t *testing.T) {
	rootOnly(t)
	disk := t.TempDir()
	refused(t, unix.Mount("small", disk, "tmpfs", unix.MS_NODEV|unix.MS_NOSUID, "size=12m"), nil)
	defer func() {
		if err := unix.Unmount(disk, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	}()
	s := bigMill(t, disk, 24_000, true)
	for n := uint64(24_001); n < 38_000; n += 200 {
		commit(t, s, spans(t, "k01", n, n+199))
	}
	want := books(t, s)
	s.Close()
	before, err := roomOf(t.Context(), file(disk))
	if err != nil || before.Bytes-before.Free < 1<<20 {
		t.Fatalf("%+v, %v", before, err)
	}
	fill := filepath.Join(disk, "something else")
	var free unix.Statfs_t
	if err := unix.Statfs(disk, &free); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(fill, make([]byte, int64(free.Bavail)*free.Bsize-(before.Bytes-before.Free)/2), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Shrink(t.Context(), file(disk), ShrinkOptions{}); !IsFull(err) {
		t.Errorf("%v, want an error of a full disk", err)
	}
	if left := besideOf(t, disk); len(left) != 1 {
		t.Errorf("left %v", left)
	}
	undamaged(t, file(disk))
	s = open(t, disk)
	if got := books(t, s); !slices.Equal(got, want) {
		t.Error("other books than before")
	}
	commit(t, s, spans(t, "k01", 37_999, 38_010))
	want = books(t, s)
	s.Close()
	if err := os.Remove(fill); err != nil {
		t.Fatal(err)
	}
	if _, err := Shrink(t.Context(), file(disk), ShrinkOptions{}); err != nil {
		t.Error(err)
	}
	s = open(t, disk)
	defer s.Close()
	if got := books(t, s); !slices.Equal(got, want) {
		t.Error("other books with room")
	}
}
