package floor

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/server/store"
)

// busyMill has stop history, kilos and cones for millBook.
func busyMill(now time.Time) *memory {
	m := &memory{book: millBook()}
	for _, id := range []string{"k01", "k02"} {
		s := watchedSince(id, six.Add(-24*time.Hour), now)
		s.Revolutions, s.DoffAt, s.Doffs, s.RunMS = 40000, 38000, 113, 24*3600e3
		m.states = append(m.states, s)
		m.totals = append(m.totals, store.Totals{Machine: id, Revolutions: 40000, Counted: []store.AssignmentCount{{Machine: id, Order: "SO-1", Card: "sj-" + id, Revolutions: 40000}}})
		for i := range 40 { // a stop every 36 minutes of the day before
			begin := -1440 + 36*float64(i)
			m.stops = append(m.stops, stop(id, "yarn", begin, begin+float64(60+i)/60))
		}
		m.cells = append(m.cells, cells(id, -1440, 0, 28)...)
		// 2 kg on each of 100 cones at 0.1 g a turn: 20,000 turns.
		m.loads = append(m.loads, store.Load{ID: 1, Machine: id, Group: "ground", Cones: 100, Lot: "L-1", At: now.Add(-time.Hour), Revolutions: 22000})
	}
	return m
}

func TestOrdersAndTasks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		m := busyMill(time.Now())
		yarn := stop("k02", "yarn", 110, 0)
		m.states[1].Open = &yarn
		f := newFloor(t, m, nil)
		orders, err := f.Orders(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		o := orders[0]
		if o.ID != "SO-1" || o.CountedKg != 800 || o.CountedBy["k01"] != 400 || !slices.Equal(o.Machines, []string{"K01", "K02"}) {
			t.Errorf("order %+v; want 800 kg counted, 400 of them on k01, on K01 and K02", o)
		}
		// 3000 - 100 - 800
		if math.Abs(o.Outlook.RemainingKg-2100) > 1e-9 || o.Outlook.Finish.Refused != "" || o.Outlook.Finish.P90.Before(o.Outlook.Finish.P50) {
			t.Errorf("outlook %+v; want 2100 kg left and a forecast", o.Outlook)
		}

		tasks, err := f.Tasks(t.Context(), nil, 2*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, task := range tasks {
			got = append(got, task.ID)
		}
		// A roll is 2,500 turns, so 500 are left; the first cone ends about 1,000 turns from now.
		want := []string{"k02-stop-" + hexOf(yarn.ID)[:12], "k01-doff-114", "k02-doff-114", "k01-creel-ground-22000", "k02-creel-ground-22000"}
		if !slices.Equal(got, want) {
			t.Fatalf("tasks %q, want %q", got, want)
		}
		if w := tasks[3].Window; w.Cones != 100 || w.Tip != "green" || tasks[3].YarnName != "20 tex cotton" || !tasks[3].Due.Equal(w.First) {
			t.Errorf("creel task %+v", tasks[3])
		}
		if tasks, _ = f.Tasks(t.Context(), []string{"k01"}, time.Minute); len(tasks) != 0 {
			t.Errorf("within a minute k01 has %d tasks, want none", len(tasks))
		}
		if m, _ := f.Machine("k01"); m.DoffDue.IsZero() {
			t.Error("the picture does not tell when k01 is due for a doff")
		}
	})
}

func hexOf(id store.ID) string {
	const digits = "0123456789abcdef"
	var b []byte
	for _, c := range id {
		b = append(b, digits[c>>4], digits[c&15])
	}
	return string(b)
}

// A change of the book is seen by the next question; a set-up is nobody's task.
func TestOutlookFollowsTheBook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		m := busyMill(time.Now())
		setup := stop("k02", "setup", 110, 0)
		m.states[1].Open = &setup
		f := newFloor(t, m, nil)
		if _, err := f.Orders(t.Context()); err != nil {
			t.Fatal(err)
		}
		m.mu.Lock()
		m.book.Orders = []store.Order{{ID: "SO-1", Article: "SJ", QuantityKg: 1000}, {ID: "SO-2", Article: "SJ", QuantityKg: 50}}
		m.mu.Unlock()
		if err := f.Refresh(t.Context()); err != nil {
			t.Fatal(err)
		}
		orders, err := f.Orders(t.Context())
		if err != nil || len(orders) != 2 {
			t.Fatalf("%d orders, %v; want 2 at once", len(orders), err)
		}
		tasks, err := f.Tasks(t.Context(), nil, time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		if slices.ContainsFunc(tasks, func(v TaskView) bool { return v.Kind == TaskStop }) {
			t.Errorf("tasks %+v: a set-up waits for a fixer, not for a tender", tasks)
		}
	})
}

func TestQuote(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		f := newFloor(t, busyMill(time.Now()), nil)
		q, err := f.Quote(t.Context(), "SJ", 500, 0, nil)
		if err != nil || q.Finish.Refused != "" || !q.Promise.After(time.Now()) {
			t.Errorf("quote %+v, %v; want a date", q, err)
		}
		for _, tt := range []struct {
			article  string
			kg, risk float64
			machines []string
			want     error
		}{
			{"XX", 1, 0.1, nil, store.ErrNotFound},
			{"SJ", 1, 0.1, []string{"k99"}, store.ErrNotFound},
			{"SJ", 0, 0.1, nil, store.ErrInvalid},
			{"SJ", math.NaN(), 0.1, nil, store.ErrInvalid},
			{"SJ", math.Inf(1), 0.1, nil, store.ErrInvalid},
			{"SJ", 1, 0.9, nil, store.ErrInvalid},
			{"SJ", 1, math.NaN(), nil, store.ErrInvalid},
		} {
			if _, err := f.Quote(t.Context(), tt.article, tt.kg, tt.risk, tt.machines); !errors.Is(err, tt.want) {
				t.Errorf("quote %v: error %v, want %v", tt, err, tt.want)
			}
		}
	})
}

// Run makes the outlook by itself, not more often than every 5 s, and rests
// when nothing moves.
func TestRunPlans(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		f := newFloor(t, busyMill(time.Now()), nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- f.Run(ctx) }()
		time.Sleep(time.Second)
		synctest.Wait()
		first := f.plan.newest.Load()
		if first == nil {
			t.Fatal("no outlook after a second")
		}
		plans := 0
		for last, i := first, 0; i < 100; i++ {
			commit(f, "k01", int64(40001+i))
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
			if p := f.plan.newest.Load(); p != last {
				last = p
				plans++
			}
		}
		if plans < 1 || plans > 3 {
			t.Errorf("%d outlooks in 10 s of counting, want one each 5 s", plans)
		}
		cancel()
		<-done
	})
}

func TestFeedGroup(t *testing.T) {
	m := &memory{book: millBook()}
	m.book.Cards[1].Feeds = append(m.book.Cards[1].Feeds, store.FeedGroup{ID: "tie", Yarn: "y", Feeders: 30, Ends: 2, CourseLengthM: 1})
	f := newFloor(t, m, func() time.Time { return minute(1) })
	for _, tt := range []struct {
		machine, group, want string
		cones                int
		err                  error
	}{
		{"k01", "", "ground", 100, nil},
		{"k01", "ground", "ground", 100, nil},
		{"k02", "tie", "tie", 60, nil},
		{"k02", "", "", 0, store.ErrInvalid},
		{"k01", "tie", "", 0, store.ErrNotFound},
		{"k03", "", "", 0, store.ErrInvalid},
		{"k99", "", "", 0, store.ErrNotFound},
	} {
		group, cones, err := f.FeedGroup(tt.machine, tt.group, minute(1))
		if group != tt.want || cones != tt.cones || !errors.Is(err, tt.err) {
			t.Errorf("FeedGroup(%s, %q) = %q, %d, %v; want %q, %d, %v", tt.machine, tt.group, group, cones, err, tt.want, tt.cones, tt.err)
		}
	}
}

func TestRefreshTellsStoreErrors(t *testing.T) {
	m := &memory{book: millBook(), err: context.DeadlineExceeded}
	if _, err := New(t.Context(), m, Config{}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("New with a broken store: %v", err)
	}
}

// Days of backlog may come in within seconds: the next plan knows their stops,
// while a machine that merely goes on does not have its history read each time.
func TestPlanKnowsABacklogAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		m := busyMill(time.Now())
		stops, ran := m.stops, m.cells
		m.stops, m.cells, m.states[0].RunMS, m.states[1].RunMS = nil, nil, 0, 0
		f := newFloor(t, m, nil)
		basis := func() []string {
			t.Helper()
			time.Sleep(4 * planPeriod) // the plan before is too old
			orders, err := f.Orders(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			return orders[0].Outlook.Finish.Basis
		}
		young := basis()
		m.mu.Lock()
		m.stops, m.cells = stops, ran
		m.mu.Unlock()
		grow := func(revolutions int64) {
			s := m.states[0]
			s.Revolutions, s.RunMS = revolutions, 24*3600e3
			f.Committed([]store.Outcome{{Verdict: store.OK, Applied: 1, State: s}})
		}
		grow(41000)
		if got := basis(); !slices.Equal(got, young) {
			t.Errorf("a thousand turns more had the history read: %q", got)
		}
		grow(60000)
		if got := basis(); slices.Equal(got, young) {
			t.Errorf("a plan after a backlog still rests on %q", got)
		}
	})
}
