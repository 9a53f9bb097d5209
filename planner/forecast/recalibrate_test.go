package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func TestNothingKeptChangesNothing(t *testing.T) {
	law, err := Compound(100, fourCauses(3), nil)
	if err != nil {
		t.Fatal(err)
	}
	m := Recalibrate(nil).Map("k01", Ask{Stops: 5, Pull: 1})
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		if got := m.Level(p); got != p {
			t.Fatalf("Level(%g) = %g without a kept forecast", p, got)
		}
		if got, want := m.Law(law).Quantile(p), law.Quantile(p); got != want {
			t.Fatalf("Quantile(%g) = %g, the law's own is %g", p, got, want)
		}
	})
}

func drawKept(t *rapid.T) []Kept {
	var out []Kept
	for i := range rapid.IntRange(0, 60).Draw(t, "n") {
		made := rapid.Float64Range(0, 1000).Draw(t, "made")
		out = append(out, Kept{
			Order: fmt.Sprint(i / 2), Machine: rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "machine"),
			Made: made, Ended: made + rapid.Float64Range(-10, 500).Draw(t, "minutes"),
			Ask: Ask{Stops: rapid.Float64Range(0, 100).Draw(t, "stops"), Level: rapid.Float64Range(-2, 2).Draw(t, "level"),
				Pull: rapid.Float64Range(0, 5).Draw(t, "pull"), Class: rapid.IntRange(0, 3).Draw(t, "class"), Begun: rapid.Bool().Draw(t, "begun")},
			PIT: rapid.SampledFrom([]float64{0, 1, 0.5, math.NaN(), -1, rapid.Float64Range(0, 1).Draw(t, "u")}).Draw(t, "pit"),
		})
	}
	return out
}

// Whatever was kept, levels rise with the chance, stay within 0 and 1 and can be
// turned round, and the law stays a law.
func TestMapRises(t *testing.T) {
	law, err := Compound(300, fourCauses(3), nil)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		m := Recalibrate(drawKept(t)).Map("a", Ask{Stops: rapid.Float64Range(0, 100).Draw(t, "asked"), Level: rapid.Float64Range(-2, 2).Draw(t, "own"), Pull: 2, Class: 1})
		out := m.Law(law)
		last, lastAt := 0.0, math.Inf(-1)
		for i := 1; i < 200; i++ {
			p := float64(i) / 200
			level, at := m.Level(p), out.Quantile(p)
			if !(level >= last && level >= 0 && level <= 1) {
				t.Fatalf("Level(%g) = %g after %g", p, level, last)
			}
			if !(at >= lastAt && at >= 300) {
				t.Fatalf("Quantile(%g) = %g after %g", p, at, lastAt)
			}
			if back := m.chance(level); level > 1e-9 && level < 1-1e-9 && math.Abs(back-p) > 1e-4 {
				t.Fatalf("Level(%g) = %g, which is kept with chance %g", p, level, back)
			}
			last, lastAt = level, at
		}
	})
}

// crowd is kept forecasts whose scores are drawn by score; each order ends before the
// next of its machine is forecast.
func crowd(rng *rand.Rand, machines, orders int, score func(machine int) float64) []Kept {
	var out []Kept
	for o := range orders {
		for m := range machines {
			out = append(out, Kept{Order: fmt.Sprint(o), Machine: fmt.Sprint("k", m), Made: float64(o), Ended: float64(o) + 0.9,
				Ask: Ask{Stops: 10, Pull: 1.5, Level: rng.NormFloat64() * 0.3}, PIT: normal(score(m))})
		}
	}
	return out
}

// The chance that is asked for is the chance that is kept, for forecasts whose faults
// stay the same: three standard errors of 250 trials, each with a map of its own.
func TestLevelsAreKept(t *testing.T) {
	faults := []struct {
		name  string
		score func(z float64) float64
	}{
		{"right", func(z float64) float64 { return z }},
		{"too narrow", func(z float64) float64 { return 1.6 * z }},
		{"too early and lopsided", func(z float64) float64 { return 0.4 + z + 0.3*max(z, 0) }},
	}
	for _, tt := range faults {
		t.Run(tt.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(21, 22))
			draw := func(int) float64 { return tt.score(rng.NormFloat64()) }
			kept := map[float64]float64{0.1: 0, 0.5: 0, 0.8: 0, 0.9: 0, 0.95: 0}
			const trials, each = 50, 400
			for range trials {
				m := Recalibrate(crowd(rng, 40, 10, draw)).Map("k1", Ask{Stops: 10, Pull: 1.5})
				for p := range kept {
					level := m.Level(p)
					for range each {
						if normal(draw(0)) <= level {
							kept[p]++
						}
					}
				}
			}
			for p, n := range kept {
				// Within a trial the map's own error is shared.
				se := math.Sqrt(p*(1-p)) * math.Sqrt(1.0/(trials*each)+1.0/(trials*400))
				// A map is drawn towards the law by twenty parts in four hundred and twenty.
				if got := n / (trials * each); math.Abs(got-p) > 4*se+0.012 {
					t.Errorf("level %g was kept in %.4f of %d", p, got, trials*each)
				}
			}
		})
	}
}

// Fewer orders weigh less: the map lies between the law's levels and what it has with
// many.
func TestFewOrdersWeighLittle(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	last := 0.9
	for _, orders := range []int{0, 1, 4, 12} {
		sum := 0.0
		for range 40 {
			m := Recalibrate(crowd(rng, 30, orders, func(int) float64 { return 1.5 * rng.NormFloat64() })).Map("k1", Ask{Stops: 10, Pull: 1.5})
			sum += m.Level(0.9) / 40
		}
		if sum < last-0.003 {
			t.Errorf("with %d orders a machine the level for 0.9 is %.3f, with fewer it was %.3f", orders, sum, last)
		}
		last = sum
	}
	if want := normal(1.5 * 1.2815515655446004); math.Abs(last-want) > 0.01 {
		t.Errorf("with many orders the level for 0.9 is %.3f, want %.3f", last, want)
	}
}

// A machine that keeps missing its forecasts has them moved, the others have not; and
// machines that miss by chance are left alone.
func TestRecordOfAMachine(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 26))
	off := make([]float64, 40)
	for m := range off {
		off[m] = 0.8 * rng.NormFloat64()
	}
	off[0], off[1] = 1.5, 0
	r := Recalibrate(crowd(rng, 40, 9, func(m int) float64 { return off[m] + 0.6*rng.NormFloat64() }))
	median := func(r *Recalibration, m string) float64 {
		return probit(r.Map(m, Ask{Stops: 10, Pull: 1.5}).Level(0.5))
	}
	if got := median(r, "k0") - median(r, "k1"); math.Abs(got-1.5) > 0.6 {
		t.Errorf("the machine that misses by 1.5 is moved by %.2f against the one that does not", got)
	}
	moved := 0.0
	for range 10 {
		r = Recalibrate(crowd(rng, 40, 9, func(int) float64 { return rng.NormFloat64() }))
		for m := range 40 {
			moved += math.Abs(median(r, fmt.Sprint("k", m))-median(r, "none")) / 400
		}
	}
	if moved > 0.08 {
		t.Errorf("machines that miss by chance are moved by %.2f on average", moved)
	}
}

// An order that has not ended when a forecast is made is not known to it.
func TestFeedbackIsLate(t *testing.T) {
	kept := []Kept{
		{Order: "a", Machine: "k", Made: 0, Ended: 100, Ask: Ask{Pull: 1}, PIT: 0.99},
		{Order: "b", Machine: "k", Made: 50, Ended: 150, Ask: Ask{Pull: 1}, PIT: 0.99},
		{Order: "c", Machine: "k", Made: 120, Ended: 220, Ask: Ask{Pull: 1}, PIT: 0.99},
	}
	r := Recalibrate(kept)
	r.records = []record{{false, 0.1, 1}}
	own := []int{0, 1, 2}
	if got := r.miss(own, 99, 0); got != 0 {
		t.Errorf("before any order has ended a record of %.3f is known", got)
	}
	one, two := r.miss(own, 120, 0), r.miss(own, 150, 0)
	if !(one > 0 && two > one) {
		t.Errorf("record after one order %.3f, after two %.3f; want both above 0 and rising", one, two)
	}
}

// Of more than 400 orders the last count.
func TestOldOrdersAreForgotten(t *testing.T) {
	rng := rand.New(rand.NewPCG(27, 28))
	old := crowd(rng, 50, 20, func(int) float64 { return 2 + rng.NormFloat64() })
	for i := range old {
		old[i].Made, old[i].Ended, old[i].Order = old[i].Made-1000, old[i].Ended-1000, "old"+old[i].Order
	}
	young := crowd(rng, 50, 8, func(int) float64 { return rng.NormFloat64() })
	a := Ask{Stops: 10, Pull: 1.5}
	if got, want := Recalibrate(append(old, young...)).Map("k1", a), Recalibrate(young).Map("k1", a); math.Abs(got.Level(0.9)-want.Level(0.9)) > 1e-12 {
		t.Errorf("with 1000 older orders the level is %.4f, without %.4f", got.Level(0.9), want.Level(0.9))
	}
}

// The stored points give back where an outcome lay.
func TestPointsKeepThePIT(t *testing.T) {
	for _, run := range []float64{30, 300, 5000} {
		law, err := Compound(run, fourCauses(3), nil)
		if err != nil {
			t.Fatal(err)
		}
		p := law.Points()
		for i := 1; i < 200; i++ {
			u := float64(i) / 200
			y := law.Quantile(u)
			if y <= run+sameMinute {
				continue
			}
			if got := p.PIT(y, 0.5); math.Abs(got-law.CDF(y)) > 0.006 {
				t.Errorf("run %g: PIT(%.2f) = %.4f, the law says %.4f", run, y, got, law.CDF(y))
			}
		}
		if got := p.PIT(run, 0.25); math.Abs(got-0.25*law.CDF(run)) > 1e-9 {
			t.Errorf("run %g: PIT without a stop %.4f, want a quarter of %.4f", run, got, law.CDF(run))
		}
	}
	if got := (Points{}).PIT(5, 0.3); got != 0.3 {
		t.Errorf("points that know nothing give %g", got)
	}
}

// In a world that is as the law says, randomised PITs are uniform: chi-square of 10
// bins below its 99.9 % point 27.88 (9 degrees of freedom, table value from memory).
func TestPITIsUniform(t *testing.T) {
	rng := rand.New(rand.NewPCG(29, 30))
	stops := fourCauses(0)
	law, err := Compound(200, stops, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := law.Points()
	const n = 5000
	var bins [10]float64
	for range n {
		y := 200.0
		for _, s := range stops {
			l := s.Durations.(Lognormal)
			for range poissonDraw(rng, 200*s.Rate.Mean) {
				y += math.Exp(l.Mu + l.Sigma*rng.NormFloat64())
			}
		}
		bins[min(int(10*p.PIT(y, rng.Float64())), 9)]++
	}
	chi := 0.0
	for _, b := range bins {
		chi += (b - n/10) * (b - n/10) / (n / 10)
	}
	if chi > 27.88 {
		t.Errorf("chi-square of the PITs %.1f, bins %v", chi, bins)
	}
}
