package backtest

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
)

func drawn(w World, seed uint64) *fleet {
	return newFleet(w, plan{machines: 40, orders: 6, history: 3000, horizon: 1500, begin: 200, step: 3}, rand.New(rand.NewPCG(seed, 1)))
}

// Running and standing fill the wall, and the two clocks are each other's inverse.
func TestClocks(t *testing.T) {
	for _, w := range Worlds() {
		t.Run(w.Name, func(t *testing.T) {
			for i, m := range drawn(w, 3).machines {
				last := 0.0
				for n, s := range m.stops {
					if s.run < last || math.Abs(m.begin+s.run+m.stood[n]-s.wall) > 1e-6 || !(s.minutes > 0) {
						t.Fatalf("machine %d, stop %d: begins at running minute %g after %g, wall %g", i, n, s.run, last, s.wall)
					}
					last = s.run
				}
				for run := 1.0; run < m.bounds[len(m.bounds)-1]; run += 97 {
					if back := m.ran(m.wall(run)); math.Abs(back-run) > 1e-6 {
						t.Fatalf("machine %d: running minute %g is wall %g, which is running minute %g", i, run, m.wall(run), back)
					}
				}
			}
		})
	}
}

// The departures of a world are in its stops. Bounds are four standard errors or more.
func TestWorldsAreAsTheySay(t *testing.T) {
	count := func(w World) (perMinute, night, repeats, mean float64) {
		var n, dark, again, stood, ran float64
		for seed := range uint64(6) {
			for _, m := range drawn(w, seed).machines {
				ran += m.bounds[len(m.bounds)-1]
				for i, s := range m.stops {
					n++
					stood += s.minutes
					if int(s.wall/shiftMinutes)%3 == nightShift {
						dark++
					}
					if i > 0 && s.run-m.stops[i-1].run < repeatGap+1e-9 && s.cause == m.stops[i-1].cause {
						again++
					}
				}
			}
		}
		return n / ran, dark / n, again / n, stood / n
	}
	rate, night, repeats, mean := count(World{})
	want := 1.0/150 + 1.0/600 + 1.0/1500 + 1.0/6000
	if math.Abs(rate/want-1) > 0.15 {
		t.Errorf("%.5f stops in a running minute, want about %.5f", rate, want)
	}
	if math.Abs(night-1.0/3) > 0.03 || repeats > 0.02 {
		t.Errorf("plain world: %.3f of the stops at night, %.3f repeats", night, repeats)
	}
	if _, night, _, _ := count(World{Night: 2}); math.Abs(night-0.5) > 0.04 {
		t.Errorf("with doubled nights %.3f of the stops are at night, want one half", night)
	}
	if r, _, repeats, _ := count(World{Repeat: 0.25}); math.Abs(repeats-0.25) > 0.03 || math.Abs(r/rate-4.0/3) > 0.15 {
		t.Errorf("%.3f of the stops are repeats, want a quarter; %.3f times as many stops, want 4/3", repeats, r/rate)
	}
	if _, _, _, m := count(World{WaitShare: 0.25, WaitMean: 8}); math.Abs(m-mean-2) > 0.6 {
		t.Errorf("waiting adds %.2f min to a stop, want 2", m-mean)
	}
	if _, _, _, m := count(World{Knitters: 3}); m < mean+1 {
		t.Errorf("with three knitters a stop lasts %.2f min, without waiting %.2f", m, mean)
	}
}

// What is observed at a minute does not depend on what comes after it: nothing that
// forecasts sees the future.
func TestTheFutureIsNotSeen(t *testing.T) {
	w := Worlds()[1]
	for i, m := range drawn(w, 5).machines {
		at := m.wall(4321) + 1e-3
		before, plain := m.observed(i, at, 3000), m.plain(at, 3000)
		cut := *m
		n := 0
		for n < len(m.stops) && m.stops[n].wall <= at {
			n++
		}
		cut.stops, cut.stood = slices.Clone(m.stops[:n]), m.stood[:n+1]
		if last := n - 1; last >= 0 && cut.stops[last].wall+cut.stops[last].minutes > at {
			cut.stops[last].minutes += 1000 // the stop in progress could last longer
		}
		cut.rates = nil
		if got := cut.observed(i, at, 3000); !reflect.DeepEqual(got, before) {
			t.Fatalf("machine %d: the history at minute %g changes with the future", i, at)
		}
		if got := cut.plain(at, 3000); !reflect.DeepEqual(got, plain) {
			t.Fatalf("machine %d: the simple methods' history at minute %g changes with the future", i, at)
		}
		ran := 0.0
		for _, s := range before.Stretches {
			ran += s.RunMinutes
		}
		if math.Abs(ran-3000) > 1e-6 {
			t.Errorf("machine %d: %.3f running minutes are observed, want 3000", i, ran)
		}
	}
}

func TestScores(t *testing.T) {
	exponential := func(x float64) float64 { return -math.Expm1(-max(x, 0)) }
	gamma2 := func(x float64) float64 { return 1 - math.Exp(-x/2)*(1+x/2) }
	tests := []struct {
		name   string
		cdf    func(float64) float64
		y      float64
		want   float64
		source string
	}{
		{"exponential at 0", exponential, 0, 0.5, "y-2F(y)+1/2"},
		{"exponential at 1", exponential, 1, 0.2357588823, "y-2F(y)+1/2"},
		{"exponential at 3", exponential, 3, 1.599574137, "y-2F(y)+1/2"},
		{"gamma 2, rate 1/2, at 3", gamma2, 3, 0.6238222421, "closed form and numerical integral, computed with R 4.2.2"},
		{"point", func(x float64) float64 { return 1 }, -2, 2, "distance of a point"},
	}
	for _, tt := range tests {
		if got := crps(tt.cdf, 0, 40, tt.y); math.Abs(got-tt.want) > 3e-3 {
			t.Errorf("%s: %.5f, want %.5f (%s)", tt.name, got, tt.want, tt.source)
		}
	}
	// 48 to 46: computed with R 4.2.2.
	if got := chiSquare([]int{48, 55, 52, 47, 50, 61, 43, 46, 52, 46}); math.Abs(got-4.96) > 1e-9 {
		t.Errorf("chi-square %.4f, want 4.96", got)
	}
	if got := standardError([]float64{1, 2, 3, 4}); math.Abs(got-math.Sqrt(5.0/12)) > 1e-12 {
		t.Errorf("standard error %.6f, want %.6f (by hand)", got, math.Sqrt(5.0/12))
	}
}

// A small mill through everything: the same figures from any number of workers, and
// forecasts that are better than the simple ones and not far off their levels. 60
// judged orders at 90 % have a standard error of 0.039, and share a mill.
func TestSmallBacktest(t *testing.T) {
	o := Options{Fleets: 2, Seed: 7, Worlds: []string{"misspecified"}, Machines: 15, Histories: []float64{3000}, Horizons: []float64{1500}, Workers: 2}
	if testing.Short() {
		o.Machines = 6
	}
	two, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	o.Workers = 1
	one, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(one, two) {
		t.Errorf("one worker gives %+v, two give %+v", one, two)
	}
	c := one.Cells[0]
	if c.Orders != 2*o.Machines*judgedOrders {
		t.Errorf("%d orders, want %d", c.Orders, 2*o.Machines*judgedOrders)
	}
	if !testing.Short() && (c.P90 < 0.75 || c.CRPSRatio > 1.15) {
		t.Errorf("P90 kept in %.3f, CRPS %.3f of the best simple method's", c.P90, c.CRPSRatio)
	}
	if !(c.P80 <= c.P90 && c.P90 <= c.P95 && c.CRPS > 0 && c.Width > 0) {
		t.Errorf("figures do not fit together: %s", c.line())
	}
	text, err := json.Marshal(one)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"world", "history_min", "horizon_min", "orders", "p80", "p90", "p95", "p90_by_third", "crps", "crps_ratio", "step_recovery_orders"} {
		if !strings.Contains(string(text), fmt.Sprintf("%q:", key)) {
			t.Errorf("the result has no %q", key)
		}
	}
}

func TestRecovery(t *testing.T) {
	// From order 40 on all levels are kept as often as they should be.
	var fleets [][]mark
	for range 10 {
		var marks []mark
		for i := range 400 {
			m := mark{afterStep: i}
			if i >= 40 {
				m.kept80, m.kept90, m.kept95 = i%20 < 16, i%20 < 18, i%20 < 19
			}
			marks = append(marks, m)
		}
		fleets = append(fleets, marks)
	}
	if got := recovery(fleets); got != 40 {
		t.Errorf("recovery after %d orders, want 40", got)
	}
	if got := recovery(nil); got != -1 {
		t.Errorf("recovery without orders is %d, want -1", got)
	}
}

func TestRefusals(t *testing.T) {
	for _, o := range []Options{{Worlds: []string{"rosy"}}, {Fleets: -1}, {Machines: 1}, {Workers: -2}, {Fleets: 1e9}} {
		if _, err := Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "backtest cannot be run") {
			t.Errorf("%+v: error %v", o, err)
		}
	}
}
