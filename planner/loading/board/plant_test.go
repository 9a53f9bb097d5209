package board

import (
	"fmt"
	"os"
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
	p := Problem{Now: monday, Setups: table, SetupCost: 0.5, ChangeCost: 300, Steady: 24 * time.Hour, Frozen: 8 * time.Hour}
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

func TestPlantTrial(t *testing.T) {
	if os.Getenv("PLANT_TRIAL") == "" {
		t.Skip("PLANT_TRIAL is not set")
	}
	for seed := range uint64(2) {
		p := plant(60, 400, seed)
		c0 := cpu()
		d, _ := newDesk(&p)
		c1 := cpu()
		begin(d.lay())
		fmt.Println("desk", c1-c0, "start", cpu()-c1)
		for _, sec := range []float64{0.4, 3} {
			t0 := cpu()
			plan, err := Solve(p, Options{Seed: seed, Iterations: 1 << 30, Continue: cpuFor(sec)})
			if err != nil {
				t.Fatal(err)
			}
			fmt.Printf("seed %d: %.1f s (all %.2f): start %.0f, cost %.0f (%+v), %d rounds, refused %d\n", seed, sec, cpu()-t0, plan.Start, plan.Cost.Total(), plan.Cost, plan.Iterations, len(plan.Refused))
			if sec == 3 {
				again := p
				again.Last = plan
				again.Now = p.Now.Add(30 * time.Minute)
				for i := range again.Machines {
					if again.Machines[i].Running != nil {
						r := *again.Machines[i].Running
						r.Kg = max(r.Kg-5, 0)
						again.Machines[i].Running = &r
					}
				}
				for _, it := range []int{1 << 30} {
					next, err := Solve(again, Options{Seed: seed + 100, Iterations: it, Continue: cpuFor(0.4)})
					if err != nil {
						t.Fatal(err)
					}
					changed := 0
					for _, m := range next.Moves {
						if fmt.Sprint(m.FromMachine) != fmt.Sprint(m.ToMachine) {
							changed++
							if changed < 6 {
								fmt.Println("   ", m.Rule, "|", m.Sentence)
							}
						}
					}
					fmt.Printf("  again: %.0f %+v changed machine %d of 400, moves %d\n", next.Cost.Total(), next.Cost, changed, len(next.Moves))
				}
			}
		}
	}
}
