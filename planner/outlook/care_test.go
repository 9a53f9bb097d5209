package outlook

import (
	"math"
	"slices"
	"testing"
	"time"
)

// Care that must be done before an order ends delays it by just that; care that may come
// after it does not.
func TestFinishCountsCare(t *testing.T) {
	free := split(true)
	free.Machines = free.Machines[:1]
	plan := func(care ...Care) OrderOutlook {
		t.Helper()
		s := free
		s.Machines = slices.Clone(s.Machines)
		s.Machines[0].Care = care
		out, err := Plan(s, monday)
		if err != nil {
			t.Fatal(err)
		}
		return out.Orders[0]
	}
	working := func(a, b time.Time) float64 { return free.Calendar.Working(a, b).Minutes() }
	was := plan()
	if was.Finish.Refused != "" {
		t.Fatal(was.Finish.Refused)
	}
	soon, late := monday.Add(30*time.Hour), was.Finish.P95.AddDate(0, 1, 0)
	for _, tt := range []struct {
		name string
		care []Care
		want float64 // minutes
	}{
		{"long before the end", []Care{{Kind: "needles", Minutes: 240, Latest: soon}}, 240},
		{"overdue", []Care{{Kind: "needles", Minutes: 240, Latest: monday.Add(-time.Hour)}}, 240},
		{"twice", []Care{{Kind: "needles", Minutes: 240, Latest: soon}, {Kind: "oil", Minutes: 30, Latest: soon}}, 270},
		{"after the end", []Care{{Kind: "needles", Minutes: 240, Latest: late}}, 0},
		{"at any time", []Care{{Kind: "needles", Minutes: 240}}, 0},
		{"nonsense", []Care{{Minutes: math.NaN(), Latest: soon}, {Minutes: -5, Latest: soon}, {Minutes: math.Inf(1), Latest: soon}}, 0},
	} {
		is := plan(tt.care...)
		for _, p := range [][2]time.Time{{was.Finish.P10, is.Finish.P10}, {was.Finish.P50, is.Finish.P50}, {was.Finish.P95, is.Finish.P95}} {
			if d := working(p[0], p[1]); math.Abs(d-tt.want) > 0.1 {
				t.Errorf("%s: the finish moves by %.1f working minutes, want %g", tt.name, d, tt.want)
			}
		}
		if got := is.Jobs[0].CareMin; math.Abs(got-tt.want) > 0.1 {
			t.Errorf("%s: %g min of care in the job, want %g", tt.name, got, tt.want)
		}
		told := slices.ContainsFunc(is.Finish.Parts, func(p Part) bool { return p.Kind == PartCare && math.Abs(p.Mean-tt.want) < 0.1 })
		if told != (tt.want > 0) {
			t.Errorf("%s: parts %+v", tt.name, is.Finish.Parts)
		}
	}
	// In between: it delays those of the ends that would come after its beginning.
	mid := plan(Care{Kind: "needles", Minutes: 240, Latest: was.Finish.P50.Add(240 * time.Minute)})
	if d := working(was.Finish.P10, mid.Finish.P10); d > 0.1 {
		t.Errorf("the 10 %% finish, before the care, moves by %g min", d)
	}
	if d := working(was.Finish.P95, mid.Finish.P95); math.Abs(d-240) > 0.1 {
		t.Errorf("the 95 %% finish, after the care, moves by %g min, want 240", d)
	}
	if c := mid.Jobs[0].CareMin; c < 60 || c > 180 {
		t.Errorf("care takes %g min of the mean, want about half of 240", c)
	}
}

// A cause that the book tells of as care does not come as a stop by plan too.
func TestCareComesOnce(t *testing.T) {
	s := split(true)
	s.Machines = s.Machines[:1]
	s.Due = []Due{{Cause: "needles", EveryRunMin: 100, UsualMin: 60}}
	if n := countOf(t, s, "needles"); n < 1 {
		t.Fatalf("%d needle changes by plan", n)
	}
	s.Machines[0].Care = []Care{{Kind: "needles", Minutes: 60, Latest: monday.AddDate(0, 0, 2)}}
	if n := countOf(t, s, "needles"); n != -1 {
		t.Errorf("%d needle changes beside those of the book", n)
	}
}
