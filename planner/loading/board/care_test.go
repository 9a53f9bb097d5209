package board

import (
	"testing"
	"time"
)

// oneMachine runs SO-1 for ten hours and has SO-2 behind it; it always works.
func oneMachine() Problem {
	p := simple()
	p.Machines[0].Calendar.Shifts, p.Machines[0].Share, p.Machines[0].Stops = nil, 1, nil
	second := p.Orders[0]
	second.ID = "SO-2"
	p.Orders = append(p.Orders, second)
	for k := range p.Orders {
		p.Orders[k].Due, p.Orders[k].Weight, p.Orders[k].YarnFrom, p.Orders[k].Parts = p.Now.Add(1000*time.Hour), 1, time.Time{}, 1
	}
	p.Machines[0].Running = &Running{Order: "SO-1", Kg: 100, Minutes: 600}
	p.Orders[0].Kg = 0
	p.Last = Plan{At: p.Now, Machines: []Line{{Machine: "K01", Jobs: []Job{{Kind: JobOrder, Order: "SO-2", Kg: second.Kg, Start: p.Now.Add(time.Hour)}}}}}
	return p
}

// kinds tells the jobs of the first machine in their order.
func kinds(p Plan) string {
	s := ""
	for _, j := range p.Machines[0].Jobs {
		s += j.Order + " "
	}
	return s
}

// TestCareAtLeastLoss: care goes between jobs that stay where they are, behind all of them when
// nothing presses, and stops what runs only when waiting costs more.
func TestCareAtLeastLoss(t *testing.T) {
	hour := func(p Problem, h float64) time.Time { return p.Now.Add(time.Duration(h * float64(time.Hour))) }
	for _, tt := range []struct {
		name   string
		due    float64 // of the care, hours
		order  float64 // due of SO-1, hours
		want   string
		starts float64
	}{
		{"it may wait for all", 900, 1000, "SO-1 SO-2 oil ", -1},
		{"due between the jobs", 11, 1000, "SO-1 oil SO-2 ", 10},
		{"due within the running job", 6, 1000, "SO-1 oil SO-2 ", 5},
		{"overdue", -5, 1000, "SO-1 oil SO-2 ", 0},
		{"the running order is late and weighs more", 9.5, 1, "SO-1 oil SO-2 ", 10},
	} {
		p := oneMachine()
		p.Orders[0].Due, p.Orders[0].Weight = hour(p, tt.order), 100
		p.Machines[0].Care = []Care{{ID: "oil", Kind: "oil", Minutes: 60, Latest: hour(p, tt.due)}}
		p.Frozen = 10000 * time.Hour
		plan, err := Retime(p)
		if err != nil {
			t.Fatal(err)
		}
		p.Frozen = 0
		check(t, p, plan)
		if got := kinds(plan); got != tt.want {
			t.Errorf("%s: %s, want %s", tt.name, got, tt.want)
			continue
		}
		for _, j := range plan.Machines[0].Jobs {
			if at := j.Start.Sub(p.Now).Hours(); j.Order == "oil" && tt.starts >= 0 && at != tt.starts {
				t.Errorf("%s: oil starts after %g h, want %g", tt.name, at, tt.starts)
			}
		}
	}
}
