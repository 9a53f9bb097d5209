package mill

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnwise/server/host"
	"turnwise/simulator/stops"
	"turnwise/simulator/truth"
)

func testScenario(t *testing.T, first time.Time) *scenario {
	t.Helper()
	s := &scenario{Seed: 14, Zone: DefaultZone, First: first, Story: true, Ahead: openAhead}
	if err := s.init(); err != nil {
		t.Fatal(err)
	}
	return s
}

// TestStoryFitsEveryStart begins the mill at every hour of a week: five whole
// days before are open, the closed day comes next, and every script holds.
func TestStoryFitsEveryStart(t *testing.T) {
	zone, err := time.LoadLocation(DefaultZone)
	if err != nil {
		t.Fatal(err)
	}
	for h := range 7 * 24 {
		s := testScenario(t, time.Date(2026, 3, 2, h, 7, 11, 0, zone))
		past := s.First.Sub(s.origin())
		if past < 5*24*time.Hour || past >= 6*24*time.Hour {
			t.Fatalf("start at %v: past of %v, five to six days expected", s.First, past)
		}
		for at := s.origin(); at.Before(s.First); at = at.Add(time.Hour) {
			if closed, _ := s.closed(at); closed {
				t.Fatalf("start at %v: closed at %v", s.First, at)
			}
		}
		closed, from := s.closed(s.First)
		if ahead := from.Sub(s.First); closed || ahead < 12*time.Hour || ahead > 36*time.Hour {
			t.Fatalf("start at %v: closed %v, next closed time at %v; 12 to 36 hours ahead expected", s.First, closed, from)
		}
		// Every week has one closed day, from its first instant to its last.
		for week := range 26 {
			for day := range 7 {
				at := from.AddDate(0, 0, 7*week+day)
				first, until := s.closed(at)
				last, _ := s.closed(at.AddDate(0, 0, 1).Add(-time.Nanosecond))
				if want := day == 0; first != want || last != want || want && !until.Equal(at.AddDate(0, 0, 1)) || !want && until.Sub(at) > 7*24*time.Hour {
					t.Fatalf("start at %v: at %v closed is %v to %v, at its end %v", s.First, at, first, until, last)
				}
			}
		}
		// A folder of before keeps the day that it was begun with.
		old := *s
		old.Ahead = 0
		if _, was := old.closed(s.First); !was.Equal(s.shopDay(s.First).AddDate(0, 0, 1)) {
			t.Fatalf("start at %v: a folder of before closes at %v", s.First, was)
		}
		for i := range plates {
			if _, err := truth.NewMachine(s.plan(i)); err != nil {
				t.Fatalf("start at %v: %v", s.First, err)
			}
		}
	}
}

// TestClosedDaysAreTold: the server's calendar is closed when the machines' clock stands, at
// every hour of the days before and of a month ahead, over a change of the clocks too.
func TestClosedDaysAreTold(t *testing.T) {
	const free = "127.0.0.1:0"
	for _, first := range []string{"2026-03-25T23:30", "2026-03-26T05:59", "2026-03-26T06:00", "2026-03-26T18:00", "2026-10-24T02:30"} {
		zone, err := time.LoadLocation("Europe/Lisbon")
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.ParseInLocation("2006-01-02T15:04", first, zone)
		if err != nil {
			t.Fatal(err)
		}
		s := &scenario{Seed: 14, Zone: "Europe/Lisbon", First: at, Story: true, Ahead: openAhead}
		if err := s.init(); err != nil {
			t.Fatal(err)
		}
		c := s.serverConfig(t.TempDir(), host.ListenConfig{GRPC: free, HTTP: host.Off, MQTT: free, Metrics: host.Off})
		c.Calendar.ClosedFile = filepath.Join(t.TempDir(), "closed.ics")
		if err := os.WriteFile(c.Calendar.ClosedFile, []byte(s.closedFile(at)), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := c.Validate(); err != nil {
			t.Fatal(err)
		}
		cal := c.ShiftCalendar()
		hours := 0
		for at := s.origin(); at.Before(s.First.AddDate(0, 1, 0)); at = at.Add(time.Hour) {
			_, working := cal.At(at)
			closed, _ := s.closed(at)
			if closed == working {
				t.Fatalf("begun %s: at %v the machines' clock is closed: %v, the server's calendar works: %v", first, at.In(zone), closed, working)
			}
			if closed {
				hours++
			}
		}
		if hours < 4*24-1 || hours > 5*24+1 {
			t.Errorf("begun %s: closed for %d hours in a month, four or five days expected", first, hours)
		}
	}
}

// TestPromisesAreOpenDays: whenever in a week a mill is begun, in zones and weeks in which the
// clocks change too, no order is promised for a time at which its own calendar is closed, and
// the machines have as long for it as in a mill that is begun by day.
func TestPromisesAreOpenDays(t *testing.T) {
	for _, week := range []struct {
		zone  string
		month time.Month
		day   int
	}{{DefaultZone, time.March, 2}, {"Europe/Lisbon", time.March, 23}, {"Europe/Lisbon", time.October, 19}} {
		zone, err := time.LoadLocation(week.zone)
		if err != nil {
			t.Fatal(err)
		}
		for h := range 7 * 24 {
			s := &scenario{Seed: 14, Zone: week.zone, First: time.Date(2026, week.month, week.day, h, 7, 11, 0, zone), Story: true, Ahead: openAhead}
			if err := s.init(); err != nil {
				t.Fatal(err)
			}
			c := s.serverConfig(t.TempDir(), host.ListenConfig{GRPC: host.Off, HTTP: host.Off, MQTT: host.Off, Metrics: host.Off})
			c.Calendar.ClosedFile = filepath.Join(t.TempDir(), "closed.ics")
			if err := os.WriteFile(c.Calendar.ClosedFile, []byte(s.closedFile(s.First)), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := c.Validate(); err != nil {
				t.Fatal(err)
			}
			cal := c.ShiftCalendar()
			for i, o := range s.book().GetOrders() {
				at := o.GetPromiseTime().AsTime()
				if _, working := cal.At(at); !working {
					t.Errorf("begun %v: %s is promised for %v, when the mill is closed", s.First, o.GetId(), at.In(zone))
				}
				if orders[i].due < 2 {
					continue // done before the closed day
				}
				// The closed day is one of the days until then; a change of the clocks is an hour.
				want := time.Duration(orders[i].due-1)*24*time.Hour + time.Duration(orders[i].hour-6)*time.Hour
				if got := cal.Working(s.shopDay(s.First), at); (got - want).Abs() > time.Hour {
					t.Errorf("begun %v: the mill works %v until the promise of %s, %v expected", s.First, got, o.GetId(), want)
				}
			}
		}
	}
}

// TestPlates compares turns with the table that the mill was laid out by:
// textbook formula with the needle counts assumed for the plates.
func TestPlates(t *testing.T) {
	want := map[string]float64{"k01": 12.862, "k02": 12.862, "k03": 14.988, "k04": 16.432, "k05": 11.822, "k06": 11.822, "k07": 12.221, "k08": 12.221,
		"k09": 11.804, "k10": 14.855, "k11": 8.673, "k12": 5.030, "k13": 11.621, "k14": 11.621}
	for _, p := range plates {
		if got := float64(p.card.truth().GramsPerTurn()); math.Abs(got/want[p.id]-1) > 1e-3 {
			t.Errorf("%s: %.4f g a turn, %.3f in the layout", p.id, got, want[p.id])
		}
	}
}

// TestStoryHappens looks at the truth where the story says something.
func TestStoryHappens(t *testing.T) {
	zone, _ := time.LoadLocation(DefaultZone)
	s := testScenario(t, time.Date(2026, 3, 6, 15, 0, 0, 0, zone))
	m := map[string]*truth.Machine{}
	for i := range plates {
		one, err := truth.NewMachine(s.plan(i))
		if err != nil {
			t.Fatal(err)
		}
		m[plates[i].id] = one
	}
	dip := 0
	for _, one := range m {
		if one.At(s.at(1, 7, 13)).Cause == stops.Power {
			dip++
		}
	}
	if dip != 8 {
		t.Errorf("%d machines stand in the power dip, want 8", dip)
	}
	if st := m["k05"].At(s.at(1, 9, 15)); st.Cause != stops.Setup {
		t.Errorf("K05 at 09:15 of day 1: %+v, want set-up", st)
	}
	if st := m["k13"].At(s.at(1, 7, 37)); st.Doing != stops.Idling {
		t.Errorf("K13 at 07:37 of day 1: %+v, want no order", st)
	}
	if st := m["k05"].At(s.at(2, 10, 31)); st.Cause != stops.Needle {
		t.Errorf("K05 at 10:31 of day 2: %+v, want needle", st)
	}
	for _, day := range []int{2, days} {
		slow := 0
		for h := 12; h < 17; h++ {
			if rpm := m["k02"].At(s.at(day, h, 0)).RPM; rpm > 23.9 && rpm < 24.1 {
				slow++
			}
		}
		if slow == 0 {
			t.Errorf("K02 was never seen at 24 rpm on day %d", day)
		}
	}
	o := s.outage()
	for _, id := range []string{"k13", "k14"} {
		if ch := m[id].Changes(o.At-time.Minute, o.At+o.For+time.Minute); len(ch) != 0 {
			t.Errorf("%s changes in the outage: %v; nobody could know", id, ch)
		}
	}
	lots := map[string]bool{}
	for _, l := range m["k07"].Loads(s.at(1, 9, 0), s.at(1, 10, 0)) {
		lots[l.Lot] = true
	}
	if !lots["L-433"] {
		t.Error("L-433 was not creeled on K07 at 09:20 of day 1")
	}
	loads := 0
	end := s.at(days, 15, 0)
	for _, p := range plates {
		tot := m[p.id].Totals(end)
		loads += len(m[p.id].Loads(-1, end))
		if e := float64(tot.RunMS) / float64(tot.RunMS+tot.StopMS); e < 0.70 || e > 0.93 {
			t.Errorf("%s turns %.3f of its time, 0.70 to 0.93 expected", p.id, e)
		}
		t.Logf("%s: %d revolutions, %d stops %v, turns %.3f", p.id, tot.Revolutions, tot.Stops, tot.ByCause, float64(tot.RunMS)/float64(tot.RunMS+tot.StopMS))
	}
	if loads < 100 || loads > 480 {
		t.Errorf("%d rounds of cones in six days, 100 to 480 expected", loads)
	}
}
