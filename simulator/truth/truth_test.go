package truth

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnwise/simulator/machine"
	"turnwise/simulator/stops"
)

// wall is a settable wall clock.
type wall struct{ t time.Time }

func (w *wall) now() time.Time { return w.t }

func TestClockNeverGoesBack(t *testing.T) {
	file := filepath.Join(t.TempDir(), "clock.json")
	origin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	w := &wall{origin.Add(time.Hour)}
	open := func() *Clock {
		t.Helper()
		c, _, _, err := OpenClock(file, origin, []byte(`{}`), ClockOptions{Now: w.now})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	check := func(c *Clock, want time.Duration, why string) {
		t.Helper()
		if got := c.At(c.Now()); got != want {
			t.Fatalf("machines' clock shows %v, want %v: %s", got, want, why)
		}
	}
	c := open()
	check(c, time.Hour, "the past is one hour")
	w.t = w.t.Add(4 * time.Second)
	check(c, time.Hour+4*time.Second, "runs with the wall clock")
	c = open() // killed and started at once, inside the lease
	check(c, time.Hour+4*time.Second, "nothing is lost inside a lease")
	w.t = w.t.Add(time.Hour)
	check(c, time.Hour+14*time.Second, "never past the lease: the file must know it")
	c = open()
	check(c, time.Hour+14*time.Second, "stands while off")
	w.t = w.t.Add(3 * time.Second)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	w.t = w.t.Add(24 * time.Hour)
	c = open()
	check(c, time.Hour+17*time.Second, "a clean end needs no rest of a lease")
	w.t = w.t.Add(-48 * time.Hour)
	c = open()
	before := c.At(c.Now())
	if before < time.Hour+17*time.Second {
		t.Fatalf("machines' clock went back to %v with the wall clock", before)
	}
	w.t = w.t.Add(2 * time.Second)
	frozen, err := c.Freeze()
	if err != nil {
		t.Fatal(err)
	}
	w.t = w.t.Add(time.Hour)
	check(c, frozen, "frozen")
	check(open(), frozen, "frozen for good")
}

func TestClockStandsWhileClosed(t *testing.T) {
	origin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	from, to := origin.Add(10*time.Hour), origin.Add(12*time.Hour)
	closed := func(t time.Time) (bool, time.Time) {
		switch {
		case t.Before(from):
			return false, from
		case t.Before(to):
			return true, to
		}
		return false, t.AddDate(1, 0, 0)
	}
	w := &wall{origin.Add(20 * time.Hour)}
	c, _, found, err := OpenClock(filepath.Join(t.TempDir(), "clock.json"), origin, []byte(`{}`), ClockOptions{Now: w.now, Closed: closed})
	if err != nil || found {
		t.Fatal(found, err)
	}
	for _, tt := range []struct{ wall, want time.Duration }{{-1, 0}, {0, 0}, {9, 9}, {10, 10}, {11, 10}, {12, 10}, {13, 11}} {
		if got := c.At(origin.Add(tt.wall * time.Hour)); got != tt.want*time.Hour {
			t.Errorf("%d h after the first instant the clock shows %v, want %d h", tt.wall, got, tt.want)
		}
	}
	for _, at := range []time.Duration{0, time.Hour, 9 * time.Hour, 11 * time.Hour, 17 * time.Hour} {
		if got := c.At(c.Wall(at)); got != at {
			t.Errorf("At(Wall(%v)) = %v", at, got)
		}
	}
}

func TestDamagedClockIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "clock.json")
	if err := os.WriteFile(file, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, _, err := OpenClock(file, time.Now(), nil, ClockOptions{}); err == nil {
		t.Error("half a file was taken for a clock")
	}
}

func testPlan() Plan {
	group := machine.Group{ID: "ground", Feeds: 90, Needles: 2640, Loop: 2.75, Yarn: 20}
	a := machine.Article{ID: "a", Groups: []machine.Group{group}, Speed: 30, RollKg: 25}
	b := a
	b.Groups = []machine.Group{{ID: "ground", Feeds: 90, Needles: 2640, Loop: 2.75, Yarn: 40}}
	work := stops.Work{Structure: stops.Jersey, Period: machine.Period(a.Speed), RollTurns: a.TurnsPerRoll(),
		Creels: []stops.Creel{{Group: "ground", Cones: 90, ConeTurns: group.ConeTurns(1.89)}}}
	return Plan{ID: "k01", Register: machine.U16, Inputs: []Input{{Cause: "setup"}, {Cause: Lamp}},
		Jobs: []Job{{0, a}, {100*time.Minute + 1, b}}, Outages: []Outage{{At: 5 * time.Hour, For: 6 * time.Minute}},
		Stops: stops.Plan{Seed: 1, Machine: "k01", Work: work, Script: []stops.Event{
			{Kind: stops.Stop, At: 90 * time.Minute, For: 30 * time.Minute, Cause: "setup"},
			{Kind: stops.Calm, At: 5*time.Hour - time.Minute, For: 8 * time.Minute}}}}
}

func TestTotalsAddUp(t *testing.T) {
	m, err := NewMachine(testPlan())
	if err != nil {
		t.Fatal(err)
	}
	at := 30*time.Hour + 17*time.Second
	tot := m.Totals(at)
	if sum := tot.RunMS + tot.StopMS + tot.IdleMS; sum < at.Milliseconds()-2 || sum > at.Milliseconds() {
		t.Errorf("run + stop + idle = %d ms, elapsed %d", sum, at.Milliseconds())
	}
	if tot.UnknownMS != 360000 || tot.ByCause["setup"] != 1 || tot.ByCause[Lamp] != tot.Stops-1 || tot.Stops < 20 {
		t.Errorf("totals %+v: want 6 min unknown, one setup, all other stops on the lamp", tot)
	}
	// 13.068 and 26.136 g a turn by hand: 90*2640*2.75*20/1e6.
	n := m.At(100 * time.Minute).Turns
	if want := float64(n)*13.068e-3 + float64(tot.Revolutions-n)*26.136e-3; tot.Kilos < want-1e-6 || tot.Kilos > want+1e-6 {
		t.Errorf("kilos %.6f, want %.6f from %d and %d turns", tot.Kilos, want, n, tot.Revolutions-n)
	}
	if len(m.Changes(0, at)) < 2*int(tot.Stops)-1 {
		t.Errorf("%d changes for %d stops", len(m.Changes(0, at)), tot.Stops)
	}
}

func TestMomentsMissNothing(t *testing.T) {
	m, err := NewMachine(testPlan())
	if err != nil {
		t.Fatal(err)
	}
	const end, step = 10 * time.Hour, 10 * time.Second
	var last Moment
	var stopsSeen int64
	restarts := 0
	for mo := range m.Moments(0, func() time.Duration { return end }, step) {
		if mo.Restarted {
			restarts++
			if last.At != 5*time.Hour || mo.At != 5*time.Hour+6*time.Minute {
				t.Errorf("outage between %v and %v", last.At, mo.At)
			}
		} else if mo.At-last.At > step {
			t.Fatalf("no moment between %v and %v", last.At, mo.At)
		}
		if mo.Doing == stops.Stopped && last.Doing != stops.Stopped {
			stopsSeen++
		}
		last = mo
	}
	if restarts != 1 || stopsSeen != m.Totals(end).Stops || last.At < end-step {
		t.Errorf("%d restarts, %d stops of %d, last moment %v", restarts, stopsSeen, m.Totals(end).Stops, last.At)
	}
}
