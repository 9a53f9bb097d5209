package forecast

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is inside every error of this package: there is no forecast, and why.
var ErrInput = errors.New("no forecast")

// Rate is what is known of the number of stops per running minute: its mean, and
// the shape of its gamma distribution. Shape 0 means that the rate is known exactly.
type Rate struct {
	Mean, Shape float64
}

// Stops is one cause of random stops.
type Stops struct {
	Cause     string
	Rate      Rate
	Durations Durations
}

// Repeat is a duration that comes a known number of times: doffs, a set-up, what
// is left of the stop in progress.
type Repeat struct {
	Count     int
	Durations Durations
}

// Sum is a running time with all the standing that comes with it: random stops of
// every cause, whose clock is the running time, and repeats.
type Sum struct {
	// Run is the running time, minutes; RunSD its standard deviation where speed is
	// not certain, at most 0.3 of Run.
	Run, RunSD float64
	Stops      []Stops
	Repeats    []Repeat
	// Common is the shape of a gamma factor with mean 1 that multiplies the rates of
	// all causes alike, as yarn of a good or bad lot does; 0 = no such factor.
	Common float64
}

const (
	// maxMinutes bounds running and standing time: two years.
	maxMinutes    = 2 * minutesInYear
	minutesInYear = 365 * 24 * 60
	maxRepeats    = 1_000_000
	maxRunDoubt   = 0.3
)

// Compound is the law of run minutes of running plus stops and repeats, computed by
// inversion of its transform on a lattice: the CDF is right within 1e-3, or
// within a quarter of a minute where the law has steps (with uncertain rates the
// very first minutes of long work may be off by 3e-3). [Sum.Recursion]
// and [Sum.Simulate] compute the same by other ways.
func Compound(run float64, stops []Stops, repeats []Repeat) (Law, error) {
	return Sum{Run: run, Stops: stops, Repeats: repeats}.Law()
}

// Shared is Compound with a factor common to all causes; see [Sum].
func Shared(run float64, stops []Stops, repeats []Repeat, common float64) (Law, error) {
	return Sum{Run: run, Stops: stops, Repeats: repeats, Common: common}.Law()
}

// Law of the sum.
func (s Sum) Law() (Law, error) { return s.law(new(spectra)) }

func (s Sum) law(cache *spectra) (Law, error) {
	m, err := s.moments()
	if err != nil {
		return Law{}, err
	}
	if m.variance == 0 && s.RunSD == 0 {
		return Certain(s.Run + m.mean), nil
	}
	law := s.invert(m, cache)
	law.mean = m.mean
	law.shift(s.Run)
	return law, nil
}

// moments of the standing time, the doubt about the running time counted in.
type moments struct {
	mean, variance float64
	// low bounds how far the law reaches down: below the mean by c times low lies
	// at most exp(-c*c/2). For a sum of positive parts that is the square root of
	// the sum of their mean squares.
	low float64
	// skew is the skewness that the gamma rates alone give.
	skew float64
	atom float64 // chance of no standing at all
}

// moments refuses what cannot be.
func (s Sum) moments() (m moments, err error) {
	if !(s.Run >= 0 && s.Run <= maxMinutes) {
		return m, fmt.Errorf("%w: the work is %.3g years of running, expected at most %d; check kilos left and speed", ErrInput, s.Run/minutesInYear, maxMinutes/minutesInYear)
	}
	if !(s.RunSD >= 0 && s.RunSD <= maxRunDoubt*s.Run) {
		return m, fmt.Errorf("%w: running time of %g min is uncertain by %g min, expected 0 to %g; check the speeds measured", ErrInput, s.Run, s.RunSD, maxRunDoubt*s.Run)
	}
	if !(s.Common >= 0) || math.IsInf(s.Common, 1) {
		return m, fmt.Errorf("%w: the factor shared by all causes has shape %g, expected 0 or more", ErrInput, s.Common)
	}
	var slope, third, none, lowest float64 // slope: standing for one more running minute
	m.atom = 1
	for _, c := range s.Stops {
		r := c.Rate
		if !(r.Mean >= 0 && r.Mean <= 60) || !(r.Shape >= 0) || math.IsInf(r.Shape, 1) {
			return m, fmt.Errorf("%w: cause %q stops %g times a running minute with shape %g, expected 0 to 60 and a finite shape", ErrInput, c.Cause, r.Mean, r.Shape)
		}
		n, y, y2 := r.Mean*s.Run, c.Durations.Mean(), c.Durations.Square()
		m.mean += n * y
		slope += r.Mean * y
		m.variance += n * y2
		if r.Shape > 0 {
			m.variance += n * n / r.Shape * y * y
			third += 2 * n * n * n / (r.Shape * r.Shape) * y * y * y
			none -= r.Shape * math.Log1p(n/r.Shape)
		} else {
			none -= n
		}
	}
	if s.Common > 0 {
		third += 3*m.mean*m.variance/s.Common + 2*m.mean*m.mean*m.mean/(s.Common*s.Common)
		m.variance += m.mean * m.mean / s.Common
		none = -s.Common * math.Log1p(-none/s.Common)
	}
	m.atom = math.Exp(none)
	lowest = m.variance
	for _, p := range s.Repeats {
		if p.Count < 0 || p.Count > maxRepeats {
			return m, fmt.Errorf("%w: %d planned stops, expected 0 to %d; check the roll's kilos", ErrInput, p.Count, maxRepeats)
		}
		if p.Count == 0 {
			continue
		}
		n, y, y2 := float64(p.Count), p.Durations.Mean(), p.Durations.Square()
		m.mean += n * y
		m.variance += n * max(y2-y*y, 0)
		lowest += n * y2
		m.atom = 0
	}
	if s.RunSD > 0 {
		d := s.RunSD * (1 + slope)
		m.variance += d * d
		lowest += d * d
		m.atom = 0
	}
	if !(m.mean >= 0 && m.mean <= 16*maxMinutes) || math.IsNaN(m.variance) || math.IsInf(m.variance, 0) {
		return m, fmt.Errorf("%w: standing time of %.3g min for %g min of running is beyond belief; check the stop history", ErrInput, m.mean, s.Run)
	}
	m.low = math.Sqrt(lowest)
	if m.variance > 0 {
		m.skew = third / (m.variance * math.Sqrt(m.variance))
	}
	return m, nil
}
