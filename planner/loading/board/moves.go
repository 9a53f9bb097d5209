package board

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// shiftTold: an order that stays on its machines is told when it starts or ends elsewhere by
// more than this.
const shiftTold = 30 * time.Minute

// place of an order in a plan.
type standing struct {
	machines   []string
	start, end time.Time
}

func standings(p Plan) map[string]*standing {
	out := map[string]*standing{}
	for _, line := range p.Machines {
		for _, j := range line.Jobs {
			if j.Kind == JobCare {
				continue
			}
			o := out[j.Order]
			if o == nil {
				o = &standing{start: j.Start, end: j.End}
				out[j.Order] = o
			}
			if !slices.Contains(o.machines, line.Machine) {
				o.machines = append(o.machines, line.Machine)
			}
			if j.Start.Before(o.start) {
				o.start = j.Start
			}
			if j.End.After(o.end) {
				o.end = j.End
			}
		}
	}
	for _, o := range out {
		slices.Sort(o.machines)
	}
	return out
}

// Diff tells how orders stand in a plan against an earlier one, without the rule that binds.
func Diff(before, after Plan) []Move {
	a, b := standings(before), standings(after)
	var ids []string
	for id := range a {
		ids = append(ids, id)
	}
	for id := range b {
		if a[id] == nil {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	var out []Move
	for _, id := range ids {
		m := Move{Order: id}
		from, to := a[id], b[id]
		if from != nil {
			m.FromMachine, m.FromStart, m.FromEnd = from.machines, from.start, from.end
		}
		if to != nil {
			m.ToMachine, m.ToStart, m.ToEnd = to.machines, to.start, to.end
		}
		if slices.Equal(m.FromMachine, m.ToMachine) && apart(m.FromStart, m.ToStart) <= shiftTold && apart(m.FromEnd, m.ToEnd) <= shiftTold {
			continue
		}
		out = append(out, m)
	}
	return out
}

func apart(a, b time.Time) time.Duration { return a.Sub(b).Abs() }

// moves tells what moved against the last plan, each with the rule that binds.
func (d *desk) moves(l *layout, plan Plan) []Move {
	if len(d.p.Last.Machines) == 0 {
		return nil
	}
	out := Diff(d.p.Last, plan)
	out = slices.DeleteFunc(out, func(m Move) bool {
		_, known := d.order[m.Order]
		return !known // it is done, or taken out of the book
	})
	for k := range out {
		d.explain(l, &out[k])
	}
	return out
}

// explain finds the rule that binds a move and says it in one sentence.
func (d *desk) explain(l *layout, m *Move) {
	k := d.order[m.Order]
	say := func(rule, format string, args ...any) {
		m.Rule, m.Sentence = rule, fmt.Sprintf(format, args...)
	}
	on := strings.Join(m.ToMachine, " and ")
	switch {
	case len(m.ToMachine) == 0:
		r := slices.IndexFunc(d.refused, func(r Refusal) bool { return r.Order == m.Order })
		if r < 0 {
			say(RuleQuantity, "%s has nothing left to load.", m.Order)
			return
		}
		rule := RuleCard
		if len(d.refused[r].Reasons) > 0 {
			rule = d.refused[r].Reasons[0].Rule
		}
		say(rule, "%s is taken off: %s", m.Order, d.refused[r].Why)
		return
	case len(m.FromMachine) == 0:
		o := &d.p.Orders[k]
		say(RuleDue, "%s is new on %s, for its due date %s.", m.Order, on, day(o.Due))
		return
	case slices.Equal(m.FromMachine, m.ToMachine):
		d.explainShift(l, m, on, say)
		return
	}
	d.explainMove(l, m, k, on, say)
}

// explainShift: the same machines at another time.
func (d *desk) explainShift(l *layout, m *Move, on string, say func(string, string, ...any)) {
	o := &d.p.Orders[d.order[m.Order]]
	way, by := "later", m.ToStart.Sub(m.FromStart)
	if by == 0 {
		by = m.ToEnd.Sub(m.FromEnd)
	}
	if by < 0 {
		way = "earlier"
	}
	long := span(by.Abs())
	switch {
	case by > 0 && !o.YarnFrom.IsZero() && apart(m.ToStart, o.YarnFrom) < time.Hour:
		say(RuleYarn, "%s starts %s %s on %s: its yarn arrives %s.", m.Order, long, way, on, day(o.YarnFrom))
	case by > 0 && d.ringWait(l, d.order[m.Order]) != "":
		say(RuleCylinder, "%s starts %s %s on %s: %s is in another machine until then.", m.Order, long, way, on, d.ringWait(l, d.order[m.Order]))
	case o.Pin != nil && o.Pin.After != "":
		say(RulePin, "%s starts %s %s on %s: it is pinned behind %s.", m.Order, long, way, on, o.Pin.After)
	default:
		before := d.ahead(l, d.order[m.Order])
		if before == "" {
			say(RuleHours, "%s starts %s %s on %s, which is free from then.", m.Order, long, way, on)
			return
		}
		say(RuleHours, "%s starts %s %s on %s: %s goes before it.", m.Order, long, way, on, before)
	}
}

// ahead names the job before an order's first part, or nothing.
func (d *desk) ahead(l *layout, order int) string {
	for i, q := range l.seq {
		for k, t := range q {
			if d.tasks[t].order != order {
				continue
			}
			if k > 0 {
				if x := d.tasks[q[k-1]]; x.order >= 0 {
					return d.p.Orders[x.order].ID
				} else {
					return d.p.Machines[i].Care[x.care].ID
				}
			}
			if r := d.p.Machines[i].Running; r != nil {
				return r.Order
			}
			return ""
		}
	}
	return ""
}

// explainMove: other machines than before. What it would cost to have it where it was says
// why it is not there.
func (d *desk) explainMove(l *layout, m *Move, k int, on string, say func(string, string, ...any)) {
	o := &d.p.Orders[k]
	from := strings.Join(m.FromMachine, " and ")
	if len(m.ToMachine) > len(m.FromMachine) {
		say(RuleDue, "%s is split over %s, so that all of it ends %s instead of on one machine later.", m.Order, on, day(m.ToEnd))
		return
	}
	gone := ""
	for _, id := range m.FromMachine {
		if slices.Contains(m.ToMachine, id) {
			continue
		}
		gone = cmp.Or(gone, id)
		i, ok := d.machine[id]
		if !ok {
			say(RuleHours, "%s goes to %s: %s is no longer there.", m.Order, on, id)
			return
		}
		if r := d.why[k][i]; r != nil {
			say(r.Rule, "%s goes to %s. %s", m.Order, on, r.Sentence)
			return
		}
	}
	if gone == "" {
		say(RuleHours, "%s goes to %s instead of %s.", m.Order, on, from)
		return
	}
	more := d.elsewhere(l, k, d.machine[gone])
	switch {
	case more.late > more.setup && more.whom == m.Order:
		say(RuleDue, "%s goes to %s: on %s it would end %s, against its due date %s.", m.Order, on, gone, day(more.end), day(o.Due))
	case more.late > more.setup && more.whom != "":
		say(RuleDue, "%s goes to %s: on %s it would make %s end %s later than due.", m.Order, on, gone, more.whom, span(more.over))
	case more.minutes > 0:
		say(RuleSetup, "%s goes to %s: on %s it would take %s more set-up.", m.Order, on, gone, span(time.Duration(more.minutes*float64(time.Minute))))
	default:
		say(RuleHours, "%s goes to %s, which has hours free; %s has others to knit.", m.Order, on, gone)
	}
}

// other is what having an order on another machine would change there and where it is.
type other struct {
	late, setup float64 // cost more, in the search's unit
	minutes     float64 // of set-up more
	whom        string  // the order that would be late most
	over        time.Duration
	end         time.Time // of the order itself
	total       float64   // cost more, all in all
}

// elsewhere puts an order at its best place of machine i.
func (d *desk) elsewhere(l *layout, k, i int) other {
	c := l.clone()
	before := l.total()
	wasUp, wasLate := d.sums(l)
	t := int32(-1)
	for q := range c.seq {
		for p := len(c.seq[q]) - 1; p >= 0; p-- {
			if d.tasks[c.seq[q][p]].order == k && q != i && p >= d.s.fixed[q] {
				t = c.seq[q][p]
				c.drop(q, p)
				break
			}
		}
		if t >= 0 {
			break
		}
	}
	if t < 0 {
		return other{}
	}
	place, cost := len(c.seq[i]), int64(broken)
	for p := d.s.fixed[i]; p <= len(c.seq[i]); p++ {
		if v := c.put(i, t, p, cost); v < cost {
			place, cost = p, v
		}
	}
	c.insert(i, t, place)
	after := c.total()
	up, late := d.sums(c)
	out := other{setup: float64(up-wasUp) * float64(d.s.price), late: float64(late - wasLate), minutes: float64(up-wasUp) / 60, end: d.at(i, c.end(t)), total: units(after - before)}
	worst := int64(0)
	for p := place; p < len(c.seq[i]); p++ {
		u := c.seq[i][p]
		over := max(c.time[i][p+1]-d.s.due[i*d.s.n+int(u)], 0)
		if u != t && l.where[u] == int32(i) {
			over -= min(max(l.end(u)-d.s.due[i*d.s.n+int(u)], 0), over)
		}
		if v := over * d.s.weight[u]; v > worst && d.tasks[u].order >= 0 {
			worst, out.whom, out.over = v, d.p.Orders[d.tasks[u].order].ID, time.Duration(over)*time.Second
		}
	}
	return out
}

// sums are the seconds of set-up and the weighted tardiness of a layout.
func (d *desk) sums(l *layout) (up, late int64) {
	s := d.s
	for i, q := range l.seq {
		for k, t := range q {
			if s.state[t] >= 0 {
				up += int64(s.setup[i][l.mode[i][k]*s.states+s.state[t]])
			}
			late += max(l.time[i][k+1]-s.due[i*s.n+int(t)], 0) * s.weight[t]
		}
	}
	return up, late
}

// span is a length of time in a person's words.
func span(t time.Duration) string {
	m := int(t.Round(time.Minute) / time.Minute)
	switch {
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m < 48*60:
		return fmt.Sprintf("%d h %02d min", m/60, m%60)
	}
	return fmt.Sprintf("%d d %d h", m/1440, m%1440/60)
}

func day(t time.Time) string { return t.Format("Mon 2 Jan 15:04") }
