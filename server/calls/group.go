package calls

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/alarm"
	"turnwise/server/floor"
)

// grouped makes one condition of many machines that stopped, or fell silent,
// together: a power cut is one thing to answer. Its members are hidden by it.
// An event stays one as its machines come back one by one. It needs d.mu.
func (d *Desk) grouped(conds []condition) []condition {
	for _, class := range []alarm.Class{alarm.NotAttended, alarm.Silent} {
		within := d.o.GroupWithin
		if class == alarm.Silent {
			within = silentWithin
		}
		var own []*condition
		for i := range conds {
			if conds[i].alarm.Class == class {
				own = append(own, &conds[i])
			}
		}
		slices.SortStableFunc(own, func(a, b *condition) int { return a.alarm.Begin.Compare(b.alarm.Begin) })
		conds = append(conds, d.groupsOf(class, own, within)...)
	}
	return conds
}

func (d *Desk) groupsOf(class alarm.Class, own []*condition, within time.Duration) []condition {
	var out []condition
	left := own
	take := func(members []*condition, a Alarm) {
		out = append(out, d.group(class, members, a))
		left = slices.DeleteFunc(slices.Clone(left), func(c *condition) bool { return slices.Contains(members, c) })
	}
	// Events that are known first.
	for _, a := range d.alarms {
		if a.Class != class || len(a.Members) == 0 || !a.Raw {
			continue
		}
		var members []*condition
		for _, c := range left {
			most := within
			if a.Cause != "" {
				most = c.cause.Group.Within
			}
			if by := c.alarm.Begin.Sub(a.Begin); by >= 0 && by <= most && (a.Agent == "" || a.Agent == c.agent) && (a.Cause == "" || a.Cause == c.cause.ID) {
				members = append(members, c)
			}
		}
		if len(members) > 0 {
			take(members, a)
		}
	}
	// Then many machines of whatever cause, those of one cause, those of one agent.
	for _, m := range clusters(left, within, func(c []*condition) bool { return len(c) >= d.o.GroupMachines }) {
		take(m, Alarm{})
	}
	if class == alarm.NotAttended {
		for _, cause := range causesOf(left) {
			own := slices.DeleteFunc(slices.Clone(left), func(c *condition) bool { return c.cause.ID != cause.ID })
			for _, m := range clusters(own, cause.Group.Within, func(c []*condition) bool { return len(c) >= cause.Group.Machines }) {
				take(m, Alarm{Cause: cause.ID})
			}
		}
	}
	if class == alarm.Silent {
		byAgent := map[string][]*condition{}
		var agents []string
		for _, c := range left {
			if len(byAgent[c.agent]) == 0 {
				agents = append(agents, c.agent)
			}
			byAgent[c.agent] = append(byAgent[c.agent], c)
		}
		for _, agent := range agents {
			for _, m := range clusters(byAgent[agent], within, func(c []*condition) bool { return agent != "" && len(c) >= 2 }) {
				take(m, Alarm{Agent: agent})
			}
		}
	}
	return out
}

// causesOf are the causes of stops that have a group rule of their own.
func causesOf(own []*condition) []floor.Cause {
	var out []floor.Cause
	for _, c := range own {
		if c.cause.Group.Machines > 1 && c.cause.ID != floor.Power && !slices.ContainsFunc(out, func(o floor.Cause) bool { return o.ID == c.cause.ID }) {
			out = append(out, c.cause)
		}
	}
	return out
}

// clusters finds runs of conditions that began within a time of the first, of
// which one holds and which are enough. own is sorted by beginning.
func clusters(own []*condition, within time.Duration, enough func([]*condition) bool) [][]*condition {
	var out [][]*condition
	for i := 0; i < len(own); {
		j, holds := i, false
		for ; j < len(own) && own[j].alarm.Begin.Sub(own[i].alarm.Begin) <= within; j++ {
			holds = holds || own[j].holds
		}
		if run := own[i:j]; holds && enough(run) {
			out = append(out, slices.Clone(run))
			i = j
			continue
		}
		i++
	}
	return out
}

// group is the condition of an event; a is the alarm of a known one.
func (d *Desk) group(class alarm.Class, members []*condition, a Alarm) condition {
	if a.ID == "" {
		a.Begin = members[0].alarm.Begin
		a.ID = string(class) + "-event-" + a.Begin.UTC().Format("20060102T150405")
		for _, of := range nonEmpty(a.Agent, a.Cause) {
			a.ID += "-" + of
		}
	}
	a.Class, a.Asked = class, slices.Clone(a.Asked)
	var names []string
	a.Machines = nil
	rule := members[0].rule
	for _, m := range members {
		id := m.alarm.Machines[0]
		a.Machines = append(a.Machines, id)
		names = append(names, strings.ToUpper(id))
		if !slices.Contains(a.Members, id) {
			a.Members = append(slices.Clone(a.Members), id)
		}
		if who := m.alarm.Asked[0]; !slices.Contains(a.Asked, who) {
			a.Asked = append(a.Asked, who)
		}
		if m.rule != rule {
			rule = "" // somebody should come to one of them
		}
	}
	for _, m := range members { // one reason for all, however many are left
		m.rule = "event " + a.ID
	}
	slices.Sort(a.Machines)
	slices.Sort(a.Members)
	slices.Sort(a.Asked)
	slices.Sort(names)
	did, rest := "stopped", "nobody is said to be there. Look for one cause: power, air, climate"
	switch {
	case a.Cause != "":
		did, rest = "stopped", "nobody is said to be there. All tell "+members[0].cause.Word+": look for one reason"
	case class == alarm.Silent && a.Agent != "":
		did, rest = "fell silent", "are not heard yet. Look at their agent "+a.Agent
	case class == alarm.Silent:
		did, rest = "fell silent", "are not heard yet. Look for one cause: power or network"
	}
	a.Sentence = fmt.Sprintf("%d machines %s together at %s; %s: %s.", len(a.Members), did, d.clock(a.Begin), strings.Join(names, ", "), rest)
	a.Point = alarm.Point{}
	return condition{alarm: a, holds: true, rule: rule}
}
