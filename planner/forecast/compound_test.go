package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// Values of closed sums, computed with R 4.2.2 (base/stats): Poisson or negative
// binomial weights times gamma distribution functions.
func TestCompoundClosedForms(t *testing.T) {
	tests := []struct {
		name  string
		run   float64
		stops []Stops
		at    []float64
		f     []float64
		p     []float64
		q     []float64
	}{
		{"large atom, 0.5 stops of 30", 1, []Stops{{"a", Rate{0.5, 0}, Exponential(30)}},
			[]float64{0, 15, 30, 60, 100}, []float64{0.6065306597, 0.7328798038, 0.8193099727, 0.9181076964, 0.9719663302},
			[]float64{0.8, 0.9, 0.95}, []float64{26.11652619, 52.46921296, 78.49126293}},
		{"30 stops of 6", 1, []Stops{{"a", Rate{30, 0}, Exponential(6)}}, nil, nil,
			[]float64{0.1, 0.5, 0.8, 0.95}, []float64{122.6204575, 176.9915101, 218.0742836, 261.2562384}},
		{"gamma rate 3 in 2000, 5000 minutes, mean 8", 5000, []Stops{{"a", Rate{3.0 / 2000, 3}, Exponential(8)}},
			[]float64{0, 20, 60, 120, 200}, []float64{0.02332361516, 0.1960151331, 0.5856972806, 0.8931990095, 0.9873520137},
			[]float64{0.1, 0.5, 0.8, 0.95}, []float64{9.995352386, 50.13669016, 93.85250265, 149.6232238}},
		{"4 stops of 10", 1, []Stops{{"a", Rate{4, 0}, Exponential(10)}},
			[]float64{80}, []float64{1 - 0.09310633558}, []float64{0.95}, []float64{93.71637719}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			law, err := Compound(tt.run, tt.stops, nil)
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for i, x := range tt.at {
				got := law.CDF(x + tt.run)
				worst = max(worst, math.Abs(got-tt.f[i]))
			}
			if worst > 1e-4 {
				t.Errorf("largest error of the CDF is %.2e, want at most 1e-4", worst)
			}
			for i, p := range tt.p {
				if got := law.Quantile(p) - tt.run; math.Abs(got-tt.q[i]) > 0.002*tt.q[i]+0.02 {
					t.Errorf("Quantile(%g) = %.4f, want %.4f", p, got, tt.q[i])
				}
			}
			t.Logf("CDF error %.1e, %d cells of %g", worst, len(law.cdf), law.step)
		})
	}
}

// fourCauses are lognormal durations of very different rate and length.
func fourCauses(shape float64) []Stops {
	return []Stops{
		{"a", Rate{1.0 / 150, shape}, Lognormal{math.Log(3), 0.7}},
		{"b", Rate{1.0 / 600, shape}, Lognormal{math.Log(6), 0.8}},
		{"c", Rate{1.0 / 1500, shape}, Lognormal{math.Log(15), 0.9}},
		{"d", Rate{1.0 / 6000, shape}, Lognormal{math.Log(45), 1.1}},
	}
}

func poissonDraw(rng *rand.Rand, mean float64) int {
	n := 0
	for t := rng.ExpFloat64(); t < mean; t += rng.ExpFloat64() {
		n++
	}
	return n
}

// gammaDraw sums exponentials: the shape is whole here.
func gammaDraw(rng *rand.Rand, shape float64) float64 {
	sum := 0.0
	for range int(shape) {
		sum += rng.ExpFloat64()
	}
	return sum
}

func TestCompoundProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run := rapid.Float64Range(0, 40000).Draw(t, "run")
		var stops []Stops
		for i := range rapid.IntRange(0, 4).Draw(t, "causes") {
			stops = append(stops, Stops{
				Cause:     fmt.Sprint(i),
				Rate:      Rate{rapid.Float64Range(0, 0.2).Draw(t, "rate"), rapid.SampledFrom([]float64{0, 0.3, 2, 60}).Draw(t, "shape")},
				Durations: Lognormal{rapid.Float64Range(-2, 5).Draw(t, "mu"), rapid.Float64Range(0.1, 1.5).Draw(t, "sigma")},
			})
		}
		law, err := Compound(run, stops, []Repeat{{rapid.IntRange(0, 200).Draw(t, "doffs"), Exponential(4)}})
		if err != nil {
			t.Fatal(err)
		}
		before := run
		for _, p := range []float64{0, 0.1, 0.5, 0.8, 0.9, 0.99, 1} {
			q := law.Quantile(p)
			if math.IsNaN(q) || math.IsInf(q, 0) || q < before {
				t.Fatalf("Quantile(%g) = %g after %g", p, q, before)
			}
			if f := law.CDF(q); f < p-1e-6 || f > 1 {
				t.Fatalf("CDF(Quantile(%g)) = %g", p, f)
			}
			before = q
		}
		// What lies beyond the lattice is at most 1e-4, but may be far out.
		if m := law.integrate(); m > 1.01*law.Mean()+0.1 || m-run < 0.9*(law.Mean()-run)-0.1 {
			t.Fatalf("mean of the law is %g, moments say %g", m, law.Mean())
		}
	})
}

func BenchmarkCompound(b *testing.B) {
	for _, tt := range []struct {
		name  string
		run   float64
		shape float64
	}{{"known", 1500, 0}, {"gamma", 1500, 4}, {"gamma long", 8000, 4}} {
		b.Run(tt.name, func(b *testing.B) {
			stops := fourCauses(tt.shape)
			for b.Loop() {
				law, err := Compound(tt.run, stops, nil)
				if err != nil || law.Quantile(0.9) <= tt.run {
					b.Fatal(err)
				}
			}
		})
	}
}
