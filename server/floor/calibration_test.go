package floor

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/server/store"
)

// promises is a record of one forecast that ended, of which it counts the readings.
type promises struct {
	store.PromiseRecord
	read atomic.Int64
}

func (p *promises) KeptForecasts(_ context.Context, q store.KeptQuery) ([]store.Kept, error) {
	p.read.Add(1)
	return []store.Kept{{
		Order: "SO-1", Occasion: "0 % done", Made: six, Article: "SJ", Structure: "single jersey", Minutes: []float64{10, 20, 30},
		Settled: store.Settled{Order: "SO-1", Occasion: "0 % done", Ended: minute(25), Minutes: 25},
	}}, nil
}

// A report is scored once a minute however often it is asked for; what was told of one
// order is read each time.
func TestReportsAreKeptAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &promises{}
		f, err := New(t.Context(), &memory{book: millBook()}, Config{Promises: p})
		if err != nil {
			t.Fatal(err)
		}
		ask := func(q KeptQuery) {
			t.Helper()
			v, err := f.Calibration(t.Context(), q)
			if err != nil || len(v.Groups) != 3 || v.Groups[0].Count != 1 || v.Groups[1].Name != "structure single jersey" || v.Groups[2].Name != "article SJ" {
				t.Fatalf("%+v, %v", v, err)
			}
		}
		for _, tt := range []struct {
			q    KeptQuery
			wait time.Duration
			want int64
		}{
			{KeptQuery{}, 0, 1}, {KeptQuery{}, 59 * time.Second, 1}, {KeptQuery{Article: "SJ"}, 0, 2}, {KeptQuery{}, 2 * time.Second, 3},
			{KeptQuery{Order: "SO-1"}, 0, 4}, {KeptQuery{Order: "SO-1"}, 0, 5},
		} {
			time.Sleep(tt.wait)
			ask(tt.q)
			if got := p.read.Load(); got != tt.want {
				t.Errorf("%+v after %s: the record was read %d times, want %d", tt.q, tt.wait, got, tt.want)
			}
		}
	})
}
