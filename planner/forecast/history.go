package forecast

import "slices"

// CauseHistory is what one machine did under one cause in its counted running time.
type CauseHistory struct {
	Cause string
	// Count of stops that began.
	Count int
	// DurationsMin of the stops that ended, minutes; some may be missing.
	DurationsMin []float64
	// OpenMin are the minutes so far of stops that are not over.
	OpenMin []float64
	// Taken are stops that ended of which it is known when somebody took them up; they
	// are among DurationsMin.
	Taken []Taken
}

// Taken parts the minutes of a stop: until somebody took it up, and from then on.
type Taken struct{ Waited, Worked float64 }

// History is what one machine did.
type History struct {
	Machine string
	// Group of machines that are alike, by structure and gauge for example; may be
	// empty. A machine is drawn towards its group, a group towards the fleet.
	Group      string
	RunMinutes float64 // running time in which the stops were collected
	Causes     []CauseHistory
	// Stretches tell the same in pieces, oldest first. If there are any, RunMinutes
	// and Causes are not looked at.
	Stretches []Stretch
}

// Stretch is a piece of one machine's running time within one order and one shift.
// Stops that follow each other at once are given as one, see [Episodes].
type Stretch struct {
	// Order the machine was on; empty = not known. Stops of one order share its yarn:
	// what they have in common is not taken for the machine's own.
	Order string
	// Shift is the running number of the shift, the same for all machines, 0 = not
	// known. By it a change that strikes all machines is found.
	Shift int
	// Class is the kind of shift, 1 to 24 (morning, night), 0 = not known.
	Class      int
	RunMinutes float64
	Causes     []CauseHistory
}

// Stop is one stop of a running machine.
type Stop struct {
	Cause string
	// AtRun is the running minute at which it began.
	AtRun float64
	// Minutes it lasted; negative = not known.
	Minutes float64
	// Open says that it is not over: Minutes are those so far.
	Open bool
	// Taken is how many minutes it waited until somebody took it up; 0 = not known.
	Taken float64
}

// Gather sums stops by cause, in the order in which the causes first come.
func Gather(stops []Stop) []CauseHistory {
	var out []CauseHistory
	for _, s := range stops {
		i := slices.IndexFunc(out, func(h CauseHistory) bool { return h.Cause == s.Cause })
		if i < 0 {
			i = len(out)
			out = append(out, CauseHistory{Cause: s.Cause})
		}
		h := &out[i]
		h.Count++
		switch {
		case !(s.Minutes >= 0):
		case s.Open:
			h.OpenMin = append(h.OpenMin, s.Minutes)
		default:
			h.DurationsMin = append(h.DurationsMin, s.Minutes)
			if s.Taken > 0 && s.Taken <= s.Minutes {
				h.Taken = append(h.Taken, Taken{s.Taken, s.Minutes - s.Taken})
			}
		}
	}
	return out
}

// repeatWithin is the running time after a stop within which another of the same
// cause is its repetition: the cone or feeder was not put right.
const repeatWithin = 3.0 // minutes

// Episodes joins the stops of one machine, given in order of AtRun, that come back at
// once: an episode begins with its first stop and lasts as long as its stops together.
// Stops that come in clusters are no sign of a machine that stops more often, and
// episodes come at random when stops do not.
func Episodes(stops []Stop) []Stop {
	var out []Stop
	last := map[string]int{}    // episode of a cause
	end := map[string]float64{} // running minute of its last stop
	for _, s := range stops {
		i, ok := last[s.Cause]
		if ok && s.AtRun-end[s.Cause] <= repeatWithin {
			if e := &out[i]; s.Minutes < 0 || e.Minutes < 0 {
				e.Minutes = -1
			} else {
				e.Minutes += s.Minutes
			}
			e := &out[i]
			if e.Open = s.Open; s.Taken > 0 && e.Taken > 0 {
				e.Taken += s.Taken
			} else {
				e.Taken = 0
			}
		} else {
			last[s.Cause] = len(out)
			out = append(out, s)
		}
		end[s.Cause] = s.AtRun
	}
	return out
}
