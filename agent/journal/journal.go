// Package journal keeps what an agent has seen until the server has it in a
// backup. The one rule: a record and the state it was derived from are one
// write, so no count is ever both unrecorded and forgotten. It does not know
// what a record means, and it never rewrites one.
package journal

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

// Sentinels inside the errors of this package.
var (
	ErrFull    = errors.New("journal is full")
	ErrLocked  = errors.New("journal is in use")
	ErrDamaged = errors.New("journal is damaged")
	ErrClosed  = errors.New("journal is closed")
)

var errPending = errors.New("journal: not built yet")

// Options tunes a Journal. The zero value works.
type Options struct {
	// SyncEvery is the longest time that an appended record waits for the
	// disk. Zero means 200 ms.
	SyncEvery time.Duration
	// SegmentBytes is the size at which a new segment begins. Zero means 4 MiB.
	SegmentBytes int64
	// MaxBytes bounds the journal on disk. Zero means 2 GiB.
	MaxBytes int64
	// KeepAcked is how long a record that the server acknowledged but has not
	// in a backup is kept. Zero means 35 days.
	KeepAcked time.Duration
	// KeepAckedBytes bounds the same by size; zero means MaxBytes / 2.
	KeepAckedBytes int64
	// SkipDamaged lets Open leave out damaged frames before the tail; each is
	// declared in the Report. Without it Open refuses.
	SkipDamaged bool
	// Log; nil means slog.Default().
	Log *slog.Logger
}

// Report says what Open found.
type Report struct {
	Segments int
	Bytes    int64
	Records  uint64
	Streams  int
	// Cut is the torn tail that was removed; nil when there was none.
	Cut *Cut
	// Skipped lists damaged stretches that were left out.
	Skipped []Damage
}

// Cut is a torn tail that Open removed.
type Cut struct {
	File   string
	Offset int64
	Bytes  int64
	Reason string
}

// Damage is a damaged stretch that is not a torn tail.
type Damage struct {
	File   string
	Offset int64
	Bytes  int64
	Reason string
}

// Journal is the durable memory of one agent.
type Journal struct{}

// Open opens or creates the journal in dir.
func Open(dir string, o Options) (*Journal, Report, error) { return nil, Report{}, errPending }

// Channel returns the channel of a machine and creates its stream when new.
func (j *Journal) Channel(machine string) (*Channel, error) { return nil, errPending }

// Channels lists all channels by machine id.
func (j *Journal) Channels() []*Channel { return nil }

// Boot returns the index of a boot, stable in this journal.
func (j *Journal) Boot(bootID [16]byte) uint32 { return 0 }

// Run syncs appended records to the disk until ctx ends.
func (j *Journal) Run(ctx context.Context) error { return errPending }

// Sync makes everything appended so far durable.
func (j *Journal) Sync() error { return errPending }

// Changed wakes after durable additions.
func (j *Journal) Changed() <-chan struct{} { return nil }

// Bytes is the size of the journal on disk.
func (j *Journal) Bytes() int64 { return 0 }

// NextSession returns the next session number; it is durable on return.
func (j *Journal) NextSession() (uint64, error) { return 0, errPending }

// Close syncs and closes the journal and frees its lock.
func (j *Journal) Close() error { return errPending }

// RunID is 16 random bytes, new at each Open.
func (j *Journal) RunID() [16]byte { return [16]byte{} }

// Channel is one machine's stream in a journal.
type Channel struct{}

// Machine is the machine id.
func (c *Channel) Machine() string { return "" }

// StreamID identifies the stream.
func (c *Channel) StreamID() [16]byte { return [16]byte{} }

// State is the newest state given to Append or Tick; nil at first.
func (c *Channel) State() []byte { return nil }

// Append assigns sequence numbers, seals the records and writes them with
// state in one frame. They are durable after the next group sync.
func (c *Channel) Append(state []byte, recs ...*wirepb.Record) error { return errPending }

// Tick writes state alone.
func (c *Channel) Tick(state []byte) error { return errPending }

// Head is the newest durable sequence number; 0 when there is none.
func (c *Channel) Head() uint64 { return 0 }

// Acked is the newest acknowledged sequence number.
func (c *Channel) Acked() uint64 { return 0 }

// Read returns durable records from a sequence number on.
func (c *Channel) Read(from uint64, maxRecords, maxBytes int) ([]*wirepb.SealedRecord, []*wirepb.Boot, error) {
	return nil, nil, errPending
}

// Ack notes what the server holds (acked) and has in a backup (horizon).
func (c *Channel) Ack(acked, horizon uint64, incarnation [16]byte) error { return errPending }
