package rehearsal

import (
	"errors"
	"io"
	"io/fs"
	"slices"
	"syscall"

	"turnwise/agent/journal"
)

// disk is a folder in memory that forgets like a real one: what was written
// and not synced may or may not survive the power, in any selection, torn at
// any byte; after a sync that went wrong the kernel has forgotten the pages.
type disk struct {
	w     *world
	names map[string]*inode // as the programs see them
	kept  map[string]*inode // as they are on the platter
	todo  []nameChange      // not synced

	full    bool // no room for more
	illSync int  // so many syncs go wrong
	illCall int  // the nth call from now goes wrong; 0 = none
	lies    bool // negative control: nothing is ever kept

	crashIn   int    // the nth call from now is the process's last; 0 = none
	crashPast bool   // after the call has done its work
	stopped   string // the process is no more, although its code has not heard of it: where it ended
}

// inode is one file: data as the programs see it, kept as it is on the
// platter, todo what leads from one to the other.
type inode struct {
	data, kept []byte
	todo       []change
}

type change struct {
	off  int64
	b    []byte
	cut  bool // a truncation to off
	lost bool // the kernel forgot it
}

type nameChange struct {
	name string
	node *inode // nil = removed
}

func newDisk(w *world) *disk {
	return &disk{w: w, names: map[string]*inode{}, kept: map[string]*inode{}}
}

var errIO = &fs.PathError{Op: "write", Path: "rehearsed", Err: syscall.EIO}
var errFull = &fs.PathError{Op: "write", Path: "rehearsed", Err: syscall.ENOSPC}

// call stands around every call: it lets one go wrong, or be the last of the
// process. From then on nothing that the process does reaches the world.
func (d *disk) call(what string, do func() error) error {
	if d.stopped != "" {
		return errIO
	}
	if d.crashIn > 0 {
		if d.crashIn--; d.crashIn == 0 {
			d.stopped = "before " + what
			if d.crashPast {
				d.stopped = "after " + what
				_ = do()
			}
			return errIO
		}
	}
	if d.illCall > 0 {
		if d.illCall--; d.illCall == 0 {
			d.w.fault("disk: call fails")
			return errIO
		}
	}
	return do()
}

func (d *disk) Create(name string) (journal.File, error) {
	var f journal.File
	err := d.call("create", func() error {
		if d.names[name] != nil {
			return fs.ErrExist
		}
		if d.full {
			d.w.fault("disk: full")
			return errFull
		}
		n := &inode{}
		d.names[name] = n
		d.todo = append(d.todo, nameChange{name, n})
		f = &handle{d, n}
		return nil
	})
	return f, err
}

func (d *disk) Open(name string) (journal.File, error) {
	n := d.names[name]
	if n == nil {
		return nil, fs.ErrNotExist
	}
	return &handle{d, n}, nil
}

func (d *disk) List() ([]string, error) {
	var names []string
	for name := range d.names {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, nil
}

func (d *disk) Rename(from, to string) error {
	return d.call("rename", func() error {
		n := d.names[from]
		if n == nil {
			return fs.ErrNotExist
		}
		delete(d.names, from)
		d.names[to] = n
		d.todo = append(d.todo, nameChange{to, n}, nameChange{from, nil})
		return nil
	})
}

func (d *disk) Remove(name string) error {
	if d.names[name] == nil {
		return fs.ErrNotExist
	}
	return d.call("remove", func() error {
		delete(d.names, name)
		d.todo = append(d.todo, nameChange{name, nil})
		return nil
	})
}

func (d *disk) Sync() error {
	return d.call("sync of names", func() error {
		if d.lies {
			return nil
		}
		d.keep(len(d.todo))
		return nil
	})
}

// keep makes the first n changes of names durable.
func (d *disk) keep(n int) {
	for _, c := range d.todo[:n] {
		if c.node == nil {
			delete(d.kept, c.name)
		} else {
			d.kept[c.name] = c.node
		}
	}
	d.todo = slices.Delete(d.todo, 0, n)
}

type handle struct {
	d *disk
	n *inode
}

func (h *handle) Close() error         { return nil }
func (h *handle) Size() (int64, error) { return int64(len(h.n.data)), nil }

func (h *handle) ReadAt(b []byte, off int64) (int, error) {
	if off >= int64(len(h.n.data)) {
		return 0, io.EOF
	}
	n := copy(b, h.n.data[off:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (h *handle) WriteAt(b []byte, off int64) (int, error) {
	n := 0
	err := h.d.call("write", func() error {
		if h.d.full && off+int64(len(b)) > int64(len(h.n.data)) { // what has its blocks can be overwritten
			h.d.w.fault("disk: full")
			n = len(b) / 2 // half of it gets there
			h.n.write(b[:n], off)
			return errFull
		}
		n = len(b)
		h.n.write(b, off)
		return nil
	})
	if errors.Is(err, syscall.EIO) && h.d.stopped == "" {
		n = len(b) / 3
		h.n.write(b[:n], off)
	}
	return n, err
}

func (n *inode) write(b []byte, off int64) {
	if len(b) == 0 {
		return
	}
	c := change{off: off, b: slices.Clone(b)}
	n.data = c.on(n.data)
	n.todo = append(n.todo, c)
}

func (h *handle) Truncate(size int64) error {
	return h.d.call("truncate", func() error {
		c := change{off: size, cut: true}
		h.n.data = c.on(h.n.data)
		h.n.todo = append(h.n.todo, c)
		return nil
	})
}

func (h *handle) Sync() error {
	return h.d.call("sync", func() error {
		if h.d.illSync > 0 {
			h.d.illSync--
			h.d.w.fault("disk: sync fails")
			for i := range h.n.todo {
				h.n.todo[i].lost = true
			}
			return errIO
		}
		if h.d.lies {
			return nil
		}
		for _, c := range h.n.todo {
			if !c.lost {
				h.n.kept = c.on(h.n.kept)
			}
		}
		h.n.todo = h.n.todo[:0]
		return nil
	})
}

// on makes the change in some bytes; a hole before it reads as zeros.
func (c change) on(b []byte) []byte {
	if c.cut {
		if c.off <= int64(len(b)) {
			return b[:c.off]
		}
		return append(b, make([]byte, c.off-int64(len(b)))...)
	}
	if gap := c.off - int64(len(b)); gap > 0 {
		b = append(b, make([]byte, gap)...)
	}
	n := copy(b[c.off:], c.b)
	return append(b, c.b[n:]...)
}

// powerCut leaves what is on the platter, and some of what was on its way.
func (d *disk) powerCut() {
	r := d.w.rnd
	if !d.lies {
		d.keep(r.IntN(len(d.todo) + 1))
	}
	d.todo = nil
	d.names = map[string]*inode{}
	for _, name := range sortedNames(d.kept) {
		n := d.kept[name]
		b := slices.Clone(n.kept)
		for _, c := range n.todo {
			switch {
			case c.lost || r.IntN(2) == 0 || d.lies:
			case c.cut || r.IntN(3) > 0:
				b = c.on(b)
			default:
				d.w.fault("disk: torn write")
				b = change{off: c.off, b: c.b[:r.IntN(len(c.b))]}.on(b)
			}
		}
		n.data, n.kept, n.todo = b, slices.Clone(b), nil
		d.names[name] = n
	}
}

// restart forgets the injected faults; the files stay.
func (d *disk) restart() { d.crashIn, d.illCall, d.stopped = 0, 0, "" }

// flip turns one bit of a file over, on the platter and as it is read.
func (d *disk) flip() {
	r := d.w.rnd
	names := sortedNames(d.names)
	if len(names) == 0 {
		return
	}
	n := d.names[names[r.IntN(len(names))]]
	if len(n.data) == 0 {
		return
	}
	at, bit := r.IntN(len(n.data)), byte(1)<<r.IntN(8)
	n.data[at] ^= bit
	if at < len(n.kept) {
		n.kept[at] ^= bit
	}
	d.w.fault("disk: bit flip")
}

// image copies the files as they are.
func (d *disk) image() map[string][]byte {
	all := map[string][]byte{}
	for name, n := range d.names {
		all[name] = slices.Clone(n.data)
	}
	return all
}

// load replaces all files.
func (d *disk) load(image map[string][]byte) {
	d.names, d.kept, d.todo = map[string]*inode{}, map[string]*inode{}, nil
	for name, b := range image {
		n := &inode{data: slices.Clone(b), kept: slices.Clone(b)}
		d.names[name], d.kept[name] = n, n
	}
}

func sortedNames(m map[string]*inode) []string {
	var names []string
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
