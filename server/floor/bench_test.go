package floor

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// big is a mill of many machines with a month behind it; what it answers is made by
// index, as a database does.
type big struct {
	memory
	stopsOf map[string][]store.Stop // newest first
}

func (m *big) Stops(_ context.Context, q store.StopQuery) ([]store.Stop, error) {
	all := m.stopsOf[q.Machine]
	before := q.To
	if !q.Before.IsZero() {
		before = q.Before
	}
	i := sort.Search(len(all), func(i int) bool { return all[i].Begin.Before(before) })
	j := sort.Search(len(all), func(i int) bool { return all[i].Begin.Before(q.From) })
	return all[i:min(j, i+q.Limit)], nil
}

func (m *big) Rollups(_ context.Context, q store.RollupQuery) ([]store.Rollup, error) {
	grain := time.Duration(q.Grain)
	var out []store.Rollup
	for at := q.From.Truncate(grain); at.Before(q.To); at = at.Add(grain) {
		out = append(out, store.Rollup{Machine: q.Machine, Start: at, RunMS: grain.Milliseconds() * 9 / 10})
	}
	return out, nil
}

func bigMill(machines int, now time.Time) *big {
	rng := rand.New(rand.NewPCG(1, 2))
	m := &big{stopsOf: map[string][]store.Stop{}}
	feeds := []store.FeedGroup{{ID: "ground", Yarn: "y", Feeders: 100, CourseLengthM: 5}}
	m.book = store.Book{
		Yarns:    []store.Yarn{{ID: "y", Count: "20 tex", ConeNetKg: 2}},
		Articles: []store.Article{{ID: "SJ", Structure: "single jersey", RollKg: 25}},
	}
	for i := range machines {
		id := fmt.Sprintf("k%03d", i)
		m.book.Machines = append(m.book.Machines, store.Machine{ID: id, Feeders: 100, GaugeNPI: 28})
		m.book.Cards = append(m.book.Cards, store.Card{ID: "sj-" + id, Article: "SJ", Machine: id, SpeedRPM: 28, Feeds: feeds})
		for k := range 3 { // one behind it, the one it is on, one to come
			order := fmt.Sprintf("SO-%d", 3*i+k)
			if k == 1 && i%10 == 1 {
				order = fmt.Sprintf("SO-%d", 3*i-2) // split over two machines
			}
			m.book.Orders = append(m.book.Orders, store.Order{ID: fmt.Sprintf("SO-%d", 3*i+k), Article: "SJ", QuantityKg: 4000, Promise: now.AddDate(0, 0, 5+i%20)})
			m.book.Assignments = append(m.book.Assignments, store.Assignment{Machine: id, From: now.AddDate(0, 0, 8*(k-1)-4), Order: order, Card: "sj-" + id})
		}
		m.agents = append(m.agents, store.Agent{ID: "u-" + id, Machines: []string{id}})
		for at := now; at.After(now.AddDate(0, 0, -30)); {
			at = at.Add(-time.Duration(rng.ExpFloat64() * float64(30*time.Minute)))
			n := byte(len(m.stopsOf[id]))
			m.stopsOf[id] = append(m.stopsOf[id], store.Stop{
				ID: store.ID{byte(i), n, byte(len(m.stopsOf[id]) >> 8)}, Machine: id, Begin: at, End: at.Add(time.Duration(rng.ExpFloat64() * float64(4*time.Minute))), Input: true,
				Cause: []string{"yarn", "yarn", "needle", "fabric", "doff"}[rng.IntN(5)],
			})
		}
		s := watchedSince(id, now.AddDate(0, 0, -40), now)
		s.RunMS = 40 * 24 * 3600e3 * 9 / 10
		m.states = append(m.states, s)
		m.totals = append(m.totals, store.Totals{Machine: id})
	}
	return m
}

// BenchmarkPlan is what a mill of 200 machines with a month behind it costs, without
// the database: a plan anew, what it has learnt brought up to date, learnt from the
// beginning, and the two requests that plan by themselves.
func BenchmarkPlan(b *testing.B) {
	now := six.Add(4 * time.Hour)
	m := bigMill(200, now)
	f, err := New(b.Context(), m, Config{Calendar: weekdays(), Now: func() time.Time { return now }})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := f.Orders(b.Context()); err != nil {
		b.Fatal(err)
	}
	measure := func(name string, do func() error) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			var took []time.Duration
			for b.Loop() {
				from := time.Now()
				if err := do(); err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(from))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
		})
	}
	ctx := b.Context()
	measure("plan", func() error { _, err := f.makePlan(ctx); return err })
	measure("learn more", func() error { return f.learn(ctx, now) })
	measure("learn anew", func() error { f.plan.lessons = nil; return f.learn(ctx, now) })
	measure("orders", func() error { _, err := f.Orders(ctx); return err })
	measure("what if", func() error {
		_, err := f.WhatIf(ctx, outlook.StopMachine{Machine: "k007", For: time.Hour})
		return err
	})
	measure("quote", func() error { _, err := f.Quote(ctx, "SJ", 6000, 0.1, nil); return err })
}
