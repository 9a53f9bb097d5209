package journal

import (
	"os"

	"golang.org/x/sys/unix"
)

// syncData is fdatasync: the size of the file is synced with the data where
// it is needed to read them, times of access are not.
func syncData(f *os.File) error {
	for {
		if err := unix.Fdatasync(int(f.Fd())); err != unix.EINTR {
			return os.NewSyscallError("fdatasync", err)
		}
	}
}

func syncDir(f *os.File) error { return f.Sync() }
