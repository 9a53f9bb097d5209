package outlook

import (
	"errors"
	"fmt"
	"slices"
	"strings"
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
	f.Lateness = d.lateness(law, promise)
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

// lateness is the mean time by which the promise is missed, on the wall: closed
// shifts count, as the customer waits through them.
func (d *desk) lateness(law forecast.Law, promise time.Time) time.Duration {
	if promise.IsZero() {
		return 0
	}
	const ways = 100
	var sum time.Duration
	for i := range ways {
		at, ok := d.clock.After(minutes(law.Quantile((float64(ways-i) - 0.5) / ways)))
		late := at.Sub(promise)
		if ok && late <= 0 {
			break // all others are earlier
		}
		if ok {
			sum += min(late, longestLate) / ways
		}
	}
	return sum
}

// longestLate bounds what is told of promises that lie centuries back.
const longestLate = 20 * 365 * 24 * time.Hour

// minutes as a duration; the laws stay below a few decades, which fits.
func minutes(m float64) time.Duration {
	return time.Duration(min(m, 1e8) * float64(time.Minute))
}

// stretch is the work until job i of a queue is done, with the law of its working
// minutes, or the reason why there is none.
func (d *desk) stretch(q *queue, i int) (stretch, string) {
	w := &q.jobs[i]
	if w.reason != "" {
		return stretch{}, w.reason
	}
	if w.kg <= 0 {
		return stretch{}, NothingLeft
	}
	s, err := q.stretch(q.jobs[:i+1])
	switch {
	case errors.Is(err, errEarlier):
		return stretch{}, fmt.Sprintf("A job before it on %s has no forecast", name(q.m.ID))
	case err != nil:
		return stretch{}, fmt.Sprintf("Check %s on %s: %v", w.job.Order, name(q.m.ID), err)
	}
	return s, ""
}

// stretch is the work of the jobs, which begin with the machine's first.
func (q *queue) stretch(jobs []work) (stretch, error) {
	s := stretch{q: q}
	var err error
	if s.todo, s.lost, err = q.account(jobs); err != nil {
		return s, err
	}
	if w := &jobs[len(jobs)-1]; !w.fixed {
		s.weight = float64(w.grams) * float64(w.speed)
	}
	s.law, s.raw, err = told([]stretch{s})
	return s, err
}

// told is the law of an order's stretches as it is told: the raw one with its chances
// put right by what became of past forecasts.
func told(all []stretch) (law, raw forecast.Law, err error) {
	if raw, err = forecast.Split(partsOf(all)...); err != nil {
		return raw, raw, err
	}
	if past, machine := all[0].q.past.of(all); past != nil {
		return past.Map(machine, forecast.AskOf(partsOf(all)...)).Law(raw), raw, nil
	}
	return raw, raw, nil
}

func partsOf(all []stretch) []forecast.Part {
	parts := make([]forecast.Part, len(all))
	for i, s := range all {
		parts[i] = forecast.Part{Machine: s.q.forecast, Work: s.todo, Weight: s.weight}
	}
	return parts
}

// machinesOf names the machines of an order's stretches, as kept forecasts tell them.
func machinesOf(all []stretch) string {
	ids := make([]string, len(all))
	for i, s := range all {
		ids[i] = s.q.m.ID
	}
	slices.Sort(ids)
	return strings.Join(slices.Compact(ids), between)
}

// NothingLeft is the reason why an order that is done has no forecast.
const NothingLeft = "Nothing is left to knit"
