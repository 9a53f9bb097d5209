package creel

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"turnwise/planner/unit"
)

// LotStock is where the yarn of one lot is. A cone in a creel that is drawn from is at the
// machine, one that stands beside or on a trolley is at the creel.
type LotStock struct {
	Lot                     string
	Store, Creel, AtMachine unit.Kilograms
	Reserved                []Reservation // in order of right: the first is served first
	Waste                   float64       // share of the yarn that never becomes cloth
}

// Reservation is yarn that an order still needs, as cloth.
type Reservation struct {
	Order string
	Need  unit.Kilograms
}

// Cover is how far a lot goes for one order.
type Cover struct {
	Order          string
	Need, Waste    unit.Kilograms // Waste on top of Need
	Covered, Short unit.Kilograms // of both together
}

// LotBalance is a lot against what is reserved on it.
type LotBalance struct {
	Lot    string
	Total  unit.Kilograms // store + creel + at machine
	Free   unit.Kilograms // not reserved, 0 or more
	Short  unit.Kilograms // missing, 0 or more
	Covers []Cover
}

// Balance gives the lot's cover, first order first.
func (s LotStock) Balance() (LotBalance, error) {
	usable := func(kg unit.Kilograms) bool { return kg >= 0 && kg < 1e9 }
	if !usable(s.Store) || !usable(s.Creel) || !usable(s.AtMachine) || !(s.Waste >= 0 && s.Waste < 1) {
		return LotBalance{}, fmt.Errorf("%w: lot %s: %g kg in store, %g at the creel, %g at the machine, waste %g, expected 0 or more and waste below 1", ErrLoad, s.Lot, float64(s.Store), float64(s.Creel), float64(s.AtMachine), s.Waste)
	}
	b := LotBalance{Lot: s.Lot, Total: s.Store + s.Creel + s.AtMachine}
	b.Free = b.Total
	for _, r := range s.Reserved {
		if !usable(r.Need) {
			return LotBalance{}, fmt.Errorf("%w: lot %s: order %s needs %g kg, expected 0 or more", ErrLoad, s.Lot, r.Order, float64(r.Need))
		}
		c := Cover{Order: r.Order, Need: r.Need}
		c.Waste = unit.Kilograms(float64(r.Need) * s.Waste / (1 - s.Waste))
		whole := c.Need + c.Waste
		c.Covered = min(whole, b.Free)
		c.Short = whole - c.Covered
		b.Free -= c.Covered
		b.Short += c.Short
		b.Covers = append(b.Covers, c)
	}
	return b, nil
}

// Drawing is one machine that draws a lot: what stands at it, and kilograms per hour.
type Drawing struct {
	Machine string
	Own     unit.Kilograms
	PerHour unit.Kilograms
}

// Starve gives the hours until each machine stands without the lot, when the store is
// given to whoever is out first. All that get of it end together at T, where
// sum max(0, rate T - own) = store; the others last on their own yarn. Infinite where nothing is drawn.
func Starve(store unit.Kilograms, machines []Drawing) ([]float64, error) {
	if !(store >= 0 && store < 1e9) {
		return nil, fmt.Errorf("%w: %g kg in store, expected 0 or more", ErrLoad, float64(store))
	}
	hours := make([]float64, len(machines))
	order := make([]int, len(machines))
	for i, m := range machines {
		if !(m.Own >= 0 && m.Own < 1e9 && m.PerHour >= 0 && m.PerHour < 1e9) {
			return nil, fmt.Errorf("%w: machine %s has %g kg and draws %g kg an hour, expected 0 or more", ErrLoad, m.Machine, float64(m.Own), float64(m.PerHour))
		}
		order[i] = i
		hours[i] = math.Inf(1)
		if m.PerHour > 0 {
			hours[i] = float64(m.Own / m.PerHour)
		}
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(hours[a], hours[b]) })
	var rate, own, end float64
	for k, i := range order {
		if math.IsInf(hours[i], 1) {
			break
		}
		rate += float64(machines[i].PerHour)
		own += float64(machines[i].Own)
		end = (float64(store) + own) / rate
		if k+1 == len(order) || end <= hours[order[k+1]] {
			break
		}
	}
	for i := range hours {
		hours[i] = max(hours[i], end)
	}
	return hours, nil
}

// RollsAtRisk says which rolls a lot change may fall into: of a machine that is at
// turn `done` of a roll of `roll` turns, and of a lot that ends by the law. Clean rolls are knitted
// whole before the change with 95 %; Risk may hold both lots with more than 10 %
// taken together (5 % at either side).
type RollsAtRisk struct {
	Clean, Risk int
	// CutAt is the last whole roll's end, in turns of the machine, at which a
	// change by hand mixes nothing.
	CutAt unit.Revolutions
}

// LotChange places a lot's end among the rolls. The law of the cone that is out
// first counts: from there on the new lot comes in.
func LotChange(cones []Law, now, done, roll unit.Revolutions) (RollsAtRisk, error) {
	if len(cones) == 0 || !(roll > 0) || !(done >= 0 && done < roll) || !(now >= 0) {
		return RollsAtRisk{}, fmt.Errorf("%w: %d cones, at turn %g of a roll of %g, expected cones and a roll in progress", ErrLoad, len(cones), float64(done), float64(roll))
	}
	first, err := LatestRound(cones, Trigger{Chance: 0.05})
	if err != nil {
		return RollsAtRisk{}, err
	}
	last := cones[0].At
	for _, c := range cones {
		last = max(last, c.Quantile(0.95))
	}
	start := now - done
	clean := max(0, int(math.Floor(float64((first-start)/roll))))
	through := max(clean, int(math.Ceil(float64((last-start)/roll))))
	return RollsAtRisk{Clean: clean, Risk: through - clean, CutAt: start + unit.Revolutions(clean)*roll}, nil
}

// Mixed is a feed group whose running cones are of several lots.
type Mixed struct {
	Group string
	Lots  []Remnant // Mass is net as put on
}

// MixedLots finds the groups in which more than one lot is being knitted.
func (c Creel) MixedLots() []Mixed {
	var out []Mixed
	for _, s := range c.Supplies {
		by := map[string]*Remnant{}
		for _, p := range c.Positions {
			if p.Group != s.Group.ID {
				continue
			}
			if by[p.Running.Lot] == nil {
				by[p.Running.Lot] = &Remnant{Lot: p.Running.Lot}
			}
			by[p.Running.Lot].Cones++
			by[p.Running.Lot].Mass += p.Running.Net
		}
		if len(by) < 2 {
			continue
		}
		m := Mixed{Group: s.Group.ID}
		for _, r := range by {
			m.Lots = append(m.Lots, *r)
		}
		slices.SortFunc(m.Lots, func(a, b Remnant) int { return cmp.Compare(a.Lot, b.Lot) })
		out = append(out, m)
	}
	return out
}
