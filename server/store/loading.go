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
	// ApplyPlan takes the assignments of the plan's machines that begin after
	// an instant out of the book and enters the plan's. It remembers both, for
	// UndoPlan. A job that should have begun by then begins a second later; Next
	// of the answer says what was entered. ErrMoved: the assignments to come are
	// not Base, or the plan was applied before.
	ApplyPlan(ctx context.Context, id int64, at time.Time, dryRun bool) (LoadingPlan, error)
	// UndoPlan puts back what ApplyPlan took out, as far as it is still to
	// come. ErrMoved: the assignments to come are not those of the plan, or it
	// is not in force.
	UndoPlan(ctx context.Context, id int64, at time.Time, dryRun bool) (LoadingPlan, error)
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
