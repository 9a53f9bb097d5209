package forecast

import (
	"math/rand/v2"
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
