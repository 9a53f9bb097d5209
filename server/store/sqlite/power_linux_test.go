package sqlite

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// mortalDisk mounts an ext4 file system in a file and gives the means to cut
// its power: what was not synced is gone then. cut closes files by closeFiles
// before it mounts the disk again.
func mortalDisk(t *testing.T) (dir string, cut func(closeFiles func())) {
	t.Helper()
	rootOnly(t)
	needs(t, "mkfs.ext4", "mount")
	image, dir := filepath.Join(t.TempDir(), "disk.img"), filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, 64<<20); err != nil {
		t.Fatal(err)
	}
	mount := func() ([]byte, error) {
		return exec.Command("mount", "-o", "loop,nodev,nosuid,noexec", image, dir).CombinedOutput()
	}
	if out, err := exec.Command("mkfs.ext4", "-q", "-m", "0", image).CombinedOutput(); err != nil {
		t.Fatalf("mkfs.ext4: %v: %s", err, out)
	}
	out, err := mount()
	refused(t, err, out)
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
	return dir, func(closeFiles func()) {
		t.Helper()
		f, err := os.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		const shutdown, noLogFlush = 0x8004587d, uint32(2) // FS_IOC_SHUTDOWN
		how := noLogFlush
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), shutdown, uintptr(unsafe.Pointer(&how)))
		_ = f.Close()
		if errno != 0 {
			t.Fatalf("cut the power: %v", errno)
		}
		closeFiles()
		if err := unix.Unmount(dir, 0); err != nil {
			t.Fatal(err)
		}
		if out, err := mount(); err != nil {
			t.Fatalf("mount again: %v: %s", err, out)
		}
	}
}

// TestFault_07_PowerCutOfTheDisk: the power of the disk is cut, and whatever
// was not synced is gone, which a letter beside the database shows. What was
// acknowledged is there.
func TestFault_07_PowerCutOfTheDisk(t *testing.T) {
	disk, cut := mortalDisk(t)
	dir, letter := filepath.Join(disk, "d"), filepath.Join(disk, "letter")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	register(t, s, "k01")
	for i := range uint64(6) {
		commit(t, s, spans(t, "k01", 50*i+1, 50*i+50))
		if err := os.WriteFile(letter, []byte("not synced"), 0o600); err != nil {
			t.Fatal(err)
		}
		cut(func() { _ = s.Close() }) // it can write nothing any more
		if b, err := os.ReadFile(letter); err == nil && len(b) > 0 {
			t.Fatal("what was not synced is there: the power was not cut")
		}
		s = open(t, dir)
		if got, want := revolutions(t, s), int64(200*(i+1)); got != want {
			t.Errorf("%d revolutions after power cut %d, %d were acknowledged", got, i+1, want)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	undamaged(t, file(dir))
}

// A restore that finds no room leaves the database as it was and nothing else,
// and tells where room is needed.
func TestRestoreWithoutRoom(t *testing.T) {
	rootOnly(t)
	disk, backup := t.TempDir(), filepath.Join(t.TempDir(), "b.db")
	s := open(t, t.TempDir())
	smallMill(t, s)
	size := take(t, s, backup).Bytes
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	refused(t, unix.Mount("small", disk, "tmpfs", 0, fmt.Sprintf("size=%d", size*3/2)), nil)
	t.Cleanup(func() { _ = unix.Unmount(disk, unix.MNT_DETACH) })
	db := filepath.Join(disk, "turnwise.db")
	was, err := os.ReadFile(backup)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(db, was, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Restore(t.Context(), db, backup, RestoreOptions{})
	if err == nil || !strings.Contains(err.Error(), "free space in "+disk) || !strings.Contains(err.Error(), "the database is unchanged") {
		t.Errorf("restored with %v, want what to do", err)
	}
	if now, err := os.ReadFile(db); err != nil || !bytes.Equal(now, was) {
		t.Errorf("the database was changed: %v", err)
	}
	if left := names(t, disk); !slices.Equal(left, []string{"turnwise.db", "turnwise.db" + lockSuffix, "turnwise.db" + useSuffix}) {
		t.Errorf("left %v", left)
	}
}
