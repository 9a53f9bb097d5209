package floor

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/server/store"
)

// Explanation says why an order stands where it does.
type Explanation struct {
	Jobs      []LoadingJob
	Machines  []string // of the jobs, one each
	Sentences []string // the rule that binds first
	Others    []board.Reason
}

// Explain says why an order stands where it does: in a kept plan, or, with 0,
// among the jobs as they stand. Errors hold [store.ErrNotFound].
func (f *Floor) Explain(ctx context.Context, id int64, order string) (Explanation, error) {
	var l LoadingPlan
	var err error
	if id == 0 {
		l, err = f.LoadingNow(ctx)
	} else {
		l, err = f.KeptPlan(ctx, id)
	}
	if err != nil {
		return Explanation{}, err
	}
	p, err := f.outlook(ctx)
	if err != nil {
		return Explanation{}, err
	}
	o, ok := p.book.orders[order]
	if i := slices.IndexFunc(p.book.Book.Care, func(c store.Care) bool { return c.ID == order }); i >= 0 && !ok {
		return f.explainCare(ctx, p, l, order)
	}
	if !ok {
		return Explanation{}, store.Unknown("order", order)
	}
	var out Explanation
	for _, m := range l.Moves {
		if m.Order == order && m.Sentence != "" {
			out.Sentences = append(out.Sentences, m.Sentence)
		}
	}
	on := map[string]bool{}
	for _, line := range l.Lines {
		for k, j := range line.Jobs {
			if j.Order != order || j.Kind == board.JobCare {
				continue
			}
			on[line.Machine] = true
			out.Jobs, out.Machines = append(out.Jobs, j), append(out.Machines, line.Machine)
			out.Sentences = append(out.Sentences, f.whyHere(p, line, k, o)...)
		}
	}
	for _, r := range l.Refused {
		if r.Order == order {
			out.Sentences = append(out.Sentences, r.Why)
			out.Others = append(out.Others, r.Reasons...)
		}
	}
	if len(out.Others) == 0 {
		out.Others = f.notElsewhere(p, o, on)
	}
	if len(out.Sentences) == 0 {
		out.Sentences = []string{order + " has nothing left to knit."}
	}
	return out, nil
}

// whyHere tells what a job waits for and whether it is in time.
func (f *Floor) whyHere(p *plan, line LoadingLine, k int, o store.Order) []string {
	j, name := line.Jobs[k], p.book.name(line.Machine)
	var out []string
	switch {
	case j.Kind == board.JobRunning:
		out = append(out, fmt.Sprintf("%s runs on %s and is not moved.", o.ID, name))
	case j.Pinned:
		out = append(out, fmt.Sprintf("%s is pinned to %s by the planner.", o.ID, name))
	case k == 0:
		out = append(out, fmt.Sprintf("%s is the next job of %s, which is free.", o.ID, name))
	default:
		out = append(out, fmt.Sprintf("%s comes behind %s on %s and starts %s.", o.ID, careOr(line.Jobs[k-1]), name, j.Start.In(f.c.Zone).Format("Mon 2 Jan 15:04")))
	}
	if j.SetupMinutes > 0 {
		var parts []string
		for _, s := range j.Setup {
			parts = append(parts, fmt.Sprintf("%s %.0f min", s.Kind, s.Minutes))
		}
		out = append(out, fmt.Sprintf("Setting it up takes %.0f min: %s.", j.SetupMinutes, strings.Join(parts, ", ")))
	}
	switch {
	case j.CylinderMinutes >= 1:
		out = append(out, fmt.Sprintf("It waits %.1f working hours for cylinder %s, which is in another machine until then.", j.CylinderMinutes/60, j.Cylinder))
	case j.Cylinder != "":
		out = append(out, fmt.Sprintf("It is knitted with cylinder %s, which other machines use too.", j.Cylinder))
	}
	if j.LateMinutes > 0 {
		out = append(out, fmt.Sprintf("It ends %.1f working hours after its date.", j.LateMinutes/60))
	}
	return out
}

// hasCylinder tells whether a shared cylinder of a gauge fits a machine.
func (b *book) hasCylinder(machine string, gauge float64) bool {
	return slices.ContainsFunc(b.Book.Cylinders, func(c store.Cylinder) bool {
		return c.GaugeNPI == gauge && slices.Contains(c.Machines, machine)
	})
}

// careOr is what people call a job: the order, or what is done to the machine.
func careOr(j LoadingJob) string {
	if j.Kind == board.JobCare {
		return strings.TrimSpace(j.Care + " (" + j.Order + ")")
	}
	return j.Order
}

// explainCare says where a care stands and what it is due by.
func (f *Floor) explainCare(ctx context.Context, p *plan, l LoadingPlan, id string) (Explanation, error) {
	var out Explanation
	at := func(t time.Time) string { return t.In(f.c.Zone).Format("Mon 2 Jan 15:04") }
	id, _, _ = strings.Cut(id, careAgain)
	for _, line := range l.Lines {
		for k, j := range line.Jobs {
			if own, _, _ := strings.Cut(j.Order, careAgain); j.Kind != board.JobCare || own != id {
				continue
			}
			out.Jobs, out.Machines = append(out.Jobs, j), append(out.Machines, line.Machine)
			s := fmt.Sprintf("%s of %s takes %.0f min from %s", capital(careOr(j)), p.book.name(line.Machine), j.Minutes, at(j.Start))
			if k > 0 {
				s += ", behind " + careOr(line.Jobs[k-1])
			}
			if k+1 < len(line.Jobs) {
				s += ", before " + careOr(line.Jobs[k+1])
			}
			out.Sentences = append(out.Sentences, s+": there it costs least.")
			if j.LateMinutes > 0 {
				out.Sentences = append(out.Sentences, fmt.Sprintf("It ends %.1f working hours after it was due.", j.LateMinutes/60))
			}
		}
	}
	list, err := f.careViews(ctx, p)
	if err != nil {
		return out, err
	}
	for _, c := range list {
		if c.ID != id {
			continue
		}
		if c.EveryRevolutions > 0 {
			out.Sentences = append(out.Sentences, fmt.Sprintf("%d of %d revolutions are counted since it was done last.", c.Revolutions, c.EveryRevolutions))
		}
		switch {
		case c.Over:
			out.Sentences = append(out.Sentences, "It was done "+at(c.Done)+" and does not come again.")
		case !c.Latest.IsZero() && !c.Earliest.IsZero() && c.Earliest.Before(c.Latest):
			out.Sentences = append(out.Sentences, fmt.Sprintf("It is to be done from %s to %s.", at(c.Earliest), at(c.Latest)))
		case !c.Latest.IsZero():
			out.Sentences = append(out.Sentences, "It is due by "+at(c.Latest)+".")
		}
		if len(out.Jobs) == 0 && !c.Over {
			out.Sentences = append(out.Sentences, "It is not placed: it may not begin within three weeks.")
		}
	}
	return out, nil
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// notElsewhere says for the other machines what they lack, or that they are free to take it.
func (f *Floor) notElsewhere(p *plan, o store.Order, on map[string]bool) []board.Reason {
	a := p.book.articles[o.Article]
	var out []board.Reason
	for _, m := range p.snapshot.Machines {
		if on[m.ID] {
			continue
		}
		e, name := p.book.machines[m.ID], p.book.name(m.ID)
		r := board.Reason{Machine: m.ID}
		able := false
		for _, c := range m.Cards {
			able = able || c.Article == o.Article
		}
		switch {
		case a.DiameterInch > 0 && e.DiameterInch != a.DiameterInch:
			r.Rule, r.Sentence = board.RuleDiameter, fmt.Sprintf("%s has %g inches, the order needs %g.", name, e.DiameterInch, a.DiameterInch)
		case a.GaugeNPI > 0 && e.GaugeNPI != a.GaugeNPI && !p.book.hasCylinder(m.ID, a.GaugeNPI):
			r.Rule, r.Sentence = board.RuleGauge, fmt.Sprintf("%s has gauge %g, the order needs %g.", name, e.GaugeNPI, a.GaugeNPI)
		case a.Beds > e.NeedleBeds():
			r.Rule, r.Sentence = board.RuleBeds, fmt.Sprintf("%s has one needle bed, the order needs two.", name)
		case !able:
			r.Rule, r.Sentence = board.RuleCard, fmt.Sprintf("%s has no knit card for %s.", name, o.Article)
		case o.PinMachine != "" && o.PinMachine != m.ID:
			r.Rule, r.Sentence = board.RulePin, fmt.Sprintf("The planner holds the order on %s.", p.book.name(o.PinMachine))
		default:
			r.Rule, r.Sentence = board.RuleHours, fmt.Sprintf("%s could knit it; try it with: planner whatif move %s %s", name, o.ID, name)
		}
		out = append(out, r)
	}
	return out
}

// Diff tells which orders stand otherwise in a plan than in another one, and
// how many stand alike. 0 is the jobs as they stand.
func (f *Floor) Diff(ctx context.Context, id, base int64) (moves []board.Move, same int, err error) {
	plan := func(id int64) (board.Plan, error) {
		var l LoadingPlan
		var err error
		if id == 0 {
			l, err = f.LoadingNow(ctx)
		} else {
			l, err = f.KeptPlan(ctx, id)
		}
		out := board.Plan{At: l.Made}
		for _, line := range l.Lines {
			b := board.Line{Machine: line.Machine}
			for _, j := range line.Jobs {
				b.Jobs = append(b.Jobs, j.Job)
			}
			out.Machines = append(out.Machines, b)
		}
		return out, err
	}
	before, err := plan(base)
	if err != nil {
		return nil, 0, err
	}
	after, err := plan(id)
	if err != nil {
		return nil, 0, err
	}
	moves = board.Diff(before, after)
	told := map[string]string{}
	if id != 0 {
		if l, err := f.KeptPlan(ctx, id); err == nil {
			for _, m := range l.Moves {
				told[m.Order] = m.Rule + "\n" + m.Sentence
			}
		}
	}
	orders := map[string]bool{}
	for _, l := range after.Machines {
		for _, j := range l.Jobs {
			orders[j.Order] = true
		}
	}
	for i := range moves {
		delete(orders, moves[i].Order)
		if rule, sentence, ok := strings.Cut(told[moves[i].Order], "\n"); ok && moves[i].Sentence == "" {
			moves[i].Rule, moves[i].Sentence = rule, sentence
		}
		if moves[i].Sentence == "" {
			moves[i].Sentence = f.movedWords(moves[i])
		}
	}
	return moves, len(orders), nil
}

// movedWords says where an order went, when no rule was kept with it.
func (f *Floor) movedWords(m board.Move) string {
	at := func(machines []string) string {
		if len(machines) == 0 {
			return "no machine"
		}
		return strings.ToUpper(strings.Join(machines, ", "))
	}
	from, to := at(m.FromMachine), at(m.ToMachine)
	switch {
	case len(m.ToMachine) == 0:
		return fmt.Sprintf("%s leaves %s and stands on no machine.", m.Order, from)
	case from != to:
		return fmt.Sprintf("%s goes from %s to %s and ends %s.", m.Order, from, to, m.ToEnd.In(f.c.Zone).Format("Mon 2 Jan 15:04"))
	}
	return fmt.Sprintf("%s stays on %s and ends %s instead of %s.", m.Order, to, m.ToEnd.In(f.c.Zone).Format("Mon 2 Jan 15:04"), m.FromEnd.In(f.c.Zone).Format("Mon 2 Jan 15:04"))
}
