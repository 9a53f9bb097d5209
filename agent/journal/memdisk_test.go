package journal

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"slices"
	"sync"
	"syscall"
)

const page = 4096

// memDisk is a disk in memory with pages of 4 KiB, a size, and a memory of
// what was synced: crash gives back only that.
type memDisk struct {
	mu    sync.Mutex
	bytes int64 // capacity; 0 = endless
	taken int64 // by other programs
	files map[string]*memInode
	names map[string]*memInode // as of the last sync of names
	calls int
	fail  int // that call (from 1) goes wrong; 0 = none
	last  int // the last call (from 1) that reaches the disk; 0 = all do
	open  int // files open
	most  int // files that may be open; 0 = any number
}

type memInode struct {
	now, synced []byte
	blocks      int64 // reserved
}

func newMemDisk(bytes int64) *memDisk {
	return &memDisk{bytes: bytes, files: map[string]*memInode{}, names: map[string]*memInode{}}
}

// clone copies a disk; what was written counts as synced.
func (d *memDisk) clone() *memDisk {
	c := newMemDisk(d.bytes)
	for name, n := range d.files {
		c.files[name] = &memInode{now: slices.Clone(n.now), synced: slices.Clone(n.now), blocks: n.blocks}
	}
	c.names = maps.Clone(c.files)
	return c
}

// crash is the disk after a power cut: nothing that was not synced is there.
func (d *memDisk) crash() *memDisk {
	d.mu.Lock()
	defer d.mu.Unlock()
	c := newMemDisk(d.bytes)
	c.taken = d.taken
	for name, n := range d.names {
		c.files[name] = &memInode{now: slices.Clone(n.synced), synced: slices.Clone(n.synced), blocks: n.blocks}
	}
	c.names = maps.Clone(c.files)
	return c
}

func (d *memDisk) used() int64 {
	seen, sum := map[*memInode]bool{}, d.taken
	for _, n := range d.files {
		if !seen[n] {
			seen[n] = true
			sum += n.size()
		}
	}
	return sum
}

func (n *memInode) size() int64 {
	return (max(int64(len(n.now)), n.blocks) + page - 1) / page * page
}

func (d *memDisk) Room() (free, size int64, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return max(d.bytes-d.used(), 0), d.bytes, d.bytes > 0
}

func (d *memDisk) call() error {
	if d.calls++; d.calls == d.fail || d.last > 0 && d.calls > d.last {
		return syscall.EIO
	}
	return nil
}

func (d *memDisk) Create(name string) (File, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call(); err != nil {
		return nil, err
	}
	if d.files[name] != nil {
		return nil, fs.ErrExist
	}
	if d.bytes > 0 && d.used()+page > d.bytes {
		return nil, syscall.ENOSPC // the entry itself
	}
	n := new(memInode)
	f, err := d.handle(n)
	if err == nil {
		d.files[name] = n
	}
	return f, err
}

func (d *memDisk) Open(name string) (File, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call(); err != nil {
		return nil, err
	}
	n := d.files[name]
	if n == nil {
		return nil, fs.ErrNotExist
	}
	return d.handle(n)
}

func (d *memDisk) handle(n *memInode) (File, error) {
	if d.most > 0 && d.open >= d.most {
		return nil, syscall.EMFILE
	}
	d.open++
	return &memFile{d: d, n: n}, nil
}

func (d *memDisk) List() ([]string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call(); err != nil {
		return nil, err
	}
	return slices.Sorted(maps.Keys(d.files)), nil
}

func (d *memDisk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call(); err != nil {
		return err
	}
	n := d.files[from]
	if n == nil {
		return fs.ErrNotExist
	}
	delete(d.files, from)
	d.files[to] = n
	return nil
}

func (d *memDisk) Remove(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call(); err != nil {
		return err
	}
	if d.files[name] == nil {
		return fs.ErrNotExist
	}
	delete(d.files, name)
	return nil
}

func (d *memDisk) Sync() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call(); err != nil {
		return err
	}
	d.names = maps.Clone(d.files)
	return nil
}

type memFile struct {
	d      *memDisk
	n      *memInode
	closed bool
}

func (f *memFile) ReadAt(b []byte, off int64) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.call(); err != nil {
		return 0, err
	}
	if off >= int64(len(f.n.now)) {
		return 0, io.EOF
	}
	n := copy(b, f.n.now[off:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// WriteAt writes half and then gives up when the disk is full, as a real one
// may.
func (f *memFile) WriteAt(b []byte, off int64) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	err := f.d.call()
	if err != nil {
		b = b[:len(b)/2]
	}
	end := off + int64(len(b))
	before := f.n.size()
	grow := (end+page-1)/page*page - before
	if free := f.d.bytes - f.d.used(); f.d.bytes > 0 && grow > 0 && grow > free {
		err = syscall.ENOSPC
		if end = min(end, before+max(free, 0)/page*page); end <= off {
			return 0, err
		}
		b = b[:end-off]
	}
	for int64(len(f.n.now)) < end {
		f.n.now = append(f.n.now, make([]byte, end-int64(len(f.n.now)))...)
	}
	return copy(f.n.now[off:end], b), err
}

func (f *memFile) Reserve(size int64) error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.call(); err != nil {
		return err
	}
	if f.d.bytes > 0 && size > f.d.bytes-f.d.used() {
		return syscall.ENOSPC
	}
	f.n.now = append(f.n.now, make([]byte, max(size-int64(len(f.n.now)), 0))...)
	f.n.blocks = size
	return nil
}

func (f *memFile) Truncate(size int64) error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.call(); err != nil {
		return err
	}
	if size < int64(len(f.n.now)) {
		f.n.now = f.n.now[:size:size]
	}
	return nil
}

func (f *memFile) Size() (int64, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	return int64(len(f.n.now)), f.d.call()
}

func (f *memFile) Sync() error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.call(); err != nil {
		return err
	}
	f.n.synced = slices.Clone(f.n.now)
	return nil
}

func (f *memFile) Close() error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if f.closed {
		return errors.New("closed twice")
	}
	f.closed = true
	f.d.open--
	return nil
}
