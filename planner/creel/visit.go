package creel

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"turnwise/planner/unit"
)

// Rule is what decides the visits of a creel.
type Rule struct {
	Trigger  Trigger
	PerRound bool // the trigger's chance is for any cone of a visit, not for each
	// VisitCost is of one walk to the creel, KgValue of a kilogram of yarn left on a cone
	// that is changed, in one currency. A tied tail leaves none.
	VisitCost, KgValue float64
	// End of the job in turns of the machine; 0 when it is not known. What is still
	// running then needs no hand.
	End unit.Revolutions
}

// Visit is one call at a creel, in turns of the machine.
type Visit struct {
	Open, Latest unit.Revolutions
	Positions    []int // numbers, rising
	Ties         int   // of them, positions where the next reserve is tied
	Fetch        []Fetch
}

// Fetch is cones of one lot to bring.
type Fetch struct {
	Lot   string
	Cones int
}

// Visits parts the next work of all positions into the cheapest visits: cones to change by Rounds; reserves to
// tie ride along where the visit falls into their time, and the others are met with the
// fewest further visits.
func (c Creel) Visits(r Rule) ([]Visit, error) {
	if !(r.VisitCost >= 0 && r.VisitCost < 1e12) || !(r.KgValue >= 0 && r.KgValue < 1e9) {
		return nil, fmt.Errorf("%w: a visit costs %g and a kilogram %g, expected 0 or more", ErrLoad, r.VisitCost, r.KgValue)
	}
	needs, err := c.Needs()
	if err != nil {
		return nil, err
	}
	var cones []Cone
	var change, tie []Need
	latest := map[int]unit.Revolutions{}
	lasts := map[Law]unit.Revolutions{}
	for i, n := range needs {
		if r.End > 0 && n.Due.Mean() >= r.End {
			continue
		}
		// A creel's cones are mostly alike but for the turn they were put on in, and that only shifts the law.
		alike := n.Due
		alike.At = 0
		q, known := lasts[alike]
		if !known {
			if q, err = LatestVisit(alike, r.Trigger); err != nil {
				return nil, err
			}
			lasts[alike] = q
		}
		q = max(n.Due.At+q, c.Turn)
		latest[n.Position] = q
		if n.Tie {
			tie = append(tie, n)
			continue
		}
		change = append(change, n)
		value := r.KgValue / max(float64(n.Due.Rate(c.Positions[i].Running.Net)), 1e-9)
		cones = append(cones, Cone{Mean: float64(max(n.Due.Mean(), q)), Latest: float64(q), Value: min(value, 1e11)})
	}
	rounds, _, err := Rounds(cones, r.VisitCost)
	if err != nil {
		return nil, err
	}
	var visits []Visit
	for _, round := range rounds {
		at := unit.Revolutions(round.At)
		var members []Need
		var laws []Law
		for _, i := range round.Cones {
			members, laws = append(members, change[i]), append(laws, change[i].Due)
		}
		if r.PerRound {
			joint, err := LatestRound(laws, r.Trigger)
			if err != nil {
				return nil, err
			}
			at = max(c.Turn, min(at, joint))
		}
		visits = append(visits, visitOf(members, at))
	}
	visits = pierce(visits, tie, latest)
	slices.SortFunc(visits, func(a, b Visit) int { return cmp.Compare(a.Latest, b.Latest) })
	return visits, nil
}

func visitOf(needs []Need, latest unit.Revolutions) Visit {
	v := Visit{Latest: latest}
	for _, n := range needs {
		v.add(n)
	}
	return v
}

func (v *Visit) add(n Need) {
	v.Open = min(max(v.Open, n.Open), v.Latest)
	v.Positions = append(v.Positions, n.Position)
	slices.Sort(v.Positions)
	if n.Tie {
		v.Ties++
	}
	for i := range v.Fetch {
		if v.Fetch[i].Lot == n.Lot {
			v.Fetch[i].Cones++
			return
		}
	}
	v.Fetch = append(v.Fetch, Fetch{n.Lot, 1})
	slices.SortFunc(v.Fetch, func(a, b Fetch) int { return cmp.Compare(a.Lot, b.Lot) })
}

// pierce gives each tie to a visit inside its time. The ties that no visit meets are
// taken by rising end, a new visit at each end not yet met: the fewest points that
// meet all intervals.
func pierce(visits []Visit, ties []Need, latest map[int]unit.Revolutions) []Visit {
	slices.SortFunc(ties, func(a, b Need) int { return cmp.Compare(latest[a.Position], latest[b.Position]) })
	for _, n := range ties {
		end := latest[n.Position]
		met := -1
		for i, v := range visits {
			if v.Latest <= end && v.Latest >= min(n.Open, end) {
				met = i
			}
		}
		if met < 0 {
			visits = append(visits, visitOf([]Need{n}, end))
			continue
		}
		visits[met].add(n)
	}
	return visits
}

// Leftover is what is expected to stand in the creel at a turn, by lot, cones and
// kilograms: what goes back to the store at a lot's or a job's end.
func (c Creel) Leftover(at unit.Revolutions) ([]Remnant, error) {
	if !(at >= c.Turn) {
		return nil, c.bad(0, "turn of the end", float64(at), fmt.Sprintf("not before now, %.0f", float64(c.Turn)), "give a later turn")
	}
	if err := c.validate(); err != nil {
		return nil, err
	}
	supplies := c.supplies()
	sums := map[string]*Remnant{}
	put := func(lot string, kg float64) {
		if kg <= 0 {
			return
		}
		if sums[lot] == nil {
			sums[lot] = &Remnant{Lot: lot}
		}
		sums[lot].Cones++
		sums[lot].Mass += unit.Kilograms(kg)
	}
	for _, p := range c.Positions {
		out := supplies[p.Group].law(p.Running, p.At).Mean()
		share := float64((out - at) / max(out-p.At, 1e-9))
		put(p.Running.Lot, float64(p.Running.Net)*min(max(share, 0), 1))
		if p.Reserve == nil {
			continue
		}
		used := 0.0
		if p.Tied && at > out {
			used = float64(at-out) / math.Max(float64(supplies[p.Group].law(*p.Reserve, 0).Mean()), 1e-9)
		}
		put(p.Reserve.Lot, float64(p.Reserve.Net)*max(1-used, 0))
	}
	var all []Remnant
	for _, r := range sums {
		all = append(all, *r)
	}
	slices.SortFunc(all, func(a, b Remnant) int { return cmp.Compare(a.Lot, b.Lot) })
	return all, nil
}

// Remnant is yarn of one lot left on cones.
type Remnant struct {
	Lot   string
	Cones int
	Mass  unit.Kilograms
}
