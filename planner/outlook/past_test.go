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

// Split orders learn from split orders once there are enough, and are put right as the
// others are before.
func TestSplitOrdersLearnFromTheirOwn(t *testing.T) {
	s := story()
	plain := plan(t, s, monday).Orders[0]
	if plain.Machine != "k01+k02" || plain.Finish.Corrected != 0 {
		t.Fatalf("machine %q, corrected by %d", plain.Machine, plain.Finish.Corrected)
	}
	now := float64(monday.Unix()) / 60
	kept := func(n int, machine string, pit func(part float64) float64) {
		for i := range n {
			ended := now - float64(i)*60
			s.Past = append(s.Past, forecast.Kept{
				Order: fmt.Sprint(machine, i), Machine: machine, Made: ended - 2000, Ended: ended, Ask: plain.Ask, PIT: pit((float64(i) + 0.5) / float64(n)),
			})
		}
	}
	kept(200, "k01", func(part float64) float64 { return 0.5 + part/2 }) // late
	kept(19, "k01+k02", func(part float64) float64 { return part / 2 })  // early, but few
	few := plan(t, s, monday).Orders[0]
	if few.Finish.Corrected != 200 || !few.Finish.P50.After(plain.Finish.P50) {
		t.Errorf("by 19 split orders: corrected by %d, half done by %s, %s before", few.Finish.Corrected, few.Finish.P50, plain.Finish.P50)
	}
	s.Past = nil
	kept(200, "k01", func(part float64) float64 { return 0.5 + part/2 })
	kept(100, "k01+k02", func(part float64) float64 { return part / 2 })
	many := plan(t, s, monday).Orders[0]
	if many.Finish.Corrected != 100 || !many.Finish.P50.Before(plain.Finish.P50) {
		t.Errorf("by 100 split orders: corrected by %d, half done by %s, %s before", many.Finish.Corrected, many.Finish.P50, plain.Finish.P50)
	}
}
