package knit

import (
	"fmt"
	"math"

	"turnwise/planner/unit"
)

// CourseLength is the yarn of one course round the tube: the needles that take
// yarn at the feed times the stitch length. Use it where no course length was
// measured; tucks and misses take less.
func CourseLength(needles int, stitch unit.Millimetres) unit.Metres {
	return unit.Metres(float64(needles)) * stitch.Metres()
}

// EstimateNeedles is pi times diameter times gauge. It is never a whole number and
// off by up to about 0.3 %: a machine's needles are read from its plate.
func EstimateNeedles(diameter unit.Inches, gauge float64) float64 {
	return math.Pi * float64(diameter) * gauge
}

// Doubt is how much a needle count is to be doubted.
type Doubt uint8

// Degrees of doubt, by the distance from the estimate.
const (
	Plausible Doubt = iota // within 1 %
	Unusual                // over 1 %: ask again
	Absurd                 // over 5 %: refuse
)

func (d Doubt) String() string {
	return [...]string{"plausible", "unusual", "absurd"}[min(d, Absurd)]
}

// MarshalText gives the word.
func (d Doubt) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// DoubtNeedles compares the needles of one bed with diameter and gauge. Without
// a diameter or gauge nothing is doubted.
func DoubtNeedles(needles int, diameter unit.Inches, gauge float64) Doubt {
	estimate := EstimateNeedles(diameter, gauge)
	if !(estimate > 0) || math.IsInf(estimate, 1) {
		return Plausible
	}
	switch off := math.Abs(float64(needles)/estimate - 1); {
	case off > 0.05:
		return Absurd
	case off > 0.01:
		return Unusual
	}
	return Plausible
}

// YarnPerHour is the length of yarn, as it lies in the loops, that the card takes
// in an hour at a speed and a running share.
func (c Card) YarnPerHour(speed unit.RPM, share float64) (unit.Metres, error) {
	if _, err := c.KilosPerHour(speed, share); err != nil {
		return 0, err
	}
	perTurn := 0.0
	for _, g := range c.Feeds {
		perTurn += float64(g.CourseLength) * float64(g.Feeders*max(g.Ends, 1))
	}
	return unit.Metres(perTurn * float64(speed) * 60 * share), nil
}

// LengthPerRevolution is the length of cloth of one turn: feeders in action over
// feeds per course make courses, which lie so many to a centimetre. The courses'
// state (on the machine, relaxed, finished) is the state of the length.
func LengthPerRevolution(feeders, feedsPerCourse int, coursesPerCm float64) (unit.Metres, error) {
	if feeders < 1 || feedsPerCourse < 1 || !(coursesPerCm > 0) || math.IsInf(coursesPerCm, 1) {
		return 0, fmt.Errorf("length of a turn: %w: %d feeders, %d feeds per course, %g courses per cm, expected all above 0", ErrQuantity, feeders, feedsPerCourse, coursesPerCm)
	}
	return unit.Metres(float64(feeders) / float64(feedsPerCourse) / coursesPerCm / 100), nil
}

// GramsPerSquareMetre of plain cloth of one yarn, every needle knitting: stitches
// of this length and linear density, so many courses and wales to a centimetre.
func GramsPerSquareMetre(coursesPerCm, walesPerCm float64, stitch unit.Millimetres, yarn unit.Tex) float64 {
	const cmPerMetreSquared = 10000
	return float64(yarn.Mass(stitch.Metres())) * coursesPerCm * walesPerCm * cmPerMetreSquared
}

// Tightness is the root of tex over the stitch length in millimetres; about 1.3 to
// 1.5 for plain cloth. Other tables state it per centimetre, ten times as much.
func Tightness(yarn unit.Tex, stitch unit.Millimetres) float64 {
	return math.Sqrt(float64(yarn)) / float64(stitch)
}

// MoistureContent is water on wet mass for a regain, water on dry mass; both as
// shares.
func MoistureContent(regain float64) float64 { return regain / (1 + regain) }

// MoistureRegain is water on dry mass for a content, water on wet mass; both as
// shares.
func MoistureRegain(content float64) float64 { return content / (1 - content) }

// BlendRegain is the regain of a blend from the shares of dry mass and the regains
// of its fibres.
func BlendRegain(shares, regains []float64) float64 {
	sum := 0.0
	for i := range min(len(shares), len(regains)) {
		sum += shares[i] * regains[i]
	}
	return sum
}
