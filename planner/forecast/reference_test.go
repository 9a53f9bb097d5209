package forecast

import (
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"pgregory.net/rapid"
)

// reference is the sum on a lattice so fine and long that nothing clever is needed:
// durations shared
// between two points so that their mean stays, no damping, plain complex logarithms. It gives the CDF of the
// standing time at half points of the step.
func reference(s Sum, step float64, cells int) func(float64) float64 {
	fft := fourier.NewFFT(cells)
	half := cells/2 + 1
	log := make([]complex128, half)
	transform := func(d Durations) []complex128 {
		f := make([]float64, cells)
		here, slope := 0.0, step
		for k := range f {
			ahead := d.Limited(float64(k+1) * step)
			f[k] = max(slope-(ahead-here), 0) / step
			if ahead-here < 1e-15*step {
				break
			}
			here, slope = ahead, ahead-here
		}
		return fft.Coefficients(nil, f)
	}
	for _, c := range s.Stops {
		n := complex(c.Rate.Mean*s.Run, 0)
		shape := complex(c.Rate.Shape, 0)
		for k, f := range transform(c.Durations) {
			if shape == 0 {
				log[k] += n * (f - 1)
			} else {
				log[k] -= shape * cmplx.Log(1+n/shape*(1-f))
			}
		}
	}
	if s.Common > 0 {
		for k := range log {
			log[k] = -complex(s.Common, 0) * cmplx.Log(1-log[k]/complex(s.Common, 0))
		}
	}
	for k := range log {
		log[k] = cmplx.Exp(log[k])
	}
	for _, p := range s.Repeats {
		if p.Count > 0 {
			for k, f := range transform(p.Durations) {
				log[k] *= cmplx.Pow(f, complex(float64(p.Count), 0))
			}
		}
	}
	mass := fft.Sequence(nil, log)
	cdf := make([]float64, cells)
	sum := 0.0
	for k, m := range mass {
		sum += m / float64(cells)
		cdf[k] = sum
	}
	return func(x float64) float64 {
		at := x/step - 0.5
		k := int(math.Floor(at))
		switch {
		case k < 0:
			return cdf[0] // so near 0 that only the atom counts
		case k+1 >= cells:
			return 1
		}
		part := at - float64(k)
		return cdf[k] + part*(cdf[k+1]-cdf[k])
	}
}

// worstAt is the largest difference of two CDFs over the range of a law, minutes
// without the running time. A shift of minutes to either side is allowed.
func worstAt(law Law, run, step, shift float64, want func(float64) float64) (worst, at float64) {
	for p := 0.0005; p < 1; p += 0.0037 {
		x := law.Quantile(p) - run
		if x < rough*step {
			continue
		}
		f := law.CDF(x + run)
		d := math.Abs(f - want(x))
		if f > want(x) {
			d = min(d, max(f-want(x+shift), 0))
		} else {
			d = min(d, max(want(x-shift)-f, 0))
		}
		if d > worst {
			worst, at = d, x
		}
	}
	return worst, at
}

// rough is the number of its own steps in which the reference is no reference: gamma rates
// of small shape make laws steep there, in the first minutes of work that lasts weeks.
const rough = 4

// Orders from half an hour to a month, causes frequent and rare, smooth laws of any
// width: the law may be off by 1e-3.
func TestLawAgainstReference(t *testing.T) {
	checks, worst, many := 0, 0.0, 25
	if testing.Short() {
		many = 4
	}
	rapid.Check(t, func(t *rapid.T) {
		if checks++; checks > many && os.Getenv("TURNWISE_LONG") == "" {
			return
		}
		s := anySum(t)
		law, err := s.Law()
		if err != nil {
			t.Fatal(err)
		}
		m, _ := s.moments()
		reach := max(law.Quantile(0.9999)-s.Run, m.mean)
		const cells = 1 << 16
		step := 1.5 * reach / cells
		d, at := worstAt(law, s.Run, step, min(1e-4*m.mean, 0.25), reference(s, step, cells))
		worst = max(worst, d)
		if d > 1e-3 {
			t.Fatalf("CDF is off by %.2e at %g (mean %g), %d cells of %g, first at %g; %+v", d, at, m.mean, len(law.cdf), law.step, law.lo-s.Run, s)
		}
	})
	t.Logf("worst of %d: %.2e", checks, worst)
}

func anySum(t *rapid.T) Sum {
	s := Sum{Run: math.Exp(rapid.Float64Range(math.Log(30), math.Log(43000)).Draw(t, "log run"))}
	for i := range rapid.IntRange(1, 5).Draw(t, "causes") {
		shape := rapid.SampledFrom([]float64{0, 1, 3, 12, 400}).Draw(t, "shape")
		gap := math.Exp(rapid.Float64Range(math.Log(20), math.Log(6000)).Draw(t, "log gap"))
		s.Stops = append(s.Stops, Stops{fmt.Sprint(i), Rate{1 / gap, shape}, anyLaw(t)})
	}
	if rapid.Bool().Draw(t, "common?") {
		s.Common = rapid.Float64Range(2, 30).Draw(t, "common")
	}
	if rapid.Bool().Draw(t, "doffs?") {
		s.Repeats = append(s.Repeats, Repeat{rapid.IntRange(0, 60).Draw(t, "doffs"), anyLaw(t)})
	}
	return s
}

func anyLaw(t *rapid.T) Durations {
	median := math.Exp(rapid.Float64Range(math.Log(2), math.Log(60)).Draw(t, "log median"))
	if rapid.IntRange(0, 3).Draw(t, "law") == 0 {
		return Exponential(median)
	}
	return Lognormal{math.Log(median), rapid.Float64Range(0.4, 1.2).Draw(t, "sigma")}
}

// A month of work with rates hardly known is steep in its first minutes, which are a
// fraction of a cell of its lattice. The reference has cells of 22 seconds here.
func TestFirstMinutesOfLongWork(t *testing.T) {
	s := Sum{Run: 43000, Stops: []Stops{{"a", Rate{1.0 / 6000, 0}, Exponential(math.E)}, {"b", Rate{0.05, 1}, Exponential(20)}}, Common: 2}
	law, err := s.Law()
	if err != nil {
		t.Fatal(err)
	}
	const cells = 1 << 21
	want := reference(s, 1.5*(law.Quantile(0.9999)-s.Run)/cells, cells)
	worst := 0.0
	for x := 1.5; x < 600; x += 0.7 {
		if d := math.Abs(law.CDF(s.Run+x) - want(x)); d > worst {
			worst = d
		}
		if f := law.CDF(s.Run + x); math.Abs(law.Quantile(f)-s.Run-x) > 1e-6*x {
			t.Fatalf("Quantile(CDF(%g)) is %g", x, law.Quantile(f)-s.Run)
		}
	}
	t.Logf("%.2e, cells of %g min", worst, law.step)
	if worst > 1e-3 {
		t.Errorf("CDF is off by %.2e, want at most 1e-3", worst)
	}
}
