package chaos

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// mountSmall makes a folder a file system of its own in memory.
func mountSmall(dir string, bytes int64) (undo func() error, err error) {
	if err := unix.Mount("chaos", dir, "tmpfs", unix.MS_NODEV|unix.MS_NOSUID|unix.MS_NOEXEC, fmt.Sprintf("size=%d,mode=0700", bytes)); err != nil {
		return nil, fmt.Errorf("a small file system cannot be mounted: %w", err)
	}
	return func() error { return unix.Unmount(dir, unix.MNT_DETACH) }, nil
}
