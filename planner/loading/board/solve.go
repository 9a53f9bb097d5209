package board

import (
	"cmp"
	"math"
	"slices"
	"time"
)

const (
	defaultIterations = 2000
	tellEvery         = 1024 // rounds, though nothing got better
)

// Solve plans. It refuses single orders in [Plan.Refused]; an error holds [ErrProblem].
func Solve(p Problem, o Options) (Plan, error) {
	d, err := newDesk(&p)
	if err != nil {
		return Plan{}, err
	}
	from := d.lay()
	// What is frozen keeps its place and its rolls; all else is put anew for the start.
	empty := newLayout(d.s)
	copy(empty.rolls, from.rolls)
	for i, q := range from.seq {
		empty.seq[i] = append(empty.seq[i], q[:d.s.fixed[i]]...)
		for _, t := range empty.seq[i] {
			empty.where[t] = int32(i)
		}
		empty.walk(i, 0)
	}
	start := begin(empty)
	cost := start.total()
	l, mend := start, false
	if len(p.Last.Machines) > 0 {
		from.greedy(from.waiting())
		d.price(from.total())
		for i := range from.seq {
			from.walk(i, 0)
			start.walk(i, 0)
		}
		// A plan in force that fell far behind a new start is given up.
		if mend = from.total() <= cost+cost/4; mend {
			l = from
		}
	}
	cost = start.total() // with what its changes cost
	bound := d.s.bound(d.s.split)
	rounds, risk := d.search(l, o, mend, cost, bound)
	plan := d.tell(l)
	plan.Start, plan.Bound, plan.Iterations = units(cost)+d.runningCost(), units(bound)+d.runningCost(), rounds
	plan.Proven = l.total() <= bound
	plan.Cost.Risk = risk
	plan.Moves = d.moves(l, plan)
	return plan, nil
}

// Retime is the last plan as it is now, with nothing moved: jobs that ended or cannot be any
// more fall out, orders that it does not have are put where they cost least, and so is care,
// between its jobs.
func Retime(p Problem) (Plan, error) {
	d, err := newDesk(&p)
	if err != nil {
		return Plan{}, err
	}
	l := d.lay()
	l.careFirst = true
	l.greedy(l.waiting())
	if len(p.Last.Machines) > 0 {
		d.price(l.total())
		for i := range l.seq {
			l.walk(i, 0)
		}
	}
	plan := d.tell(l)
	plan.Bound = units(d.s.bound(d.s.split)) + d.runningCost()
	plan.Start = plan.Cost.Total()
	plan.Moves = d.moves(l, plan)
	return plan, nil
}

// units turns a cost of the search into that of people: weight 1 late by a minute.
func units(cost int64) float64 { return float64(cost) / 60000 }

// runningCost is the tardiness of what runs, which no plan can change.
func (d *desk) runningCost() float64 {
	sum := 0.0
	for _, v := range d.late {
		sum += v
	}
	for i, list := range d.during {
		for _, x := range list {
			sum += d.tellPause(i, x).Tardiness
		}
	}
	return sum
}

// search betters a layout in place and says how many rounds it took, and the risk when plans were ranked by it.
func (d *desk) search(l *layout, o Options, mend bool, start, bound int64) (int, float64) {
	rounds := cmp.Or(o.Iterations, defaultIterations)
	x := newSearch(l, o.Seed)
	x.enough, x.mend = bound, mend
	x.shelf = o.Keep
	x.keep()
	tell := func(n int) {
		if o.Progress != nil {
			r := d.runningCost()
			o.Progress(Progress{Iterations: n, Cost: units(x.bestCost) + r, Start: units(start) + r, Bound: units(bound) + r})
		}
	}
	tell(0)
	n := x.run(rounds, func(n int, better bool) bool {
		if better || n%tellEvery == 0 {
			tell(n)
		}
		return o.Continue == nil || o.Continue()
	})
	x.restore()
	tell(n)
	risk := 0.0
	if o.Keep > 0 {
		risk = d.rerank(x)
	}
	return n, risk
}

// tell writes a layout as people read it.
func (d *desk) tell(l *layout) Plan {
	p := d.p
	out := Plan{At: p.Now, Refused: slices.Clone(d.refused), Cost: d.tellCost(l)}
	parts := map[int]int{}
	for i := range p.Machines {
		line := Line{Machine: p.Machines[i].ID}
		if p.Machines[i].Running != nil {
			line.Jobs = append(line.Jobs, d.tellRunning(i))
			for _, x := range d.during[i] {
				line.Jobs = append(line.Jobs, d.tellPause(i, x))
			}
		}
		for k, t := range l.seq[i] {
			if d.tasks[t].order >= 0 {
				parts[d.tasks[t].order]++
			}
			line.Jobs = append(line.Jobs, d.tellJob(l, i, k))
		}
		out.Machines = append(out.Machines, line)
	}
	seen := map[string]int{}
	for i := range out.Machines {
		for k := range out.Machines[i].Jobs {
			j := &out.Machines[i].Jobs[k]
			if j.Kind != JobOrder {
				continue
			}
			seen[j.Order]++
			j.Part, j.Parts = seen[j.Order], parts[d.order[j.Order]]
		}
	}
	out.Free = d.free(out)
	return out
}

// tellCost parts the cost of a layout.
func (d *desk) tellCost(l *layout) Cost {
	s := d.s
	var up, change int64
	for i, q := range l.seq {
		for k, t := range q {
			if s.state[t] >= 0 {
				up += int64(s.setup[i][l.mode[i][k]*s.states+s.state[t]]) * s.price
			}
			change += s.extra[i*s.n+int(t)]
		}
	}
	return Cost{Tardiness: units(l.total()-up-change) + d.runningCost(), Setup: units(up), Change: units(change)}
}

// at is the wall time at which machine i has worked so many seconds since now.
func (d *desk) at(i int, sec int64) time.Time {
	t, ok := d.clocks[i].After(time.Duration(sec) * time.Second)
	if !ok {
		return d.p.Now.AddDate(10, 0, 0)
	}
	return t
}

// opens is the first instant at which the machine works on after so many seconds: the end of
// a shift is the begin of the next one.
func (d *desk) opens(i int, sec int64) time.Time {
	return d.at(i, sec+1).Add(-time.Second)
}

func (d *desk) tellRunning(i int) Job {
	m := &d.p.Machines[i]
	o := &d.p.Orders[d.order[m.Running.Order]]
	end := d.at(i, d.s.free[i])
	over := max(d.s.free[i]-d.working(i, o.Due), 0)
	return Job{
		Kind: JobRunning, Order: o.ID, Part: 1, Parts: 1, Kg: m.Running.Kg, SetupStart: d.p.Now, Start: d.p.Now, End: end,
		Minutes: float64(d.s.free[i]-d.held(i)) / 60, Late: max(end.Sub(o.Due), 0), LateMinutes: float64(over) / 60,
		Tardiness: float64(over) * float64(weigh(o.Weight)) / 60000, Frozen: true, MissChance: d.missChance(i, nil, nil, o.Due),
	}
}

// tellPause is a care within the running job.
func (d *desk) tellPause(i int, x pause) Job {
	c := &d.p.Machines[i].Care[x.care]
	over := max(x.start+x.long-d.working(i, c.Latest), 0)
	return Job{
		Kind: JobCare, Order: c.ID, Care: c.Kind, Part: 1, Parts: 1, SetupStart: d.opens(i, x.start), Start: d.opens(i, x.start), End: d.at(i, x.start+x.long),
		Minutes: float64(x.long) / 60, Late: max(d.at(i, x.start+x.long).Sub(c.Latest), 0), LateMinutes: float64(over) / 60,
		Tardiness: float64(over) * float64(weigh(c.Weight)) / 60000, MissChance: -1,
	}
}

func (d *desk) tellJob(l *layout, i, place int) Job {
	p, s, t := d.p, d.s, l.seq[i][place]
	x := d.tasks[t]
	before, end := l.time[i][place], l.time[i][place+1]
	k := i*s.n + int(t)
	j := Job{
		SetupStart: d.opens(i, before), Start: d.opens(i, end-s.dur[k]), End: d.at(i, end),
		Minutes: float64(s.dur[k]) / 60, Part: 1, Parts: 1, Frozen: place < s.fixed[i], MissChance: -1,
	}
	over := max(end-s.due[k], 0)
	j.LateMinutes = float64(over) / 60
	if x.order < 0 {
		c := &p.Machines[i].Care[x.care]
		j.Kind, j.Order, j.Care, j.Tardiness = JobCare, c.ID, c.Kind, float64(over)*float64(s.weight[t])/60000
		if !c.Latest.IsZero() {
			j.Late = max(j.End.Sub(c.Latest), 0)
		}
		return j
	}
	o := &p.Orders[x.order]
	j.Kind, j.Order, j.Kg = JobOrder, o.ID, o.Kg
	j.Tardiness = float64(over) * float64(weigh(o.Weight)) / 60000
	if o.RollKg > 0 {
		j.Rolls = int(math.Ceil(o.Kg/o.RollKg - 1e-9))
	}
	if q := d.splitOf[x.order]; q >= 0 {
		sp := &s.split[q]
		last := true
		for u := t + 1; u < sp.first+sp.parts; u++ {
			last = last && l.rolls[u] == 0
		}
		j.Kg = sp.part(l.rolls[t], last)
		if o.RollKg > 0 {
			j.Rolls = int(l.rolls[t])
		}
	}
	j.Late = max(j.End.Sub(o.Due), 0)
	if j.LateMinutes == 0 {
		j.Late = 0
	}
	j.Pinned = o.Pin != nil
	if r := s.rings; r != nil && slices.Contains(r.hosts, i) && r.taken[i][place] > 0 {
		j.Cylinder, j.CylinderMinutes = p.Cylinders[r.taken[i][place]-1].ID, float64(r.wait[i][place])/60
	}
	from := d.states[l.mode[i][place]]
	j.Setup, _ = p.Setups.Between(p.Machines[i].ID, from, o.Makes)
	j.SetupMinutes = float64(s.setup[i][l.mode[i][place]*s.states+s.state[t]]) / 60
	j.MissChance = d.missChance(i, l, l.seq[i][:place+1], o.Due)
	return j
}

// free counts the working time without a job, by diameter and gauge.
func (d *desk) free(plan Plan) []FreeHours {
	horizon := cmp.Or(d.p.Horizon, 7*24*time.Hour)
	var out []FreeHours
	for i := range d.p.Machines {
		plate := d.p.Machines[i].Plate
		whole := int64(d.clocks[i].Working(d.p.Now.Add(horizon)) / time.Second)
		busy := int64(0)
		for _, j := range plan.Machines[i].Jobs {
			// Waiting for yarn is not work: what is knitted and set up counts, up to the horizon.
			end := int64(d.clocks[i].Working(j.End) / time.Second)
			knit, up := seconds(j.Minutes), seconds(j.SetupMinutes)
			begin := int64(d.clocks[i].Working(j.SetupStart) / time.Second)
			busy += max(min(end, whole)-(end-knit), 0) + max(min(begin+up, whole)-begin, 0)
		}
		hours := float64(max(whole-busy, 0)) / 3600
		k := slices.IndexFunc(out, func(f FreeHours) bool { return f.Diameter == plate.Diameter && f.Gauge == plate.Gauge })
		if k < 0 {
			out = append(out, FreeHours{Diameter: plate.Diameter, Gauge: plate.Gauge})
			k = len(out) - 1
		}
		out[k].Machines++
		out[k].Hours += hoursOf(hours)
	}
	slices.SortFunc(out, func(a, b FreeHours) int {
		return cmp.Or(cmp.Compare(a.Diameter, b.Diameter), cmp.Compare(a.Gauge, b.Gauge))
	})
	return out
}
