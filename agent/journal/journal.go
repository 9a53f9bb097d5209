// Package journal keeps what an agent has seen until the server has it in a
// backup. The one rule: a record and the state it was derived from are one
// write, so no count is ever both unrecorded and forgotten. It does not know
// what a record means, and it never rewrites one.
//
// The bytes on the disk are described in FORMAT.md.
package journal

import (
	"cmp"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/proto/wire"
)

// Sentinels inside the errors of this package.
var (
	// ErrFull: the journal or the disk has no room left.
	ErrFull = errors.New("journal is full")
	// ErrLocked: another process uses the journal.
	ErrLocked = errors.New("journal is in use")
	// ErrDamaged: bytes do not check and nothing can be declared about them.
	ErrDamaged = errors.New("journal is damaged")
	// ErrClosed: the journal was closed.
	ErrClosed = errors.New("journal is closed")
	// ErrBeyondHead: an acknowledgement of records that do not exist.
	ErrBeyondHead = errors.New("acknowledged beyond the newest record")
)

const (
	maxChannels = wire.MaxMachines
	// maxPending bounds what may wait for a sync; more makes Append sync
	// itself.
	maxPending = 1 << 20
	// maxPlaces is how many segments have their places in memory.
	maxPlaces = 12
)

// Options tunes a Journal. The zero value works.
type Options struct {
	// SyncEvery is the longest that a record waits for the disk and the
	// shortest time between two syncs. Zero means 200 ms: a person does not
	// notice it, and five syncs a second spare an SD card.
	SyncEvery time.Duration
	// SegmentBytes is the size at which a new segment begins. Zero means
	// 2 MiB; it is held at or below MaxBytes / 8.
	SegmentBytes int64
	// MaxBytes bounds the journal on the disk. Zero means 2 GiB.
	MaxBytes int64
	// KeepAcked is how long a record is kept that the server has, but not in
	// a backup. Zero means 35 days.
	KeepAcked time.Duration
	// KeepAckedBytes is the size of the journal above which such records go
	// at once. Zero means MaxBytes.
	KeepAckedBytes int64
	// Ballast is the size of a file that is given up when the disk is full, so
	// that a full disk needs none to recover. Zero means 16 MiB, less than 0
	// none; it is held at or below a sixteenth of the disk and of MaxBytes.
	Ballast int64
	// Log; nil means slog.Default().
	Log *slog.Logger

	// Disk holds the journal instead of the folder; it is not locked. For
	// rehearsals.
	Disk Disk
	// Random makes ids; nil means crypto/rand. For rehearsals.
	Random io.Reader
	// Now is the wall clock that tells the age of segments; nil means time.Now.
	Now func() time.Time

	disk func(dir string) Disk // for tests, in a locked folder
}

func (o Options) withDefaults() Options {
	o.SyncEvery = cmp.Or(o.SyncEvery, 200*time.Millisecond)
	o.MaxBytes = cmp.Or(o.MaxBytes, 2<<30)
	o.SegmentBytes = min(cmp.Or(o.SegmentBytes, 2<<20), o.MaxBytes/8, 64<<20)
	o.KeepAcked = cmp.Or(o.KeepAcked, 35*24*time.Hour)
	o.KeepAckedBytes = cmp.Or(o.KeepAckedBytes, o.MaxBytes)
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Random == nil {
		o.Random = rand.Reader
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.disk == nil {
		o.disk = func(dir string) Disk { return osDisk{dir} }
	}
	return o
}

// Report says what Open found.
type Report struct {
	Segments int
	Bytes    int64
	Streams  int
	// Records held, those that the server has included.
	Records uint64
	// Cut is the torn tail that was removed; nil when there was none. It was
	// never synced, so nobody was told of it.
	Cut *Damage
	// Damage lists what does not check elsewhere. The records in it are lost
	// and read as tombstones.
	Damage []Damage
}

// Damage is a stretch of bytes that does not check.
type Damage struct {
	File   string
	Offset int64
	Bytes  int64
	Reason string
}

func (d Damage) String() string {
	return fmt.Sprintf("%s: %d bytes at offset %d: %s", d.File, d.Bytes, d.Offset, d.Reason)
}

// Journal is the durable memory of one agent. Its methods may be called from
// several goroutines.
type Journal struct {
	dir  string
	o    Options
	disk Disk
	lock io.Closer
	id   [16]byte
	run  [16]byte

	dirty   chan struct{} // something waits for a sync
	changed chan struct{} // something became durable

	syncing sync.Mutex // held during a sync; before mu

	mu       sync.Mutex
	closed   bool
	segments []*segment // oldest first; the last one is written
	active   File
	total    int64 // bytes of all segments
	channels []*Channel
	boots    [][16]byte // boots[i] has index i+1
	newBoots []int      // indices not written yet
	session  uint64
	pending  []byte // written since the last good sync
	durable  int64  // bytes of the last segment that are synced
	rewrite  bool   // the last sync went wrong: pending must be written again
	syncs    uint64 // of records and tail rows, good or not
	damage   []Damage
	orphans  bool // bytes that do not check may have held the beginning of a stream
	buf      []byte
	recent   []*segment // segments whose places are in memory, oldest use first

	rung      Rung
	ballast   bool // the ballast is there, whole
	tail      File // rows for a full disk; nil = none
	tailSize  int64
	tailDirty bool
}

// Open opens or creates the journal in dir and takes its lock.
func Open(dir string, o Options) (*Journal, Report, error) {
	o = o.withDefaults()
	disk, lock := o.Disk, io.Closer(nothing{})
	if disk == nil {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return nil, Report{}, fmt.Errorf("journal: make folder %s: %w; %s", dir, err, permit)
		}
		// Segments that are there could be written, and the next one not be made.
		if err := mayMake(dir); err != nil {
			return nil, Report{}, fmt.Errorf("journal: folder %s cannot be written: %w; %s", dir, err, permit)
		}
		var err error
		if lock, err = takeLock(dir); err != nil {
			return nil, Report{}, err
		}
		disk = o.disk(dir)
	}
	o.fitDisk(disk)
	j := &Journal{
		dir: dir, o: o, disk: disk, lock: lock,
		dirty: make(chan struct{}, 1), changed: make(chan struct{}, 1),
	}
	j.randomID(&j.run)
	rep, err := j.recover()
	if err != nil {
		if j.active != nil {
			j.active.Close()
		}
		lock.Close()
		return nil, rep, err
	}
	return j, rep, nil
}

// nothing is the lock of a disk that is nobody else's.
type nothing struct{}

func (nothing) Close() error { return nil }

func (j *Journal) randomID(id *[16]byte) {
	if _, err := io.ReadFull(j.o.Random, id[:]); err != nil {
		panic(fmt.Sprintf("journal: no random bytes: %v", err)) // a made-up id could come twice
	}
}

// permit is the repair of a folder that cannot be used.
const permit = "give the agent's user write permission there, or name another folder in spool.dir"

func takeLock(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("journal: open lock file: %w; %s", err, permit)
	}
	taken, err := tryLock(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("journal: lock %s: %w", path, err)
	}
	if !taken {
		var b [32]byte
		n, _ := f.ReadAt(b[:], 0)
		f.Close()
		return nil, fmt.Errorf("journal: open %s: %w by process %q; stop that agent or give this one a folder of its own", dir, ErrLocked, process(b[:n]))
	}
	return f, nil
}

// process is the number in the text of a lock file.
func process(text []byte) string {
	line, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimSpace(line)
}

// Channel returns the channel of a machine and begins a stream when the
// machine is new.
func (j *Journal) Channel(machine string) (*Channel, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if c := j.find(machine); c != nil {
		return c, nil
	}
	if !wire.ValidID(machine) {
		return nil, fmt.Errorf("journal: channel of machine %q: not an id: 1 to %d lower-case letters, digits, '-' and '_' expected", machine, wire.MaxIDLen)
	}
	if len(j.channels) >= maxChannels {
		return nil, fmt.Errorf("journal: channel of machine %s: %d machines are the most in one journal", machine, maxChannels)
	}
	c := &Channel{j: j, slot: len(j.channels), machine: machine}
	if j.orphans {
		c.memory = MemoryLost // one of the streams without a name may be its own
	}
	j.randomID(&c.id)
	if _, err := j.write(kindStream, c.stream); err != nil {
		return nil, fmt.Errorf("journal: begin stream of machine %s: %w", machine, err)
	}
	if c.memory == MemoryLost {
		if _, err := j.write(kindHead, c.headFrame); err != nil {
			j.o.Log.Warn("loss of a machine's state is known until the next start only", "machine", machine, "error", err)
		}
	}
	j.channels = append(j.channels, c)
	return c, nil
}

func (j *Journal) find(machine string) *Channel {
	for _, c := range j.channels {
		if c != nil && c.machine == machine {
			return c
		}
	}
	return nil
}

// Channels lists all channels by machine id, also those of machines that are
// no longer configured: their records still go to the server.
func (j *Journal) Channels() []*Channel {
	j.mu.Lock()
	defer j.mu.Unlock()
	list := slices.DeleteFunc(slices.Clone(j.channels), func(c *Channel) bool { return c == nil })
	slices.SortFunc(list, func(a, b *Channel) int { return cmp.Compare(a.machine, b.machine) })
	return list
}

// Boot returns the index of a boot, from 1 on and stable in this journal. It
// is written with the next record.
func (j *Journal) Boot(bootID [16]byte) uint32 {
	j.mu.Lock()
	defer j.mu.Unlock()
	i := slices.Index(j.boots, bootID)
	if i < 0 {
		i = len(j.boots)
		j.boots = append(j.boots, bootID)
		j.newBoots = append(j.newBoots, i)
	}
	return uint32(i + 1)
}

// Changed wakes its one reader after durable additions.
func (j *Journal) Changed() <-chan struct{} { return j.changed }

// Bytes is the size of the journal on the disk.
func (j *Journal) Bytes() int64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.total
}

// Syncs counts how often the disk was asked to make records durable since Open:
// what wears a memory card. The few of a new segment are not among them.
func (j *Journal) Syncs() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.syncs
}

// Damaged lists what does not check, found at Open or since.
func (j *Journal) Damaged() []Damage {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.Clone(j.damage)
}

// RunID is 16 random bytes, new at each Open.
func (j *Journal) RunID() [16]byte { return j.run }

// NextSession returns the next session number; it is durable on return. On a
// full disk it is given all the same, as only the server can make room again:
// the number may then come twice, which costs the live view a moment.
func (j *Journal) NextSession() (uint64, error) {
	j.mu.Lock()
	n := j.session + 1
	_, err := j.write(kindSession, func(b []byte) []byte { return binary.AppendUvarint(b, n) })
	if err == nil || errors.Is(err, ErrFull) {
		j.session = n
	}
	j.mu.Unlock()
	if err == nil {
		err = j.Sync()
	}
	if err != nil && !errors.Is(err, ErrFull) {
		return 0, fmt.Errorf("journal: begin session %d: %w", n, err)
	}
	return n, nil
}

// Close syncs and closes the journal and frees its lock. Run must have ended.
func (j *Journal) Close() error {
	err := j.Sync()
	if errors.Is(err, ErrClosed) {
		return nil
	}
	if err == nil {
		// A mark after the sync: damage before it can never pass for a torn tail.
		j.mu.Lock()
		_, err = j.write(kindMark, func(b []byte) []byte { return b })
		j.mu.Unlock()
		if err == nil {
			err = j.Sync()
		}
		if errors.Is(err, ErrFull) {
			err = nil // the mark is a comfort only
		}
	}
	j.syncing.Lock()
	defer j.syncing.Unlock()
	j.mu.Lock()
	defer j.mu.Unlock()
	j.closed = true
	if j.tail != nil {
		err = errors.Join(err, j.tail.Close())
	}
	return errors.Join(err, j.active.Close(), j.lock.Close())
}
