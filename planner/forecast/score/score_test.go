package score

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// law gives n equally likely minutes of a law by its quantiles.
func law(n int, quantile func(p float64) float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = quantile((float64(i) + 0.5) / float64(n))
	}
	return out
}

func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol*max(1, math.Abs(b)) }

func TestCRPS(t *testing.T) {
	exponential := law(100_000, func(p float64) float64 { return -math.Log1p(-p) })
	for _, c := range []struct {
		name   string
		o      Outcome
		want   float64
		tol    float64
		source string
	}{
		{"ensemble", Outcome{[]float64{1, 2, 4, 8}, 3}, 0.8125, 1e-12, "E|X-y| - E|X-X'|/2 with divisor n^2, computed with R 4.2.2"},
		{"exponential at 0", Outcome{exponential, 0}, 0.5, 1e-4, "closed form y-2F(y)+1/2, computed with R 4.2.2"},
		{"exponential at 1", Outcome{exponential, 1}, 0.2357588823, 1e-4, "closed form y-2F(y)+1/2, computed with R 4.2.2"},
		{"exponential at 3", Outcome{exponential, 3}, 1.599574137, 1e-4, "closed form y-2F(y)+1/2, computed with R 4.2.2"},
		{"no doubt", Outcome{[]float64{7}, 4}, 3, 0, "the absolute error, by definition"},
	} {
		if got := c.o.CRPS(); !near(got, c.want, c.tol) {
			t.Errorf("%s: %g, want %g (%s)", c.name, got, c.want, c.source)
		}
	}
	if got := (Outcome{}).CRPS(); !math.IsNaN(got) {
		t.Errorf("without a law: %g", got)
	}
}

func TestBand(t *testing.T) {
	// Binomial quantiles 0.025 and 0.975, computed with R 4.2.2.
	if low, high := Band(500, 0.9, 0.95); low != 436 || high != 463 {
		t.Errorf("band %d to %d, want 436 to 463", low, high)
	}
	// Counted by hand: of one toss none or one head is possible.
	if low, high := Band(1, 0.5, 0.95); low != 0 || high != 1 {
		t.Errorf("band of one toss %d to %d", low, high)
	}
	if low, high := Band(10, 1, 0.95); low != 10 || high != 10 {
		t.Errorf("band of what is sure %d to %d", low, high)
	}
	if low, high := Band(10, 0, 0.95); low != 0 || high != 0 {
		t.Errorf("band of what cannot be %d to %d", low, high)
	}
}

func TestPlace(t *testing.T) {
	o := Outcome{[]float64{0, 0, 5, 9}, 0}
	for _, c := range []struct{ happened, v, want float64 }{{0, 0, 0}, {0, 0.5, 0.25}, {0, 1, 0.5}, {3, 0.7, 0.5}, {5, 1, 0.75}, {10, 0.3, 1}, {-1, 1, 0}} {
		o.Happened = c.happened
		if got := o.Place(c.v); got != c.want {
			t.Errorf("place of %g with %g is %g, want %g", c.happened, c.v, got, c.want)
		}
	}
}

func TestPinball(t *testing.T) {
	// rho_p(q, y) = (p - 1{y<q})(y - q), Gneiting and Raftery 2007, from memory.
	for _, c := range []struct{ p, q, y, want float64 }{{0.9, 10, 20, 9}, {0.9, 20, 10, 1}, {0.5, 3, 3, 0}} {
		if got := Pinball(c.p, c.q, c.y); !near(got, c.want, 1e-12) {
			t.Errorf("pinball(%g, %g, %g) = %g, want %g", c.p, c.q, c.y, got, c.want)
		}
	}
}

// Of right forecasts the shares lie in their bands and the places are even; of
// forecasts that promise too much they do not.
func TestReportTellsRightFromWrong(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var right, tight []Outcome
	for range 2000 {
		scale := 50 + 500*rng.Float64()
		minutes := law(100, func(p float64) float64 { return -scale * math.Log1p(-p) })
		happened := scale * rng.ExpFloat64()
		right = append(right, Outcome{minutes, happened})
		short := make([]float64, len(minutes))
		for i, m := range minutes {
			short[i] = 0.7 * m
		}
		tight = append(tight, Outcome{short, happened})
	}
	good, bad := Of(right), Of(tight)
	for _, l := range good.Levels {
		if l.Share < l.Low || l.Share > l.High {
			t.Errorf("right forecasts: %+v lies outside of its band", l)
		}
	}
	chi := 0.0
	for _, n := range good.Tenths {
		chi += (float64(n) - 200) * (float64(n) - 200) / 200
	}
	if chi > 27.88 { // chi-square with 9 degrees, 0.999 quantile, from memory
		t.Errorf("right forecasts: places %v, chi-square %g", good.Tenths, chi)
	}
	for _, l := range bad.Levels {
		if l.Share >= l.Low {
			t.Errorf("forecasts that promise too much pass: %+v", l)
		}
	}
	if bad.CRPS <= good.CRPS {
		t.Errorf("error %g of wrong forecasts, %g of right ones", bad.CRPS, good.CRPS)
	}
}

func TestReportOfNothing(t *testing.T) {
	if r := Of([]Outcome{{}, {[]float64{1}, math.NaN()}}); r.Count != 0 || r.CRPS != 0 || r.Levels != nil {
		t.Errorf("%+v", r)
	}
}

// The score of a law is that of the integral of (F - step)^2.
func TestCRPSIsTheIntegral(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := Sorted(rapid.SliceOfN(rapid.Float64Range(0, 100), 1, 12).Draw(t, "minutes"), rapid.Float64Range(0, 100).Draw(t, "happened"))
		points := append(append([]float64{}, o.Minutes...), o.Happened)
		points = Sorted(points, 0).Minutes
		sum := 0.0
		for i := 1; i < len(points); i++ {
			at := points[i-1]
			f := Outcome{o.Minutes, at}.Place(1)
			if at >= o.Happened {
				f--
			}
			sum += f * f * (points[i] - at)
		}
		if got := o.CRPS(); !near(got, sum, 1e-9) {
			t.Fatalf("CRPS %g, integral %g of %+v", got, sum, o)
		}
		if p := o.Place(rapid.Float64Range(0, 1).Draw(t, "v")); p < 0 || p > 1 {
			t.Fatalf("place %g", p)
		}
	})
}
