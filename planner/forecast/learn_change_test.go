package forecast

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// A machine that stops twice as often in its last orders has its rate moved there; the
// others, whose orders differ and whose nights are bad, stay where they are.
func TestAMachineThatChanges(t *testing.T) {
	e := effects{machine: 0.1, own: 0.2, order: 0.08, night: 1.5, machines: 30, orders: 16, minutes: 1500}
	var moved, others, off, n float64
	told, wrong := 0, 0
	const seeds, last = 8, 6
	for seed := range uint64(seeds) {
		rng := rand.New(rand.NewPCG(seed+1, 6))
		all := e.draw(rng)
		changed := &all[0]
		from := len(changed.Stretches) - last*len(changed.Stretches)/e.orders
		for i := from; i < len(changed.Stretches); i++ {
			for c := range changed.Stretches[i].Causes {
				changed.Stretches[i].Causes[c].Count *= 2
			}
		}
		f := Learn(all)
		for i, h := range all {
			m := f.Machine(h.Machine)
			sentence := strings.Contains(strings.Join(m.Basis(), ";"), "it has probably changed")
			if i > 0 {
				others, off, n = others+math.Log(m.change.ratio), off+math.Abs(math.Log(m.change.ratio)), n+1
				if sentence {
					wrong++
				}
				continue
			}
			if moved += math.Log(m.change.ratio) / seeds; sentence {
				told++
			}
		}
	}
	// Twice as often in six of sixteen orders is 1.45 times the mean: 0.37.
	t.Logf("moved by %.3f; the others by %.3f, %.3f either way; told %d of %d, wrongly %d of %g", moved, others/n, off/n, told, seeds, wrong, n)
	if moved < 0.2 || moved > 0.45 {
		t.Errorf("the rate is moved by %.2f on the logarithm, want about 0.37, somewhat drawn to the mean", moved)
	}
	if off/n > 0.04 {
		t.Errorf("machines that stay as they are are moved by %.3f on average", off/n)
	}
	if told < seeds/2 || wrong > 2 {
		t.Errorf("a change is told of %d changed machines of %d, and of %d others of %g", told, seeds, wrong, n)
	}
}

// By hand: without stops to tell, following changes nothing but the doubt.
func TestFollowWithoutEvidence(t *testing.T) {
	f := Learn(effects{own: 0.2, machines: 10, orders: 4, minutes: 1500}.draw(rand.New(rand.NewPCG(3, 4))))
	for name, orders := range map[string][]orderSum{
		"nothing": nil, "one order": {{true, 3, 4, 900}}, "no time": {{true, 0, 0, 0}, {true, 0, 0, 0}},
	} {
		if c := f.follow(orders); c != (change{ratio: 1}) {
			t.Errorf("%s: %+v", name, c)
		}
	}
	even := []orderSum{{true, 10, 10, 1500}, {true, 10, 10, 1500}, {true, 10, 10, 1500}, {true, 10, 10, 1500}}
	if c := f.follow(even); math.Abs(math.Log(c.ratio)) > 0.03 || c.chance > 0.2 || !(c.doubt >= 0 && c.doubt < 0.05) {
		t.Errorf("a machine that stops as expected: %+v", c)
	}
	far := []orderSum{{true, 0, 1e-9, 1}, {true, 1e9, 1e-3, 1}, {true, 0, 1e7, 1e6}}
	if c := f.follow(far); !(c.ratio > 0 && !math.IsInf(c.ratio, 0) && c.doubt >= 0 && !math.IsNaN(c.doubt)) {
		t.Errorf("beyond the grid: %+v", c)
	}
}
