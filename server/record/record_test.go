package record

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

var monday = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)

type fakeFloor struct {
	orders []floor.OrderView
	done   map[string]time.Time
}

func (f *fakeFloor) Orders(context.Context) ([]floor.OrderView, error) { return f.orders, nil }

func (f *fakeFloor) DoneAt(_ context.Context, order string) (time.Time, bool, error) {
	t, ok := f.done[order]
	return t, ok, nil
}

// memory is a record that forgets with the test.
type memory struct {
	mu     sync.Mutex
	kept   []store.Kept
	broken error
}

func (m *memory) KeepForecasts(_ context.Context, kept []store.Kept) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken != nil {
		return m.broken
	}
	for _, k := range kept {
		if m.find(k.Order, k.Occasion) == nil {
			m.kept = append(m.kept, k)
		}
	}
	return nil
}

func (m *memory) SettleForecasts(_ context.Context, settled []store.Settled) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, s := range settled {
		k := m.find(s.Order, s.Occasion)
		if k == nil {
			return store.ErrNotFound
		}
		if k.Settled.Open() {
			k.Settled = s
		}
	}
	return nil
}

func (m *memory) KeptForecasts(context.Context, store.KeptQuery) ([]store.Kept, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.kept), m.broken
}

func (m *memory) find(order, occasion string) *store.Kept {
	for i := range m.kept {
		if m.kept[i].Order == order && m.kept[i].Occasion == occasion {
			return &m.kept[i]
		}
	}
	return nil
}

func (m *memory) occasions(order string) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for _, k := range m.kept {
		if k.Order == order {
			out = append(out, k.Occasion)
		}
	}
	return out
}

// order is one of 1000 kg with so many left, told to end in exactly 10 hours.
func order(id string, left float64, at time.Time) floor.OrderView {
	return floor.OrderView{
		ID: id, Article: "sj", Structure: "single jersey", QuantityKg: 1000, At: at, Promise: monday.AddDate(0, 0, 4),
		Outlook: outlook.OrderOutlook{Order: id, RemainingKg: left, Law: forecast.Certain(600), Machine: "k01", Raw: forecast.Certain(500), Ask: forecast.Ask{Stops: 8, Level: -0.5, Class: 2}, Finish: outlook.Finish{MissChance: 0.2}},
	}
}

func newRecord(f *fakeFloor, m *memory) *Record {
	// Worked from 6 to 18 only, so that working minutes are not the clock's.
	day := calendar.Shift{Name: "day", From: 6 * 60, To: 18 * 60, Days: [7]bool{true, true, true, true, true, true, true}}
	return New(f, m, Options{Calendar: calendar.Calendar{Shifts: []calendar.Shift{day}}})
}

func look(t *testing.T, r *Record) {
	t.Helper()
	if err := r.look(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// One forecast for the promise and the first in each bracket, as told then.
func TestKeepsTheFirstOfEachOccasion(t *testing.T) {
	f, m := &fakeFloor{}, &memory{}
	r := newRecord(f, m)
	promised := "promised for 2031-03-07T06:00:00Z"
	for _, step := range []struct {
		left float64
		want []string
	}{
		{1000, []string{"0 % done", promised}},
		{900, []string{"0 % done", promised}},
		{499, []string{"0 % done", promised, "50 % done"}}, // 25 % went by unseen: it was not told
		{80, []string{"0 % done", promised, "50 % done", "90 % done"}},
	} {
		f.orders = []floor.OrderView{order("SO-1", step.left, monday.Add(time.Duration(1000-step.left)*time.Minute))}
		look(t, r)
		if got := m.occasions("SO-1"); !slices.Equal(got, step.want) {
			t.Errorf("%g kg left: kept %q, want %q", step.left, got, step.want)
		}
	}
	f.orders[0].Promise = monday.AddDate(0, 0, 5)
	look(t, r)
	if got := m.occasions("SO-1"); len(got) != 5 || got[4] != "promised for 2031-03-08T06:00:00Z" {
		t.Errorf("kept %q after the promise was moved", got)
	}
	k := m.find("SO-1", "0 % done")
	if !k.Made.Equal(monday) || k.RemainingKg != 1000 || k.MissChance != 0.2 || k.Machine != "k01" || k.Raw.Stops != 8 || k.Raw.Level != -0.5 || k.Raw.Class != 2 || k.Raw.Least != 500 || k.Raw.Atom != 1 || len(k.Minutes) != points || k.Minutes[0] != 600 || k.Structure != "single jersey" {
		t.Errorf("kept %+v, want what was told first", k)
	}
}

func TestKeepsNothingThatWasNotTold(t *testing.T) {
	refused, done, empty := order("SO-1", 500, monday), order("SO-2", 0, monday), order("SO-3", 10, monday)
	refused.Outlook.Finish.Refused = "Enter a knit card for K01"
	empty.QuantityKg = 0
	f, m := &fakeFloor{orders: []floor.OrderView{refused, done, empty}}, &memory{}
	look(t, newRecord(f, m))
	if len(m.kept) != 0 {
		t.Errorf("kept %+v", m.kept)
	}
}

func TestSettles(t *testing.T) {
	f, m := &fakeFloor{done: map[string]time.Time{"SO-1": monday.Add(26 * time.Hour), "SO-5": monday.Add(-time.Hour)}}, &memory{}
	for _, id := range []string{"SO-1", "SO-2", "SO-3", "SO-4", "SO-5", "SO-6"} {
		f.orders = append(f.orders, order(id, 1000, monday))
	}
	look(t, newRecord(f, m))
	// A new Record, as after a restart, finds what is open.
	r := newRecord(f, m)
	late := monday.Add(30 * time.Hour)
	f.orders = []floor.OrderView{order("SO-1", 0, late), order("SO-3", 0, late), order("SO-4", 0, late), order("SO-5", 0, late), order("SO-6", 0, late)}
	f.orders[1].QuantityKg = 1200
	f.orders[2].Article = "pq"
	look(t, r)
	for _, c := range []struct {
		order, void string
		minutes     float64
	}{
		{"SO-1", "", 14 * 60}, // 12 h of Monday, 2 h of Tuesday
		{"SO-2", "taken out", 0},
		{"SO-3", "from 1000 to 1200 kg", 0},
		{"SO-4", "article sj to pq", 0},
		{"SO-5", "done before", 0},
	} {
		s := m.find(c.order, "0 % done").Settled
		if c.void == "" && (s.Minutes != c.minutes || !s.Ended.Equal(f.done[c.order])) || c.void != "" && (!strings.Contains(s.Void, c.void) || !s.Ended.IsZero()) {
			t.Errorf("%s: %+v, want %g minutes, void %q", c.order, s, c.minutes, c.void)
		}
	}
	if s := m.find("SO-6", "0 % done").Settled; !s.Open() {
		t.Errorf("SO-6 is settled %+v before the books know its end", s)
	}
	f.done["SO-6"] = monday.Add(time.Hour)
	look(t, r)
	if s := m.find("SO-6", "0 % done").Settled; s.Minutes != 60 {
		t.Errorf("SO-6: %+v, want 60 minutes", s)
	}
}

// A store that is away for a while delays, it loses nothing.
func TestRunGoesOnAfterAFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, m := &fakeFloor{orders: []floor.OrderView{order("SO-1", 1000, monday)}}, &memory{broken: errors.New("away")}
		r := newRecord(f, m)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- r.Run(ctx) }()
		time.Sleep(150 * time.Second)
		synctest.Wait()
		if got := m.occasions("SO-1"); len(got) != 0 {
			t.Errorf("kept %q without a store", got)
		}
		m.mu.Lock()
		m.broken = nil
		m.mu.Unlock()
		time.Sleep(time.Minute)
		synctest.Wait()
		if got := m.occasions("SO-1"); len(got) != 2 {
			t.Errorf("kept %q, want the two of now", got)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}
