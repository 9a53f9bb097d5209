package host

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
	"turnwise/server/web"
)

// newPages makes the server of the pages.
func (h *Host) newPages() (*http.Server, error) {
	name := h.c.Site.Name
	if name == "" {
		name = h.c.Site.ID
	}
	cal := h.c.ShiftCalendar()
	pages, err := web.New(h.floor, web.Options{
		Site: name, Zone: cal.Zone, Calendar: cal, Tap: h.tap, Calls: h.calls, Upkeep: h.upkeep.tell, KeepPlan: h.keepPlan, ApplyPlan: h.applyPlan, UndoPlan: h.undoPlan, BeginJob: h.beginJob, Searches: h.searcher, Now: h.o.Now, Log: h.o.Log,
	})
	if err != nil {
		return nil, fmt.Errorf("host: pages: %w", err)
	}
	// Other sites open in the same browser may not press buttons here.
	return newHTTP(ownName(http.NewCrossOriginProtection().Handler(pages)), h.o.Log), nil
}

// ownName answers only under the names of this host. The pages listen on
// loopback without sign-in, so a foreign name that was pointed here by a
// foreign DNS must not reach them.
func ownName(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := r.Host
		if host, _, err := net.SplitHostPort(name); err == nil {
			name = host
		}
		ip, err := netip.ParseAddr(name)
		if name != "localhost" && (err != nil || !ip.IsLoopback()) {
			http.Error(w, "These pages are for this computer: open them as http://localhost with the port of listen.http.", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// tap records what a tender told on a page.
func (h *Host) tap(ctx context.Context, t web.Tap) (heard web.Heard, err error) {
	if machine, roll, ok := floor.RollOfTask(t.Task); ok {
		return h.weigh(ctx, t, machine, roll)
	}
	tap := store.Tap{Task: t.Task, Act: t.Act, RequestID: t.RequestID, At: t.At, Heard: h.o.Now()}
	tap, err = h.floor.ReadyTap(ctx, tap, floor.Told{Group: t.Group, Lot: t.Lot, Cones: t.Cones})
	if err != nil {
		if e := h.calls.Refused(ctx, err); e != nil {
			h.o.Log.Error("an alarm about a lot is not kept", "error", e)
		}
		return heard, err
	}
	if heard.State, err = h.told.Tap(ctx, tap, false); err != nil {
		return heard, err
	}
	if l := tap.Load; l != nil {
		heard.Warning = h.floor.LotWarning(l.Machine, l.Group, l.Lot, l.At)
		if e := h.calls.Passed(ctx, l, heard.Warning); e != nil {
			h.o.Log.Error("an alarm about a lot is not kept", "error", e)
		}
	}
	h.refresh(ctx)
	if heard.State.Load != 0 {
		if err := h.floor.KeepLearnt(context.WithoutCancel(ctx), heard.State.Machine, ""); err != nil {
			h.o.Log.Warn("what was learnt of a creel is kept later", "machine", heard.State.Machine, "error", err)
		}
	}
	return heard, nil
}

// weigh records what a roll weighs, or takes that back.
func (h *Host) weigh(ctx context.Context, t web.Tap, machine string, roll int64) (heard web.Heard, err error) {
	heard.State = store.TaskState{Task: t.Task, Machine: machine, State: store.TaskDone, Since: t.At}
	if t.Act == store.ActUndo {
		heard.State.State = store.TaskDue
		return heard, h.floor.UndoWeight(ctx, machine, t.Of)
	}
	if err := (store.Tap{Task: t.Task, At: t.At, Heard: h.o.Now()}).InTime(); err != nil {
		return heard, err
	}
	_, err = h.floor.Weigh(ctx, machine, roll, t.Kg, t.RequestID)
	return heard, err
}

// keepPlan makes a plan of moves and writes it into the book.
func (h *Host) keepPlan(ctx context.Context, changes ...outlook.Change) (int64, error) {
	p, err := h.floor.Propose(ctx, changes...)
	if err != nil {
		return 0, err
	}
	if p, err = h.floor.Keep(ctx, p); err != nil {
		return 0, err
	}
	_, _, err = h.floor.ApplyPlan(ctx, p.ID, false)
	return p.ID, err
}

func (h *Host) applyPlan(ctx context.Context, id int64) error {
	_, _, err := h.floor.ApplyPlan(ctx, id, false)
	return err
}

func (h *Host) undoPlan(ctx context.Context, id int64) error {
	_, _, err := h.floor.UndoPlan(ctx, id, false)
	return err
}

// beginJob says that a machine begins with a planned job now; without an order it takes
// the latest such word back.
func (h *Host) beginJob(ctx context.Context, machine, order string) error {
	_, _, err := h.floor.BeginJob(ctx, store.Beginning{Machine: machine, Order: order, TakeBack: order == ""}, false)
	return err
}

// refresh shows what was written; if it cannot now, the floor does later.
func (h *Host) refresh(ctx context.Context) {
	if err := h.floor.Refresh(context.WithoutCancel(ctx)); err != nil && !errors.Is(err, context.Canceled) {
		h.o.Log.Warn("the picture is late after a change", "error", err)
	}
}
