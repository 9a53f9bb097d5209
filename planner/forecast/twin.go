package forecast

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// Simulate draws the sum so many times and gives the draws in order of their number,
// minutes. It knows nothing of transforms: a check of [Sum.Law], and a way to compare
// plans. Every draw of every cause of a machine has a stream of random numbers of its
// own, told by seed, machine and cause: of two plans simulated with one seed, draw i
// meets the same luck, and a longer run has the shorter one's stops and some more.
// It refuses what Law refuses.
func (s Sum) Simulate(draws int, seed uint64, machine string) ([]float64, error) {
	if _, err := s.moments(); err != nil {
		return nil, err
	}
	out := make([]float64, max(draws, 0))
	speed, factor := newStream(seed, machine, "speed", 0), newStream(seed, machine, "factor", 0)
	stops, repeats := make([]stream, len(s.Stops)), make([]stream, len(s.Repeats))
	for i, c := range s.Stops {
		stops[i] = newStream(seed, machine, "stop "+c.Cause, 0)
	}
	for i := range repeats {
		repeats[i] = newStream(seed, machine, "repeat", uint64(i))
	}
	for i := range out {
		run, common := s.Run, 1.0
		if s.RunSD > 0 {
			run = max(run+s.RunSD*speed.at(i).NormFloat64(), 0)
		}
		if s.Common > 0 {
			common = gammaVariate(factor.at(i), s.Common) / s.Common
		}
		out[i] = run
		for k, c := range s.Stops {
			out[i] += c.draw(stops[k].at(i), run, common)
		}
		for k, p := range s.Repeats {
			rng := repeats[k].at(i)
			for range p.Count {
				out[i] += variate(rng, p.Durations)
			}
		}
	}
	return out, nil
}

// draw gives the standing of one cause. Gap and duration take turns, so that a longer
// run only adds.
func (c Stops) draw(rng *rand.Rand, run, common float64) float64 {
	rate := c.Rate.Mean * common
	if a := c.Rate.Shape; a > 0 {
		rate = c.Rate.Mean * gammaVariate(rng, a*common) / a
	}
	sum := 0.0
	for t := rng.ExpFloat64(); t < rate*run; t += rng.ExpFloat64() {
		sum += variate(rng, c.Durations)
	}
	return sum
}

// stream is a generator that can be set to the start of any draw.
type stream struct {
	key uint64
	pcg *rand.PCG
	rng *rand.Rand
}

func newStream(seed uint64, machine, what string, number uint64) stream {
	h := fnv.New64a()
	h.Write([]byte(machine + "\x00" + what)) // never an error
	pcg := rand.NewPCG(0, 0)
	return stream{mix(mix(seed^h.Sum64()) + number), pcg, rand.New(pcg)}
}

func (s stream) at(draw int) *rand.Rand {
	s.pcg.Seed(s.key, mix(s.key+uint64(draw)))
	return s.rng
}

// mix spreads neighbouring numbers over all bits (finaliser of SplitMix64, Steele,
// Lea and Flood 2014, constants from memory).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// variate draws a duration; laws without a way of their own by bisection of Tail.
func variate(rng *rand.Rand, d Durations) float64 {
	switch d := d.(type) {
	case Lognormal:
		return math.Exp(d.Mu + d.Sigma*rng.NormFloat64())
	case Exponential:
		return float64(d) * rng.ExpFloat64()
	case kept:
		return variate(rng, d.Durations)
	case Sample:
		if n := len(d.sorted); n > 0 && d.shares == nil {
			return d.sorted[rng.IntN(n)]
		}
	case Mixture:
		u := rng.Float64()
		for _, w := range d {
			if u -= w.Weight; u < 0 {
				return variate(rng, w.Law)
			}
		}
	}
	return quantileOf(d, rng.Float64())
}

// gammaVariate is a gamma variate of any shape, Marsaglia and Tsang 2000 (from memory);
// shapes below 1 by a power of a uniform.
func gammaVariate(rng *rand.Rand, shape float64) float64 {
	if shape < 1 {
		return gammaVariate(rng, shape+1) * math.Pow(1-rng.Float64(), 1/shape)
	}
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := rng.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(1-rng.Float64()) < x*x/2+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}
