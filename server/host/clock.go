package host

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"turnwise/server/store"
)

const (
	// clockEvery is how often the wall clock is compared.
	clockEvery = 10 * time.Second
	// clockStep is the least that counts as a step. What a time service slews
	// moves the monotonic clock as well and adds up to none.
	clockStep = 500 * time.Millisecond
)

// clock watches the wall clock of the server for steps: it passes as much time
// as the monotonic clock, unless somebody sets it or the host sleeps. It is a
// component of the host and tells people; it corrects nothing.
type clock struct {
	now   func() time.Time
	log   *slog.Logger
	began time.Time // by the monotonic clock
	ahead time.Duration
	known bool // ahead was read

	steps *prometheus.CounterVec
	last  prometheus.Gauge

	// back is the newest step back since the start.
	back atomic.Pointer[store.SetBack]
	// kept is the newest that the records know of; nil = nobody asks them.
	kept func(context.Context) (*store.SetBack, error)
}

func newClock(now func() time.Time, log *slog.Logger) *clock {
	c := &clock{now: now, log: log, began: time.Now(),
		steps: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "turnwise_clock_steps_total", Help: "Steps of the server's wall clock while it runs, by direction. More than 0: the clock was set, or the host slept."}, []string{"direction"}),
		last:  prometheus.NewGauge(prometheus.GaugeOpts{Name: "turnwise_clock_last_step_seconds", Help: "The latest step of the server's wall clock, negative = back; 0 = none since the start."}),
	}
	for _, d := range []string{"ahead", "back"} {
		c.steps.WithLabelValues(d) // there from the start, at 0
	}
	return c
}

// run compares the clocks until ctx ends.
func (c *clock) run(ctx context.Context) error {
	c.look()
	tick := time.NewTicker(clockEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			c.look()
		}
	}
}

// look tells a step since the clocks were last known to agree. Steps that are
// each too small add up, as the old difference stays the one to compare with.
func (c *clock) look() {
	before := time.Since(c.began)
	wall := c.now()
	after := time.Since(c.began)
	if after-before >= clockStep/2 {
		return // the process was held up between the readings: look again later
	}
	// Round drops the monotonic reading: Sub would measure by it alone.
	ahead := wall.Round(0).Sub(c.began.Round(0)) - before
	if !c.known {
		c.ahead, c.known = ahead, true
		return
	}
	step := ahead - c.ahead
	if step.Abs() < clockStep {
		return
	}
	c.ahead = ahead
	direction := "ahead"
	if step < 0 {
		direction = "back"
		c.back.Store(&store.SetBack{By: -step, Seen: wall})
	}
	c.steps.WithLabelValues(direction).Inc()
	c.last.Set(step.Seconds())
	c.log.Warn("the wall clock of this host stepped while the server runs; counts are not touched, times told meanwhile may be off; see to the time service of the host, or that the host does not sleep",
		"step", step.Round(time.Millisecond).String(), "direction", direction, "now", wall)
}

// setBack is the newest step back that is known: from the records, or seen since the start.
func (c *clock) setBack(kept *store.SetBack) *store.SetBack {
	if seen := c.back.Load(); seen != nil && (kept == nil || seen.Seen.After(kept.Seen)) {
		return seen
	}
	return kept
}

// setBackWait bounds what a scrape may wait for the records.
const setBackWait = 2 * time.Second

var (
	setBackDesc   = prometheus.NewDesc("turnwise_clock_set_back_seconds", "The newest setting back of the server's wall clock that the records or this process know of; 0 = none. More than 0: turns near then may be told with bounds; see to the time service of the host.", nil, nil)
	setBackAtDesc = prometheus.NewDesc("turnwise_clock_set_back_timestamp_seconds", "When that was seen, by the clock that was set back; 0 = never.", nil, nil)
)

// Describe and Collect make clock a collector of metrics.
func (c *clock) Describe(ch chan<- *prometheus.Desc) {
	c.steps.Describe(ch)
	c.last.Describe(ch)
	ch <- setBackDesc
	ch <- setBackAtDesc
}

func (c *clock) Collect(ch chan<- prometheus.Metric) {
	c.steps.Collect(ch)
	c.last.Collect(ch)
	var kept *store.SetBack
	if c.kept != nil {
		ctx, cancel := context.WithTimeout(context.Background(), setBackWait)
		defer cancel()
		var err error
		if kept, err = c.kept(ctx); err != nil { // neither figure is known then, and 0 would be one
			return
		}
	}
	by, at := 0.0, 0.0
	if b := c.setBack(kept); b != nil {
		by, at = b.By.Seconds(), float64(b.Seen.UnixMilli())/1000
	}
	ch <- prometheus.MustNewConstMetric(setBackDesc, prometheus.GaugeValue, by)
	ch <- prometheus.MustNewConstMetric(setBackAtDesc, prometheus.GaugeValue, at)
}
