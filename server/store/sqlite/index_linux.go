package sqlite

import (
	"errors"
	"fmt"
	"os"
	"strconv"

	"golang.org/x/sys/unix"
)

// indexRoom is what the index of SQLite's log takes on the disk: enough for a
// log of 130 MB. It is made shorter at 64 MB, and begins anew at 4 MB when no
// reader holds it.
const indexRoom = 256 << 10

// reserveIndex takes room on the disk for the index of the log of a database
// that this process has open. The index is a file that is written as memory:
// where the disk is full when a page of it is first touched, the system ends the
// program (SIGBUS) instead of telling an error.
//
// It works on SQLite's own descriptor. To open the file once more and close it
// would give up the locks that SQLite has on it, as POSIX wants.
func reserveIndex(database string) error {
	name := database + "-shm"
	var index unix.Stat_t
	if err := unix.Stat(name, &index); err != nil {
		return nil // no log yet
	}
	own, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return nil // it cannot be found here
	}
	for _, e := range own {
		fd, err := strconv.Atoi(e.Name())
		var st unix.Stat_t
		if err != nil || unix.Fstat(fd, &st) != nil || st.Dev != index.Dev || st.Ino != index.Ino {
			continue
		}
		err = unix.Fallocate(fd, 0, 0, indexRoom)
		if errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOSYS) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("room for %s: %w; free space there", name, err)
		}
		return nil
	}
	return nil
}
