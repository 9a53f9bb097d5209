package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// A stop 15 minutes old, lognormal(ln 10, 0.8): values computed with R 4.2.2.
func TestRemainderLognormal(t *testing.T) {
	r := Remainder{Lognormal{math.Log(10), 0.8}, 15}
	if got := r.Mean(); math.Abs(got-12.6788675) > 1e-6 {
		t.Errorf("mean %.7f, want 12.6788675", got)
	}
	for p, x := range map[float64]float64{0.5: 7.675271099, 0.1: 29.70410604} {
		if got := r.Tail(x); math.Abs(got-p) > 1e-7 {
			t.Errorf("Tail(%g) = %.9f, want %g", x, got, p)
		}
	}
	law, err := Compound(0, nil, []Repeat{{1, r}})
	if err != nil {
		t.Fatal(err)
	}
	if got := law.Quantile(0.9); math.Abs(got-29.70410604) > 0.05 {
		t.Errorf("P90 of the law %.4f, want 29.7041 within 0.05", got)
	}
	if got := math.Sqrt(r.Square()); got < r.Mean() {
		t.Errorf("root mean square %.3f is below the mean", got)
	}
}

// mill makes histories of machines whose true rates differ by a gamma factor.
func mill(machines int, runMinutes float64) []History {
	rng := rand.New(rand.NewPCG(1, 2))
	var out []History
	for i := range machines {
		h := History{Machine: fmt.Sprintf("k%02d", i+1), RunMinutes: runMinutes}
		for _, c := range []struct {
			cause        string
			gap, mu, sig float64
		}{{"yarn", 45, 0.6, 0.9}, {"needle", 900, 2.4, 0.7}, {"fabric", 300, 1.2, 0.8}, {"door", 600, 0, 1}, {"unspecified", 250, 1.3, 0.8}, {"care", 3000, 3, 0.6}} {
			n := poissonDraw(rng, runMinutes/c.gap*gammaDraw(rng, 4)/4)
			ch := CauseHistory{Cause: c.cause, Count: n}
			for range n {
				ch.DurationsMin = append(ch.DurationsMin, math.Exp(c.mu+c.sig*rng.NormFloat64()))
			}
			h.Causes = append(h.Causes, ch)
		}
		out = append(out, h)
	}
	return out
}

func TestShrinkage(t *testing.T) {
	histories := []History{
		{Machine: "busy", RunMinutes: 10000, Causes: []CauseHistory{{Cause: "yarn", Count: 400}}},
		{Machine: "calm", RunMinutes: 10000, Causes: []CauseHistory{{Cause: "yarn", Count: 100}}},
		{Machine: "usual", RunMinutes: 10000, Causes: []CauseHistory{{Cause: "yarn", Count: 240}}},
		{Machine: "other", RunMinutes: 10000, Causes: []CauseHistory{{Cause: "yarn", Count: 260}}},
		{Machine: "new", RunMinutes: 60, Causes: []CauseHistory{{Cause: "yarn", Count: 6}}},
	}
	f := Learn(histories)
	rate := func(id string) float64 { return f.Machine(id).Stops()[0].Rate.Mean }
	fleet := f.causes[0].rate
	for _, tt := range []struct {
		machine  string
		own      float64
		own4than bool // nearer to its own rate than to the fleet's
	}{{"busy", 0.04, true}, {"calm", 0.01, true}, {"new", 0.1, false}} {
		got := rate(tt.machine)
		if (got-fleet)*(got-tt.own) > 0 {
			t.Errorf("%s: rate %.5f is not between the fleet's %.5f and its own %.5f", tt.machine, got, fleet, tt.own)
		}
		if near := math.Abs(got-tt.own) < math.Abs(got-fleet); near != tt.own4than {
			t.Errorf("%s: rate %.5f nearer to own %.5f than to fleet %.5f: %v, want %v", tt.machine, got, tt.own, fleet, near, tt.own4than)
		}
	}
	if got := rate("never seen"); got != fleet {
		t.Errorf("a machine without history has rate %.5f, want the fleet's %.5f", got, fleet)
	}
}

func TestEqualMachinesAreNotToldApart(t *testing.T) {
	var histories []History
	for i := range 20 {
		histories = append(histories, History{Machine: fmt.Sprint(i), RunMinutes: 5000, Causes: []CauseHistory{{Cause: "yarn", Count: 100}}})
	}
	if got := Learn(histories).spread.own[0]; !(got < 0.025 && got >= least) {
		t.Errorf("squared spread %g between machines all alike, want near the least, %g", got, least)
	}
}

func TestLittleHistoryIsSaid(t *testing.T) {
	for _, tt := range []struct {
		name string
		f    *Fleet
		want string
	}{
		{"none", Learn(nil), "common figures"},
		{"an hour", Learn([]History{{Machine: "k01", RunMinutes: 60, Causes: []CauseHistory{{Cause: "yarn", Count: 1}}}}), "common figures"},
		{"fleet only", Learn(mill(5, 5000)), "taken as the others are"},
	} {
		m := tt.f.Machine("k99")
		if got := strings.Join(append(m.Basis(), tt.f.Basis()...), "; "); !strings.Contains(got, tt.want) {
			t.Errorf("%s: basis %q does not say %q", tt.name, got, tt.want)
		}
		law, err := m.Finish(Work{RunMinutes: 600, Planned: []Planned{{Cause: "doff", Count: 8}}})
		if err != nil {
			t.Fatal(err)
		}
		if p10, p90 := law.Quantile(0.1), law.Quantile(0.9); !(p10 > 600 && p90 > p10+10 && p90 < 1500) {
			t.Errorf("%s: P10 %.0f, P90 %.0f of 600 running minutes", tt.name, p10, p90)
		}
		if s := m.RunningShare(); !(s > 0.5 && s < 1) {
			t.Errorf("%s: running share %.3f", tt.name, s)
		}
	}
}

func TestIgnoredAndPlannedAreNotRandom(t *testing.T) {
	h := []History{{Machine: "k01", RunMinutes: 10000, Causes: []CauseHistory{
		{Cause: "doff", Count: 100, DurationsMin: []float64{3, 4, 5}},
		{Cause: "noorder", Count: 9, DurationsMin: []float64{600}},
		{Cause: "yarn", Count: 50, DurationsMin: []float64{2}},
	}}}
	m := Learn(h, "noorder").Machine("k01")
	causes := map[string]float64{}
	for _, c := range m.Expect(Work{RunMinutes: 1000, Planned: []Planned{{Cause: "doff", Count: 2}}}) {
		causes[c.Cause] = c.Minutes
	}
	if len(causes) != 2 || !(causes["doff"] > 4 && causes["doff"] < 16) {
		t.Errorf("expected standing %v, want yarn and two doffs only", causes)
	}
}

func TestSeen(t *testing.T) {
	f := Learn([]History{
		{Machine: "told", RunMinutes: 5000, Causes: []CauseHistory{{Cause: "doff", Count: 9}}},
		{Machine: "lamp", RunMinutes: 5000, Causes: []CauseHistory{{Cause: "unspecified", Count: 90}}},
		{Machine: "new", RunMinutes: 20, Causes: nil},
	})
	for id, want := range map[string]bool{"told": true, "lamp": false, "new": true, "unheard": true} {
		if got := f.Machine(id).Seen("doff"); got != want {
			t.Errorf("%s: doffs seen %v, want %v", id, got, want)
		}
	}
	if f.Machine("new").Seen("power") {
		t.Error("a cause that no machine has shown is seen")
	}
	if !Learn(nil).Machine("x").Seen("doff") {
		t.Error("without any history doffs are not to be planned")
	}
}

func TestOpenStop(t *testing.T) {
	m := Learn(mill(10, 20000)).Machine("k03")
	base, err := m.Finish(Work{RunMinutes: 500})
	if err != nil {
		t.Fatal(err)
	}
	before := base.Mean()
	for _, elapsed := range []float64{0, 1, 10, 100, 10000, 1e9} {
		law, err := m.Finish(Work{RunMinutes: 500, Stop: &OpenStop{"needle", elapsed}})
		if err != nil {
			t.Fatalf("elapsed %g: %v", elapsed, err)
		}
		if !(law.Mean() > before) || math.IsInf(law.Quantile(0.999), 0) {
			t.Errorf("elapsed %g: mean %.2f, want more than %.2f", elapsed, law.Mean(), before)
		}
	}
}

func TestRefusals(t *testing.T) {
	m := Learn(mill(3, 9000)).Machine("k01")
	for _, w := range []Work{
		{RunMinutes: math.NaN()}, {RunMinutes: -1}, {RunMinutes: math.Inf(1)}, {RunMinutes: 1e12},
		{FixedMinutes: math.NaN()}, {FixedMinutes: -1},
		{RunMinutes: 10, Planned: []Planned{{Cause: "doff", Count: -1}}}, {RunMinutes: 10, Planned: []Planned{{Cause: "doff", Count: 1 << 40}}},
		{RunMinutes: 10, Stop: &OpenStop{"yarn", math.NaN()}}, {RunMinutes: 10, Stop: &OpenStop{"yarn", -1}},
	} {
		if law, err := m.Finish(w); err == nil {
			t.Errorf("%+v: law with mean %g, want a refusal", w, law.Mean())
		}
	}
}

func TestMaxIsProduct(t *testing.T) {
	a, err := Compound(100, []Stops{{"a", Rate{0.05, 2}, Exponential(6)}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Compound(110, []Stops{{"b", Rate{0.02, 2}, Exponential(9)}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	m := Max(a, b)
	for _, x := range []float64{90, 105, 120, 140, 170, 220} {
		if got, want := m.CDF(x), a.CDF(x)*b.CDF(x); math.Abs(got-want) > 1e-3 {
			t.Errorf("CDF(%g) = %.5f, want %.5f", x, got, want)
		}
	}
	if m.Mean() < max(a.Mean(), b.Mean()) {
		t.Errorf("mean of the latest %.2f is before one of %.2f, %.2f", m.Mean(), a.Mean(), b.Mean())
	}
	if got := Max(Certain(5), Certain(7)).Quantile(0.3); got != 7 {
		t.Errorf("latest of 5 and 7 is %g", got)
	}
}

func FuzzHistory(f *testing.F) {
	f.Add(1000.0, 3, 2.0, 5.0, 100.0)
	f.Add(math.Inf(1), -5, math.NaN(), -3.0, 1e300)
	f.Fuzz(func(t *testing.T, run float64, count int, d1, d2, work float64) {
		h := []History{{Machine: "k01", RunMinutes: run, Causes: []CauseHistory{{Cause: "yarn", Count: count, DurationsMin: []float64{d1, d2}}}}, {Machine: "k02", RunMinutes: 5000}}
		law, err := Learn(h).Machine("k01").Finish(Work{RunMinutes: work})
		if err != nil {
			return
		}
		for _, p := range []float64{0, 0.5, 0.9, 1} {
			if q := law.Quantile(p); math.IsNaN(q) || math.IsInf(q, 0) || q < work {
				t.Fatalf("Quantile(%g) = %g for %g running minutes", p, q, work)
			}
		}
	})
}

// BenchmarkThousandLaws is a mill of 60 machines asked for 1000 laws with P10 to P95
// and the chance to be late, the learning not counted in.
func BenchmarkThousandLaws(b *testing.B) {
	histories := mill(60, 20000)
	for b.Loop() {
		f := Learn(histories)
		for i := range 1000 {
			law, err := f.Machine(histories[i%60].Machine).Finish(Work{RunMinutes: 300 + float64(i*7%5000), Planned: []Planned{{Cause: "doff", Count: i % 40}}})
			if err != nil {
				b.Fatal(err)
			}
			for _, p := range []float64{0.1, 0.5, 0.8, 0.95} {
				if law.Quantile(p) <= 0 {
					b.Fatal("no quantile")
				}
			}
		}
	}
}
