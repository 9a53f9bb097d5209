package floor

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"turnwise/planner/forecast"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// planner keeps the newest outlook.
type planner struct {
	newest atomic.Pointer[plan]
	ask    chan struct{}

	one       sync.Mutex // one planning at a time; guards what follows
	lessons   lessons
	histories map[string]forecast.History // by machine
	fleet     *forecast.Fleet             // what they taught; nil = nothing read yet
	past      []forecast.Kept
	learnDue  time.Time
	learnRevs int64 // revolutions of all machines that the histories know of

	careMarks careMarks
	passed    map[passedTurn]time.Time // when turns of windows were made that are behind
}

// plan is an outlook and what it was made of. It does not change.
type plan struct {
	outlook.Outlook
	snapshot outlook.Snapshot
	book     *book
	seq      uint64                        // Floor.seq that it knows of
	kilos    map[string]map[string]float64 // counted, by machine and order
	orders   map[string]outlook.OrderOutlook
	doffs    map[string]time.Time
	creels   map[string][]creelPlan // visits, by machine
	turns    map[string]float64     // of the machines, in the snapshot
}

// spoil asks Run for a new outlook now.
func (p *planner) spoil() {
	select {
	case p.ask <- struct{}{}:
	default:
	}
}

// doff tells when the roll of a machine reaches its mass, to the second.
func (p *planner) doff(machine string) time.Time {
	newest := p.newest.Load()
	if newest == nil {
		return time.Time{}
	}
	return newest.doffs[machine]
}

// outlook returns an outlook that knows the present book and is not older than
// a few periods of Run.
func (f *Floor) outlook(ctx context.Context) (*plan, error) {
	if p := f.freshPlan(); p != nil {
		return p, nil
	}
	f.plan.one.Lock()
	defer f.plan.one.Unlock()
	if p := f.freshPlan(); p != nil { // somebody else just made it
		return p, nil
	}
	return f.makePlan(ctx)
}

func (f *Floor) freshPlan() *plan {
	p := f.plan.newest.Load()
	f.mu.Lock()
	defer f.mu.Unlock()
	if p == nil || p.book != f.book || f.c.Now().Sub(p.At) > 3*planPeriod {
		return nil
	}
	return p
}

// replan renews the outlook if anything moved since the last.
func (f *Floor) replan(ctx context.Context) error {
	f.plan.one.Lock()
	defer f.plan.one.Unlock()
	if p := f.freshPlan(); p != nil {
		f.mu.Lock()
		still := p.seq == f.seq
		f.mu.Unlock()
		if still {
			return nil
		}
	}
	_, err := f.makePlan(ctx)
	return err
}

// makePlan plans from a fresh snapshot. It needs f.plan.one.
func (f *Floor) makePlan(ctx context.Context) (*plan, error) {
	now := f.c.Now()
	if revs := f.revolutions(); f.plan.fleet == nil || !now.Before(f.plan.learnDue) || outgrown(f.plan.learnRevs, revs) {
		if err := f.learn(ctx, now); err != nil {
			return nil, err
		}
		f.plan.learnRevs = revs
		// The larger the history, the less a minute changes it.
		f.plan.learnDue = now.Add(max(learnPeriod, 50*f.c.Now().Sub(now)))
	}
	if err := f.recountIfMoved(ctx); err != nil {
		return nil, err
	}
	p := &plan{kilos: make(map[string]map[string]float64), orders: make(map[string]outlook.OrderOutlook), doffs: make(map[string]time.Time),
		creels: make(map[string][]creelPlan), turns: make(map[string]float64)}
	f.mu.Lock()
	p.book, p.seq = f.book, f.seq
	for _, m := range f.order {
		p.kilos[m.id] = f.kilosByOrder(m.id)
	}
	p.snapshot = f.snapshot(now, p)
	f.mu.Unlock()
	p.At = now
	if err := f.careForPlan(ctx, p); err != nil {
		return nil, err
	}
	out, err := outlook.Plan(p.snapshot, now)
	if err != nil {
		return nil, fmt.Errorf("floor: plan: %w", err)
	}
	p.Outlook = out
	p.At = now
	p.date()
	if err := f.passedAt(ctx, p); err != nil {
		return nil, err
	}
	for _, o := range out.Orders {
		p.orders[o.Order] = o
	}
	for _, d := range out.Doffs {
		p.doffs[d.Machine] = d.At.Round(time.Second)
	}
	f.plan.newest.Store(p)
	f.mu.Lock()
	f.redraw(f.order...)
	f.mu.Unlock()
	return p, nil
}

// learn reads what machines did since the last time, and learns from it. It
// needs f.plan.one.
func (f *Floor) learn(ctx context.Context, now time.Time) error {
	f.mu.Lock()
	b, states := f.book, make([]store.MachineState, 0, len(f.order))
	for _, m := range f.order {
		s := m.state
		s.Machine = m.id
		states = append(states, s)
	}
	f.mu.Unlock()
	if f.plan.lessons == nil {
		f.plan.lessons = make(lessons)
	}
	r := reader{st: f.st, book: b, calendar: f.c.Calendar}
	if f.c.Creel != nil {
		var err error
		if r.taps, err = f.c.Creel.Taps(ctx, now.Add(-learnFrom)); err != nil {
			return err
		}
	}
	histories, err := f.plan.lessons.bring(ctx, r, states, now)
	if err != nil {
		return err
	}
	if f.plan.past, err = f.pastForecasts(ctx); err != nil {
		return err
	}
	f.plan.fleet = outlook.Learn(histories)
	f.plan.histories = index(histories, func(h forecast.History) string { return h.Machine })
	return nil
}

// outgrown tells whether a history of so many revolutions is too young to wait
// for its time: a backlog that comes in would else be planned without its
// stops. It holds seldom, since it takes a tenth more to hold again.
func outgrown(known, now int64) bool { return now > known+known/10+1000 }

// revolutions of all machines since first sight.
func (f *Floor) revolutions() int64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	var n int64
	for _, m := range f.order {
		n += m.state.Revolutions
	}
	return n
}

// snapshot says what the planner may know, for a plan that has the kilos counted by machine
// and order; it plans the creels. It needs f.mu and f.plan.one.
func (f *Floor) snapshot(now time.Time, p *plan) outlook.Snapshot {
	s := outlook.Snapshot{Calendar: f.c.Calendar, Past: f.plan.past, Fleet: f.plan.fleet, Due: f.dues()}
	done := make(map[string]float64) // kilos counted by order
	for _, m := range f.order {
		for order, kg := range p.kilos[m.id] {
			done[order] += kg
		}
		s.Machines = append(s.Machines, f.machineForPlan(m, p, now))
	}
	for _, o := range f.book.Orders {
		a := f.book.articles[o.Article]
		s.Orders = append(s.Orders, outlook.Order{
			ID: o.ID, Article: o.Article, QuantityKg: o.QuantityKg, DoneKg: o.DoneBeforeKg + done[o.ID],
			Promise: o.Promise, RollKg: a.RollKg, WasteRatio: wastePerCloth(a.WasteRatio),
		})
	}
	for _, l := range f.book.Lots {
		at := l.AtMachineKg
		for _, kg := range f.book.beside[l.ID] {
			at += kg
		}
		s.Lots = append(s.Lots, outlook.Lot{ID: l.ID, Yarn: l.Yarn, StoreKg: max(l.StoreKg-f.book.creel.moves[l.ID].OutKg, 0), AtMachineKg: at})
	}
	return s
}

// dues are the causes that come by the mill's plan.
func (f *Floor) dues() []outlook.Due {
	var out []outlook.Due
	for _, c := range f.c.Causes {
		if w := c.Comes; w.EveryTurns > 0 || w.EveryRun > 0 || w.WithCones {
			out = append(out, outlook.Due{
				Cause: c.ID, EveryTurns: float64(w.EveryTurns), EveryRunMin: w.EveryRun.Minutes(), WithCones: w.WithCones, UsualMin: w.Takes.Minutes(),
			})
		}
	}
	return out
}

// wastePerCloth turns yarn lost per yarn used, as the book has it, into yarn
// lost per cloth knitted.
func wastePerCloth(perUsed float64) float64 {
	if !(perUsed > 0 && perUsed < 1) {
		return 0
	}
	return perUsed / (1 - perUsed)
}

// kilosByOrder weighs what a machine knitted, by order. It needs f.mu.
func (f *Floor) kilosByOrder(machine string) map[string]float64 {
	out := make(map[string]float64)
	t := f.totals[machine]
	for _, c := range t.Counted {
		if c.Order != "" {
			out[c.Order] += float64(c.Revolutions) * f.book.cards[c.Card].grams / 1000
		}
	}
	return out
}

func (f *Floor) machineForPlan(m *machine, p *plan, now time.Time) outlook.Machine {
	v := &m.view
	out := outlook.Machine{
		ID: m.id, Cause: v.Cause.ID, Since: v.Since, SpeedRPM: f.plan.lessons[m.id].speed(f.book.at(m.id, now).Order, m.state.SpeedRPM),
		Revolutions: m.state.Revolutions, SinceDoff: v.SinceDoff, History: f.plan.histories[m.id], SinceMin: f.plan.lessons[m.id].since(f.c.Causes),
	}
	switch v.State {
	case Running:
		out.State = outlook.Running
	case Stopped, Standing:
		out.State = outlook.Stopped
	}
	current := f.book.at(m.id, now)
	out.Waits = current.Order == ""
	for _, a := range f.book.pending(m.id, now) {
		out.Jobs = append(out.Jobs, outlook.Job{
			Order: a.Order, Card: f.book.cardForPlan(a.Card), QuantityKg: a.QuantityKg, CountedKg: p.kilos[m.id][a.Order],
		})
	}
	for _, c := range f.book.Cards {
		if f.book.fits(c, m.id) {
			out.Cards = append(out.Cards, f.book.cardForPlan(c.ID))
		}
	}
	f.creelsForPlan(m, &out, p, now)
	return out
}

func (b *book) cardForPlan(id string) outlook.Card {
	c := b.cards[id]
	out := outlook.Card{ID: id, Article: c.Article, SpeedRPM: c.SpeedRPM, Knit: c.knit}
	for _, g := range c.Feeds {
		out.Feeds = append(out.Feeds, outlook.Feed{Yarn: g.Yarn, Lot: g.Lot})
	}
	return out
}

// fits tells whether a card is for a machine. A card for any machine fits where
// the structure can be knitted, all feeders are used and there are needle beds enough.
func (b *book) fits(c store.Card, machine string) bool {
	if c.Machine != "" {
		return c.Machine == machine
	}
	m, feeders := b.machines[machine], 0
	for _, g := range c.Feeds {
		feeders = max(feeders, g.Feeders)
	}
	structure := b.articles[c.Article].Structure
	return b.articles[c.Article].Beds <= m.NeedleBeds() && (m.Feeders == 0 || feeders == m.Feeders) &&
		(structure == "" || len(m.Structures) == 0 || slices.Contains(m.Structures, structure))
}
