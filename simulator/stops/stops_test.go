package stops

import (
	"errors"
	"math"
	"testing"
	"time"
)

const hour = time.Hour

func work(s Structure) Work {
	return Work{Structure: s, Period: 2 * time.Second, RollTurns: 1900,
		Creels: []Creel{{Group: "ground", Cones: 90, ConeTurns: 13000, Lot: "L-1"}}}
}

// days makes the spans up to an instant and checks that they follow each
// other.
func days(t *testing.T, plan Plan, until time.Duration) ([]Span, []Load) {
	t.Helper()
	p, err := New(plan)
	if err != nil {
		t.Fatal(err)
	}
	var spans []Span
	var loads []Load
	for at := time.Duration(0); at < until; {
		s := p.Next()
		if s.From != at || s.To <= s.From {
			t.Fatalf("span %d is %+v, must begin at %v and be longer than 0", len(spans), s, at)
		}
		if s.Doing == Stopped && s.Cause == "" {
			t.Fatalf("stop without cause: %+v", s)
		}
		at = s.To
		spans = append(spans, s)
		loads = append(loads, p.Loads()...)
	}
	return spans, loads
}

func TestSameSeedSameDays(t *testing.T) {
	plan := Plan{Seed: 7, Machine: "k01", Work: work(Jersey)}
	a, la := days(t, plan, 24*hour)
	b, lb := days(t, plan, 240*hour)
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("span %d is %+v when 24 h are made and %+v when 240 h are made", i, a[i], b[i])
		}
	}
	for i := range la {
		if la[i] != lb[i] {
			t.Fatalf("load %d differs: %+v and %+v", i, la[i], lb[i])
		}
	}
	plan.Machine = "k02"
	if c, _ := days(t, plan, 24*hour); c[0] == a[0] {
		t.Error("two machines of one seed have the same days")
	}
}

func TestStopsAreApartAndLongEnough(t *testing.T) {
	spans, _ := days(t, Plan{Seed: 3, Machine: "k13", Work: work(Fleece)}, 2000*hour)
	var turned float64
	for i, s := range spans {
		switch s.Doing {
		case Turning:
			turned += float64(s.To-s.From) / float64(s.Period)
		case Stopped:
			if s.To-s.From < shortest || s.To-s.From > longest {
				t.Fatalf("stop %d lasts %v, %v to %v expected", i, s.To-s.From, shortest, longest)
			}
			if i > 0 && turned < turnsBetween-1e-6 {
				t.Fatalf("%.2f turns before stop %d, at least %d expected", turned, i, turnsBetween)
			}
			turned = 0
		}
	}
}

// TestRates compares a long time with the laws it was drawn from.
func TestRates(t *testing.T) {
	const until = 40000 * hour
	plan := Plan{Seed: 11, Machine: "k01", Work: work(Rib)}
	spans, loads := days(t, plan, until)
	count := map[string]float64{}
	var turns, stood float64
	for _, s := range spans {
		if s.Doing == Turning {
			turns += float64(s.To-s.From) / float64(s.Period)
		} else {
			count[s.Cause]++
			stood += float64(s.To - s.From)
		}
	}
	p, _ := New(plan)
	// A break repeats with chance q, and each repeat too: 1/(1-q) breaks in all.
	breaks := yarnPer10k[Rib] * p.mix[Yarn] / (1 - repeatChance)
	runOuts := 90 * untiedChance / 13000 * 1e4
	for _, tt := range []struct {
		cause string
		want  float64 // in 10,000 turns
	}{
		{Yarn, breaks + runOuts},
		{Needle, 0.05 * p.mix[Needle]},
		{Fabric, 0.52 * p.mix[Fabric]},
		{Doff, 1e4 / 1900},
	} {
		got := count[tt.cause] / turns * 1e4
		if tol := 5*math.Sqrt(tt.want/turns*1e4) + 0.02*tt.want; math.Abs(got-tt.want) > tol {
			t.Errorf("%s: %.3f in 10,000 turns, want %.3f within %.3f", tt.cause, got, tt.want, tol)
		}
	}
	if rounds, want := float64(len(loads)), turns/13000; math.Abs(rounds-want) > 0.02*want {
		t.Errorf("%g rounds of cones, want %.0f", rounds, want)
	}
	if e := 1 - stood/float64(until); e < 0.75 || e > 0.90 {
		t.Errorf("the machine turns %.3f of the time, 0.75 to 0.90 expected of a rib machine", e)
	}
}

func TestScript(t *testing.T) {
	other := work(Rib)
	other.Creels[0].Lot = "L-9"
	plan := Plan{Seed: 5, Machine: "k05", Work: work(Fleece), Script: []Event{
		{Kind: Idle, At: 0, For: 98 * time.Minute},
		{Kind: Stop, At: 3 * hour, For: hour, Cause: Setup},
		{Kind: Change, At: 3*hour + 30*time.Minute, Work: &other},
		{Kind: Calm, At: 10 * hour, For: hour},
		{Kind: Slow, At: 20 * hour, For: 2 * hour, Period: 3 * time.Second},
		{Kind: Lot, At: 30 * hour, For: 40 * hour, Factor: 30, Creels: "L-433"},
	}}
	spans, loads := days(t, plan, 80*hour)
	at := func(d time.Duration) Span {
		for _, s := range spans {
			if s.From <= d && d < s.To {
				return s
			}
		}
		t.Fatalf("nothing at %v", d)
		return Span{}
	}
	if s := at(0); s.Doing != Idling || s.To != 98*time.Minute {
		t.Errorf("first span is %+v, want idling for 98 min", s)
	}
	if s := at(3 * hour); s.Cause != Setup || s.From != 3*hour || s.To != 4*hour {
		t.Errorf("at 3 h %+v, want set-up of one hour", s)
	}
	if a, b := at(10*hour), at(11*hour-1); a.Doing != Turning || b.Doing != Turning {
		t.Errorf("calm hour has %+v and %+v at its ends, want turning", a, b)
	}
	yarn := 0
	for _, s := range spans {
		if s.Doing == Stopped && s.From >= 10*hour && s.From < 11*hour {
			t.Errorf("stop %+v in the calm hour", s)
		}
		if s.Doing == Turning {
			slow := s.From >= 20*hour && s.From < 22*hour
			if slow != (s.Period == 3*time.Second) {
				t.Errorf("span %+v, slow: %v", s, slow)
			}
		}
		if s.Cause == Yarn && s.From >= 30*hour && s.From < 70*hour {
			yarn++
		}
	}
	if yarn < 100 {
		t.Errorf("%d breaks in 40 h at thirty times the rate, at least 100 expected", yarn)
	}
	lots := map[string]time.Duration{}
	for _, l := range loads {
		if _, ok := lots[l.Lot]; !ok {
			lots[l.Lot] = l.At
		}
	}
	if lots["L-9"] != 3*hour+30*time.Minute || lots["L-433"] < 30*hour || lots["L-433"] > 33*hour {
		t.Errorf("lots first creeled at %v", lots)
	}
}

func TestScriptRefused(t *testing.T) {
	for name, script := range map[string][]Event{
		"overlap":               {{Kind: Stop, At: hour, For: hour, Cause: Power}, {Kind: Calm, At: 2 * hour, For: hour}},
		"change while turning":  {{Kind: Change, At: hour, Work: &Work{}}},
		"negative":              {{Kind: Stop, At: -1}},
		"no kind":               {{At: hour}},
		"change without a work": {{Kind: Stop, At: hour, For: hour, Cause: Setup}, {Kind: Change, At: hour + 1}},
	} {
		if _, err := New(Plan{Machine: "k01", Work: work(Rib), Script: script}); !errors.Is(err, ErrPlan) {
			t.Errorf("%s: error %v, want ErrPlan", name, err)
		}
	}
}
