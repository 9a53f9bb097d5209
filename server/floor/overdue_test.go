package floor

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// A window that has begun keeps its beginning, found in what the machine counted; a
// machine that runs on past all its cones is to be looked at, not to be hurried to.
func TestOverdueWindow(t *testing.T) {
	const rpm, life, now = 25.0, 20000.0, 40000 // turns; by hand: 2 kg a cone at 0.1 g a turn
	for _, tt := range []struct {
		name            string
		loaded          int64
		overdue, unsaid bool
	}{
		{"still to come", now - 0.9*life, false, false},
		{"the first cones run out", now - 0.99*life, true, false},
		{"just past the last", now - 1.08*life, true, false},
		{"far past the last", now - 1.2*life, true, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				time.Sleep(time.Until(minute(120)))
				begin := time.Now()
				m := busyMill(begin)
				m.turned = func(_ string, at time.Time) int64 { return int64(now + at.Sub(begin).Minutes()*rpm) }
				m.loads = []store.Load{{ID: 1, Machine: "k01", Group: "ground", Cones: 100, Lot: "L-1", At: six, Revolutions: tt.loaded}}
				f := newFloor(t, m, nil)
				tasks, err := f.Tasks(t.Context(), []string{"k01"}, 24*time.Hour)
				if err != nil {
					t.Fatal(err)
				}
				i := slices.IndexFunc(tasks, func(x TaskView) bool { return x.Kind == TaskCreel })
				if i < 0 {
					t.Fatal("no task for the creel")
				}
				x := tasks[i]
				if !x.Overdue.IsZero() != tt.overdue || x.Unsaid != tt.unsaid {
					t.Errorf("overdue since %v, unsaid %v, want %v and %v", x.Overdue, x.Unsaid, tt.overdue, tt.unsaid)
				}
				w := x.Window
				for _, e := range []struct {
					turn float64
					at   time.Time
				}{{w.FirstRevolutions, w.First}, {w.P50Revolutions, w.P50}, {w.LastRevolutions, w.Last}} {
					if e.turn > now {
						if e.at.Before(begin) {
							t.Errorf("turn %.0f is to come and was expected at %s", e.turn, e.at)
						}
						continue
					}
					want := begin.Add(-time.Duration((now - e.turn) / rpm * float64(time.Minute)))
					if d := e.at.Sub(want); d < -lookTo || d > lookTo {
						t.Errorf("turn %.0f at %s, the machine made it at %s", e.turn, e.at, want)
					}
				}
				// What is told late of such cones is put where they most likely ran out.
				l, err := f.loadOf(t.Context(), &x, store.Tap{Task: x.ID, Act: store.ActDone, At: begin}, Told{})
				if err != nil {
					t.Fatal(err)
				}
				at, turn := begin, float64(now)
				if tt.unsaid {
					at, turn = w.P50, w.P50Revolutions
				}
				if !l.At.Equal(at) || math.Abs(float64(l.Revolutions)-turn) > rpm*lookTo.Minutes()+1 {
					t.Errorf("the load is put at %s, turn %d, want %s and %.0f", l.At, l.Revolutions, at, turn)
				}
				v, err := f.Rounds(t.Context(), []string{"k01"}, 24*time.Hour)
				if err != nil {
					t.Fatal(err)
				}
				for _, walk := range v.Walks {
					if tt.unsaid && (walk.LateMin > 0 || len(walk.Fetch) > 0) {
						t.Errorf("a walk to look is late by %g min and brings %+v", walk.LateMin, walk.Fetch)
					}
				}
			})
		})
	}
}

// A task that somebody took comes back after twice the work and a quarter of an hour;
// one that he did not take is left alone.
func TestTakenLapses(t *testing.T) {
	for _, tt := range []struct {
		task  TaskView
		state string
		after time.Duration
		want  string
	}{
		{TaskView{Kind: TaskStop}, store.TaskTaken, 18*time.Minute - time.Second, store.TaskTaken},
		{TaskView{Kind: TaskStop}, store.TaskTaken, 18 * time.Minute, store.TaskDue},
		{TaskView{Kind: TaskDoff}, store.TaskTaken, 19 * time.Minute, store.TaskDue},
		{TaskView{Kind: TaskCreel, Window: &outlook.CreelWindow{Cones: 90}}, store.TaskTaken, 61 * time.Minute, store.TaskTaken},
		{TaskView{Kind: TaskCreel, Window: &outlook.CreelWindow{Cones: 90}}, store.TaskTaken, 62 * time.Minute, store.TaskDue},
		{TaskView{Kind: TaskCreel, Window: &outlook.CreelWindow{Cones: 90}}, store.TaskHalf, 9 * time.Hour, store.TaskHalf},
		{TaskView{Kind: TaskEnd}, store.TaskTaken, 25 * time.Minute, store.TaskDue},
	} {
		x := tt.task
		x.ID = "x"
		b := &book{creel: creelBook{taps: map[string]store.TaskState{"x": {State: tt.state, Since: six}}}}
		if !b.told(&x, six.Add(tt.after)) || x.State.State != tt.want || (tt.want != tt.state) != x.Lapsed.Equal(six) {
			t.Errorf("%v %s %s later: %s, lapsed %v, want %s", tt.task.Kind, tt.state, tt.after, x.State.State, x.Lapsed, tt.want)
		}
	}
}

// Nobody is at a stop that was taken long ago: the wait goes on from when it came back.
func TestLapsedStopIsWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		m := busyMill(time.Now())
		yarn := stop("k02", "yarn", 90, 0)
		m.states[1].Open = &yarn
		f := newFloor(t, m, nil)
		waited := func() Attention {
			all := f.Attention()
			return all[slices.IndexFunc(all, func(a Attention) bool { return a.ID == "k02" })]
		}
		if a := waited(); a.Waited != 30*time.Minute {
			t.Fatalf("waited %s before anybody took it, want 30 min", a.Waited)
		}
		f.book.creel.taps = map[string]store.TaskState{stopTask(f.machines["k02"]).ID: {State: store.TaskTaken, Since: minute(100)}}
		if a := waited(); a.Waited != 2*time.Minute || a.Answer.State != store.TaskDue {
			t.Errorf("taken 20 minutes ago: waited %s, %s; want 2 min and due", a.Waited, a.Answer.State)
		}
		f.book.creel.taps = map[string]store.TaskState{stopTask(f.machines["k02"]).ID: {State: store.TaskTaken, Since: minute(110)}}
		if a := waited(); a.Waited != 0 || a.Answer.State != store.TaskTaken {
			t.Errorf("taken 10 minutes ago: waited %s, %s; somebody is at it", a.Waited, a.Answer.State)
		}
	})
}

// A cone that had run out on a machine of several feed groups is one of the group that is
// named; without the name nothing is written, and the error says which there are.
func TestRunOutOfOneOfSeveralGroups(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		m := busyMill(time.Now())
		m.book = fleece()
		yarn := stop("k01", "yarn", 110, 0)
		m.states[0].Open = &yarn
		f := newFloor(t, m, nil)
		tasks, err := f.Tasks(t.Context(), []string{"k01"}, time.Minute)
		if err != nil || len(tasks) == 0 || tasks[0].Kind != TaskStop {
			t.Fatalf("tasks %+v, %v; want the stop first", tasks, err)
		}
		x := tasks[0]
		if want := []string{"ground", "elastane", "loop"}; !slices.Equal(x.Groups, want) {
			t.Errorf("feed groups %q, want %q", x.Groups, want)
		}
		done := store.Tap{Task: x.ID, Act: store.ActDone, At: time.Now()}
		l, err := f.loadOf(t.Context(), &x, done, Told{Group: "loop", Cones: 1})
		if err != nil || l.Group != "loop" || l.Cones != 1 || l.Work != store.LoadOut || !l.At.Equal(minute(110)) || l.Turns != 5000 {
			t.Errorf("load %+v, %v; want one cone of loop, 5000 turns, out at the stop", l, err)
		}
		if _, err := f.loadOf(t.Context(), &x, done, Told{Cones: 1}); !errors.Is(err, store.ErrInvalid) || !strings.Contains(err.Error(), "name one of ground, elastane, loop") {
			t.Errorf("without a feed group: %v", err)
		}
	})
}
