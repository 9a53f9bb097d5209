package floor

import (
	"context"
	"fmt"
	"time"

	"turnwise/server/store"
)

// BeginJob says that a machine has begun with a planned job, or takes the latest such
// word back, and tells what was written, one line each. A zero instant is now. Errors
// hold [store.ErrInvalid] or [store.ErrNotFound], or are [ErrNoPlans].
func (f *Floor) BeginJob(ctx context.Context, b store.Beginning, dryRun bool) (store.Begun, []string, error) {
	if f.c.Plans == nil {
		return store.Begun{}, nil, ErrNoPlans
	}
	if b.Heard = f.c.Now(); b.At.IsZero() {
		b.At = b.Heard
	}
	at := b.At.In(f.c.Zone).Format("Mon 2 Jan 15:04")
	switch {
	case b.TakeBack:
	case b.At.After(b.Heard.Add(time.Minute)):
		return store.Begun{}, nil, fmt.Errorf("begin %s on %s at %s: %w: that is still to come; say so when it knits", b.Order, b.Machine, at, store.ErrInvalid)
	case b.Heard.Sub(b.At) > store.TapKept:
		return store.Begun{}, nil, fmt.Errorf("begin %s on %s at %s: %w: that is more than %.0f hours ago; enter it in the book as an assignment that is not planned",
			b.Order, b.Machine, at, store.ErrInvalid, store.TapKept.Hours())
	}
	begun, err := f.c.Plans.BeginJob(ctx, b, dryRun)
	if err != nil {
		return begun, nil, err
	}
	if !dryRun {
		if err := f.Refresh(context.WithoutCancel(ctx)); err != nil {
			f.c.Log.Warn("the picture is late after a beginning", "err", err)
		}
		f.plan.spoil()
	}
	return begun, f.begunLines(b, begun), nil
}

func (f *Floor) begunLines(b store.Beginning, x store.Begun) []string {
	f.mu.Lock()
	name := f.book.name(x.Job.Machine)
	f.mu.Unlock()
	at := x.Job.From.In(f.c.Zone).Format("Mon 2 Jan 15:04")
	before := x.Before
	if before == "" {
		before = "no order"
	}
	switch {
	case x.Same:
		return []string{fmt.Sprintf("%s knits %s since %s: it had been told", name, x.Job.Order, at)}
	case b.TakeBack:
		return []string{fmt.Sprintf("%s waits on %s again, expected %s", x.Job.Order, name, at), fmt.Sprintf("what %s knits counts for %s", name, before)}
	}
	return []string{fmt.Sprintf("begin %s on %s at %s", x.Job.Order, name, at), fmt.Sprintf("what %s knitted until then counts for %s", name, before)}
}
