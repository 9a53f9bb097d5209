package board

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/knit"
)

// check recomputes a plan from its own rows, by the calendar, the set-up table and the orders,
// and reports what does not hold. It shares nothing with the search.
func check(t *testing.T, p Problem, plan Plan) {
	t.Helper()
	orders := map[string]*Order{}
	for k := range p.Orders {
		orders[p.Orders[k].ID] = &p.Orders[k]
	}
	kg, on, latest := map[string]float64{}, map[string][]string{}, map[string]float64{}
	setup, care, running := 0.0, 0.0, map[string]float64{}
	for i, line := range plan.Machines {
		m := &p.Machines[i]
		c := m.Calendar
		c.Closed = append(slices.Clone(c.Closed), m.Closed...)
		lateBy := func(end, due time.Time) float64 {
			if due.Before(p.Now) {
				return (c.Working(p.Now, end) + p.Now.Sub(due)).Minutes()
			}
			return c.Working(due, end).Minutes()
		}
		at, state, held := p.Now, m.Live, 0.0
		var place []string
		for k, j := range line.Jobs {
			where := fmt.Sprintf("%s, job %d (%s)", line.Machine, k, j.Order)
			if within := k > 0 && line.Jobs[0].Kind == JobRunning && j.Kind == JobCare && j.End.Before(line.Jobs[0].End); within {
				x := m.Care[slices.IndexFunc(m.Care, func(c Care) bool { return c.ID == j.Order })]
				if w := c.Working(j.Start, j.End).Minutes(); math.Abs(w-x.Minutes) > 0.1 || j.Start.Before(x.Earliest.Add(-time.Second)) {
					t.Errorf("%s: a care of %g minutes from %v takes %g minutes of the running job from %v", where, x.Minutes, x.Earliest, w, j.Start)
				}
				care += max(lateBy(j.End, x.Latest), 0) * max(x.Weight, 1)
				held += x.Minutes
				continue
			}
			if j.SetupStart.Before(at) || j.Start.Before(j.SetupStart) || j.End.Before(j.Start) {
				t.Errorf("%s: set-up %v, start %v, end %v after %v", where, j.SetupStart, j.Start, j.End, at)
			}
			if w := c.Working(j.Start, j.End).Minutes(); j.Kind != JobRunning && math.Abs(w-j.Minutes) > 0.1 {
				t.Errorf("%s: %g minutes in a span with %g", where, j.Minutes, w)
			}
			at = j.End
			if j.Kind == JobCare {
				x := m.Care[slices.IndexFunc(m.Care, func(c Care) bool { return c.ID == j.Order })]
				if j.Start.Before(x.Earliest) {
					t.Errorf("%s: care starts %v before %v", where, j.Start, x.Earliest)
				}
				if !x.Latest.IsZero() {
					care += max(lateBy(j.End, x.Latest), 0) * max(x.Weight, 1)
				}
				continue
			}
			o := orders[j.Order]
			if j.Kind == JobRunning {
				running[j.Order] = max(running[j.Order], lateBy(j.End, o.Due)*o.Weight)
				state = o.Makes
				continue
			}
			if r := cannot(m, o); r != nil {
				t.Errorf("%s: %s", where, r.Sentence)
			}
			parts, err := p.Setups.Between(m.ID, state, o.Makes)
			if err != nil {
				t.Fatal(err)
			}
			up := 0.0
			for _, x := range parts {
				up += x.Minutes
			}
			if math.Abs(up-j.SetupMinutes) > 0.02 || !reflect.DeepEqual(parts, j.Setup) {
				t.Errorf("%s: set-up of %g minutes %v, the table says %g %v", where, j.SetupMinutes, j.Setup, up, parts)
			}
			if c.Working(j.SetupStart, j.Start).Minutes() < up-0.1 {
				t.Errorf("%s: set-up does not fit between %v and %v", where, j.SetupStart, j.Start)
			}
			if j.Start.Before(o.YarnFrom) {
				t.Errorf("%s: starts %v, its yarn comes %v", where, j.Start, o.YarnFrom)
			}
			setup += up
			state = o.Makes
			kg[j.Order] += j.Kg
			on[j.Order] = append(on[j.Order], line.Machine)
			latest[j.Order] = max(latest[j.Order], lateBy(j.End, o.Due)*o.Weight)
			if j.Parts > 1 && (j.Kg < o.MinKg-1e-6 && float64(j.Rolls)*o.RollKg < o.MinKg || j.Rolls < 1) {
				t.Errorf("%s: a part of %g kg in %d rolls, at least %g kg", where, j.Kg, j.Rolls, o.MinKg)
			}
			if o.Pin != nil && o.Pin.After != "" && !slices.Contains(place, o.Pin.After) {
				t.Errorf("%s: is pinned behind %s, before it is %v", where, o.Pin.After, place)
			}
			place = append(place, j.Order)
		}
		if len(line.Jobs) > 0 && line.Jobs[0].Kind == JobRunning {
			if w := c.Working(line.Jobs[0].Start, line.Jobs[0].End).Minutes(); math.Abs(w-held-line.Jobs[0].Minutes) > 0.1 {
				t.Errorf("%s: %g minutes run in a span with %g, %g of them for care", line.Machine, line.Jobs[0].Minutes, w, held)
			}
		}
	}
	sum := care
	refused := map[string]bool{}
	for _, r := range plan.Refused {
		refused[r.Order] = true
	}
	for id, o := range orders {
		if !refused[id] && math.Abs(kg[id]-o.Kg) > 1e-6 {
			t.Errorf("%s: %g of %g kg are loaded", id, kg[id], o.Kg)
		}
		if o.OneLot && len(on[id]) > 1 {
			t.Errorf("%s is one lot and on %v", id, on[id])
		}
		sum += max(latest[id], running[id], 0)
	}
	// Times are whole seconds: an order's worth of rounding each.
	if slack := 0.5 * float64(len(orders)+1); math.Abs(sum-plan.Cost.Tardiness) > slack+1e-6*sum {
		t.Errorf("tardiness costs %g, recomputed %g", plan.Cost.Tardiness, sum)
	}
	if got := setup * p.SetupCost; math.Abs(got-plan.Cost.Setup) > 0.01*float64(len(orders)+1) {
		t.Errorf("set-ups cost %g, recomputed %g", plan.Cost.Setup, got)
	}
}

func solve(t *testing.T, p Problem, o Options) Plan {
	t.Helper()
	plan, err := Solve(p, o)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func TestPlanHolds(t *testing.T) {
	for seed := range uint64(6) {
		p := plant(10, 50, seed)
		plan := solve(t, p, Options{Seed: seed, Iterations: 3000})
		check(t, p, plan)
		if len(plan.Refused) > 0 || plan.Cost.Total() > plan.Start || plan.Bound > plan.Cost.Total()+1e-6 {
			t.Errorf("refused %d, start %g, cost %g, bound %g", len(plan.Refused), plan.Start, plan.Cost.Total(), plan.Bound)
		}
		again := solve(t, p, Options{Seed: seed, Iterations: 3000})
		if !reflect.DeepEqual(plan, again) {
			t.Error("the same seed and iterations gave another plan")
		}
	}
}

// TestReplanKeepsWhatIsFrozen: what runs, is pinned or starts soon stays.
func TestReplanKeepsWhatIsFrozen(t *testing.T) {
	for seed := range uint64(4) {
		p := plant(10, 50, seed)
		p.Frozen = 72 * time.Hour
		first := solve(t, p, Options{Seed: seed, Iterations: 500})
		next := later(p, first)
		// An urgent order comes, and a machine is away for two days.
		next.Orders = append(slices.Clone(next.Orders), next.Orders[7])
		urgent := &next.Orders[len(next.Orders)-1]
		urgent.ID, urgent.Weight, urgent.Due = "SO-URGENT", 50, next.Now.Add(48*time.Hour)
		next.Machines[3].Closed = []calendar.Span{{From: next.Now, To: next.Now.Add(48 * time.Hour), Name: "away"}}
		plan := solve(t, next, Options{Seed: seed + 1, Iterations: 3000})
		check(t, next, plan)
		for i, line := range first.Machines {
			want := []string{}
			for _, j := range line.Jobs {
				if !j.SetupStart.Before(next.Now.Add(next.Frozen)) {
					break
				}
				want = append(want, j.Order)
			}
			for k, id := range want {
				if k >= len(plan.Machines[i].Jobs) || plan.Machines[i].Jobs[k].Order != id || !plan.Machines[i].Jobs[k].Frozen {
					t.Errorf("%s: place %d was %s and frozen", line.Machine, k, id)
					break
				}
			}
		}
		for _, m := range plan.Moves {
			if m.Sentence == "" || m.Rule == "" || !strings.HasSuffix(m.Sentence, ".") || strings.Count(m.Sentence, m.Order) == 0 {
				t.Errorf("move of %s: rule %q, sentence %q", m.Order, m.Rule, m.Sentence)
			}
		}
		still, err := Retime(Problem{Now: next.Now, Machines: next.Machines, Orders: next.Orders, Setups: next.Setups, SetupCost: next.SetupCost, Last: plan})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range still.Moves {
			t.Errorf("nothing happened, but %s", m.Sentence)
		}
	}
}

func TestStopAtOnce(t *testing.T) {
	p := plant(10, 50, 1)
	asked := 0
	plan := solve(t, p, Options{Continue: func() bool { asked++; return false }})
	check(t, p, plan)
	if asked != 1 {
		t.Errorf("asked %d times after it was told to stop", asked)
	}
}

// simple is one machine that can knit one order.
func simple() Problem {
	p := plant(1, 1, 3)
	p.Machines[0].Running, p.Machines[0].Care, p.Machines[0].Structures = nil, nil, []string{"jersey"}
	p.Machines[0].Plate = knit.Machine{Diameter: 30, Gauge: 24, Feeders: 84}
	p.Machines[0].ID = "K01"
	o := &p.Orders[0]
	o.ID, o.Needs = "SO-1", Needs{Diameter: 30, Gauge: 24, Feeds: 84, Beds: 1, Structure: "jersey"}
	return p
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		rule, says string
		spoil      func(m *Machine, o *Order)
	}{
		{RuleDiameter, "needs 34 inches, the machine has 30 inches", func(_ *Machine, o *Order) { o.Needs.Diameter = 34 }},
		{RuleGauge, "needs gauge 28, the machine has 24", func(_ *Machine, o *Order) { o.Needs.Gauge = 28 }},
		{RuleFeeds, "needs 96 feeds, the machine has 84", func(_ *Machine, o *Order) { o.Needs.Feeds = 96 }},
		{RuleBeds, "needs two needle beds, the machine has one needle bed", func(_ *Machine, o *Order) { o.Needs.Beds = 2 }},
		{RuleStructure, "the order is rib, the machine's cams allow jersey", func(_ *Machine, o *Order) { o.Needs.Structure = "rib" }},
		{RuleCard, "no knit card", func(_ *Machine, o *Order) { o.Cards = nil }},
		{RuleCard, "a speed of 0", func(_ *Machine, o *Order) { o.Cards[0].SpeedRPM = 0 }},
		{RuleQuantity, "Correct the kilos of SO-1: 0", func(_ *Machine, o *Order) { o.Kg = 0 }},
		{RuleQuantity, "Correct the kilos of SO-1: 1e+09", func(_ *Machine, o *Order) { o.Kg = 1e9 }},
		{RuleQuantity, "Correct the kilos of SO-1: NaN", func(_ *Machine, o *Order) { o.Kg = math.NaN() }},
		{RuleDue, "Correct the due date of SO-1: 1941-01-01", func(_ *Machine, o *Order) { o.Due = time.Date(1941, 1, 1, 0, 0, 0, 0, time.UTC) }},
		{RuleYarn, "Order yarn Y9 for SO-1", func(_ *Machine, o *Order) { o.YarnShort = "Y9" }},
	} {
		p := simple()
		tt.spoil(&p.Machines[0], &p.Orders[0])
		plan := solve(t, p, Options{})
		if len(plan.Refused) != 1 || plan.Refused[0].Reasons[0].Rule != tt.rule || !strings.Contains(plan.Refused[0].Why, tt.says) {
			t.Errorf("want %s and %q, got %+v", tt.rule, tt.says, plan.Refused)
		}
	}
	if plan := solve(t, simple(), Options{}); len(plan.Refused) > 0 || len(plan.Machines[0].Jobs) != 1 {
		t.Errorf("the order that fits is refused: %+v", plan.Refused)
	}
}

func TestUnusableProblems(t *testing.T) {
	for _, tt := range []struct {
		says  string
		spoil func(p *Problem)
	}{
		{"circular pins: SO-1 behind SO-2 behind SO-1", func(p *Problem) {
			p.Orders[0].Pin, p.Orders[1].Pin = &Pin{Machine: "K01", After: "SO-2"}, &Pin{Machine: "K01", After: "SO-1"}
		}},
		{"pinned to K99, which is no machine", func(p *Problem) { p.Orders[0].Pin = &Pin{Machine: "K99"} }},
		{"pinned behind SO-9, which is not among the orders", func(p *Problem) { p.Orders[0].Pin = &Pin{After: "SO-9"} }},
		{"no row for yarn from", func(p *Problem) {
			p.Setups.Rows = slices.DeleteFunc(slices.Clone(p.Setups.Rows), func(r SetupRow) bool { return r.Kind == ChangeYarn })
			p.Orders[0].Makes.Yarn, p.Orders[1].Makes.Yarn = "A", "B"
		}},
		{"row 1: -5 minutes", func(p *Problem) { p.Setups.Rows = []SetupRow{{Kind: ChangeYarn, From: Any, To: Any, Minutes: -5}} }},
		{"order \"SO-1\" stands twice", func(p *Problem) { p.Orders[1].ID = "SO-1" }},
		{"runs order SO-7, which is not among the orders", func(p *Problem) { p.Machines[0].Running = &Running{Order: "SO-7"} }},
		{"running share NaN", func(p *Problem) { p.Machines[0].Share = math.NaN() }},
		{"the instant of the plan is not told", func(p *Problem) { p.Now = time.Time{} }},
	} {
		p := simple()
		p.Orders = append(p.Orders, p.Orders[0])
		p.Orders[1].ID = "SO-2"
		tt.spoil(&p)
		plan, err := Solve(p, Options{})
		if !errors.Is(err, ErrProblem) || !strings.Contains(err.Error(), tt.says) || plan.Machines != nil {
			t.Errorf("want %q, got %v", tt.says, err)
		}
	}
}

// TestPins: two orders behind each other on the slower machine, against their due dates.
func TestPins(t *testing.T) {
	p := plant(10, 40, 5)
	a, b := &p.Orders[0], &p.Orders[1]
	b.Needs, b.OneLot, a.Parts, b.Parts = a.Needs, false, 1, 1
	m := p.Machines[slices.IndexFunc(p.Machines, func(m Machine) bool { return cannot(&m, a) == nil })].ID
	a.Due, b.Due = monday.Add(600*time.Hour), monday.Add(30*time.Hour)
	b.Pin = &Pin{Machine: m, After: a.ID}
	plan := solve(t, p, Options{Iterations: 2000})
	check(t, p, plan)
	for _, id := range []string{a.ID, b.ID} {
		i := slices.IndexFunc(plan.Machines, func(l Line) bool {
			return slices.ContainsFunc(l.Jobs, func(j Job) bool { return j.Order == id && j.Kind == JobOrder })
		})
		if plan.Machines[i].Machine != m {
			t.Errorf("%s is on %s, pinned to %s", id, plan.Machines[i].Machine, m)
		}
	}
}

// TestSplitMeetsTheDate: 1000 kg at 100 kg an hour on one of two machines alike, due in five
// hours and a bit: only both together make it, in whole rolls.
func TestSplitMeetsTheDate(t *testing.T) {
	p := simple()
	p.Machines = append(p.Machines, p.Machines[0])
	p.Machines[1].ID = "K02"
	p.Setups = SetupTable{Rows: []SetupRow{{Kind: ChangeYarn, From: Any, To: Any}, {Kind: ChangeLot, From: Any, To: Any}, {Kind: ChangeGauge, From: Any, To: Any}, {Kind: ChangeStructure, From: Any, To: Any}, {Kind: ChangeStitch, From: Any, To: Any}}}
	o := &p.Orders[0]
	// 10 feeds of 10 m at 100 tex: 10 g a turn; 1000/6 turns a minute are 100 kg an hour.
	o.Cards = []Card{{Knit: knit.Card{Feeds: []knit.FeedGroup{{ID: "a", Feeders: 10, CourseLength: 10, Count: 100}}}, SpeedRPM: 1000. / 6}}
	for i := range p.Machines {
		p.Machines[i].Share = 1
	}
	o.Kg, o.RollKg, o.MinKg, o.Parts, o.OneLot, o.YarnFrom, o.Due = 1000, 25, 100, 2, false, time.Time{}, p.Now.Add(5*time.Hour+10*time.Minute)
	plan := solve(t, p, Options{Iterations: 2000})
	check(t, p, plan)
	if plan.Cost.Tardiness != 0 || !plan.Proven || len(plan.Machines[0].Jobs) != 1 || len(plan.Machines[1].Jobs) != 1 {
		t.Errorf("late by %g in %d and %d jobs", plan.Cost.Tardiness, len(plan.Machines[0].Jobs), len(plan.Machines[1].Jobs))
	}
	o.OneLot = true
	if plan = solve(t, p, Options{Iterations: 2000}); math.Abs(plan.Cost.Tardiness-290*o.Weight) > 1 {
		t.Errorf("one lot on one machine is late by 290 minutes of weight %g, told %g", o.Weight, plan.Cost.Tardiness)
	}
}

// TestWhy: every machine is told once, and what it says of a machine that cannot is what keeps
// the order off.
func TestWhy(t *testing.T) {
	p := plant(10, 50, 2)
	p.Last = solve(t, p, Options{Iterations: 3000})
	for _, o := range p.Orders {
		all, err := Why(p, o.ID)
		if err != nil {
			t.Fatal(err)
		}
		if len(all) != len(p.Machines) || !all[0].Here {
			t.Fatalf("%s: %d machines told, first %+v", o.ID, len(all), all[0])
		}
		for _, a := range all {
			i := slices.IndexFunc(p.Machines, func(m Machine) bool { return m.ID == a.Machine })
			r := cannot(&p.Machines[i], &o)
			switch {
			case a.Here:
			case r != nil && (a.Rule != r.Rule || a.More != 0):
				t.Errorf("%s on %s: told %+v, %s", o.ID, a.Machine, a, r.Sentence)
			case a.Sentence == "" || a.Rule == "":
				t.Errorf("%s on %s: told %+v", o.ID, a.Machine, a)
			}
		}
	}
	if _, err := Why(p, "SO-0"); !errors.Is(err, ErrProblem) {
		t.Errorf("an order that is none: %v", err)
	}
}

// TestRisk: of kept plans the one with the least risk is taken, and chances are chances.
func TestRisk(t *testing.T) {
	p := plant(4, 12, 2)
	var histories []forecast.History
	for _, m := range p.Machines {
		histories = append(histories, forecast.History{Machine: m.ID, RunMinutes: 6000, Causes: []forecast.CauseHistory{{Cause: "yarn", Count: 40, DurationsMin: []float64{3, 5, 8, 20, 60}}}})
	}
	fleet := forecast.Learn(histories)
	for i := range p.Machines {
		p.Machines[i].Stops = fleet.Machine(p.Machines[i].ID)
	}
	plan := solve(t, p, Options{Iterations: 1000, Keep: 5})
	check(t, p, plan)
	if !(plan.Cost.Risk > 0) {
		t.Errorf("risk %g", plan.Cost.Risk)
	}
	for _, line := range plan.Machines {
		for _, j := range line.Jobs {
			if j.Kind == JobOrder && !(j.MissChance >= 0 && j.MissChance <= 1) {
				t.Errorf("%s on %s: chance %g", j.Order, line.Machine, j.MissChance)
			}
		}
	}
}
