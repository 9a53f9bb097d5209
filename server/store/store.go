// Package store says what the server keeps and what a database must promise.
// Implementations: store/sqlite. Every implementation passes storetest.
package store

import (
	"context"
	"errors"
	"time"
)

// Errors that every implementation returns, inside its own.
var (
	// ErrUnregistered: the agent or its machine is not in the register.
	ErrUnregistered = errors.New("not registered")
	// ErrNotFound: no entry of that id.
	ErrNotFound = errors.New("not found")
	// ErrInvalid: an entry breaks a rule of the book; the text says which.
	ErrInvalid = errors.New("invalid")
	// ErrNewerSchema: the database was written by a newer version.
	ErrNewerSchema = errors.New("database of a newer version")
	// ErrDamaged: the database or a backup is not what was written.
	ErrDamaged = errors.New("damaged")
	// ErrInUse: another process holds the database.
	ErrInUse = errors.New("in use")
)

// ID is a random 128-bit identity: stream, life, stop, run, boot.
type ID [16]byte

// Store is a database of one mill.
//
// Commit is the only writer of counts. Everything it returns as Acked is
// durable (COMMIT at full synchronisation) before it returns. On error the
// outcome is unknown and the implementation has reread its state; the caller
// sends no acknowledgement.
type Store interface {
	// Commit applies batches in order in one transaction and returns one
	// outcome for each. A batch that cannot be applied (gap, frozen stream,
	// unregistered) has its verdict in the outcome and does not hinder others.
	Commit(ctx context.Context, batches []Batch) ([]Outcome, error)
	// Resume hands the counter of a machine over to a stream at an instant: it
	// returns the newest raw reading, and fences every other stream of the
	// machine there. Of those, records up to the instant are still taken and
	// the first one after it freezes them. Asking again gives the same answer.
	Resume(ctx context.Context, q ResumeQuery, at time.Time) (Resume, error)
	// LongerAgo is how much longer ago than the clock tells that now shows at an
	// instant another one of it may have been, because it was set back in between,
	// as far as any box saw it. It changes nothing.
	LongerAgo(ctx context.Context, since, at time.Time) (time.Duration, error)
	// Frozen lists the streams that take nothing more, by agent and machine.
	Frozen(ctx context.Context) ([]FrozenStream, error)
	// Release lets a frozen stream go on with the process that speaks next.
	// ErrInvalid: its machine was handed over, and no word of people may make
	// two readers of one counter count.
	Release(ctx context.Context, stream ID) error
	// Quarantine keeps the bytes of a message that could not be read.
	Quarantine(ctx context.Context, q Quarantined) error
	// SawHead notes the newest sequence number an agent told for a machine,
	// so that Totals knows what is outstanding.
	SawHead(ctx context.Context, agent string, heads map[ID]uint64) error

	// RegisterAgent lets an agent in for machines, creating unknown machines.
	// It returns the machines it created.
	RegisterAgent(ctx context.Context, agent string, machines []string, at time.Time, dryRun bool) ([]string, error)
	Agents(ctx context.Context) ([]Agent, error)
	// ApplyBook creates or updates entries by id, all or nothing. ErrInvalid
	// joins all faults.
	ApplyBook(ctx context.Context, b Book, dryRun bool) (BookChange, error)
	Book(ctx context.Context) (Book, error)

	// AddLoad records cones put on a feed group. The same RequestID twice
	// changes nothing and returns the first id.
	AddLoad(ctx context.Context, l Load) (id int64, err error)
	UndoLoad(ctx context.Context, machine string, id int64) error
	// Loads returns for each machine and feed group the loads since the one
	// that still has cones running, oldest first, undone ones left out.
	Loads(ctx context.Context) ([]Load, error)

	// States returns every machine as committed.
	States(ctx context.Context) ([]MachineState, error)
	// Totals returns the books of every machine by id, and whether nothing is
	// known to be outstanding.
	Totals(ctx context.Context) ([]Totals, bool, error)
	// Stops returns stops that overlap the query, newest first.
	Stops(ctx context.Context, q StopQuery) ([]Stop, error)
	// Rollups returns the cells of one grain that overlap [From, To); of a time
	// of which finer cells are not kept any more, hours.
	Rollups(ctx context.Context, q RollupQuery) ([]Rollup, error)
	// Gaps returns unknown times that overlap [from, to), oldest first.
	Gaps(ctx context.Context, from, to time.Time) ([]Gap, error)
	// RevolutionsAt tells a machine's revolutions as counted up to an instant.
	RevolutionsAt(ctx context.Context, machine string, at time.Time) (int64, error)
	// Records tells how many records are in the store.
	Records(ctx context.Context) (int64, error)

	// Incarnation was stamped when the database was created or restored.
	Incarnation(ctx context.Context) (ID, error)
	Close() error
}

// Batch is a decoded and checked batch of one stream.
type Batch struct {
	Agent, Machine string
	Stream, Run    ID
	FirstSeq       uint64
	HeadSeq        uint64
	Records        []Record
	Boots          map[uint32]ID
	Clock          Clock
	Received       time.Time
	// Before is the check sum of the record before the first one, as the agent
	// holds it. Nil where it does not tell, or where that record is coarse.
	Before *uint32
}

// Clock is the agent's clock at the moment of sending.
type Clock struct {
	Boot     uint32
	Boottime int64
	Wall     int64
	Synced   bool
	Server   ServerClock
}

// ServerClock is what an agent knows of the server's clock.
type ServerClock struct {
	Told     bool  // the agent measures it
	Measured bool  // in this boot; else the rest is void
	Offset   int64 // ns to be added to Boottime
	Error    int64 // ns, at most
}

// Record is one record with its sealed bytes. Kind is one of the pointer
// types below; nil for a kind that this version does not know.
type Record struct {
	Seq      uint64
	CRC      uint32
	Coarse   bool
	Body     []byte
	Boot     uint32
	Boottime int64
	Wall     int64
	Synced   bool // the agent's wall clock was disciplined then
	Kind     any
}

// Kinds of a record; see wire.proto for the meaning of the fields.
type (
	CountSpan struct {
		Life         ID
		From, To     uint64
		RawTo        uint64
		RawBits      uint32
		FromBoottime int64
		PerRev       uint32 // counts in one revolution, at least 1
		TimeUnknown  bool
		Inched       bool // by hand or by the inching button
	}
	StopBegin struct {
		Stop  ID
		Input bool // from a stop input, not from a standstill
		Cause string
		Side  string
		At    uint64
	}
	StopEnd struct {
		Stop     ID
		At       uint64
		Earliest int64 // boottime, 0 = the record's instant
	}
	StateGap struct {
		FromBoot            uint32
		FromBoottime        int64
		FromWall            int64
		RawBefore, RawAfter uint64
		Reason              string // "agent down" or "source unreadable"
		StopContinued       bool
	}
	LifeLink struct {
		New, Prev        ID // Prev zero at first sight
		PrevTo           uint64
		Kind             string
		LostMin, LostMax uint64
		Evidence         string
		PerRev           uint32
		// First raw reading, its width (0 = not told), the extended counter of
		// New there, and a speed that the machine cannot exceed (0 = not told).
		Raw     uint64
		RawBits uint32
		Ext     uint64
		MaxRPM  float64
	}
	Discontinuity struct {
		Input    string
		Missed   uint64
		Evidence string
	}
	ConfigApplied struct {
		SourceKind string
		PerRev     uint32
		MaxRPM     float64
	}
	Tombstone struct{ From, To uint64 }
	ClockStep struct{ Delta time.Duration }
	// Unreadable stands for a record whose bytes check but cannot be read.
	// They are kept with the reason, and the stream goes on.
	Unreadable struct{ Reason string }
)

// Verdict on a batch.
type Verdict uint8

// Verdicts.
const (
	OK Verdict = iota + 1
	NeedFrom
	Frozen
	Unregistered
)

// Outcome is what became of a batch.
type Outcome struct {
	Verdict Verdict
	Reason  string
	Acked   uint64 // as read in the transaction that committed
	Horizon uint64 // in a verified backup
	Applied int    // records that were new
	Unread  int    // of them: of a kind that this version does not know
	State   MachineState
	Stops   []Stop // begun, ended or changed
}

// ResumeQuery asks for the counter of a machine.
type ResumeQuery struct {
	Agent, Machine string
	Stream         ID
	Head           uint64 // newest record of the stream
}

// ResumeVerdict is the answer to a ResumeQuery.
type ResumeVerdict uint8

// Verdicts on a ResumeQuery.
const (
	ResumeContinue ResumeVerdict = iota + 1
	// ResumeNothing: no reading is known that another reader could go on from.
	ResumeNothing
	// ResumeRefused: the counter is not for this stream.
	ResumeRefused
	// ResumeLater: records of the stream are on their way; nothing is to be
	// said until they are here.
	ResumeLater
)

// Resume is where the counter of a machine stood.
type Resume struct {
	Verdict  ResumeVerdict
	Reason   string // of a refusal, for people
	Life     ID
	PerRev   uint32
	Ext, Raw uint64
	RawBits  uint32
	Boot     ID    // of the reading, and CLOCK_BOOTTIME there, ns
	Boottime int64 // ns
	// At is when it was read, on the server's clock of now, as far as boots have
	// seen that set ahead since. Longer is how much longer ago that may have been:
	// the clock was set since.
	At     time.Time
	Longer time.Duration
	Stop   ID // open then; zero = none
	// Cause and Side of that stop; empty when nobody told them.
	Cause, Side string
}

// FrozenStream is a stream that takes nothing more.
type FrozenStream struct {
	Stream         ID
	Agent, Machine string
	Acked          uint64
	Reason         string
	HandedOver     bool // to another reader: it cannot be released
}

// Quarantined is a message that could not be read.
type Quarantined struct {
	Agent, Topic, Reason string
	Received             time.Time
	Payload              []byte
}

// Agent as registered and last heard.
type Agent struct {
	ID          string
	Machines    []string
	Registered  time.Time
	Outstanding int64 // records known to be at the agent only
}

// MachineState is one machine as committed.
type MachineState struct {
	Machine       string
	First, Last   time.Time // watched from, watched to; zero = never heard
	Revolutions   int64
	Inched        int64 // of them: by hand or by the inching button
	RunMS, StopMS int64
	UnknownMS     int64
	Open          *Stop     // the stop in progress
	Since         time.Time // of running or of the open stop
	SpeedRPM      float64   // over the last count spans while running; 0 = none
	DoffAt        int64     // revolutions at the end of the last doff
	Doffs         int64     // stops with cause "doff" ended so far
}

// Totals are the books of a machine. All but the kilos are integers, and
// RunMS + StopMS + UnknownMS = last watched - first watched.
type Totals struct {
	Machine          string
	Revolutions      int64
	Inched           int64 // of them: by hand or by the inching button
	Stops            int64 // begun at stop inputs, the open one included
	ByCause          map[string]int64
	OpenStop         bool
	LostMin, LostMax int64
	RunMS, StopMS    int64
	UnknownMS        int64
	// Counted says how many revolutions each assignment of the machine got.
	Counted []AssignmentCount
}

// AssignmentCount is a number of revolutions knitted under one assignment.
type AssignmentCount struct {
	Machine     string
	From        time.Time // of the assignment; zero = before the first one
	Order, Card string
	Revolutions int64
}

// Stop of a machine.
type Stop struct {
	ID          ID
	Machine     string
	Begin, End  time.Time // End zero while open
	Cause, Side string
	Input       bool // begun at a stop input
	Revolutions int64
}

// StopQuery selects stops.
type StopQuery struct {
	Machine  string // empty = all
	From, To time.Time
	Limit    int
	// Before continues a listing: only stops that begin before it, or at it
	// with a smaller id.
	Before   time.Time
	BeforeID ID
}

// Grain of a rollup.
type Grain time.Duration

// Grains kept.
const (
	Fine Grain = Grain(5 * time.Minute)
	Hour Grain = Grain(time.Hour)
)

// RollupQuery selects cells.
type RollupQuery struct {
	Grain    Grain
	Machine  string // empty = all
	From, To time.Time
}

// Rollup is one cell of kept sums. Cells begin at multiples of the grain in
// UTC. Times are split exactly at cell borders; revolutions of a span are
// split by time, the remainder going to the last cell, so that sums agree.
type Rollup struct {
	Machine     string
	Start       time.Time
	Revolutions int64
	Inched      int64 // of them
	RunMS       int64
	StopMS      int64
	UnknownMS   int64
	Stops       int64 // begun at inputs
	// Whole says that the cell is an hour although finer ones were asked for: of
	// that time they are not kept any more.
	Whole bool
}

// Length is how long the cell is, of those of a grain.
func (r Rollup) Length(asked Grain) time.Duration {
	if r.Whole {
		asked = Hour
	}
	return time.Duration(asked)
}

// Gap is a time in which nobody watched.
type Gap struct {
	Machine  string
	From, To time.Time
	Reason   string
}

// Load is cones put on one feed group of a machine.
type Load struct {
	ID          int64
	Machine     string
	Group       string
	Cones       int
	Lot         string
	ConeKg      float64 // 0 = that of the yarn
	At          time.Time
	Revolutions int64 // machine's, when loaded
	RequestID   string

	Work      string  // LoadChange, LoadOut, LoadTie, LoadBeside or LoadOff; "" = LoadChange
	Positions []int   // from 1; none = those that are due first
	Places    int     // of the feed group, as the card has it; 0 = not told
	ConeCV    float64 // spread of ConeKg, a share; 0 = that of the yarn
	Turns     float64 // that a cone lasts as calculated then; 0 = not known
}
