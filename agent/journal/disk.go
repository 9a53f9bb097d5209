package journal

import (
	"io"
	"os"
	"path/filepath"
)

// disk is what the journal needs of a folder. Tests put a failing one here.
type disk interface {
	create(name string) (file, error) // must not exist
	open(name string) (file, error)
	list() ([]string, error)
	rename(from, to string) error
	remove(name string) error
	sync() error // makes names durable
}

// file is what the journal needs of a file.
type file interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	sync() error
	truncate(size int64) error
	size() (int64, error)
}

type osDisk struct{ dir string }

func (d osDisk) create(name string) (file, error) {
	return osOpen(filepath.Join(d.dir, name), os.O_RDWR|os.O_CREATE|os.O_EXCL)
}

func (d osDisk) open(name string) (file, error) {
	return osOpen(filepath.Join(d.dir, name), os.O_RDWR)
}

func osOpen(path string, flag int) (file, error) {
	f, err := os.OpenFile(path, flag, 0o600)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (d osDisk) list() ([]string, error) {
	entries, err := os.ReadDir(d.dir)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if e.Type().IsRegular() {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

func (d osDisk) rename(from, to string) error {
	return os.Rename(filepath.Join(d.dir, from), filepath.Join(d.dir, to))
}

func (d osDisk) remove(name string) error { return os.Remove(filepath.Join(d.dir, name)) }

func (d osDisk) sync() error {
	f, err := os.Open(d.dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return syncDir(f)
}

type osFile struct{ *os.File }

func (f osFile) sync() error               { return syncData(f.File) }
func (f osFile) truncate(size int64) error { return f.Truncate(size) }
func (f osFile) size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}
