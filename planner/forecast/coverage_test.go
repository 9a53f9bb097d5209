package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// world is a cause's truth: mean gap and durations; machines differ by a gamma factor.
type world struct {
	cause        string
	gap, mu, sig float64
}

var worlds = []world{{"yarn", 60, 0.5, 0.9}, {"fabric", 300, 1.2, 0.8}, {"needle", 900, 2.3, 0.7}, {"pressoff", 6000, 3.4, 0.9}}

// In a world that is as the model says, the levels must be kept. Fleets, machines and
// orders are drawn anew; 1,200 orders would have a standard error of 0.009 at 90 % and
// 0.012 at 80 % if they were independent, but the orders of a fleet share what was
// learned of it. Known weakness: long work after a short history keeps its
// levels less often than it says, by up to 0.04.
func TestCoverage(t *testing.T) {
	const fleets, machines, orders, shape = 20, 30, 2, 3.0
	for _, history := range []float64{600, 3000} {
		for _, run := range []float64{300, 1500, 5000} {
			t.Run(fmt.Sprintf("history %g, work %g", history, run), func(t *testing.T) {
				rng := rand.New(rand.NewPCG(3, uint64(history+run)))
				var hit80, hit90, n float64
				for range fleets {
					rates := make([][]float64, machines)
					var seen []History
					for m := range machines {
						h := History{Machine: fmt.Sprint(m), RunMinutes: history}
						for _, w := range worlds {
							rate := gammaDraw(rng, shape) / shape / w.gap
							rates[m] = append(rates[m], rate)
							c := CauseHistory{Cause: w.cause, Count: poissonDraw(rng, rate*history)}
							for range c.Count {
								c.DurationsMin = append(c.DurationsMin, math.Exp(w.mu+w.sig*rng.NormFloat64()))
							}
							h.Causes = append(h.Causes, c)
						}
						seen = append(seen, h)
					}
					fleet := Learn(seen)
					for m := range machines {
						law, err := fleet.Machine(fmt.Sprint(m)).Finish(Work{RunMinutes: run})
						if err != nil {
							t.Fatal(err)
						}
						for range orders {
							truth := run
							for i, w := range worlds {
								for range poissonDraw(rng, rates[m][i]*run) {
									truth += math.Exp(w.mu + w.sig*rng.NormFloat64())
								}
							}
							n++
							if truth <= law.Quantile(0.8) {
								hit80++
							}
							if truth <= law.Quantile(0.9) {
								hit90++
							}
						}
					}
				}
				t.Logf("80 %% kept %.3f, 90 %% kept %.3f of %.0f orders", hit80/n, hit90/n, n)
				if c := hit80 / n; math.Abs(c-0.8) > 0.05 {
					t.Errorf("dates at 80 %% were kept in %.3f of %.0f orders", c, n)
				}
				if c := hit90 / n; math.Abs(c-0.9) > 0.04 {
					t.Errorf("dates at 90 %% were kept in %.3f of %.0f orders", c, n)
				}
			})
		}
	}
}
