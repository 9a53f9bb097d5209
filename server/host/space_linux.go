package host

import (
	"os"

	"golang.org/x/sys/unix"
)

// deviceRoom asks the file system that holds dir.
func deviceRoom(dir string) (free, size int64, ok bool) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil || st.Blocks == 0 {
		return 0, 0, false
	}
	block := int64(st.Bsize)
	return int64(st.Bavail) * block, int64(st.Blocks) * block, true
}

// reserveBlocks takes blocks on the device. Where the file system cannot there
// is no ballast: bytes written for nothing would be worse.
func reserveBlocks(f *os.File, size int64) error {
	return os.NewSyscallError("fallocate", unix.Fallocate(int(f.Fd()), 0, 0, size))
}
