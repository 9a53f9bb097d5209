package outlook

import (
	"fmt"
	"math"
	"testing"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
)

var dayAndNight = calendar.Calendar{Shifts: []calendar.Shift{
	{Name: "day", From: 6 * 60, To: 18 * 60, Days: [7]bool{true, true, true, true, true, true, true}},
	{Name: "night", From: 18 * 60, To: 6 * 60, Days: [7]bool{true, true, true, true, true, true, true}},
}}

// nights is the history of machines that stop twice as often by night: a stop of 4
// minutes each hour by day, each half hour by night.
func nights(machine string, shifts int) forecast.History {
	h := forecast.History{Machine: machine}
	for i := range shifts {
		at := monday.Add(time.Duration(i-shifts) * 12 * time.Hour)
		span, _ := dayAndNight.At(at)
		s := forecast.Stretch{Order: fmt.Sprint(machine, i/6), Shift: ShiftNumber(span), Class: Class(dayAndNight, span.Name), RunMinutes: 660}
		count := 11 * s.Class // class 1 by day, 2 by night
		c := forecast.CauseHistory{Cause: "yarn", Count: count}
		for k := range count {
			c.DurationsMin = append(c.DurationsMin, 3+2*float64(k%2))
		}
		s.Causes = []forecast.CauseHistory{c}
		h.Stretches = append(h.Stretches, s)
	}
	return h
}

// An order of a few hours takes longer by night than by day, and one of days what both
// take together.
func TestNightsAreLearnt(t *testing.T) {
	s := split(true)
	s.Calendar, s.Orders[0].RollKg = dayAndNight, 0
	s.Machines = s.Machines[:1]
	s.Machines[0].History = forecast.History{}
	var histories []forecast.History
	for _, id := range []string{"k01", "k02", "k03", "k04"} {
		histories = append(histories, nights(id, 40))
	}
	s.Fleet = Learn(histories)
	lost := func(now time.Time, kg float64) float64 { // minutes of stops in an hour of running
		s.Machines[0].Jobs = []Job{{Order: "SO-1041", Card: singleJersey, QuantityKg: kg}}
		o := plan(t, s, now).Orders[0]
		if o.Finish.Refused != "" {
			t.Fatal(o.Finish.Refused)
		}
		run := o.Finish.Parts[0].Mean
		return (o.Law.Mean() - run) / run * 60
	}
	day, night, both := lost(monday.Add(time.Hour), 150), lost(monday.Add(13*time.Hour), 150), lost(monday.Add(time.Hour), 2900)
	if monday.Hour() != 6 {
		t.Fatalf("the story begins at %s", monday)
	}
	// 4 and 8 minutes an hour were put in; the levels are drawn together a little.
	if math.Abs(day-4) > 0.6 || math.Abs(night-8) > 1 {
		t.Errorf("%.1f min an hour are lost by day and %.1f by night, want about 4 and 8", day, night)
	}
	if math.Abs(both-6) > 0.5 {
		t.Errorf("%.1f min an hour are lost by day and night, want about 6", both)
	}
}

// Stops of an order on the machine tell of the rest of it, more than of the next one.
func TestTheOrderInHandTellsOfItsRest(t *testing.T) {
	var histories []forecast.History
	for m, id := range []string{"k01", "k02", "k03", "k04", "k05", "k06"} {
		h := forecast.History{Machine: id}
		for o := range 14 {
			count := []int{3, 12, 5, 9, 16, 4, 7}[(o+m)%7] // orders differ, machines do not
			order := fmt.Sprint(id, o)
			if id == "k01" && o == 13 {
				order, count = "SO-1041", 30
			}
			c := forecast.CauseHistory{Cause: "yarn", Count: count}
			for range count {
				c.DurationsMin = append(c.DurationsMin, 5)
			}
			h.Stretches = append(h.Stretches, forecast.Stretch{Order: order, RunMinutes: 900, Causes: []forecast.CauseHistory{c}})
		}
		histories = append(histories, h)
	}
	s := split(true)
	s.Orders[0].RollKg = 0
	s.Machines = s.Machines[:1]
	s.Machines[0].History = forecast.History{}
	s.Fleet = Learn(histories)
	stood := func(order string) float64 {
		s.Orders[0].ID = order
		s.Machines[0].Jobs = []Job{{Order: order, Card: singleJersey, QuantityKg: 300}}
		o := plan(t, s, monday).Orders[0]
		return o.Law.Mean() - o.Finish.Parts[0].Mean
	}
	if same, next := stood("SO-1041"), stood("SO-2"); !(same > 1.5*next) {
		t.Errorf("the rest of an order with bad yarn stands %.0f min, the next order %.0f", same, next)
	}
}
