package floor

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/server/store"
)

// Keep keeps a plan as proposed and gives it its number.
func (f *Floor) Keep(ctx context.Context, l LoadingPlan) (LoadingPlan, error) {
	if f.c.Plans == nil {
		return l, ErrNoPlans
	}
	p, err := f.outlook(ctx)
	if err != nil {
		return l, err
	}
	kept, err := f.c.Plans.LoadingPlans(ctx, 0, 50)
	if err != nil {
		return l, err
	}
	for _, k := range kept {
		if k.State == store.PlanApplied {
			l.Base = k.ID
			break
		}
	}
	body, err := json.Marshal(l)
	if err != nil {
		return l, fmt.Errorf("floor: keep a plan: %w", err)
	}
	sp := store.LoadingPlan{Made: l.Made, Body: body, Next: f.assignments(p, l)}
	for _, a := range p.book.Assignments {
		if a.Ahead(l.Made) {
			sp.Base = append(sp.Base, a)
		}
	}
	if l.ID, err = f.c.Plans.KeepPlan(ctx, sp); err != nil {
		return l, err
	}
	l.State = store.PlanProposed
	return l, nil
}

// assignments are the jobs of a plan that have not begun, as the book has them.
func (f *Floor) assignments(p *plan, l LoadingPlan) []store.Assignment {
	var out []store.Assignment
	for _, line := range l.Lines {
		at := l.Made
		for _, j := range line.Jobs {
			if j.Kind != board.JobOrder || j.Card == "" {
				continue
			}
			from := j.SetupStart.Truncate(time.Second)
			if !from.After(at) {
				from = at.Add(time.Second)
			}
			at = from
			// The book counts all that the machine ever knits of the order.
			out = append(out, store.Assignment{Machine: line.Machine, From: from, Order: j.Order, Card: j.Card, QuantityKg: j.Kg + p.kilos[line.Machine][j.Order], Planned: !f.c.ByClock})
		}
	}
	return out
}

// PlanOf makes a plan of what the store kept.
func planOf(s store.LoadingPlan) (LoadingPlan, error) {
	var l LoadingPlan
	if err := json.Unmarshal(s.Body, &l); err != nil {
		return l, fmt.Errorf("floor: read loading plan %d: %w", s.ID, err)
	}
	l.ID, l.State, l.Made, l.Applied, l.Undone = s.ID, s.State, s.Made, s.Applied, s.Undone
	return l, nil
}

// KeptPlan returns one kept plan, or [store.ErrNotFound].
func (f *Floor) KeptPlan(ctx context.Context, id int64) (LoadingPlan, error) {
	if f.c.Plans == nil {
		return LoadingPlan{}, ErrNoPlans
	}
	s, err := f.c.Plans.LoadingPlan(ctx, id)
	if err != nil {
		return LoadingPlan{}, err
	}
	return planOf(s)
}

// KeptPlans lists plans older than a number, 0 = all, the newest first.
func (f *Floor) KeptPlans(ctx context.Context, before int64, limit int) ([]LoadingPlan, error) {
	if f.c.Plans == nil {
		return nil, ErrNoPlans
	}
	list, err := f.c.Plans.LoadingPlans(ctx, before, limit)
	if err != nil {
		return nil, err
	}
	var out []LoadingPlan
	for _, s := range list {
		l, err := planOf(s)
		if err != nil {
			return nil, err
		}
		out = append(out, l)
	}
	return out, nil
}

// ApplyPlan enters a plan's jobs into the book and tells what was written, one
// line a job. Errors hold [store.ErrMoved] when the book is not as it was.
func (f *Floor) ApplyPlan(ctx context.Context, id int64, dryRun bool) (LoadingPlan, []string, error) {
	return f.turn(ctx, id, dryRun, func(p store.PlanRecord) (store.LoadingPlan, error) { return p.ApplyPlan(ctx, id, f.c.Now(), dryRun) },
		func(s store.LoadingPlan) (out, in []store.Assignment) { return s.Base, s.Next })
}

// UndoPlan puts back the jobs as they were before a plan was applied.
func (f *Floor) UndoPlan(ctx context.Context, id int64, dryRun bool) (LoadingPlan, []string, error) {
	return f.turn(ctx, id, dryRun, func(p store.PlanRecord) (store.LoadingPlan, error) { return p.UndoPlan(ctx, id, f.c.Now(), dryRun) },
		func(s store.LoadingPlan) (out, in []store.Assignment) { return s.Next, s.Base })
}

func (f *Floor) turn(ctx context.Context, id int64, dryRun bool, do func(store.PlanRecord) (store.LoadingPlan, error), sides func(store.LoadingPlan) (out, in []store.Assignment)) (LoadingPlan, []string, error) {
	if f.c.Plans == nil {
		return LoadingPlan{}, nil, ErrNoPlans
	}
	s, err := do(f.c.Plans)
	if err != nil {
		return LoadingPlan{}, nil, err
	}
	if !dryRun {
		if err := f.Refresh(context.WithoutCancel(ctx)); err != nil {
			f.c.Log.Warn("the picture is late after a plan", "err", err)
		}
		f.plan.spoil()
	}
	l, err := planOf(s)
	out, in := sides(s)
	return l, f.swapLines(out, in), err
}

// swapLines says what goes out of the book and what comes in.
func (f *Floor) swapLines(out, in []store.Assignment) []string {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	say := func(word string, a store.Assignment) string {
		return fmt.Sprintf("%s %s on %s from %s", word, a.Order, b.name(a.Machine), a.From.In(f.c.Zone).Format("Mon 2 Jan 15:04"))
	}
	has := func(list []store.Assignment, a store.Assignment) bool {
		return slices.ContainsFunc(list, func(x store.Assignment) bool {
			return x.Machine == a.Machine && x.From.Equal(a.From) && x.Order == a.Order && x.QuantityKg == a.QuantityKg
		})
	}
	var lines []string
	for _, a := range out {
		if !has(in, a) {
			lines = append(lines, say("take out", a))
		}
	}
	for _, a := range in {
		if !has(out, a) {
			lines = append(lines, say("enter", a))
		}
	}
	slices.SortStableFunc(lines, strings.Compare)
	return lines
}
