// Package creel says when the cones of a feed group run out, in turns of the
// cylinder, and which cones to change in one visit. The one rule: cones of one
// load are alike but not equal, so a run-out is a window. It knows no wall time:
// the caller turns turns into hours.
package creel

import (
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// Load is one set of cones put on one feed group.
type Load struct {
	Cones int
	Net   unit.Kilograms   // of one cone, mean
	CV    float64          // of cone mass, as a share of the mean; 0 = all equal
	At    unit.Revolutions // of the machine when they were put on
}

// Window is when cones run out, in turns of the machine.
type Window struct {
	First, P05, P50, P95, Last unit.Revolutions
}

// RunOut gives the window of a load.
func RunOut(g knit.FeedGroup, l Load) (Window, error) {
	n, err := g.RevolutionsPerCone(l.Net)
	w := l.At + n
	return Window{w, w, w, w, w}, err
}
