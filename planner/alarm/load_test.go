package alarm

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func calls(alarm bool, seconds ...float64) []Call {
	var out []Call
	for _, s := range seconds {
		out = append(out, Call{At: t0.Add(time.Duration(s * float64(time.Second))), Person: "set A", Alarm: alarm})
	}
	return out
}

// every makes n instants so many seconds apart.
func every(n int, first, apart float64) []float64 {
	var out []float64
	for i := range n {
		out = append(out, first+apart*float64(i))
	}
	return out
}

// Tasks of one walk are one call, at the first of them, in whatever order they are told.
func TestLoadOfWalks(t *testing.T) {
	at := func(second float64, walk string) Call {
		return Call{At: t0.Add(time.Duration(second * float64(time.Second))), Person: "set A", Walk: walk}
	}
	alarm := at(700, "")
	alarm.Alarm = true
	l := LoadOf([]Call{at(500, "w1"), at(10, "w1"), at(20, "w1"), at(630, "w2"), at(640, ""), at(641, ""), alarm, at(3600, "w3")}, t0, t0.Add(time.Hour))
	// Two walks and two tasks by themselves; the worst ten minutes hold w2, both tasks and the alarm.
	if l.Calls != 4 || l.Tasks != 6 || l.Alarms != 1 || l.Worst != 4 || !l.WorstAt.Equal(t0.Add(630*time.Second)) || math.Abs(l.MeanCalls-4.0/6) > 1e-9 || math.Abs(l.MeanTasks-1) > 1e-9 {
		t.Errorf("load %+v, want 4 calls of 6 tasks, 1 alarm, at most 4 from 630 s on", l)
	}
}

func TestLoadOf(t *testing.T) {
	hour := t0.Add(time.Hour)
	type flood struct {
		from, to float64 // seconds
		alarms   int
	}
	for _, tt := range []struct {
		name               string
		calls              []Call
		worst, worstAlarms int
		mean               float64 // alarms of ten minutes
		floods             []flood
	}{
		{"nothing", nil, 0, 0, 0, nil},
		{"six in an hour", calls(true, every(6, 0, 600)...), 1, 1, 1, nil}, // ten minutes to the second are two windows
		{"two across a full ten of the clock", calls(true, 599, 601), 2, 2, 2.0 / 6, nil},
		{"tasks are no alarms", append(calls(false, 0, 1, 2), calls(true, 3)...), 4, 1, 1.0 / 6, nil},
		{"nine in ten minutes are no flood", calls(true, every(9, 0, 1)...), 9, 9, 1.5, nil},
		{"ten are; it ends as the fifth newest is ten minutes old", calls(true, every(10, 0, 1)...), 10, 10, 10.0 / 6, []flood{{9, 605, 10}}},
		{"more that come in it belong to it", calls(true, append(every(10, 0, 1), 300, 601)...), 11, 11, 2, []flood{{9, 607, 12}}},
		{"two floods", calls(true, append(every(10, 0, 1), every(10, 1800, 2)...)...), 10, 10, 20.0 / 6, []flood{{9, 605, 10}, {1818, 2410, 10}}},
		{"one that the window cuts", calls(true, every(10, 3500, 1)...), 10, 10, 10.0 / 6, []flood{{3509, 3600, 10}}},
		{"outside the window", calls(true, -1, 3600), 0, 0, 0, nil},
	} {
		l := LoadOf(tt.calls, t0, hour)
		if l.Worst != tt.worst || l.WorstAlarms != tt.worstAlarms || math.Abs(l.MeanAlarms-tt.mean) > 1e-9 {
			t.Errorf("%s: worst %d, of alarms %d, mean %g, want %d, %d, %g", tt.name, l.Worst, l.WorstAlarms, l.MeanAlarms, tt.worst, tt.worstAlarms, tt.mean)
		}
		var got []flood
		for _, f := range l.Floods {
			got = append(got, flood{f.From.Sub(t0).Seconds(), f.To.Sub(t0).Seconds(), f.Alarms})
		}
		if !slices.Equal(got, tt.floods) {
			t.Errorf("%s: floods %v, want %v", tt.name, got, tt.floods)
		}
	}
}

// The sliding window against counting by hand at every call, and floods
// against their definition second by second.
func TestLoadByHand(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var seconds []float64
		for range rapid.IntRange(0, 60).Draw(t, "n") {
			seconds = append(seconds, float64(rapid.IntRange(0, 3599).Draw(t, "at")))
		}
		l := LoadOf(calls(true, seconds...), t0, t0.Add(time.Hour))
		count := func(s float64) (n int) { // in (s-600, s]
			for _, x := range seconds {
				if x > s-600 && x <= s {
					n++
				}
			}
			return n
		}
		worst, flooded, floods := 0, false, 0
		for s := range 3600 {
			n := count(float64(s))
			worst = max(worst, n)
			if !flooded && n >= 10 {
				flooded, floods = true, floods+1
			}
			flooded = flooded && n >= 5
		}
		if l.Worst != worst || len(l.Floods) != floods {
			t.Fatalf("worst %d and %d floods, by hand %d and %d, of %v", l.Worst, len(l.Floods), worst, floods, seconds)
		}
	})
}

func TestStanding(t *testing.T) {
	p, _ := story(t, []Event{at(0, Rise), at(1, Ack)})
	day := 24 * time.Hour
	if p.Standing(t0.Add(day), day) || !p.Standing(t0.Add(day+1), day) {
		t.Error("an alarm stands for too long once it holds for more than a day")
	}
	e := at(2, Shelve)
	e.For, e.Reason = time.Hour, "r"
	if q, err := p.Apply(e, DefaultLimits()); err != nil || q.Standing(t0.Add(day+1), day) {
		t.Errorf("a shelved one does not: %v", err)
	}
}
