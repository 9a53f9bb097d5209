package store

import (
	"context"
	"errors"
	"time"
)

// ErrMoved: the jobs of the book are not those that a plan was made for or
// left behind; nothing was written.
var ErrMoved = errors.New("the jobs have changed since")

// PlanRecord keeps loading plans and lets them into the book. A plan that was
// kept never changes but for its state.
type PlanRecord interface {
	// KeepPlan adds a plan as proposed and gives it the next number.
	KeepPlan(ctx context.Context, p LoadingPlan) (id int64, err error)
	// LoadingPlans returns plans older than a number, 0 = all, newest first.
	LoadingPlans(ctx context.Context, before int64, limit int) ([]LoadingPlan, error)
	// LoadingPlan returns one plan. ErrNotFound.
	LoadingPlan(ctx context.Context, id int64) (LoadingPlan, error)
	// ApplyPlan takes the assignments that are still to come at an instant
	// out of the book and enters the plan's. It remembers both, for
	// UndoPlan. A job that should have begun by then begins a second later; Next
	// of the answer says what was entered. ErrMoved: the assignments to come are
	// not Base, or the plan was applied before.
	ApplyPlan(ctx context.Context, id int64, at time.Time, dryRun bool) (LoadingPlan, error)
	// UndoPlan puts back what ApplyPlan took out, as far as it is still to
	// come. ErrMoved: the assignments to come are not those of the plan, or it
	// is not in force.
	UndoPlan(ctx context.Context, id int64, at time.Time, dryRun bool) (LoadingPlan, error)
	// BeginJob says that a machine has begun with a planned job, so that what it
	// counts from that instant on is the job's; or takes the latest such word
	// back. A job that was said to have begun and runs is left as it is.
	// ErrNotFound: no such machine, or the job is not planned there. ErrInvalid:
	// the job before began later.
	BeginJob(ctx context.Context, b Beginning, dryRun bool) (Begun, error)
}

// Beginning is somebody's word that a machine has begun with a planned job.
type Beginning struct {
	Machine, Order string
	At             time.Time // of the beginning
	Heard          time.Time // by the server
	// TakeBack the latest word of the machine instead; Order is not looked at.
	TakeBack bool
}

// Begun is what became of a Beginning.
type Begun struct {
	Job    Assignment // as it is now
	Before string     // order that runs, or ran, before it; empty = none
	Same   bool       // it had been told before
}

// States of a LoadingPlan.
const (
	PlanProposed = "proposed"
	PlanApplied  = "applied"
	PlanUndone   = "undone"
)

// LoadingPlan is one version of the loading of machines.
type LoadingPlan struct {
	ID                    int64
	State                 string
	Made, Applied, Undone time.Time
	// Jobs to come after Made: as they stood, and as the plan has them. What
	// runs is in neither.
	Base, Next []Assignment
	// Body is JSON of the floor: lines, moves and reasons. The store only keeps it.
	Body []byte
}
