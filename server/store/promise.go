package store

import (
	"context"
	"time"
)

// PromiseRecord keeps forecasts as they were told, so that a mill can see
// later what became of them, and so that the next forecasts learn from it.
type PromiseRecord interface {
	// KeepForecasts adds forecasts, all or nothing. One of the same order and
	// occasion as an earlier one changes nothing: what was told stays.
	KeepForecasts(ctx context.Context, kept []Kept) error
	// SettleForecasts notes what happened, all or nothing. One that is settled
	// already stays as it is. ErrNotFound for one that was never kept.
	SettleForecasts(ctx context.Context, settled []Settled) error
	// KeptForecasts returns kept forecasts, the newest first.
	KeptForecasts(ctx context.Context, q KeptQuery) ([]Kept, error)
}

// Kept is a forecast of an order's finish at one occasion.
type Kept struct {
	Order string
	// Occasion says what it was kept for; an order has one of each.
	Occasion string
	Made     time.Time
	// Article and Structure of the order then.
	Article, Structure string
	QuantityKg         float64
	RemainingKg        float64
	// Promise is the date told to the customer; zero = none.
	Promise time.Time
	// MissChance is the chance to finish after Promise, as told.
	MissChance float64
	// Minutes are working minutes from Made to the finish, equally likely and
	// rising: the middles of as many equal parts of the law. At most 1000.
	Minutes []float64
	// Machine that the order was on, several with a + between them; empty = not
	// known, and then there is no Raw.
	Machine string
	Raw     KeptRaw

	Settled Settled // zero Ended and empty Void while nothing has happened
}

// KeptRaw is the law before past forecasts put its chances right, and what it was
// asked for: what the next forecasts learn from. The fields are the planner's,
// see forecast.Points and forecast.Ask; the store only keeps them.
type KeptRaw struct {
	Least, Atom float64
	At          []float64 `json:",omitempty"`
	Stops       float64
	Level, Pull float64
	Begun       bool
	Class       int
}

// Settled is what became of a kept forecast.
type Settled struct {
	Order, Occasion string
	// Ended is when the order was done, Minutes the working minutes from Made
	// to it.
	Ended   time.Time
	Minutes float64
	// Void says why the forecast cannot be compared with what happened, for
	// example because the order was changed; Ended is then zero.
	Void string
}

// Open says that nothing has happened yet.
func (s Settled) Open() bool { return s.Ended.IsZero() && s.Void == "" }

// KeptQuery selects kept forecasts.
type KeptQuery struct {
	Order string    // empty = all
	Since time.Time // made at it or later; zero = all
	Open  bool      // only those that nothing has happened to yet
	Ended bool      // only those whose order was done
	Limit int       // 0 = 10,000, which is also the most
}
