package store

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// ErrTask: a task is not in a state in which that can be done.
var ErrTask = errors.New("task is not in a state for that")

// How long taps may come after the fact, and an undo after its tap.
const (
	TapKept = 24 * time.Hour
	UndoFor = 10 * time.Second
)

// CreelRecord keeps what people did about tasks, and the ways of lots. What was
// told is never changed: an undo is a tap of its own. Every call has a request id;
// the same one again changes nothing and gives the first answer.
type CreelRecord interface {
	// Tap notes what somebody does about a task, with the load that it brings, all
	// or nothing. ErrTask: not in its state, or too late to undo.
	Tap(ctx context.Context, t Tap, dryRun bool) (TaskState, error)
	// Heard tells whether a tap of that request id was taken.
	Heard(ctx context.Context, requestID string) (bool, error)
	// Taps returns the state of every task that was tapped since an instant.
	Taps(ctx context.Context, since time.Time) (map[string]TaskState, error)
	// MoveLot takes yarn from the store to a machine, or back, and returns the
	// lot's moves so far. ErrInvalid: there is not so much of it.
	MoveLot(ctx context.Context, m LotMove, dryRun bool) (LotMoves, error)
	// ReleaseLot lets a lot onto a machine whose card names another one.
	ReleaseLot(ctx context.Context, r LotRelease, dryRun bool) (LotRelease, error)
	// LotMoves returns what was moved, by lot.
	LotMoves(ctx context.Context) (map[string]LotMoves, error)
	// LotReleases returns all releases, oldest first.
	LotReleases(ctx context.Context) ([]LotRelease, error)
	// Positions returns what stands in all creels, by machine, feed group and number:
	// what [Stand] makes of the loads.
	Positions(ctx context.Context) ([]Position, error)
	// CreelLog returns the loads since an instant that were not taken back, by id.
	CreelLog(ctx context.Context, since time.Time) ([]Load, error)
	// AddReading keeps what weighed rolls or a yarn meter tell, and returns its id, in a
	// dry run 0. ErrInvalid: one of its rolls was weighed already, too.
	AddReading(ctx context.Context, r Reading, dryRun bool) (id int64, err error)
	// UndoReading takes a reading back; again changes nothing. ErrNotFound.
	UndoReading(ctx context.Context, machine string, id int64, at time.Time) error
	// Readings returns the readings since an instant that were not taken back, oldest first.
	Readings(ctx context.Context, since time.Time) ([]Reading, error)
	// ReadingsVersion changes whenever what Readings returns may have changed.
	ReadingsVersion(ctx context.Context) (ReadingsVersion, error)
	// KeepLearnt keeps what was learnt, each in the place of what was kept before of
	// its machine, feed group and lot.
	KeepLearnt(ctx context.Context, all []Learnt) error
	// Learnt returns what was learnt, by machine, feed group and lot.
	Learnt(ctx context.Context) ([]Learnt, error)
}

// Kinds of a [Reading].
const (
	ReadMeter = "meter" // metres of yarn in so many turns
	ReadRolls = "rolls" // kilos of so many turns
)

// Reading is what weighed rolls or a yarn meter tell of the yarn that a feed group draws.
type Reading struct {
	ID                                   int64
	Machine, Group, Lot, Kind, RequestID string  // Group "" = rolls tell of all feed groups together
	Ratio                                float64 // measured over calculated yarn of a turn, by the card of then
	SD                                   float64 // of it, a share
	At                                   time.Time
	Turns                                int64   // over which it was measured; 0 = not kept, then Measured too
	Measured                             float64 // kg of rolls, net, or m of a meter
	Rolls                                int     // weighed together; of a meter 0
	Roll                                 int64   // number of the last of them; 0 = not known
}

// ReadingsVersion tells one set of readings from another.
type ReadingsVersion struct{ Newest, Undone int64 }

// Learnt is the state of a learner: the natural logarithm of the turns that a cone
// lasts over those calculated.
type Learnt struct {
	Machine, Group, Lot string
	Mean, SD            float64 // of the bias
	Noise               float64 // sd of one cone about the bias
	Walk                float64 // sd of the bias's step with each observation
	Weight              float64 // of Noise, as if from so many observations
	Seen                int     // observations taken in
	Apart               []Apart // observations held apart, latest last
	Events              int     // loads and readings that it knows
	Newest              int64   // load that it knows
	Outs, Late          int     // run-outs that were told, cones changed late
}

// Apart is an observation that was not believed; natural logarithms.
type Apart struct {
	Value, Expected, SD float64
	Runs                int // how many of this kind came one after the other
}

// Acts of a Tap.
const (
	ActTake  = "take"
	ActDone  = "done"
	ActHalf  = "half"
	ActUndo  = "undo"
	ActFixer = "fixer"
)

// States of a task.
const (
	TaskDue   = "due"
	TaskTaken = "taken"
	TaskHalf  = "half done"
	TaskDone  = "done"
)

// Tap is what somebody did about a task. Nobody's name is kept.
type Tap struct {
	Task, Act, Machine, RequestID string
	At                            time.Time // of the tap
	Heard                         time.Time // by the server
	Load                          *Load     // that done or half of a creel brings; nil = none
	Begins                        string    // order of the planned job that done of the end of a job begins; empty = none
}

// InTime says why a tap of such an instant cannot be taken, nil if it can. ErrInvalid.
func (t Tap) InTime() error {
	told := t.At.Format(time.RFC3339)
	switch {
	case t.At.IsZero() || t.Heard.IsZero():
		return fmt.Errorf("tap on task %.60q: %w: the instants of the tap and of hearing it are expected", t.Task, ErrInvalid)
	case t.At.After(t.Heard.Add(time.Minute)):
		return fmt.Errorf("tap on task %.60q: %w: it was tapped at %s, which is still to come; set the clock of the device", t.Task, ErrInvalid, told)
	case t.Heard.Sub(t.At) > TapKept:
		return fmt.Errorf("tap on task %.60q: %w: it was tapped at %s, more than 24 hours ago; look at the creel and tell what is there now", t.Task, ErrInvalid, told)
	}
	return nil
}

// TakenHolds is how long at least a task that somebody took is his; after that
// another may take it.
const TakenHolds = 15 * time.Minute

// TaskState is how far a task is.
type TaskState struct {
	Task, Machine, State string
	Since                time.Time // of the newest act that stands; zero = none
	Load                 int64     // written or taken back by the newest act; 0 = none
	Taken                time.Time // first; zero = not, or taken back
	Fixer                time.Time // called; zero = not
}

// LotMove is yarn on its way.
type LotMove struct {
	Lot, Machine, RequestID string
	Kg                      float64 // > 0 = from the store to the machine, < 0 = back
	At                      time.Time
}

// LotMoves are the sums of a lot's moves.
type LotMoves struct {
	OutKg     float64              // from the store, what came back taken off
	ByMachine map[string]float64   // the same by machine
	Since     map[string]time.Time // of the first move, by machine
}

// LotRelease lets a lot onto a machine whose card names another one.
type LotRelease struct {
	Lot, Machine, Role, Reason, RequestID string
	At                                    time.Time
}
