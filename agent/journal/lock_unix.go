//go:build unix

package journal

import (
	"errors"
	"io/fs"
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

// mayMake is nil when this user may make files in dir, else why not. A disk that is
// full is no reason: the journal makes room.
func mayMake(dir string) error {
	if err := unix.Access(dir, unix.W_OK|unix.X_OK); errors.Is(err, fs.ErrPermission) || errors.Is(err, unix.EROFS) {
		return err
	}
	return nil
}
