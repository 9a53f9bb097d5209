package outlook

import (
	"math"
	"testing"
	"time"

	"turnwise/planner/forecast"
)

// split is an order on two machines alike, its kilos shared or halved.
func split(halved bool) Snapshot {
	s := story()
	s.Orders[0].DoneKg, s.Orders[0].Promise = 0, time.Time{}
	s.Machines[1].SpeedRPM = 28
	for i := range s.Machines {
		if halved {
			s.Machines[i].Jobs[0].QuantityKg = s.Orders[0].QuantityKg / 2
		}
	}
	return s
}

// Machines that share kilos are done earlier, and surer, than the later of two halves.
func TestSharedKilosEndSurer(t *testing.T) {
	shared, halves := plan(t, split(false), monday).Orders[0], plan(t, split(true), monday).Orders[0]
	for _, o := range []OrderOutlook{shared, halves} {
		if o.Finish.Refused != "" || len(o.Jobs) != 2 || math.Abs(o.Jobs[0].RemainingKg-3000) > 1e-6 {
			t.Fatalf("%+v", o)
		}
	}
	for _, j := range shared.Jobs {
		if j.Finish.P90 != shared.Finish.P90 || j.Finish.Beads != shared.Finish.Beads || len(j.Finish.Parts) == 0 || len(j.Finish.Basis) == 0 {
			t.Errorf("%s ends by %s with 90 %%, its order by %s: they share kilos", j.Machine, j.Finish.P90, shared.Finish.P90)
		}
	}
	one := halves.Jobs[0].Finish
	if !halves.Finish.P50.After(one.P50) || !halves.Finish.P90.After(one.P90) {
		t.Errorf("the last of two halves: 50 %% by %s, one of them by %s", halves.Finish.P50, one.P50)
	}
	if !shared.Finish.P90.Before(one.P90) || shared.Law.Mean() > halves.Law.Mean() {
		t.Errorf("shared: 90 %% by %s, one alone by %s", shared.Finish.P90, one.P90)
	}
	if a, b := shared.Finish.P95.Sub(shared.Finish.P10), one.P95.Sub(one.P10); !(a < b) {
		t.Errorf("shared kilos are spread over %s, one machine's over %s", a, b)
	}
}

// Of a shared order a machine that stands an hour costs its share of the hour: the
// others knit on.
func TestSharedKilosLoseAShare(t *testing.T) {
	s := split(false)
	before := plan(t, s, monday).Orders[0]
	supposed, err := Suppose(s, monday, StopMachine{"k01", 2 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	after := plan(t, supposed, monday).Orders[0]
	if moved := after.Finish.P90.Sub(before.Finish.P90); (moved - time.Hour).Abs() > 3*time.Minute {
		t.Errorf("one of two machines stands two hours, and the order ends %s later", moved)
	}
	// With kilos of its own the machine has nobody to help.
	s = split(true)
	before = plan(t, s, monday).Orders[0]
	if supposed, err = Suppose(s, monday, StopMachine{"k01", 40 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	after = plan(t, supposed, monday).Orders[0]
	if moved := after.Finish.P90.Sub(before.Finish.P90); moved < 30*time.Hour {
		t.Errorf("a half that stands 40 h ends the order %s later", moved)
	}
}

// Jobs in sequence share the machine's rates: the spread of both together is more than
// that of independent ones.
func TestJobsInSequenceShareRates(t *testing.T) {
	s := story()
	s.Machines = s.Machines[:1]
	s.Machines[0].Jobs = []Job{{Order: "SO-1041", Card: singleJersey}, {Order: "SO-2", Card: singleJersey}}
	s.Orders[0].DoneKg, s.Orders[0].Promise = 0, time.Time{}
	s.Machines[0].History = forecast.History{RunMinutes: 1500, Causes: stops(1500, 0.86)} // little is known of it
	s.Orders = append(s.Orders, Order{ID: "SO-2", QuantityKg: s.Orders[0].QuantityKg, RollKg: 25})
	out := plan(t, s, monday)
	laws := map[string]OrderOutlook{}
	for _, o := range out.Orders {
		laws[o.Order] = o
	}
	first, second := laws["SO-1041"].Law, laws["SO-2"].Law
	spread := func(l interface{ Quantile(float64) float64 }) float64 { return l.Quantile(0.9) - l.Quantile(0.1) }
	if math.Abs(second.Mean()-2*first.Mean()) > 0.02*second.Mean() {
		t.Errorf("both orders take %.0f min, the first %.0f", second.Mean(), first.Mean())
	}
	if got, apart := spread(second), math.Sqrt2*spread(first); !(got > 1.1*apart && got < 2.05*spread(first)) {
		t.Errorf("spread of both %.0f min, of one %.0f: independent orders would give %.0f", got, spread(first), apart)
	}
}
