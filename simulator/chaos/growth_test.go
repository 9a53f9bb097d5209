package chaos

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"testing"
	"time"
)

// sawTooth is a heap as a sampler sees one: what lives, and up to that share of it
// again that is not collected yet, one sample each four seconds or so.
func sawTooth(rng *rand.Rand, minutes int, share float64, lives func(minute float64) float64) (at []time.Duration, v []float64) {
	for t := 5 * time.Second; t < time.Duration(minutes)*time.Minute; t += time.Duration(2000+rng.IntN(4000)) * time.Millisecond {
		least := lives(t.Minutes())
		at, v = append(at, t), append(v, least*(1+share*rng.Float64()))
	}
	return at, v
}

// TestGrowthOfSeries: what is flat, warms up, jumps once or is disturbed is
// steady, and what leaks grows, for an hour and for twenty minutes.
func TestGrowthOfSeries(t *testing.T) {
	heap, own := measure{"heap_mb", 2}, measure{"own_mb", 6}
	flat := func(float64) float64 { return 8 }
	tests := []struct {
		name    string
		of      measure
		minutes int
		lives   func(minute float64) float64
		want    string
	}{
		{"flat", heap, 60, flat, steady},
		{"flat, 20 minutes", heap, 20, flat, steady},
		{"flat, too short a life", heap, 12, flat, young},
		{"warms up in two minutes", heap, 60, func(m float64) float64 { return 8 - 6*math.Exp(-m) }, steady},
		{"warms up in two minutes, 20 minutes", heap, 20, func(m float64) float64 { return 8 - 6*math.Exp(-m) }, steady},
		{"six wild minutes near the end", heap, 60, func(m float64) float64 {
			if m >= 50 && m < 56 {
				return 60
			}
			return 8
		}, steady},
		{"shrinks", heap, 60, func(m float64) float64 { return 12 - m/10 }, steady},
		{"leaks 8 MB an hour", heap, 60, func(m float64) float64 { return 8 + 8*m/60 }, grows},
		{"leaks 4 MB an hour, for two hours", heap, 120, func(m float64) float64 { return 8 + 4*m/60 }, grows},
		{"leaks 30 MB an hour, 20 minutes", heap, 20, func(m float64) float64 { return 8 + 30*m/60 }, grows},
		{"memory, of which caches fill in three minutes", own, 35, func(m float64) float64 { return 14 - 7*max(0, 1-m/3) }, steady},
		{"memory that comes to be used for an hour", own, 60, func(m float64) float64 { return 20 + 12*m/60 }, grows},
	}
	for _, tt := range tests {
		wrong := 0
		const runs = 100
		for seed := range uint64(runs) {
			share := 1.0
			if tt.of == own {
				share = 0.2 // the heap's part of the memory
			}
			at, v := sawTooth(rand.New(rand.NewPCG(seed, 7)), tt.minutes, share, tt.lives)
			if judgeGrowth(tt.of, at, v).Verdict != tt.want {
				wrong++
			}
		}
		if wrong > 0 {
			t.Errorf("%s: %d of %d series are not %s", tt.name, wrong, runs, tt.want)
		}
	}
}

// TestGrowthOfCounts: whole numbers that come and go with connections, and one
// goroutine that is left behind each five minutes.
func TestGrowthOfCounts(t *testing.T) {
	for _, tt := range []struct {
		name string
		each float64 // minutes for one that stays; 0 = none stays
		want string
	}{{"flat", 0, steady}, {"one each five minutes", 5, grows}, {"one each half hour", 30, steady}} {
		for seed := range uint64(100) {
			rng := rand.New(rand.NewPCG(seed, 8))
			var at []time.Duration
			var v []float64
			for s := 5 * time.Second; s < time.Hour; s += 4 * time.Second {
				n := 20 + float64(rng.IntN(4))
				if tt.each > 0 {
					n += math.Floor(s.Minutes() / tt.each)
				}
				at, v = append(at, s), append(v, n)
			}
			if f := judgeGrowth(measure{"goroutines", 3}, at, v); f.Verdict != tt.want {
				t.Errorf("%s, seed %d: %s by %+v, want %s", tt.name, seed, f.Verdict, f.Growth, tt.want)
			}
		}
	}
}

// TestTheilSen: a line is found in spite of a wild value, and the bound by hand:
// of 8 points Kendall's C is 3.09*sqrt(8*7*21/18) = 25.0, so the bound is number
// (28-25.0)/2 = 1 of the 28 slopes in order, counted from 0.
func TestTheilSen(t *testing.T) {
	x := []float64{3, 4, 5, 6, 7, 8, 9, 10}
	slope, least := theilSen(x, []float64{1, 3, 5, 7, 9, 11, 13, 15})
	if slope != 2 || least != 2 {
		t.Errorf("a line of slope 2: %g, at least %g", slope, least)
	}
	// The slopes down from the wild value are (11-500)/3, (13-500)/4, (15-500)/5
	// and, steeper, (9-500)/2 and (7-500)/1: the last but one is the bound.
	if slope, least = theilSen(x, []float64{1, 3, 5, 500, 7, 9, 11, 13}); slope < 1 || slope > 2 || least != (9-500)/2. {
		t.Errorf("one wild value: slope %g, at least %g, want 1 to 2 and %g", slope, least, (9-500)/2.)
	}
}

// TestGrowthCondemns: a run in which a program grew is not all right.
func TestGrowthCondemns(t *testing.T) {
	r := newResult(1)
	r.Caught = Controls{Lossy: true, Doubling: true}
	r.Resources["server"] = []Figure{{What: "files", Verdict: steady}, {What: "own_mb", Verdict: young}}
	if !r.OK() {
		t.Error("a run that found nothing is condemned")
	}
	r.Resources["server"][1].Verdict = grows
	if r.OK() {
		t.Error("a run in which the server grew is all right")
	}
}

// TestUse reads this process as it reads programs.
func TestUse(t *testing.T) {
	if _, err := os.Stat("/proc/self/statm"); err != nil {
		t.Skipf("no /proc: %v", err)
	}
	page := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		fmt.Fprint(w, "# HELP g Goroutines.\ng 7\nh 2.5e+06\nh{of=\"other\"} 9\n")
	}))
	defer page.Close()
	u, err := use(t.Context(), os.Getpid(), page.Listener.Addr().String(), "g", "h")
	if err != nil {
		t.Fatal(err)
	}
	if u["goroutines"] != 7 || u["heap_mb"] != 2.5 || u["files"] < 3 || u["own_mb"] < 1 || u["own_mb"] > 1000 {
		t.Errorf("this process uses %v, want 7 goroutines, 2.5 MB, 3 files or more, and some memory", u)
	}
	page.Close()
	if u, err := use(t.Context(), os.Getpid(), page.Listener.Addr().String(), "g", "h"); err == nil {
		t.Errorf("%v from a program that does not answer", u)
	}
}

// TestSpares: the last part of a run spares the server, by cycles, by time, or
// for so long as is asked.
func TestSpares(t *testing.T) {
	const s, minute = time.Second, time.Minute
	tests := []struct {
		name        string
		o           Options
		i           int
		took, since time.Duration
		want        bool
	}{
		{"first third", Options{Cycles: 90}, 29, 90 * s, 95 * s, false},
		{"last third", Options{Cycles: 90}, 60, 180 * s, 185 * s, true},
		{"last third of the time", Options{Cycles: 1 << 30, Within: 30 * minute}, 400, 20 * minute, 20 * minute, true},
		{"before it", Options{Cycles: 1 << 30, Within: 30 * minute}, 400, 19 * minute, 19 * minute, false},
		{"25 of 60 minutes, at 34", Options{Cycles: 1 << 30, Within: 60 * minute, ServerLives: 25 * minute}, 680, 34 * minute, 34 * minute, false},
		{"25 of 60 minutes, at 35", Options{Cycles: 1 << 30, Within: 60 * minute, ServerLives: 25 * minute}, 700, 35 * minute, 35 * minute, true},
		{"all the time", Options{Cycles: 1000, Within: 10 * minute, ServerLives: 10 * minute}, 0, 0, 10 * s, true},
		{"1000 cycles, a short first one", Options{Cycles: 1000, ServerLives: 20 * minute}, 1, s, 10 * s, false},
		{"500 cycles of 2.4 s are left", Options{Cycles: 1000, ServerLives: 20 * minute}, 500, 1200 * s, 1210 * s, false},
		{"480 cycles of 2.4 s are left", Options{Cycles: 1000, ServerLives: 20 * minute}, 520, 1248 * s, 1260 * s, true},
	}
	for _, tt := range tests {
		if got := tt.o.spares(tt.i, tt.took, tt.since); got != tt.want {
			t.Errorf("%s: %t, want %t", tt.name, got, tt.want)
		}
	}
}
