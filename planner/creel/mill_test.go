package creel

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnwise/planner/unit"
)

// The mill of this test knows cones only as turns: a nominal life stretched by a
// hidden bias, times a normal mass. Nothing here uses the laws under test.
type trueCone struct{ from, out float64 }

type tally struct {
	cones, runouts int
	walks, waste   float64
	learntRunouts  int
}

func (c tally) cost() float64 { return (c.walks + c.waste) / float64(c.cones) }

const (
	millFeeds = 24
	millEps   = 0.05
	walkCost  = 6.0
	kgValue   = 4.0
)

// runMill works one creel through so many cones. known gives the planner the bias;
// otherwise it learns: 30 run-outs first, with every cone left to run out, then by visits. A fifth of the
// cones is changed early by the tender's own choice, a tenth of taps is never made, a tenth comes up to 1 % of a
// life late.
func runMill(t *testing.T, seed uint64, whenOut, known bool) tally {
	r := rand.New(rand.NewPCG(seed, 99))
	truth := 0.06*r.Float64() - 0.03
	const net = 1.89
	perCone, err := k01.RevolutionsPerCone(net)
	if err != nil {
		t.Fatal(err)
	}
	life := float64(perCone)
	now := 0.0
	fresh := func() trueCone { return trueCone{now, now + life*(1+truth)*(1+0.02*r.NormFloat64())} }
	var cones [millFeeds]trueCone
	var believed [millFeeds]float64
	for i := range cones { // a creel filled little by little
		c := fresh()
		back := life * 0.5 * r.Float64()
		cones[i] = trueCone{-back, c.out - back}
		believed[i] = -back
	}
	shift := life // the planner's turns are not negative
	l, err := NewLearner(Bias{0, 0.03 / math.Sqrt(3)}, 0.02, 0.0003)
	if err != nil {
		t.Fatal(err)
	}
	var c tally
	scored := known || whenOut
	change := func(i int, out bool) {
		// A tap that is never made tells nothing, whatever the change was for. A late one
		// bears a later turn; a run-out has its turn from the stop.
		recorded, u := now, r.Float64()
		switch {
		case u < 0.1:
			recorded += 0.02 * life * r.Float64() // the next walk past the creel finds the cone full
		case u < 0.2:
			recorded += 0.01 * life * r.Float64()
		}
		if u >= 0.1 {
			upTo := recorded
			if out {
				upTo = now
			}
			y, err := Observed(unit.Revolutions(upTo-believed[i]), perCone)
			switch {
			case err != nil:
			case !out:
				l.Outlasted(y)
			case l.RanOut(y):
				c.learntRunouts++
			}
		}
		if scored {
			c.cones++
			if out {
				c.runouts++
			} else {
				c.waste += (cones[i].out - now) / (cones[i].out - cones[i].from) * net * kgValue
			}
		}
		cones[i] = fresh()
		believed[i] = recorded
	}
	for c.cones < 1500 {
		first := 0
		for i := range cones {
			if cones[i].out < cones[first].out {
				first = i
			}
		}
		at, members := math.Inf(1), []int(nil)
		if scored && !whenOut {
			at, members = millVisit(t, l.Bias, l.Noise, known, truth, now+shift, shift, believed[:])
		}
		if cones[first].out <= at {
			now = cones[first].out
			if scored {
				c.walks += walkCost
			}
			change(first, true)
		} else {
			now = max(at, now)
			c.walks += walkCost
			for _, i := range members {
				change(i, false)
			}
			for i := range cones { // the tender's own choice
				if left := (cones[i].out - now) / life; left < 0.12 && r.Float64() < 0.2 {
					change(i, false)
				}
			}
		}
		scored = scored || c.learntRunouts >= 30
	}
	return c
}

func millVisit(t *testing.T, b Bias, noise float64, known bool, truth, turn, shift float64, from []float64) (float64, []int) {
	cv := noise
	if known {
		b, cv = Bias{math.Log1p(truth), 0}, 0.02
	}
	c := Creel{Machine: "K01", Turn: unit.Revolutions(turn), Supplies: []Supply{{Group: k01, Length: b}}}
	for i, f := range from {
		c.Positions = append(c.Positions, Position{Number: i + 1, Group: "all", Running: Pack{"L", 1.89, cv}, At: unit.Revolutions(min(f+shift, turn))})
	}
	visits, err := c.Visits(Rule{Trigger: Trigger{Chance: millEps}, VisitCost: walkCost, KgValue: kgValue})
	if err != nil {
		t.Fatal(err)
	}
	var members []int
	for _, p := range visits[0].Positions {
		members = append(members, p-1)
	}
	return float64(visits[0].Latest) - shift, members
}

func TestMillByVisits(t *testing.T) {
	var out, with, knowing tally
	add := func(a *tally, b tally) {
		a.cones += b.cones
		a.runouts += b.runouts
		a.walks += b.walks
		a.waste += b.waste
	}
	for seed := range uint64(6) {
		add(&out, runMill(t, seed, true, false))
		add(&with, runMill(t, seed, false, false))
		add(&knowing, runMill(t, seed, false, true))
	}
	rate := float64(with.runouts) / float64(with.cones)
	t.Logf("%d cones: run-outs %.4f per cone (target %.2f: %.2f of it), knowing the bias %.4f", with.cones, rate, millEps, rate/millEps, float64(knowing.runouts)/float64(knowing.cones))
	t.Logf("walks and waste per cone: when out %.3f, by visits %.3f (%.1f %% less), knowing the bias %.3f (%+.1f %%)",
		out.cost(), with.cost(), 100*(1-with.cost()/out.cost()), knowing.cost(), 100*(with.cost()/knowing.cost()-1))
	if rate < 0.5*millEps || rate > 1.2*millEps {
		t.Errorf("run-outs are %.2f of the target, want 0.5 to 1.2", rate/millEps)
	}
	if with.cost() > 0.75*out.cost() || with.cost() > 1.05*knowing.cost() {
		t.Errorf("cost %.3f, want at most 0.75 of %.3f and 1.05 of %.3f", with.cost(), out.cost(), knowing.cost())
	}
}
