package creel

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

func demoCreel() Creel {
	c := Creel{Machine: "K01", Turn: 5000, Supplies: []Supply{{Group: k01, Length: Bias{SD: 0.01}, Lots: map[string]Bias{"L-1": {Mean: 0.02, SD: 0.005}}}}}
	for i := range 6 {
		c.Positions = append(c.Positions, Position{Number: i + 1, Group: "all", Running: Pack{"L-1", 1.89, 0.02}})
	}
	return c
}

// Drawn cones against the integral: the shared parts make run-outs come together.
func TestAnyOutByAgainstDraws(t *testing.T) {
	c := demoCreel()
	c.Positions[4].Running.Lot, c.Positions[5].Running.Lot = "L-2", "L-2"
	c.Supplies[0].Lots["L-2"] = Bias{-0.01, 0.01}
	needs, err := c.Needs()
	if err != nil {
		t.Fatal(err)
	}
	var laws []Law
	for _, n := range needs {
		laws = append(laws, n.Due)
	}
	r := rand.New(rand.NewPCG(1, 2))
	const draws = 200000
	for _, share := range []float64{0.95, 0.97, 0.99, 1.01} {
		at := laws[0].Life * unit.Revolutions(share)
		hits := 0
		for range draws {
			length, one, two := r.NormFloat64()*0.01, 0.02+r.NormFloat64()*0.005, -0.01+r.NormFloat64()*0.01
			out := false
			for i, l := range laws {
				kind := one
				if i > 3 {
					kind = two
				}
				out = float64(l.Life)*math.Exp(length+kind)*(1+0.02*r.NormFloat64()) <= float64(at) || out
			}
			if out {
				hits++
			}
		}
		got, want := AnyOutBy(laws, at), float64(hits)/draws
		t.Logf("at %.2f of the life: %.5f, drawn %.5f", share, got, want)
		if math.Abs(got-want) > 4*math.Sqrt(want*(1-want)/draws) {
			t.Errorf("at %.2f of the life: %.5f, drawn %.5f", share, got, want)
		}
	}
}

func TestRoundIsBetweenBonferroniAndOneCone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "cones")
		eps := rapid.Float64Range(0.001, 0.2).Draw(t, "chance")
		length := rapid.Float64Range(0, 0.03).Draw(t, "length")
		var laws []Law
		for range n {
			laws = append(laws, Law{Life: unit.Revolutions(rapid.Float64Range(9000, 11000).Draw(t, "life")), CV: rapid.Float64Range(0.005, 0.04).Draw(t, "cv"), Length: Bias{SD: length}})
		}
		at, err := LatestRound(laws, Trigger{Chance: eps})
		if err != nil {
			t.Fatal(err)
		}
		if risk := AnyOutBy(laws, at); math.Abs(risk-eps) > 1e-4 {
			t.Fatalf("risk %.6f at the latest visit, want %.6f", risk, eps)
		}
		for _, l := range laws {
			if one := l.OutBy(at); one > eps+1e-6 {
				t.Fatalf("one cone is out with %.6f of %.6f", one, eps)
			}
		}
	})
}

// newsvendor-trigger: N(1200, 60), underage 30, overage 4; R 4.2.2, base/stats.
func TestNewsvendorTrigger(t *testing.T) {
	l := Law{Life: 1200, CV: 0.05}
	trigger := Trigger{Under: 30, Over: 4}
	level, err := trigger.Level()
	if err != nil || math.Abs(1-level-0.8823529412) > 1e-9 {
		t.Errorf("critical ratio %.10f, %v", 1-level, err)
	}
	at, err := LatestVisit(l, trigger)
	if err != nil || math.Abs(float64(at)/1128.790114-1) > 1e-6 {
		t.Errorf("visit at %.6f, want 1128.790114, %v", float64(at), err)
	}
}

func TestReserveCarriesOn(t *testing.T) {
	c := demoCreel()
	c.Positions[0].Reserve, c.Positions[0].Tied = &Pack{"L-1", 1.89, 0.02}, true
	c.Positions[1].Reserve = &Pack{"L-1", 1.89, 0.02}
	needs, err := c.Needs()
	if err != nil {
		t.Fatal(err)
	}
	plain := needs[2].Due.Mean()
	if !needs[0].Tie || math.Abs(float64(needs[0].Due.Mean()/plain)-2) > 1e-9 || needs[0].Open != plain {
		t.Errorf("tied reserve: %+v, one cone lasts to %v", needs[0], plain)
	}
	if needs[1].Tie || needs[1].Due.Mean() != plain {
		t.Errorf("a reserve that is not tied carries on: %+v", needs[1])
	}
	c.Supplies[0].Share = 0.25
	striped, _ := c.Needs()
	if got := float64(striped[2].Due.Mean() / plain); math.Abs(got-4) > 1e-9 {
		t.Errorf("drawn in a quarter of the turns a cone lasts %.3f times as long, want 4", got)
	}
}

func TestUnusableCreels(t *testing.T) {
	for name, spoil := range map[string]func(*Creel){
		"negative mass":   func(c *Creel) { c.Positions[0].Running.Net = -1 },
		"gross mass":      func(c *Creel) { c.Positions[0].Running.Net = 1890 },
		"twice":           func(c *Creel) { c.Positions[1].Number = 1 },
		"unknown group":   func(c *Creel) { c.Positions[0].Group = "x" },
		"loaded later":    func(c *Creel) { c.Positions[0].At = 6000 },
		"tied to nothing": func(c *Creel) { c.Positions[0].Tied = true },
		"no number":       func(c *Creel) { c.Turn = unit.Revolutions(math.NaN()) },
		"wild bias":       func(c *Creel) { c.Supplies[0].Length.Mean = 3 },
		"share":           func(c *Creel) { c.Supplies[0].Share = 2 },
	} {
		c := demoCreel()
		spoil(&c)
		if _, err := c.Needs(); !errors.Is(err, ErrLoad) {
			t.Errorf("%s: %v, want a refusal", name, err)
		}
	}
}
