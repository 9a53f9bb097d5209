package creel

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

func TestBalanceOfALot(t *testing.T) {
	b, err := LotStock{Lot: "L-417", Store: 2980, Creel: 310, AtMachine: 240, Reserved: []Reservation{{"SO-1041", 3000}, {"SO-1042", 1200}}}.Balance()
	if err != nil {
		t.Fatal(err)
	}
	if b.Total != 3530 || b.Short != 670 || b.Free != 0 || b.Covers[0].Short != 0 || b.Covers[1].Covered != 530 {
		t.Errorf("balance %+v", b)
	}
	for _, s := range []LotStock{{Store: -1}, {Waste: 1}, {Creel: unit.Kilograms(math.NaN())}, {Reserved: []Reservation{{"x", -5}}}} {
		if _, err := s.Balance(); err == nil {
			t.Errorf("%+v is accepted", s)
		}
	}
}

// At the end found, as much has been drawn as there was, and nobody starves while the
// store has yarn.
func TestStarveUsesAllYarn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		store := unit.Kilograms(rapid.Float64Range(0, 500).Draw(t, "store"))
		var machines []Drawing
		for range rapid.IntRange(1, 6).Draw(t, "machines") {
			machines = append(machines, Drawing{Own: unit.Kilograms(rapid.Float64Range(0, 200).Draw(t, "own")), PerHour: unit.Kilograms(rapid.Float64Range(0.5, 30).Draw(t, "rate"))})
		}
		hours, err := Starve(store, machines)
		if err != nil {
			t.Fatal(err)
		}
		end, given := slices.Min(hours), 0.0
		for i, m := range machines {
			own := float64(m.Own / m.PerHour)
			if hours[i] < own-1e-9 {
				t.Fatalf("machine starves at %g with its own yarn for %g", hours[i], own)
			}
			if hours[i] > own+1e-9 && math.Abs(hours[i]-end) > 1e-9*end {
				t.Fatalf("one with yarn of the store ends at %g, another at %g", hours[i], end)
			}
			given += max(0, float64(m.PerHour)*hours[i]-float64(m.Own))
		}
		if math.Abs(given-float64(store)) > 1e-6*(1+float64(store)) {
			t.Fatalf("%g kg given of %g", given, float64(store))
		}
	})
	if h, err := Starve(5, []Drawing{{}}); err != nil || !math.IsInf(h[0], 1) {
		t.Errorf("a machine that draws nothing starves after %v, %v", h, err)
	}
}

func TestLotChangeFallsIntoRolls(t *testing.T) {
	needs, err := demoCreel().Needs()
	if err != nil {
		t.Fatal(err)
	}
	var laws []Law
	for _, n := range needs {
		laws = append(laws, n.Due)
	}
	r, err := LotChange(laws, 5000, 300, 1000)
	if err != nil {
		t.Fatal(err)
	}
	first, _ := LatestRound(laws, Trigger{Chance: 0.05})
	if r.Clean < 1 || r.Risk < 1 || r.CutAt > first || r.CutAt+1000 < first {
		t.Errorf("%+v, the first cone is out by %.0f with 5 %%", r, float64(first))
	}
	if _, err := LotChange(laws, 5000, 1300, 1000); err == nil {
		t.Error("a roll longer than itself is accepted")
	}
}

func TestMixedLots(t *testing.T) {
	c := demoCreel()
	if m := c.MixedLots(); len(m) != 0 {
		t.Errorf("one lot is mixed: %v", m)
	}
	c.Positions[2].Running.Lot = "L-9"
	if m := c.MixedLots(); len(m) != 1 || len(m[0].Lots) != 2 || m[0].Lots[1].Cones != 1 {
		t.Errorf("mixed: %+v", m)
	}
}

func TestVisits(t *testing.T) {
	c := demoCreel()
	for i := range 3 {
		c.Positions[i].Reserve, c.Positions[i].Tied = &Pack{"L-1", 1.89, 0.02}, true
	}
	rule := Rule{Trigger: Trigger{Chance: 0.01}, VisitCost: 5, KgValue: 4}
	visits, err := c.Visits(rule)
	if err != nil {
		t.Fatal(err)
	}
	if len(visits) != 2 || visits[0].Ties != 0 || visits[1].Ties != 3 || visits[0].Fetch[0] != (Fetch{"L-1", 3}) {
		t.Errorf("changes at once and ties later: %+v", visits)
	}
	joint := rule
	joint.PerRound = true
	earlier, err := c.Visits(joint)
	if err != nil || earlier[0].Latest >= visits[0].Latest {
		t.Errorf("a chance for the whole round comes at %+v, one for each at %+v, %v", earlier, visits, err)
	}
	rule.End = 5100
	if v, err := c.Visits(rule); err != nil || len(v) != 0 {
		t.Errorf("the job ends before: %v, %v", v, err)
	}
	left, err := c.Leftover(c.Turn)
	if err != nil || len(left) != 1 || left[0].Cones != 9 {
		t.Errorf("left over now: %+v, %v", left, err)
	}
	none, err := c.Leftover(1e6)
	if err != nil || len(none) != 0 {
		t.Errorf("left over at last: %+v, %v", none, err)
	}
}
