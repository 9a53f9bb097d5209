package alarm

import (
	"errors"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var t0 = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)

// in makes a point that is in a state, by events only.
func in(t *testing.T, s State) Point {
	t.Helper()
	at := t0.Add(-time.Hour)
	path := map[State][]Event{
		Normal:       {},
		Unack:        {{Kind: Rise}},
		Acked:        {{Kind: Rise}, {Kind: Ack, Role: "supervisor"}},
		RTNUnack:     {{Kind: Rise}, {Kind: Clear}},
		Shelved:      {{Kind: Rise}, {Kind: Shelve, For: 2 * time.Hour, Reason: "part on its way"}},
		Suppressed:   {{Kind: Suppress, Reason: "no order"}, {Kind: Rise}},
		OutOfService: {{Kind: Rise}, {Kind: TakeOut, Reason: "sensor in repair"}},
	}
	var p Point
	for _, e := range path[s] {
		e.At = at
		var err error
		if p, err = p.Apply(e, DefaultLimits()); err != nil {
			t.Fatal(err)
		}
	}
	if p.State() != s {
		t.Fatalf("the way to %v ends in %v", s, p.State())
	}
	return p
}

// Every state against every event. The transitions are those of ANSI/ISA-18.2
// as this mill has them; "" = the state stays, an error = it is refused.
func TestEveryStateAndEvent(t *testing.T) {
	stay := State(255)
	events := []Event{
		{Kind: Rise}, {Kind: Clear}, {Kind: Tick}, {Kind: Suppress, Reason: "mill closed"}, {Kind: Release}, {Kind: Ack, Role: "supervisor"},
		{Kind: Shelve, For: time.Hour, Reason: "r"}, {Kind: Shelve, Once: true, Reason: "r"}, {Kind: Unshelve}, {Kind: TakeOut, Reason: "r"}, {Kind: PutBack},
	}
	no, bad := State(100), State(101) // ErrState, ErrRequest
	want := map[State][]State{
		//             rise   clear     tick  suppress    release ack     shelve   once     unshelve takeout       putback
		Normal:       {Unack, stay, stay, Suppressed, stay, no, Shelved, no, no, OutOfService, no},
		Unack:        {stay, RTNUnack, stay, Suppressed, stay, Acked, Shelved, Shelved, no, OutOfService, no},
		Acked:        {stay, Normal, stay, Suppressed, stay, stay, Shelved, Shelved, no, OutOfService, no},
		RTNUnack:     {Unack, stay, stay, Suppressed, stay, Normal, Shelved, no, no, OutOfService, no},
		Shelved:      {stay, stay, stay, stay, stay, no, stay, stay, Unack, OutOfService, no},
		Suppressed:   {stay, stay, stay, stay, Unack, no, no, no, no, OutOfService, no},
		OutOfService: {stay, stay, stay, stay, stay, no, no, no, no, stay, Unack},
	}
	for s, row := range want {
		for i, e := range events {
			p := in(t, s)
			e.At = t0
			q, err := p.Apply(e, DefaultLimits())
			switch w := row[i]; w {
			case no, bad:
				sentinel := map[State]error{no: ErrState, bad: ErrRequest}[w]
				if !errors.Is(err, sentinel) || q.State() != s {
					t.Errorf("%v, %v: %v, %v, want refused by %v", s, e.Kind, q.State(), err, sentinel)
				}
			default:
				if w == stay {
					w = s
				}
				if err != nil || q.State() != w {
					t.Errorf("%v, %v (once %v): %v, %v, want %v", s, e.Kind, e.Once, q.State(), err, w)
				}
			}
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		name string
		e    Event
		err  error
	}{
		{"longer than the most", Event{Kind: Shelve, For: 8*time.Hour + 1, Reason: "r"}, ErrRequest},
		{"no time", Event{Kind: Shelve, Reason: "r"}, ErrRequest},
		{"a time that is past", Event{Kind: Shelve, For: -time.Hour, Reason: "r"}, ErrRequest},
		{"no reason", Event{Kind: Shelve, For: time.Hour, Reason: "  "}, ErrRequest},
		{"a time and once", Event{Kind: Shelve, For: time.Hour, Once: true, Reason: "r"}, ErrRequest},
		{"out without a reason", Event{Kind: TakeOut}, ErrRequest},
		{"suppressed by no rule", Event{Kind: Suppress}, ErrRequest},
		{"nothing", Event{}, ErrRequest},
	} {
		p := in(t, Unack)
		tt.e.At = t0
		if q, err := p.Apply(tt.e, DefaultLimits()); !errors.Is(err, tt.err) || q.State() != Unack || q.Shelf != nil {
			t.Errorf("%s: %v, %v, want it refused by %v and UNACK", tt.name, q.State(), err, tt.err)
		}
	}
	p := in(t, Unack)
	if q, err := p.Apply(Event{Kind: Shelve, At: t0, For: 8 * time.Hour, Reason: "r"}, DefaultLimits()); err != nil || q.State() != Shelved {
		t.Errorf("8 hours to the second: %v, %v", q.State(), err)
	}
}

// story applies events at minutes after t0 and tells state and times told.
func story(t *testing.T, steps []Event) (Point, []State) {
	t.Helper()
	var p Point
	var states []State
	for _, e := range steps {
		var err error
		if p, err = p.Apply(e, DefaultLimits()); err != nil {
			t.Fatalf("%v at %v: %v", e.Kind, e.At, err)
		}
		states = append(states, p.State())
	}
	return p, states
}

func at(seconds float64, k Kind) Event {
	return Event{Kind: k, At: t0.Add(time.Duration(seconds * float64(time.Second)))}
}

func TestStories(t *testing.T) {
	shelve := func(seconds float64, d time.Duration) Event {
		e := at(seconds, Shelve)
		e.For, e.Once, e.Reason = d, d == 0, "waiting for a part"
		return e
	}
	rule := func(seconds float64) Event { e := at(seconds, Suppress); e.Reason = "mill closed"; return e }
	for _, tt := range []struct {
		name  string
		steps []Event
		want  State
		told  int
	}{
		{"shelving runs out while it holds, seen before: still seen", []Event{at(0, Rise), at(1, Ack), shelve(2, time.Hour), at(3601, Tick), at(3602, Tick)}, Acked, 1},
		{"shelving runs out while it holds, not seen: told again", []Event{at(0, Rise), shelve(2, time.Hour), at(3602, Tick)}, Unack, 2},
		{"a moment before it runs out", []Event{at(0, Rise), shelve(2, time.Hour), at(3601, Tick)}, Shelved, 1},
		{"cleared and begun again while shelved: told when shown", []Event{at(0, Rise), at(1, Ack), shelve(2, time.Hour), at(100, Clear), at(900, Rise), at(3602, Tick)}, Unack, 2},
		{"begun and cleared while shelved: nothing is owed", []Event{shelve(2, time.Hour), at(100, Rise), at(900, Clear), at(3602, Tick)}, Normal, 0},
		{"once: ends as it clears, and what nobody saw is still owed", []Event{at(0, Rise), shelve(2, 0), at(100, Clear)}, RTNUnack, 1},
		{"once: ends as it clears", []Event{at(0, Rise), at(1, Ack), shelve(2, 0), at(100, Clear)}, Normal, 0},
		{"begun while the mill is closed: told as it opens", []Event{rule(0), at(10, Rise), at(3600, Release)}, Unack, 1},
		{"over before it opens", []Event{rule(0), at(10, Rise), at(20, Clear), at(3600, Release)}, Normal, 0},
		{"owed before it closed, cleared since: still owed", []Event{at(0, Rise), rule(5), at(20, Clear), at(3600, Release)}, RTNUnack, 1},
		{"twice in a minute is twice", []Event{at(0, Rise), at(5, Clear), at(10, Rise)}, Unack, 2},
		{"three in a minute are one that holds", []Event{at(0, Rise), at(5, Clear), at(20, Rise), at(25, Clear), at(40, Rise), at(45, Clear), at(55, Rise), at(58, Clear), at(60, Tick)}, Unack, 2},
		{"it ends after a quiet minute", []Event{at(0, Rise), at(5, Clear), at(20, Rise), at(25, Clear), at(40, Rise), at(45, Clear), at(104.9, Tick)}, Unack, 2},
		{"it ends after a quiet minute, and is still owed", []Event{at(0, Rise), at(5, Clear), at(20, Rise), at(25, Clear), at(40, Rise), at(45, Clear), at(105, Tick)}, RTNUnack, 2},
		{"three in more than a minute are three", []Event{at(0, Rise), at(5, Clear), at(31, Rise), at(35, Clear), at(62, Rise)}, Unack, 3},
		{"put back while it holds: told again", []Event{at(0, Rise), at(1, Ack), {Kind: TakeOut, At: t0.Add(2 * time.Second), Reason: "r"}, at(3, Clear), at(4, Rise), at(9, PutBack)}, Unack, 2},
		{"a rule begins while it is shelved and lasts longer", []Event{at(0, Rise), shelve(2, time.Hour), rule(10), at(3602, Tick)}, Suppressed, 1},
	} {
		p, states := story(t, tt.steps)
		if p.State() != tt.want || p.Told != tt.told {
			t.Errorf("%s: %v told %d times, want %v and %d (%v)", tt.name, p.State(), p.Told, tt.want, tt.told, states)
		}
	}
	p, _ := story(t, []Event{at(0, Rise), at(1, Ack), at(7, Ack)})
	if !p.Acked.Equal(t0.Add(time.Second)) {
		t.Errorf("acknowledged twice: %v, want the first instant", p.Acked)
	}
}

// drawEvent draws any event at a later instant.
func drawEvent(t *rapid.T, now *time.Time) Event {
	*now = now.Add(time.Duration(rapid.Int64Range(0, int64(40*time.Minute)).Draw(t, "after")))
	e := Event{Kind: Kind(rapid.IntRange(int(Rise), int(PutBack)).Draw(t, "kind")), At: *now, Reason: "r", Role: "supervisor"}
	if e.Kind == Shelve {
		if e.Once = rapid.Bool().Draw(t, "once"); !e.Once {
			e.For = time.Duration(rapid.Int64Range(1, int64(8*time.Hour)).Draw(t, "for"))
		}
	}
	return e
}

// Nothing but an acknowledgement ends what is owed, and every condition that
// holds while nothing hides it was told since it began.
func TestNeverSeenByItselfNeverLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p Point
		now := t0
		rose := time.Time{} // of the condition, while it holds
		short := rapid.Bool().Draw(t, "short")
		for range rapid.IntRange(1, 60).Draw(t, "events") {
			e := drawEvent(t, &now)
			if short { // seconds apart, so that it chatters
				now = p.LastSeen.Add(time.Duration(rapid.Int64Range(0, int64(30*time.Second)).Draw(t, "gap")))
				if now.Before(t0) {
					now = t0
				}
				e.At = now
			}
			q, err := p.Apply(e, DefaultLimits())
			if err != nil {
				if q.State() != p.State() || q.Owed != p.Owed {
					t.Fatalf("%v was refused and changed %v to %v", e.Kind, p.State(), q.State())
				}
				continue
			}
			if p.Owed && !q.Owed && e.Kind != Ack {
				t.Fatalf("%v took what was owed away: %v to %v", e.Kind, p.State(), q.State())
			}
			if q.Raw && !p.Raw {
				rose = e.At
			}
			if q.Raw && !q.Active {
				t.Fatalf("the condition holds and the alarm does not: %+v", q)
			}
			if !q.State().Hidden() && q.Active && q.Told == 0 {
				t.Fatalf("%v holds since %v and nobody was told", q.State(), rose)
			}
			if q.State() == Acked && q.Acked.Before(q.Raised) {
				t.Fatalf("seen at %v, before it began at %v", q.Acked, q.Raised)
			}
			if q.Shelf != nil && !q.Shelf.Until.IsZero() && q.Shelf.Until.Sub(q.Shelf.From) > 8*time.Hour {
				t.Fatalf("shelved for %v", q.Shelf.Until.Sub(q.Shelf.From))
			}
			p = q
		}
		// In the end, everything that hides it ends: what holds is then known.
		for _, k := range []Kind{PutBack, Unshelve, Release} {
			if q, err := p.Apply(Event{Kind: k, At: now}, DefaultLimits()); err == nil {
				p = q
			}
		}
		if p.Active && p.State() != Unack && p.State() != Acked {
			t.Fatalf("the condition holds, and it is %v when nothing hides it", p.State())
		}
	})
}
