package host

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
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
						if m.GetGauge() != nil {
							got["last"] = m.GetGauge().GetValue()
							continue
						}
						got[m.GetLabel()[0].GetValue()] = m.GetCounter().GetValue()
					}
				}
				if len(got) != 3 || got["ahead"] != tt.ahead || got["back"] != tt.back || got["last"] != tt.last {
					t.Errorf("metrics %v, want ahead %g, back %g, last %g s", got, tt.ahead, tt.back, tt.last)
				}
				if n := strings.Count(out.String(), "wall clock of this host stepped"); n != tt.lines {
					t.Errorf("%d lines, want %d:\n%s", n, tt.lines, &out)
				}
			})
		})
	}
}
