package floor

import (
	"context"
	"errors"
	"testing"
	"time"

	"turnwise/server/store"
)

// turning is a store in which every machine turns evenly from six on.
type turning struct {
	*memory
	rpm map[string]float64
}

func (s turning) RevolutionsAt(_ context.Context, machine string, at time.Time) (int64, error) {
	rpm, ok := s.rpm[machine]
	if !ok {
		return 0, store.ErrNotFound
	}
	return int64(max(at.Sub(six).Minutes(), 0) * rpm), nil
}

func TestDoneAt(t *testing.T) {
	now := minute(600)
	st := turning{&memory{book: store.Book{
		Yarns: []store.Yarn{{ID: "y", Count: "20 tex"}},
		Cards: []store.Card{ // 10 g and 5 g in a revolution
			{ID: "ten", Feeds: []store.FeedGroup{{ID: "a", Yarn: "y", Feeders: 100, CourseLengthM: 5}}},
			{ID: "five", Feeds: []store.FeedGroup{{ID: "a", Yarn: "y", Feeders: 50, CourseLengthM: 5}}},
		},
		Orders: []store.Order{
			{ID: "one", QuantityKg: 20}, {ID: "two", QuantityKg: 40, DoneBeforeKg: 10}, {ID: "more", QuantityKg: 1e6}, {ID: "none", QuantityKg: 5},
		},
		Assignments: []store.Assignment{
			{Machine: "k01", From: minute(0), Order: "one", Card: "ten"},
			{Machine: "k01", From: minute(200), Order: "two", Card: "ten"},
			{Machine: "k02", From: minute(200), Order: "two", Card: "five"},
			{Machine: "k03", From: minute(0), Order: "more", Card: "five"},
		},
	}}, map[string]float64{"k01": 20, "k02": 20, "k03": 20}}
	f, err := New(t.Context(), st, Config{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		order string
		at    float64 // minutes; -1 = not done
	}{
		{"one", 100}, // 20 kg at 0.2 kg a minute
		{"two", 300}, // 30 kg more at 0.2 and 0.1 kg a minute
		{"more", -1},
		{"none", -1}, // no machine knits it
	} {
		at, ok, err := f.DoneAt(t.Context(), c.order)
		if err != nil || ok != (c.at >= 0) {
			t.Errorf("%s: %v, %v, %v", c.order, at, ok, err)
			continue
		}
		if off := at.Sub(minute(c.at)).Abs(); ok && off > 6*time.Second { // two turns
			t.Errorf("%s was done at %s, want %s", c.order, at, minute(c.at))
		}
	}
	if _, _, err := f.DoneAt(t.Context(), "unknown"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown order: %v", err)
	}
}
