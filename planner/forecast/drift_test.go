package forecast

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Without a trend the statistic is a standard normal, whatever orders and nights do;
// its mean square over 600 machines has a standard error of 0.06 (seeds 1 to 10). A
// machine whose stops grow to three times as many over forty orders is told, the others are
// not. Over twenty orders, whose yarn differs, the same growth stays below what is told.
func TestDriftTellsWear(t *testing.T) {
	e := effects{machine: 0.1, own: 0.3, order: 0.12, night: 2, machines: 60, orders: 40, minutes: 1200}
	var square, machines float64
	wrong, told := 0, 0
	for seed := range uint64(10) {
		rng := rand.New(rand.NewPCG(seed+1, 5))
		all := e.draw(rng)
		worn := all[0]
		for i := range worn.Stretches {
			grown := 1 + 2*float64(i)/float64(len(worn.Stretches)) // from 1 to 3 times
			for c := range worn.Stretches[i].Causes {
				k := &worn.Stretches[i].Causes[c]
				k.Count += poissonDraw(rng, float64(k.Count)*(grown-1))
			}
		}
		f := Learn(all)
		for _, h := range all[1:] {
			m := f.Machine(h.Machine)
			z := m.Drift()
			square, machines = square+z*z, machines+1
			if strings.Contains(strings.Join(m.Basis(), ";"), "it stops") {
				wrong++
			}
		}
		if strings.Contains(strings.Join(f.Machine(worn.Machine).Basis(), ";"), "more and more") {
			told++
		}
	}
	t.Logf("mean square %.2f of %g machines, %d told wrongly; %d of 10 worn ones told", square/machines, machines, wrong, told)
	if mean := square / machines; mean < 0.75 || mean > 1.25 {
		t.Errorf("mean square of the statistic is %.2f, want 1", mean)
	}
	if wrong > 2 {
		t.Errorf("a trend is told of %d machines of %g that have none", wrong, machines)
	}
	if told < 5 {
		t.Errorf("wear is told of %d worn machines of 10", told)
	}
	if z := Learn(nil).Machine("x").Drift(); z != 0 {
		t.Errorf("without history the statistic is %g", z)
	}
}

// Of several causes the one that wears out is named, with the power of running time that
// its stops follow: 2 for a rate that rises with the time.
func TestWearIsNamed(t *testing.T) {
	e := effects{own: 0.2, order: 0.05, night: 1.5, machines: 30, orders: 30, minutes: 1500}
	found, wrong, power := 0, 0, 0.0
	const seeds = 8
	for seed := range uint64(seeds) {
		rng := rand.New(rand.NewPCG(seed+1, 7))
		all := e.draw(rng)
		n := float64(len(all[0].Stretches))
		for i := range all[0].Stretches {
			s := &all[0].Stretches[i]
			s.Causes = slices.DeleteFunc(s.Causes, func(c CauseHistory) bool { return c.Cause == "needle" })
			s.Causes = append(s.Causes, CauseHistory{Cause: "needle", Count: poissonDraw(rng, s.RunMinutes/250*2*(float64(i)+0.5)/n)})
		}
		f := Learn(all)
		for i, h := range all {
			for _, w := range f.Machine(h.Machine).Wears() {
				switch {
				case i == 0 && w.Cause == "needle" && w.Laplace > 0:
					found, power = found+1, power+w.Exponent
				default:
					wrong++
				}
			}
		}
		if found > 0 && !strings.Contains(strings.Join(f.Machine(all[0].Machine).Basis(), ";"), "more and more often") {
			t.Errorf("seed %d: basis %v", seed, f.Machine(all[0].Machine).Basis())
		}
	}
	t.Logf("found %d of %d, power %.2f, wrongly %d", found, seeds, power/float64(found), wrong)
	if found < seeds-1 || math.Abs(power/float64(found)-2) > 0.4 {
		t.Errorf("wear found on %d machines of %d, power %.2f, want 2", found, seeds, power/float64(found))
	}
	if wrong > 2 {
		t.Errorf("%d causes of %d are wrongly told to wear", wrong, 3*30*seeds)
	}
}
