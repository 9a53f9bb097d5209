package cones

import (
	"math"
	"math/rand/v2"
)

// The yarn and the creel that are played: one end a feed, no reserve beside it.
const (
	netKg      = 1.89
	metresTurn = 7.26      // of one feed, as the card says
	kgMetre    = 19.686e-6 // as bought: 19.686 tex, about Ne 30
	massSD     = 0.02      // of a cone, a share of its mass
	earlyShare = 0.20      // of cones are taken by the tender's own choice before they are out
	earlyMost  = 0.15      // of a cone's life is left then, at most
	tapLost    = 0.10      // of taps are not made until somebody is at the creel again
	tapLate    = 0.10      // come up to lateMost of a life late
	lateMost   = 0.01
)

// nominal is the turns of a cone by the card.
const nominal = netKg / (metresTurn * kgMetre)

// cone is one cone and what the people at it will do, drawn before anybody plans.
type cone struct {
	kg   float64
	life float64 // turns
	own  float64 // turns left when the tender takes it by his own choice; below 0 never
	tap  tap
	late float64 // turns
}

type tap int

const (
	told tap = iota
	late
	lost
)

// draw gives cone number k at a place: the same whoever plans, since it depends on these numbers alone.
func draw(seed uint64, place, k int, more float64) cone {
	r := rand.New(rand.NewPCG(seed, 1+uint64(place)<<32+uint64(k)))
	z := math.Max(-4, math.Min(r.NormFloat64(), 4))
	c := cone{kg: netKg * (1 + massSD*z), own: -1}
	c.life = c.kg / (metresTurn * (1 + more) * kgMetre)
	if r.Float64() < earlyShare {
		c.own = earlyMost * r.Float64() * c.life
	}
	switch u := r.Float64(); {
	case u < tapLost:
		c.tap = lost
	case u < tapLost+tapLate:
		c.tap = late
	}
	c.late = lateMost * r.Float64() * nominal
	return c
}

// drawMore is how much more yarn a turn takes than the card says, by feed group.
func drawMore(seed uint64, groups int, most float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 0))
	out := make([]float64, groups)
	for i := range out {
		out[i] = most * (2*r.Float64() - 1)
	}
	return out
}
