package outlook

import (
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
		if d.Cause == causeDoff || d.Cause == causeSetup || !q.forecast.Seen(d.Cause) && !(d.UsualMin > 0) {
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

// rounds is how often a feed group's cones run out, by the cones that were put on last.
// False if no cones are known.
func (q *queue) rounds(jobs []work) (count float64, known bool) {
	newest := map[string]Load{}  // by feed group
	cone := map[string]float64{} // kilos, by yarn
	for _, l := range q.m.Creel {
		newest[l.Group], cone[l.Yarn] = l, l.ConeKg
	}
	for k := range jobs {
		w := &jobs[k]
		for i, g := range w.job.Card.Knit.Feeds {
			used, kg := 0.0, 0.0
			if l, ok := newest[g.ID]; ok && k == 0 {
				used, kg = max(float64(q.m.Revolutions-l.AtRevolutions), 0), l.ConeKg
			} else if i < len(w.job.Card.Feeds) {
				kg = cone[w.job.Card.Feeds[i].Yarn]
			}
			if of := turnsOfCone(g, kg); of > 0 {
				count, known = count+before((used+w.turns())/of), true
			}
		}
	}
	return count, known
}

// turnsOfCone is how many turns one cone of a feed group lasts; 0 = not known.
func turnsOfCone(g knit.FeedGroup, kg float64) float64 {
	perEnd, err := g.MassPerEnd()
	if err != nil || !(kg > 0 && kg < maxKg && perEnd > 0) {
		return 0
	}
	return kg / float64(perEnd.Kilograms())
}
