package board

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"turnwise/planner/calendar"
)

// desk is a problem laid out for the search.
type desk struct {
	p       *Problem
	s       *shop
	clocks  []*calendar.Clock // by machine
	tasks   []task
	states  []State
	machine map[string]int
	order   map[string]int
	refused []Refusal
	why     [][]*Reason         // [order][machine] why not; nil = it can
	splitOf []int               // [order] index in s.split, or -1
	lastOn  map[string][]string // machines of every order by the last plan
	lastAt  map[string]time.Time
	late    map[string]float64 // weighted tardiness of running parts, in cost
	during  [][]pause          // [machine] care within the running job
}

// pause is a care for which the running job stops, in working seconds since now.
type pause struct {
	care        int
	start, long int64
}

// task is an order's part or a care, by index.
type task struct {
	order, care int // one of them is -1
	machine     int // of a care
	part        int
}

func seconds(minutes float64) int64 { return int64(math.Round(minutes * 60)) }

// newDesk lays the problem out.
func newDesk(p *Problem) (*desk, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	d := &desk{p: p, machine: map[string]int{}, order: map[string]int{}, lastOn: map[string][]string{}, lastAt: map[string]time.Time{}, late: map[string]float64{}}
	for i := range p.Machines {
		m := &p.Machines[i]
		d.machine[m.ID] = i
		c := m.Calendar
		c.Closed = append(slices.Clone(c.Closed), m.Closed...)
		d.clocks = append(d.clocks, c.From(p.Now))
	}
	own := p.Machines
	p.Machines = p.gauged()
	for k := range p.Orders {
		d.order[p.Orders[k].ID] = k
	}
	for _, line := range p.Last.Machines {
		for _, j := range line.Jobs {
			if j.Kind == JobCare {
				continue
			}
			if !slices.Contains(d.lastOn[j.Order], line.Machine) {
				d.lastOn[j.Order] = append(d.lastOn[j.Order], line.Machine)
			}
			if at, ok := d.lastAt[j.Order]; !ok || j.Start.Before(at) {
				d.lastAt[j.Order] = j.Start
			}
		}
	}
	d.eligible()
	d.number()
	if err := d.fillStates(); err != nil {
		return nil, err
	}
	d.fill()
	d.shareCylinders(own)
	return d, nil
}

// eligible finds which machines can knit which order, and refuses the others.
func (d *desk) eligible() {
	p := d.p
	runs := map[string][]string{}
	for i := range p.Machines {
		if r := p.Machines[i].Running; r != nil {
			runs[r.Order] = append(runs[r.Order], p.Machines[i].ID)
		}
	}
	d.why = make([][]*Reason, len(p.Orders))
	// What stands behind another pinned order must be on its machine.
	stay := map[string]string{}
	for k := range p.Orders {
		if pin := p.Orders[k].Pin; pin != nil && pin.After != "" && pin.Machine != "" {
			for o := pin.After; o != "" && stay[o] == ""; {
				stay[o] = pin.Machine
				if next := p.Orders[d.order[o]].Pin; next != nil {
					o = next.After
				} else {
					o = ""
				}
			}
		}
	}
	for k := range p.Orders {
		o := &p.Orders[k]
		d.why[k] = make([]*Reason, len(p.Machines))
		if o.Kg == 0 && len(runs[o.ID]) > 0 {
			continue
		}
		if why, rule := o.wrong(p); why != "" {
			d.refused = append(d.refused, Refusal{Order: o.ID, Why: why, Reasons: []Reason{{Rule: rule, Sentence: why}}})
			d.why[k] = nil
			continue
		}
		able := 0
		for i := range p.Machines {
			m := &p.Machines[i]
			r := cannot(m, o)
			switch {
			case r != nil:
			case o.OneLot && len(runs[o.ID]) > 0 && !slices.Contains(runs[o.ID], m.ID):
				r = &Reason{m.ID, RuleLot, fmt.Sprintf("%s may not take a part of %s: it is dyed as one lot and runs on %s.", m.ID, o.ID, runs[o.ID][0])}
			case stay[o.ID] != "" && stay[o.ID] != m.ID && !slices.Contains(runs[o.ID], stay[o.ID]):
				r = &Reason{m.ID, RulePin, fmt.Sprintf("%s may not take %s: an order that is pinned behind it is on %s.", m.ID, o.ID, stay[o.ID])}
			}
			if d.why[k][i] = r; r == nil {
				able++
			}
		}
		if able == 0 {
			d.refuse(k)
		}
	}
}

// refuse says that no machine can knit an order, and the property that most machines fail.
func (d *desk) refuse(k int) {
	o := &d.p.Orders[k]
	out := Refusal{Order: o.ID}
	count := map[string]int{}
	for _, r := range d.why[k] {
		out.Reasons = append(out.Reasons, *r)
		count[r.Rule]++
	}
	// The rule that the fewest machines fail is the one to talk about: they come nearest.
	best := -1
	for i, r := range out.Reasons {
		if best < 0 || count[r.Rule] < count[out.Reasons[best].Rule] {
			best = i
		}
	}
	out.Why = fmt.Sprintf("No machine can knit %s; there is none.", o.ID)
	if best >= 0 {
		out.Why = fmt.Sprintf("No machine can knit %s. The nearest: %s", o.ID, out.Reasons[best].Sentence)
	}
	d.refused = append(d.refused, out)
	d.why[k] = nil
}

// number gives every part of an order and every care its task.
func (d *desk) number() {
	p := d.p
	s := &shop{m: len(p.Machines)}
	d.s = s
	d.splitOf = make([]int, len(p.Orders))
	for k := range p.Orders {
		o := &p.Orders[k]
		d.splitOf[k] = -1
		if d.why[k] == nil || o.Kg == 0 {
			continue
		}
		running := slices.ContainsFunc(p.Machines, func(m Machine) bool { return m.Running != nil && m.Running.Order == o.ID })
		parts := 1
		if o.RollKg > 0 && !o.OneLot {
			parts = min(max(o.Parts, 1), maxParts, int(math.Ceil(o.Kg/o.RollKg)))
		}
		if parts > 1 || running {
			sp := split{first: int32(len(d.tasks)), parts: int32(parts), rolls: 1, least: 1, rollKg: o.Kg, kg: o.Kg, weight: weigh(o.Weight), pace: make([]float64, s.m)}
			if o.RollKg > 0 {
				sp.rollKg, sp.rolls = o.RollKg, int32(math.Ceil(o.Kg/o.RollKg-1e-9))
				sp.least = max(int32(math.Ceil(o.MinKg/o.RollKg-1e-9)), 1)
			}
			for i := range p.Machines {
				if d.why[k][i] == nil {
					pace, _ := o.pace(&p.Machines[i])
					sp.pace[i] = pace
				}
			}
			d.splitOf[k] = len(s.split)
			s.split = append(s.split, sp)
			s.twins = true
		}
		for part := range parts {
			d.tasks = append(d.tasks, task{order: k, care: -1, part: part})
		}
	}
	d.during = make([][]pause, s.m)
	for i := range p.Machines {
		d.interrupt(i)
		for c := range p.Machines[i].Care {
			if slices.ContainsFunc(d.during[i], func(x pause) bool { return x.care == c }) {
				continue
			}
			d.tasks = append(d.tasks, task{order: -1, care: c, machine: i})
		}
	}
	s.n = len(d.tasks)
}

// interrupt finds the care of machine i for which the running job stops: waiting for its end
// would cost more than the running order loses. What follows loses the same either way.
func (d *desk) interrupt(i int) {
	m := &d.p.Machines[i]
	if m.Running == nil {
		return
	}
	o := &d.p.Orders[d.order[m.Running.Order]]
	end, due := d.runs(i), d.working(i, o.Due)
	byLatest := make([]int, len(m.Care))
	for c := range byLatest {
		byLatest[c] = c
	}
	slices.SortFunc(byLatest, func(a, b int) int { return m.Care[a].Latest.Compare(m.Care[b].Latest) })
	clear := int64(0) // until here the machine has its care already
	for _, c := range byLatest {
		care := &m.Care[c]
		if care.Latest.IsZero() {
			continue
		}
		long := max(seconds(care.Minutes), 1)
		earliest, latest := max(d.working(i, care.Earliest), 0), d.working(i, care.Latest)
		start := max(earliest, latest-long, clear)
		if start >= end {
			continue
		}
		late := float64(max(end+long-latest, 0)-max(start+long-latest, 0)) * float64(weigh(care.Weight))
		loss := float64(max(end+long-due, 0)-max(end-due, 0)) * float64(weigh(o.Weight))
		if late > loss {
			d.during[i] = append(d.during[i], pause{c, start, long})
			end, clear = end+long, start+long
		}
	}
}

// held is the working seconds of care within the running job of machine i.
func (d *desk) held(i int) int64 {
	sum := int64(0)
	for _, x := range d.during[i] {
		sum += x.long
	}
	return sum
}

func weigh(w float64) int64 {
	if w == 0 {
		w = 1
	}
	return max(int64(math.Round(w*1000)), 1)
}

// fillStates numbers the states and makes the set-up tables; a hole that a plan could meet
// is an error.
func (d *desk) fillStates() error {
	p, s := d.p, d.s
	index := map[State]int32{}
	number := func(st State) int32 {
		k, ok := index[st]
		if !ok {
			k = int32(len(d.states))
			index[st] = k
			d.states = append(d.states, st)
		}
		return k
	}
	s.live = make([]int32, s.m)
	for i := range p.Machines {
		m := &p.Machines[i]
		st := m.Live
		if m.Running != nil {
			st = p.Orders[d.order[m.Running.Order]].Makes
		}
		s.live[i] = number(st)
	}
	s.state = make([]int32, s.n)
	for t, x := range d.tasks {
		s.state[t] = -1
		if x.order >= 0 {
			s.state[t] = number(p.Orders[x.order].Makes)
		}
	}
	s.states = int32(len(d.states))
	s.setup = make([][]int32, s.m)
	var shared []int32
	for i := range p.Machines {
		if p.Setups.own(p.Machines[i].ID) {
			s.setup[i] = p.Setups.seconds(p.Machines[i].ID, d.states)
			continue
		}
		if shared == nil {
			shared = p.Setups.seconds("", d.states)
		}
		s.setup[i] = shared
	}
	return d.holes()
}

// holes finds the first set-up that a plan could need and the table does not have.
func (d *desk) holes() error {
	s, p := d.s, d.p
	for i := range p.Machines {
		if !slices.Contains(s.setup[i], -1) {
			continue
		}
		can := []int32{s.live[i]}
		for t, x := range d.tasks {
			if x.order >= 0 && d.why[x.order][i] == nil {
				can = append(can, s.state[t])
			}
		}
		slices.Sort(can[1:])
		can = append(can[:1], slices.Compact(can[1:])...)
		for _, a := range can {
			for _, b := range can[1:] {
				if s.setup[i][a*s.states+b] < 0 {
					_, err := p.Setups.Between(p.Machines[i].ID, d.states[a], d.states[b])
					return err
				}
			}
		}
	}
	return nil
}

// fill makes the tables of times.
func (d *desk) fill() {
	p, s := d.p, d.s
	size := s.n * s.m
	s.dur, s.release, s.due, s.extra = make([]int64, size), make([]int64, size), make([]int64, size), make([]int64, size)
	s.weight, s.after, s.kin = make([]int64, s.n), make([]int32, s.n), make([]int32, s.n)
	s.able, s.free, s.fixed = make([][]int32, s.n), make([]int64, s.m), make([]int, s.m)
	s.price = int64(math.Round(p.SetupCost * 1000))
	firstOf := map[string]int32{}
	for t, x := range d.tasks {
		s.after[t] = -1
		if x.order >= 0 && x.part == 0 {
			firstOf[p.Orders[x.order].ID] = int32(t)
		}
	}
	for i := range p.Machines {
		if r := p.Machines[i].Running; r != nil {
			s.free[i] = d.runs(i) + d.held(i)
			k := d.order[r.Order]
			over := max(s.free[i]-d.working(i, p.Orders[k].Due), 0)
			d.late[r.Order] = max(d.late[r.Order], float64(over)*float64(weigh(p.Orders[k].Weight))/60000)
			if q := d.splitOf[k]; q >= 0 {
				s.split[q].floor = max(s.split[q].floor, over)
			}
		}
	}
	for t, x := range d.tasks {
		if x.order < 0 {
			d.fillCare(t, x)
			continue
		}
		o := &p.Orders[x.order]
		s.kin[t], s.weight[t] = int32(x.order), weigh(o.Weight)
		if o.Pin != nil && o.Pin.After != "" {
			if a, ok := firstOf[o.Pin.After]; ok {
				s.after[t], s.pinned = a, true
			}
		}
		for i := range p.Machines {
			if d.why[x.order][i] != nil {
				continue
			}
			k := i*s.n + t
			s.able[t] = append(s.able[t], int32(i))
			pace, _ := o.pace(&p.Machines[i])
			s.dur[k] = max(int64(math.Round(pace*o.Kg)), 1)
			s.due[k] = d.working(i, o.Due)
			s.release[k] = max(d.working(i, o.YarnFrom), 0)
		}
	}
}

// price gives every task its cost of being elsewhere than by the last plan, whose cost as it
// is now is told. A split order is moved once, not once for every part.
func (d *desk) price(cost int64) {
	s := d.s
	each := d.p.ChangeCost
	if each == 0 && s.n > 0 {
		each = units(cost) / float64(s.n) / 2
	}
	for t, x := range d.tasks {
		if x.order < 0 {
			continue
		}
		parts := int64(1)
		if q := d.splitOf[x.order]; q >= 0 {
			parts = int64(s.split[q].parts)
		}
		for _, i := range s.able[t] {
			s.extra[int(i)*s.n+t] = d.change(d.p.Orders[x.order].ID, d.p.Machines[i].ID, each) / parts
		}
	}
}

func (d *desk) fillCare(t int, x task) {
	s, i := d.s, x.machine
	c := &d.p.Machines[i].Care[x.care]
	k := i*s.n + t
	s.kin[t], s.weight[t] = -1, weigh(c.Weight)
	s.able[t] = []int32{int32(i)}
	s.dur[k] = max(seconds(c.Minutes), 1)
	s.release[k] = max(d.working(i, c.Earliest), 0)
	s.due[k] = math.MaxInt64 >> 2
	if !c.Latest.IsZero() {
		s.due[k] = d.working(i, c.Latest)
	}
}

// runs is the working seconds of the running job of machine i.
func (d *desk) runs(i int) int64 {
	m := &d.p.Machines[i]
	if m.Running.Minutes > 0 {
		return seconds(m.Running.Minutes)
	}
	pace, err := d.p.Orders[d.order[m.Running.Order]].pace(m)
	if err != nil {
		return 0
	}
	return int64(math.Round(pace * m.Running.Kg))
}

// working is the working seconds of machine i until t; below 0 in wall time when t is past.
func (d *desk) working(i int, t time.Time) int64 {
	if t.Before(d.p.Now) {
		if t.IsZero() {
			return 0
		}
		return -int64(d.p.Now.Sub(t) / time.Second)
	}
	return int64(d.clocks[i].Working(t) / time.Second)
}

// change is what it costs to have an order on a machine that is not of the last plan: all of
// it when it starts soon, a part of it later.
func (d *desk) change(order, machine string, each float64) int64 {
	on := d.lastOn[order]
	if len(on) == 0 || slices.Contains(on, machine) {
		return 0
	}
	cost := max(each, 0)
	if d.lastAt[order].After(d.p.Now.Add(d.p.Steady)) {
		cost /= laterChange
	}
	return int64(math.Round(cost * 60000))
}

// laterChange: a change beyond the steady time is still felt, but a quarter as much.
const laterChange = 4

// lay puts the last plan's jobs on their machines, as far as they still can be, and says
// which are frozen. What is left over is put by the caller.
func (d *desk) lay() *layout {
	l := newLayout(d.s)
	p, s := d.p, d.s
	parts := map[int][]Job{} // of split orders by the last plan
	care := map[string]int{}
	taskOf := map[int]int{}
	for t, x := range d.tasks {
		if x.order < 0 {
			care[p.Machines[x.machine].ID+"\x00"+p.Machines[x.machine].Care[x.care].ID] = t
		} else if x.part == 0 {
			taskOf[x.order] = t
		}
	}
	for _, line := range p.Last.Machines {
		for _, j := range line.Jobs {
			if k, ok := d.order[j.Order]; ok && j.Kind == JobOrder && d.splitOf[k] >= 0 {
				if i, ok := d.machine[line.Machine]; ok && d.why[k][i] == nil {
					parts[k] = append(parts[k], j)
				}
			}
		}
	}
	d.dealLast(l, parts)
	used := map[int]int{} // parts of a split order already laid
	for _, line := range p.Last.Machines {
		i, ok := d.machine[line.Machine]
		if !ok {
			continue
		}
		frozen := true
		for _, j := range line.Jobs {
			t := -1
			switch k, known := d.order[j.Order]; {
			case j.Kind == JobCare:
				if c, ok := care[line.Machine+"\x00"+j.Order]; ok {
					t = c
				}
			case j.Kind == JobOrder && known && d.why[k] != nil && p.Orders[k].Kg > 0 && d.why[k][i] == nil:
				t = taskOf[k]
				if q := d.splitOf[k]; q >= 0 {
					t += used[k]
					used[k]++
					if t >= int(s.split[q].first+s.split[q].parts) || l.rolls[t] == 0 {
						t = -1
					}
				}
			}
			if t < 0 || l.where[t] >= 0 {
				continue
			}
			l.seq[i] = append(l.seq[i], int32(t))
			l.where[t] = int32(i)
			if frozen = frozen && cmp.Or(j.SetupStart, j.Start).Before(p.Now.Add(p.Frozen)); frozen {
				s.fixed[i] = len(l.seq[i])
			}
		}
		l.walk(i, 0)
	}
	return l
}

// dealLast gives split orders the parts of the last plan when they still add up, else one part.
func (d *desk) dealLast(l *layout, parts map[int][]Job) {
	for k, q := range d.splitOf {
		if q < 0 {
			continue
		}
		o := &d.s.split[q]
		var rolls [maxParts]int32
		sum := int32(0)
		for n, j := range parts[k] {
			if n < int(o.parts) && j.Rolls > 0 {
				rolls[n] = int32(j.Rolls)
				sum += int32(j.Rolls)
			}
		}
		// What was knitted since comes off the largest part, what was added goes to it.
		big := 0
		for n := range rolls {
			if rolls[n] > rolls[big] {
				big = n
			}
		}
		rolls[big] += o.rolls - sum
		if rolls[big] < 1 {
			rolls = [maxParts]int32{o.rolls}
		}
		deal(l, o, rolls[:o.parts])
	}
}
