package forecast

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// drawDurations draws from a law, each looked at for so many minutes at most; 0 = to
// its end.
func drawDurations(d Durations, n int, looked float64, seed uint64) (out []Observed) {
	rng := rand.New(rand.NewPCG(seed, 3))
	for range n {
		o := Observed{Minutes: variate(rng, d)}
		if until := looked * rng.Float64(); looked > 0 && o.Minutes > until {
			o = Observed{until, true}
		}
		out = append(out, o)
	}
	return out
}

// The law that drew the stops gets the weight; where neither fit holds, what was seen.
func TestChooseFindsTheLaw(t *testing.T) {
	two := Mixture{{0.75, Lognormal{1, 0.4}}, {0.25, Lognormal{4, 0.3}}}
	for _, tt := range []struct {
		name string
		law  Durations
		n    int
		most func(Choice) float64
	}{
		{"lognormal", Lognormal{2, 0.9}, 600, func(c Choice) float64 { return c.Lognormal }},
		{"Weibull", Weibull{1.6, 12}, 600, func(c Choice) float64 { return c.Weibull }},
		{"exponential, a Weibull of shape 1", Exponential(9), 600, func(c Choice) float64 { return c.Weibull }},
		{"two heaps", two, 600, func(c Choice) float64 { return c.Seen }},
	} {
		for seed := range uint64(8) {
			c := Choose(drawDurations(tt.law, tt.n, 0, seed), anyDuration)
			if got := tt.most(c); got < 0.7 {
				t.Errorf("%s, seed %d: weight %.2f of %+v, want at least 0.7", tt.name, seed, got, c)
			}
			if d := math.Abs(c.Law.Mean()/tt.law.Mean() - 1); d > 0.2 {
				t.Errorf("%s, seed %d: mean %.2f of %.2f", tt.name, seed, c.Law.Mean(), tt.law.Mean())
			}
		}
	}
}

// Stops that are still open are longer than they are seen: a law that counted them out
// would be too short, since the long ones are open.
func TestChooseHeedsOpenStops(t *testing.T) {
	truth := Lognormal{2.5, 0.8}
	bias, naive := 0.0, 0.0
	const seeds = 20
	for seed := range uint64(seeds) {
		seen := drawDurations(truth, 300, 60, seed)
		var ended []Observed
		for _, o := range seen {
			if !o.Open {
				ended = append(ended, o)
			}
		}
		bias += (Choose(seen, anyDuration).Law.Tail(30) - truth.Tail(30)) / seeds
		naive += (Choose(ended, anyDuration).Law.Tail(30) - truth.Tail(30)) / seeds
	}
	// Of the stops 0.13 last longer than 30 minutes.
	if math.Abs(bias) > 0.02 || naive > -0.04 {
		t.Errorf("the chance of more than 30 minutes is off by %.3f, without the open stops by %.3f", bias, naive)
	}
}

// What is better by the evidence foretells new stops better: the mean logarithm of
// the chances that it gives to where they fall, against what was seen (with three
// stops' weight for the lognormal, for its tail) and against the lognormal alone.
func TestChooseForetells(t *testing.T) {
	for name, truth := range map[string]Durations{
		"lognormal": Lognormal{2, 1}, "Weibull": Weibull{0.8, 10},
		"two heaps": Mixture{{0.75, Lognormal{1, 0.4}}, {0.25, Lognormal{4, 0.3}}},
	} {
		var chosen, seen, fitted float64
		for seed := range uint64(10) {
			old := drawDurations(truth, 120, 0, seed)
			l, _, err := FitLognormal(old)
			if err != nil {
				t.Fatal(err)
			}
			laws := [3]Durations{Choose(old, anyDuration).Law, mixed(Weighted{120.0 / 123, Pooled(old, l)}, Weighted{3.0 / 123, l}), l}
			for _, o := range drawDurations(truth, 2000, 0, seed+100) {
				cell := math.Floor(math.Log(max(o.Minutes, 0.01)) / 0.25)
				for i, sum := range []*float64{&chosen, &seen, &fitted} {
					from, to := math.Exp(cell*0.25), math.Exp(cell*0.25+0.25)
					*sum += math.Log(max(laws[i].Tail(from)-laws[i].Tail(to), 1e-6)) / 20000
				}
			}
		}
		t.Logf("%s: chosen %.4f, as seen %.4f, lognormal %.4f", name, chosen, seen, fitted)
		if chosen < max(seen, fitted)-0.01 {
			t.Errorf("%s: mean log chance %.4f, as seen %.4f, lognormal %.4f; want nearly the better", name, chosen, seen, fitted)
		}
	}
}

// Whatever was seen: a law with finite moments, and weights whose sum is 1.
func TestChooseAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var seen []Observed
		for range rapid.IntRange(0, 60).Draw(t, "n") {
			seen = append(seen, Observed{rapid.SampledFrom([]float64{0, 1e-9, 1, 1, 2, 3, 5, 80, 1e4, 40000, 1e9, -1, math.NaN(), math.Inf(1)}).Draw(t, "x"),
				rapid.Bool().Draw(t, "open")})
		}
		c := Choose(seen, anyDuration)
		if m, s := c.Law.Mean(), c.Law.Square(); !(m > 0 && m < 1e9) || !(s >= m*m*(1-1e-9)) || math.IsInf(s, 1) {
			t.Fatalf("mean %g, mean square %g of %+v", m, s, c)
		}
		if w := c.Seen + c.Lognormal + c.Weibull; math.Abs(w-1) > 1e-9 || c.Seen < 0 || c.Lognormal < 0 || c.Weibull < 0 {
			t.Fatalf("weights %+v", c)
		}
	})
}

// Many durations are fitted in groups; that moves a fit by less than a thousandth.
func TestGroupedFits(t *testing.T) {
	many := drawDurations(Lognormal{2, 0.9}, 3*mostSingle, 0, 1)
	l, _, err := FitLognormal(many)
	if err != nil {
		t.Fatal(err)
	}
	var n, sum, square float64
	for _, o := range many {
		x := math.Log(o.Minutes)
		n, sum, square = n+1, sum+x, square+x*x
	}
	near(t, "mu", l.Mu, sum/n, 1e-3)
	near(t, "sigma", l.Sigma, math.Sqrt(square/n-sum*sum/n/n), 1e-3)
}
