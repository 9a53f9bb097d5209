package floor

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// Orders returns every order of the book with its kilos and its finish, those
// in danger first.
func (f *Floor) Orders(ctx context.Context) ([]OrderView, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	b := p.book
	views := make(map[string]*OrderView)
	for _, o := range b.Orders {
		views[o.ID] = &OrderView{Cards: make(map[string]string), CountedBy: make(map[string]float64)}
	}
	for _, m := range f.order {
		for order, kg := range p.kilos[m.id] {
			if v := views[order]; v != nil {
				v.CountedBy[m.id] = kg
				v.CountedKg += kg
			}
		}
		for _, a := range b.pending(m.id, p.At) {
			if v := views[a.Order]; v != nil && v.Cards[m.id] == "" {
				v.Cards[m.id] = a.Card
				v.Machines = append(v.Machines, b.name(m.id))
			}
		}
	}
	weighed := b.weighedBy()
	out := make([]OrderView, 0, len(b.Orders))
	for _, o := range b.Orders {
		article := b.articles[o.Article]
		v := views[o.ID]
		v.ID, v.Article, v.ArticleName = o.ID, o.Article, cmp.Or(article.Name, o.Article)
		v.QuantityKg, v.DoneBeforeKg, v.Promise = o.QuantityKg, o.DoneBeforeKg, o.Promise
		v.WeighedKg = weighed[o.ID]
		v.Structure, v.Outlook, v.At = article.Structure, p.orders[o.ID], p.At
		v.Entry = OrderEntry{o.Weight, o.YarnFrom, o.Parts, o.OneLot, o.Lot, o.PinMachine, o.PinAfter}
		out = append(out, *v)
	}
	rank := make(map[string]int, len(p.Outlook.Orders))
	for i, o := range p.Outlook.Orders {
		rank[o.Order] = i
	}
	slices.SortStableFunc(out, func(a, b OrderView) int { return rank[a.ID] - rank[b.ID] })
	return out, nil
}

// Totals returns the books of every machine with kilos, and whether they hold
// all that agents have seen: each agent is heard, or has said goodbye, and
// owes nothing. While a cylinder turns there is always more to come.
func (f *Floor) Totals(ctx context.Context) ([]TotalsView, bool, error) {
	settled := f.settled() // before the books: these can only be newer
	totals, drained, err := f.st.Totals(ctx)
	if err != nil {
		return nil, false, fmt.Errorf("floor: read totals: %w", err)
	}
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	out := make([]TotalsView, 0, len(totals))
	for _, t := range totals {
		v := TotalsView{
			Machine: t.Machine, Revolutions: t.Revolutions, Inched: t.Inched, Stops: t.Stops, ByCause: t.ByCause, OpenStop: t.OpenStop,
			LostMin: t.LostMin, LostMax: t.LostMax, RunMS: t.RunMS, StopMS: t.StopMS, UnknownMS: t.UnknownMS,
		}
		v.Kilos, v.WithoutCard = b.kilos(t.Counted)
		out = append(out, v)
	}
	slices.SortFunc(out, func(a, b TotalsView) int { return strings.Compare(a.Machine, b.Machine) })
	return out, drained && settled, nil
}

// Tasks returns what a tender of the given machines (none = all) has to do
// within the horizon: machines that stand now, the longest first, then doffs
// and creels as they fall due.
func (f *Floor) Tasks(ctx context.Context, machines []string, horizon time.Duration) ([]TaskView, error) {
	all, err := f.allTasks(ctx, machines, horizon)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	now := f.c.Now()
	return slices.DeleteFunc(all, func(t TaskView) bool { return !b.told(&t, now) }), nil
}

// allTasks are the tasks with what was told of them, done ones too.
func (f *Floor) allTasks(ctx context.Context, machines []string, horizon time.Duration) ([]TaskView, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	until := f.c.Now().Add(horizon)
	mine := func(id string) bool { return len(machines) == 0 || slices.Contains(machines, id) }
	var stops, due []TaskView
	for _, m := range f.order {
		if mine(m.id) && waitsForTender(&m.view) {
			t := stopTask(m)
			t.Groups = f.book.groups(m.id, f.c.Now())
			stops = append(stops, t)
		}
	}
	for _, d := range p.Doffs {
		m, ok := f.machines[d.Machine]
		if !ok || !mine(d.Machine) || d.At.After(until) || m.view.Cause.ID == doff || m.view.RollKg == 0 {
			continue
		}
		v := &m.view
		due = append(due, TaskView{
			ID: fmt.Sprintf("%s-doff-%d", m.id, v.RollNumber), Kind: TaskDoff, Machine: m.id, Name: v.Name, Due: d.At,
			Order: v.Order, RollNumber: v.RollNumber, RollKg: d.RollKg,
		})
	}
	for _, w := range p.Creels {
		m, ok := f.machines[w.Machine]
		visit, wanted := p.visit(w.Machine, w.ID)
		if !ok || !mine(w.Machine) || !wanted || w.First.After(until) && (visit.latestAt.IsZero() || visit.latestAt.After(until)) {
			continue
		}
		t := creelTask(m, w, &visit, p.book)
		t.overdue(float64(m.state.Revolutions), f.c.Now())
		due = append(due, t)
	}
	slices.SortStableFunc(stops, func(a, b TaskView) int { return a.Since.Compare(b.Since) })
	slices.SortStableFunc(due, func(a, b TaskView) int {
		if a.Unsaid != b.Unsaid { // a machine that runs on can wait for a look
			if a.Unsaid {
				return 1
			}
			return -1
		}
		return a.Due.Compare(b.Due)
	})
	all := append(stops, due...)
	for i := range all {
		f.book.told(&all[i], f.c.Now())
	}
	return all, nil
}

// waitsForTender tells whether a machine stands for something that a tender
// ends. Set-up, maintenance and having no order are nobody's fault and
// somebody else's work.
func waitsForTender(v *MachineView) bool {
	return (v.State == Stopped || v.State == Standing) && (v.Cause.Element == "ADET" || v.Cause.Element == "")
}

func stopTaskID(machine string, stop store.ID) string {
	return machine + "-stop-" + hex.EncodeToString(stop[:6])
}

func stopTask(m *machine) TaskView {
	v := &m.view
	id := m.live.stop
	if m.state.Open != nil {
		id = m.state.Open.ID
	}
	return TaskView{
		ID: stopTaskID(m.id, id), Kind: TaskStop, Machine: m.id, Name: v.Name,
		Due: v.Since, Since: v.Since, Cause: v.Cause, Order: v.Order, RollNumber: v.RollNumber,
	}
}

func creelTask(m *machine, w outlook.CreelWindow, v *creelPlan, b *book) TaskView {
	return TaskView{
		ID: w.ID, Kind: TaskCreel, Tie: v.tied, Open: v.openAt, Latest: v.latestAt, Positions: v.numbers,
		Machine: m.id, Name: m.view.Name, Due: w.First, Window: &w,
		YarnName: b.yarnName(w.Yarn), Order: m.view.Order,
	}
}

// yarnName is a yarn as people say it.
func (b *book) yarnName(id string) string {
	name := b.yarns[id].Count
	if fibre := b.yarns[id].Fibre; fibre != "" && name != "" {
		name += " " + fibre
	}
	return cmp.Or(name, id)
}
