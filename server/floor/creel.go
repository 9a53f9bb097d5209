package floor

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"turnwise/planner/creel"
	"turnwise/planner/outlook"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

// CreelRule is the mill's rule for the cones of a creel. The zero value means
// [DefaultCreelRule].
type CreelRule struct {
	// Chance of a run-out that is borne for each cone. Not used when RunOutCost is set: the
	// chance then follows from the costs.
	Chance float64
	// RunOutCost of one run-out, VisitCost of one walk to a creel and KgValue of a kilogram of
	// yarn left on a cone that is changed, in one currency.
	RunOutCost, VisitCost, KgValue float64
	// ConeCV is the spread of cone mass where the yarn has none of its own.
	ConeCV float64
	// WarnLots lets a lot that differs from the order's or the card's pass with a warning;
	// else it needs a release. Another yarn is always refused.
	WarnLots bool
}

// DefaultCreelRule bears one run-out in a hundred cones; a walk is worth some 700 g
// of yarn (common practice, no source).
var DefaultCreelRule = CreelRule{Chance: 0.01, VisitCost: 2, KgValue: 3, ConeCV: 0.02}

// class is the positions of a feed group that are alike: the same cones, put on in the
// same turn, with the same reserve. It is one task.
type class struct {
	id       string
	group    string
	running  store.Cone
	reserve  *store.Cone
	tied     bool
	at       int64
	numbers  []int // of the feed group
	net, and float64
	cv       float64
}

// classes parts the positions of a machine, those that were put on first in front.
func (b *book) classes(machine string, at time.Time, rule CreelRule) []class {
	card := b.cards[b.at(machine, at).Card]
	var out []class
	for _, p := range b.positions[machine] {
		i := slices.IndexFunc(card.Feeds, func(g store.FeedGroup) bool { return g.ID == p.Group })
		if i < 0 {
			continue // of another card
		}
		k := slices.IndexFunc(out, func(c class) bool {
			same := c.group == p.Group && c.at == p.At && c.running == p.Running && c.tied == p.Tied && (c.reserve == nil) == (p.Reserve == nil)
			return same && (c.reserve == nil || *c.reserve == *p.Reserve)
		})
		if k >= 0 {
			out[k].numbers = append(out[k].numbers, p.Number)
			continue
		}
		c := class{group: p.Group, running: p.Running, reserve: p.Reserve, tied: p.Tied, at: p.At, numbers: []int{p.Number}}
		c.net, c.cv = b.cone(p.Running, card.Feeds[i].Yarn, rule)
		if p.Reserve != nil {
			c.and, _ = b.cone(*p.Reserve, card.Feeds[i].Yarn, rule)
		}
		if c.net > 0 {
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(x, y class) int { return cmp.Compare(x.at, y.at) })
	used := map[string]bool{}
	for i := range out {
		c := &out[i]
		what := "creel"
		if c.tied {
			what = "tie"
		}
		c.id = fmt.Sprintf("%s-%s-%s-%d", machine, what, c.group, c.at)
		if used[c.id] { // two loads in the same turn
			c.id += fmt.Sprintf("-%d", c.running.Load)
		}
		used[c.id] = true
	}
	return out
}

// cone is the net mass of a cone and its spread: its own, else its yarn's.
func (b *book) cone(c store.Cone, yarn string, rule CreelRule) (net, cv float64) {
	if of := b.lots[c.Lot].Yarn; of != "" {
		yarn = of
	}
	y := b.yarns[yarn]
	net, cv = c.Kg, c.CV
	if net == 0 {
		net = y.ConeNetKg
	}
	if cv == 0 {
		cv = cmp.Or(y.ConeCV, rule.ConeCV)
	}
	return net, cv
}

// yarnOf is the yarn that a class holds.
func (b *book) yarnOf(machine, group, lot string, at time.Time) string {
	if of := b.lots[lot].Yarn; of != "" {
		return of
	}
	for _, g := range b.cards[b.at(machine, at).Card].Feeds {
		if g.ID == group {
			return g.Yarn
		}
	}
	return ""
}

// creelOf is a machine's creel as the planner sees it; the positions are numbered
// through all classes.
func (b *book) creelOf(machine string, turn int64, classes []class, at time.Time) creel.Creel {
	c := creel.Creel{Machine: machine, Turn: unit.Revolutions(turn)}
	for _, g := range b.cards[b.at(machine, at).Card].knit.Feeds {
		s := creel.Supply{Group: g, Lots: map[string]creel.Bias{}}
		for _, k := range classes {
			if k.group == g.ID {
				s.Lots[k.running.Lot] = b.biases.of(machine, g.ID, k.running.Lot)
				if k.reserve != nil {
					s.Lots[k.reserve.Lot] = b.biases.of(machine, g.ID, k.reserve.Lot)
				}
			}
		}
		c.Supplies = append(c.Supplies, s)
	}
	for _, k := range classes {
		for range k.numbers {
			p := creel.Position{
				Number: len(c.Positions) + 1, Group: k.group, Tied: k.tied, At: unit.Revolutions(min(k.at, turn)),
				Running: creel.Pack{Lot: k.running.Lot, Net: unit.Kilograms(k.net), CV: k.cv},
			}
			if k.reserve != nil {
				p.Reserve = &creel.Pack{Lot: k.reserve.Lot, Net: unit.Kilograms(k.and), CV: k.cv}
			}
			c.Positions = append(c.Positions, p)
		}
	}
	return c
}

// creelPlan is when a class wants a hand, in turns and then in time.
type creelPlan struct {
	class
	latest, open float64 // turns; open 0 = now
	latestAt     time.Time
	openAt       time.Time
}

// visits plans the work at one creel until its job ends (0 = not known). A creel that
// cannot be planned has none, and goes on with the windows of its cones alone.
func (b *book) visits(m *machine, now time.Time, end float64, rule CreelRule) []creelPlan {
	classes := b.classes(m.id, now, rule)
	if len(classes) == 0 {
		return nil
	}
	c := b.creelOf(m.id, m.state.Revolutions, classes, now)
	r := creel.Rule{Trigger: creel.Trigger{Chance: rule.Chance}, VisitCost: rule.VisitCost, KgValue: rule.KgValue, End: unit.Revolutions(end)}
	if rule.RunOutCost > 0 {
		r.Trigger = creel.Trigger{Under: rule.RunOutCost, Over: rule.KgValue * kilosPerTurn(c)}
	}
	needs, err1 := c.Needs()
	visits, err2 := c.Visits(r)
	if err1 != nil || err2 != nil {
		return nil
	}
	first := make([]int, len(classes)) // number of the first position of a class
	n := 1
	for i, k := range classes {
		first[i] = n
		n += len(k.numbers)
	}
	var out []creelPlan
	for _, v := range visits {
		for i, k := range classes {
			if _, in := slices.BinarySearch(v.Positions, first[i]); !in {
				continue
			}
			p := creelPlan{class: k, latest: float64(v.Latest)}
			if need := needs[first[i]-1]; need.Tie {
				p.open = float64(min(need.Open, v.Latest))
			}
			out = append(out, p)
		}
	}
	return out
}

// kilosPerTurn is what one end draws in a turn, the mean of all positions.
func kilosPerTurn(c creel.Creel) float64 {
	sum, n := 0.0, 0
	for _, p := range c.Positions {
		for _, s := range c.Supplies {
			if s.Group.ID != p.Group {
				continue
			}
			if life, err := s.Group.RevolutionsPerCone(p.Running.Net); err == nil && life > 0 {
				sum += float64(p.Running.Net) / float64(life)
				n++
			}
		}
	}
	return sum / float64(max(n, 1))
}

// loadOf is a class as the outlook sees it. The window of tied ends is that of both
// cones together: the machine stands only then.
func (b *book) outlookLoad(machine string, c *class, at time.Time) outlook.Load {
	lot := c.running.Lot
	out := outlook.Load{
		ID: c.id, Group: c.group, Yarn: b.yarnOf(machine, c.group, lot, at), Lot: lot, Tip: b.lots[lot].Tip, Cones: len(c.numbers),
		ConeKg: c.net, ConeCV: c.cv, AtRevolutions: c.at, LifeRatio: b.biases.ratio(machine, c.group, lot),
	}
	if c.tied {
		out.ConeKg = c.net + c.and
		out.ConeCV = c.cv * math.Hypot(c.net, c.and) / out.ConeKg
	}
	return out
}

// ends tells the turn at which the running job of a machine ends, by the plan before; 0 = not known.
func (p *plan) ends(machine, order string) float64 {
	if p == nil || order == "" {
		return 0
	}
	for _, j := range p.orders[order].Jobs {
		if j.Machine == machine && j.RemainingRevolutions > 0 {
			return p.turns[machine] + float64(j.RemainingRevolutions)
		}
	}
	return 0
}

// creelsForPlan puts the creel of a machine into the planner's machine, and keeps the plan of its visits.
func (f *Floor) creelsForPlan(m *machine, out *outlook.Machine, p *plan, now time.Time) {
	b := f.book
	classes := b.classes(m.id, now, f.c.Rule)
	for i := range classes {
		out.Creel = append(out.Creel, b.outlookLoad(m.id, &classes[i], now))
	}
	p.turns[m.id] = float64(m.state.Revolutions)
	p.creels[m.id] = b.visits(m, now, f.plan.newest.Load().ends(m.id, b.at(m.id, now).Order), f.c.Rule)
	for _, v := range p.creels[m.id] {
		out.Marks = append(out.Marks, v.latest)
		if v.open > 0 {
			out.Marks = append(out.Marks, v.open)
		}
	}
}

// date puts the times of the marks to the visits.
func (p *plan) date() {
	type key struct {
		machine string
		turn    float64
	}
	at := map[key]time.Time{}
	for _, m := range p.Marks {
		at[key{m.Machine, m.Turn}] = m.At.Round(time.Second)
	}
	for machine, visits := range p.creels {
		for i := range visits {
			v := &visits[i]
			v.latestAt = at[key{machine, v.latest}]
			if v.open > 0 {
				v.openAt = at[key{machine, v.open}]
			}
		}
	}
}

// visit is the plan for a class. False where its creel is planned, and it is not among the visits:
// the job ends before.
func (p *plan) visit(machine, id string) (creelPlan, bool) {
	visits := p.creels[machine]
	i := slices.IndexFunc(visits, func(v creelPlan) bool { return v.id == id })
	if i >= 0 {
		return visits[i], true
	}
	return creelPlan{}, len(visits) == 0
}

// leftover is what is expected on the cones of a machine when it reaches a turn.
func (f *Floor) leftover(m *machine, end float64, now time.Time) []creel.Remnant {
	classes := f.book.classes(m.id, now, f.c.Rule)
	c := f.book.creelOf(m.id, m.state.Revolutions, classes, now)
	left, err := c.Leftover(max(unit.Revolutions(end), c.Turn))
	if err != nil {
		return nil
	}
	return left
}
