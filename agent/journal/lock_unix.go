//go:build unix

package journal

import (
	"os"

	"golang.org/x/sys/unix"
)

// tryLock takes the lock of f without waiting. It ends with the process.
func tryLock(f *os.File) (taken bool, err error) {
	switch err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err {
	case nil:
		return true, nil
	case unix.EWOULDBLOCK:
		return false, nil
	default:
		return false, os.NewSyscallError("flock", err)
	}
}
