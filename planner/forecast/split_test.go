package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// taught is a fleet whose machines have seen many orders, with a factor of the order.
func taught(t testing.TB) *Fleet {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 6))
	var all []History
	for m := range 20 {
		h := History{Machine: fmt.Sprintf("k%02d", m)}
		own := gammaVariate(rng, 8) / 8
		for o := range 12 {
			lot := gammaVariate(rng, 4) / 4
			s := Stretch{Order: fmt.Sprint(m, " ", o), RunMinutes: 1200}
			for _, c := range []struct {
				name        string
				rate, lasts float64
			}{{"yarn", 1.0 / 120, 5}, {"needle", 1.0 / 500, 20}} {
				k := CauseHistory{Cause: c.name}
				for at := rng.ExpFloat64(); at < s.RunMinutes*c.rate*own*lot; at += rng.ExpFloat64() {
					k.Count++
					k.DurationsMin = append(k.DurationsMin, c.lasts*rng.ExpFloat64())
				}
				s.Causes = append(s.Causes, k)
			}
			h.Stretches = append(h.Stretches, s)
		}
		all = append(all, h)
	}
	return Learn(all)
}

// worstOf is the largest distance of a law from draws.
func worstOf(law Law, draws []float64) float64 {
	slices.Sort(draws)
	worst, n := 0.0, float64(len(draws))
	for i, x := range draws {
		if i+1 == len(draws) || draws[i+1] > x {
			worst = max(worst, math.Abs(law.CDF(x)-float64(i+1)/n))
		}
	}
	return worst
}

// Machines that share an order's kilos are played stop by stop until the kilos are
// there, all under one factor of the order: the truth knows nothing of weights.
func TestSplitSharesKilos(t *testing.T) {
	f := taught(t)
	if v := f.spread.order; v < 0.1 || v > 0.5 {
		t.Fatalf("the orders' spread is learnt as %.2f, drawn with 0.25", v)
	}
	orders := 5_000
	for _, tt := range []struct {
		name  string
		rates []float64 // kilos in a running minute
		run   float64   // minutes of each
		apart float64   // what the latest of independent parts is off by, at least
	}{
		{"two alike", []float64{1, 1}, 1500, 0.15},
		{"three, one fast", []float64{1, 1, 2}, 3000, 0.2},
	} {
		var parts []Part
		var laws []Law
		kilos := 0.0
		for i, r := range tt.rates {
			p := Part{f.Machine(fmt.Sprintf("k%02d", i)), Work{RunMinutes: tt.run}, r}
			law, err := p.Machine.Finish(p.Work)
			if err != nil {
				t.Fatal(err)
			}
			parts, laws, kilos = append(parts, p), append(laws, law), kilos+r*tt.run
		}
		law, err := Split(parts...)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(8, 9))
		draws := make([]float64, orders)
		for i := range draws {
			draws[i] = playOrder(rng, f.spread.order, parts, kilos)
		}
		worst, was := worstOf(law, draws), worstOf(Max(laws...), draws)
		t.Logf("%s: CDF off by %.4f; the latest of independent parts by %.4f", tt.name, worst, was)
		// A stop at the end counts for its whole length, and the factors of several
		// machines are taken for one: a hundredth and a half beside the noise.
		if most := 1.95/math.Sqrt(float64(orders)) + 0.015; worst > most {
			t.Errorf("%s: CDF differs by %.4f from %d orders played, want at most %.4f", tt.name, worst, orders, most)
		}
		if was < tt.apart {
			t.Errorf("%s: the latest of independent parts is off by %.4f only: the check tells nothing", tt.name, was)
		}
	}
}

// playOrder runs the machines minute by minute of their own clocks, from event to event.
func playOrder(rng *rand.Rand, order float64, parts []Part, kilos float64) float64 {
	type event struct {
		at   float64
		rate float64 // change of kilos in a minute
	}
	var events []event
	lot := gammaVariate(rng, 1/order) * order
	sum, rate := 0.0, 0.0
	for _, p := range parts {
		own := gammaVariate(rng, shapeOrInf((spreadOf(p.Machine.common)-order)/(1+order)))
		if p.Machine.common > 0 {
			own /= shapeOrInf((spreadOf(p.Machine.common) - order) / (1 + order))
		}
		// Stops in the order of the running clock, over more of it than can be needed.
		type stop struct{ run, lasts float64 }
		var stops []stop
		for _, c := range p.Machine.stops {
			mean := c.Rate.Mean * lot * own
			if a := c.Rate.Shape; a > 0 {
				mean = c.Rate.Mean * gammaVariate(rng, a*lot*own) / a
			}
			for at := rng.ExpFloat64(); at < mean*3*p.Work.RunMinutes; at += rng.ExpFloat64() {
				stops = append(stops, stop{at / mean, variate(rng, c.Durations)})
			}
		}
		slices.SortFunc(stops, func(a, b stop) int {
			if a.run < b.run {
				return -1
			}
			return 1
		})
		stood := 0.0
		for _, s := range stops {
			events = append(events, event{s.run + stood, -p.Weight}, event{s.run + stood + s.lasts, p.Weight})
			stood += s.lasts
		}
		rate += p.Weight
	}
	slices.SortFunc(events, func(a, b event) int {
		if a.at < b.at {
			return -1
		}
		return 1
	})
	at := 0.0
	for _, e := range events {
		if rate > 0 && sum+rate*(e.at-at) >= kilos {
			break
		}
		sum, at, rate = sum+rate*(e.at-at), e.at, rate+e.rate
	}
	return at + (kilos-sum)/rate
}

func shapeOrInf(spread float64) float64 {
	if s := shapeOf(spread); s > 0 {
		return s
	}
	return 1e6
}

// Parts with kilos of their own, under one factor of the order.
func TestSplitWaitsForTheLast(t *testing.T) {
	f := taught(t)
	orders := 20_000
	if testing.Short() {
		orders = 4_000
	}
	var parts []Part
	for i, run := range []float64{1500, 1600} {
		parts = append(parts, Part{Machine: f.Machine(fmt.Sprintf("k%02d", i)), Work: Work{RunMinutes: run, FixedMinutes: float64(30 * i)}})
	}
	law, err := Split(parts...)
	if err != nil {
		t.Fatal(err)
	}
	order := f.spread.order
	rng := rand.New(rand.NewPCG(8, 9))
	draws := make([]float64, orders)
	for i := range draws {
		lot := gammaVariate(rng, 1/order) * order
		for _, p := range parts {
			shape := shapeOrInf((spreadOf(p.Machine.common) - order) / (1 + order))
			own := gammaVariate(rng, shape) / shape
			total := p.Work.RunMinutes + p.Work.FixedMinutes
			for _, c := range p.Machine.stops {
				total += c.draw(rng, p.Work.RunMinutes, lot*own)
			}
			draws[i] = max(draws[i], total)
		}
	}
	if worst, most := worstOf(law, draws), 1.95/math.Sqrt(float64(orders))+5e-3; worst > most {
		t.Errorf("CDF differs by %.4f from %d orders drawn, want at most %.4f", worst, orders, most)
	}
}

// What is scaled keeps its moments, and a mean of a machine with itself is no wider.
func TestSplitProperties(t *testing.T) {
	f := taught(t)
	m := f.Machine("k00")
	for _, by := range []float64{0.25, 0.7, 1} {
		for _, s := range m.Stops() {
			d := scale(s.Durations, by)
			if math.Abs(d.Mean()-by*s.Durations.Mean()) > 1e-9 || math.Abs(d.Square()-by*by*s.Durations.Square()) > 1e-6 || math.Abs(d.Tail(3*by)-s.Durations.Tail(3)) > 1e-9 {
				t.Errorf("scaled by %g: mean %g of %g", by, d.Mean(), s.Durations.Mean())
			}
		}
	}
	work := Work{RunMinutes: 2000}
	one, err := Split(Part{m, work, 1})
	if err != nil {
		t.Fatal(err)
	}
	alone, err := m.Finish(work)
	if err != nil {
		t.Fatal(err)
	}
	if one.Quantile(0.9) != alone.Quantile(0.9) {
		t.Error("one part is not its own law")
	}
	two, err := Split(Part{m, work, 1}, Part{m, work, 1})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(two.Mean()-alone.Mean()) > 1 {
		t.Errorf("two parts of the same work take %.1f min on average, one %.1f", two.Mean(), alone.Mean())
	}
	if a, b := two.Quantile(0.9)-two.Quantile(0.1), alone.Quantile(0.9)-alone.Quantile(0.1); !(a < 0.95*b) {
		t.Errorf("two machines that share are spread by %.0f min, one by %.0f", a, b)
	}
	for _, bad := range []Part{{m, Work{RunMinutes: math.NaN()}, 1}, {m, work, math.NaN()}, {m, work, -1}, {m, Work{RunMinutes: 5, FixedMinutes: -1}, 0}} {
		if _, err := Split(Part{m, work, 1}, bad); err == nil {
			t.Errorf("%+v is taken", bad.Work)
		}
	}
}
