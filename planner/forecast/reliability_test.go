package forecast

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"turnwise/planner/forecast/score"
)

// example is a row of testdata/reliability.json: values of an R session of this project,
// the source beside each; tol is relative, absolute where 0 is expected.
type example struct {
	ID       string
	Inputs   json.RawMessage
	Expected json.RawMessage
	Tol      float64
}

// given holds the inputs of all rows; each has some of them.
type given struct {
	Failures, Censored, Mtbf50, Mtbf05, Hours, Confidence   any
	Time, X, T, At, P, Y, Counts                            any
	Status                                                  []int
	GapsInOrder                                             []float64 `json:"gaps_in_order"`
	A, B, U, Mean, Horizon, Lambda, Shape, Rate, N, Elapsed float64
	Sigma                                                   float64
}

// figures are the numbers of a value that is a number or a list of them.
func figures(v any) (out []float64) {
	switch v := v.(type) {
	case float64:
		return []float64{v}
	case []any:
		for _, x := range v {
			out = append(out, figures(x)...)
		}
	}
	return out
}

// wanted are the expected figures, named where the row names them.
func (e example) wanted(t *testing.T) (list []float64, named map[string][]float64) {
	var v any
	if err := json.Unmarshal(e.Expected, &v); err != nil {
		t.Fatal(err)
	}
	named = map[string][]float64{}
	if m, ok := v.(map[string]any); ok {
		for k, x := range m {
			named[k] = figures(x)
		}
	}
	if p := named["a"]; p != nil { // a prior by its two names
		return append(p, named["b"]...), named
	}
	return figures(v), named
}

// lawTol is what a law's CDF may be off by; rows of sums have closed forms.
const lawTol = 1e-3

// elsewhere are the rows that this package has no say in, and who has.
var elsewhere = map[string]string{
	"newsvendor-trigger": "planner/creel",
	"normal-loss":        "no package: nothing is priced by a normal loss",
	"kalman-static":      "planner/creel",
	"trunc-normal":       "planner/creel",
	"interference-6":     "no package: how long machines wait for a knitter is learnt with the stop",
	"interference-30-2":  "no package: how long machines wait for a knitter is learnt with the stop",
	"exp-mle-cens":       "no package: an exponential law is a Weibull law of shape 1, which is fitted",
	"air-gamma":          "no package: gamma durations are not fitted",
	"pump-eb":            "no package: spreads are found by pairs of counts, not by marginal likelihood",
	"cornish-fisher":     "no package: an approximation that planning must not use; the exact P95 is tested",
	"saddlepoint":        "no package: an approximation that the law makes needless; the exact chance is tested",
	"invgauss-2":         "no package: a law of two moments, too coarse for finishing times",
}

func TestReliabilityExamples(t *testing.T) {
	raw, err := os.ReadFile("testdata/reliability.json")
	if err != nil {
		t.Fatal(err)
	}
	var rows []example
	if err := json.Unmarshal(raw, &rows); err != nil {
		t.Fatal(err)
	}
	kept := 0
	var others []string
	for _, e := range rows {
		if why, ok := elsewhere[e.ID]; ok {
			others = append(others, e.ID+" ("+why+")")
			continue
		}
		if t.Run(e.ID, func(t *testing.T) { e.check(t) }) {
			kept++
		}
	}
	if len(rows) != 38 || kept+len(others) != len(rows) {
		t.Errorf("%d of %d examples kept, %d of others, expected all of 38", kept, len(rows), len(others))
	}
	t.Logf("%d of %d; not of this package: %s", kept, len(rows), strings.Join(others, "; "))
}

func (e example) check(t *testing.T) {
	var in given
	if err := json.Unmarshal(e.Inputs, &in); err != nil && e.ID != "resid-lognormal" {
		t.Fatal(err)
	}
	want, named := e.wanted(t)
	same := func(got ...float64) {
		t.Helper()
		if len(got) != len(want) {
			t.Fatalf("%v, want %v", got, want)
		}
		for i, g := range got {
			if off := math.Abs(g - want[i]); !(off <= e.Tol*max(math.Abs(want[i]), 0) || want[i] == 0 && off <= e.Tol) {
				t.Errorf("figure %d is %.11g, want %.11g within %g", i+1, g, want[i], e.Tol)
			}
		}
	}
	seen := func() []Observed {
		if in.Failures != nil {
			return append(observed(figures(in.Failures)), observed(figures(in.Censored), make([]int, len(figures(in.Censored)))...)...)
		}
		return observed(slices.Concat(figures(in.Time), figures(in.X)), in.Status...)
	}
	switch kind, _, _ := strings.Cut(e.ID, "-"); kind {
	case "mtbf":
		same(mtbfBounds(in)...)
	case "gamma":
		same(gammaExample(e.ID, in)...)
	case "weibull", "air":
		w, l, err := FitWeibull(seen())
		if err != nil {
			t.Fatal(err)
		}
		same(w.Shape, w.Scale, l)
	case "lnorm":
		w, l, err := FitLognormal(seen())
		if err != nil {
			t.Fatal(err)
		}
		same(w.Mu, w.Sigma, l)
	case "km":
		checkCurve(t, KaplanMeier(seen()), named, e.Tol)
	case "na":
		// The share of those left that end at a step is one less the curve's fall.
		var got []float64
		sum, before := 0.0, 1.0
		for _, s := range KaplanMeier(seen()) {
			sum, before = sum+1-s.Share/before, s.Share
			got = append(got, sum)
		}
		same(got...)
	case "crow":
		var at []float64
		sum := 0.0
		for _, g := range in.GapsInOrder {
			sum += g
			at = append(at, sum)
		}
		tr, err := TrendOf(at, sum)
		if err != nil {
			t.Fatal(err)
		}
		same(tr.Exponent, tr.Level)
	case "pump", "pump5":
		same(pumpExample(e.ID, in)...)
	case "cpoisson", "cnegbin":
		checkSum(t, in, named)
	case "crps":
		e.checkCRPS(t, in, want)
	case "pit":
		same(uniformity(figures(in.Counts))...)
	case "coverage":
		low, high := score.Band(int(in.N), figures(in.P)[0], 0.95)
		same(float64(low), float64(high))
	case "resid":
		r := Remainder{Lognormal{math.Log(10), 0.8}, 15} // as the row says, "ln 10"
		same(r.Mean(), solve(func(x float64) float64 { return 1 - r.Tail(x) }, 0.5), solve(func(x float64) float64 { return 1 - r.Tail(x) }, 0.9))
	default:
		t.Fatalf("nobody checks %q", e.ID)
	}
}

// solve gives where a rising function from 0 to 1 reaches p.
func solve(f func(float64) float64, p float64) float64 {
	lo, hi := 0.0, 1.0
	for f(hi) < p && hi < 1e12 {
		hi *= 2
	}
	for range 200 {
		if mid := (lo + hi) / 2; f(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

func gammaQuantile(shape, p float64) float64 {
	return solve(func(x float64) float64 { return gammaBelow(shape, x) }, p)
}

// mtbfBounds are by the formula beside the rows; half a chi-square with 2r degrees is a
// gamma with shape r.
func mtbfBounds(in given) []float64 {
	r, tail, mtbf := figures(in.Failures)[0], (1-figures(in.Confidence)[0])/2, 1.0
	if in.Hours != nil {
		mtbf = figures(in.Hours)[0] / r
	}
	return []float64{mtbf * r / gammaQuantile(r+1, 1-tail), mtbf * r / gammaQuantile(r, tail)}
}

func gammaExample(id string, in given) []float64 {
	if id == "gamma-prior-50-95" {
		ratio := figures(in.Mtbf50)[0] / figures(in.Mtbf05)[0]
		spread := func(a float64) float64 { return gammaQuantile(a, 0.95) / gammaQuantile(a, 0.5) }
		lo, hi := 0.5, 50.0 // the ratio falls with the shape
		for range 60 {
			if mid := (lo + hi) / 2; spread(mid) > ratio {
				lo = mid
			} else {
				hi = mid
			}
		}
		return []float64{lo, figures(in.Mtbf50)[0] * gammaQuantile(lo, 0.5)}
	}
	x, hours := figures(in.Failures), figures(in.Hours)[0]
	shape, mean := posterior(in.A, in.B, x[0], hours)
	out := []float64{}
	for _, p := range []float64{0.5, 0.8, 0.95} {
		out = append(out, shape/mean/gammaQuantile(shape, p))
	}
	return append(out, 1/mean)
}

// posterior is what the package makes of x events in time t under a gamma prior.
func posterior(a, b, x, t float64) (shape, mean float64) {
	factor, rel := credit([][]float64{{1 / a}}, []tally{{count: []float64{x}, expected: []float64{t * a / b}}}, 0)
	return 1 / rel[0][0], factor[0] * a / b
}

func pumpExample(id string, in given) (out []float64) {
	x, minutes := figures(in.X), figures(in.T)
	if id == "pump-post" {
		for i := range x {
			_, mean := posterior(in.A, in.B, x[i], minutes[i])
			out = append(out, mean)
		}
		return out
	}
	// Stops that last a minute to the second: their minutes are their number.
	shape, mean := posterior(in.A, in.B, x[0], minutes[0])
	s := Sum{Run: in.Horizon, Stops: []Stops{{"pump", Rate{mean, shape}, NewSample(1)}}}
	m, err := s.moments()
	if err != nil {
		return nil
	}
	law, err := s.Recursion(1, 256)
	if err != nil {
		return nil
	}
	return []float64{m.atom, law.CDF(in.Horizon + 5.5), m.mean, m.variance}
}

func checkCurve(t *testing.T, curve []Survival, want map[string][]float64, tol float64) {
	if len(curve) != len(want["t"]) {
		t.Fatalf("%d steps, want %d", len(curve), len(want["t"]))
	}
	median := math.NaN()
	for i, c := range curve {
		if c.Minutes != want["t"][i] || !(math.Abs(c.Share-want["S"][i]) <= tol*max(want["S"][i], 1e-6)) {
			t.Errorf("share at %g is %.11g, want %.11g", c.Minutes, c.Share, want["S"][i])
		}
		if i < len(want["se"]) && !(math.Abs(c.SE-want["se"][i]) <= tol*want["se"][i]) {
			t.Errorf("standard error at %g is %.11g, want %.11g", c.Minutes, c.SE, want["se"][i])
		}
		if c.Share <= 0.5 && math.IsNaN(median) {
			median = c.Minutes
		}
	}
	if median != want["median"][0] {
		t.Errorf("median %g, want %g", median, want["median"][0])
	}
}

// checkSum asks both the transform and the recursion.
func checkSum(t *testing.T, in given, want map[string][]float64) {
	run, rate := 1.0, Rate{Mean: in.Lambda}
	if in.A > 0 {
		run, rate = in.U, Rate{in.A / in.B, in.A}
	}
	s := Sum{Run: run, Stops: []Stops{{"a", rate, Exponential(in.Mean)}}}
	law, err := s.Law()
	if err != nil {
		t.Fatal(err)
	}
	recursion, err := s.Recursion(1.0/8, 1<<13)
	if err != nil {
		t.Fatal(err)
	}
	worst := map[string]float64{}
	for name, l := range map[string]Law{"transform": law, "recursion": recursion} {
		for i, x := range figures(in.At) {
			worst[name] = max(worst[name], math.Abs(l.CDF(run+x)-want["F"][i]))
		}
		for i, q := range want["q"] {
			worst[name] = max(worst[name], math.Abs(l.CDF(run+q)-figures(in.P)[i]))
		}
		if worst[name] > lawTol {
			t.Errorf("CDF by %s is off by %.2e, want at most %g", name, worst[name], lawTol)
		}
	}
	if v := want["var"]; v != nil {
		m, err := s.moments()
		if err != nil || math.Abs(m.mean/want["mean"][0]-1) > 1e-7 || math.Abs(m.variance/v[0]-1) > 1e-7 {
			t.Errorf("mean %g, variance %g, %v, want %v and %v", m.mean, m.variance, err, want["mean"], v)
		}
	}
	t.Logf("CDF off by %.1e (transform), %.1e (recursion)", worst["transform"], worst["recursion"])
}

// checkCRPS takes continuous laws in a hundred thousand parts: what that leaves is a few
// parts in a hundred thousand.
func (e example) checkCRPS(t *testing.T, in given, want []float64) {
	const parts, coarse = 100_000, 1e-4
	tol, minutes := coarse, make([]float64, parts)
	quantile := func(p float64) float64 { return -math.Log1p(-p) }
	if e.ID == "crps-gamma" {
		quantile = func(p float64) float64 { return gammaQuantile(in.Shape, p) / in.Rate }
	}
	if e.ID == "crps-ensemble" {
		tol, minutes = e.Tol, figures(in.X)
	} else {
		for i := range minutes {
			minutes[i] = quantile((float64(i) + 0.5) / parts)
		}
	}
	for i, y := range figures(in.Y) {
		if got := (score.Outcome{Minutes: minutes, Happened: y}).CRPS(); math.Abs(got-want[i]) > tol*want[i] {
			t.Errorf("at %g: %.9g, want %.9g within %g", y, got, want[i], tol)
		}
	}
}

// uniformity is the chi-square of counts against equal ones, and the chance of more.
func uniformity(counts []float64) []float64 {
	sum, chi := 0.0, 0.0
	for _, c := range counts {
		sum += c
	}
	even := sum / float64(len(counts))
	for _, c := range counts {
		chi += (c - even) * (c - even) / even
	}
	return []float64{chi, 1 - gammaBelow(float64(len(counts)-1)/2, chi/2)}
}
