package outlook

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"turnwise/planner/calendar"
)

// night is a mill of one shift and one machine more that could help.
func night() Snapshot {
	s := story()
	s.Calendar = calendar.Calendar{Shifts: []calendar.Shift{{Name: "day", From: 6 * 60, To: 18 * 60, Days: [7]bool{false, true, true, true, true, true, false}}}}
	helper := machine("k03")
	helper.Cards = []Card{singleJersey}
	s.Machines = append(s.Machines, helper)
	return s
}

func suppose(t *testing.T, s Snapshot, changes ...Change) (before, after OrderOutlook) {
	t.Helper()
	changed, err := Suppose(s, monday, changes...)
	if err != nil {
		t.Fatal(err)
	}
	return plan(t, s, monday).Orders[0], plan(t, changed, monday).Orders[0]
}

func TestSuppose(t *testing.T) {
	saturday := monday.AddDate(0, 0, 5)
	for _, c := range []struct {
		name    string
		changes []Change
		later   bool // of the finish with 50 and 90 %
	}{
		{"slower", []Change{SlowMachine{"k01", 20}}, true},
		{"faster", []Change{SlowMachine{"k02", 28}}, false},
		{"stands two days", []Change{StopMachine{"k01", 48 * time.Hour}}, true},
		{"a machine more", []Change{AddMachine{"SO-1041", "k03"}}, false},
		{"a Saturday", []Change{OpenTime{saturday, saturday.Add(12 * time.Hour)}}, false},
		{"a holiday", []Change{CloseTime{monday.AddDate(0, 0, 1), monday.AddDate(0, 0, 2)}}, true},
	} {
		before, after := suppose(t, night(), c.changes...)
		if after.Finish.Refused != "" {
			t.Errorf("%s: refused %q", c.name, after.Finish.Refused)
		}
		for _, d := range []time.Duration{after.Finish.P50.Sub(before.Finish.P50), after.Finish.P90.Sub(before.Finish.P90)} {
			if c.later != (d > 0) || d == 0 {
				t.Errorf("%s: the finish moves by %s", c.name, d)
			}
		}
	}
}

// A machine that stands keeps the order waiting by just that time, if it alone
// works on it.
func TestStandingMovesTheWholeLaw(t *testing.T) {
	s := story()
	s.Machines = s.Machines[:1]
	before, after := suppose(t, s, StopMachine{"k01", 6 * time.Hour})
	for i, b := range before.Finish.Beads {
		if d := after.Finish.Beads[i].Sub(b); (d - 6*time.Hour).Abs() > time.Second {
			t.Errorf("bead %d moves by %s, want 6 h", i, d)
		}
	}
}

// Opening what was closed, and closing what was opened, gives what was before.
func TestOpenAndCloseUndoEachOther(t *testing.T) {
	from, to := monday.AddDate(0, 0, 1), monday.AddDate(0, 0, 2)
	s := night()
	s.Calendar.Closed = []calendar.Span{{From: from.Add(-6 * time.Hour), To: to.Add(30 * time.Hour), Name: "fair"}}
	open, err := Suppose(s, monday, OpenTime{from, to})
	if err != nil {
		t.Fatal(err)
	}
	if got := open.Calendar.Working(from, to); got != 24*time.Hour {
		t.Errorf("%s of the opened day is worked", got)
	}
	shut, err := Suppose(open, monday, CloseTime{from, to})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := shut.Calendar.Working(monday, monday.AddDate(0, 0, 9)), s.Calendar.Working(monday, monday.AddDate(0, 0, 9)); got != want {
		t.Errorf("%s is worked after both, %s before", got, want)
	}
}

func TestSupposeWritesNothing(t *testing.T) {
	s, twin := night(), night()
	saturday := monday.AddDate(0, 0, 5)
	if _, err := Suppose(s, monday, SlowMachine{"k01", 20}, AddMachine{"SO-1041", "k03"}, StopMachine{"k02", time.Hour},
		OpenTime{saturday, saturday.Add(40 * time.Hour)}, CloseTime{monday, monday.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(s, twin) {
		t.Errorf("the snapshot has changed: %+v", s)
	}
}

func TestSupposeRefuses(t *testing.T) {
	for _, c := range []struct {
		change Change
		says   string
	}{
		{SlowMachine{"k99", 20}, `change 1, slow K99 20: machine K99 is not in the book, expected one of K01, K02, K03, K04`},
		{SlowMachine{"k01", 0}, "speed of K01 is 0 rpm"},
		{SlowMachine{"k01", math.NaN()}, "speed of K01 is NaN rpm"},
		{StopMachine{"k01", 0}, "K01 is to stand for 0s"},
		{StopMachine{"k01", 9000 * time.Hour}, "at most a year"},
		{AddMachine{"SO-1041", "k01"}, "K01 works on SO-1041 already"},
		{AddMachine{"SO-9", "k03"}, `order "SO-9" is not in the book`},
		{AddMachine{"SO-1041", "k04"}, "K04 has no knit card for article sj30, which tells kilos and speed; enter one, or take K03"},
		{OpenTime{monday.Add(time.Hour), monday}, "a beginning before its end"},
		{OpenTime{monday, monday.AddDate(1, 0, 0)}, "at most 62 days"},
		{CloseTime{monday.Add(-2 * time.Hour), monday.Add(-time.Hour)}, "is past"},
		{CloseTime{}, "a beginning before its end"},
	} {
		s := night()
		s.Machines = append(s.Machines, machine("k04"))
		if _, err := Suppose(s, monday, c.change); !errors.Is(err, ErrRequest) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%#v: error %v, want %q", c.change, err, c.says)
		}
	}
	if _, err := Suppose(night(), monday); !errors.Is(err, ErrRequest) {
		t.Errorf("no change at all: %v", err)
	}
}

func TestEffects(t *testing.T) {
	s := night()
	s.Orders = append(s.Orders, Order{ID: "SO-2", Article: "sj30", QuantityKg: 900, Promise: monday.Add(200 * time.Hour)})
	s.Machines = append(s.Machines, machine("k05", Job{Order: "SO-2", Card: singleJersey}))
	changed, err := Suppose(s, monday, StopMachine{"k01", 20 * time.Hour}, StopMachine{"k02", 20 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	effects, same := Effects(s, plan(t, s, monday), plan(t, changed, monday))
	if len(effects) != 1 || same != 1 || effects[0].Order != "SO-1041" {
		t.Fatalf("%+v, %d the same; want SO-1041 moved and SO-2 the same", effects, same)
	}
	if e := effects[0]; !strings.HasPrefix(e.Sentence, "SO-1041 is done with 90 % by ") || !strings.Contains(e.Sentence, "h later") {
		t.Errorf("sentence %q", e.Sentence)
	} else if at, err := time.Parse("Mon 2 Jan 15:04", strings.Split(strings.TrimPrefix(e.Sentence, "SO-1041 is done with 90 % by "), ",")[0]); err != nil || at.Minute()%10 != 0 {
		t.Errorf("sentence %q tells its date to the minute, %v", e.Sentence, err)
	} else if p90 := e.After.P90.UTC(); Told(p90).Before(p90) || Told(p90).Sub(p90) >= 10*time.Minute || Told(p90).Format("15:04") != at.Format("15:04") {
		t.Errorf("sentence %q of %v: up to ten minutes expected, as on the pages", e.Sentence, p90)
	}
	none := s
	none.Machines = append([]Machine(nil), s.Machines...) // their history stays, so SO-2 does
	for i := range none.Machines[:3] {
		none.Machines[i].Jobs = nil
	}
	effects, _ = Effects(s, plan(t, s, monday), plan(t, none, monday))
	if len(effects) != 1 || effects[0].Sentence != "SO-1041 has no finish then: Assign a machine; none knits this order" {
		t.Errorf("%+v", effects)
	}
}

// A part of the mill planned by itself gives the effects that the whole gives.
func TestTouchedIsEnough(t *testing.T) {
	s := night()
	for i, order := range []string{"SO-2", "SO-3", "SO-3", "SO-4"} {
		m := machine(fmt.Sprintf("k1%d", i), Job{Order: order, Card: singleJersey})
		m.Cards = []Card{singleJersey}
		s.Machines = append(s.Machines, m)
	}
	for i := range 3 {
		s.Orders = append(s.Orders, Order{ID: fmt.Sprintf("SO-%d", i+2), Article: "sj30", QuantityKg: 900, Promise: monday.Add(200 * time.Hour)})
	}
	// One machine knits a split order, and another behind it.
	s.Machines[len(s.Machines)-2].Jobs = append(s.Machines[len(s.Machines)-2].Jobs, Job{Order: "SO-2", Card: singleJersey})
	before := plan(t, s, monday)
	for _, tt := range []struct {
		orders  int
		changes []Change
	}{
		{1, []Change{StopMachine{"k13", time.Hour}}},
		{1, []Change{SlowMachine{"k01", 20}}},
		{2, []Change{StopMachine{"k10", 30 * time.Hour}}}, // SO-2, by it SO-3
		{2, []Change{AddMachine{"SO-1041", "k13"}}},
		{0, []Change{StopMachine{"k03", time.Hour}}},
		{4, []Change{StopMachine{"k13", time.Hour}, CloseTime{monday, monday.Add(48 * time.Hour)}}},
	} {
		supposed, err := Suppose(s, monday, tt.changes...)
		if err != nil {
			t.Fatal(err)
		}
		part := supposed.Touched(tt.changes...)
		if len(part.Orders) != tt.orders {
			t.Errorf("%v touches %d orders, want %d", tt.changes, len(part.Orders), tt.orders)
		}
		want, wantSame := Effects(s, before, plan(t, supposed, monday))
		got, same := Effects(s, before, plan(t, part, monday))
		if !reflect.DeepEqual(got, want) || same != wantSame {
			t.Errorf("%v: %d effects and %d the same, want %d and %d: %+v", tt.changes, len(got), same, len(want), wantSame, got)
		}
	}
}
