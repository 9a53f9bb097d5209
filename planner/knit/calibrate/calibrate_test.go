package calibrate_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/knit/calibrate"
	"turnwise/planner/unit"
)

// knitted makes n rolls of about 25 kg whose weight is ratio times the count, with
// a spread between rolls.
func knitted(r *rand.Rand, machine string, n int, ratio, spread float64) []calibrate.Roll {
	out := make([]calibrate.Roll, n)
	for i := range out {
		counted := 25 * math.Exp(0.01*r.NormFloat64())
		out[i] = calibrate.Roll{
			ID: fmt.Sprintf("%s-%d", machine, i+1), Machine: machine, Article: "plain", Counted: unit.Kilograms(counted),
			Weighed: unit.Kilograms(counted * ratio * math.Exp(spread*r.NormFloat64())), Agreed: 0.085, CourseLength: 6.77,
		}
	}
	return out
}

func calibrated(t *testing.T, rolls []calibrate.Roll) calibrate.Result {
	t.Helper()
	out, err := calibrate.Calibrate(rolls, calibrate.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The interval of 90 % holds the true ratio in about 90 of 100 cases, for machines
// of one roll and of many, whether the machines of an article differ much or not;
// and the estimate is nearer to the truth than the machine's own rolls alone.
func TestIntervalsHoldWhatTheyPromise(t *testing.T) {
	sizes := []int{1, 2, 5, 12, 40, 0}
	for _, fleet := range []struct{ between, roll float64 }{{0.003, 0.006}, {0.010, 0.010}, {0.020, 0.008}} {
		r := rand.New(rand.NewPCG(7, uint64(fleet.between*1e6)))
		hits, all := make([]int, len(sizes)), 0
		var own, shrunk float64
		const fleets = 300
		for range fleets {
			article := math.Exp(0.015 * r.NormFloat64())
			var rolls []calibrate.Roll
			truth := make([]float64, len(sizes))
			for j, n := range sizes {
				truth[j] = article * math.Exp(fleet.between*r.NormFloat64())
				rolls = append(rolls, knitted(r, fmt.Sprintf("M%d", j), n, truth[j], fleet.roll)...)
			}
			out := calibrated(t, rolls)
			for j, e := range out.Estimates {
				if e.Low <= truth[j] && truth[j] <= e.High {
					hits[j]++
				}
				own += math.Pow(e.Raw/truth[j]-1, 2)
				shrunk += math.Pow(e.Ratio/truth[j]-1, 2)
			}
			if a := out.Articles[0]; a.Low <= truth[len(sizes)-1] && truth[len(sizes)-1] <= a.High {
				hits[len(sizes)-1]++
			}
			all++
		}
		for j, n := range sizes {
			if share := float64(hits[j]) / float64(all); share < 0.84 || share > 0.96 {
				t.Errorf("between %g, roll %g, %d rolls: held in %.3f, want about 0.9", fleet.between, fleet.roll, n, share)
			}
		}
		t.Logf("between %.3f, roll %.3f: held %v of %d for %v rolls; mean square error %.3g of the own ratio, %.3g of the estimate", fleet.between, fleet.roll, hits, all, sizes, own, shrunk)
		if shrunk > own {
			t.Errorf("between %g, roll %g: the estimate errs by %g, the own ratio by %g", fleet.between, fleet.roll, shrunk, own)
		}
	}
}

func TestOneMachineOff(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	var rolls []calibrate.Roll
	for _, m := range []string{"K01", "K02", "K04", "K05"} {
		rolls = append(rolls, knitted(r, m, 30, 1.001, 0.004)...)
	}
	rolls = append(rolls, knitted(r, "K03", 20, 1.0, 0.004)...)
	late := knitted(r, "K03", 20, 0.967, 0.004)
	for i := range late {
		late[i].ID = fmt.Sprintf("K03-%d", 21+i)
	}
	out := calibrated(t, append(rolls, late...))
	for _, e := range out.Estimates {
		if e.Machine != "K03" {
			if e.Finding.Reason != calibrate.NoReason || math.Abs(e.Ratio-1.001) > 0.004 || e.Changed != nil {
				t.Errorf("%+v", e)
			}
			continue
		}
		if e.Finding.Reason != calibrate.CourseLength || math.Abs(e.Ratio-0.967) > 0.004 || e.Used > 20 || e.Used < 18 || e.Changed == nil || e.Changed.Roll != "K03-21" {
			t.Errorf("K03: %+v, change %+v", e, e.Changed)
		}
		if !strings.Contains(e.Finding.Text, "6.77 m, measured 6.5") || !strings.Contains(e.Finding.Text, "since roll K03-21") {
			t.Errorf("K03: %q", e.Finding.Text)
		}
		if last, ok := e.Derived.Last(); !ok || math.Abs(last.Value-e.Ratio) > 1e-12 {
			t.Errorf("K03 derived:\n%s", e.Derived)
		}
	}
}

func TestAllMachinesAlike(t *testing.T) {
	for _, tt := range []struct {
		name    string
		ratio   float64
		content unit.Share
		agreed  unit.Share
		want    calibrate.Reason
		says    string
	}{
		{"dry cotton", 1.05 / 1.085, 0, 0.085, calibrate.Moisture, "regain of 5."},
		{"coarse count", 1.06, 0, 0.015, calibrate.YarnCount, "yarn count"},
		{"water was measured", 0.97, 0.0783, 0.085, calibrate.YarnCount, "yarn count"},
		{"regain not told", 0.97, 0, 0, calibrate.Unknown, "agreed regain not known"},
	} {
		r := rand.New(rand.NewPCG(2, 2))
		var rolls []calibrate.Roll
		for _, m := range []string{"A", "B", "C"} {
			rolls = append(rolls, knitted(r, m, 20, tt.ratio, 0.003)...)
		}
		for i := range rolls {
			rolls[i].Content, rolls[i].Agreed = tt.content, tt.agreed
		}
		for _, e := range calibrated(t, rolls).Estimates {
			if e.Finding.Reason != tt.want || !strings.Contains(e.Finding.Text, tt.says) || len(e.Finding.Evidence) == 0 {
				t.Errorf("%s: %s: %+v, want %s", tt.name, e.Machine, e.Finding, tt.want)
			}
		}
	}
}

func TestOneMachineAlone(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, tt := range []struct {
		ratio float64
		want  calibrate.Reason
	}{{0.999, calibrate.NoReason}, {0.975, calibrate.Unknown}, {1.08, calibrate.CourseLength}} {
		e := calibrated(t, knitted(r, "A", 25, tt.ratio, 0.004)).Estimates[0]
		if e.Finding.Reason != tt.want {
			t.Errorf("ratio %g: %+v, want %s", tt.ratio, e.Finding, tt.want)
		}
	}
}

func TestOutliers(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	rolls := append(knitted(r, "A", 30, 1, 0.004), knitted(r, "B", 30, 1, 0.004)...)
	rolls[9].Counted, rolls[40].Counted = 27, 21.5
	rolls[9].Weighed, rolls[40].Weighed = 21.55, 26.9 // each other's
	rolls[20].Weighed *= 2
	rolls[50].Weighed /= 2
	rolls[55].Weighed *= 1.2
	got := map[string]calibrate.Finding{}
	for _, e := range calibrated(t, rolls).Estimates {
		if e.Used != e.Rolls-len(e.Outliers) || math.Abs(e.Ratio-1) > 0.004 {
			t.Errorf("%s: %d of %d used, %d outliers, ratio %g", e.Machine, e.Used, e.Rolls, len(e.Outliers), e.Ratio)
		}
		for _, o := range e.Outliers {
			got[o.Roll] = o.Finding
			if !(o.Times > 4) || len(o.Finding.Evidence) < 3 {
				t.Errorf("%+v", o)
			}
		}
	}
	for id, want := range map[string]struct {
		reason calibrate.Reason
		says   string
	}{
		"A-10": {calibrate.RollMixedUp, "B-11"}, "B-11": {calibrate.RollMixedUp, "A-10"}, "A-21": {calibrate.DoffMissed, "twice"},
		"B-21": {calibrate.DoffMissed, "half"}, "B-26": {calibrate.Unknown, "weigh again"},
	} {
		if f := got[id]; f.Reason != want.reason || !strings.Contains(f.Text, want.says) {
			t.Errorf("%s: %+v, want %s with %q", id, f, want.reason, want.says)
		}
	}
	if len(got) != 5 {
		t.Errorf("%d outliers, want 5: %v", len(got), got)
	}
}

func TestTare(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	rolls := knitted(r, "A", 40, 1, 0)
	for i := range rolls {
		rolls[i].Counted = unit.Kilograms(15 + 15*r.Float64())
		rolls[i].Weighed = rolls[i].Counted + unit.Kilograms(0.8+0.05*r.NormFloat64())
	}
	if f := calibrated(t, rolls).Estimates[0].Finding; f.Reason != calibrate.Tare || !strings.Contains(f.Text, "+0.79 kg on every roll") {
		t.Errorf("%+v", f)
	}
}

func TestFewRolls(t *testing.T) {
	e := calibrated(t, []calibrate.Roll{{ID: "1", Machine: "A", Article: "x", Counted: 25, Weighed: 25.5}}).Estimates[0]
	if !(e.Low < e.Ratio && e.Ratio < e.High) || !(e.Own > 0 && e.Own < 1) || !(e.Ratio > 1 && e.Ratio < 1.02) {
		t.Errorf("one roll: %+v", e)
	}
	e = calibrated(t, []calibrate.Roll{{ID: "1", Machine: "A", Article: "x", Counted: 25, Weighed: 50}}).Estimates[0]
	if e.Used != 1 { // nothing to compare it with: the article's middle is the roll itself
		t.Errorf("one roll alone: %+v", e)
	}
	if out := calibrated(t, nil); len(out.Estimates) != 0 || len(out.Articles) != 0 {
		t.Errorf("no rolls: %+v", out)
	}
}

func TestBadRolls(t *testing.T) {
	good := calibrate.Roll{ID: "7", Machine: "A", Article: "x", Counted: 25, Weighed: 25}
	nan, inf := unit.Kilograms(math.NaN()), unit.Kilograms(math.Inf(1))
	for name, spoil := range map[string]func(*calibrate.Roll){
		"no machine": func(r *calibrate.Roll) { r.Machine = "" }, "no article": func(r *calibrate.Roll) { r.Article = "" },
		"zero": func(r *calibrate.Roll) { r.Counted = 0 }, "negative": func(r *calibrate.Roll) { r.Weighed = -1 }, "nan": func(r *calibrate.Roll) { r.Counted = nan },
		"infinite": func(r *calibrate.Roll) { r.Weighed = inf }, "absurd": func(r *calibrate.Roll) { r.Weighed = 1e300 }, "wet": func(r *calibrate.Roll) { r.Content = 1 },
		"regain in percent": func(r *calibrate.Roll) { r.Agreed = 8.5 }, "course in mm": func(r *calibrate.Roll) { r.CourseLength = 6770 },
	} {
		r := good
		spoil(&r)
		if _, err := calibrate.Calibrate([]calibrate.Roll{good, r}, calibrate.Options{}); !errors.Is(err, calibrate.ErrRoll) || !strings.Contains(err.Error(), "number 2") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, o := range []calibrate.Options{{Level: 1}, {Level: math.NaN()}, {Low: 1.1}, {High: 0.9}, {High: math.Inf(1)}} {
		if _, err := calibrate.Calibrate([]calibrate.Roll{good}, o); !errors.Is(err, calibrate.ErrOptions) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// Whatever is weighed, every roll is either used, set aside or before a change, the
// interval holds the estimate, and the order of machines does not matter.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		a := knitted(r, "A", rapid.IntRange(1, 30).Draw(t, "a"), rapid.Float64Range(0.5, 2).Draw(t, "ratio a"), rapid.Float64Range(0, 0.3).Draw(t, "spread"))
		b := knitted(r, "B", rapid.IntRange(1, 30).Draw(t, "b"), rapid.Float64Range(0.9, 1.1).Draw(t, "ratio b"), 0.005)
		one, err := calibrate.Calibrate(append(append([]calibrate.Roll{}, a...), b...), calibrate.Options{})
		if err != nil {
			t.Fatal(err)
		}
		two, err := calibrate.Calibrate(append(append([]calibrate.Roll{}, b...), a...), calibrate.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range one.Estimates {
			if !(e.Low <= e.Ratio && e.Ratio <= e.High && e.Low > 0) || math.IsInf(e.High, 0) {
				t.Fatalf("%+v", e)
			}
			if e.Changed == nil && e.Used+len(e.Outliers) != e.Rolls || e.Used > e.Rolls {
				t.Fatalf("%d used and %d outliers of %d", e.Used, len(e.Outliers), e.Rolls)
			}
			if f := two.Estimates[i]; math.Abs(e.Ratio-f.Ratio) > 1e-9 || e.Machine != f.Machine {
				t.Fatalf("%g in one order, %g in the other", e.Ratio, f.Ratio)
			}
			if e.Used > 0 {
				if last, _ := e.Derived.Last(); math.Abs(last.Value-e.Ratio) > 1e-12 {
					t.Fatalf("derivation ends with %g, the ratio is %g", last.Value, e.Ratio)
				}
			}
		}
	})
}

func BenchmarkCalibrate(b *testing.B) {
	r := rand.New(rand.NewPCG(9, 9))
	var rolls []calibrate.Roll
	for m := range 14 {
		rolls = append(rolls, knitted(r, fmt.Sprintf("K%02d", m+1), 60, 1, 0.005)...)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := calibrate.Calibrate(rolls, calibrate.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
