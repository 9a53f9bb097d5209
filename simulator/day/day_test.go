package day

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// An hour of the mill: every mix-up that somebody told of is caught and told as
// an alarm, tasks are called and taken, and alarms stay within the aim.
func TestAnHour(t *testing.T) {
	if testing.Short() {
		t.Skip("plays an hour of the mill")
	}
	r, err := Run(t.Context(), Options{Seed: 3, Hours: 1, Warm: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", r)
	if len(r.Missed) != 0 || r.Tending.Told == 0 || r.Tending.Caught != r.Tending.Told {
		t.Errorf("%d mix-ups told, %d caught, missed %q; all are expected, and one at least", r.Tending.Told, r.Tending.Caught, r.Missed)
	}
	for _, m := range r.Tending.Mixups {
		if m.Told && !slices.ContainsFunc(r.Alarms, func(a string) bool { return strings.HasSuffix(a, " other-lot-"+m.Machine+"-"+m.Group) }) {
			t.Errorf("nobody was told of %+v: %q", m, r.Alarms)
		}
	}
	if len(r.Asked) != 3 || r.Asked[0].Person != "set A" || r.Asked[0].Calls == 0 || r.Asked[1].Calls == 0 || r.Tending.Taken == 0 {
		t.Errorf("asked %+v, %d tasks taken", r.Asked, r.Tending.Taken)
	}
	for _, a := range r.Asked[:2] {
		if a.MeanAlarms > 1 || a.Floods != 0 {
			t.Errorf("%s got %g alarms in 10 minutes and %d floods; at most 1 and none is the aim", a.Person, a.MeanAlarms, a.Floods)
		}
	}
}
