package outlook

import (
	"cmp"
	"math"
	"slices"

	"turnwise/planner/forecast"
	"turnwise/planner/knit"
)

// dues are the stops by plan in the work of the jobs, which take so many running
// minutes.
func (q *queue) dues(jobs []work, run float64) []forecast.Planned {
	var out []forecast.Planned
	for _, d := range q.due {
		// A cause that never shows is inside the others, unless the mill says how long it
		// takes: then it is one that has not come yet.
		if d.Cause == causeDoff || d.Cause == causeSetup || q.caredFor(d.Cause) || !q.forecast.Seen(d.Cause) && !(d.UsualMin > 0) {
			continue
		}
		count, known := 0.0, false
		switch {
		case d.EveryTurns > 0:
			if turns := turnsOf(jobs); turns > 0 {
				count, known = q.times(d.Cause, d.EveryTurns*run/turns, run), true
			}
		case d.EveryRunMin > 0:
			count, known = q.times(d.Cause, d.EveryRunMin, run), true
		case d.WithCones:
			count, known = q.rounds(jobs)
		}
		if known {
			// Beyond a million the forecast refuses; the number must only stay a number.
			out = append(out, forecast.Planned{Cause: d.Cause, Count: int(min(max(count, 0), 1e9)), UsualMin: d.UsualMin})
		}
	}
	return out
}

func turnsOf(jobs []work) (sum float64) {
	for i := range jobs {
		sum += jobs[i].turns()
	}
	return sum
}

// times is how often a stop comes that is due each so many running minutes. One that is
// overdue comes at once; where none was seen, it is that long ago at least.
func (q *queue) times(cause string, every, run float64) float64 {
	since, seen := q.m.SinceMin[cause]
	if !seen {
		since = q.forecast.Minutes()
	}
	if !(since >= 0) {
		since = 0
	}
	return before((min(since, every) + run) / every)
}

// rounds is how often somebody changes cones: whenever those of a feed group run out,
// by the cones that were put on last. Groups that run out with it, within the spread
// of its cones, are changed on the same round. False if no cones are known.
func (q *queue) rounds(jobs []work) (count float64, known bool) {
	newest := map[string]Load{} // by feed group
	cone := map[string]Load{}   // by yarn
	for _, l := range q.m.Creel {
		newest[l.Group], cone[l.Yarn] = l, l
	}
	var visits []visit
	begin := 0.0
	for k := range jobs {
		w := &jobs[k]
		for i, g := range w.job.Card.Knit.Feeds {
			l, ok := newest[g.ID]
			used := 0.0
			if ok && k == 0 {
				used = max(float64(q.m.Revolutions-l.AtRevolutions), 0)
			} else if i < len(w.job.Card.Feeds) {
				l = cone[w.job.Card.Feeds[i].Yarn]
			}
			of := turnsOfCone(g, l.lasting()) * tiedOn(g, l.Cones)
			if !(of > 0) {
				continue
			}
			known = true
			times := before((used + w.turns()) / of)
			if len(visits)+int(min(times, mostVisits)) >= mostVisits {
				return count + times, true // so many that nobody counts rounds
			}
			for j := 1.0; j <= times; j++ {
				at := begin + j*of - used
				visits = append(visits, visit{at, at + spreadOfCones*of*min(max(l.ConeCV, 0), 1)})
			}
		}
		begin += w.turns()
	}
	slices.SortFunc(visits, func(a, b visit) int { return cmp.Compare(a.at, b.at) })
	until := math.Inf(-1)
	for _, v := range visits {
		if v.at > until {
			count, until = count+1, v.until
		}
	}
	return count, known
}

// visit is a run-out, in turns from now, and up to when others are changed with it.
type visit struct{ at, until float64 }

const (
	mostVisits = 10_000
	// spreadOfCones is how many standard deviations of a cone's length count as the same
	// time: nine cones in ten run out within them.
	spreadOfCones = 1.6448536269514722
)

// tiedOn is how many cones follow each other on one end, tail tied to tip.
func tiedOn(g knit.FeedGroup, cones int) float64 {
	return max(float64(cones)/float64(max(g.Feeders*max(g.Ends, 1), 1)), 1)
}

// turnsOfCone is how many turns one cone of a feed group lasts; 0 = not known.
func turnsOfCone(g knit.FeedGroup, kg float64) float64 {
	perEnd, err := g.MassPerEnd()
	if err != nil || !(kg > 0 && kg < maxKg && perEnd > 0) {
		return 0
	}
	return kg / float64(perEnd.Kilograms())
}
