package floor

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"turnwise/planner/calendar"
	"turnwise/server/store"
)

// memory is a store that tells what a test put in. Methods that the floor does
// not need are missing and would panic.
type memory struct {
	store.Store
	mu     sync.Mutex
	book   store.Book
	agents []store.Agent
	loads  []store.Load
	states []store.MachineState
	totals []store.Totals
	stops  []store.Stop
	gaps   []store.Gap
	cells  []store.Rollup
	err    error
	asked  int // rollups
	// turned tells revolutions up to an instant; nil = those of the state, at any time.
	turned func(machine string, at time.Time) int64
}

func (m *memory) RevolutionsAt(_ context.Context, machine string, at time.Time) (int64, error) {
	defer m.lock()()
	if m.turned != nil {
		return m.turned(machine, at), m.err
	}
	for _, s := range m.states {
		if s.Machine == machine {
			return s.Revolutions, m.err
		}
	}
	return 0, store.ErrNotFound
}

func (m *memory) lock() func() { m.mu.Lock(); return m.mu.Unlock }

func (m *memory) Book(context.Context) (store.Book, error) {
	defer m.lock()()
	return m.book, m.err
}
func (m *memory) Agents(context.Context) ([]store.Agent, error) {
	defer m.lock()()
	return m.agents, m.err
}
func (m *memory) Loads(context.Context) ([]store.Load, error) {
	defer m.lock()()
	return m.loads, m.err
}
func (m *memory) States(context.Context) ([]store.MachineState, error) {
	defer m.lock()()
	return m.states, m.err
}
func (m *memory) Totals(context.Context) ([]store.Totals, bool, error) {
	defer m.lock()()
	return m.totals, true, m.err
}
func (m *memory) Gaps(_ context.Context, from, to time.Time) ([]store.Gap, error) {
	defer m.lock()()
	var out []store.Gap
	for _, g := range m.gaps {
		if g.From.Before(to) && g.To.After(from) {
			out = append(out, g)
		}
	}
	return out, m.err
}

// Rollups answers from fine cells, summed up to the grain that is asked for.
func (m *memory) Rollups(_ context.Context, q store.RollupQuery) ([]store.Rollup, error) {
	defer m.lock()()
	m.asked++
	var out []store.Rollup
	for _, c := range m.cells {
		c.Start = c.Start.Truncate(time.Duration(q.Grain))
		if (q.Machine != "" && q.Machine != c.Machine) || !c.Start.Before(q.To) || !c.Start.Add(time.Duration(q.Grain)).After(q.From) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].Machine == c.Machine && out[n-1].Start.Equal(c.Start) {
			out[n-1].Revolutions, out[n-1].RunMS = out[n-1].Revolutions+c.Revolutions, out[n-1].RunMS+c.RunMS
			continue
		}
		out = append(out, c)
	}
	return out, m.err
}

// Stops answers as every store must: newest first, paged.
func (m *memory) Stops(_ context.Context, q store.StopQuery) ([]store.Stop, error) {
	defer m.lock()()
	list := slices.Clone(m.stops)
	slices.SortFunc(list, func(a, b store.Stop) int {
		if c := b.Begin.Compare(a.Begin); c != 0 {
			return c
		}
		return slices.Compare(b.ID[:], a.ID[:])
	})
	var out []store.Stop
	for _, s := range list {
		end := s.End
		if end.IsZero() {
			end = q.To
		}
		after := q.Before.IsZero() || s.Begin.Before(q.Before) || s.Begin.Equal(q.Before) && slices.Compare(s.ID[:], q.BeforeID[:]) < 0
		if (q.Machine == "" || q.Machine == s.Machine) && s.Begin.Before(q.To) && end.After(q.From) && after && len(out) < q.Limit {
			out = append(out, s)
		}
	}
	return out, m.err
}

// six is the instant at which the tests' shift begins: Monday 06:00 UTC.
var six = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)

func minute(n float64) time.Time { return six.Add(time.Duration(n * float64(time.Minute))) }

var nextStop byte

// stop makes a stop from minute to minute; to = 0 leaves it open.
func stop(machine, cause string, from, to float64) store.Stop {
	nextStop++
	s := store.Stop{ID: store.ID{0xab, nextStop}, Machine: machine, Begin: minute(from), Cause: cause, Input: cause != ""}
	if to != 0 {
		s.End = minute(to)
	}
	return s
}

// cells makes fine cells of even running between two minutes.
func cells(machine string, from, to int, rpm float64) []store.Rollup {
	var out []store.Rollup
	for m := from; m < to; m += 5 {
		out = append(out, store.Rollup{Machine: machine, Start: minute(float64(m)), Revolutions: int64(rpm * 5), RunMS: 300e3})
	}
	return out
}

// weekdays works from Monday to Saturday in three shifts.
func weekdays() calendar.Calendar {
	days := [7]bool{false, true, true, true, true, true, true}
	return calendar.Calendar{Zone: time.UTC, DayStarts: 360, Shifts: []calendar.Shift{
		{Name: "morning", From: 360, To: 840, Days: days},
		{Name: "evening", From: 840, To: 1320, Days: days},
		{Name: "night", From: 1320, To: 360, Days: days},
	}}
}

// millBook has K01 and K02 on an order at 10 g a turn and 28 rpm, K03 without.
func millBook() store.Book {
	feeds := []store.FeedGroup{{ID: "ground", Yarn: "y", Lot: "L-1", Feeders: 100, CourseLengthM: 5}} // 100 x 5 m x 20 tex = 10 g
	return store.Book{
		Machines: []store.Machine{{ID: "k01", Set: "A", Feeders: 100}, {ID: "k02", Set: "A", Feeders: 100}, {ID: "k03", Set: "B", Feeders: 100}},
		Yarns:    []store.Yarn{{ID: "y", Count: "20 tex", Fibre: "cotton", ConeNetKg: 2}},
		Lots:     []store.Lot{{ID: "L-1", Yarn: "y", Tip: "green", StoreKg: 9000}},
		Articles: []store.Article{{ID: "SJ", Name: "SJ 30x28", RollKg: 25}},
		Cards: []store.Card{
			{ID: "sj-k01", Article: "SJ", Machine: "k01", SpeedRPM: 28, Feeds: feeds},
			{ID: "sj-k02", Article: "SJ", Machine: "k02", SpeedRPM: 28, Feeds: feeds},
		},
		Orders: []store.Order{{ID: "SO-1", Article: "SJ", QuantityKg: 3000, DoneBeforeKg: 100, Promise: six.Add(10 * 24 * time.Hour)}},
		Assignments: []store.Assignment{
			{Machine: "k01", From: six.Add(-24 * time.Hour), Order: "SO-1", Card: "sj-k01"},
			{Machine: "k02", From: six.Add(-24 * time.Hour), Order: "SO-1", Card: "sj-k02"},
		},
	}
}

// watchedSince is a state of a machine that ran from an instant to another.
func watchedSince(machine string, first, last time.Time) store.MachineState {
	return store.MachineState{Machine: machine, First: first, Last: last, Since: first, SpeedRPM: 28}
}

func newFloor(t *testing.T, m *memory, now func() time.Time) *Floor {
	t.Helper()
	if m.agents == nil {
		m.agents = []store.Agent{{ID: "u-01", Machines: []string{"k01", "k02", "k03"}}}
	}
	f, err := New(t.Context(), m, Config{Calendar: weekdays(), Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return f
}
