package forecast

import "math"

const (
	// The lattice reaches to where this chance is left; beyond, the law follows its
	// longest stops.
	chanceBeyond, mostBeyond = 1.2e-3, 3e-3
	// The first nearCells are looked at more closely if they hold more than this chance.
	mostStart = 1e-3
	nearCells = 3
	// mostRough is the error of the CDF that a lattice may bring, by estimate.
	mostRough = 1.2e-3
	// No step is finer than this, minutes; where durations are single observations,
	// which never fade, than grainyStep: nobody plans by less.
	finestStep, grainyStep = 1.0 / 32, 1.0 / 4
	// least and most cells of a lattice.
	leastCells, mostCells = 256, 8192
	// Reaches down from the mean, by [moments.low]: exp(-8*8/2) is damped by tilt.
	reachDown = 8
	// below is room for traces below the least time.
	below = 6
)

// invert gives the law of the sum without Run, by inversion of its transform.
func (s Sum) invert(m moments, cache *spectra) Law {
	from := m.mean - reachDown*m.low
	if s.RunSD == 0 {
		from = max(from, 0)
	}
	to := s.reach(m)
	for {
		g, parts := s.choose(m, from, to, cache)
		mass := s.masses(g, parts, cache)
		law, left := s.assemble(m, g, mass)
		if left <= mostBeyond || to-from > 1e9 {
			if law.lo == 0 && s.RunSD == 0 && len(law.cdf) > nearCells && law.cdf[nearCells-1]-law.atom > mostStart {
				s.start(&law, m, cache)
			}
			return law
		}
		to = from + 1.7*(to-from)
	}
}

// start shows the first cells of a law on a lattice so fine that it holds little
// more: what lies beyond wraps round damped.
func (s Sum) start(law *Law, m moments, cache *spectra) {
	const parts, points = 32, (2*nearCells - 1) * 32 / 2 // up to the middle of the last cell
	g := lattice{step: law.step / parts, cells: 2 * leastCells, first: -below}
	mass := s.masses(g, s.parts(g, cache), cache)
	near := make([]float64, points)
	sum, end := 0.0, law.cdf[nearCells-1]
	for k := range below + 1 {
		sum += mass[k]
	}
	for k := range near {
		x := mass[below+1+k]
		// Of the mass at a point half lies before it.
		near[k], sum = min(sum+x/2, end), sum+x
	}
	near[points-1] = end
	level(near, law.atom)
	law.near, law.nearStep = near, g.step
	if low := near[0] - law.atom; low > 0 {
		law.power = min(max(math.Log((near[2]-law.atom)/low)/math.Log(3), 0.2), 3)
	}
}

// reach is where about chanceBeyond of the law is left: by its first moments, and
// by its longest single stops.
func (s Sum) reach(m moments) float64 {
	sd := math.Sqrt(m.variance)
	to := m.mean + (2.9+1.15*min(m.skew, 6))*sd
	if len(s.Repeats)+len(s.Stops) == 0 {
		return max(to, 7*sd)
	}
	for span := 0.25 * sd; span < 64*sd; span *= 1.25 {
		if m.mean+span >= to && s.longest(span) <= chanceBeyond {
			return m.mean + span
		}
		to = max(to, m.mean+min(span, 3*sd))
	}
	return m.mean + 64*sd
}

// longest is the expected number of stops that last longer than minutes: the chance
// of a far point, as one long stop makes it.
func (s Sum) longest(minutes float64) float64 {
	sum := 0.0
	for _, c := range s.Stops {
		sum += c.Rate.Mean * s.Run * c.Durations.Tail(minutes)
	}
	for _, p := range s.Repeats {
		if p.Count > 0 {
			sum += float64(p.Count) * p.Durations.Tail(minutes)
		}
	}
	return sum
}

// choose takes the coarsest lattice that shows the law: the transform must have
// died away at the highest frequencies, or the step be fine enough for anybody.
func (s Sum) choose(m moments, from, to float64, cache *spectra) (lattice, []*spectrum) {
	step := math.Exp2(math.Ceil(math.Log2((to - from) / leastCells)))
	for {
		g := lattice{step: step, first: int(math.Floor(from/step)) - below}
		g.cells = cellsFor(to/step - float64(g.first) + 4)
		parts := s.parts(g, cache)
		if step <= finestStep || step <= grainyStep && grainy(parts) || 2*g.cells > mostCells || s.rough(m, g, parts) <= mostRough {
			return g, parts
		}
		step /= 2
	}
}

// cellsFor is the least number of cells of at least need that transforms fast.
func cellsFor(need float64) int {
	for n := leastCells; ; n *= 2 {
		if float64(n) >= need || n >= mostCells {
			return n
		}
		if float64(n+n/2) >= need {
			return n + n/2
		}
	}
}

// parts gives the spectra of stops and repeats, in order; nil for those that do not
// come.
func (s Sum) parts(g lattice, cache *spectra) []*spectrum {
	cache.parts = cache.parts[:0]
	for _, c := range s.Stops {
		var phi *spectrum
		if c.Rate.Mean > 0 && s.Run > 0 {
			phi = cache.of(c.Durations, g.step, g.cells)
		}
		cache.parts = append(cache.parts, phi)
	}
	for _, p := range s.Repeats {
		var phi *spectrum
		if p.Count > 0 {
			phi = cache.of(p.Durations, g.step, g.cells)
			phi.logs()
		}
		cache.parts = append(cache.parts, phi)
	}
	return cache.parts
}

func grainy(parts []*spectrum) bool {
	for _, p := range parts {
		if p != nil && p.grainy {
			return true
		}
	}
	return false
}

// rough estimates the error of the CDF on a lattice, from above. What the transform
// still holds at the highest frequencies is not resolved. Below, sharing a mass
// between four points changes its transform at angle a by share a^4 (the mean of
// t(1+t)(1-t)(2-t)/24 over a cell), once for every stop and once for the curve.
func (s Sum) rough(m moments, g lattice, parts []*spectrum) float64 {
	const share, perPoint = 11.0 / 720, math.Ln2 / 2 / math.Pi // half octaves
	half := g.cells / 2
	wrong := 0.0
	undamped := math.Exp(tilt * m.mean / (float64(g.cells) * g.step)) // about the mean
	for at, i := 1.0, 0; i < 10; at, i = at*math.Sqrt2/2, i+1 {
		k := int(at * float64(half))
		re, im := s.at(g, parts, k)
		if re < dead {
			continue
		}
		sin, cos := math.Sincos(im)
		e := math.Exp(re)
		rest := math.Hypot(e*cos-m.atom, e*sin) * undamped
		if i < 2 {
			wrong += rest * perPoint
		}
		a := math.Pi * at
		wrong += min((e*undamped*s.touched(parts, k)+rest)*share*a*a*a*a, 2*rest+0.1) * perPoint
	}
	return wrong
}

// touched is how far the logarithm of the transform moves with the relative error of
// the durations' transforms.
func (s Sum) touched(parts []*spectrum, k int) float64 {
	sum := 0.0
	for i, phi := range parts {
		if phi == nil {
			continue
		}
		if i >= len(s.Stops) {
			sum += float64(s.Repeats[i-len(s.Stops)].Count)
			continue
		}
		r := &s.Stops[i].Rate
		n := r.Mean * s.Run
		moves := n * math.Hypot(1-phi.re[k], phi.im[k])
		if r.Shape > 0 {
			u := n / r.Shape
			moves /= math.Hypot(1+u*phi.re[k], u*phi.im[k])
		}
		sum += moves
	}
	return sum
}

// dead is a logarithm below which the transform is as good as 0.
const dead = -30.0

// at is the logarithm of the transform at frequency k.
func (s Sum) at(g lattice, parts []*spectrum, k int) (re, im float64) {
	var a, b complex128 // first and second derivative by the running time
	for i := range s.Stops {
		phi := parts[i]
		if phi == nil {
			continue
		}
		r := &s.Stops[i].Rate
		n, shape := r.Mean*s.Run, r.Shape
		if shape == 0 {
			re -= n * phi.re[k]
			im -= n * phi.im[k]
			if s.RunSD > 0 {
				a -= complex(r.Mean, 0) * complex(phi.re[k], phi.im[k])
			}
			continue
		}
		u := n / shape
		x, y := 1+u*phi.re[k], u*phi.im[k]
		logRe, logIm := clog(x, y)
		re -= shape * logRe
		im -= shape * logIm
		if s.RunSD > 0 {
			d := complex(u/s.Run, 0) * complex(phi.re[k], phi.im[k]) / complex(x, y)
			a -= complex(shape, 0) * d
			b += complex(shape, 0) * d * d
		}
	}
	if s.Common > 0 {
		// The causes' gamma rates run on as processes over the common factor.
		z := 1 - complex(re, im)/complex(s.Common, 0)
		logRe, logIm := clog(real(z), imag(z))
		re, im = -s.Common*logRe, -s.Common*logIm
		if s.RunSD > 0 {
			a, b = a/z, b/z+a*a/(z*z*complex(s.Common, 0))
		}
	}
	turn := 2 * math.Pi * float64(k) / float64(g.cells)
	if s.RunSD > 0 && re > dead {
		dRe, dIm := blur(s.RunSD, a-complex(tilt/float64(g.cells), turn)/complex(g.step, 0), b)
		re, im = re+dRe, im+dIm
	}
	for i, p := range s.Repeats {
		if phi := parts[len(s.Stops)+i]; phi != nil {
			re += float64(p.Count) * phi.logRe[k]
			im += float64(p.Count) * phi.logIm[k]
		}
	}
	return re, im
}

// blur is the logarithm of the mean of exp(a x + b x*x/2) over a normal x with
// standard deviation sd: the exponent is taken as quadratic in the running time, which
// is off by its cube only.
func blur(sd float64, a, b complex128) (re, im float64) {
	v := complex(sd*sd, 0)
	wide := 1 - b*v
	if real(wide) < 0.2 {
		wide = 1 // only where the transform is as good as 0
	}
	logRe, logIm := clog(real(wide), imag(wide))
	e := a * a * v / (2 * wide)
	return real(e) - logRe/2, imag(e) - logIm/2
}

// clog is the principal logarithm. Where the real part is positive it is continuous
// along the transform.
func clog(x, y float64) (re, im float64) {
	if x <= 0 {
		return math.Log(x*x+y*y) / 2, math.Atan2(y, x)
	}
	return math.Log(x*x+y*y) / 2, math.Atan(y / x)
}

// masses gives the masses of the standing time on the lattice.
func (s Sum) masses(g lattice, parts []*spectrum, cache *spectra) []float64 {
	seq, coeff := cache.room(g.cells)
	// The lattice begins at its first point.
	origin, turn := float64(g.first)*tilt/float64(g.cells), 2*math.Pi/float64(g.cells)
	for k := range coeff {
		re, im := s.at(g, parts, k)
		re, im = re+origin, im+turn*float64(g.first%g.cells*k%g.cells)
		if re < dead {
			coeff[k] = 0
			continue
		}
		sin, cos := math.Sincos(im)
		e := math.Exp(re)
		coeff[k] = complex(e*cos, e*sin)
	}
	mass := cache.fft(g.cells).Sequence(seq, coeff)
	growth := math.Exp(tilt / float64(g.cells))
	scale := 1 / float64(g.cells)
	for k := range mass {
		mass[k] *= scale
		scale *= growth
	}
	return mass
}

// assemble makes the law of lattice masses. left is the chance beyond the lattice.
func (s Sum) assemble(m moments, g lattice, mass []float64) (law Law, left float64) {
	first := float64(g.first) * g.step
	skip := 0
	law = Law{lo: first, start: first + g.step/2, step: g.step}
	if s.RunSD == 0 && g.first < 0 {
		law.lo, law.start, law.atom = 0, g.step/2, m.atom
		skip = -g.first
		mass[skip] -= m.atom // the rest is smooth
	}
	// What wrapped round from below the lattice lies in the last cells.
	const spoiled = 4
	law.cdf = make([]float64, len(mass)-skip-spoiled)
	sum := law.atom
	for k := range skip {
		sum += mass[k]
	}
	mass = mass[skip:]
	for k := range law.cdf {
		sum += mass[k]
		// A mass at a point stands for the cell around it, which leans with the slope.
		law.cdf[k] = sum + (mass[k+1]-mass[k])/24
	}
	level(law.cdf, law.atom)
	if low := law.cdf[0] - law.atom; law.lo == 0 && low > 0 {
		// Near 0 the law rises as a power of the time; its first two points tell which.
		law.power = min(max(math.Log((law.cdf[1]-law.atom)/low)/math.Log(3), 0.2), 3)
	}
	last := len(law.cdf) - 1
	left = 1 - law.cdf[last]
	s.extend(&law, m)
	return law, left
}

// level makes values rise within floor and 1: a stretch that falls, as steps of
// a law make it on a lattice, is replaced by its mean.
func level(f []float64, floor float64) {
	for k := range f {
		f[k] = min(max(f[k], floor), 1)
		if k == 0 || f[k] >= f[k-1] {
			continue
		}
		sum, n := f[k], 1
		j := k - 1
		for ; j >= 0 && f[j] > sum/float64(n); j-- {
			sum += f[j]
			n++
		}
		mean := sum / float64(n)
		for i := j + 1; i <= k; i++ {
			f[i] = mean
		}
	}
}

// extend lays points beyond the lattice: part of what is left follows the longest
// stops, part dies away as fast as the law does at its end.
func (s Sum) extend(law *Law, m moments) {
	const points, least = 10, 1e-9
	last := len(law.cdf) - 1
	end := law.start + float64(last)*law.step
	left := 1 - law.cdf[last]
	back := last - last/8
	fall := math.Log((1-law.cdf[back])/left) / (float64(last-back) * law.step)
	if left < least || !(fall > 0) || math.IsInf(fall, 0) {
		law.far = []farPoint{{end + law.step, 1}}
		return
	}
	from := max(end-m.mean, 0)
	atEnd := s.longest(from)
	long := min(atEnd/left, 1)
	law.far = make([]farPoint, 0, points)
	gap := max(from/6, law.step)
	for at := end + gap; len(law.far) < points-1; at += gap {
		rest := left * (1 - long) * math.Exp(-fall*(at-end))
		if long > 0 {
			rest += left * long * s.longest(at-m.mean) / atEnd
		}
		if rest < least {
			break
		}
		law.far = append(law.far, farPoint{at, max(1-rest, law.cdf[last])})
		gap *= 1.6
	}
	at := end
	if n := len(law.far); n > 0 {
		at = law.far[n-1].at
	}
	law.far = append(law.far, farPoint{at + gap, 1})
}
