package sqlite

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"turnwise/server/store"
)

// Files beside a database.
const (
	lockSuffix    = ".lock"      // held by the server, restore and shrink: one of them at a time
	useSuffix     = ".use"       // held by all that have it open, together; by who replaces it, alone
	partialSuffix = ".partial"   // being written, worth nothing
	readySuffix   = ".restoring" // complete, to be put in the place of the database
	asideMark     = ".before-restore-"
)

// Lock holds a database for one process.
type Lock struct{ f *os.File }

// Hold takes the lock of a database file, making its folder where it is
// missing, and ends a restore that was killed between its renames. Where
// another process holds the lock the error is [store.ErrInUse]. The kernel
// frees the lock of a process that dies.
func Hold(file string) (*Lock, error) {
	file = linked(file)
	if st, err := os.Stat(file); err == nil && !st.Mode().IsRegular() { // nothing is left beside it
		return nil, fmt.Errorf("sqlite: %s is a folder or a device, a file is expected; name a file in database.file", file)
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return nil, fmt.Errorf("sqlite: lock %s: %w; give the server's user write permission there, or name another file in database.file", file, err)
	}
	f, err := os.OpenFile(file+lockSuffix, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("sqlite: lock %s: %w; give the server's user write permission in its folder", file, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		holder := make([]byte, 32)
		n, _ := f.ReadAt(holder, 0)
		_ = f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("sqlite: %s is %w by process %s; stop that server or wait for it to end", file, store.ErrInUse, strings.TrimSpace(string(holder[:n])))
		}
		return nil, fmt.Errorf("sqlite: lock %s: %w", file, err)
	}
	l := &Lock{f}
	// The number is for people; the lock is the kernel's.
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	discard(file + partialSuffix) // of a restore that was killed: only the holder restores
	if _, err := os.Stat(file + readySuffix); err == nil {
		used, err := l.alone()
		if err == nil {
			_, err = swap(file)
			err = errors.Join(err, used.Close())
		}
		if err != nil {
			return nil, errors.Join(err, l.Free())
		}
	}
	return l, nil
}

// alone says that nobody may have the database open, until what it returns is closed:
// another file is put in its place, and SQLite would take the journal of the one for
// that of the other. The error is [store.ErrInUse] where somebody has.
func (l *Lock) alone() (io.Closer, error) {
	return use(strings.TrimSuffix(l.f.Name(), lockSuffix), syscall.LOCK_EX)
}

// share says that somebody has a database open, until what it returns is closed. It
// is [store.ErrInUse] while a restore or a shrink is at it.
func share(file string) (io.Closer, error) { return use(linked(file), syscall.LOCK_SH) }

func use(file string, how int) (io.Closer, error) {
	f, err := os.OpenFile(file+useSuffix, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("sqlite: lock %s: %w; give the server's user write permission in its folder", file, err)
	}
	if os.Geteuid() == 0 { // the server's user must be able to open it too
		if st, err := os.Stat(file); err == nil {
			if s, ok := st.Sys().(*syscall.Stat_t); ok {
				_ = f.Chown(int(s.Uid), int(s.Gid))
			}
		}
	}
	err = syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB)
	if err == nil {
		return f, nil
	}
	_ = f.Close()
	switch {
	case !errors.Is(err, syscall.EWOULDBLOCK):
		return nil, fmt.Errorf("sqlite: lock %s: %w", file, err)
	case how == syscall.LOCK_EX:
		return nil, fmt.Errorf("sqlite: %s is %w: another command has it open (backup, verify, prune, streams or quarantine); wait for it to end", file, store.ErrInUse)
	}
	return nil, fmt.Errorf("sqlite: %s is %w: a restore or a shrink is at it; wait for it to end", file, store.ErrInUse)
}

// linked is the name of a file behind links, so that a database with two names
// has one lock.
func linked(file string) string {
	if name, err := filepath.EvalSymlinks(file); err == nil {
		return name
	}
	return file
}

// Free gives the lock back. The file stays: removing it would let two
// processes hold locks on two files of one name.
func (l *Lock) Free() error { return l.f.Close() }

// swap puts a restored database in place of the old one, which is kept under a
// dated name. It does nothing where none is ready. Killed anywhere it goes on
// when it is called again. The lock is held.
func swap(file string) (aside string, err error) {
	ready, err := os.Stat(file + readySuffix)
	if errors.Is(err, os.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("sqlite: restore %s: %w", file, err)
	}
	// The instant of the new file names the old one, so that all of its parts
	// get one name however often this begins anew.
	aside = asideName(file, ready.ModTime())
	// First what SQLite would take for the journal of the new file.
	for _, part := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(file+part, aside+part); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", fmt.Errorf("sqlite: restore %s: put the old file aside: %w; repeat the restore", file, err)
		}
	}
	if err := syncDir(file); err != nil {
		return "", fmt.Errorf("sqlite: restore %s: %w", file, err)
	}
	if err := os.Rename(file+readySuffix, file); err != nil {
		return "", fmt.Errorf("sqlite: restore %s: %w; repeat the restore", file, err)
	}
	if err := syncDir(file); err != nil {
		return "", fmt.Errorf("sqlite: restore %s: %w", file, err)
	}
	if _, err := os.Stat(aside); err != nil {
		aside = "" // there was none
	}
	return aside, nil
}

// asideName is where the database goes that a restored one replaces. Two
// restores in one second must not put the second over the first: the file that
// was kept may be all that is left of the records.
func asideName(file string, restored time.Time) string {
	first := file + asideMark + dated(restored)
	if _, err := os.Stat(file); err != nil {
		return first // it was moved before, last of its parts
	}
	name := first
	for n := 2; ; n++ {
		if _, err := os.Lstat(name); err != nil {
			return name
		}
		name = fmt.Sprintf("%s-%d", first, n)
	}
}

// syncDir makes a changed name durable. Some file systems refuse it for
// folders, and need it for nothing.
func syncDir(file string) error {
	d, err := os.Open(filepath.Dir(file))
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, syscall.ENOTSUP) {
		return fmt.Errorf("sync folder %s: %w", filepath.Dir(file), err)
	}
	return nil
}

func syncFile(file string) error {
	f, err := os.OpenFile(file, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// partial makes a file that is worth nothing until it gets its name, and holds
// it against another process that wants the same. One that a dead process left
// is replaced.
func partial(target string) (name string, release func(), err error) {
	name = target + partialSuffix
	for range 3 {
		f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return "", nil, err
		}
		if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
			_ = f.Close()
			return "", nil, fmt.Errorf("%s is %w: another process writes it", name, store.ErrInUse)
		}
		st, err1 := f.Stat()
		now, err2 := os.Stat(name)
		if err1 == nil && err2 == nil && os.SameFile(st, now) && st.Size() == 0 {
			return name, func() {
				_ = f.Close()
				discard(name)
			}, nil
		}
		discard(name)
		_ = f.Close()
	}
	return "", nil, fmt.Errorf("%s cannot be made anew", name)
}

// discard removes a database that was not finished.
func discard(file string) {
	for _, part := range []string{"", "-journal", "-wal", "-shm"} {
		_ = os.Remove(file + part)
	}
}

// Sweep removes what killed backups left in a folder: unfinished files that no
// process holds.
func Sweep(dir string) {
	names, _ := filepath.Glob(filepath.Join(dir, "*"+partialSuffix)) // the pattern is good
	for _, name := range names {
		f, err := os.OpenFile(name, os.O_RDWR, 0)
		if err != nil {
			continue
		}
		if syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil {
			discard(name)
		}
		_ = f.Close()
	}
}

func dated(t time.Time) string { return t.UTC().Format("20060102T150405Z") }

// repairDamage is what to do about a damaged database.
const repairDamage = "stop the server, keep the file, and restore a backup: server restore -c server.yaml --verify --from BACKUP; the agents send the rest again"
