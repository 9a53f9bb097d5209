package floor

import (
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"turnwise/planner/outlook"
)

// WhatIf tells what changes would do to the orders. Nothing is written. Errors
// hold [outlook.ErrRequest] for a change that cannot be.
func (f *Floor) WhatIf(ctx context.Context, changes ...outlook.Change) (WhatIfView, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return WhatIfView{}, err
	}
	supposed, err := p.suppose(changes)
	if err != nil {
		return WhatIfView{}, err // it is for the person who asked
	}
	after, err := outlook.Plan(supposed.Touched(changes...), p.At)
	if err != nil {
		return WhatIfView{}, fmt.Errorf("floor: plan what is supposed: %w", err)
	}
	v := WhatIfView{Assumptions: []string{"Everything else stays as it is"}}
	v.Effects, v.Same = outlook.Effects(p.snapshot, p.Outlook, after)
	v.Warnings, err = f.handObjections(ctx, p, supposed, changes)
	return v, err
}

// PromiseChange is one order whose promise stands otherwise than it was told.
type PromiseChange struct {
	Order    string
	Promise  time.Time
	Finish   outlook.Finish
	Before   *outlook.Finish // nil the first time
	Sentence string
}

// What a watcher of promises is told: a finish with 90 % that moves by this
// much, or a chance to miss that moves by a bead.
const (
	tellMoved  = time.Hour
	tellChance = 0.05
)

// WatchPromises yields every order first and then, as outlooks are made, those
// that stand otherwise than they were told last, until ctx ends or the reader
// breaks off.
func (f *Floor) WatchPromises(ctx context.Context) iter.Seq2[[]PromiseChange, error] {
	return func(yield func([]PromiseChange, error) bool) {
		told := map[string]outlook.Finish{}
		tick := time.NewTicker(planPeriod)
		defer tick.Stop()
		for first := true; ; first = false {
			p, err := f.outlook(ctx)
			if ctx.Err() != nil {
				return
			}
			if err != nil {
				yield(nil, err)
				return
			}
			changes := f.changedPromises(p, told)
			if (first || len(changes) > 0) && !yield(changes, nil) {
				return
			}
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
	}
}

// changedPromises compares an outlook with what was told, which it updates.
func (f *Floor) changedPromises(p *plan, told map[string]outlook.Finish) []PromiseChange {
	var out []PromiseChange
	for _, o := range p.Outlook.Orders {
		c := PromiseChange{Order: o.Order, Promise: p.book.orders[o.Order].Promise, Finish: o.Finish}
		was, known := told[o.Order]
		if known {
			if !worthTelling(was, o.Finish) {
				continue
			}
			c.Before, c.Sentence = &was, f.movedSentence(c.Order, was, o)
		}
		told[o.Order] = o.Finish
		out = append(out, c)
	}
	for order := range told {
		if _, ok := p.orders[order]; !ok {
			delete(told, order)
		}
	}
	slices.SortStableFunc(out, func(a, b PromiseChange) int { return strings.Compare(a.Order, b.Order) })
	return out
}

func worthTelling(was, is outlook.Finish) bool {
	return was.Refused != is.Refused || math.Abs(was.MissChance-is.MissChance) >= tellChance ||
		is.Refused == "" && was.P90.Sub(is.P90).Abs() >= tellMoved
}

func (f *Floor) movedSentence(order string, was outlook.Finish, is outlook.OrderOutlook) string {
	day := func(t time.Time) string { return outlook.Told(t).In(f.c.Zone).Format("Mon 2 Jan 15:04") }
	switch {
	case is.RemainingKg <= 0:
		return order + " is done"
	case is.Finish.Refused != "":
		return order + " has no forecast any more: " + is.Finish.Refused
	case was.Refused != "":
		return fmt.Sprintf("%s is done with 90 %% by %s", order, day(is.Finish.P90))
	}
	s := fmt.Sprintf("%s is done with 90 %% by %s instead of %s", order, day(is.Finish.P90), day(was.P90))
	if len(is.Why) > 0 {
		s += ": " + is.Why[0]
	}
	return s
}
