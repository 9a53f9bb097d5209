// Package knit turns a knit card into mass: grams per turn, kilos per hour, turns
// for kilos, for a cone and for a roll. A [Card] is enough for mass; a [Setup] puts
// it on a machine, with the [Program] of its feeds in knit, tuck and miss notation,
// and adds courses, stitches, cloth, doubts, and for every figure its derivation.
//
// The one rule: mass comes from course length and linear density of every feed
// group, never from diameter times gauge, which serves only to doubt a needle
// count; what is doubted is told with numbers and never corrected. The package does
// not know the time, stops, or when anything will be done.
package knit

import (
	"fmt"
	"math"

	"turnwise/planner/unit"
)

// Card is an article on a machine: which yarn each group of feeds draws.
type Card struct {
	Feeds []FeedGroup
}

// FeedGroup is a number of feeders that draw the same yarn alike.
type FeedGroup struct {
	ID      string
	Feeders int
	// CourseLength is the yarn one end at one feeder gives in one turn, as it lies
	// in the loops: for elastane the drafted length.
	CourseLength unit.Metres
	// Count is the linear density of one end as bought, for elastane undrafted.
	Count unit.Tex
	// Draft is the stretch of the yarn before the feeder; 0 means 1, no stretch.
	// The mass drawn is that of the length before stretching.
	Draft float64
	// Ends run together at each feeder; 0 means 1.
	Ends int
}

// Bounds of what is believed of a card. They refuse slips of the pen (metres for
// millimetres, dtex for tex), not unusual machines.
const (
	maxFeeders      = 1000
	minCourseLength = 0.001 // metres per turn
	maxCourseLength = 200
	maxDraft        = 10
	maxEnds         = 16
	minTex          = 0.1
	maxTex          = 20000
)

// Validate tells the first thing that makes the group unusable.
func (g FeedGroup) Validate() error {
	switch {
	case g.Feeders < 1 || g.Feeders > maxFeeders:
		return g.bad("feeders", g.Feeders, fmt.Sprintf("1 to %d", maxFeeders), "count the feeders in action")
	case !(g.CourseLength >= minCourseLength && g.CourseLength <= maxCourseLength):
		return g.bad("course length", g.CourseLength, fmt.Sprintf("%g to %d m per turn", minCourseLength, maxCourseLength), "measure the yarn of one feeder in one turn")
	case !(g.Count >= minTex && g.Count <= maxTex):
		return g.bad("count in tex", g.Count, fmt.Sprintf("%g to %d tex", minTex, maxTex), "enter the yarn's count")
	case g.Draft != 0 && !(g.Draft >= 1 && g.Draft <= maxDraft):
		return g.bad("draft", g.Draft, fmt.Sprintf("1 to %d, or 0 for none", maxDraft), "enter how many times the yarn is stretched")
	case g.Ends < 0 || g.Ends > maxEnds:
		return g.bad("ends", g.Ends, fmt.Sprintf("1 to %d, or 0 for one", maxEnds), "count the ends at one feeder")
	}
	return nil
}

func (g FeedGroup) bad(field string, found any, expected, repair string) error {
	return bad(ErrCard, fmt.Sprintf("feed group %q", clip(g.ID)), field, found, expected, repair)
}

// MassPerRevolution is the mass that all feeders of the group draw in one turn.
func (g FeedGroup) MassPerRevolution() (unit.Grams, error) {
	if err := g.Validate(); err != nil {
		return 0, err
	}
	return unit.Grams(float64(g.perEnd()) * float64(g.Feeders*max(g.Ends, 1))), nil
}

// MassPerEnd is the mass that one end at one feeder draws in one turn: what one
// cone gives.
func (g FeedGroup) MassPerEnd() (unit.Grams, error) {
	if err := g.Validate(); err != nil {
		return 0, err
	}
	return g.perEnd(), nil
}

func (g FeedGroup) perEnd() unit.Grams {
	draft := g.Draft
	if draft == 0 {
		draft = 1
	}
	return g.Count.Mass(g.CourseLength) / unit.Grams(draft)
}

// RevolutionsPerCone is how many turns one cone of the net mass lasts.
func (g FeedGroup) RevolutionsPerCone(net unit.Kilograms) (unit.Revolutions, error) {
	m, err := g.MassPerEnd()
	if err != nil {
		return 0, err
	}
	return revolutions(net, m, "cone mass")
}

// Validate tells the first thing that makes the card unusable.
func (c Card) Validate() error {
	_, err := c.MassPerRevolution()
	return err
}

// MassPerRevolution is the mass of cloth of one turn.
func (c Card) MassPerRevolution() (unit.Grams, error) {
	if len(c.Feeds) == 0 {
		return 0, fmt.Errorf("%w: no feed group, expected one or more; enter feeders, course length and yarn", ErrCard)
	}
	var sum unit.Grams
	for _, g := range c.Feeds {
		m, err := g.MassPerRevolution()
		if err != nil {
			return 0, err
		}
		sum += m
	}
	return sum, nil
}

// Shares gives each feed group's part of the mass, in the order of Feeds; the sum is 1.
func (c Card) Shares() ([]float64, error) {
	total, err := c.MassPerRevolution()
	if err != nil {
		return nil, err
	}
	shares := make([]float64, len(c.Feeds))
	for i, g := range c.Feeds {
		m, err := g.MassPerRevolution()
		if err != nil {
			return nil, err
		}
		shares[i] = float64(m / total)
	}
	return shares, nil
}

// KilosPerHour at a speed and a running share (running time over time available;
// 1 gives the theoretical rate).
func (c Card) KilosPerHour(speed unit.RPM, share float64) (unit.Kilograms, error) {
	m, err := c.MassPerRevolution()
	if err != nil {
		return 0, err
	}
	if !(speed > 0) || math.IsInf(float64(speed), 1) {
		return 0, fmt.Errorf("kilos per hour: %w: speed is %v, expected turns per minute above 0", ErrQuantity, speed)
	}
	if !(share >= 0 && share <= 1) {
		return 0, fmt.Errorf("kilos per hour: %w: running share is %v, expected 0 to 1", ErrQuantity, share)
	}
	return (m * unit.Grams(float64(speed)*60*share)).Kilograms(), nil
}

// Kilos knitted in a number of turns.
func (c Card) Kilos(r unit.Revolutions) (unit.Kilograms, error) {
	m, err := c.MassPerRevolution()
	if err != nil {
		return 0, err
	}
	if !(r >= 0) || math.IsInf(float64(r), 1) {
		return 0, fmt.Errorf("kilos: %w: turns are %v, expected 0 or more", ErrQuantity, r)
	}
	return (m * unit.Grams(r)).Kilograms(), nil
}

// Revolutions that a mass of cloth takes: an order's rest, or a roll.
func (c Card) Revolutions(mass unit.Kilograms) (unit.Revolutions, error) {
	m, err := c.MassPerRevolution()
	if err != nil {
		return 0, err
	}
	return revolutions(mass, m, "mass")
}

// RevolutionsPerRoll is how many turns a roll of the mass takes.
func (c Card) RevolutionsPerRoll(roll unit.Kilograms) (unit.Revolutions, error) {
	m, err := c.MassPerRevolution()
	if err != nil {
		return 0, err
	}
	return revolutions(roll, m, "roll mass")
}

func revolutions(mass unit.Kilograms, perTurn unit.Grams, what string) (unit.Revolutions, error) {
	r := unit.Revolutions(mass.Grams() / perTurn)
	if !(mass >= 0) || math.IsInf(float64(r), 1) {
		return 0, fmt.Errorf("turns for a mass: %w: %s is %v kg, expected 0 or more", ErrQuantity, what, mass)
	}
	return r, nil
}
