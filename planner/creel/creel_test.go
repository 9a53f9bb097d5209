package creel

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// k01 is single jersey, 30 inch, 90 feeders, 2640 needles, loops of 2.75 mm, Ne 30.
var k01 = knit.FeedGroup{ID: "all", Feeders: 90, CourseLength: 7.26, Count: unit.FromNe(30)}

// A wave of 90 cones of 1.89 kg, spread 2 %, 28 turns a minute at a running share
// of 0.88. The figures compared with are one seeded draw of 90 cones, from an own
// calculation; each may lie off the expectation by its sampling spread, of which 2.2
// are allowed (the largest of five dependent figures).
func TestWaveOfNinetyCones(t *testing.T) {
	w, err := RunOut(k01, Load{Cones: 90, Net: 1.89, CV: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	hours := func(r unit.Revolutions) float64 { return float64(r) / 28 / 0.88 / 60 }
	sd := hours(w.P50) * 0.02
	quantileSpread := func(p, density float64) float64 { return sd * math.Sqrt(p*(1-p)/90) / density }
	for _, tt := range []struct {
		name         string
		got, want    float64
		sampleSpread float64
	}{
		{"first", hours(w.First), 8.49, sd * 0.44}, // spread of the least of 90 normals, by simulation
		{"5 %", hours(w.P05), 8.63, quantileSpread(0.05, 0.10314)},
		{"median", hours(w.P50), 8.99, quantileSpread(0.5, 0.39894)},
		{"95 %", hours(w.P95), 9.18, quantileSpread(0.95, 0.10314)},
		{"last", hours(w.Last), 9.25, sd * 0.44},
	} {
		t.Logf("%s: expected %.3f h, one draw %.2f h, sampling spread %.3f h", tt.name, tt.got, tt.want, tt.sampleSpread)
		if math.Abs(tt.got-tt.want) > 2.2*tt.sampleSpread {
			t.Errorf("%s: %.3f h, one draw gave %.2f h, further off than 2.2 spreads of %.3f h", tt.name, tt.got, tt.want, tt.sampleSpread)
		}
	}
}

// Means of the largest of n standard normals, from tables of normal order
// statistics (n = 2 and 3 closed: 1/sqrt(pi), 1.5/sqrt(pi); n = 10 and 100 from memory).
func TestExpectedMax(t *testing.T) {
	for n, want := range map[int]float64{1: 0, 2: 1 / math.Sqrt(math.Pi), 3: 1.5 / math.Sqrt(math.Pi), 10: 1.53875, 100: 2.50759} {
		if got := expectedMax(n); math.Abs(got-want) > 2e-5 {
			t.Errorf("n = %d: %.6f, want %.5f", n, got, want)
		}
	}
}

func TestWindowProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := k01
		g.Ends = rapid.IntRange(0, 2).Draw(t, "ends")
		l := Load{
			Cones:  rapid.IntRange(1, 400).Draw(t, "cones"),
			Net:    unit.Kilograms(rapid.Float64Range(0.01, 10).Draw(t, "net")),
			CV:     rapid.Float64Range(0, 0.5).Draw(t, "cv"),
			At:     unit.Revolutions(rapid.Float64Range(0, 1e9).Draw(t, "at")),
			Common: rapid.Float64Range(0, 0.1).Draw(t, "common"),
		}
		w, err := RunOut(g, l)
		if err != nil {
			t.Fatal(err)
		}
		order := []unit.Revolutions{l.At, w.First, w.P05, w.P50, w.P95, w.Last}
		if !slices.IsSorted(order) {
			t.Fatalf("window out of order: %v", order)
		}
		if l.CV == 0 && w.First != w.Last {
			t.Fatalf("equal cones run out at %v and %v", w.First, w.Last)
		}
	})
}

func TestReserveConesDouble(t *testing.T) {
	one, err := RunOut(k01, Load{Cones: 90, Net: 1.89, CV: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	two, err := RunOut(k01, Load{Cones: 180, Net: 1.89, CV: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(two.P50/one.P50)-2) > 1e-12 {
		t.Errorf("with a reserve cone each the median is %v, want twice %v", two.P50, one.P50)
	}
	if r := float64((two.P95 - two.P50) / (one.P95 - one.P50)); math.Abs(r-math.Sqrt2) > 1e-9 {
		t.Errorf("spread grew by %.4f, want the square root of 2", r)
	}
}

func TestUnusableLoads(t *testing.T) {
	for _, l := range []Load{
		{}, {Cones: -1, Net: 1}, {Cones: 90}, {Cones: 90, Net: -1}, {Cones: 90, Net: unit.Kilograms(math.NaN())},
		{Cones: 90, Net: unit.Kilograms(math.Inf(1))}, {Cones: 1 << 40, Net: 1}, {Cones: 90, Net: 1, CV: 2},
		{Cones: 90, Net: 1, CV: math.NaN()}, {Cones: 90, Net: 1, At: -5}, {Cones: 90, Net: 1, Common: -1},
	} {
		if w, err := RunOut(k01, l); err == nil {
			t.Errorf("%+v: %v, want an error", l, w)
		}
	}
}

type singleRound struct {
	Name      string    `json:"name"`
	VisitCost float64   `json:"visit_cost"`
	Mean      []float64 `json:"runout_mean_revs"`
	Value     []float64 `json:"yarn_value_per_1000_revs_left"`
	Latest    []float64 `json:"latest_visit_revs"`
	Optimum   float64   `json:"optimum_times_1000"`
	At        []float64 `json:"optimal_visit_revs"`
}

func cases(t testing.TB) []singleRound {
	raw, err := os.ReadFile("../../testdata/checks/cones_single_round.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Cases []singleRound `json:"single_round"`
	}
	if err := json.Unmarshal(raw, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Cases) != 10 {
		t.Fatalf("%d cases, want 10", len(file.Cases))
	}
	return file.Cases
}

func (c singleRound) cones() []Cone {
	cones := make([]Cone, len(c.Mean))
	for i := range cones {
		cones[i] = Cone{c.Mean[i], c.Latest[i], c.Value[i]}
	}
	return cones
}

func TestRoundsAgainstOptimum(t *testing.T) {
	for _, c := range cases(t) {
		rounds, cost, err := Rounds(c.cones(), 1000*c.VisitCost)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(cost-c.Optimum) > 1e-6 {
			t.Errorf("%s: cost %.1f, optimum %.0f", c.Name, cost, c.Optimum)
		}
		var at []float64
		for _, r := range rounds {
			at = append(at, r.At)
		}
		if !slices.Equal(at, c.At) {
			t.Errorf("%s: visits at %v, want %v", c.Name, at, c.At)
		}
	}
}

// Every way to part a few cones into groups is tried.
func TestRoundsAgainstAllPartitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cones := make([]Cone, rapid.IntRange(1, 6).Draw(t, "cones"))
		for i := range cones {
			mean := float64(rapid.IntRange(10, 1000).Draw(t, "mean"))
			cones[i] = Cone{mean, math.Floor(mean * rapid.Float64Range(0.5, 1).Draw(t, "latest")), float64(rapid.IntRange(0, 5).Draw(t, "value"))}
		}
		visit := float64(rapid.IntRange(0, 2000).Draw(t, "visit"))
		_, cost, err := Rounds(cones, visit)
		if err != nil {
			t.Fatal(err)
		}
		if best := bestPartition(cones, nil, visit); math.Abs(best-cost) > 1e-6 {
			t.Fatalf("cost %g, the best of all partitions costs %g", cost, best)
		}
	})
}

func bestPartition(cones []Cone, groups [][]Cone, visit float64) float64 {
	if len(cones) == 0 {
		cost := 0.0
		for _, g := range groups {
			at := math.Inf(1)
			for _, c := range g {
				at = min(at, c.Latest)
			}
			cost += visit
			for _, c := range g {
				cost += c.Value * (c.Mean - at)
			}
		}
		return cost
	}
	best := math.Inf(1)
	for i := range groups {
		grown := slices.Clone(groups)
		grown[i] = append(slices.Clone(groups[i]), cones[0])
		best = min(best, bestPartition(cones[1:], grown, visit))
	}
	return min(best, bestPartition(cones[1:], append(slices.Clone(groups), []Cone{cones[0]}), visit))
}

func TestRoundsRefuseNonsense(t *testing.T) {
	for _, c := range []Cone{{math.NaN(), 0, 1}, {10, 20, 1}, {10, -1, 1}, {10, 5, -1}, {math.Inf(1), 1, 1}} {
		if _, _, err := Rounds([]Cone{c}, 1); err == nil {
			t.Errorf("cone %+v is accepted", c)
		}
	}
	if _, _, err := Rounds(nil, math.NaN()); err == nil {
		t.Error("a visit of unknown cost is accepted")
	}
	if rounds, cost, err := Rounds(nil, 5); err != nil || len(rounds) != 0 || cost != 0 {
		t.Errorf("no cones: %v, %g, %v", rounds, cost, err)
	}
}

func TestTogether(t *testing.T) {
	at := func(m int) time.Time { return time.Date(2026, 3, 2, 6, m, 0, 0, time.UTC) }
	got := Together([]Span{{at(40), at(50)}, {at(0), at(10)}, {at(8), at(30)}, {at(30), at(35)}, {at(50), at(51)}})
	want := [][]int{{1, 2, 3}, {0, 4}}
	if len(got) != len(want) || !slices.Equal(got[0], want[0]) || !slices.Equal(got[1], want[1]) {
		t.Errorf("groups %v, want %v", got, want)
	}
}

func BenchmarkRounds90(b *testing.B) {
	all := cases(b)
	cones := all[len(all)-1].cones()
	b.ReportMetric(float64(len(cones)), "cones")
	for b.Loop() {
		if _, _, err := Rounds(cones, 10000); err != nil {
			b.Fatal(err)
		}
	}
}
