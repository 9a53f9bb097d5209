package forecast

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// tilt damps what wraps round from beyond the lattice by exp(-tilt).
const tilt = 12.0

// lattice is the points at which masses are held: first, first+1, ... in steps.
type lattice struct {
	step  float64 // minutes, a power of two
	cells int
	first int
}

// spectrum is the transform of a duration law on a lattice from 0, tilted: 1 minus
// its values at the first half of the frequencies, the others being conjugate.
type spectrum struct {
	re, im []float64
	// logRe, logIm are the logarithm of the transform, made when a repeat needs it.
	logRe, logIm []float64
	grainy       bool // of single observations
}

// spectra keeps the transforms of kept laws, and room to work in. The zero value
// is ready; it is not for several goroutines.
type spectra struct {
	kept  map[spectrumKey]*spectrum
	size  int // numbers held in kept
	ffts  map[int]*fourier.FFT
	seq   []float64
	coeff []complex128
	re    []float64
	im    []float64
	parts []*spectrum
}

// mostKept bounds the memory of kept transforms: numbers of 8 bytes.
const mostKept = 8 << 20

type spectrumKey struct {
	key   string
	step  float64
	cells int
}

func (s *spectra) fft(cells int) *fourier.FFT {
	f := s.ffts[cells]
	if f == nil {
		if s.ffts == nil {
			s.ffts = map[int]*fourier.FFT{}
		}
		f = fourier.NewFFT(cells)
		s.ffts[cells] = f
	}
	return f
}

// room gives working space for a lattice.
func (s *spectra) room(cells int) (seq []float64, coeff []complex128) {
	if cap(s.seq) < cells {
		s.seq, s.coeff = make([]float64, cells), make([]complex128, cells/2+1)
		s.re, s.im = make([]float64, cells/2+1), make([]float64, cells/2+1)
	}
	return s.seq[:cells], s.coeff[:cells/2+1]
}

// of gives the spectrum of a law. The parts of a mixture are transformed apart, so
// that a kept part is transformed once for all machines.
func (s *spectra) of(d Durations, step float64, cells int) *spectrum {
	switch d := d.(type) {
	case kept:
		key := spectrumKey{d.key, step, cells}
		if phi := s.kept[key]; phi != nil {
			return phi
		}
		phi := s.of(d.Durations, step, cells)
		if s.kept == nil || s.size > mostKept {
			s.kept, s.size = map[spectrumKey]*spectrum{}, 0
		}
		s.kept[key] = phi
		s.size += 2 * cells
		return phi
	case Mixture:
		out := &spectrum{re: make([]float64, cells/2+1), im: make([]float64, cells/2+1)}
		for _, w := range d {
			part := s.of(w.Law, step, cells)
			out.grainy = out.grainy || part.grainy
			for k := range out.re {
				out.re[k] += w.Weight * part.re[k]
				out.im[k] += w.Weight * part.im[k]
			}
		}
		return out
	}
	seq, coeff := s.room(cells)
	clear(seq)
	spread(newSpreader(seq, step), d)
	s.fft(cells).Coefficients(coeff, seq)
	out := &spectrum{re: make([]float64, cells/2+1), im: make([]float64, cells/2+1)}
	for k, c := range coeff {
		out.re[k], out.im[k] = 1-real(c), -imag(c)
	}
	_, out.grainy = d.(Sample)
	return out
}

// logs makes the logarithm of the transform.
func (s *spectrum) logs() {
	if s.logRe != nil {
		return
	}
	s.logRe, s.logIm = make([]float64, len(s.re)), make([]float64, len(s.re))
	for k := range s.re {
		re, im := 1-s.re[k], -s.im[k]
		s.logRe[k] = math.Log(max(re*re+im*im, 1e-300)) / 2
		s.logIm[k] = math.Atan2(im, re)
	}
}

// spreader puts masses on a lattice. A mass between two points is shared between
// the four around it by the weights of cubic interpolation, so that the first
// moments stay as they are. Plain rounding would bend mean and variance of durations
// that are short against the step, once for every stop. The weights' transform is
// nowhere greater than 1, so a sum of many stays stable; below 0 it leaves traces,
// for which the lattice keeps room. Masses beyond the lattice wrap round, damped
// like the others.
type spreader struct {
	seq   []float64
	scale float64 // points per minute
	tilts []float64
}

func newSpreader(seq []float64, step float64) *spreader {
	p := &spreader{seq: seq, scale: 1 / step, tilts: make([]float64, 2*len(seq)+4)}
	damp := math.Exp(-tilt / float64(len(seq)))
	for k, scale := 0, 1/damp; k < len(p.tilts); k++ { // from point -1 on
		p.tilts[k] = scale
		scale *= damp
	}
	return p
}

func (p *spreader) add(x, mass float64) {
	at := x * p.scale
	whole := math.Floor(at)
	if whole >= float64(2*len(p.seq)) {
		return // damped away
	}
	k, t := int(whole), at-whole
	p.lay(k-1, -mass*t*(t-1)*(t-2)/6)
	p.lay(k, mass*(t+1)*(t-1)*(t-2)/2)
	p.lay(k+1, -mass*(t+1)*t*(t-2)/2)
	p.lay(k+2, mass*(t+1)*t*(t-1)/6)
}

func (p *spreader) lay(k int, mass float64) {
	at := k
	if at < 0 {
		at += len(p.seq)
	}
	for at >= len(p.seq) {
		at -= len(p.seq)
	}
	p.seq[at] += mass * p.tilts[k+1]
}

// spread puts the masses of a law on the lattice. A law with a density is cut into
// cells, narrow against their place and the step, and each cell's mass is put
// at its mean.
func spread(p *spreader, d Durations) {
	switch d := d.(type) {
	case kept:
		spread(p, d.Durations)
		return
	case Sample:
		d.each(p.add)
		return
	case binned:
		d.each(p.add)
		return
	}
	const narrow, nothing = 0.05, 1e-13
	step := 1 / p.scale
	end := float64(2*len(p.seq)) * step
	from, tail, limited := 0.0, 1.0, 0.0
	width := step / 4096
	for from < end && tail > nothing {
		to := from + width
		t, l := d.Tail(to), d.Limited(to)
		if mass := tail - t; mass > 0 {
			mean := from + min(max((l-limited-width*t)/mass, 0), width)
			p.add(mean, mass)
			tail, limited, from = t, l, to
		} else {
			limited, from = l, to
		}
		width = max(min(narrow*from, step/2), step/4096)
	}
}
