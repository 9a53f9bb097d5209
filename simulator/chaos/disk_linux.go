package chaos

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"unsafe"

	"golang.org/x/sys/unix"
)

// disk is a small file system of its own at a folder.
type disk struct {
	dir   string
	image string // of an ext4 file system; "" = in memory, which loses nothing
}

// newDisk makes dir a small disk: an ext4 file system in a file, whose power
// can be cut, else one in memory, whose room is all that can run out. noPower
// says why power cannot be cut.
func newDisk(dir, image string, bytes int64) (d *disk, noPower, err error) {
	d = &disk{dir: dir, image: image}
	noPower = d.format(bytes)
	if noPower == nil {
		return d, nil, nil
	}
	d.image = ""
	options := fmt.Sprintf("size=%d,mode=0700", bytes)
	if err := unix.Mount("chaos", dir, "tmpfs", unix.MS_NODEV|unix.MS_NOSUID|unix.MS_NOEXEC, options); err != nil {
		return nil, noPower, fmt.Errorf("a small file system cannot be mounted: %w", err)
	}
	return d, noPower, nil
}

func (d *disk) format(bytes int64) error {
	f, err := os.OpenFile(d.image, os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Truncate(bytes), f.Close()); err != nil {
		return err
	}
	if err := command("mkfs.ext4", "-q", "-m", "0", d.image); err != nil {
		return err
	}
	if err := d.mount(); err != nil {
		return err
	}
	return os.Chmod(d.dir, 0o700)
}

func (d *disk) mount() error {
	return command("mount", "-o", "loop,nodev,nosuid,noexec", d.image, d.dir)
}

// cutPower takes what was not synced, as a power cut does: the file system
// writes nothing any more, not even its own log (FS_IOC_SHUTDOWN without a
// flush), and is mounted anew from what its image holds. Nobody may have a
// file open.
func (d *disk) cutPower() error {
	f, err := os.Open(d.dir)
	if err != nil {
		return err
	}
	const shutdown, noLogFlush = 0x8004587d, uint32(2)
	how := noLogFlush
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), shutdown, uintptr(unsafe.Pointer(&how)))
	f.Close()
	if errno != 0 {
		return fmt.Errorf("chaos: cut the power of %s: %w", d.dir, errno)
	}
	if err := unix.Unmount(d.dir, 0); err != nil {
		return fmt.Errorf("chaos: unmount %s after its power was cut: %w", d.dir, err)
	}
	return d.mount()
}

func (d *disk) close() error { return unix.Unmount(d.dir, unix.MNT_DETACH) }

func command(name string, args ...string) error {
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s %v: %w: %s", name, args, err, out)
	}
	return nil
}

// limitFiles lets a process open no more files, and gives what undoes it.
func limitFiles(pid int) (undo func() error, err error) {
	var old unix.Rlimit
	if err := unix.Prlimit(pid, unix.RLIMIT_NOFILE, nil, &old); err != nil {
		return nil, fmt.Errorf("chaos: limit the files of process %d: %w", pid, err)
	}
	few := unix.Rlimit{Cur: 3, Max: old.Max}
	if err := unix.Prlimit(pid, unix.RLIMIT_NOFILE, &few, nil); err != nil {
		return nil, fmt.Errorf("chaos: limit the files of process %d: %w", pid, err)
	}
	return func() error {
		err := unix.Prlimit(pid, unix.RLIMIT_NOFILE, &old, nil)
		if errors.Is(err, unix.ESRCH) {
			return nil // it has ended meanwhile
		}
		return err
	}, nil
}
