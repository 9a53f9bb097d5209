package outlook

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// Whatever the snapshot holds, the answer is times in order or a reason.
func TestAnySnapshotGivesTimesOrReasons(t *testing.T) {
	number := rapid.OneOf(
		rapid.SampledFrom([]float64{0, -1, 1, 28, 0.02, 1e-300, 1e12, 1e300, math.NaN(), math.Inf(1), math.Inf(-1)}),
		rapid.Float64Range(0, 10000), rapid.Float64())
	count := rapid.OneOf(rapid.IntRange(-1, 100), rapid.SampledFrom([]int{math.MinInt64, math.MaxInt64}))
	instant := rapid.SampledFrom([]time.Time{{}, monday, monday.Add(-time.Hour), monday.Add(90 * time.Hour), monday.AddDate(200, 0, 0), monday.AddDate(-200, 0, 0)})
	id := rapid.SampledFrom([]string{"", "a", "b", "c"})
	card := rapid.Custom(func(t *rapid.T) Card {
		if rapid.Bool().Draw(t, "good") {
			return singleJersey
		}
		c := Card{ID: id.Draw(t, "card"), Article: id.Draw(t, "article"), SpeedRPM: number.Draw(t, "rpm"), Feeds: []Feed{{Lot: id.Draw(t, "lot")}, {}}}
		for range rapid.IntRange(0, 2).Draw(t, "feeds") {
			c.Knit.Feeds = append(c.Knit.Feeds, knit.FeedGroup{
				ID: id.Draw(t, "group"), Feeders: count.Draw(t, "feeders"), CourseLength: unit.Metres(number.Draw(t, "length")),
				Count: unit.Tex(number.Draw(t, "tex")), Draft: number.Draw(t, "draft"), Ends: count.Draw(t, "ends"),
			})
		}
		return c
	})
	rapid.Check(t, func(t *rapid.T) {
		var s Snapshot
		if rapid.Bool().Draw(t, "shifts") {
			s.Calendar = threeShifts()
		}
		if rapid.Bool().Draw(t, "closed") {
			s.Calendar.Closed = []calendar.Span{{From: monday, To: monday.Add(100 * time.Hour)}}
		}
		for range rapid.IntRange(0, 3).Draw(t, "machines") {
			m := Machine{
				ID: id.Draw(t, "id"), State: State(rapid.IntRange(0, 3).Draw(t, "state")), Cause: id.Draw(t, "cause"), Since: instant.Draw(t, "since"),
				SpeedRPM: number.Draw(t, "speed"), Revolutions: int64(count.Draw(t, "revolutions")), SinceDoff: int64(count.Draw(t, "since doff")),
				History: forecast.History{RunMinutes: number.Draw(t, "run"), Causes: []forecast.CauseHistory{{Cause: id.Draw(t, "stop"), Count: count.Draw(t, "stops"), DurationsMin: []float64{number.Draw(t, "duration")}}}},
			}
			for range rapid.IntRange(0, 3).Draw(t, "jobs") {
				m.Jobs = append(m.Jobs, Job{Order: id.Draw(t, "order"), Card: card.Draw(t, "card"), QuantityKg: number.Draw(t, "kg"), CountedKg: number.Draw(t, "counted")})
			}
			m.Creel = []Load{{Group: id.Draw(t, "group"), Lot: id.Draw(t, "lot"), Cones: count.Draw(t, "cones"), ConeKg: number.Draw(t, "cone"), ConeCV: number.Draw(t, "cv"), AtRevolutions: int64(count.Draw(t, "at"))}}
			s.Machines = append(s.Machines, m)
		}
		for range rapid.IntRange(0, 3).Draw(t, "orders") {
			s.Orders = append(s.Orders, Order{
				ID: id.Draw(t, "id"), Article: id.Draw(t, "article"), QuantityKg: number.Draw(t, "quantity"), DoneKg: number.Draw(t, "done"),
				Promise: instant.Draw(t, "promise"), RollKg: number.Draw(t, "roll"), WasteRatio: number.Draw(t, "waste"),
			})
		}
		s.Lots = []Lot{{ID: id.Draw(t, "lot"), StoreKg: number.Draw(t, "store"), AtMachineKg: number.Draw(t, "at machine")}}
		out, err := Plan(s, monday)
		if err != nil {
			t.Fatal(err)
		}
		sane(t, out)
		for _, o := range out.Orders {
			ordered(t, o.Finish)
			for _, j := range o.Jobs {
				ordered(t, j.Finish)
			}
		}
		for _, c := range out.Creels {
			inOrder(t, monday, c.First, c.P05, c.P50, c.P95, c.Last)
		}
		for _, d := range out.Doffs {
			inOrder(t, monday, d.At)
		}
		q, err := Quote(s, monday, QuoteRequest{Article: id.Draw(t, "quoted"), QuantityKg: rapid.Float64Range(0.001, 1e7).Draw(t, "kg")})
		if err != nil {
			t.Fatal(err)
		}
		sane(t, q)
		ordered(t, q.Finish)
		if q.Finish.Refused == "" && q.Promise.Before(monday) {
			t.Fatalf("promise %v lies in the past", q.Promise)
		}
	})
}

// sane fails on a number that is none and on a time beyond the year 9999: JSON has
// neither.
func sane(t *rapid.T, answer any) {
	if _, err := json.Marshal(answer); err != nil {
		t.Fatalf("the answer is not plain numbers and times: %v", err)
	}
}

func ordered(t *rapid.T, f Finish) {
	if !(f.MissChance >= 0 && f.MissChance <= 1) {
		t.Fatalf("chance to miss %g", f.MissChance)
	}
	if f.Refused != "" {
		return
	}
	inOrder(t, monday, f.P10, f.P50, f.P80, f.P90)
	inOrder(t, f.Beads[:]...)
}

func inOrder(t *rapid.T, times ...time.Time) {
	for i := 1; i < len(times); i++ {
		if times[i].Before(times[i-1]) {
			t.Fatalf("times out of order: %v", times)
		}
	}
}
