// Package stops is the truth of why and when a knitting machine stands: a
// seeded process of breaks, doffs, run-outs and scripted events. The same
// seed and machine give the same days whoever asks and whenever. It knows
// revolutions and rates, not registers or wire formats, and never looks at
// how the planner forecasts stops.
package stops

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"
)

// Causes of the truth.
const (
	Yarn   = "yarn"
	Needle = "needle"
	Fabric = "fabric" // fault detector and press-off
	Doff   = "doff"
	Door   = "door"
	Care   = "care"
	Setup  = "setup"
	Power  = "power"
)

// Structure of the cloth decides how often yarn breaks.
type Structure string

// Structures of the mill.
const (
	Jersey    Structure = "single jersey"
	Elastane  Structure = "elastane jersey"
	Pique     Structure = "pique"
	Rib       Structure = "rib"
	RibPlated Structure = "rib elastane"
	Interlock Structure = "interlock"
	Fleece    Structure = "three-thread fleece"
)

// yarnPer10k is the rate of yarn breaks by structure, in 10,000 revolutions.
// Invented, within 1.2 to 4; no source.
var yarnPer10k = map[Structure]float64{
	Jersey: 1.6, Elastane: 2.6, Pique: 2.0, Rib: 2.4, RibPlated: 3.4, Interlock: 1.2, Fleece: 4.0,
}

// hazard is a cause that strikes at random by work done.
type hazard struct {
	cause  string
	per10k float64 // 0 = by structure
	repair length
}

// length of a standing time: log-normal by its median.
type length struct {
	median time.Duration
	sigma  float64
}

// Rates and times are settings of the simulator: common practice, no source.
var (
	hazards = []hazard{
		{Yarn, 0, length{110 * time.Second, 0.6}},
		{Needle, 0.05, length{12 * time.Minute, 0.5}},
		{Fabric, 0.50, length{3 * time.Minute, 0.7}},
		{Fabric, 0.02, length{20 * time.Minute, 0.6}}, // press-off
		{Door, 0.20, length{50 * time.Second, 0.6}},
		{Care, 0.80, length{5 * time.Minute, 0.7}},
	}
	// waiting for a person comes before the repair.
	waiting    = length{50 * time.Second, 1.0}
	doffTime   = length{140 * time.Second, 0.35}
	runOutTime = length{70 * time.Second, 0.5}
)

const (
	// shortest is long enough that no look at the machine can miss a stop,
	// even over a restart of its agent.
	shortest = 20 * time.Second
	longest  = 3 * time.Hour
	// turnsBetween is the least run between two stops, so that a stop and the
	// next one can be told apart by the counter.
	turnsBetween = 6
	// clearOf is the time that a scripted event is kept clear of others.
	clearOf = 20 * time.Second
	// apart is the least time between two scripted events: a few turns.
	apart = 10 * time.Second
	// mixShape is the shape of the gamma-distributed machine effect: relative
	// standard deviation 0.41.
	mixShape = 6
	// A yarn break comes back with this chance: the same cone or feeder.
	repeatChance = 0.15
	repeatTurns  = 200
	// A cone whose tail was not tied to the next one stops the machine when it
	// runs out.
	untiedChance = 0.05
	coneSpread   = 0.02
	// earliest is the most of a cone's life that a tender gives away who puts
	// new ones on before they are due.
	earliest = 0.10
)

// source is the randomness of one purpose of one machine.
func source(seed uint64, machine, purpose string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(machine))
	h.Write([]byte{0})
	h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// draw is one standing time of the length.
func (l length) draw(r *rand.Rand) time.Duration {
	return time.Duration(float64(l.median) * math.Exp(l.sigma*r.NormFloat64()))
}

// gamma draws from a gamma distribution of mean 1 and a whole-numbered shape,
// as the mean of that many exponentials.
func gamma(r *rand.Rand, shape int) float64 {
	var sum float64
	for range shape {
		sum += r.ExpFloat64()
	}
	return sum / float64(shape)
}
