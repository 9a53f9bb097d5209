package forecast

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
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

const (
	// maxMinutes bounds running and standing time: two years.
	maxMinutes = 2 * 365 * 24 * 60
	maxRepeats = 1_000_000
	// cells of the lattice. More are taken if the step would be coarser than
	// coarsest times the spread of the law.
	minCells, maxCells = 1024, 16384
	coarsest           = 1.0 / 40
	finestStep         = 1.0 / 64 // minutes
	// tailLeft is the mass that may lie beyond the lattice.
	tailLeft = 1e-4
	// tilt damps what wraps round from beyond the lattice by exp(-tilt).
	tilt = 12.0
)

// Compound is the law of run minutes of running plus all the standing that comes
// with it: random stops of every cause, whose clock is the running time, and
// repeats. It is computed by inversion of the transform on a lattice (Panjer's
// recursion gives the same numbers and is the test); the chance beyond the
// lattice is below 1e-4 and is laid on its last point.
func Compound(run float64, stops []Stops, repeats []Repeat) (Law, error) {
	return compound(run, stops, repeats, 0, nil)
}

// Shared is Compound when one more factor multiplies the rates of all causes alike,
// as yarn of a good or bad lot does: its mean is 1 and its gamma shape is common.
// Common 0 means that there is no such factor.
func Shared(run float64, stops []Stops, repeats []Repeat, common float64) (Law, error) {
	return compound(run, stops, repeats, common, nil)
}

// spectra keeps the transforms of kept laws.
type spectra map[spectrumKey][]complex128

type spectrumKey struct {
	key   string
	step  float64
	cells int
}

func compound(run float64, stops []Stops, repeats []Repeat, common float64, cache spectra) (Law, error) {
	mean, variance, err := moments(run, stops, repeats, common)
	if err != nil {
		return Law{}, err
	}
	if mean == 0 {
		return Certain(run), nil
	}
	spread := math.Sqrt(variance)
	reach := mean + 6*spread
	for {
		cells := minCells
		for cells < maxCells && reach/float64(cells) > spread*coarsest {
			cells *= 2
		}
		step := math.Exp2(math.Ceil(math.Log2(max(reach/float64(cells), finestStep))))
		mass := invert(run, stops, repeats, common, step, cells, cache)
		law, left := fromMasses(mass, step, atom(run, stops, repeats, common))
		if left <= tailLeft || reach > 64*maxMinutes {
			law.shift(run)
			law.mean = run + mean
			return law, nil
		}
		reach *= 2
	}
}

// moments gives mean and variance of the standing time, and refuses what cannot be.
func moments(run float64, stops []Stops, repeats []Repeat, common float64) (mean, variance float64, err error) {
	if !(run >= 0 && run <= maxMinutes) {
		return 0, 0, fmt.Errorf("%w: running time is %g min, expected 0 to %d; check kilos left and speed", ErrInput, run, maxMinutes)
	}
	for _, s := range stops {
		r := s.Rate
		if !(r.Mean >= 0 && r.Mean <= 60) || !(r.Shape >= 0) || math.IsInf(r.Shape, 1) {
			return 0, 0, fmt.Errorf("%w: cause %q stops %g times a running minute with shape %g, expected 0 to 60 and a finite shape", ErrInput, s.Cause, r.Mean, r.Shape)
		}
		n, y, y2 := r.Mean*run, s.Durations.Mean(), s.Durations.Square()
		mean += n * y
		variance += n * y2
		if r.Shape > 0 {
			variance += n * n / r.Shape * y * y
		}
	}
	if !(common >= 0) || math.IsInf(common, 1) {
		return 0, 0, fmt.Errorf("%w: the factor shared by all causes has shape %g, expected 0 or more", ErrInput, common)
	}
	if common > 0 {
		variance += mean * mean / common
	}
	for _, p := range repeats {
		if p.Count < 0 || p.Count > maxRepeats {
			return 0, 0, fmt.Errorf("%w: %d planned stops, expected 0 to %d; check the roll's kilos", ErrInput, p.Count, maxRepeats)
		}
		n, y, y2 := float64(p.Count), p.Durations.Mean(), p.Durations.Square()
		mean += n * y
		variance += n * max(y2-y*y, 0)
	}
	if !(mean >= 0 && mean <= 16*maxMinutes) || math.IsNaN(variance) || math.IsInf(variance, 0) {
		return 0, 0, fmt.Errorf("%w: standing time of %.3g min for %g min of running is beyond belief; check the stop history", ErrInput, mean, run)
	}
	return mean, variance, nil
}

// atom is the chance of no standing at all.
func atom(run float64, stops []Stops, repeats []Repeat, common float64) float64 {
	for _, p := range repeats {
		if p.Count > 0 {
			return 0
		}
	}
	log := 0.0
	for _, s := range stops {
		n := s.Rate.Mean * run
		if s.Rate.Shape > 0 {
			log -= s.Rate.Shape * math.Log1p(n/s.Rate.Shape)
		} else {
			log -= n
		}
	}
	if common > 0 {
		log = -common * math.Log1p(-log/common)
	}
	return math.Exp(log)
}

// invert gives the masses of the standing time on the lattice.
func invert(run float64, stops []Stops, repeats []Repeat, common, step float64, cells int, cache spectra) []float64 {
	fft := fourier.NewFFT(cells)
	half := cells/2 + 1
	log := make([]complex128, half)
	scratch := make([]float64, cells)
	for _, s := range stops {
		n := complex(s.Rate.Mean*run, 0)
		if n == 0 {
			continue
		}
		phi := spectrum(fft, s.Durations, step, scratch, cache)
		shape := complex(s.Rate.Shape, 0)
		for k, f := range phi {
			if shape == 0 {
				log[k] += n * (f - 1)
			} else {
				log[k] -= shape * clog(1+n/shape*(1-f))
			}
		}
	}
	if common > 0 {
		// The causes' gamma rates run on as processes over the shared factor.
		for k, l := range log {
			log[k] = complex(-common, 0) * clog(1-l/complex(common, 0))
		}
	}
	for k, l := range log {
		sin, cos := math.Sincos(imag(l))
		e := math.Exp(real(l))
		log[k] = complex(e*cos, e*sin)
	}
	for _, p := range repeats {
		if p.Count == 0 {
			continue
		}
		phi := spectrum(fft, p.Durations, step, scratch, cache)
		for k, f := range phi {
			log[k] *= power(f, p.Count)
		}
	}
	mass := fft.Sequence(scratch, log)
	growth := math.Exp(tilt / float64(cells))
	scale := 1 / float64(cells)
	for k := range mass {
		mass[k] *= scale
		scale *= growth
	}
	return mass
}

// clog is the principal logarithm; the argument's real part is at least 1 here, so
// it is continuous along the transform.
func clog(z complex128) complex128 {
	re, im := real(z), imag(z)
	return complex(math.Log(re*re+im*im)/2, math.Atan2(im, re))
}

func power(z complex128, n int) complex128 {
	if n > 64 {
		return cmplx.Pow(z, complex(float64(n), 0))
	}
	p := complex(1, 0)
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			p *= z
		}
		z *= z
	}
	return p
}

// spectrum is the transform of a duration law's lattice masses, tilted. The parts of
// a mixture are transformed apart, so that a kept part is transformed once for all
// machines.
func spectrum(fft *fourier.FFT, d Durations, step float64, scratch []float64, cache spectra) []complex128 {
	switch d := d.(type) {
	case kept:
		key := spectrumKey{d.key, step, len(scratch)}
		phi, ok := cache[key]
		if !ok {
			phi = spectrum(fft, d.Durations, step, scratch, nil)
			if cache != nil {
				cache[key] = phi
			}
		}
		return phi
	case Mixture:
		sum := make([]complex128, len(scratch)/2+1)
		for _, w := range d {
			for k, f := range spectrum(fft, w.Law, step, scratch, cache) {
				sum[k] += complex(w.Weight, 0) * f
			}
		}
		return sum
	}
	clear(scratch)
	addLattice(scratch, 1, d, step)
	damp, scale := math.Exp(-tilt/float64(len(scratch))), 1.0
	for k := range scratch {
		scratch[k] *= scale
		scale *= damp
	}
	return fft.Coefficients(nil, scratch)
}

// fromMasses makes the law of lattice masses. A mass at k step stands for the cell
// from (k-1/2) step to (k+1/2) step; of the first cell, the atom lies at 0.
func fromMasses(mass []float64, step, atom float64) (law Law, left float64) {
	law.at = append(make([]float64, 0, len(mass)+1), 0)
	law.cdf = append(make([]float64, 0, len(mass)+1), atom)
	sum := 0.0
	for k, m := range mass {
		sum += max(m, 0) // rounding leaves about 1e-11 on either side of 0
		f := min(max(sum, atom), 1)
		if f < 1e-9 {
			law.at[0] = (float64(k) + 0.5) * step
			continue
		}
		law.at = append(law.at, (float64(k)+0.5)*step)
		law.cdf = append(law.cdf, f)
		if f > 1-1e-8 {
			break
		}
	}
	last := len(law.cdf) - 1
	left = 1 - law.cdf[last]
	law.cdf[last] = 1
	return law, left
}

func (l *Law) shift(minutes float64) {
	for i := range l.at {
		l.at[i] += minutes
	}
}
