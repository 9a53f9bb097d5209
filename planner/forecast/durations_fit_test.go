package forecast

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// observed joins times with their status, 1 = ended.
func observed(times []float64, status ...int) []Observed {
	out := make([]Observed, len(times))
	for i, t := range times {
		out[i] = Observed{t, len(status) > 0 && status[i] == 0}
	}
	return out
}

var (
	// aml of the R package survival (Miller 1981).
	amlM = observed([]float64{9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161}, 1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0)
	amlN = observed([]float64{5, 5, 8, 8, 12, 16, 23, 27, 30, 33, 43, 45}, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1)
	// aircondit of the R package boot.
	air = observed([]float64{3, 5, 7, 18, 43, 85, 91, 98, 100, 130, 230, 487})
	// Ten failures of twenty units on a test of 500 hours: the NIST/SEMATECH handbook's
	// life test (data from memory).
	life = append(observed([]float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386}),
		observed([]float64{500, 500, 500, 500, 500, 500, 500, 500, 500, 500}, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)...)
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.10g, want %.10g", what, got, want)
	}
}

// Values computed with R 4.2.2, package survival 3.5-3 (survreg), tolerance 1e-4.
func TestFitsAgainstR(t *testing.T) {
	for _, tt := range []struct {
		name   string
		seen   []Observed
		law    string
		want   [2]float64
		loglik float64
	}{
		{"life test", life, "weibull", [2]float64{1.720797261, 606.527558}, -75.13461816},
		{"aml maintained", amlM, "weibull", [2]float64{1.031854242, 60.32288978}, -35.70395631},
		{"aml nonmaintained", amlN, "weibull", [2]float64{1.573628548, 25.08323789}, -44.14421212},
		{"aircondit", air, "weibull", [2]float64{0.793943807, 94.96489507}, -67.61850987},
		{"aml nonmaintained", amlN, "lognormal", [2]float64{2.850185847, 0.8034360478}, -44.61508696},
	} {
		t.Run(tt.law+" "+tt.name, func(t *testing.T) {
			var got [2]float64
			var loglik float64
			if tt.law == "weibull" {
				w, l, err := FitWeibull(tt.seen)
				if err != nil {
					t.Fatal(err)
				}
				got, loglik = [2]float64{w.Shape, w.Scale}, l
			} else {
				w, l, err := FitLognormal(tt.seen)
				if err != nil {
					t.Fatal(err)
				}
				got, loglik = [2]float64{w.Mu, w.Sigma}, l
			}
			near(t, "first", got[0], tt.want[0], 1e-4)
			near(t, "second", got[1], tt.want[1], 1e-4)
			near(t, "log-likelihood", loglik, tt.loglik, 1e-4)
		})
	}
}

// summary(survfit) of R 4.2.2, package survival 3.5-3; tolerance 1e-8.
func TestKaplanMeierAgainstR(t *testing.T) {
	for _, tt := range []struct {
		name      string
		seen      []Observed
		at, s, se []float64
	}{
		{"aml maintained", amlM, []float64{9, 13, 18, 23, 31, 34, 48},
			[]float64{0.9090909091, 0.8181818182, 0.7159090909, 0.6136363636, 0.4909090909, 0.3681818182, 0.1840909091},
			[]float64{0.0866784172, 0.1162912998, 0.1396649706, 0.152632331, 0.1641932672, 0.1626688858, 0.1534927458}},
		{"aml nonmaintained", amlN, []float64{5, 8, 12, 23, 27, 30, 33, 43, 45},
			[]float64{0.8333333333, 0.6666666667, 0.5833333333, 0.4861111111, 0.3888888889, 0.2916666667, 0.1944444444, 0.09722222222, 0},
			[]float64{0.1075828707, 0.1360827635, 0.1423187606, 0.1481300626, 0.1469861839, 0.1387151691, 0.1218745054, 0.09186636497}},
	} {
		curve := KaplanMeier(tt.seen)
		if len(curve) != len(tt.at) {
			t.Fatalf("%s: %d steps, want %d", tt.name, len(curve), len(tt.at))
		}
		for i, c := range curve {
			near(t, tt.name+" time", c.Minutes, tt.at[i], 0)
			if math.Abs(c.Share-tt.s[i]) > 1e-8 {
				t.Errorf("%s: %.10f at %g, want %.10f", tt.name, c.Share, c.Minutes, tt.s[i])
			}
			if i < len(tt.se) && math.Abs(c.SE-tt.se[i]) > 1e-8 {
				t.Errorf("%s: standard error %.10f at %g, want %.10f", tt.name, c.SE, c.Minutes, tt.se[i])
			}
		}
	}
}

// Sums of the sorted gaps of aircondit7 (R package boot), so a constructed trend;
// R 4.2.2, tolerance 1e-7. The Laplace statistic by its formula from the same sums.
func TestTrend(t *testing.T) {
	var at []float64
	sum := 0.0
	for _, gap := range []float64{3, 5, 5, 13, 14, 15, 22, 22, 23, 30, 36, 39, 44, 46, 50, 72, 79, 88, 97, 102, 139, 188, 197, 210} {
		sum += gap
		at = append(at, sum)
	}
	got, err := TrendOf(at, sum)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "exponent", got.Exponent, 0.4585323398, 1e-7)
	near(t, "level", got.Level, 0.8293908885, 1e-7)
	if !(got.Laplace < -3 && got.P < 0.003) {
		t.Errorf("gaps that grow give Laplace %.2f with chance %.4f, want a clear improvement", got.Laplace, got.P)
	}
	var even []float64
	for i := range 20 {
		even = append(even, float64(i+1)*10)
	}
	if got, err := TrendOf(even, 210); err != nil || math.Abs(got.Laplace) > 1e-9 {
		t.Errorf("even stops give Laplace %g, %v, want 0", got.Laplace, err)
	}
	for _, bad := range [][]float64{nil, {1, 2}, {3, 2, 4, 5}, {1, 2, 3, math.NaN()}, {1, 2, 3, 1e9}, {0, 1, 2, 3}} {
		if got, err := TrendOf(bad, 100); !errors.Is(err, ErrInput) {
			t.Errorf("%v: trend %+v, %v, want ErrInput", bad, got, err)
		}
	}
}

func TestFitsRefuse(t *testing.T) {
	for name, seen := range map[string][]Observed{
		"nothing":       nil,
		"one stop":      observed([]float64{5}),
		"all alike":     observed([]float64{5, 5, 5, 5}),
		"all open":      observed([]float64{1, 2, 3, 4}, 0, 0, 0, 0),
		"not durations": observed([]float64{math.NaN(), -1, math.Inf(1), 1e300, 7}),
	} {
		if _, _, err := FitLognormal(seen); !errors.Is(err, ErrInput) {
			t.Errorf("%s: lognormal, %v", name, err)
		}
		if _, _, err := FitWeibull(seen); !errors.Is(err, ErrInput) {
			t.Errorf("%s: Weibull, %v", name, err)
		}
	}
}

// Every law keeps what Durations promises: Limited is the integral of Tail, Mean its
// limit, Square twice the integral of x Tail.
func TestDurationsAreConsistent(t *testing.T) {
	checks := 0
	rapid.Check(t, func(t *rapid.T) {
		if checks++; checks > 25 {
			return
		}
		var seen []Observed
		for range rapid.IntRange(1, 20).Draw(t, "n") {
			seen = append(seen, Observed{rapid.Float64Range(0.1, 60).Draw(t, "x"), rapid.IntRange(0, 3).Draw(t, "open") == 0})
		}
		weibull := Weibull{rapid.Float64Range(0.7, 4).Draw(t, "shape"), rapid.Float64Range(1, 30).Draw(t, "scale")}
		for name, d := range map[string]Durations{
			"weibull": weibull, "beyond": Beyond{weibull, rapid.Float64Range(0, 20).Draw(t, "from")},
			"pooled": Pooled(seen, Lognormal{math.Log(10), 0.8}),
		} {
			step := 0.0
			limited, square := 0.0, 0.0
			x := 0.0
			for ; x < 5000 && d.Tail(x) > 1e-9; x += step {
				step = max(0.01, x/500)
				mid := x + step/2
				limited += step * d.Tail(mid)
				square += step * 2 * mid * d.Tail(mid)
			}
			if got := d.Limited(x); math.Abs(got-limited) > 1e-3*limited+0.01 {
				t.Fatalf("%s: Limited(%g) = %g, integral %g", name, x, got, limited)
			}
			if math.Abs(d.Mean()-limited) > 1e-3*limited+0.02 {
				t.Fatalf("%s: mean %g, integral %g", name, d.Mean(), limited)
			}
			if math.Abs(d.Square()-square) > 0.02*square+0.1 {
				t.Fatalf("%s: mean square %g, integral %g", name, d.Square(), square)
			}
		}
	})
}
