package forecast

import (
	"math"
	"slices"
	"testing"
)

// Three machines share a factor: simulated with one stream for the factor and others
// for the rest, by drawing the factor first and the machines given it.
func TestTogetherAgreesWithSimulation(t *testing.T) {
	orders := 20_000
	if testing.Short() {
		orders = 5_000
	}
	for _, tt := range []struct {
		name   string
		common float64
		runs   []float64
	}{
		{"two alike", 8, []float64{1500, 1500}},
		{"three, one longer", 4, []float64{1000, 1000, 1100}},
		{"wild days", 1.5, []float64{900, 1000}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if testing.Short() && tt.common != 8 {
				t.Skip("32 laws a machine")
			}
			var sums []Sum
			for _, run := range tt.runs {
				sums = append(sums, Sum{Run: run, Stops: fourCauses(5)})
			}
			law, err := Together(tt.common, sums...)
			if err != nil {
				t.Fatal(err)
			}
			factor := newStream(3, "all", "factor", 0)
			draws := make([]float64, orders)
			for i := range draws {
				z := gammaVariate(factor.at(i), tt.common) / tt.common
				for m, s := range sums {
					total := s.Run
					for k, c := range s.Stops {
						own := newStream(3, string(rune('a'+m)), c.Cause, uint64(k))
						total += c.draw(own.at(i), s.Run, z)
					}
					draws[i] = max(draws[i], total)
				}
			}
			slices.Sort(draws)
			worst := 0.0
			for i, x := range draws {
				if i+1 == orders || draws[i+1] > x { // many orders end together, without a stop
					worst = max(worst, math.Abs(law.CDF(x)-float64(i+1)/float64(orders)))
				}
			}
			// 1.95/sqrt(n): Kolmogorov's distance in one of a thousand runs.
			if most := 1.95/math.Sqrt(float64(orders)) + 3e-3; worst > most {
				t.Errorf("CDF differs from %d simulated orders by %.4f, want at most %.4f", orders, worst, most)
			}
			t.Logf("%.4f", worst)
		})
	}
}

// One machine under the factor is what its own law says in closed form.
func TestTogetherOfOneIsItsLaw(t *testing.T) {
	for _, common := range []float64{1, 8} {
		s := Sum{Run: 3000, Stops: fourCauses(4), Common: common}
		want, err := s.Law()
		if err != nil {
			t.Fatal(err)
		}
		got, err := Together(common, s)
		if err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		for p := 0.01; p < 1; p += 0.01 {
			x := want.Quantile(p)
			worst = max(worst, math.Abs(got.CDF(x)-want.CDF(x)))
		}
		// A Law may be off by 2e-3 where gamma shapes are below 1, and 1e-3 elsewhere.
		if worst > 3e-3 {
			t.Errorf("factor of shape %g: CDF differs from the closed form by %.2e", common, worst)
		}
		t.Logf("shape %g: %.2e", common, worst)
	}
}

// With one seed a longer run has the luck of the shorter one and some more.
func TestPlansComparedMeetTheSameLuck(t *testing.T) {
	s := Sum{Run: 1000, Stops: fourCauses(3)}
	short, err := s.Simulate(500, 9, "a")
	if err != nil {
		t.Fatal(err)
	}
	s.Run = 1100
	long, err := s.Simulate(500, 9, "a")
	if err != nil {
		t.Fatal(err)
	}
	other, err := s.Simulate(500, 9, "b")
	if err != nil {
		t.Fatal(err)
	}
	same := 0
	for i := range short {
		if long[i] < short[i]+100-1e-9 {
			t.Fatalf("draw %d: %g min for the longer run, %g for the shorter", i, long[i], short[i])
		}
		if other[i] == long[i] {
			same++
		}
	}
	if same > 50 {
		t.Errorf("two machines share %d of 500 draws", same)
	}
}
