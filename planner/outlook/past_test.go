package outlook

import (
	"fmt"
	"testing"
	"time"

	"turnwise/planner/forecast"
)

// Forecasts that promised too much move the next dates back, of the same law.
func TestPastForecastsPutChancesRight(t *testing.T) {
	s := story()
	s.Machines = s.Machines[:1]
	plain := plan(t, s, monday).Orders[0]
	if plain.Finish.Corrected != 0 || plain.Machine != "k01" || plain.Raw.Quantile(0.9) != plain.Law.Quantile(0.9) {
		t.Fatalf("without a past: corrected by %d, machine %q", plain.Finish.Corrected, plain.Machine)
	}
	now := float64(monday.Unix()) / 60
	for i := range 200 {
		ended := now - float64(i)*60
		s.Past = append(s.Past, forecast.Kept{
			Order: fmt.Sprint("SO-", i), Machine: "k01", Made: ended - 2000, Ended: ended, Ask: plain.Ask, PIT: 0.5 + 0.5*(float64(i)+0.5)/200,
		})
	}
	late := plan(t, s, monday).Orders[0]
	if late.Finish.Corrected != 200 {
		t.Errorf("corrected by %d, want 200", late.Finish.Corrected)
	}
	if late.Raw.Quantile(0.9) != plain.Law.Quantile(0.9) {
		t.Error("the law to learn from was corrected too")
	}
	// All 200 ended in the upper half of their law: its middle is now about its
	// lower quarter.
	if late.Finish.P50.Sub(plain.Finish.P50) < time.Hour || late.Finish.P10.Before(plain.Finish.P10) {
		t.Errorf("half done by %s, %s before", late.Finish.P50, plain.Finish.P50)
	}
}

// An order on several machines is no lesson for one of them.
func TestOrderOnSeveralMachinesNamesNone(t *testing.T) {
	if o := plan(t, story(), monday).Orders[0]; o.Machine != "" || o.Law.Mean() <= 0 {
		t.Errorf("machine %q, mean %g", o.Machine, o.Law.Mean())
	}
}
