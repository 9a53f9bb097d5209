package journal

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// deviceRoom asks the file system that holds dir.
func deviceRoom(dir string) (free, size int64, ok bool) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, 0, false
	}
	block := int64(st.Bsize)
	return int64(st.Bavail) * block, int64(st.Blocks) * block, st.Blocks > 0
}

// reserveBlocks takes blocks for a file; written where the file system cannot
// take them unwritten.
func reserveBlocks(f *os.File, size int64) error {
	err := unix.Fallocate(int(f.Fd()), 0, 0, size)
	if errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOSYS) {
		return fill(f, size)
	}
	return os.NewSyscallError("fallocate", err)
}
