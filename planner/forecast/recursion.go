package forecast

import (
	"fmt"
	"math"
	"slices"
)

const (
	maxRecursionCells = 1 << 14
	// maxRecursionTail is the chance that may lie beyond the last cell.
	maxRecursionTail = 0.01
)

// Recursion is the law of the sum by Panjer's recursion on a lattice of cells steps of
// standing time, in minutes: a second way to what [Sum.Law] gives, slower by the square of
// the cells, to check it against. Counts are Poisson (a = 0, b = n), or negative binomial
// with p = n/(n+shape) (a = p, b = (shape-1)p); Panjer 1981, from memory. It refuses what
// Law refuses, doubt about the running time and a common factor, which it does not
// know, and a lattice too short for the law.
func (s Sum) Recursion(step float64, cells int) (Law, error) {
	m, err := s.moments()
	switch {
	case err != nil:
		return Law{}, err
	case s.RunSD > 0 || s.Common > 0:
		return Law{}, fmt.Errorf("%w: the recursion knows no doubt about running time and no common factor; use the law", ErrInput)
	case !(step > 0) || cells < 2 || cells > maxRecursionCells:
		return Law{}, fmt.Errorf("%w: a lattice of %d steps of %g min, expected 2 to %d of more than 0", ErrInput, cells, step, maxRecursionCells)
	}
	masses := []float64{1}
	for _, c := range s.Stops {
		g := c.recursion(s.Run, step, cells)
		if g == nil {
			return Law{}, fmt.Errorf("%w: cause %q stops %g times, too often for the recursion to begin; use the law", ErrInput, c.Cause, c.Rate.Mean*s.Run)
		}
		masses = convolve(masses, g, cells)
	}
	for _, p := range s.Repeats {
		f := latticed(p.Durations, step, cells)
		for range p.Count {
			masses = convolve(masses, f, cells)
		}
	}
	masses = slices.Grow(masses, cells-len(masses))[:cells]
	law := Law{lo: s.Run, atom: m.atom, start: s.Run + step/2, step: step, mean: s.Run + m.mean}
	sum := 0.0
	for _, x := range masses {
		sum += x
		law.cdf = append(law.cdf, min(sum, 1))
	}
	if 1-sum > maxRecursionTail {
		return Law{}, fmt.Errorf("%w: a chance of %.3f lies beyond %d steps of %g min, expected %g at the most; take more steps", ErrInput, 1-sum, cells, step, maxRecursionTail)
	}
	law.atom = min(law.atom, law.cdf[0])
	law.far = []farPoint{{law.start + 2*float64(cells)*step, 1}}
	return law, nil
}

// recursion gives the masses of one cause; nil where the chance of no stop is too
// small for a number.
func (c Stops) recursion(run, step float64, cells int) []float64 {
	f := latticed(c.Durations, step, cells)
	n := c.Rate.Mean * run
	a, b, start := 0.0, n, math.Exp(n*(f[0]-1))
	if shape := c.Rate.Shape; shape > 0 {
		p := n / (n + shape)
		a, b = p, (shape-1)*p
		start = math.Pow((1-p)/(1-p*f[0]), shape)
	}
	if !(start > 1e-290) {
		return nil
	}
	g := make([]float64, cells)
	g[0] = start
	for k := 1; k < cells; k++ {
		for j := 1; j <= k; j++ {
			g[k] += (a + b*float64(j)/float64(k)) * f[j] * g[k-j]
		}
		g[k] /= 1 - a*f[0]
	}
	return g
}

// latticed shares durations between the two points beside them so that their mean stays.
func latticed(d Durations, step float64, cells int) []float64 {
	f := make([]float64, cells)
	here, slope := 0.0, step
	for k := range f {
		ahead := d.Limited(float64(k+1) * step)
		f[k] = max(slope-(ahead-here), 0) / step
		here, slope = ahead, ahead-here
	}
	return f
}

func convolve(a, b []float64, n int) []float64 {
	out := make([]float64, n)
	for i, x := range a {
		if x == 0 {
			continue
		}
		for j := 0; i+j < n && j < len(b); j++ {
			out[i+j] += x * b[j]
		}
	}
	return out
}
