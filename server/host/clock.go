package host

import (
	"context"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"
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
	}
	c.steps.WithLabelValues(direction).Inc()
	c.last.Set(step.Seconds())
	c.log.Warn("the wall clock of this host stepped while the server runs; counts are not touched, times told meanwhile may be off; see to the time service of the host, or that the host does not sleep",
		"step", step.Round(time.Millisecond).String(), "direction", direction, "now", wall)
}

// Describe and Collect make clock a collector of metrics.
func (c *clock) Describe(ch chan<- *prometheus.Desc) {
	c.steps.Describe(ch)
	c.last.Describe(ch)
}

func (c *clock) Collect(ch chan<- prometheus.Metric) {
	c.steps.Collect(ch)
	c.last.Collect(ch)
}
