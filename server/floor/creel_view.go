package floor

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"turnwise/planner/creel"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

// CreelView is what stands at one machine.
type CreelView struct {
	Machine     string
	Revolutions int64
	Positions   []PositionView
	Lessons     []LessonView
	Mixed       []string // feed groups that knit several lots at once, in words
}

// PositionView is one place of a creel.
type PositionView struct {
	store.Position         // masses and spreads filled in from the yarn
	LeftKg         float64 // the reserve included
	Task           string  // "" = none within sight
}

// LessonView is what was learnt of the turns that cones of a lot last on a feed group.
type LessonView struct {
	Group, Lot  string
	Ratio, SD   float64 // turns counted over calculated
	ConeCV      float64 // spread of single cones about it
	Seen, Apart int
	Newest      float64 // ratio of the newest one; 0 = nothing yet
	NewestApart bool
	Sentence    string
}

// Creel returns what stands at a machine. [store.ErrNotFound].
func (f *Floor) Creel(ctx context.Context, machine string) (CreelView, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return CreelView{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	m, ok := f.machines[machine]
	if !ok {
		return CreelView{}, store.Unknown("machine", machine)
	}
	b, now := f.book, f.c.Now()
	v := CreelView{Machine: machine, Revolutions: m.state.Revolutions, Lessons: b.lessons(machine, "")}
	classes := b.classes(machine, now, f.c.Rule)
	c := b.creelOf(machine, m.state.Revolutions, classes, now)
	i := 0
	for _, k := range classes {
		visit, _ := p.visit(machine, k.id)
		for _, n := range k.numbers {
			left, err := c.Left(c.Positions[i])
			if err != nil {
				left = 0 // of a group that the card has not: classes has left it out
			}
			o := PositionView{LeftKg: float64(left), Task: visit.id}
			o.Position = store.Position{Machine: machine, Group: k.group, Number: n, Running: k.running, At: k.at, Tied: k.tied}
			o.Running.Kg, o.Running.CV = k.net, k.cv
			if k.reserve != nil {
				r := *k.reserve
				r.Kg = k.and
				o.Reserve = &r
			}
			v.Positions = append(v.Positions, o)
			i++
		}
	}
	slices.SortStableFunc(v.Positions, func(x, y PositionView) int {
		if d := strings.Compare(x.Group, y.Group); d != 0 {
			return d
		}
		return x.Number - y.Number
	})
	for _, x := range c.MixedLots() {
		words := make([]string, len(x.Lots))
		for i, r := range x.Lots {
			words[i] = fmt.Sprintf("%d of %s", r.Cones, r.Lot)
		}
		v.Mixed = append(v.Mixed, fmt.Sprintf("%s, %s knits several lots at once: %s; look at the cloth for bars, and part the rolls", b.name(machine), x.Group, strings.Join(words, ", ")))
	}
	return v, nil
}

// Lessons returns what was learnt of a machine's cones, of one feed group or (empty) of all.
func (f *Floor) Lessons(machine, group string) []LessonView {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.book.lessons(machine, group)
}

// KeepLearnt has the store keep what was learnt of a machine's cones, of one feed group or
// (empty) of all. Call it after a load was written or taken back.
func (f *Floor) KeepLearnt(ctx context.Context, machine, group string) error {
	if f.c.Creel == nil {
		return nil
	}
	f.mu.Lock()
	all := f.book.biases.keep()
	f.mu.Unlock()
	own := slices.DeleteFunc(all, func(l store.Learnt) bool { return l.Machine != machine || group != "" && l.Group != group })
	if len(own) == 0 {
		return nil
	}
	return f.c.Creel.KeepLearnt(ctx, own)
}

func (b *book) lessons(machine, group string) []LessonView {
	var out []LessonView
	for k, x := range b.biases {
		if k.machine != machine || group != "" && k.group != group || x.events == 0 {
			continue
		}
		v := LessonView{Group: k.group, Lot: k.lot, ConeCV: x.Noise, Seen: x.Seen, Apart: len(x.Apart), Newest: x.last.ratio, NewestApart: x.last.apart}
		v.Ratio = math.Exp(x.Bias.Mean + x.Bias.SD*x.Bias.SD/2)
		v.SD = v.Ratio * x.Bias.SD
		v.Sentence = lessonSentence(&v, x.last)
		out = append(out, v)
	}
	slices.SortFunc(out, func(x, y LessonView) int { return slices.Compare([]string{x.Group, x.Lot}, []string{y.Group, y.Lot}) })
	return out
}

func lessonSentence(v *LessonView, last lesson2) string {
	what := v.Group
	if v.Lot != "" {
		what += ", lot " + v.Lot
	}
	if v.Seen == 0 {
		return what + ": nothing that was told says how long a cone lasts; tell run-outs, or what a yarn meter reads."
	}
	s := fmt.Sprintf("%s: a cone lasts %.1f %% of what is calculated, ±%.1f, from %d.", what, 100*v.Ratio, 196*v.SD, v.Seen)
	if v.NewestApart {
		s += fmt.Sprintf(" The newest lasted %.0f %% and is held apart: another cone, or a change that nobody told?", 100*last.ratio)
	}
	return s
}

// lotOn is the lot of most cones that run on a feed group.
func (b *book) lotOn(machine, group string) string {
	count, best := map[string]int{}, ""
	for _, p := range b.positions[machine] {
		if p.Group == group {
			count[p.Running.Lot]++
			if count[p.Running.Lot] > count[best] || best == "" {
				best = p.Running.Lot
			}
		}
	}
	return best
}

// LotDraw is a machine that knits a lot now.
type LotDraw struct {
	Machine string
	PerHour float64            // kilos, at its present speed and without stops, so that Hours are the fewest
	Hours   float64            // until it stands without the lot; infinite = never at this pace
	Change  *creel.RollsAtRisk // its cones are the last of the lot; nil = there is more
}

// LotBalances returns every lot with what is reserved of it and the machines that draw on it.
func (f *Floor) LotBalances(ctx context.Context) ([]LotView, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return nil, err
	}
	lots := f.Lots()
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range lots {
		v := &lots[i]
		stock := creel.LotStock{Lot: v.ID, Store: unit.Kilograms(v.InStoreKg), Creel: unit.Kilograms(v.AtMachinesKg), AtMachine: unit.Kilograms(v.OnCreelKg)}
		orders := slices.Clone(f.book.Orders)
		slices.SortStableFunc(orders, func(a, b store.Order) int { return a.Promise.Compare(b.Promise) })
		for _, o := range orders {
			for _, y := range p.orders[o.ID].Yarn {
				if y.Lot == v.ID && y.NeededKg > 0 {
					stock.Reserved = append(stock.Reserved, creel.Reservation{Order: o.ID, Need: unit.Kilograms(y.NeededKg)})
				}
			}
		}
		balance, err1 := stock.Balance()
		draws, err2 := f.draws(p, v)
		if err := errors.Join(err1, err2); err != nil {
			return nil, fmt.Errorf("floor: lots: %w", err)
		}
		v.Covers, v.FreeKg, v.ShortKg, v.Draws = balance.Covers, float64(balance.Free), float64(balance.Short), draws
	}
	return lots, nil
}

// draws are the machines that knit a lot. It needs f.mu.
func (f *Floor) draws(p *plan, v *LotView) ([]LotDraw, error) {
	b, now := f.book, f.c.Now()
	var out []LotDraw
	var drawing []creel.Drawing
	spare := b.beside[v.ID]
	for _, m := range f.order {
		classes := b.classes(m.id, now, f.c.Rule)
		c := b.creelOf(m.id, m.state.Revolutions, classes, now)
		needs, err := c.Needs()
		if err != nil {
			continue // cones that cannot be planned starve nobody that is known
		}
		left := 0.0
		for _, r := range f.leftover(m, 0, now) {
			if r.Lot == v.ID {
				left = float64(r.Mass)
			}
		}
		var laws []creel.Law
		ends := map[string]int{}
		for i, pos := range c.Positions {
			if pos.Running.Lot == v.ID {
				laws = append(laws, needs[i].Due)
				ends[pos.Group]++
			}
		}
		if len(laws) == 0 {
			continue
		}
		card := b.cards[b.at(m.id, now).Card]
		perTurn := 0.0
		for _, g := range card.knit.Feeds {
			if per, err := g.MassPerEnd(); err == nil {
				perTurn += float64(per.Kilograms()) * float64(ends[g.ID])
			}
		}
		d := LotDraw{Machine: m.id, PerHour: perTurn * 60 * m.state.SpeedRPM}
		drawing = append(drawing, creel.Drawing{Machine: m.id, Own: unit.Kilograms(left + spare[m.id]), PerHour: unit.Kilograms(d.PerHour)})
		turns := 0.0
		if roll := b.articles[card.Article].RollKg; roll > 0 && card.grams > 0 {
			turns = math.Round(roll * 1000 / card.grams)
		}
		done := float64(max(0, m.state.Revolutions-m.state.DoffAt))
		if v.InStoreKg+v.AtMachinesKg < float64(c.Positions[0].Running.Net) && turns > 0 && done < turns {
			if risk, err := creel.LotChange(laws, c.Turn, unit.Revolutions(done), unit.Revolutions(turns)); err == nil {
				d.Change = &risk
			}
		}
		out = append(out, d)
	}
	hours, err := creel.Starve(unit.Kilograms(v.InStoreKg), drawing)
	if err != nil {
		return nil, err
	}
	for i := range out {
		out[i].Hours = hours[i]
	}
	return out, nil
}
