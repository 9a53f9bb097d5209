package board

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"turnwise/planner/unit"
)

const (
	maxMinutes = 1e6 // of a set-up, a care or a running job: about two years
	maxKg      = 1e7
	maxParts   = 8
	maxWeight  = 1000
	maxOrders  = 5000
)

// beds of a machine by its word or its plate.
func (m *Machine) beds() int {
	switch {
	case m.Beds > 0:
		return m.Beds
	case m.Plate.DialNeedles > 0:
		return 2
	}
	return 1
}

// card is the order's card for a machine: its own, else the one for every machine.
func (o *Order) card(machine string) *Card {
	var any *Card
	for k := range o.Cards {
		switch o.Cards[k].Machine {
		case machine:
			return &o.Cards[k]
		case "", Any:
			any = &o.Cards[k]
		}
	}
	return any
}

// pace is the working seconds of one kilo, stops counted in by the running share.
func (o *Order) pace(m *Machine) (float64, error) {
	c := o.card(m.ID)
	if c == nil {
		return 0, errors.New("no knit card")
	}
	if !(c.SpeedRPM > 0 && c.SpeedRPM < 1000) {
		return 0, fmt.Errorf("a speed of %g turns a minute", c.SpeedRPM)
	}
	turns, err := c.Knit.Revolutions(1)
	if err != nil {
		return 0, err
	}
	share := m.Share
	if share == 0 {
		share = 1
	}
	return float64(turns) / float64(c.SpeedRPM) * 60 / share, nil
}

// cannot says why a machine cannot knit an order, or nothing.
func cannot(m *Machine, o *Order) *Reason {
	no := func(rule, format string, args ...any) *Reason {
		return &Reason{Machine: m.ID, Rule: rule, Sentence: fmt.Sprintf("%s cannot knit %s: %s.", m.ID, o.ID, fmt.Sprintf(format, args...))}
	}
	need := o.Needs
	gauges := append([]unit.Gauge{m.Plate.Gauge}, m.Gauges...)
	switch {
	case need.Diameter != 0 && need.Diameter != m.Plate.Diameter:
		return no(RuleDiameter, "the order needs %s, the machine has %s", inches(need.Diameter), inches(m.Plate.Diameter))
	case need.Gauge != 0 && !slices.Contains(gauges, need.Gauge):
		return no(RuleGauge, "the order needs gauge %g, the machine has %s", need.Gauge, listGauges(gauges))
	case need.Feeds > m.Plate.Feeders:
		return no(RuleFeeds, "the order needs %d feeds, the machine has %d", need.Feeds, m.Plate.Feeders)
	case need.Beds > m.beds():
		return no(RuleBeds, "the order needs %s, the machine has %s", beds(need.Beds), beds(m.beds()))
	case need.Structure != "" && len(m.Structures) > 0 && !slices.Contains(m.Structures, need.Structure):
		return no(RuleStructure, "the order is %s, the machine's cams allow %s", need.Structure, strings.Join(m.Structures, ", "))
	}
	if _, err := o.pace(m); err != nil {
		return no(RuleCard, "%v", err)
	}
	if o.Pin != nil && o.Pin.Machine != "" && o.Pin.Machine != m.ID {
		return no(RulePin, "it is pinned to %s", o.Pin.Machine)
	}
	return nil
}

// Able says why a machine of the problem cannot knit an order of it, or nothing. Names that are
// not there are for the caller to find.
func Able(p Problem, machine, order string) *Reason {
	machines := p.gauged()
	i := slices.IndexFunc(machines, func(m Machine) bool { return m.ID == machine })
	k := slices.IndexFunc(p.Orders, func(o Order) bool { return o.ID == order })
	if i < 0 || k < 0 {
		return nil
	}
	return cannot(&machines[i], &p.Orders[k])
}

func beds(n int) string {
	switch n {
	case 1:
		return "one needle bed"
	case 2:
		return "two needle beds"
	}
	return fmt.Sprintf("%d needle beds", n)
}

func inches(d unit.Inches) string {
	if d == 0 {
		return "no diameter told"
	}
	return fmt.Sprintf("%g inches", d)
}

func listGauges(g []unit.Gauge) string {
	var out []string
	for _, v := range g {
		if v != 0 {
			out = append(out, fmt.Sprintf("%g", v))
		}
	}
	if len(out) == 0 {
		return "none told"
	}
	return strings.Join(out, ", ")
}

// wrong says what is wrong with an order itself, as a sentence and a rule.
func (o *Order) wrong(p *Problem) (string, string) {
	bad := func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }
	switch {
	case bad(o.Kg) || o.Kg <= 0 || o.Kg > maxKg:
		return fmt.Sprintf("Correct the kilos of %s: %g, expected above 0 and up to %.0f.", o.ID, o.Kg, maxKg), RuleQuantity
	case bad(o.RollKg) || o.RollKg < 0 || bad(o.MinKg) || o.MinKg < 0:
		return fmt.Sprintf("Correct the roll mass %g and the least part %g of %s, expected 0 or more kilos.", o.RollKg, o.MinKg, o.ID), RuleQuantity
	case o.RollKg > 0 && o.Kg/o.RollKg > 1e6:
		return fmt.Sprintf("Correct the roll mass of %s: %g kg makes %.0f rolls, expected up to a million.", o.ID, o.RollKg, o.Kg/o.RollKg), RuleQuantity
	case bad(o.Weight) || o.Weight < 0 || o.Weight > maxWeight:
		return fmt.Sprintf("Correct the weight of %s: %g, expected 0 to %d.", o.ID, o.Weight, maxWeight), RuleQuantity
	case o.Due.IsZero() || o.Due.Before(p.Now.AddDate(-3, 0, 0)) || o.Due.After(p.Now.AddDate(8, 0, 0)):
		return fmt.Sprintf("Correct the due date of %s: %s, expected within three years past and eight years to come.", o.ID, o.Due.Format("2006-01-02")), RuleDue
	case o.YarnShort != "":
		return fmt.Sprintf("Order yarn %s for %s; nobody has ordered it, so no date can be given.", o.YarnShort, o.ID), RuleYarn
	case o.YarnFrom.After(p.Now.AddDate(8, 0, 0)):
		return fmt.Sprintf("Correct the yarn's arrival for %s: %s, expected within eight years.", o.ID, o.YarnFrom.Format("2006-01-02")), RuleYarn
	}
	return "", ""
}

// Validate joins what makes the problem as a whole unusable. All faults hold
// [ErrProblem].
func (p *Problem) Validate() error {
	var all []error
	bad := func(format string, args ...any) {
		all = append(all, fmt.Errorf("%w: %s", ErrProblem, fmt.Sprintf(format, args...)))
	}
	if p.Now.IsZero() {
		bad("the instant of the plan is not told")
	}
	if len(p.Orders) > maxOrders {
		bad("%d orders, expected up to %d; plan the nearest ones", len(p.Orders), maxOrders)
	}
	if !(p.SetupCost >= 0 && p.SetupCost <= 1e6) || !(p.ChangeCost <= 1e6) {
		bad("prices of %g for a minute of set-up and %g for a change, expected up to a million", p.SetupCost, p.ChangeCost)
	}
	if p.Frozen < 0 || p.Steady < 0 || p.Horizon < 0 {
		bad("frozen %v, steady %v, horizon %v, expected none below 0", p.Frozen, p.Steady, p.Horizon)
	}
	if err := p.Setups.Validate(); err != nil {
		all = append(all, err)
	}
	orders := map[string]*Order{}
	for k := range p.Orders {
		o := &p.Orders[k]
		if o.ID == "" || orders[o.ID] != nil {
			bad("order %q stands twice or has no name; give every order one of its own", o.ID)
		}
		orders[o.ID] = o
	}
	machines := map[string]bool{}
	rings := map[string]bool{}
	for _, c := range p.Cylinders {
		if c.ID == "" || rings[c.ID] {
			bad("cylinder %q stands twice or has no name; give every cylinder one of its own", c.ID)
		}
		rings[c.ID] = true
		if !(c.Gauge > 0 && c.Gauge <= 100) || len(c.Machines) == 0 {
			bad("cylinder %s: gauge %g for %d machines, expected a gauge above 0 to 100 and the machines that it fits", c.ID, c.Gauge, len(c.Machines))
		}
	}
	running := map[string]string{}
	for k := range p.Machines {
		m := &p.Machines[k]
		if m.ID == "" || m.ID == Any || machines[m.ID] {
			bad("machine %q stands twice or has no name; give every machine one of its own", m.ID)
		}
		machines[m.ID] = true
		if !(m.Share >= 0 && m.Share <= 1) {
			bad("machine %s: running share %g, expected above 0 to 1", m.ID, m.Share)
		}
		if err := m.Calendar.Validate(); err != nil {
			bad("machine %s: %v", m.ID, err)
		}
		for _, c := range m.Care {
			if !(c.Minutes > 0 && c.Minutes <= maxMinutes) || !(c.Weight >= 0 && c.Weight <= maxWeight) {
				bad("machine %s, care %s: %g minutes with weight %g, expected above 0 to %d and 0 to %d", m.ID, c.ID, c.Minutes, c.Weight, int(maxMinutes), maxWeight)
			}
			if !c.Latest.IsZero() && c.Latest.Before(c.Earliest) {
				bad("machine %s, care %s: latest %s lies before earliest %s; exchange them", m.ID, c.ID, c.Latest.Format("2006-01-02"), c.Earliest.Format("2006-01-02"))
			}
		}
		if r := m.Running; r != nil {
			if orders[r.Order] == nil {
				bad("machine %s runs order %s, which is not among the orders; add it", m.ID, r.Order)
			} else if running[r.Order] = m.ID; !(r.Kg >= 0 && r.Kg <= maxKg) || !(r.Minutes >= 0 && r.Minutes <= maxMinutes) {
				bad("machine %s: order %s has %g kg and %g minutes left, expected 0 or more", m.ID, r.Order, r.Kg, r.Minutes)
			}
		}
	}
	for k := range p.Orders {
		o := &p.Orders[k]
		if o.Pin == nil {
			continue
		}
		if o.Pin.Machine != "" && !machines[o.Pin.Machine] {
			bad("order %s is pinned to %s, which is no machine here; pin it to one or release it", o.ID, o.Pin.Machine)
		}
		if a := o.Pin.After; a != "" && orders[a] == nil {
			bad("order %s is pinned behind %s, which is not among the orders; release the pin", o.ID, a)
		}
		if ring := pinRing(orders, o); ring != "" {
			bad("circular pins: %s; release one of them", ring)
			break
		}
	}
	return errors.Join(all...)
}

// pinRing tells the ring of pins that an order is in, or nothing.
func pinRing(orders map[string]*Order, o *Order) string {
	path := []string{o.ID}
	for at := o; at != nil && at.Pin != nil && at.Pin.After != "" && len(path) <= len(orders); {
		path = append(path, at.Pin.After)
		if at.Pin.After == o.ID {
			return strings.Join(path, " behind ")
		}
		at = orders[at.Pin.After]
	}
	return ""
}
