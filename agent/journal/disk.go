package journal

import (
	"io"
	"os"
	"path/filepath"
)

// Disk is what a journal needs of a folder. Names and what was written become
// durable by Sync of the disk and of the file, not before.
type Disk interface {
	Create(name string) (File, error) // must not exist
	Open(name string) (File, error)
	List() ([]string, error)
	Rename(from, to string) error
	Remove(name string) error
	Sync() error // makes names durable
}

// File is what a journal needs of a file.
type File interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	Sync() error
	Truncate(size int64) error
	Size() (int64, error)
}

type osDisk struct{ dir string }

func (d osDisk) Create(name string) (File, error) {
	return osOpen(filepath.Join(d.dir, name), os.O_RDWR|os.O_CREATE|os.O_EXCL)
}

func (d osDisk) Open(name string) (File, error) {
	return osOpen(filepath.Join(d.dir, name), os.O_RDWR)
}

func osOpen(path string, flag int) (File, error) {
	f, err := os.OpenFile(path, flag, 0o600)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (d osDisk) List() ([]string, error) {
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

func (d osDisk) Rename(from, to string) error {
	return os.Rename(filepath.Join(d.dir, from), filepath.Join(d.dir, to))
}

func (d osDisk) Remove(name string) error { return os.Remove(filepath.Join(d.dir, name)) }

func (d osDisk) Sync() error {
	f, err := os.Open(d.dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return syncDir(f)
}

type osFile struct{ *os.File }

func (f osFile) Sync() error { return syncData(f.File) }
func (f osFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}
