package forecast

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Property: each time of the law is moved by the pauses that begin before it, chances
// stay, and mean and lateness are those of the moved times.
func TestPausesMoveTimes(t *testing.T) {
	m := taught(t).Machine("k01")
	rapid.Check(t, func(r *rapid.T) {
		w := Work{RunMinutes: rapid.Float64Range(0, 3000).Draw(r, "run"), FixedMinutes: rapid.Float64Range(0, 60).Draw(r, "fixed")}
		base, err := m.Finish(w)
		if err != nil {
			r.Fatal(err)
		}
		for range rapid.IntRange(0, 4).Draw(r, "pauses") {
			w.Pauses = append(w.Pauses, Pause{rapid.Float64Range(0, 4000).Draw(r, "at"), rapid.Float64Range(0, 500).Draw(r, "long")})
		}
		law, err := m.Finish(w)
		if err != nil {
			r.Fatal(err)
		}
		moved := func(x float64) float64 {
			sum := x
			for _, p := range w.Pauses {
				if p.At < x {
					sum += p.Minutes
				}
			}
			return sum
		}
		const ways = 1000
		late, mean := 0.0, 0.0
		due := rapid.Float64Range(0, 6000).Draw(r, "due")
		for i := range ways {
			p := (float64(i) + 0.5) / ways
			q := law.Quantile(p)
			if want := moved(base.Quantile(p)); math.Abs(q-want) > 1e-9 {
				r.Fatalf("quantile %g is %g, want %g", p, q, want)
			}
			if f := law.CDF(q); math.Abs(f-p) > 1e-6 && q > law.Quantile(0) {
				r.Fatalf("chance to be done by the %g quantile is %g", p, f)
			}
			mean += q / ways
			late += max(q-due, 0) / ways
		}
		// Beyond the last of the ways lies a tail that the steps do not see.
		slack := 0.03*(base.Quantile(0.9999)-base.Quantile(0)) + 1
		if math.Abs(mean-law.Mean()) > slack || math.Abs(late-law.Excess(due)) > slack {
			r.Fatalf("mean %g, lateness %g by steps, %g and %g told; pauses %v", mean, late, law.Mean(), law.Excess(due), w.Pauses)
		}
		if mean, upTo := law.Paused(0.9); math.Abs(law.Mean()-base.Mean()-mean) > 1e-9 || math.Abs(law.Quantile(0.9)-base.Quantile(0.9)-upTo) > 1e-9 {
			r.Fatalf("pauses take %g, up to %g", mean, upTo)
		}
	})
}

// Two machines with kilos of their own, one with care: against orders that are drawn.
func TestPausesOfSplitOrders(t *testing.T) {
	f := taught(t)
	care := Pause{1700, 240}
	parts := []Part{{Machine: f.Machine("k00"), Work: Work{RunMinutes: 1500, Pauses: []Pause{care}}}, {Machine: f.Machine("k01"), Work: Work{RunMinutes: 1600}}}
	law, err := Split(parts...)
	if err != nil {
		t.Fatal(err)
	}
	const orders = 4000
	rng := rand.New(rand.NewPCG(8, 9))
	spread := f.spread.order
	draws := make([]float64, orders)
	for i := range draws {
		lot := gammaVariate(rng, 1/spread) * spread
		for k, p := range parts {
			shape := shapeOrInf((spreadOf(p.Machine.common) - spread) / (1 + spread))
			own := gammaVariate(rng, shape) / shape
			total := p.Work.RunMinutes
			for _, c := range p.Machine.stops {
				total += c.draw(rng, p.Work.RunMinutes, lot*own)
			}
			if k == 0 && total > care.At {
				total += care.Minutes
			}
			draws[i] = max(draws[i], total)
		}
	}
	if worst, most := worstOf(law, draws), 1.95/math.Sqrt(orders)+1e-2; worst > most {
		t.Errorf("CDF differs by %.4f from %d orders drawn, want at most %.4f", worst, orders, most)
	}
	for _, bad := range [][]Pause{{{-1, 5}}, {{5, math.NaN()}}, {{math.Inf(1), 5}}} {
		if _, err := parts[0].Machine.Finish(Work{RunMinutes: 5, Pauses: bad}); err == nil {
			t.Errorf("pauses %v are taken", bad)
		}
	}
	// Shared kilos: a pause of the only machine of two that has a weight in it is half of it.
	for i := range parts {
		parts[i].Weight = 1
		parts[i].Work.Pauses = nil
	}
	free, err := Split(parts...)
	if err != nil {
		t.Fatal(err)
	}
	parts[0].Work.Pauses = []Pause{{0, 240}}
	held, err := Split(parts...)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []float64{0.1, 0.5, 0.9} {
		if d := held.Quantile(p) - free.Quantile(p); math.Abs(d-120) > 1e-6 {
			t.Errorf("the %g quantile moves by %g min, want half of 240", p, d)
		}
	}
	accounts, err := parts[0].Machine.Account(parts[0].Work)
	if err != nil || !slices.ContainsFunc(accounts, func(a Account) bool { return a.Kind == Care && a.Mean == 240 && a.P90 == 240 }) {
		t.Errorf("accounts %+v, %v", accounts, err)
	}
}
