package cones

import (
	"fmt"
	"math"

	"turnwise/planner/creel"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// place is one place of the creel: what stands there and what is believed of it.
type place struct {
	cone
	k        int
	from     float64 // turn at which it was put on
	believed float64 // turn at which it was put on, as people told
	untold   bool
}

func (p *place) out() float64 { return p.from + p.life }

// chosen is the turn at which the tender takes it by his own choice.
func (p *place) chosen() float64 {
	if p.own < 0 {
		return math.Inf(1)
	}
	return p.out() - p.own
}

// player plays one creel by one way.
type player struct {
	o      Options
	seed   uint64
	way    Way
	more   []float64 // by group
	groups []knit.FeedGroup
	learnt []*creel.Learner
	taught []int // run-outs told, by group
	places []place
	now    float64
	plans  bool // the habit is over
	visit  *creel.Visit
	count  bool
	sum    sums
}

// sums is what is counted.
type sums struct {
	cones, runOuts, walks, own int
	waste                      float64 // kg
}

// play plays a creel. All begin alike: every place is filled in turn 0 and cones are left to run out
// until each group has told enough of them, as in a mill that has no planner yet.
func play(o Options, seed uint64, way Way) (sums, []creel.Bias, error) {
	p := &player{o: o, seed: seed, way: way, more: drawMore(seed, o.Groups, o.Most), taught: make([]int, o.Groups)}
	if o.Bias != nil {
		for i := range p.more {
			p.more[i] = *o.Bias
		}
	}
	for i := range o.Groups {
		feeds := (o.Feeds + o.Groups - 1 - i) / o.Groups
		p.groups = append(p.groups, knit.FeedGroup{ID: fmt.Sprint("g", i+1), Feeders: feeds, CourseLength: metresTurn, Count: unit.Tex(kgMetre * 1e6)})
		l, err := creel.NewLearner(creel.Bias{SD: 0.03}, 0.02, 0.0005)
		if err != nil {
			return sums{}, nil, err
		}
		p.learnt = append(p.learnt, l)
	}
	p.places = make([]place, o.Feeds)
	for i := range p.places {
		p.places[i].k = -1
		p.fill(i)
	}
	settled, end := math.Inf(1), math.Inf(1)
	for p.now < end {
		if err := p.step(); err != nil {
			return sums{}, nil, err
		}
		if !p.plans && p.enough() {
			p.plans = true
			settled = p.now + o.Settle*nominal
			end = settled + o.Lives*nominal
		}
		p.count = p.now >= settled
	}
	var biases []creel.Bias
	for _, l := range p.learnt {
		biases = append(biases, l.Bias)
	}
	return p.sum, biases, nil
}

func (p *player) enough() bool {
	for _, n := range p.taught {
		if n < p.o.Taught {
			return false
		}
	}
	return true
}

func (p *player) group(place int) int { return place % p.o.Groups }

// fill puts the next cone on a place.
func (p *player) fill(i int) {
	s := &p.places[i]
	s.k++
	s.cone = draw(p.seed, i, s.k, p.more[p.group(i)])
	s.from = p.now
}

// step goes to what happens next: a cone is out, the tender takes one by his own choice, or a visit is due.
func (p *player) step() error {
	out, own := 0, 0
	for i := range p.places {
		if p.places[i].out() < p.places[out].out() {
			out = i
		}
		if p.places[i].chosen() < p.places[own].chosen() {
			own = i
		}
	}
	due := math.Inf(1)
	if p.plans && p.way != WhenOut {
		if err := p.plan(); err != nil {
			return err
		}
		due = max(p.now, float64(p.visit.Latest))
	}
	switch first := min(p.places[out].out(), p.places[own].chosen(), due); {
	case first == due:
		members := p.visit.Positions
		p.now = due
		p.walk()
		for _, n := range members {
			if i := n - 1; p.places[i].believed < p.now { // else it was found full and told just now
				p.change(i, false)
			}
		}
	case first == p.places[out].out():
		p.now = first
		p.walk()
		p.change(out, true)
	default: // he is at the machine for something else: no walk
		p.now = max(p.now, first)
		p.look()
		if p.count {
			p.sum.own++
		}
		p.change(own, false)
	}
	return nil
}

func (p *player) walk() {
	p.look()
	if p.count {
		p.sum.walks++
	}
}

// look tells of full cones that nobody told of. What became of the cones before them teaches nothing.
func (p *player) look() {
	for i := range p.places {
		if s := &p.places[i]; s.untold {
			s.untold, s.believed, p.visit = false, p.now, nil
		}
	}
}

// change counts a change and puts the next cone on. What is told of it teaches.
func (p *player) change(i int, out bool) {
	s := &p.places[i]
	if p.count {
		p.sum.cones++
		if out {
			p.sum.runOuts++
		} else {
			p.sum.waste += s.kg * max(0, s.out()-p.now) / s.life
		}
	}
	how, recorded := s.tap, p.now
	if how == late {
		recorded += s.late
	}
	if how != lost {
		p.teach(i, recorded, out)
	}
	p.fill(i)
	s.untold = how == lost
	if how != lost {
		s.believed = recorded
		p.visit = nil
	}
}

func (p *player) teach(i int, recorded float64, out bool) {
	s, g := &p.places[i], p.group(i)
	counted := recorded - s.believed
	if out {
		counted = p.now - s.believed // the stop has its turn, whenever it is told
	}
	per, err := p.groups[g].RevolutionsPerCone(netKg)
	if err != nil {
		return
	}
	y, err := creel.Observed(unit.Revolutions(counted), per)
	switch l := p.learnt[g]; {
	case err != nil:
	case !out:
		l.Changed(y, 1)
	case l.RanOut(y):
		p.taught[g]++
	}
}

// plan asks the planner for its next visit, when what is believed has changed.
func (p *player) plan() error {
	if p.visit != nil {
		return nil
	}
	c := creel.Creel{Machine: "M1", Turn: unit.Revolutions(p.now)}
	for g, group := range p.groups {
		b := p.learnt[g].Bias
		if p.way == Knowing {
			b = creel.Bias{Mean: -math.Log1p(p.more[g])}
		}
		c.Supplies = append(c.Supplies, creel.Supply{Group: group, Lots: map[string]creel.Bias{"L": b}})
	}
	for i := range p.places {
		at := min(p.places[i].believed, p.now)
		c.Positions = append(c.Positions, creel.Position{Number: i + 1, Group: p.groups[p.group(i)].ID,
			Running: creel.Pack{Lot: "L", Net: netKg, CV: massSD}, At: unit.Revolutions(at)})
	}
	visits, err := c.Visits(creel.Rule{Trigger: creel.Trigger{Chance: p.o.Chance}, VisitCost: p.o.VisitCost, KgValue: p.o.KgValue})
	if err != nil {
		return err
	}
	p.visit = &visits[0]
	return nil
}
