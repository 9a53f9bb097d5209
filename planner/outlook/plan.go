package outlook

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"turnwise/planner/creel"
	"turnwise/planner/forecast"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// Plan answers for every order, creel and roll of the snapshot. Orders come
// sorted by their chance to miss the promise: first those that have work left and no
// forecast, last those that are done.
func Plan(s Snapshot, now time.Time) (Outlook, error) {
	d, err := newDesk(s, now)
	if err != nil {
		return Outlook{}, err
	}
	out := Outlook{At: now}
	for i := range s.Orders {
		out.Orders = append(out.Orders, d.order(&s.Orders[i]))
	}
	d.balance(out.Orders)
	for i := range out.Orders {
		out.Orders[i].Why = d.why(&out.Orders[i])
	}
	promise := func(o OrderOutlook) time.Time { return d.orders[o.Order].Promise }
	slices.SortStableFunc(out.Orders, func(a, b OrderOutlook) int {
		return cmp.Or(cmp.Compare(danger(b), danger(a)), promise(a).Compare(promise(b)), cmp.Compare(a.Order, b.Order))
	})
	for i := range d.queues {
		q := &d.queues[i]
		out.Creels = append(out.Creels, d.creels(q)...)
		out.Marks = append(out.Marks, d.marks(q)...)
		if doff, ok := d.doff(q); ok {
			out.Doffs = append(out.Doffs, doff)
		}
	}
	slices.SortStableFunc(out.Creels, func(a, b CreelWindow) int { return a.First.Compare(b.First) })
	slices.SortStableFunc(out.Doffs, func(a, b Doff) int { return a.At.Compare(b.At) })
	return out, nil
}

// danger sorts orders: not known is worse than any chance, done is none at all.
func danger(o OrderOutlook) float64 {
	switch {
	case o.RemainingKg <= 0:
		return -1
	case o.Finish.Refused != "":
		return 2
	}
	return o.Finish.MissChance
}

// order gives the finish of an order and of its jobs: it is done when the last of
// its parts is.
func (d *desk) order(o *Order) OrderOutlook {
	out := OrderOutlook{Order: o.ID}
	left, ok := remaining(o)
	if !ok {
		out.Finish.Refused = fmt.Sprintf("Correct the kilos of order %s", o.ID)
		return out
	}
	out.RemainingKg = left
	var stretches []stretch
	var only Finish // of the last job, the only one if there is one
	var basis []string
	refused, jobs := "", 0
	d.parts(o.ID, func(q *queue, i int) {
		jobs++
		w := &q.jobs[i]
		todo, reason := d.stretch(q, i)
		job := JobOutlook{Machine: q.m.ID, RemainingKg: w.kg, RemainingRevolutions: unit.Revolutions(w.turns())}
		if reason != "" {
			job.Finish.Refused = reason
			if reason != NothingLeft {
				refused = cmp.Or(refused, reason)
			}
		} else {
			job.Finish = d.finish(todo.law, o.Promise)
			job.Finish.goes([]stretch{todo}, todo.law)
			job.CareMin, _ = todo.law.Paused(0.5)
			job.Finish.Basis = append(q.basis(), d.fleet.Basis()...)
			only = job.Finish
			if n := len(stretches); n > 0 && stretches[n-1].q == q {
				stretches = stretches[:n-1] // the later job on a machine ends last
			}
			stretches = append(stretches, todo)
			basis = append(basis, q.basis()...)
		}
		out.Jobs = append(out.Jobs, job)
	})
	switch {
	case left <= 0:
		out.Finish.Refused = NothingLeft
	case jobs == 0:
		out.Finish.Refused = "Assign a machine; none knits this order"
	case refused != "":
		out.Finish.Refused = refused
	case len(stretches) == 0:
		out.Finish.Refused = "Assign more kilos; the machines' parts are done"
	default:
		d.finishOf(&out, stretches, only, o.Promise)
		out.Finish.Basis = append(basis, d.fleet.Basis()...)
	}
	return out
}

// finishOf is the finish of an order that has stretches; only is that of its job if it has
// one.
func (d *desk) finishOf(out *OrderOutlook, stretches []stretch, only Finish, promise time.Time) {
	one := len(stretches) == 1
	if one {
		out.Law, out.Raw = stretches[0].law, stretches[0].raw
	} else {
		var err error
		if out.Law, out.Raw, err = told(stretches); err != nil {
			out.Finish.Refused = fmt.Sprintf("Check %s: %v", out.Order, err)
			return
		}
	}
	out.Finish = d.finish(out.Law, promise)
	if one {
		out.Finish.History, out.Finish.Parts, out.Finish.Levers = only.History, only.Parts, only.Levers
	} else {
		out.Finish.goes(stretches, out.Law)
	}
	d.together(out.Jobs, stretches, out.Law, promise)
	out.Machine, out.Ask = machinesOf(stretches), forecast.AskOf(partsOf(stretches)...)
	out.Finish.Corrected = d.past.corrected(stretches)
}

// together gives jobs that share kilos the end that they have in common: whoever runs
// knits them, so all run to it. law is that of all the stretches.
func (d *desk) together(jobs []JobOutlook, stretches []stretch, law forecast.Law, promise time.Time) {
	var sharing []stretch
	for _, s := range stretches {
		if s.weight > 0 {
			sharing = append(sharing, s)
		}
	}
	if len(sharing) < 2 {
		return
	}
	if len(sharing) < len(stretches) {
		var err error
		if law, _, err = told(sharing); err != nil {
			return // told for all of them before: it cannot be
		}
	}
	common := d.finish(law, promise)
	for i := range jobs {
		f := &jobs[i].Finish
		if f.Refused == "" && slices.ContainsFunc(sharing, func(s stretch) bool { return s.q.m.ID == jobs[i].Machine }) {
			common.Basis, common.History, common.Parts = f.Basis, f.History, f.Parts
			*f = common
		}
	}
}

// basis tells what is known of the machine.
func (q *queue) basis() []string {
	var out []string
	for _, l := range q.forecast.Basis() {
		out = append(out, name(q.m.ID)+": "+l)
	}
	if !speedKnown(q.m.SpeedRPM) {
		out = append(out, name(q.m.ID)+": no speed measured yet, the card's is used")
	}
	return out
}

// turnsAt is the wall time at which the machine has made so many more turns with
// its running job, as expected: the stop in progress first, then turning at its
// running share.
func (d *desk) turnsAt(q *queue, turns float64, speed unit.RPM) (time.Time, bool) {
	if turns <= 0 {
		return d.now, true
	}
	run, ok := unit.Revolutions(turns).Minutes(speed)
	if !ok || math.IsNaN(turns) {
		return time.Time{}, false
	}
	return d.clock.After(minutes(q.cared(q.wait + run/q.share)))
}

// doff says when the roll on the machine reaches its mass.
func (d *desk) doff(q *queue) (Doff, bool) {
	if len(q.jobs) == 0 || q.jobs[0].reason != "" {
		return Doff{}, false
	}
	w := &q.jobs[0]
	roll := w.rollTurns()
	if !(roll > 0 && roll < 1e9) {
		return Doff{}, false
	}
	left := max(math.Ceil(roll-float64(q.m.SinceDoff)), 0)
	at, ok := d.turnsAt(q, left, w.speed)
	if !ok {
		return Doff{}, false
	}
	return Doff{Machine: q.m.ID, At: at, RollKg: w.rollKg, RevsLeft: int64(left)}, true
}

// marks gives the times of the turns that were asked for; those that are not known are left out.
func (d *desk) marks(q *queue) []Mark {
	if len(q.jobs) == 0 || q.jobs[0].reason != "" {
		return nil
	}
	var out []Mark
	for _, turn := range q.m.Marks {
		if at, ok := d.turnsAt(q, turn-float64(q.m.Revolutions), q.jobs[0].speed); ok {
			out = append(out, Mark{q.m.ID, turn, at})
		}
	}
	return out
}

// creels gives the run-out windows of the loads on a machine. Loads on groups that
// the running card does not have are left out.
func (d *desk) creels(q *queue) []CreelWindow {
	if len(q.jobs) == 0 || q.jobs[0].reason != "" {
		return nil
	}
	w := &q.jobs[0]
	var out []CreelWindow
	for _, l := range q.m.Creel {
		g := slices.IndexFunc(w.job.Card.Knit.Feeds, func(g knit.FeedGroup) bool { return g.ID == l.Group })
		if g < 0 {
			continue
		}
		win, err := creel.RunOut(w.job.Card.Knit.Feeds[g], creel.Load{
			Cones: l.Cones, Net: unit.Kilograms(l.lasting()), CV: l.ConeCV, At: unit.Revolutions(l.AtRevolutions),
		})
		if err != nil {
			continue
		}
		row := CreelWindow{
			ID: l.ID, Machine: q.m.ID, Group: l.Group, Yarn: l.Yarn, Lot: l.Lot, Tip: l.Tip, Cones: l.Cones,
			FirstRevolutions: float64(win.First), P05Revolutions: float64(win.P05), P50Revolutions: float64(win.P50), P95Revolutions: float64(win.P95),
			LastRevolutions: float64(win.Last), LoadedAtRevolutions: l.AtRevolutions,
		}
		known := true
		for _, x := range []struct {
			turns unit.Revolutions
			to    *time.Time
		}{{win.First, &row.First}, {win.P05, &row.P05}, {win.P50, &row.P50}, {win.P95, &row.P95}, {win.Last, &row.Last}} {
			at, ok := d.turnsAt(q, float64(x.turns)-float64(q.m.Revolutions), w.speed)
			*x.to = at
			known = known && ok
		}
		if known {
			out = append(out, row)
		}
	}
	return out
}
