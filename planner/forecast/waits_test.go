package forecast

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// waitingFleet draws machines whose yarn stops wait an exponential time and are then
// repaired; the share taken of them was taken up by somebody. Needle stops never were.
func waitingFleet(taken float64, wait float64) *Fleet {
	rng := rand.New(rand.NewPCG(31, 32))
	var all []History
	for m := range 20 {
		h := History{Machine: string(rune('a' + m)), RunMinutes: 3000, Causes: []CauseHistory{{Cause: "needle", Count: 2, DurationsMin: []float64{12, 20}}}}
		yarn := CauseHistory{Cause: "yarn"}
		for range 20 {
			waited, worked := wait*rng.ExpFloat64(), variate(rng, lognormal(3, 6))
			yarn.Count++
			yarn.DurationsMin = append(yarn.DurationsMin, waited+worked)
			if rng.Float64() < taken {
				yarn.Taken = append(yarn.Taken, Taken{waited, worked})
			}
		}
		h.Causes = append(h.Causes, yarn)
		all = append(all, h)
	}
	return Learn(all)
}

// Where stops were taken up, waiting stands apart and the parts are still all of the
// time; without it the work is done earlier by what was waited.
func TestWaitingStandsApart(t *testing.T) {
	m := waitingFleet(0.3, 4).Machine("a")
	w := Work{RunMinutes: 5000}
	law, err := m.Finish(w)
	if err != nil {
		t.Fatal(err)
	}
	parts, err := m.Account(w)
	if err != nil {
		t.Fatal(err)
	}
	sum, by := 0.0, map[string]Account{}
	for _, p := range parts {
		sum += p.Mean
		by[p.Kind+p.Cause] = p
	}
	if math.Abs(sum-law.Mean()) > 1e-6*sum {
		t.Errorf("parts add up to %g min, the mean is %g", sum, law.Mean())
	}
	waiting, yarn := by[Waiting], by[Random+"yarn"]
	// The mean of the work is that of its law.
	share := 4 / (4 + lognormal(3, 6).Mean())
	if got := waiting.Mean / (waiting.Mean + yarn.Mean); math.Abs(got-share) > 0.1 {
		t.Errorf("%.2f of the yarn stops' time is waiting, want %.2f", got, share)
	}
	if !(waiting.P90 > waiting.Mean) || by[Random+"needle"].Mean <= 0 {
		t.Errorf("parts %+v", parts)
	}
	w.NoWaiting = true
	without, err := m.Finish(w)
	if err != nil {
		t.Fatal(err)
	}
	if gain := law.Mean() - without.Mean(); math.Abs(gain-waiting.Mean) > 1e-6*sum {
		t.Errorf("without waiting the mean is %g min less, the waiting is %g", gain, waiting.Mean)
	}
	if basis := strings.Join(m.fleet.Basis(), "; "); !strings.Contains(basis, "that somebody took up: yarn; under other causes it is inside the stops") {
		t.Errorf("basis %q", basis)
	}
}

// A few that were taken tell nothing, and what is unknown is not made up.
func TestWaitingUnknown(t *testing.T) {
	f := waitingFleet(0.01, 4)
	parts, err := f.Machine("a").Account(Work{RunMinutes: 5000})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		if p.Kind == Waiting {
			t.Errorf("part %+v from %d stops", p, f.causes[f.index["yarn"]].waits.taken)
		}
	}
	if basis := strings.Join(f.Basis(), "; "); strings.Contains(basis, "Waiting") {
		t.Errorf("basis %q", basis)
	}
	for _, bad := range [][]Taken{{{-1, 3}}, {{math.NaN(), 3}}, {{3, math.Inf(1)}}, {{0, 0}}} {
		for len(bad) < 2*leastTaken {
			bad = append(bad, bad[0])
		}
		if w := waitsOf(bad); w.share != 0 || w.taken != 0 {
			t.Errorf("%v: %+v", bad[0], w)
		}
	}
}
