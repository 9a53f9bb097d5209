package store

import (
	"cmp"
	"slices"
)

// What a load of cones was. "" stands for LoadChange.
const (
	LoadChange = "change" // new cones in the place of others that still had yarn
	LoadOut    = "out"    // new cones in the place of others that had run out
	LoadTie    = "tie"    // reserves, each tied to the tail of the cone that runs
	LoadBeside = "beside" // reserves that stand beside, not tied
	LoadOff    = "off"    // cones taken off, reserves too; ConeKg is what was left on each
)

// Cone is one cone in a creel.
type Cone struct {
	Load  int64 // that brought it
	Lot   string
	Kg    float64 // net when put on; 0 = that of the yarn
	CV    float64 // spread of Kg, a share; 0 = that of the yarn
	Turns float64 // that it lasts as calculated when it was put on; 0 = not known
}

// Position is one place of a creel.
type Position struct {
	Machine, Group string
	Number         int // from 1 in a feed group
	Running        Cone
	At             int64 // revolutions of the machine when the running cone began to be drawn
	Reserve        *Cone // nil = none stands there
	Tied           bool  // the reserve's head is tied to the tail of the running cone
}

// Ended is cones that were taken out of a creel or had run out, alike in all that is
// told of them: what can be learnt of the turns a cone lasts.
type Ended struct {
	Load           int64 // that replaced them
	Lot            string
	Cones          int
	Counted, Turns float64 // turns of the machine that they were drawn, and as calculated
	Out            bool    // they had run out; else they would have lasted longer than Counted
}

// Stand tells what stands in one feed group of a machine after its loads, and which cones
// ended. The loads are those that were not taken back, in any order: they count by the
// machine's turns, then by number, so that a tap that comes late finds its place.
//
// A load that names no positions takes empty ones first, then those that are due first; cones
// are taken off those that are due first.
func Stand(loads []Load) ([]Position, []Ended) {
	loads = slices.Clone(loads)
	slices.SortFunc(loads, func(a, b Load) int {
		return cmp.Or(cmp.Compare(a.Revolutions, b.Revolutions), cmp.Compare(a.ID, b.ID))
	})
	var s standing
	for _, l := range loads {
		s.take(l)
	}
	out := make([]Position, 0, len(s.places))
	for _, p := range s.places {
		if p.Number != 0 {
			out = append(out, p)
		}
	}
	return out, s.ended
}

// standing is a feed group while its loads are read; a place without a number is empty.
type standing struct {
	places []Position
	ended  []Ended
}

func (s *standing) take(l Load) {
	places := l.Places
	if places == 0 {
		places = max(len(s.places), l.Cones)
	}
	if places < len(s.places) {
		s.places = s.places[:places] // a card with fewer feeds
	}
	for len(s.places) < places {
		s.places = append(s.places, Position{})
	}
	c := Cone{Load: l.ID, Lot: l.Lot, Kg: l.ConeKg, CV: l.ConeCV, Turns: l.Turns}
	for _, i := range s.chosen(l) {
		if i >= 0 && i < len(s.places) {
			s.put(i, l, c)
		}
	}
}

// chosen are the places of a load, from 0.
func (s *standing) chosen(l Load) []int {
	var out []int
	if len(l.Positions) > 0 {
		for _, n := range l.Positions {
			out = append(out, n-1)
		}
		return out
	}
	for i := range s.places {
		out = append(out, i)
	}
	end := func(p Position) float64 {
		e := float64(p.At) + p.Running.Turns
		if p.Reserve != nil && p.Tied {
			e += p.Reserve.Turns
		}
		return e
	}
	empty := func(i int) int {
		if (s.places[i].Number == 0) != (l.Work == LoadOff) {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(out, func(a, b int) int {
		return cmp.Or(cmp.Compare(empty(a), empty(b)), cmp.Compare(end(s.places[a]), end(s.places[b])))
	})
	return out[:min(l.Cones, len(out))]
}

// put brings one cone to a place.
func (s *standing) put(i int, l Load, c Cone) {
	p := &s.places[i]
	if l.Work == LoadOff {
		if p.Number != 0 {
			s.end(p, l)
		}
		*p = Position{}
		return
	}
	fresh := Position{Machine: l.Machine, Group: l.Group, Number: i + 1, Running: c, At: l.Revolutions}
	if p.Number == 0 {
		*p = fresh
		return
	}
	switch l.Work {
	case LoadTie, LoadBeside:
		if p.Reserve != nil && p.Tied {
			// The reserve took over when the cone before it ran out: nobody saw when.
			handed := l.Revolutions
			if t := p.Running.Turns; t > 0 {
				handed = min(handed, p.At+int64(t))
			}
			p.Running, p.At = *p.Reserve, max(handed, p.At)
		}
		p.Reserve, p.Tied = &c, l.Work == LoadTie
	default:
		s.end(p, l)
		*p = fresh
	}
}

// end notes what the cone of a place tells.
func (s *standing) end(p *Position, l Load) {
	e := Ended{Load: l.ID, Lot: p.Running.Lot, Cones: 1, Counted: float64(l.Revolutions - p.At), Turns: p.Running.Turns, Out: l.Work == LoadOut}
	if p.Reserve != nil && p.Tied {
		if p.Reserve.Turns == 0 || p.Reserve.Lot != p.Running.Lot {
			return // two lots tell nothing of either
		}
		e.Turns += p.Reserve.Turns
	}
	if !(e.Turns > 0 && e.Counted > 0) || p.Running.Turns == 0 {
		return
	}
	for k := len(s.ended) - 1; k >= 0 && s.ended[k].Load == l.ID; k-- {
		o := &s.ended[k]
		if o.Lot == e.Lot && o.Counted == e.Counted && o.Turns == e.Turns {
			o.Cones++
			return
		}
	}
	s.ended = append(s.ended, e)
}
