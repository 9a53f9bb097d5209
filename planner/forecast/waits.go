package forecast

import (
	"fmt"
	"strings"
)

// leastTaken is the number of stops of a cause that must have been taken up before the
// waiting is told apart.
const leastTaken = 8

// waits is what the minutes of a cause's stops part into; share 0 = not known.
type waits struct {
	share          float64 // of the minutes, until somebody took the stop up
	waited, worked binned  // laws of the two parts
	taken          int
}

// waitsOf learns it from the stops that were taken up: they stand for the others, which
// may have waited more or less.
func waitsOf(taken []Taken) waits {
	var waited, worked []Observed
	var sum, all float64
	for _, t := range taken {
		if t.Waited > 0 && t.Worked >= 0 && t.Waited+t.Worked <= maxDurationMin {
			waited, worked = append(waited, Observed{Minutes: t.Waited}), append(worked, Observed{Minutes: t.Worked})
			sum, all = sum+t.Waited, all+t.Waited+t.Worked
		}
	}
	w := waits{taken: len(waited)}
	if len(waited) < leastTaken {
		return w
	}
	w.share = sum / all
	w.waited, w.worked = bin(Choose(waited, anyDuration).Law), bin(Choose(worked, anyDuration).Law)
	return w
}

// parts are the laws of waiting and work in a stop of the given mean.
func (w waits) parts(mean float64) (waited, worked Durations) {
	return w.waited.scale(w.share * mean / w.waited.Mean()), w.worked.scale((1 - w.share) * mean / w.worked.Mean())
}

// waitsOf tells what is known of the waiting under a cause.
func (m *Machine) waitsOf(cause string) (waits, bool) {
	i, ok := m.fleet.index[cause]
	if !ok || m.fleet.minutes < littleHistory {
		return waits{}, false
	}
	w := m.fleet.causes[i].waits
	return w, w.share > 0
}

// waitsBasis says of which stops the waiting is known, if it is of any.
func (f *Fleet) waitsBasis() string {
	var known []string
	taken, others := 0, false
	for _, c := range f.causes {
		switch {
		case c.planned:
		case c.waits.share > 0:
			known, taken = append(known, c.cause), taken+c.waits.taken
		default:
			others = true
		}
	}
	if len(known) == 0 {
		return ""
	}
	line := fmt.Sprintf("Waiting for a person is told apart by %s that somebody took up: %s", plural(taken, "stop"), strings.Join(known, ", "))
	if others {
		line += "; under other causes it is inside the stops"
	}
	return line
}
