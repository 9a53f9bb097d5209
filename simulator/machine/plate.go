// Package machine is the truth of one circular knitting machine: what a turn
// of its cylinder weighs, where the cylinder stands at any instant, and what
// its counter registers show. Everything is exact in integers of nanoseconds
// and revolutions. It has formulas of its own, so that a wrong formula in the
// planner cannot agree with itself. It does not know why a machine stops.
package machine

import (
	"errors"
	"fmt"

	"turnwise/planner/unit"
)

// Group is a number of feeds that knit the same yarn alike.
type Group struct {
	ID      string
	Feeds   int
	Needles int              // that take yarn at one feed in one turn
	Loop    unit.Millimetres // yarn in one loop, as it lies in the cloth
	Yarn    unit.Tex         // of one end on its package
	Draft   float64          // stretch before the feed; 0 means 1
	Ends    int              // yarns fed together; 0 means 1
}

// Article is a fabric as one machine knits it.
type Article struct {
	ID     string
	Groups []Group
	Speed  unit.RPM
	RollKg float64
}

// ErrArticle is inside every error about an article that cannot be knitted.
var ErrArticle = errors.New("article cannot be knitted")

// CourseMetres is the yarn in the cloth of one feed after one turn, metres.
func (g Group) CourseMetres() float64 { return float64(g.Needles) * float64(g.Loop) / 1000 }

// GramsPerTurn is what the group puts into the cloth in one turn: loops times
// loop length, weighed by the kilometre, and thinned by the draft.
func (g Group) GramsPerTurn() unit.Grams {
	loops := float64(g.Feeds) * float64(g.Needles) * float64(max(g.Ends, 1))
	draft := g.Draft
	if draft == 0 {
		draft = 1
	}
	const perKilometre = 1e6 // millimetres
	return unit.Grams(loops * float64(g.Loop) * float64(g.Yarn) / draft / perKilometre)
}

// ConeTurns is how many turns one cone of net kilograms feeds.
func (g Group) ConeTurns(netKg float64) float64 {
	perFeed := float64(g.GramsPerTurn()) / float64(g.Feeds*max(g.Ends, 1))
	return netKg * 1000 / perFeed
}

// Cones is the number of cones on the creel of the group.
func (g Group) Cones() int { return g.Feeds * max(g.Ends, 1) }

// GramsPerTurn is the mass of cloth that one turn adds.
func (a Article) GramsPerTurn() unit.Grams {
	var sum unit.Grams
	for _, g := range a.Groups {
		sum += g.GramsPerTurn()
	}
	return sum
}

// TurnsPerRoll is how many turns make a full roll.
func (a Article) TurnsPerRoll() float64 { return a.RollKg * 1000 / float64(a.GramsPerTurn()) }

// Check tells what is wrong with the article.
func (a Article) Check() error {
	var errs []error
	fail := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("machine: article %s: %w: "+format, append([]any{a.ID, ErrArticle}, args...)...))
	}
	if len(a.Groups) == 0 {
		fail("no feed groups, at least one expected")
	}
	if a.Speed < 1 || a.Speed > 200 {
		fail("speed %g rpm, 1 to 200 expected", float64(a.Speed))
	}
	if !(a.RollKg > 0) {
		fail("roll of %g kg, more than 0 expected", a.RollKg)
	}
	for _, g := range a.Groups {
		if g.Feeds < 1 || g.Needles < 1 || !(g.Loop > 0) || !(g.Yarn > 0) {
			fail("group %q has %d feeds, %d needles, loop %g mm, %g tex, all must be above 0", g.ID, g.Feeds, g.Needles, float64(g.Loop), float64(g.Yarn))
		}
	}
	return errors.Join(errs...)
}

// FromEnglish is the tex of an English cotton count: so many lengths of 840
// yards weigh one pound.
func FromEnglish(ne float64) unit.Tex { return unit.Tex(453.59237 / (ne * 840 * 0.9144) * 1000) }

// FromDecitex is the tex of a count in decitex.
func FromDecitex(d float64) unit.Tex { return unit.Tex(d / 10) }
