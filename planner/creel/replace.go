package creel

import (
	"fmt"
	"math"

	"turnwise/planner/unit"
)

// Replaced is what the ends of a feed group take in so many turns.
type Replaced struct {
	Cones int
	Left  []unit.Kilograms // on each place afterwards
	// First is the turn, from the begin, at which the first new cone is put on; only with Cones > 0.
	First unit.Revolutions
}

// Replace counts the cones that are put on when every place of a feed group draws perTurn kilograms a turn for
// so many turns: whole cones of a mass, each put on when the place is empty. A place that is empty
// at the last turn waits for what comes after. What was on the places stays as it is for the caller.
func Replace(left []unit.Kilograms, cone, perTurn unit.Kilograms, turns unit.Revolutions) (Replaced, error) {
	usable := func(x float64) bool { return x > 0 && x <= maxConeKg }
	if !usable(float64(cone)) || !usable(float64(perTurn)) || !(turns >= 0 && turns < 1e9) {
		return Replaced{}, fmt.Errorf("%w: cones of %g kg, %g kg a turn, %g turns, expected above 0, turns 0 or more", ErrLoad, float64(cone), float64(perTurn), float64(turns))
	}
	out := Replaced{Left: make([]unit.Kilograms, len(left)), First: turns}
	drawn := perTurn * unit.Kilograms(turns)
	for i, l := range left {
		if !(l >= 0 && l <= 2*maxConeKg) {
			return Replaced{}, fmt.Errorf("%w: %g kg on place %d, expected 0 or more; take a place without yarn as 0", ErrLoad, float64(l), i+1)
		}
		if drawn <= l {
			out.Left[i] = l - drawn
			continue
		}
		n := max(1, math.Ceil(float64((drawn-l)/cone)-1e-9)) // a cone that is just used up is one
		out.Cones += int(n)
		out.Left[i] = max(0, l+unit.Kilograms(n)*cone-drawn)
		out.First = min(out.First, unit.Revolutions(l/perTurn))
	}
	return out, nil
}
