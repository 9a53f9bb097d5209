package floor

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// handRules holds moves by hand to the rules of the search: a machine that gets
// an order must be able to knit it, and what is dyed as one lot is not split.
// So is a move by which an order would be knitted from several lots of one yarn, unless
// the mill's rule of lots only warns; the warnings are returned. Jobs that stand already
// are not judged. Errors hold [outlook.ErrRequest].
func (f *Floor) handRules(p *plan, problem board.Problem, s outlook.Snapshot) (warnings []string, err error) {
	on := func(machines []outlook.Machine) map[string][]string {
		out := map[string][]string{}
		for i := range machines {
			for _, j := range machines[i].Jobs {
				if !slices.Contains(out[j.Order], machines[i].ID) {
					out[j.Order] = append(out[j.Order], machines[i].ID)
				}
			}
		}
		return out
	}
	before, after := on(p.snapshot.Machines), on(s.Machines)
	for _, o := range p.book.Orders {
		was, is := before[o.ID], after[o.ID]
		for _, m := range is {
			if slices.Contains(was, m) {
				continue
			}
			if r := board.Able(problem, m, o.ID); r != nil {
				return nil, fmt.Errorf("%w: %s", outlook.ErrRequest, strings.TrimSuffix(p.book.named(r.Sentence), "."))
			}
		}
		if o.OneLot && len(is) > 1 && len(is) > len(was) {
			names := make([]string, len(is))
			for i, m := range is {
				names[i] = p.book.name(m)
			}
			return nil, fmt.Errorf("%w: %s is dyed as one lot and would be on %s; move all of it, or take the mark of one lot off in the book", outlook.ErrRequest, o.ID, strings.Join(names, " and "))
		}
		if len(is) < 2 || !slices.ContainsFunc(is, func(m string) bool { return !slices.Contains(was, m) }) {
			continue
		}
		switch mixed := p.book.mixedLots(o, s); {
		case mixed == "":
		case f.c.Rule.WarnLots:
			warnings = append(warnings, mixed+".")
		default:
			return nil, fmt.Errorf("%w: %s", outlook.ErrRequest, mixed)
		}
	}
	return warnings, nil
}

// suppose is the snapshot of a plan with changes. A machine with too few needle beds has
// no card for an order, so that has its sentence before cards are looked for. Errors hold
// [outlook.ErrRequest].
func (p *plan) suppose(changes []outlook.Change) (outlook.Snapshot, error) {
	for _, c := range changes {
		var order, machine string
		switch c := c.(type) {
		case outlook.MoveOrder:
			order, machine = c.Order, c.Machine
		case outlook.SplitOrder:
			order, machine = c.Order, c.Machine
		case outlook.AddMachine:
			order, machine = c.Order, c.Machine
		}
		m, known := p.book.machines[machine]
		if known && p.book.articles[p.book.orders[order].Article].Beds > m.NeedleBeds() {
			return outlook.Snapshot{}, fmt.Errorf("%w: %s needs two needle beds, %s has one", outlook.ErrRequest, order, p.book.name(machine))
		}
	}
	return outlook.Suppose(p.snapshot, p.At, changes...)
}

// mixedLots says of which yarn an order would be knitted from several lots by the cards of
// its machines, or nothing. A lot that the order names, or that was released for a machine,
// may go on there; a card without a lot takes any.
func (b *book) mixedLots(o store.Order, s outlook.Snapshot) string {
	type place struct {
		machine string
		lots    []string // that may go on there, that of the card first
	}
	places := map[string][]place{} // by yarn
	for i := range s.Machines {
		m := &s.Machines[i]
		k := slices.IndexFunc(m.Jobs, func(j outlook.Job) bool { return j.Order == o.ID })
		if k < 0 {
			continue
		}
		for _, g := range m.Jobs[k].Card.Feeds {
			if g.Lot == "" || o.Lot != "" && b.lots[o.Lot].Yarn == g.Yarn {
				continue
			}
			at := place{m.ID, []string{g.Lot}}
			for _, r := range b.creel.releases {
				if r.Machine == m.ID && b.lots[r.Lot].Yarn == g.Yarn {
					at.lots = append(at.lots, r.Lot)
				}
			}
			places[g.Yarn] = append(places[g.Yarn], at)
		}
	}
	for _, yarn := range slices.Sorted(maps.Keys(places)) {
		list := places[yarn]
		first := list[0]
		for _, other := range list[1:] {
			if other.machine == first.machine || slices.ContainsFunc(other.lots, func(l string) bool { return slices.Contains(first.lots, l) }) {
				continue
			}
			return fmt.Sprintf("%s would be knitted from lot %s of %s on %s and from lot %s on %s, which can show in the dyed cloth; release %s for %s, name one lot in the order, or move all of it",
				o.ID, first.lots[0], b.yarnName(yarn), b.name(first.machine), other.lots[0], b.name(other.machine), first.lots[0], b.name(other.machine))
		}
	}
	return ""
}

// handObjections are the sentences for which changes could not be kept as a plan, or
// would be warned of; what cannot be kept in a plan anyhow has none.
func (f *Floor) handObjections(ctx context.Context, p *plan, s outlook.Snapshot, changes []outlook.Change) ([]string, error) {
	if !slices.ContainsFunc(changes, func(c outlook.Change) bool {
		switch c.(type) {
		case outlook.MoveOrder, outlook.SplitOrder, outlook.AddMachine:
			return true
		}
		return false
	}) {
		return nil, nil
	}
	problem, _, err := f.problem(ctx, p)
	if err != nil {
		return nil, err
	}
	warnings, err := f.handRules(p, problem, s)
	if errors.Is(err, outlook.ErrRequest) {
		why := strings.TrimPrefix(err.Error(), outlook.ErrRequest.Error()+": ")
		return []string{"It would be refused as a plan: " + why}, nil
	}
	return warnings, err
}
