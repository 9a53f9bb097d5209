package board

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Alternative is one machine for an order, against where the plan has it.
type Alternative struct {
	Machine  string
	Here     bool    // the plan has it here
	Rule     string  // that keeps it off, or that binds; empty when Here
	More     float64 // cost more than by the plan; 0 when Here or when a rule keeps it off
	End      time.Time
	Sentence string
}

// Why tells of every machine why an order is there or is not: the plan's machines first, then
// those that would cost least more, then those that cannot. The plan is [Problem.Last]. An error
// holds [ErrProblem].
func Why(p Problem, order string) ([]Alternative, error) {
	d, err := newDesk(&p)
	if err != nil {
		return nil, err
	}
	k, ok := d.order[order]
	if !ok {
		return nil, fmt.Errorf("%w: order %q is not among the orders; look it up in the book", ErrProblem, order)
	}
	for _, r := range d.refused {
		if r.Order != order {
			continue
		}
		var out []Alternative
		for _, x := range r.Reasons {
			out = append(out, Alternative{Machine: x.Machine, Rule: x.Rule, Sentence: x.Sentence})
		}
		return out, nil
	}
	l := d.lay()
	l.greedy(l.waiting())
	plan := d.tell(l)
	here := standings(plan)[order]
	var out []Alternative
	for i := range p.Machines {
		id := p.Machines[i].ID
		switch {
		case here != nil && slices.Contains(here.machines, id):
			out = append(out, Alternative{Machine: id, Here: true, End: here.end, Sentence: fmt.Sprintf("%s is on %s and ends %s, due %s.", order, id, day(here.end), day(p.Orders[k].Due))})
		case d.why[k][i] != nil:
			r := d.why[k][i]
			out = append(out, Alternative{Machine: id, Rule: r.Rule, Sentence: r.Sentence})
		case here != nil:
			out = append(out, d.alternative(l, k, i))
		}
	}
	rank := func(a Alternative) int {
		switch {
		case a.Here:
			return 0
		case a.End.IsZero():
			return 2
		}
		return 1
	}
	slices.SortStableFunc(out, func(a, b Alternative) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a.More, b.More), strings.Compare(a.Machine, b.Machine))
	})
	return out, nil
}

// alternative tells what having the order on machine i would change.
func (d *desk) alternative(l *layout, k, i int) Alternative {
	id, order := d.p.Machines[i].ID, d.p.Orders[k].ID
	x := d.elsewhere(l, k, i)
	a := Alternative{Machine: id, More: x.total, End: x.end}
	switch {
	case x.end.IsZero():
		a.Rule, a.Sentence = RuleFrozen, fmt.Sprintf("%s runs or is frozen where it is.", order)
	case x.total <= 0:
		a.Rule, a.Sentence = RuleHours, fmt.Sprintf("%s could as well be on %s and end %s.", order, id, day(x.end))
	case x.late > x.setup && x.whom == order:
		a.Rule, a.Sentence = RuleDue, fmt.Sprintf("On %s it would end %s, against its due date %s.", id, day(x.end), day(d.p.Orders[k].Due))
	case x.late > x.setup && x.whom != "":
		a.Rule, a.Sentence = RuleDue, fmt.Sprintf("On %s it would end %s and make %s end %s later than due.", id, day(x.end), x.whom, span(x.over))
	case x.minutes > 0:
		a.Rule, a.Sentence = RuleSetup, fmt.Sprintf("On %s it would end %s and take %s more set-up.", id, day(x.end), span(time.Duration(x.minutes*float64(time.Minute))))
	default:
		a.Rule, a.Sentence = RuleHours, fmt.Sprintf("On %s it would end %s, at a higher cost of the whole plan.", id, day(x.end))
	}
	return a
}
