package cones

import (
	"errors"
	"math"
	"reflect"
	"testing"
)

// What the draws are, against what they are said to be: mean and spread of mass within four standard errors,
// shares of what people do within four of theirs.
func TestDraws(t *testing.T) {
	const n = 20000
	const more = 0.03
	var mass, squares, own, losts, lates float64
	for k := range n {
		c := draw(5, 7, k, more)
		z := c.kg/netKg - 1
		mass, squares = mass+z, squares+z*z
		if c.own >= 0 {
			own++
			if c.own > earlyMost*c.life {
				t.Fatalf("cone %d is taken with %.3f of its life left", k, c.own/c.life)
			}
		}
		switch c.tap {
		case lost:
			losts++
		case late:
			lates++
		}
		if want := c.kg / netKg * nominal / (1 + more); math.Abs(c.life/want-1) > 1e-12 {
			t.Fatalf("cone %d of %.4f kg lasts %.1f turns, want %.1f", k, c.kg, c.life, want)
		}
	}
	sd := math.Sqrt(squares / n)
	if math.Abs(mass/n) > 4*massSD/math.Sqrt(n) || math.Abs(sd-massSD) > 4*massSD/math.Sqrt(2*n) {
		t.Errorf("masses are %.5f off with spread %.5f, want 0 and %g", mass/n, sd, massSD)
	}
	for name, x := range map[string][2]float64{"own choice": {own, earlyShare}, "lost": {losts, tapLost}, "late": {lates, tapLate}} {
		if se := math.Sqrt(x[1] * (1 - x[1]) / n); math.Abs(x[0]/n-x[1]) > 4*se {
			t.Errorf("%s: %.4f of the cones, want %g", name, x[0]/n, x[1])
		}
	}
}

// The bars are those set for the learning way: run-outs 0.5 to 1.2 of what is borne, at least 25 % below changing when
// out, at most 5 % above knowing; and the same of run-outs where all cones end 3 % before the card says.
func TestPlay(t *testing.T) {
	o := Options{Seeds: 12, Seed: 501}
	a, err := Play(o, nil)
	if err != nil {
		t.Fatal(err)
	}
	o.Seeds = 2
	b, err := Play(o, nil)
	c, _ := Play(o, nil)
	if err != nil || !reflect.DeepEqual(b, c) {
		t.Errorf("the same seed gives %+v and %+v, %v", b, c, err)
	}
	when, learning := a.Ways[0], a.Ways[1]
	t.Logf("run-outs %.2f ± %.2f of what is borne; %.3f ± %.3f below when out, %+.3f ± %.3f beside knowing", learning.RunOutsOfBorne.Mean, learning.RunOutsOfBorne.SE, a.Below.Mean, a.Below.SE, a.Above.Mean, a.Above.SE)
	if a.Below.Mean < 0.25 || a.Above.Mean > 0.05 {
		t.Errorf("costs %.3f below changing when out and %.3f above knowing, want 0.25 and more, 0.05 and less", a.Below.Mean, a.Above.Mean)
	}
	if x := learning.RunOutsOfBorne.Mean; x < 0.5 || x > 1.2 {
		t.Errorf("run-outs are %.2f of what is borne, want 0.5 to 1.2", x)
	}
	most := 0.03
	short, err := Play(Options{Seeds: 8, Seed: 601, Bias: &most}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if x := short.Ways[1].RunOutsOfBorne; x.Mean < 0.5 || x.Mean > 1.2 {
		t.Errorf("where cones end 3 %% early run-outs are %.2f ± %.2f of what is borne, want 0.5 to 1.2", x.Mean, x.SE)
	}
	// Of cones that are taken when out or by choice, as many are taken by choice as are drawn for it.
	if off := when.Early.Mean + when.RunOuts.Mean - 1; math.Abs(off) > 1e-9 || math.Abs(when.Early.Mean-earlyShare) > 4*when.Early.SE {
		t.Errorf("when out: %+v by choice and %+v out, want %g of the cones and the others", when.Early, when.RunOuts, earlyShare)
	}
}

func TestPlayRefuses(t *testing.T) {
	much := 0.2
	for _, o := range []Options{{Seeds: -1}, {Feeds: 501}, {Feeds: 2, Groups: 3}, {Chance: 0.6}, {Chance: math.NaN()}, {KgValue: -1}, {Bias: &much}, {Lives: 0.5}} {
		if _, err := Play(o, nil); !errors.Is(err, ErrOptions) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}
