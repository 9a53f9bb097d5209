package journal

import (
	"encoding/binary"
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

// RoomTeller is a [Disk] that knows how many bytes can still be written to
// it and how large it is; ok is false while that cannot be known.
type RoomTeller interface {
	Room() (free, size int64, ok bool)
}

// Reserver is a [File] that can be made so large that writing into it later
// needs no room on the disk.
type Reserver interface {
	Reserve(size int64) error
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

// Room asks the file system.
func (d osDisk) Room() (free, size int64, ok bool) { return deviceRoom(d.dir) }

type osFile struct{ *os.File }

// Reserve takes blocks on the device.
func (f osFile) Reserve(size int64) error { return reserveBlocks(f.File, size) }

// fill writes bytes that no file system can leave out or compress.
func fill(w io.WriterAt, size int64) error {
	block, x := make([]byte, 4096), uint64(0x9e3779b97f4a7c15)
	for off := int64(0); off < size; off += int64(len(block)) {
		for i := 0; i < len(block); i += 8 {
			x ^= x << 13
			x ^= x >> 7
			x ^= x << 17
			binary.LittleEndian.PutUint64(block[i:], x)
		}
		if _, err := w.WriteAt(block[:min(int64(len(block)), size-off)], off); err != nil {
			return err
		}
	}
	return nil
}

func (f osFile) Sync() error { return syncData(f.File) }
func (f osFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}
