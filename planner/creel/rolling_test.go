package creel

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"pgregory.net/rapid"
)

// caseFile is testdata/cones_small.json: creel cases made for this project and free to
// use, with optima by exhaustive recursion over all supersets at all visits (rolling)
// and over all set partitions (single round), found by another program.
type caseFile struct {
	Single []struct {
		Name    string    `json:"name"`
		Visit   float64   `json:"visit_cost"`
		Mean    []float64 `json:"runout_mean_revs"`
		Latest  []float64 `json:"latest_visit_revs"`
		Value   []float64 `json:"yarn_value_per_1000_revs_left"`
		Optimum float64   `json:"optimum_times_1000"`
	} `json:"single_round"`
	Rolling []struct {
		Name    string    `json:"name"`
		Until   float64   `json:"horizon_revs"`
		Visit   float64   `json:"visit_cost"`
		Change  float64   `json:"cost_per_cone_change"`
		Value   float64   `json:"yarn_value_per_1000_revs_left"`
		Left    []float64 `json:"residual_revs"`
		Life    []float64 `json:"life_revs"`
		Optimum float64   `json:"optimum_times_1000"`
		WhenOut float64   `json:"change_only_when_out_times_1000"`
		Bound   float64   `json:"simple_lower_bound_times_1000"`
	} `json:"rolling"`
}

func readCases(t testing.TB) caseFile {
	t.Helper()
	raw, err := os.ReadFile("testdata/cones_small.json")
	if err != nil {
		t.Fatal(err)
	}
	var f caseFile
	if err := json.Unmarshal(raw, &f); err != nil {
		t.Fatal(err)
	}
	if len(f.Single) != 10 || len(f.Rolling) != 10 {
		t.Fatalf("%d and %d cases, expected 10 and 10", len(f.Single), len(f.Rolling))
	}
	return f
}

func TestSingleRoundOptima(t *testing.T) {
	for _, c := range readCases(t).Single {
		cones := make([]Cone, len(c.Mean))
		for i := range cones {
			cones[i] = Cone{c.Mean[i], c.Latest[i], c.Value[i]}
		}
		rounds, cost, err := Rounds(cones, 1000*c.Visit)
		if err != nil {
			t.Fatal(err)
		}
		if cost != c.Optimum {
			t.Errorf("%s costs %g, optimum %g", c.Name, cost, c.Optimum)
		}
		again, seen := 0.0, map[int]bool{}
		for _, r := range rounds {
			again += 1000 * c.Visit
			for _, f := range r.Cones {
				if r.At > c.Latest[f] || seen[f] {
					t.Errorf("%s: cone %d changed at %g, latest %g, again: %v", c.Name, f, r.At, c.Latest[f], seen[f])
				}
				seen[f] = true
				again += c.Value[f] * (c.Mean[f] - r.At)
			}
		}
		if again != cost || len(seen) != len(cones) {
			t.Errorf("%s says %g, its rounds cost %g and change %d of %d cones", c.Name, cost, again, len(seen), len(cones))
		}
	}
}

// evaluate walks a plan turn by turn, with none of the planner's shortcuts.
func evaluate(t interface {
	Helper()
	Fatalf(string, ...any)
}, h Horizon, rounds []Round) float64 {
	t.Helper()
	due := make([]float64, len(h.Ends))
	for i, e := range h.Ends {
		due[i] = e.Left
	}
	cost, last := 0.0, math.Inf(-1)
	for _, r := range rounds {
		if r.At <= last || r.At >= h.Until || len(r.Cones) == 0 {
			t.Fatalf("visit at %g after %g with %d cones, horizon %g", r.At, last, len(r.Cones), h.Until)
		}
		last = r.At
		cost += h.Visit
		for _, i := range r.Cones {
			if r.At > due[i] {
				t.Fatalf("cone %d ran out at %g before the visit at %g", i, due[i], r.At)
			}
			cost += h.Change + h.Value*(due[i]-r.At)
			due[i] = r.At + h.Ends[i].Life
		}
	}
	for i, d := range due {
		if d < h.Until {
			t.Fatalf("cone %d runs out at %g, before the horizon %g, and is not changed", i, d, h.Until)
		}
	}
	return cost
}

func TestRollingOptima(t *testing.T) {
	for _, c := range readCases(t).Rolling {
		h := Horizon{Until: c.Until, Visit: 1000 * c.Visit, Change: 1000 * c.Change, Value: c.Value}
		for i := range c.Left {
			h.Ends = append(h.Ends, End{c.Left[i], c.Life[i]})
		}
		p, err := Roll(h, Effort{})
		if err != nil {
			t.Fatal(err)
		}
		if p.Cost != c.Optimum || !p.Proven || p.Bound != p.Cost {
			t.Errorf("%s costs %g (bound %g, proven %v), optimum %g", c.Name, p.Cost, p.Bound, p.Proven, c.Optimum)
		}
		if again := evaluate(t, h, p.Rounds); again != p.Cost {
			t.Errorf("%s says %g, its visits cost %g", c.Name, p.Cost, again)
		}
		beam, err := Roll(h, Effort{States: 1})
		if err != nil {
			t.Fatal(err)
		}
		if beam.Cost < c.Optimum || beam.Cost > 1.02*c.Optimum || beam.Bound > c.Optimum {
			t.Errorf("%s by beam alone costs %g, bound %g, optimum %g", c.Name, beam.Cost, beam.Bound, c.Optimum)
		}
		t.Logf("%s optimum %g, when out %g, beam alone +%.2f %%", c.Name, c.Optimum, c.WhenOut, 100*(beam.Cost/c.Optimum-1))
	}
}

// exhaust tries every set of cones at every whole turn, so it knows neither that
// visits are at run-outs nor that lasting cones are left alone.
func exhaust(h Horizon, now float64, due []float64, memo map[string]float64) float64 {
	first := h.Until
	for _, d := range due {
		first = min(first, d)
	}
	if first >= h.Until {
		return 0
	}
	k := key(append([]float64{now}, due...))
	if v, ok := memo[k]; ok {
		return v
	}
	best := math.Inf(1)
	for at := now; at <= first; at++ {
		for set := 1; set < 1<<len(due); set++ {
			cost, next := h.Visit, append([]float64(nil), due...)
			for i := range due {
				if set>>i&1 == 1 {
					cost += h.Change + h.Value*(due[i]-at)
					next[i] = at + h.Ends[i].Life
				}
			}
			best = min(best, cost+exhaust(h, at+1, next, memo))
		}
	}
	memo[k] = best
	return best
}

func TestRollingIsExhaustive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := func(lo, hi int, name string) float64 { return float64(rapid.IntRange(lo, hi).Draw(t, name)) }
		h := Horizon{Until: whole(1, 12, "until"), Visit: whole(0, 20, "visit"), Change: whole(0, 6, "change"), Value: whole(0, 4, "value")}
		for range rapid.IntRange(1, 3).Draw(t, "cones") {
			h.Ends = append(h.Ends, End{whole(1, 9, "left"), whole(2, 9, "life")})
		}
		due := make([]float64, len(h.Ends))
		for i, e := range h.Ends {
			due[i] = e.Left
		}
		p, err := Roll(h, Effort{States: 1e6})
		if err != nil {
			t.Fatal(err)
		}
		if want := exhaust(h, 0, due, map[string]float64{}); p.Cost != want || !p.Proven {
			t.Fatalf("%+v costs %g (proven %v), by trying all %g", h, p.Cost, p.Proven, want)
		}
		if again := evaluate(t, h, p.Rounds); again != p.Cost {
			t.Fatalf("says %g, its visits cost %g", p.Cost, again)
		}
	})
}

func TestRollRefuses(t *testing.T) {
	nan := math.NaN()
	for name, h := range map[string]Horizon{
		"no life":       {Until: 10, Ends: []End{{1, 0}}},
		"negative left": {Until: 10, Ends: []End{{-1, 5}}},
		"not a number":  {Until: nan, Ends: []End{{1, 5}}},
		"endless":       {Until: math.Inf(1), Ends: []End{{1, 5}}},
		"free money":    {Until: 10, Visit: -1, Ends: []End{{1, 5}}},
		"dust":          {Until: 1e9, Ends: []End{{1, 1}}},
	} {
		if _, err := Roll(h, Effort{}); !errors.Is(err, ErrHorizon) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if p, err := Roll(Horizon{Until: 10}, Effort{}); err != nil || p.Cost != 0 || len(p.Rounds) != 0 || !p.Proven {
		t.Errorf("an empty creel: %+v, %v", p, err)
	}
}

// creelOf draws a creel of one machine: a few yarns, cones of one yarn last
// about alike and started at any filling.
func creelOf(rng *rand.Rand, feeds int, rounds float64) Horizon {
	h := Horizon{Visit: 15000, Change: 3000, Value: 3}
	lives := []float64{20000, 26000, 17000}
	h.Until = rounds * 20000
	for range feeds {
		life := math.Round(lives[rng.IntN(len(lives))] * (1 + 0.02*rng.NormFloat64()))
		h.Ends = append(h.Ends, End{math.Round(rng.Float64() * life), life})
	}
	return h
}

func TestRollingMiddleSizes(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	worst, sum, n := 0.0, 0.0, 0
	for range 16 {
		h := creelOf(rng, 4+rng.IntN(4), 4+4*rng.Float64())
		p, err := Roll(h, Effort{States: 200000})
		if err != nil {
			t.Fatal(err)
		}
		if !p.Proven {
			continue
		}
		beam, err := Roll(h, Effort{States: 1})
		if err != nil {
			t.Fatal(err)
		}
		gap := beam.Cost/p.Cost - 1
		worst, sum, n = max(worst, gap), sum+gap, n+1
	}
	t.Logf("%d creels solved exactly, beam alone above by %.3f %% on average, %.3f %% at worst", n, 100*sum/float64(n), 100*worst)
	if n < 10 || worst > 0.02 || sum/float64(n) > 0.005 {
		t.Errorf("expected 10 creels and more, at most 2 %% each and 0.5 %% on average")
	}
}

func BenchmarkSingle90(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	cones := make([]Cone, 90)
	for i := range cones {
		mean := 20000 * rng.Float64()
		cones[i] = Cone{mean, 0.95 * mean, 3}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := Rounds(cones, 15000); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRolling90x20(b *testing.B) {
	h := creelOf(rand.New(rand.NewPCG(1, 1)), 90, 20)
	b.ReportAllocs()
	var p Rolled
	for b.Loop() {
		var err error
		if p, err = Roll(h, Effort{States: 1}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(p.Rounds)), "visits")
	b.ReportMetric(p.Cost/p.Bound, "cost/bound")
	b.ReportMetric(p.Cost, "cost")
}
