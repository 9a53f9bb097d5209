package board

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

// Property: a machine is refused if and only if it lacks something that the order needs, the
// rule that is named is one that it fails, and a plan has the order on no other machine than
// those that can.
func TestAbleIsWhatTheOrderNeeds(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		p := simple()
		o := &p.Orders[0]
		proto := p.Machines[0]
		o.Needs = Needs{
			Diameter: unit.Inches(rapid.SampledFrom([]int{0, 30, 34}).Draw(r, "diameter")), Gauge: unit.Gauge(rapid.SampledFrom([]int{0, 24, 28}).Draw(r, "gauge")),
			Feeds: rapid.SampledFrom([]int{0, 84, 96}).Draw(r, "feeds"), Beds: rapid.IntRange(0, 2).Draw(r, "beds"),
			Structure: rapid.SampledFrom([]string{"", "jersey", "rib"}).Draw(r, "structure"),
		}
		card := o.Cards[0]
		card.Machine = ""
		o.Cards = []Card{card}
		p.Machines = nil
		fails := map[string]map[string]bool{} // rules that a machine fails
		for i := range rapid.IntRange(1, 4).Draw(r, "machines") {
			m := proto
			m.ID, m.Running, m.Care = fmt.Sprintf("m%d", i), nil, nil
			m.Plate.Diameter = unit.Inches(rapid.SampledFrom([]int{30, 34}).Draw(r, "inches"))
			m.Plate.Gauge = unit.Gauge(rapid.SampledFrom([]int{24, 28}).Draw(r, "cut"))
			m.Gauges = nil
			if rapid.Bool().Draw(r, "exchangeable") {
				m.Gauges = []unit.Gauge{28}
			}
			m.Plate.Feeders = rapid.SampledFrom([]int{84, 96}).Draw(r, "feeders")
			m.Beds = rapid.IntRange(0, 2).Draw(r, "own beds")
			if m.Plate.DialNeedles = 0; m.Beds != 1 && rapid.Bool().Draw(r, "dial") {
				m.Plate.DialNeedles = 2640
			}
			m.Structures = rapid.SampledFrom([][]string{nil, {"jersey"}, {"jersey", "rib"}}).Draw(r, "cams")
			p.Machines = append(p.Machines, m)
			n := o.Needs
			fails[m.ID] = map[string]bool{
				RuleDiameter: n.Diameter != 0 && n.Diameter != m.Plate.Diameter,
				RuleGauge:    n.Gauge != 0 && n.Gauge != m.Plate.Gauge && !(n.Gauge == 28 && m.Gauges != nil),
				RuleFeeds:    n.Feeds > m.Plate.Feeders,
				RuleBeds:     n.Beds == 2 && m.Beds != 2 && m.Plate.DialNeedles == 0,
				// Nothing is told of the cams where none are named.
				RuleStructure: n.Structure != "" && m.Structures != nil && !slices.Contains(m.Structures, n.Structure),
			}
		}
		able := 0
		for _, m := range p.Machines {
			why := Able(p, m.ID, o.ID)
			unfit := false
			for _, fail := range fails[m.ID] {
				unfit = unfit || fail
			}
			switch {
			case (why != nil) != unfit:
				r.Fatalf("%s for %+v: %+v, want refused: %v by %v", m.ID, o.Needs, why, unfit, fails[m.ID])
			case why != nil && !fails[m.ID][why.Rule]:
				r.Fatalf("%s is refused by %s, which it does not fail: %v", m.ID, why.Rule, fails[m.ID])
			case why == nil:
				able++
			}
		}
		plan, err := Solve(p, Options{Iterations: 20})
		if err != nil {
			r.Fatal(err)
		}
		if (len(plan.Refused) == 0) != (able > 0) {
			r.Fatalf("%d machines can, refused: %+v", able, plan.Refused)
		}
		for _, l := range plan.Machines {
			for _, j := range l.Jobs {
				if j.Order == o.ID && Able(p, l.Machine, o.ID) != nil {
					r.Fatalf("%s has the order and cannot knit it: %v", l.Machine, fails[l.Machine])
				}
			}
		}
	})
}
