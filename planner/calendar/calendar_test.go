package calendar

import (
	"errors"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"
)

var (
	allDays   = [7]bool{true, true, true, true, true, true, true}
	monToSat  = [7]bool{false, true, true, true, true, true, true}
	threeWays = []Shift{
		{"morning", 6 * 60, 14 * 60, allDays}, {"evening", 14 * 60, 22 * 60, allDays}, {"night", 22 * 60, 6 * 60, allDays},
	}
)

func zone(t testing.TB, name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Rule: the clock goes on at 01:00 on the last Sunday of March and back at 02:00 on
// that of October (Lisbon), so the night 22:00 to 06:00 before it is 7 or 9 hours.
func TestNightAtTheClockChange(t *testing.T) {
	lisbon := zone(t, "Europe/Lisbon")
	c := Calendar{Zone: lisbon, DayStarts: 360, Shifts: threeWays}
	for _, tt := range []struct {
		name  string
		start time.Time
		want  time.Duration
	}{
		{"last Sunday of March", time.Date(2026, 3, 28, 22, 0, 0, 0, lisbon), 7 * time.Hour},
		{"last Sunday of October", time.Date(2026, 10, 24, 22, 0, 0, 0, lisbon), 9 * time.Hour},
		{"an ordinary night", time.Date(2026, 6, 10, 22, 0, 0, 0, lisbon), 8 * time.Hour},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, ok := c.At(tt.start.Add(3 * time.Hour))
			if !ok || s.Name != "night" || !s.From.Equal(tt.start) {
				t.Fatalf("At gives %+v, %v", s, ok)
			}
			if s.Length() != tt.want {
				t.Errorf("the night is %v long, want %v", s.Length(), tt.want)
			}
			if got := c.Working(s.From, s.To); got != tt.want {
				t.Errorf("working time of the night is %v, want %v", got, tt.want)
			}
			if h, m, _ := s.To.In(lisbon).Clock(); h != 6 || m != 0 {
				t.Errorf("the night ends at %02d:%02d on the wall", h, m)
			}
			// The night belongs to the day on which it started.
			day := time.Date(tt.start.Year(), tt.start.Month(), tt.start.Day(), 0, 0, 0, 0, lisbon)
			if got := c.Day(s.To.Add(-time.Minute)); !got.Equal(day) {
				t.Errorf("05:59 belongs to %v, want %v", got, day)
			}
			if got := c.Day(s.To); !got.Equal(day.AddDate(0, 0, 1)) {
				t.Errorf("06:00 belongs to %v, want the next day", got)
			}
		})
	}
}

// A shift change inside the hour that is left out or comes twice: shifts still meet.
func TestShiftChangeInsideTheClockChange(t *testing.T) {
	berlin := zone(t, "Europe/Berlin") // changes at 02:00 and 03:00
	c := Calendar{Zone: berlin, Shifts: []Shift{{"a", 150, 12 * 60, allDays}, {"b", 12 * 60, 150, allDays}}}
	for _, tt := range []struct {
		day  time.Time
		a, b time.Duration // b ends in the morning of the day, then a follows
	}{
		{time.Date(2026, 3, 29, 0, 0, 0, 0, berlin), 9 * time.Hour, 14 * time.Hour},
		{time.Date(2026, 10, 25, 0, 0, 0, 0, berlin), 10*time.Hour + 30*time.Minute, 14*time.Hour + 30*time.Minute},
	} {
		spans := c.Spans(tt.day.Add(-12*time.Hour), tt.day.Add(14*time.Hour))
		if len(spans) != 3 {
			t.Fatalf("spans %v", spans)
		}
		b, a := spans[0], spans[1]
		if !b.To.Equal(a.From) {
			t.Errorf("%v: b ends at %v, a begins at %v", tt.day, b.To, a.From)
		}
		if b.Length() != tt.b || a.Length() != tt.a {
			t.Errorf("%v: b %v, a %v, want %v, %v", tt.day, b.Length(), a.Length(), tt.b, tt.a)
		}
	}
}

func TestRoundTheClock(t *testing.T) {
	c := Calendar{DayStarts: 360}
	from := time.Date(2026, 11, 23, 8, 0, 0, 0, time.UTC)
	if got := c.Working(from, from.Add(100*time.Hour)); got != 100*time.Hour {
		t.Errorf("a calendar without shifts works %v of 100 h", got)
	}
	s, ok := c.At(from)
	if want := time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC); !ok || !s.From.Equal(want) || s.Length() != 24*time.Hour {
		t.Errorf("At gives %+v, %v, want the mill's day", s, ok)
	}
	if got := c.Day(from.Add(-3 * time.Hour)); got.Day() != 22 {
		t.Errorf("05:00 belongs to %v, want the 22nd", got)
	}
}

func TestClosed(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, 11, day, hour, 0, 0, 0, time.UTC) }
	c := Calendar{Shifts: []Shift{{"day", 8 * 60, 16 * 60, monToSat}}, Closed: []Span{
		{at(23, 12), at(23, 13), "fire drill"}, {at(23, 12), at(23, 14), "the same, longer"}, {at(24, 0), at(25, 0), "holiday"},
	}}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	if got, want := c.Working(at(22, 0), at(26, 0)), 14*time.Hour; got != want { // Sunday; 6 h; holiday; 8 h
		t.Errorf("works %v, want %v", got, want)
	}
	if got, ok := c.After(at(23, 8), 7*time.Hour); !ok || !got.Equal(at(25, 9)) {
		t.Errorf("7 h later is %v, %v, want Wednesday 09:00", got, ok)
	}
	s, ok := c.At(at(23, 12))
	if ok || !s.From.Equal(at(23, 8)) || s.Name != "day" {
		t.Errorf("At in the fire drill gives %+v, %v, want the shift, not worked", s, ok)
	}
	if s, ok := c.At(at(22, 12)); ok || !s.From.IsZero() {
		t.Errorf("At on Sunday gives %+v, %v", s, ok)
	}
}

func TestExtra(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, 11, day, hour, 0, 0, 0, time.UTC) }
	c := Calendar{Shifts: []Shift{{"day", 8 * 60, 16 * 60, monToSat}}, Closed: []Span{{at(22, 10), at(22, 11), "fire drill"}}, Extra: []Span{
		{at(22, 9), at(22, 13), "Sunday"}, {at(23, 14), at(23, 20), "late"}, {at(23, 23), at(24, 9), "night"},
	}}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	// Sunday 4 h less the drill; Monday 8 to 20; the night 23 to 8, then the shift to 16.
	if got, want := c.Working(at(22, 0), at(25, 0)), (3+12+1+16)*time.Hour; got != want {
		t.Errorf("works %v, want %v", got, want)
	}
	if got, ok := c.From(at(22, 0)).After(4 * time.Hour); !ok || !got.Equal(at(23, 9)) {
		t.Errorf("4 h later is %v, %v, want Monday 09:00", got, ok)
	}
	if s, ok := c.At(at(22, 12)); !ok || s.Name != "Sunday" {
		t.Errorf("At on the extra Sunday gives %+v, %v", s, ok)
	}
}

func TestNeverWorks(t *testing.T) {
	now := time.Date(2026, 11, 23, 8, 0, 0, 0, time.UTC)
	for name, c := range map[string]Calendar{
		"shift on no day": {Shifts: []Shift{{"x", 0, 600, [7]bool{}}}},
		"closed for ever": {Closed: []Span{{now.AddDate(-1, 0, 0), now.AddDate(100, 0, 0), "shut"}}},
	} {
		if got, ok := c.After(now, time.Minute); ok {
			t.Errorf("%s: works at %v", name, got)
		}
		if got, ok := c.From(now).After(time.Minute); ok {
			t.Errorf("%s: the clock works at %v", name, got)
		}
		if got := c.Working(now, now.AddDate(1, 0, 0)); got != 0 {
			t.Errorf("%s: works %v in a year", name, got)
		}
		if got, ok := c.After(now, 0); !ok || !got.Equal(now) {
			t.Errorf("%s: no work is done at %v, %v", name, got, ok)
		}
	}
}

func TestValidate(t *testing.T) {
	now := time.Date(2026, 11, 23, 8, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name, says string
		c          Calendar
	}{
		{"two at once", "running into shift b", Calendar{Shifts: []Shift{{"a", 360, 900, allDays}, {"b", 840, 1320, allDays}}}},
		{"night into morning", "running into shift morning", Calendar{Shifts: []Shift{{"morning", 360, 840, allDays}, {"night", 1320, 420, allDays}}}},
		{"Saturday night into Sunday", "running into shift early", Calendar{Shifts: []Shift{{"night", 1320, 420, [7]bool{6: true}}, {"early", 360, 840, [7]bool{0: true}}}}},
		{"a shift of whole days", "", Calendar{Shifts: []Shift{{"day", 360, 360, allDays}}}},
		{"out of range", "0 to 1440", Calendar{Shifts: []Shift{{"x", -1, 3000, allDays}}}},
		{"no day", "on no day", Calendar{Shifts: []Shift{{"x", 0, 60, [7]bool{}}}}},
		{"extra too long", "at most 24 h", Calendar{Extra: []Span{{now, now.Add(25 * time.Hour), "x"}}}},
		{"closed backwards", "beginning before its end", Calendar{Closed: []Span{{now, now, "x"}}}},
		{"day starts late", "0 to 1439", Calendar{DayStarts: 1440}},
		{"three shifts", "", Calendar{Shifts: threeWays}},
		{"zero", "", Calendar{}},
	} {
		err := tt.c.Validate()
		switch {
		case tt.says == "" && err != nil:
			t.Errorf("%s: %v", tt.name, err)
		case tt.says != "" && (!errors.Is(err, ErrCalendar) || !strings.Contains(err.Error(), tt.says)):
			t.Errorf("%s: %v, want ErrCalendar that says %q", tt.name, err, tt.says)
		}
	}
}

// anyCalendar draws shifts that do not overlap, in zones that change their clocks
// in many ways.
func anyCalendar(t *rapid.T) Calendar {
	name := rapid.SampledFrom([]string{"UTC", "Europe/Lisbon", "Europe/Istanbul", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "America/Sao_Paulo", "Pacific/Apia"}).Draw(t, "zone")
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	c := Calendar{Zone: z, DayStarts: rapid.IntRange(0, 1439).Draw(t, "day starts")}
	n := rapid.IntRange(0, 3).Draw(t, "shifts")
	start := rapid.IntRange(0, 1439).Draw(t, "start")
	for i := range n {
		length := rapid.IntRange(1, 1440/n).Draw(t, "length")
		from := (start + i*1440/n) % 1440
		s := Shift{Name: string(rune('a' + i)), From: from, To: (from + length) % 1440}
		for d := range s.Days {
			s.Days[d] = rapid.Bool().Draw(t, "day")
		}
		c.Shifts = append(c.Shifts, s)
	}
	for range rapid.IntRange(0, 3).Draw(t, "closed") {
		at := anyTime(t)
		c.Closed = append(c.Closed, Span{at, at.Add(time.Duration(rapid.IntRange(1, 100*60).Draw(t, "minutes")) * time.Minute), ""})
	}
	for range rapid.IntRange(0, 3).Draw(t, "extra") {
		at := anyTime(t)
		c.Extra = append(c.Extra, Span{at, at.Add(time.Duration(rapid.IntRange(1, 24*60).Draw(t, "minutes")) * time.Minute), ""})
	}
	return c
}

func anyTime(t *rapid.T) time.Time {
	return time.Unix(rapid.Int64Range(1300000000, 1330000000).Draw(t, "unix"), 0) // 2011 and 2012, with Apia's lost day
}

func TestWorkingAndAfterAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCalendar(t)
		from := anyTime(t)
		work := time.Duration(rapid.Int64Range(1, int64(500*time.Hour)).Draw(t, "work"))
		at, ok := c.After(from, work)
		clock := c.From(from)
		if again, ok2 := clock.After(work); ok2 != ok || !again.Equal(at) {
			t.Fatalf("After %v, %v; the clock says %v, %v", at, ok, again, ok2)
		}
		if !ok {
			return
		}
		if got := c.Working(from, at); got != work {
			t.Fatalf("After(%v, %v) = %v, but Working between is %v", from, work, at, got)
		}
		if got := clock.Working(at); got != work {
			t.Fatalf("the clock works %v until %v, want %v", got, at, work)
		}
		if got := c.Working(from, at.Add(-1)); got != work-1 {
			t.Fatalf("%v is not the earliest: a nanosecond before, %v of %v is worked", at, got, work)
		}
		if _, open := c.At(at.Add(-1)); !open {
			t.Fatalf("work ends at %v outside working time", at)
		}
	})
}

func TestSpansAreApartAndAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCalendar(t)
		a := anyTime(t)
		b := a.Add(time.Duration(rapid.IntRange(0, 2000).Draw(t, "hours")) * time.Hour)
		m := a.Add(b.Sub(a) / 3)
		var sum time.Duration
		last := a
		for _, s := range c.Spans(a, b) {
			if s.From.Before(last) || !s.From.Before(s.To) || s.To.After(b) {
				t.Fatalf("span %v after %v", s, last)
			}
			last = s.To
			sum += s.Length()
		}
		if got := c.Working(a, b); got != sum {
			t.Fatalf("Working %v, spans add up to %v", got, sum)
		}
		if got := c.Working(a, m) + c.Working(m, b); got != sum {
			t.Fatalf("cut at %v: %v, whole %v", m, got, sum)
		}
		if got := c.Working(b, a); b.After(a) && got != 0 {
			t.Fatalf("backwards %v is worked", got)
		}
	})
}

func FuzzCalendar(f *testing.F) {
	f.Add(360, 840, 1320, 360, uint8(127), int64(1774742400), int64(3600))
	f.Add(-5, 99999, 0, 0, uint8(0), int64(-1<<40), int64(-1))
	f.Fuzz(func(t *testing.T, from1, to1, from2, to2 int, days uint8, unix, seconds int64) {
		c := Calendar{Zone: time.FixedZone("x", 3600)}
		for _, s := range []Shift{{From: from1, To: to1}, {From: from2, To: to2}} {
			for d := range s.Days {
				s.Days[d] = days>>d&1 == 1
			}
			c.Shifts = append(c.Shifts, s)
		}
		if c.Validate() != nil {
			return
		}
		at := time.Unix(unix%(1<<34), 0)
		work := time.Duration(seconds%1e6) * time.Second
		if done, ok := c.After(at, work); ok && work > 0 && c.Working(at, done) != work {
			t.Fatalf("%+v: After(%v, %v) = %v", c, at, work, done)
		}
		c.At(at)
		c.Day(at)
	})
}
