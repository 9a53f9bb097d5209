// Package creel says when the cones of a feed group run out, in turns of the
// cylinder, and which cones to change in one visit. The one rule: cones of one
// load are alike but not equal, so a run-out is a window. It knows no wall time
// beyond the two instants of a window that it groups: the caller turns turns into
// hours.
package creel

import (
	"errors"
	"fmt"
	"math"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// ErrLoad is inside every error about a load of cones.
var ErrLoad = errors.New("load of cones is not usable")

const (
	maxCones  = 10000
	maxConeKg = 50
	maxSpread = 0.5
)

// Load is one set of cones put on one feed group.
type Load struct {
	// Cones put on. More than there are ends stand as reserve, tail-tied: the ends
	// then draw several cones each, one after the other.
	Cones int
	Net   unit.Kilograms   // of one cone, mean, without its core
	CV    float64          // spread of cone mass, a share of the mean; 0 = all equal
	At    unit.Revolutions // of the machine when they were put on
	// Common is the spread of what all cones of the load share (count of the lot,
	// course length), a share of the mean: it moves the whole window.
	Common float64
}

// Window is when cones run out, in turns of the machine.
type Window struct {
	// First and Last are expected: the means of the earliest and the latest of the
	// cones. P05, P50, P95 are when that share of the cones has run out. With
	// few cones First is not after P05 nor Last before P95.
	First, P05, P50, P95, Last unit.Revolutions
	// Common is the standard deviation by which all five may lie elsewhere together.
	Common unit.Revolutions
}

// RunOut gives the window of a load on a feed group.
func RunOut(g knit.FeedGroup, l Load) (Window, error) {
	perCone, err := g.RevolutionsPerCone(l.Net)
	if err != nil {
		return Window{}, err
	}
	if err := l.validate(); err != nil {
		return Window{}, fmt.Errorf("feed group %q: %w", g.ID, err)
	}
	ends := g.Feeders * max(g.Ends, 1)
	chains, links := l.Cones, 1.0
	if l.Cones > ends {
		chains, links = ends, float64(l.Cones)/float64(ends)
	}
	life := float64(perCone) * links
	spread := life * l.CV / math.Sqrt(links) // of independent cones one after the other
	at := func(z float64) unit.Revolutions {
		return l.At + unit.Revolutions(max(life+z*spread, 0))
	}
	const z95 = 1.6448536269514722
	edge := max(expectedMax(chains), z95)
	return Window{
		First: at(-edge), P05: at(-z95), P50: at(0), P95: at(z95), Last: at(edge),
		Common: unit.Revolutions(life * l.Common),
	}, nil
}

func (l Load) validate() error {
	bad := func(field string, found any, expected, repair string) error {
		return fmt.Errorf("%w: %s is %v, expected %s; %s", ErrLoad, field, found, expected, repair)
	}
	switch {
	case l.Cones < 1 || l.Cones > maxCones:
		return bad("number of cones", l.Cones, fmt.Sprintf("1 to %d", maxCones), "count the cones put on")
	case !(l.Net > 0 && l.Net <= maxConeKg):
		return bad("net mass of a cone in kg", float64(l.Net), fmt.Sprintf("above 0 to %d", maxConeKg), "weigh a cone and take its core off")
	case !(l.CV >= 0 && l.CV <= maxSpread) || !(l.Common >= 0 && l.Common <= maxSpread):
		return bad("spread", fmt.Sprint(l.CV, " and ", l.Common), fmt.Sprintf("0 to %g of the mean", maxSpread), "0.02 is usual")
	case !(l.At >= 0) || math.IsInf(float64(l.At), 1):
		return bad("turns at loading", float64(l.At), "0 or more", "enter the machine's turns")
	}
	return nil
}

// expectedMax is the mean of the largest of n standard normals: the integral of
// x d(Phi(x)^n), by parts. The midpoint rule is exact to six digits at this step, as the
// integrand is smooth and ends flat on both sides.
func expectedMax(n int) float64 {
	if n <= 1 {
		return 0
	}
	const reach, steps = 9.0, 360
	step := 2 * reach / steps
	sum := 0.0
	for i := range steps {
		x := -reach + (float64(i)+0.5)*step
		f := math.Pow(math.Erfc(-x/math.Sqrt2)/2, float64(n)) // Phi(x)^n
		if x > 0 {
			sum += (1 - f) * step
		} else {
			sum -= f * step
		}
	}
	return sum
}
