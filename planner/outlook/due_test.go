package outlook

import (
	"math"
	"testing"
	"time"

	"turnwise/planner/knit"
)

// countOf is how many planned stops of a cause an order's first stretch has.
func countOf(t *testing.T, s Snapshot, cause string) int {
	t.Helper()
	d, err := newDesk(s, monday)
	if err != nil {
		t.Fatal(err)
	}
	todo, err := d.queues[0].until(d.queues[0].jobs[:1])
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range todo.Planned {
		if p.Cause == cause {
			return p.Count
		}
	}
	return -1
}

// One machine with 3000 kg to knit: 3000/0.01413 kg a turn at 28 rpm. By hand: single
// jersey of the story gives the turns, and the counts follow.
func TestDueStopsAreCounted(t *testing.T) {
	base := split(true)
	base.Machines = base.Machines[:1]
	d, err := newDesk(base, monday)
	if err != nil {
		t.Fatal(err)
	}
	turns := d.queues[0].jobs[0].turns()
	run := turns / 28
	perEnd, err := singleJersey.Knit.Feeds[0].MassPerEnd()
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name  string
		due   Due
		since map[string]float64
		want  int
	}{
		{"by turns, just done", Due{Cause: "yarn", EveryTurns: turns / 4.5}, map[string]float64{"yarn": 0}, 4},
		{"by turns, nearly due", Due{Cause: "yarn", EveryTurns: turns / 4.5}, map[string]float64{"yarn": 0.9 * run / 4.5}, 5},
		{"overdue comes at once", Due{Cause: "yarn", EveryTurns: turns / 4.5}, map[string]float64{"yarn": 7 * run}, 5},
		{"by running time", Due{Cause: "yarn", EveryRunMin: run / 2.5}, map[string]float64{"yarn": 0}, 2},
		{"never seen, but told how long", Due{Cause: "needles", EveryRunMin: 1e6, UsualMin: 240}, nil, 0},
		{"never seen and not told", Due{Cause: "needles", EveryRunMin: 100}, nil, -1},
		{"cones not known", Due{Cause: "yarn", WithCones: true}, nil, -1},
		{"nonsense since", Due{Cause: "yarn", EveryRunMin: run / 2.5}, map[string]float64{"yarn": math.NaN()}, 2},
		{"doffs have a way of their own", Due{Cause: causeDoff, EveryRunMin: 1}, nil, countOf(t, base, causeDoff)},
	} {
		s := base
		s.Machines = []Machine{base.Machines[0]}
		s.Due, s.Machines[0].SinceMin = []Due{tt.due}, tt.since
		if got := countOf(t, s, tt.due.Cause); got != tt.want {
			t.Errorf("%s: %d times, want %d", tt.name, got, tt.want)
		}
	}
	// A cone lasts a third of the work and is half used: run out at a sixth, a half, five sixths.
	s := base
	s.Machines = []Machine{base.Machines[0]}
	third := turns / 3
	s.Machines[0].Revolutions = int64(third / 2)
	s.Machines[0].Creel = []Load{{Group: singleJersey.Knit.Feeds[0].ID, Yarn: "ne30", Cones: 90, ConeKg: third * float64(perEnd.Kilograms())}}
	s.Due = []Due{{Cause: "yarn", WithCones: true}}
	if got := countOf(t, s, "yarn"); got != 3 {
		t.Errorf("cones run out %d times, want 3", got)
	}
	// With twice the cones every second one is tied on: run out at a half plus a third.
	s.Machines[0].Creel[0].Cones = 2 * singleJersey.Knit.Feeds[0].Feeders
	if got := countOf(t, s, "yarn"); got != 1 {
		t.Errorf("cones tied on run out %d times, want once", got)
	}
	// Two groups of the same yarn, one loaded a little later: within the spread of the cones
	// one round serves both, beyond it each has its own.
	card := singleJersey
	card.Knit.Feeds = []knit.FeedGroup{singleJersey.Knit.Feeds[0], singleJersey.Knit.Feeds[0]}
	card.Knit.Feeds[1].ID = "second"
	q := queue{m: &s.Machines[0]}
	for _, tt := range []struct {
		later float64 // of a cone's life
		want  float64
	}{{0, 3}, {0.03, 3}, {0.2, 6}} {
		first := Load{Group: card.Knit.Feeds[0].ID, Yarn: "ne30", Cones: 1, ConeKg: third * float64(perEnd.Kilograms()), ConeCV: 0.02}
		second := first
		second.Group, second.AtRevolutions = "second", int64(tt.later*third)
		s.Machines[0].Creel = []Load{first, second}
		grams, err := card.Knit.MassPerRevolution()
		if err != nil {
			t.Fatal(err)
		}
		w := work{job: &Job{Card: card}, grams: grams, kg: turns * float64(grams) / 1000}
		if got, known := q.rounds([]work{w}); got != tt.want || !known {
			t.Errorf("loaded %g of a cone later: %g rounds, want %g", tt.later, got, tt.want)
		}
	}
}

// A planned stop lasts as it was seen, or as the mill says; it is in the law, in where
// the time goes and among the levers.
func TestDueStopsAreInTheLaw(t *testing.T) {
	s := split(true)
	s.Machines = s.Machines[:1]
	before := plan(t, s, monday).Orders[0]
	s.Due = []Due{{Cause: "needles", EveryRunMin: 1000, UsualMin: 120}}
	s.Machines[0].SinceMin = map[string]float64{"needles": 0}
	after := plan(t, s, monday).Orders[0]
	count := math.Floor(after.Finish.Parts[0].Mean / 1000)
	lasts := 120 * math.Exp(math.Pow(math.Log(1.5)/1.2815515655446004, 2)/2) // median 120, 90 % 180
	if got := after.Law.Mean() - before.Law.Mean(); math.Abs(got-count*lasts) > 2 {
		t.Errorf("%g needle changes add %.0f min, want %.0f", count, got, count*lasts)
	}
	var part *Part
	for i, p := range after.Finish.Parts {
		if p.Cause == "needles" {
			part = &after.Finish.Parts[i]
		}
	}
	if part == nil || part.Kind != PartPlanned || math.Abs(part.Mean-count*lasts) > 1 || part.Words() != "needles stops, planned" {
		t.Errorf("part %+v", part)
	}
	found := false
	for _, l := range after.Finish.Levers {
		found = found || l.Cause == "needles" && l.Kind == PartPlanned && l.Gain > 0.8*count*lasts
	}
	if !found {
		t.Errorf("levers %+v do not have the needles", after.Finish.Levers)
	}
	// A seen cause keeps the duration that it was seen with.
	s.Due = []Due{{Cause: "yarn", EveryRunMin: 1000, UsualMin: 5000}}
	s.Machines[0].SinceMin = nil
	seen := plan(t, s, monday).Orders[0]
	if d := seen.Finish.P50.Sub(before.Finish.P50); d > time.Hour {
		t.Errorf("planned yarn stops, seen with minutes, move the finish by %s", d)
	}
}
