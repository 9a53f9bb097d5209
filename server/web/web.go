// Package web serves the mill's pages: runs and stops, one machine, the creel
// round and the promises. The one rule: no figure without its origin letter,
// and nothing on a page that the reader without script, colour or mouse does
// not get too. It draws every form on the server, keeps no data of its own
// besides the loads that can still be undone, and decides nothing: figures
// come from the floor, dates from the planner behind it.
package web

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"turnwise/planner/calendar"
	"turnwise/server/floor"
)

// Floor is what the pages need of the live picture.
type Floor interface {
	Machines() []floor.MachineView
	Machine(id string) (floor.MachineView, error)
	Shift(ctx context.Context, at time.Time) (floor.ShiftView, error)
	MachineThread(ctx context.Context, id string, from, to time.Time) (floor.Thread, error)
	Orders(ctx context.Context) ([]floor.OrderView, error)
	Tasks(ctx context.Context, machines []string, horizon time.Duration) ([]floor.TaskView, error)
	// Subscribe returns a channel that wakes after changes, many of them as
	// one. It closes when ctx ends.
	Subscribe(ctx context.Context) <-chan struct{}
}

// LoadRequest says that cones were put on one feed group of a machine.
type LoadRequest struct {
	Machine   string
	Group     string // feed group of the knit card
	Cones     int
	Lot       string // as the page told the tender to take
	At        time.Time
	RequestID string // the same for a repeated tap
}

// Options tune the pages. The zero value works: a nameless mill in UTC that
// works around the clock, read only.
type Options struct {
	// Site is the name of the mill in the head of each page.
	Site string
	// Zone of the times shown. Nil means UTC.
	Zone *time.Location
	// Calendar tells the times without shifts. Without shifts nothing is
	// drawn as closed.
	Calendar calendar.Calendar
	// Load records cones put on a machine, Undo takes that back. With Load
	// nil the pages have no buttons.
	Load func(ctx context.Context, r LoadRequest) (id int64, err error)
	Undo func(ctx context.Context, machine string, id int64) error
	// Now is the clock. Nil means time.Now.
	Now func() time.Time
	// Log takes what went wrong behind a page. Nil means slog.Default.
	Log *slog.Logger
	// MaxStreams bounds the live streams held open. Zero means 256: more
	// screens than a mill has, fewer than a server has file descriptors.
	MaxStreams int
}

// New returns the handler of all pages. It reads its templates once and fails
// only when they do not parse.
func New(f Floor, o Options) (http.Handler, error) {
	if f == nil {
		return nil, fmt.Errorf("web: new: floor is nil; pass the floor that the pages show")
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		fmt.Fprintln(w, "ok")
	})
	return mux, nil
}
