package forecast

import (
	"errors"
	"flag"
	"math"
	"slices"
	"testing"
)

var million = flag.Bool("million", false, "compare laws with 10^6 simulated orders each, some minutes")

// simulate draws sums with their running time, in rising order.
func simulate(t *testing.T, s Sum, orders int, seed uint64) []float64 {
	t.Helper()
	draws, err := s.Simulate(orders, seed, "a")
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(draws)
	return draws
}

// The recursion has a lattice and rounding of its own (step 0.5, at most 40 stops on
// the way): two thousandths cover both.
func TestPanjerAgrees(t *testing.T) {
	for _, tt := range []struct {
		name string
		s    Sum
	}{
		{"known rates", Sum{Run: 600, Stops: fourCauses(0)}},
		{"gamma rates", Sum{Run: 1500, Stops: fourCauses(4)}},
		{"with doffs", Sum{Run: 900, Stops: fourCauses(2), Repeats: []Repeat{{3, Lognormal{math.Log(4), 0.5}}}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			const step, cells = 0.5, 2048
			law, err := tt.s.Law()
			if err != nil {
				t.Fatal(err)
			}
			other, err := tt.s.Recursion(step, cells)
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for k := range cells {
				x := tt.s.Run + (float64(k)+0.5)*step
				worst = max(worst, math.Abs(law.CDF(x)-other.CDF(x)))
			}
			if d := math.Abs(law.Mean()/other.Mean() - 1); d > 1e-9 {
				t.Errorf("means %g and %g", law.Mean(), other.Mean())
			}
			if worst > 2e-3 {
				t.Errorf("CDF differs from Panjer's recursion by %.2e", worst)
			}
			t.Logf("%.2e", worst)
		})
	}
}

func TestRecursionRefuses(t *testing.T) {
	good := Sum{Run: 600, Stops: fourCauses(2)}
	for name, c := range map[string]struct {
		s     Sum
		step  float64
		cells int
	}{
		"no step":          {good, 0, 100},
		"too many cells":   {good, 1, 1 << 20},
		"too short":        {good, 0.5, 20},
		"doubt about run":  {Sum{Run: 600, RunSD: 10, Stops: fourCauses(2)}, 0.5, 2048},
		"a common factor":  {Sum{Run: 600, Common: 8, Stops: fourCauses(2)}, 0.5, 2048},
		"no running time":  {Sum{Run: math.NaN()}, 0.5, 2048},
		"underflow at U 1": {Sum{Run: 600, Stops: []Stops{{"a", Rate{Mean: 50}, Lognormal{1, 1}}}}, 0.5, 2048},
	} {
		if _, err := c.s.Recursion(c.step, c.cells); !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Simulation knows nothing of transforms. Its own error is 1.95/sqrt(n) at the worst
// point of all in one of a thousand runs (Kolmogorov); the law may add 1e-3.
func TestSimulationAgrees(t *testing.T) {
	orders := 40_000
	switch {
	case *million:
		orders = 1_000_000
	case testing.Short():
		orders = 10_000
	}
	pool := NewSample(1, 2, 2.5, 3, 3, 4, 4.5, 5, 7, 9, 14, 30)
	mixed := Mixture{{0.7, pool}, {0.3, Lognormal{1.3, 0.9}}}
	for _, tt := range []struct {
		name string
		s    Sum
	}{
		{"300", Sum{Run: 300, Stops: fourCauses(0)}},
		{"1500", Sum{Run: 1500, Stops: fourCauses(0)}},
		{"8000", Sum{Run: 8000, Stops: fourCauses(0)}},
		{"8000, gamma rates", Sum{Run: 8000, Stops: fourCauses(4)}},
		{"a factor for all causes", Sum{Run: 3000, Stops: fourCauses(6), Common: 8}},
		{"speed known to 5 %", Sum{Run: 2000, RunSD: 100, Stops: fourCauses(3)}},
		{"speed known to 15 %, common factor", Sum{Run: 5000, RunSD: 750, Stops: fourCauses(2), Common: 9}},
		{"speed known to 1 %, few stops", Sum{Run: 400, RunSD: 4, Stops: fourCauses(0)[2:]}},
		{"doffs, stop in progress", Sum{Run: 700, Stops: fourCauses(5), Repeats: []Repeat{{12, Lognormal{math.Log(4), 0.5}}, {1, Remainder{Lognormal{1.5, 1}, 6}}}}},
		{"pooled durations", Sum{Run: 4000, RunSD: 40, Stops: []Stops{{"a", Rate{0.02, 6}, mixed}, {"b", Rate{0.001, 2}, Lognormal{3.5, 1}}}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			law, err := tt.s.Law()
			if err != nil {
				t.Fatal(err)
			}
			draws := simulate(t, tt.s, orders, 11)
			worst, mean := 0.0, 0.0
			for i, x := range draws {
				mean += x / float64(orders)
				if i+1 == orders || draws[i+1] > x {
					worst = max(worst, math.Abs(law.CDF(x)-float64(i+1)/float64(orders)))
				}
			}
			if most := 1.95/math.Sqrt(float64(orders)) + 1e-3; worst > most {
				t.Errorf("CDF differs from %d simulated orders by %.4f, want at most %.4f (seed 11)", orders, worst, most)
			}
			if math.Abs(mean-law.Mean()) > 0.02*law.Mean() {
				t.Errorf("mean %.2f, simulated %.2f", law.Mean(), mean)
			}
			t.Logf("%.4f of %d, %d cells of %g", worst, orders, len(law.cdf), law.step)
		})
	}
}
