package floor

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// twoOrders is a mill of two running machines with an order each.
func twoOrders() *memory {
	card := func(id, machine string) store.Card {
		return store.Card{ID: id, Article: "sj", Machine: machine, SpeedRPM: 25, Feeds: []store.FeedGroup{{ID: "a", Yarn: "y", Feeders: 100, CourseLengthM: 5}}}
	}
	running := func(id string) store.MachineState {
		return store.MachineState{Machine: id, First: minute(-6000), Last: six, Revolutions: 125_000, RunMS: 5000 * 60_000, StopMS: 1000 * 60_000, SpeedRPM: 25}
	}
	return &memory{
		states: []store.MachineState{running("k01"), running("k02")},
		book: store.Book{
			Machines: []store.Machine{{ID: "k01"}, {ID: "k02"}}, Articles: []store.Article{{ID: "sj"}}, Yarns: []store.Yarn{{ID: "y", Count: "20 tex"}},
			Cards:  []store.Card{card("c1", "k01"), card("c2", "k02")},
			Orders: []store.Order{{ID: "SO-1", Article: "sj", QuantityKg: 900, Promise: minute(5000)}, {ID: "SO-2", Article: "sj", QuantityKg: 900, Promise: minute(5000)}},
			Assignments: []store.Assignment{
				{Machine: "k01", From: six, Order: "SO-1", Card: "c1"}, {Machine: "k02", From: six, Order: "SO-2", Card: "c2"},
			},
		},
	}
}

func TestWhatIf(t *testing.T) {
	f, err := New(t.Context(), twoOrders(), Config{Now: func() time.Time { return six }})
	if err != nil {
		t.Fatal(err)
	}
	v, err := f.WhatIf(t.Context(), outlook.StopMachine{Machine: "k01", For: 10 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if len(v.Effects) != 1 || v.Same != 1 || v.Effects[0].Order != "SO-1" {
		t.Fatalf("%+v, want SO-1 alone", v)
	}
	if moved := v.Effects[0].After.P50.Sub(v.Effects[0].Before.P50); (moved - 10*time.Hour).Abs() > time.Second {
		t.Errorf("moved by %s, want 10 h", moved)
	}
	before, err := f.Orders(t.Context())
	if err != nil || !before[0].Outlook.Finish.P50.Equal(before[1].Outlook.Finish.P50) {
		t.Errorf("the what-if has left a trace: %v, %v", before, err)
	}
	if _, err := f.WhatIf(t.Context(), outlook.StopMachine{Machine: "k77", For: time.Hour}); !errors.Is(err, outlook.ErrRequest) {
		t.Errorf("an unknown machine: %v", err)
	}
}

// A watcher hears all orders, then only what moves enough to matter.
func TestWatchPromises(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := twoOrders()
		begin := time.Now()
		f, err := New(t.Context(), st, Config{Now: func() time.Time { return six.Add(time.Since(begin)) }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		var got [][]PromiseChange
		for changes, err := range f.WatchPromises(ctx) {
			if err != nil {
				t.Fatal(err)
			}
			if got = append(got, changes); len(got) == 2 {
				break
			}
			unlock := st.lock()
			st.book.Orders = []store.Order{st.book.Orders[0], st.book.Orders[1]}
			st.book.Orders[1].QuantityKg = 1800
			unlock()
			if err := f.Refresh(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if len(got) != 2 || len(got[0]) != 2 || got[0][0].Before != nil {
			t.Fatalf("%+v, want both orders first", got)
		}
		if c := got[1]; len(c) != 1 || c[0].Order != "SO-2" || c[0].Before == nil || !strings.HasPrefix(c[0].Sentence, "SO-2 is done with 90 % by ") {
			t.Errorf("then %+v, want SO-2 with a sentence", c)
		}
	})
}
