package floor

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/forecast"
	"turnwise/planner/knit"
	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

// assumedSetups stand in for a mill that has entered none: common practice, no
// source.
var assumedSetups = []store.Setup{
	{Kind: board.ChangeGauge, From: board.Any, To: board.Any, Minutes: 480},
	{Kind: board.ChangeStructure, From: board.Any, To: board.Any, Minutes: 120},
	{Kind: board.ChangeYarn, From: board.Any, To: board.Any, Minutes: 60},
	{Kind: board.ChangeLot, From: board.Any, To: board.Any, Minutes: 20},
	{Kind: board.ChangeStitch, From: board.Any, To: board.Any, Minutes: 15},
	{Kind: board.ChangeAll, From: board.Any, To: board.Any, Minutes: 10},
}

// Setups are the mill's table of set-ups, or the assumed ones.
func (f *Floor) Setups() (rows []store.Setup, assumed bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return setupsOf(f.book)
}

func setupsOf(b *book) (rows []store.Setup, assumed bool) {
	if len(b.Book.Setups) == 0 {
		return assumedSetups, true
	}
	return b.Book.Setups, false
}

// problem is the loading of the floor as it is, with all orders that have
// something left, and what was taken for granted.
func (f *Floor) problem(ctx context.Context, p *plan) (board.Problem, []string, error) {
	b := p.book
	out := board.Problem{Now: p.At, Frozen: max(f.c.Prices.Frozen, 0), Steady: f.c.Prices.Steady, ChangeCost: f.c.Prices.Change, SetupCost: max(f.c.Prices.Setup, 0)}
	var told []string
	rows, assumed := setupsOf(b)
	if assumed {
		told = append(told, "The mill has entered no table of set-ups: usual minutes are assumed")
	}
	for _, r := range rows {
		out.Setups.Rows = append(out.Setups.Rows, board.SetupRow{Kind: r.Kind, Machine: r.Machine, From: r.From, To: r.To, Minutes: r.Minutes})
	}
	care, careTold, err := f.boardCare(ctx, p)
	if err != nil {
		return out, nil, err
	}
	told = append(told, careTold...)
	for _, c := range b.Book.Cylinders {
		out.Cylinders = append(out.Cylinders, board.Cylinder{ID: c.ID, Gauge: unit.Gauge(c.GaugeNPI), Machines: c.Machines})
	}
	running := map[string]float64{} // kilos that run, by order
	for i := range p.snapshot.Machines {
		m := f.boardMachine(p, &p.snapshot.Machines[i])
		m.Care = care[m.ID]
		if m.Running != nil {
			running[m.Running.Order] += m.Running.Kg
		}
		out.Machines = append(out.Machines, m)
	}
	without := 0
	for _, o := range b.Orders {
		left := p.orders[o.ID].RemainingKg
		_, runs := running[o.ID]
		if left < crumbKg && !runs {
			continue
		}
		bo := f.boardOrder(b, o, out.Machines)
		if bo.Kg = left - running[o.ID]; bo.Kg < crumbKg {
			bo.Kg = 0
		}
		if bo.Due.IsZero() {
			without++
			bo.Due, bo.Weight = p.At.AddDate(0, 0, 90), min(bo.Weight, f.c.Prices.Undated)
		}
		out.Orders = append(out.Orders, bo)
	}
	if without > 0 {
		told = append(told, fmt.Sprintf("%d orders have no promised date: they are loaded behind the others", without))
	}
	loosePins(&out)
	out.Last = board.Plan{At: p.At, Machines: f.queues(p, p.snapshot)}
	// With the times that the jobs have as things are: what runs or keeps its
	// time is no news. A problem with faults is told by who solves it.
	if laid, err := f.retime(p, out, out.Last.Machines); err == nil {
		out.Last = laid
	}
	return out, told, nil
}

// loosePins takes off pins behind orders that are done.
func loosePins(p *board.Problem) {
	there := map[string]bool{}
	for _, o := range p.Orders {
		there[o.ID] = true
	}
	for i := range p.Orders {
		if pin := p.Orders[i].Pin; pin != nil && pin.After != "" && !there[pin.After] {
			pin.After = ""
		}
	}
}

func (f *Floor) boardMachine(p *plan, m *outlook.Machine) board.Machine {
	e := p.book.machines[m.ID]
	out := board.Machine{
		ID: m.ID, Structures: e.Structures, Calendar: f.c.Calendar, Beds: e.NeedleBeds(),
		Plate: knit.Machine{
			Diameter: unit.Inches(e.DiameterInch), Gauge: unit.Gauge(e.GaugeNPI), Needles: e.CylinderNeedles, DialNeedles: e.DialNeedles, Feeders: e.Feeders,
		},
		Live: board.State{Gauge: unit.Gauge(e.GaugeNPI)},
	}
	if p.snapshot.Fleet != nil {
		out.Stops = p.snapshot.Fleet.Share().Machine(m.ID)
		out.Share = shareOf(out.Stops)
	}
	if card := p.book.at(m.ID, p.At).Card; card != "" {
		out.Live = stateOf(p.book, p.book.cards[card].Card, "")
	}
	if m.Waits || len(m.Jobs) == 0 {
		return out
	}
	for _, j := range p.orders[m.Jobs[0].Order].Jobs {
		if j.Machine != m.ID || j.RemainingKg < crumbKg {
			continue
		}
		out.Running = &board.Running{Order: m.Jobs[0].Order, Kg: j.RemainingKg, Minutes: max(f.meanMinutes(p.At, j.Finish)-j.CareMin, 0)}
		break
	}
	return out
}

func shareOf(m *forecast.Machine) float64 {
	if s := m.RunningShare(); s > 0 && s <= 1 {
		return s
	}
	return 1
}

// meanMinutes of working time until a finish: of its 20 equally likely times.
// 0 without a forecast.
func (f *Floor) meanMinutes(now time.Time, fin outlook.Finish) float64 {
	if fin.Refused != "" {
		return 0
	}
	sum := 0.0
	for _, t := range fin.Beads {
		sum += f.c.Calendar.Working(now, t).Minutes()
	}
	return sum / float64(len(fin.Beads))
}

// stateOf is what a machine is set up for with a card: the yarn that most
// feeds take stands for all.
func stateOf(b *book, c store.Card, lot string) board.State {
	a := b.articles[c.Article]
	s := board.State{Gauge: unit.Gauge(a.GaugeNPI), Structure: a.Structure}
	if m, ok := b.machines[c.Machine]; ok && s.Gauge == 0 {
		s.Gauge = unit.Gauge(m.GaugeNPI)
	}
	main := -1
	var yarns []string
	for i, g := range c.Feeds {
		if main < 0 || g.Feeders > c.Feeds[main].Feeders {
			main = i
		}
		yarns = append(yarns, g.Yarn)
	}
	if main >= 0 {
		slices.Sort(yarns)
		s.Yarn = strings.Join(slices.Compact(yarns), "+")
		s.Lot = cmp.Or(lot, c.Feeds[main].Lot)
		s.Stitch = 0 // cards of sister machines differ in course length for the same stitch
	}
	return s
}

func (f *Floor) boardOrder(b *book, o store.Order, machines []board.Machine) board.Order {
	a := b.articles[o.Article]
	out := board.Order{
		ID: o.ID, Article: o.Article, RollKg: a.RollKg, Due: o.Promise, Weight: cmp.Or(o.Weight, 1), YarnFrom: o.YarnFrom, Parts: o.Parts, OneLot: o.OneLot,
		Needs: board.Needs{Diameter: unit.Inches(a.DiameterInch), Gauge: unit.Gauge(a.GaugeNPI), Structure: a.Structure, Beds: a.Beds},
	}
	if o.PinMachine != "" {
		out.Pin = &board.Pin{Machine: o.PinMachine, After: o.PinAfter}
	}
	for _, c := range b.Cards {
		if c.Article != o.Article {
			continue
		}
		feeders := 0
		for _, g := range c.Feeds {
			feeders = max(feeders, g.Feeders)
		}
		if c.Machine == "" {
			out.Needs.Feeds = feeders
		}
		if out.Makes == (board.State{}) {
			out.Makes = stateOf(b, c, o.Lot)
		}
		for _, m := range machines {
			if b.fits(c, m.ID) && (c.Machine != "" || !slices.ContainsFunc(out.Cards, func(k board.Card) bool { return k.Machine == m.ID })) {
				out.Cards = slices.DeleteFunc(out.Cards, func(k board.Card) bool { return k.Machine == m.ID })
				out.Cards = append(out.Cards, board.Card{Machine: m.ID, Knit: b.cards[c.ID].knit, SpeedRPM: unit.RPM(cmp.Or(c.SpeedRPM, b.machines[m.ID].MaxRPM))})
			}
		}
	}
	return out
}
