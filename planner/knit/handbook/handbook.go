// Package handbook holds what textile handbooks and examinations calculate beyond
// kilos: time ratios, the four-point grading of cloth, and straight rules for a
// count. The one rule: nothing here enters the mass of a turn or a finishing date;
// it is for comparing, and every rule tells how far it may be trusted. It does not
// grade, judge or choose.
package handbook

import (
	"errors"
	"fmt"
	"math"

	"turnwise/planner/unit"
)

// ErrInput is inside every error of this package.
var ErrInput = errors.New("cannot be calculated")

// positive tells the first value that is not a number above zero.
func positive(what string, values ...named) error {
	for _, v := range values {
		if !(v.value > 0) || math.IsInf(v.value, 1) {
			return fmt.Errorf("%s: %w: %s is %v, expected a number above 0", what, ErrInput, v.name, v.value)
		}
	}
	return nil
}

type named struct {
	name  string
	value float64
}

// Availability is production time over planned busy time, in one unit both: the
// ratio of that name of ISO 22400-2. It says nothing of speed.
func Availability(production, busy float64) (float64, error) {
	if err := positive("availability", named{"planned busy time", busy}); err != nil {
		return 0, err
	}
	if !(production >= 0 && production <= busy) {
		return 0, fmt.Errorf("availability: %w: production time is %v, expected 0 to the planned busy time of %v; count the machine's turning time inside it only", ErrInput, production, busy)
	}
	return production / busy, nil
}

// Effectiveness is planned time per item times items over production time: the
// ratio of that name of ISO 22400-2. A machine that runs faster than planned is
// above 1.
func Effectiveness(plannedPerItem, items, production float64) (float64, error) {
	err := positive("effectiveness", named{"planned time per item", plannedPerItem}, named{"production time", production})
	if err != nil {
		return 0, err
	}
	if !(items >= 0) || math.IsInf(items, 1) {
		return 0, fmt.Errorf("effectiveness: %w: items are %v, expected 0 or more", ErrInput, items)
	}
	return plannedPerItem * items / production, nil
}

// FaultPoints are the points of one fault by its length in the four-point system
// of ASTM D5430: up to 3 in 1, up to 6 in 2, up to 9 in 3, longer 4.
func FaultPoints(length unit.Inches) (int, error) {
	if err := positive("points of a fault", named{"length in inches", float64(length)}); err != nil {
		return 0, err
	}
	switch {
	case length <= 3:
		return 1, nil
	case length <= 6:
		return 2, nil
	case length <= 9:
		return 3, nil
	}
	return 4, nil
}

// PointsPer100SquareYards states faults by the cloth that was looked at.
func PointsPer100SquareYards(points int, yards float64, width unit.Inches) (float64, error) {
	perMetre, err := PointsPer100SquareMetres(points, unit.Metres(yards*metresPerYard), width.Metres())
	return perMetre * metresPerYard * metresPerYard, err
}

const metresPerYard = 0.9144

// PointsPer100SquareMetres states faults by the cloth that was looked at.
func PointsPer100SquareMetres(points int, length, width unit.Metres) (float64, error) {
	err := positive("points of a roll", named{"length in metres", float64(length)}, named{"width in metres", float64(width)})
	if err != nil {
		return 0, err
	}
	if points < 0 {
		return 0, fmt.Errorf("points of a roll: %w: points are %d, expected 0 or more", ErrInput, points)
	}
	return float64(points) * 100 / float64(length) / float64(width), nil
}

// RollArea is the cloth on a roll in square metres from its mass and the grams of
// one square metre, both in the same state.
func RollArea(roll unit.Kilograms, gramsPerSquareMetre float64) (float64, error) {
	err := positive("area of a roll", named{"mass in kg", float64(roll)}, named{"g/m2", gramsPerSquareMetre})
	if err != nil {
		return 0, err
	}
	return float64(roll.Grams()) / gramsPerSquareMetre, nil
}

// RollsOfLotChange is the number of rolls that hold two lots when the feeders of a
// machine come to the new lot one by one over a span of yarn mass per feeder.
func RollsOfLotChange(span unit.Kilograms, feeders int, roll unit.Kilograms) (float64, error) {
	err := positive("rolls of a lot change", named{"span in kg", float64(span)}, named{"feeders", float64(feeders)}, named{"roll in kg", float64(roll)})
	if err != nil {
		return 0, err
	}
	return float64(span) * float64(feeders) / float64(roll), nil
}

// NeByGauge is a rule of lectures for single jersey: gauge squared over 18. At
// gauge 28 it gives 43.6 where mills knit 26 to 30, so nothing is refused by it.
func NeByGauge(gauge float64) (float64, error) {
	if err := positive("count by gauge", named{"gauge", gauge}); err != nil {
		return 0, err
	}
	return gauge * gauge / 18, nil
}

// Line is a straight rule for the count of a cloth of so many grams per square
// metre: Ne = Slope * g/m2 + Offset. Physics says Ne goes with 1 over the mass, so
// a line holds only in the part of a curve it was laid along.
type Line struct {
	Structure     string
	Slope, Offset float64
	From, To      float64 // g/m2 between which it is near
}

// Lines as printed by jituseu20.webnode.com, "How do select the correct yarn
// count"; where they are near is our judgement.
var Lines = []Line{
	{"single jersey", -0.141, 50.22, 130, 220},
	{"single pique", -0.146, 57.16, 150, 240},
	{"interlock", -0.206, 80.56, 180, 260},
	{"1x1 rib", -0.123, 54.57, 160, 260},
}

// Ne by the line; the mass must lie where the line is near.
func (l Line) Ne(gramsPerSquareMetre float64) (float64, error) {
	if !(gramsPerSquareMetre >= l.From && gramsPerSquareMetre <= l.To) {
		return 0, fmt.Errorf("count by mass: %w: %v g/m2 of %s, expected %g to %g, where the line was laid; calculate from stitch length and stitches per area", ErrInput, gramsPerSquareMetre, l.Structure, l.From, l.To)
	}
	return l.Slope*gramsPerSquareMetre + l.Offset, nil
}
