package host

import (
	"bytes"
	"context"
	"log/slog"
	"maps"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"turnwise/server/store"
)

// TestFault_26_ServerClockSteps: a step of the wall clock while the server
// runs is counted by direction, told with its size and logged once.
func TestFault_26_ServerClockSteps(t *testing.T) {
	for _, tt := range []struct {
		name        string
		steps       []time.Duration // one after each interval
		ahead, back float64
		last        float64 // s
		lines       int
	}{
		{"steady", []time.Duration{0, 0, 0}, 0, 0, 0, 0},
		{"an hour ahead", []time.Duration{0, time.Hour, 0}, 1, 0, 3600, 1},
		{"an hour back", []time.Duration{-time.Hour, 0, 0}, 0, 1, -3600, 1},
		{"there and back", []time.Duration{time.Hour, -time.Hour}, 1, 1, -3600, 2},
		{"too small", []time.Duration{400 * time.Millisecond, -400 * time.Millisecond}, 0, 0, 0, 0},
		{"small ones add up", []time.Duration{300 * time.Millisecond, 300 * time.Millisecond, 0}, 1, 0, 0.6, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var off atomic.Int64
				var out bytes.Buffer // read when run has ended
				c := newClock(func() time.Time { return time.Now().Add(time.Duration(off.Load())).Round(0) }, slog.New(slog.NewTextHandler(&out, nil)))
				ctx, stop := context.WithCancel(t.Context())
				ended := make(chan error)
				go func() { ended <- c.run(ctx) }()
				synctest.Wait()
				for _, s := range tt.steps {
					off.Add(int64(s))
					time.Sleep(clockEvery)
					synctest.Wait()
				}
				stop()
				if err := <-ended; err != nil {
					t.Fatal(err)
				}
				reg := prometheus.NewRegistry()
				reg.MustRegister(c)
				families, err := reg.Gather()
				if err != nil {
					t.Fatal(err)
				}
				got := make(map[string]float64)
				for _, f := range families {
					for _, m := range f.GetMetric() {
						if strings.HasPrefix(f.GetName(), "turnwise_clock_set_back_") {
							got[strings.TrimPrefix(f.GetName(), "turnwise_clock_set_back_")] = m.GetGauge().GetValue()
							continue
						}
						if m.GetGauge() != nil {
							got["last"] = m.GetGauge().GetValue()
							continue
						}
						got[m.GetLabel()[0].GetValue()] = m.GetCounter().GetValue()
					}
				}
				set := 0.0
				if tt.back > 0 {
					set = 3600
				}
				if got["seconds"] != set || (got["timestamp_seconds"] > 0) != (set > 0) {
					t.Errorf("set back by %g s at %g, want %g s", got["seconds"], got["timestamp_seconds"], set)
				}
				if len(got) != 5 || got["ahead"] != tt.ahead || got["back"] != tt.back || got["last"] != tt.last {
					t.Errorf("metrics %v, want ahead %g, back %g, last %g s", got, tt.ahead, tt.back, tt.last)
				}
				if n := strings.Count(out.String(), "wall clock of this host stepped"); n != tt.lines {
					t.Errorf("%d lines, want %d:\n%s", n, tt.lines, &out)
				}
			})
		})
	}
}

// What the records know of a clock that was set back is told after a restart, beside what is
// seen since; where they cannot be asked no figure is told, and no 0.
func TestSetBackIsTold(t *testing.T) {
	at := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	kept, seen := &store.SetBack{By: time.Hour, Seen: at, Machine: "k01"}, &store.SetBack{By: time.Minute, Seen: at.Add(time.Hour)}
	for _, tt := range []struct {
		name       string
		kept, seen *store.SetBack
		fails      error
		want       map[string]float64
	}{
		{"never", nil, nil, nil, map[string]float64{"seconds": 0, "timestamp_seconds": 0}},
		{"before this start", kept, nil, nil, map[string]float64{"seconds": 3600, "timestamp_seconds": float64(at.Unix())}},
		{"since this start", nil, seen, nil, map[string]float64{"seconds": 60, "timestamp_seconds": float64(at.Unix() + 3600)}},
		{"both", kept, seen, nil, map[string]float64{"seconds": 60, "timestamp_seconds": float64(at.Unix() + 3600)}},
		{"the records cannot be asked", nil, seen, store.ErrInUse, map[string]float64{}},
	} {
		c := newClock(time.Now, slog.New(slog.DiscardHandler))
		c.kept = func(context.Context) (*store.SetBack, error) { return tt.kept, tt.fails }
		c.back.Store(tt.seen)
		reg := prometheus.NewRegistry()
		reg.MustRegister(c)
		families, err := reg.Gather()
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]float64{}
		for _, f := range families {
			if name, ok := strings.CutPrefix(f.GetName(), "turnwise_clock_set_back_"); ok {
				got[name] = f.GetMetric()[0].GetGauge().GetValue()
			}
		}
		if !maps.Equal(got, tt.want) {
			t.Errorf("%s: told is %v, want %v", tt.name, got, tt.want)
		}
	}
}
