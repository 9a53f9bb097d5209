package floor

import (
	"errors"
	"slices"
	"time"

	"turnwise/server/store"
)

// Why nobody need come to a machine that stands or is not heard.
const (
	RuleClosed  = "mill closed"
	RuleNoOrder = "no order"
)

// Attention is a machine with what people told of its present stop.
type Attention struct {
	MachineView
	// Waits says that it stands for something that a tender ends.
	Waits bool
	// Answer is what was told of the stop; an empty State = nothing.
	Answer store.TaskState
	// Waited is the working time since the stop began or, if that is later,
	// since somebody said that it was done; 0 while somebody is at it.
	Waited time.Duration
	Rule   string // why nobody need come; empty = somebody should
}

// Attention returns every machine by id with what people told of its stop.
func (f *Floor) Attention() []Attention {
	now := f.c.Now()
	closed := false
	if len(f.c.Calendar.Shifts) > 0 {
		_, working := f.c.Calendar.At(now)
		closed = !working
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	out := make([]Attention, 0, len(f.order))
	for _, m := range f.order {
		a := Attention{MachineView: m.view, Waits: waitsForTender(&m.view)}
		switch {
		case closed:
			a.Rule = RuleClosed
		case m.view.Order == "" || m.view.Cause.ID == noOrder:
			a.Rule = RuleNoOrder
		}
		if a.Waits {
			t := stopTask(m)
			f.book.told(&t, now)
			a.Answer = t.State
			from := m.view.Since
			if !t.Lapsed.IsZero() { // he who took it did not come, or has forgotten it
				from = t.Lapsed.Add(t.holds())
			}
			switch a.Answer.State {
			case store.TaskTaken, store.TaskHalf: // somebody is at it
				from = now
			case store.TaskDone:
				if a.Answer.Since.After(from) {
					from = a.Answer.Since
				}
			}
			a.Waited = f.c.Calendar.Working(from, now)
		}
		out = append(out, a)
	}
	return out
}

// Zone of the mill, for sentences.
func (f *Floor) Zone() *time.Location { return f.c.Zone }

// Risk is the chance to be late that the mill accepts.
func (f *Floor) Risk() float64 { return f.c.Risk }

// LotRefused says which cones were refused where. It holds [ErrLot].
type LotRefused struct {
	Machine, Group, Lot string
	At                  time.Time // of the load
	Err                 error
}

func (e *LotRefused) Error() string { return e.Err.Error() }
func (e *LotRefused) Unwrap() error { return e.Err }

// CheckLot tells whether cones of a lot may be put on a feed group of the card
// that a machine runs at an instant: the yarn must be that of the card. Another lot
// of the same yarn than the order's or the card's needs a release, unless the mill's rule
// only warns. An error that
// holds [ErrLot] is a [LotRefused].
func (f *Floor) CheckLot(machine, group, lot string, at time.Time) error {
	err := f.checkLot(machine, group, lot, at)
	if errors.Is(err, ErrLot) {
		return &LotRefused{machine, group, lot, at, err}
	}
	return err
}

// LotSettled tells whether the matter of cones that were refused is over: cones
// were put on the feed group then or later, or the lot was released for the machine.
func (f *Floor) LotSettled(machine, group, lot string, since time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	b := f.book
	return slices.ContainsFunc(b.loads, func(l store.Load) bool {
		return l.Machine == machine && l.Group == group && l.Work != store.LoadOff && !l.At.Before(since.Truncate(time.Millisecond))
	}) || slices.ContainsFunc(b.creel.releases, func(r store.LotRelease) bool { return r.Machine == machine && r.Lot == lot })
}
