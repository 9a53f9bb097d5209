package weeks

import (
	"reflect"
	"testing"
)

// The same seed plays the same; both ways knit the same orders, and the sums
// of set-ups agree with what the habit cannot avoid.
func TestPlay(t *testing.T) {
	o := Options{Weeks: 1, Seed: 3, Rounds: 60}
	a, err := Play(o)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Play(o)
	if err != nil || !reflect.DeepEqual(a, b) {
		t.Errorf("the same seed gives %+v and %+v, %v", a, b, err)
	}
	if len(a) != 2 || a[0].Orders != a[1].Orders || a[0].Orders < 20 || a[0].Plans != 0 || a[1].Plans == 0 {
		t.Errorf("results %+v", a)
	}
	for _, r := range a {
		if r.WeightedHours < r.TardyHours || r.SetupHours <= 0 || r.HeldHours < 0 || r.StarvedHours < r.HeldHours || r.Way == Habit && r.HeldHours > 0 || r.Late > r.Orders {
			t.Errorf("result %+v", r)
		}
	}
}

func TestPlayRefuses(t *testing.T) {
	for _, o := range []Options{{}, {Weeks: 53}, {Weeks: 1, Load: -1}, {Weeks: 1, Load: 9}} {
		if _, err := Play(o); err == nil {
			t.Errorf("%+v was played", o)
		}
	}
}
