package host

import (
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// words is a log that a test may read while it is written.
type words struct {
	mu   sync.Mutex
	text strings.Builder
}

func (w *words) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

func (w *words) count(text string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.Count(w.text.String(), text)
}

// The component by itself: without a backup nothing goes and people are told
// once a day why; with one, what is old goes, not before its time and not while
// batches wait, and the sums are what they were.
func TestRetentionOfWeeks(t *testing.T) {
	c := config(t)
	c.Retain = RetainConfig{Records: Every(40 * day), FineCells: Every(50 * day)}
	// About when the database is stamped, and with all turns in one hour's cells.
	begun := time.Now().Truncate(time.Hour).Add(-30 * time.Minute)
	db := twenty(t, c, begun)
	records := func() int64 {
		t.Helper()
		n, err := db.Records(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	synctest.Test(t, func(t *testing.T) {
		zero := time.Now()
		now := func() time.Time { return begun.Add(time.Since(zero)) }
		var busy atomic.Bool
		log := new(words)
		r := newRetention(c.Retain, db, slog.New(slog.NewTextHandler(log, nil)), now, busy.Load)
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- r.run(ctx) }()
		pass := func(d time.Duration) { time.Sleep(d); synctest.Wait() }

		pass(39 * 24 * time.Hour)
		if log.count("stay") != 0 || records() != 2 {
			t.Errorf("before the age: %d records, log %s", records(), log.text.String())
		}
		pass(3*24*time.Hour + time.Minute)
		if n := log.count("no verified backup holds record 1"); n < 2 || n > 3 || records() != 2 || r.kept.Load() != 1 {
			t.Errorf("without a backup: %d records, told %d times in two days, %d machines", records(), n, r.kept.Load())
		}
		if _, err := TakeBackup(context.Background(), c, filepath.Join(filepath.Dir(c.Database.File), "b.db"), now, nil); err != nil {
			t.Fatal(err)
		}
		busy.Store(true)
		pass(24 * time.Hour)
		if records() != 2 {
			t.Error("dropped while batches waited")
		}
		busy.Store(false)
		pass(time.Minute)
		if records() != 0 || r.dropped.Load() != 2 || r.kept.Load() != 0 || r.failed.Load() != 0 || log.count("old records dropped, their sums stay") != 1 {
			t.Errorf("%d records, dropped %d, kept %d, failed %d, log %s", records(), r.dropped.Load(), r.kept.Load(), r.failed.Load(), log.text.String())
		}
		pass(10 * 24 * time.Hour)
		if log.count("fine cells are kept by hours") != 1 {
			t.Errorf("fine cells stay: log %s", log.text.String())
		}
		reg := prometheus.NewRegistry()
		reg.MustRegister(r)
		families, err := reg.Gather()
		if err != nil || len(families) != 3 || families[2].GetName() != "turnwise_retain_records_dropped_total" || families[2].GetMetric()[0].GetCounter().GetValue() != 2 {
			t.Errorf("metrics %v, %v, want 2 records dropped", families, err)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	totals, _, err := db.Totals(t.Context())
	if err != nil || totals[0].Revolutions != 20 || totals[0].RunMS != 60_000 {
		t.Errorf("%+v, %v, want the 20 turns of one minute", totals, err)
	}
	if rep, err := Verify(t.Context(), c, "", func(string, int64, int64) {}); err != nil || rep.Err() != nil || rep.Dropped != 2 || rep.Recounted != 1 {
		t.Errorf("%+v, %v", rep, err)
	}
}

func TestRetainConfig(t *testing.T) {
	for _, x := range []struct {
		env, want string
		age       time.Duration
	}{
		{"HOME=/", "", 400 * day},
		{"TURNWISE_RETAIN__RECORDS=off", "", 0},
		{"TURNWISE_RETAIN__RECORDS=35d", "", 35 * day},
		{"TURNWISE_RETAIN__RECORDS=34d", "found 34d, expected 35d to 3650d", 0},
		{"TURNWISE_RETAIN__RECORDS=ever", "or off", 0},
		{"TURNWISE_RETAIN__FINE_CELLS=1d", "found 1d, expected 35d to 3650d", 0},
		{"TURNWISE_RETAIN__FINE_CELLS=100d", "", 400 * day},
	} {
		c, _, err := LoadConfig("", []string{x.env})
		if x.want == "" && (err != nil || time.Duration(c.Retain.Records) != x.age) {
			t.Errorf("%s: %s, %v", x.env, c.Retain.Records, err)
		}
		if x.want != "" && (err == nil || !strings.Contains(err.Error(), x.want)) {
			t.Errorf("%s: error %v, want %q", x.env, err, x.want)
		}
	}
	c := config(t)
	c.Retain.Records = 0
	if _, err := Prune(t.Context(), c, PruneOptions{}); err == nil || !strings.Contains(err.Error(), "name an age") {
		t.Errorf("kept for ever: %v", err)
	}
	if _, err := Prune(t.Context(), c, PruneOptions{Age: 34 * day}); err == nil || !strings.Contains(err.Error(), "at least") {
		t.Errorf("34 days: %v", err)
	}
	r := newRetention(c.Retain, nil, nil, time.Now, nil)
	if err := r.run(t.Context()); err != nil { // nothing to do, and returns
		t.Error(err)
	}
}
