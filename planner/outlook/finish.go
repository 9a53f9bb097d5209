package outlook

import (
	"fmt"
	"time"

	"turnwise/planner/forecast"
)

// finish maps a law of working minutes to wall time. The mapping rises, so
// quantiles go through it exactly.
func (d *desk) finish(law forecast.Law, promise time.Time) Finish {
	var f Finish
	at := func(p float64) time.Time {
		t, ok := d.clock.After(minutes(law.Quantile(p)))
		if !ok && f.Refused == "" {
			f.Refused = "The calendar has too little working time in ten years"
		}
		return t
	}
	f.P10, f.P50, f.P80, f.P90, f.P95 = at(0.1), at(0.5), at(0.8), at(0.9), at(0.95)
	for i := range f.Beads {
		f.Beads[i] = at((float64(i) + 0.5) / float64(len(f.Beads)))
	}
	if f.Refused != "" {
		return Finish{Refused: f.Refused}
	}
	f.MissChance = d.missChance(law, promise)
	return f
}

// missChance is the chance to finish after the promise; 0 without a promise.
func (d *desk) missChance(law forecast.Law, promise time.Time) float64 {
	switch {
	case promise.IsZero():
		return 0
	case promise.Before(d.now):
		return 1
	}
	return 1 - law.CDF(d.clock.Working(promise).Minutes())
}

// minutes as a duration; the laws stay below a few decades, which fits.
func minutes(m float64) time.Duration {
	return time.Duration(min(m, 1e8) * float64(time.Minute))
}

// law of the working minutes until job i of a queue is done.
func (d *desk) law(q *queue, i int) (forecast.Law, string) {
	w := &q.jobs[i]
	if w.reason != "" {
		return forecast.Law{}, w.reason
	}
	if w.kg <= 0 {
		return forecast.Law{}, nothingLeft
	}
	todo, err := q.until(q.jobs[:i+1])
	if err != nil {
		return forecast.Law{}, fmt.Sprintf("A job before it on %s has no forecast", name(q.m.ID))
	}
	law, err := q.forecast.Finish(todo)
	if err != nil {
		return forecast.Law{}, fmt.Sprintf("Check %s on %s: %v", w.job.Order, name(q.m.ID), err)
	}
	return law, ""
}

const nothingLeft = "Nothing is left to knit"
