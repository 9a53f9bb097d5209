package outlook

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// MoveOrder takes all of an order that has not begun to another machine. It needs a
// card for the article there.
type MoveOrder struct {
	Order, Machine string
	After          string // order that it comes behind there; "" = last
}

// SplitOrder takes a part of an order to another machine, behind its jobs.
type SplitOrder struct {
	Order, Machine string
	Kg             float64 // that go there; 0 = half of what is left
}

// begun is how many jobs of a machine have begun: they stay where they are.
func (m *Machine) begun() int {
	if m.Waits || len(m.Jobs) == 0 {
		return 0
	}
	return 1
}

// target finds order, machine and card of a move.
func (s *Snapshot) target(order, machine string) (*Order, *Machine, Card, error) {
	m, err := s.machine(machine)
	if err != nil {
		return nil, nil, Card{}, err
	}
	i := slices.IndexFunc(s.Orders, func(o Order) bool { return o.ID == order })
	if i < 0 {
		ids := make([]string, len(s.Orders))
		for i := range s.Orders {
			ids[i] = s.Orders[i].ID
		}
		return nil, nil, Card{}, fmt.Errorf("order %q is not in the book, expected one of %s", order, some(ids))
	}
	card := slices.IndexFunc(m.Cards, func(k Card) bool { return k.Article == s.Orders[i].Article })
	if card < 0 {
		return nil, nil, Card{}, fmt.Errorf("%s has no knit card for article %s, which tells kilos and speed; enter one, or take %s", name(machine), s.Orders[i].Article, s.knitters(s.Orders[i].Article))
	}
	return &s.Orders[i], m, m.Cards[card], nil
}

func (c MoveOrder) apply(s *Snapshot, _ time.Time) error {
	_, to, card, err := s.target(c.Order, c.Machine)
	if err != nil {
		return err
	}
	of := func(j Job) bool { return j.Order == c.Order }
	if to.begun() == 1 && of(to.Jobs[0]) {
		return fmt.Errorf("%s runs on %s already, expected another machine", c.Order, name(c.Machine))
	}
	kg, taken, runs := 0.0, 0, ""
	for i := range s.Machines {
		m := &s.Machines[i]
		n := m.begun()
		if n == 1 && of(m.Jobs[0]) {
			runs = name(m.ID)
		}
		for k := len(m.Jobs) - 1; k >= n; k-- {
			if of(m.Jobs[k]) {
				kg += max(m.Jobs[k].QuantityKg-m.Jobs[k].CountedKg, 0)
				m.Jobs = slices.Delete(m.Jobs, k, k+1)
				taken++
			}
		}
	}
	if taken == 0 && runs != "" {
		return fmt.Errorf("%s runs on %s and has no part that waits, expected one; take a part of it with split %s %s", c.Order, runs, c.Order, name(c.Machine))
	}
	at := len(to.Jobs)
	if c.After != "" {
		k := slices.IndexFunc(to.Jobs, func(j Job) bool { return j.Order == c.After })
		if k < 0 {
			return fmt.Errorf("%s is not on %s, expected an order to come behind; leave it out to come last", c.After, name(c.Machine))
		}
		at = k + 1
	}
	to.Jobs = slices.Insert(to.Jobs, at, Job{Order: c.Order, Card: card, QuantityKg: kg})
	return nil
}

func (c SplitOrder) apply(s *Snapshot, _ time.Time) error {
	o, to, card, err := s.target(c.Order, c.Machine)
	if err != nil {
		return err
	}
	left, ok := remaining(o)
	kg := c.Kg
	if kg == 0 {
		kg = left / 2
		if o.RollKg > 0 && kg > o.RollKg {
			kg = math.Round(kg/o.RollKg) * o.RollKg
		}
	}
	switch {
	case slices.ContainsFunc(to.Jobs, func(j Job) bool { return j.Order == c.Order }):
		return fmt.Errorf("%s has a part of %s already, expected a machine without", name(c.Machine), c.Order)
	case !ok || left <= 0:
		return fmt.Errorf("nothing is left of %s, expected kilos to knit", c.Order)
	case !(kg > 0 && kg < left):
		return fmt.Errorf("%g kg of %s are to go to %s, expected above 0 and below the %s kg that are left; move the whole with move %s %s", kg, c.Order, name(c.Machine), kilos(left), c.Order, name(c.Machine))
	}
	// What was given to jobs that have not begun gets less, the last first.
	less := kg
	for i := range s.Machines {
		m := &s.Machines[i]
		for k := len(m.Jobs) - 1; k >= m.begun(); k-- {
			j := &m.Jobs[k]
			if j.Order != c.Order || j.QuantityKg == 0 {
				continue
			}
			part := min(less, max(j.QuantityKg-j.CountedKg, 0))
			j.QuantityKg -= part
			less -= part
			if j.QuantityKg-j.CountedKg < 0.05 { // nothing is left for it; 0 would mean a share
				m.Jobs = slices.Delete(m.Jobs, k, k+1)
			}
		}
	}
	to.Jobs = append(to.Jobs, Job{Order: c.Order, Card: card, QuantityKg: kg})
	return nil
}

func (c MoveOrder) touches() string  { return "" }
func (c SplitOrder) touches() string { return "" }
