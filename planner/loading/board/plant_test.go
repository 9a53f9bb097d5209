package board

import (
	"flag"
	"fmt"
	"slices"
	"testing"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

var monday = time.Date(2026, 11, 30, 6, 0, 0, 0, time.UTC)

var threeShifts = calendar.Calendar{Shifts: []calendar.Shift{
	{Name: "early", From: 6 * 60, To: 14 * 60, Days: [7]bool{false, true, true, true, true, true, true}},
	{Name: "late", From: 14 * 60, To: 22 * 60, Days: [7]bool{false, true, true, true, true, true, true}},
	{Name: "night", From: 22 * 60, To: 6 * 60, Days: [7]bool{false, true, true, true, true, true, false}},
}}

// table is an invented mill's set-up table; minutes by common practice, no source.
var table = SetupTable{Rows: []SetupRow{
	{Kind: ChangeGauge, From: Any, To: Any, Minutes: 480},
	{Kind: ChangeStructure, From: Any, To: Any, Minutes: 150},
	{Kind: ChangeStructure, From: "jersey", To: "pique", Minutes: 90},
	{Kind: ChangeStructure, From: "pique", To: "jersey", Minutes: 90},
	{Kind: ChangeYarn, From: Any, To: Any, Minutes: 120},
	{Kind: ChangeLot, From: Any, To: Any, Minutes: 45},
	{Kind: ChangeStitch, From: Any, To: Any, Minutes: 25},
	{Kind: ChangeAll, Minutes: 10},
}}

// plant draws a mill of so many machines and orders.
func plant(machines, orders int, seed uint64) Problem {
	r := dice(seed)
	p := Problem{Now: monday, Setups: table, SetupCost: 0.5, Steady: 24 * time.Hour, Frozen: 8 * time.Hour}
	structures := [][]string{{"jersey", "pique", "fleece"}, {"rib", "interlock"}}
	plates := []struct {
		dia   unit.Inches
		gauge unit.Gauge
		beds  int
	}{{30, 24, 1}, {30, 28, 1}, {34, 24, 1}, {30, 18, 2}, {34, 20, 2}}
	count := func(k int) int { return 1 + r.below(k) }
	for k := range machines {
		pl := plates[k%len(plates)]
		m := Machine{ID: fmt.Sprintf("K%02d", k+1), Plate: knit.Machine{Diameter: pl.dia, Gauge: pl.gauge, Feeders: []int{72, 84, 96}[r.below(3)]}, Beds: pl.beds,
			Structures: structures[pl.beds-1], Calendar: threeShifts, Share: 0.78 + 0.12*r.unit()}
		m.Live = State{Gauge: pl.gauge, Structure: m.Structures[r.below(len(m.Structures))], Yarn: fmt.Sprintf("Y%d", count(12)), Lot: fmt.Sprintf("L%d", count(30)), Stitch: 2.8}
		if r.below(3) == 0 {
			m.Care = []Care{{ID: "needles", Kind: "needles", Minutes: 240, Earliest: monday, Latest: monday.AddDate(0, 0, 3+r.below(12)), Weight: 2}}
		}
		p.Machines = append(p.Machines, m)
	}
	for k := range orders {
		pl := plates[r.below(len(plates))]
		st := structures[pl.beds-1][r.below(len(structures[pl.beds-1]))]
		y := count(12)
		o := Order{ID: fmt.Sprintf("SO-%d", 1000+k), Needs: Needs{Diameter: pl.dia, Gauge: pl.gauge, Beds: pl.beds, Feeds: []int{0, 0, 84}[r.below(3)], Structure: st},
			Kg: float64(150 + 50*r.below(42)), RollKg: 25, Weight: float64(count(10)), Parts: 1 + r.below(3), MinKg: 200,
			Makes: State{Gauge: pl.gauge, Structure: st, Yarn: fmt.Sprintf("Y%d", y), Lot: fmt.Sprintf("L%d", 3*y-r.below(3)), Stitch: unit.Millimetres(2.6 + 0.1*float64(r.below(4)))}}
		o.Due = monday.Add(time.Duration(24+r.below(27*24)) * time.Hour)
		if r.below(3) == 0 {
			o.YarnFrom = monday.Add(time.Duration(r.below(10*24)) * time.Hour)
		}
		o.OneLot = r.below(3) == 0
		// 84 feeds, 2640 needles, 2.8 mm, 20 tex: about 12 g a turn.
		o.Cards = []Card{{Knit: knit.Card{Feeds: []knit.FeedGroup{{ID: "a", Feeders: 84, CourseLength: 7.4, Count: unit.Tex(16 + r.below(12))}}}, SpeedRPM: unit.RPM(22 + r.below(8))}}
		p.Orders = append(p.Orders, o)
	}
	for i := range p.Machines {
		if r.below(5) > 0 {
			k := r.below(len(p.Orders))
			for q := range p.Orders {
				o := &p.Orders[(k+q)%len(p.Orders)]
				if cannot(&p.Machines[i], o) == nil {
					p.Machines[i].Running = &Running{Order: o.ID, Kg: float64(50 + r.below(400))}
					if o.OneLot {
						o.OneLot = false
					}
					break
				}
			}
		}
	}
	return p
}

// cpuFor lets a search run for so many seconds of processor time.
func cpuFor(sec float64) func() bool {
	begin := cpu()
	return func() bool { return cpu()-begin < sec }
}

var long = flag.Float64("board.long", 10, "seconds of processor time of the long run that BenchmarkPlant compares with")

// later is the same mill half an hour on: what runs has moved on, nothing else is new.
func later(p Problem, plan Plan) Problem {
	p.Last, p.Now = plan, p.Now.Add(30*time.Minute)
	p.Machines = append([]Machine{}, p.Machines...)
	for i := range p.Machines {
		if m := &p.Machines[i]; m.Running != nil {
			pace, _ := p.Orders[slices.IndexFunc(p.Orders, func(o Order) bool { return o.ID == m.Running.Order })].pace(m)
			m.Running = &Running{Order: m.Running.Order, Kg: max(m.Running.Kg-1800/pace, 0)}
		}
	}
	return p
}

// changed counts the orders on other machines than before.
func changed(plan Plan) int {
	n := 0
	for _, m := range plan.Moves {
		if !slices.Equal(m.FromMachine, m.ToMachine) {
			n++
		}
	}
	return n
}

// BenchmarkPlant plans 60 machines and 400 orders from nothing and again half an hour later,
// each within 0.5 s of processor time with all that belongs to it, and prints what that is
// below the start, above a long run, and how many orders change machine.
func BenchmarkPlant(b *testing.B) {
	solve := func(p Problem, sec float64, seed uint64) Plan {
		plan, err := Solve(p, Options{Seed: seed, Iterations: 1 << 40, Continue: cpuFor(sec)})
		if err != nil {
			b.Fatal(err)
		}
		return plan
	}
	above := func(x, y Plan) float64 { return 100 * (x.Cost.Total()/y.Cost.Total() - 1) }
	for b.Loop() {
		p := plant(60, 400, 1)
		began := cpu()
		cold := solve(p, 0.45, 1)
		b.ReportMetric(cpu()-began, "s_cold")
		settled := solve(p, *long, 2)
		b.ReportMetric(100*(1-cold.Cost.Total()/cold.Start), "%cold_below_start")
		b.ReportMetric(above(cold, settled), "%cold_above_long")
		for name, plan := range map[string]Plan{"cold": cold, "settled": settled} {
			p := later(p, plan)
			began = cpu()
			quick := solve(p, 0.45, 3)
			b.ReportMetric(cpu()-began, "s_again_"+name)
			slow := solve(p, *long, 4)
			b.ReportMetric(100*(1-quick.Cost.Total()/quick.Start), "%below_start_"+name)
			b.ReportMetric(above(quick, slow), "%above_long_"+name)
			b.ReportMetric(100*float64(changed(quick))/400, "%changed_"+name)
		}
	}
}

// BenchmarkSharedCylinders plans a large plant in which a third of the orders need cylinders
// of which there are few, and the same plant where every machine has its own: what a round of
// the search costs more, and what the scarceness does to the plan.
func BenchmarkSharedCylinders(b *testing.B) {
	const rounds = 300
	plan := func(shared bool) (seconds float64, plan Plan) {
		p := plant(60, 400, 1)
		const scarce = unit.Gauge(26)
		var hosts []string
		for i := range p.Machines {
			if m := &p.Machines[i]; m.Plate.Gauge == 24 || m.Plate.Gauge == 28 {
				hosts = append(hosts, m.ID)
				if !shared {
					m.Gauges = []unit.Gauge{scarce}
				}
			}
		}
		for k := range p.Orders {
			if o := &p.Orders[k]; k%3 == 0 && (o.Needs.Gauge == 24 || o.Needs.Gauge == 28) && !slices.ContainsFunc(p.Machines, func(m Machine) bool { return m.Running != nil && m.Running.Order == o.ID }) {
				o.Needs.Gauge, o.Makes.Gauge = scarce, scarce
			}
		}
		for k := range 12 {
			if shared {
				p.Cylinders = append(p.Cylinders, Cylinder{ID: fmt.Sprintf("R26-%d", k+1), Gauge: scarce, Machines: hosts})
			}
		}
		began := cpu()
		plan, err := Solve(p, Options{Seed: 1, Iterations: rounds})
		if err != nil {
			b.Fatal(err)
		}
		return cpu() - began, plan
	}
	for b.Loop() {
		own, free := plan(false)
		few, held := plan(true)
		b.ReportMetric(own, "s_own_cylinders")
		b.ReportMetric(few/own, "times_as_long_shared")
		b.ReportMetric(100*(held.Cost.Total()/free.Cost.Total()-1), "%cost_above_own")
	}
}
