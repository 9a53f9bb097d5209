package floor

import (
	"context"
	"fmt"
	"sort"
	"time"

	"turnwise/server/store"
)

// DoneAt tells when an order had all its kilos, as counted; false while it has
// not. It reads the records, so that it is as exact as they are and does not
// depend on who looked when. Errors: [store.ErrNotFound] for an unknown order.
func (f *Floor) DoneAt(ctx context.Context, order string) (time.Time, bool, error) {
	f.mu.Lock()
	b, now := f.book, f.c.Now()
	f.mu.Unlock()
	o, ok := b.orders[order]
	if !ok {
		return time.Time{}, false, store.Unknown("order", order)
	}
	spells := b.spells(order, now)
	if len(spells) == 0 {
		return time.Time{}, false, nil
	}
	from := now
	for _, s := range spells {
		if s.from.Before(from) {
			from = s.from
		}
	}
	var err error
	enough := func(at time.Time) bool {
		kg := o.DoneBeforeKg
		for _, s := range spells {
			if err != nil {
				return true
			}
			var more float64
			more, err = f.kilosIn(ctx, s, at)
			kg += more
		}
		return kg >= o.QuantityKg
	}
	if !enough(now) || err != nil {
		return time.Time{}, false, err
	}
	ms := sort.Search(int(now.Sub(from).Milliseconds()), func(ms int) bool { return enough(from.Add(time.Duration(ms) * time.Millisecond)) })
	if err != nil {
		return time.Time{}, false, err
	}
	return from.Add(time.Duration(ms) * time.Millisecond), true, nil
}

// spell is the time that a machine spends on one assignment.
type spell struct {
	machine  string
	from, to time.Time
	grams    float64 // of a revolution
}

// spells of an order up to an instant.
func (b *book) spells(order string, until time.Time) []spell {
	var out []spell
	for machine, jobs := range b.jobs {
		for i, a := range jobs {
			if a.Order != order || !a.From.Before(until) {
				continue
			}
			s := spell{machine: machine, from: a.From, to: until, grams: b.cards[a.Card].grams}
			if i+1 < len(jobs) && jobs[i+1].From.Before(until) {
				s.to = jobs[i+1].From
			}
			out = append(out, s)
		}
	}
	return out
}

// kilosIn are the kilos knitted in a spell up to an instant.
func (f *Floor) kilosIn(ctx context.Context, s spell, at time.Time) (float64, error) {
	if !at.After(s.from) {
		return 0, nil
	}
	if at.After(s.to) {
		at = s.to
	}
	before, err := f.st.RevolutionsAt(ctx, s.machine, s.from)
	if err != nil {
		return 0, fmt.Errorf("floor: revolutions of %s: %w", s.machine, err)
	}
	after, err := f.st.RevolutionsAt(ctx, s.machine, at)
	if err != nil {
		return 0, fmt.Errorf("floor: revolutions of %s: %w", s.machine, err)
	}
	return float64(after-before) * s.grams / 1000, nil
}
