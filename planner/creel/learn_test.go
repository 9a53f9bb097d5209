package creel

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// kalman-static: R 4.2.2, base/stats. The noise is held by measuring with a given sd.
func TestStaticFilter(t *testing.T) {
	l, err := NewLearner(Bias{0, 0.02}, 0.005, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, y := range []float64{-0.012, -0.018, -0.009} {
		if !l.Measured(y, 0.005) {
			t.Fatalf("%g is held apart", y)
		}
	}
	if math.Abs(l.Bias.Mean/-0.01273469388-1) > 1e-9 || math.Abs(l.Bias.SD/0.002857142857-1) > 1e-9 {
		t.Errorf("bias %.11f, sd %.12f, want -0.01273469388 and 0.002857142857", l.Bias.Mean, l.Bias.SD)
	}
}

// trunc-normal: R 4.2.2, base/stats.
func TestTruncated(t *testing.T) {
	m, s := Truncated(0, 0.02, -0.005)
	if math.Abs(m/0.01291678742-1) > 1e-9 || math.Abs(s/0.01298355366-1) > 1e-9 {
		t.Errorf("mean %.11f, sd %.11f, want 0.01291678742 and 0.01298355366", m, s)
	}
	before := 0.0
	for lower := -10.0; lower < 60; lower += 0.25 {
		m, s := Truncated(0, 1, lower)
		if !(m >= before && m >= lower && s >= 0 && s <= 1) {
			t.Fatalf("cut at %g: mean %g after %g, sd %g", lower, m, before, s)
		}
		before = m
	}
}

func TestLearnerNeverLosesItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, err := NewLearner(Bias{0, rapid.Float64Range(0.001, 0.1).Draw(t, "prior")}, rapid.Float64Range(0.001, 0.1).Draw(t, "noise"), rapid.Float64Range(0, 0.01).Draw(t, "walk"))
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			y := rapid.Float64().Draw(t, "y")
			before := l.Bias.Mean
			if rapid.Bool().Draw(t, "out") {
				l.RanOut(y)
			} else if l.Outlasted(y); l.Bias.Mean < before {
				t.Fatalf("outlasting %g drew the bias down from %g to %g", y, before, l.Bias.Mean)
			}
			if !(l.Bias.SD > 0) || math.IsNaN(l.Bias.Mean) || !(l.Noise > 0) || len(l.Apart) > keptApart {
				t.Fatalf("lost: %+v", l)
			}
		}
	})
}

// A wrong cone is held apart and shown; the bias stays.
func TestWrongConeHeldApart(t *testing.T) {
	l, _ := NewLearner(Bias{0, 0.02}, 0.02, 0)
	for range 10 {
		l.RanOut(0.01)
	}
	before := l.Bias
	if l.RanOut(-0.7) || l.Bias != before || len(l.Apart) != 1 || l.Apart[0].Value != -0.7 {
		t.Errorf("half a cone: %+v after %+v", l, before)
	}
}

// Calibration and sharpness of the bias (how often the truth lies within 2 sd, and the score of the next
// run-out against a forecast that knows the bias), with a fifth of the cones changed
// early. Truth: a fresh bias, uniform in +-3 %, and normal cones of 2 % per case. The noise is learnt.
func TestBiasIsCalibrated(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	const cases, seen = 4000, 10
	within, score, known := 0, 0.0, 0.0
	for range cases {
		truth := (2*r.Float64() - 1) * 0.03
		l, _ := NewLearner(Bias{0, 0.03 / math.Sqrt(3)}, 0.02, 0.0005)
		for n := 0; n < seen; {
			y := truth + math.Log(1+0.02*r.NormFloat64())
			if r.Float64() < 0.2 {
				l.Outlasted(y - 0.03*r.Float64()) // changed with up to 3 % left
			} else {
				l.RanOut(y)
				n++
			}
		}
		if math.Abs(truth-l.Bias.Mean) <= 2*l.Bias.SD {
			within++
		}
		for range 20 {
			y := truth + math.Log(1+0.02*r.NormFloat64())
			score += CRPS(Bias{l.Bias.Mean, math.Hypot(l.Bias.SD, l.Noise)}, y)
			known += CRPS(Bias{truth, 0.02}, y)
		}
	}
	share, ratio := float64(within)/cases, score/known
	t.Logf("bias within 2 sd in %.2f %% of %d cases; score %.4f of that with a known bias", 100*share, cases, ratio)
	if share < 0.93 || share > 0.97 {
		t.Errorf("bias within 2 sd in %.2f %%, want 93 to 97", 100*share)
	}
	if ratio > 1.05 {
		t.Errorf("score %.4f of that with a known bias, want at most 1.05", ratio)
	}
}

func TestPool(t *testing.T) {
	own := Bias{0, 0.02}
	if got := Pool(own, []Bias{{0.01, 0.001}}); got != own {
		t.Errorf("one lot moves the prior to %+v", got)
	}
	r := rand.New(rand.NewPCG(3, 4))
	within, n := 0, 3000
	for range n {
		supplier := 0.015 * r.NormFloat64()
		lot := func() float64 { return supplier + 0.005*r.NormFloat64() }
		var lots []Bias
		for range 12 {
			lots = append(lots, Bias{lot() + 0.003*r.NormFloat64(), 0.003})
		}
		p := Pool(own, lots)
		if p.SD >= own.SD {
			t.Fatalf("twelve lots leave the spread at %g", p.SD)
		}
		if math.Abs(lot()-p.Mean) < 2*p.SD {
			within++
		}
	}
	share := float64(within) / float64(n)
	t.Logf("a new lot within 2 sd of its supplier's prior: %.1f %%", 100*share)
	if share < 0.93 {
		t.Errorf("a new lot is within 2 sd in %.1f %%, want 93 or more", 100*share)
	}
}

// Changes are believed of people who tell of run-outs: late rounds without a word leave the bias where it is, a
// third of a load told as run out makes its other two thirds believed, and early changes are after the first.
func TestChangesOfPeopleWhoTell(t *testing.T) {
	fresh := func(outs int) *Learner {
		l, err := NewLearner(Bias{0, 0.02}, 0.02, 0)
		if err != nil {
			t.Fatal(err)
		}
		for range outs {
			l.RanOut(-0.01)
		}
		return l
	}
	for _, tt := range []struct {
		name     string
		outs     int
		y        float64
		believed bool
	}{
		{"nobody tells, late", 0, 0.01, false},
		{"nobody tells, early", 0, -0.05, false},
		{"three of 90 told, late", 3, 0.01, false},
		{"three of 90 told, early", 3, -0.05, true},
		{"thirty of 90 told, late", 30, 0.01, true},
	} {
		l := fresh(tt.outs)
		before := l.Bias
		if !l.Changed(tt.y, 60) || (l.Bias != before) != tt.believed {
			t.Errorf("%s: bias %+v after %+v, want believed %v", tt.name, l.Bias, before, tt.believed)
		}
	}
	if l := fresh(30); l.Changed(0.5, 3) || len(l.Apart) != 1 {
		t.Errorf("cones that outlast half as much again: %+v", l)
	}
}
