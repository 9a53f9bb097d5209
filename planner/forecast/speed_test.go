package forecast

import (
	"fmt"
	"math/rand/v2"
	"syscall"
	"testing"
)

// book is 10,000 orders of 60 machines: four causes, each with a gamma rate of the
// machine's own, durations of the mill, 5 hours to 8 days of running.
func book(orders int) []Sum {
	rng := rand.New(rand.NewPCG(5, 8))
	var machines [60][]Stops
	for m := range machines {
		for i, c := range fourCauses(1) {
			shape := 2 + 30*rng.Float64()
			c.Rate = Rate{c.Rate.Mean * (0.4 + 1.4*rng.Float64()), shape}
			c.Durations = kept{c.Durations, fmt.Sprint(i)}
			machines[m] = append(machines[m], c)
		}
	}
	out := make([]Sum, orders)
	for i := range out {
		out[i] = Sum{Run: 300 + 11700*rng.Float64()*rng.Float64(), Stops: machines[i%60]}
	}
	return out
}

// cpuSeconds is the processor time of this process: on a shared machine the clock on
// the wall tells little.
func cpuSeconds() float64 {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		return 0
	}
	return float64(r.Utime.Sec+r.Stime.Sec) + float64(r.Utime.Usec+r.Stime.Usec)/1e6
}

var levels = []float64{0.1, 0.5, 0.8, 0.95}

// BenchmarkTenThousandOrders gives P10, P50, P80, P95 and the chance to be late of
// 10,000 orders; "cdf-error" is the largest error of the CDF among 40 of them, against
// the reference.
func BenchmarkTenThousandOrders(b *testing.B) {
	orders := book(10_000)
	b.ReportAllocs()
	const checked = 40
	before := cpuSeconds()
	for b.Loop() {
		cache := new(spectra)
		late := 0.0
		for i := range orders {
			law, err := orders[i].law(cache)
			if err != nil {
				b.Fatal(err)
			}
			for _, p := range levels {
				if law.Quantile(p) < orders[i].Run {
					b.Fatal("no quantile")
				}
			}
			late += 1 - law.CDF(1.08*orders[i].Run)
		}
		if !(late > 0 && late < 10_000) {
			b.Fatal("no lateness")
		}
	}
	b.StopTimer()
	b.ReportMetric((cpuSeconds()-before)/float64(b.N), "cpu-s")
	worst := 0.0
	for i := 0; i < len(orders); i += len(orders) / checked {
		law, _ := orders[i].Law()
		const cells = 1 << 16
		step := 1.5 * (law.Quantile(0.9999) - orders[i].Run) / cells
		d, at := worstAt(law, orders[i].Run, step, 0, reference(orders[i], step, cells))
		if d > 1e-3 {
			b.Logf("order %d: %.2e at %.1f P%.3f; run %.0f, %d cells of %g, first at %g", i, d, at, law.CDF(at+orders[i].Run), orders[i].Run, len(law.cdf), law.step, law.lo-orders[i].Run)
		}
		worst = max(worst, d)
	}
	b.ReportMetric(worst, "cdf-error")
}
