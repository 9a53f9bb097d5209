package mill

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/host"
	"turnwise/simulator/stops"
)

// CheckOptions tunes a check. The zero value works.
type CheckOptions struct {
	Seed     uint64
	Duration time.Duration // of the live part; 0 means 60 s
	Log      *slog.Logger
	Told     func(string)
	Version  string
}

// Check is what a whole mill was found to have stored.
type Check struct {
	Comparison
	ElapsedMS  int64   `json:"since_first_ms"` // to the end, the last half minute not told yet
	SumMS      int64   `json:"run_stop_unknown_ms"`
	WatchP50   float64 `json:"watch_p50_ms"`
	WatchP99   float64 `json:"watch_p99_ms"`
	WatchCount int     `json:"watch_changes"`
	Missed     int     `json:"watch_missed"`
	Records    int64   `json:"records"`
	Loading    float64 `json:"seconds_loading"`

	Tending Tending `json:"tending"`
	Asked   []Asked `json:"asked"`
	Scale   []Scale `json:"scale"`
	// RatioAlarms are the machines of which quality was told that counted kilos are not those of the scale.
	RatioAlarms []string `json:"ratio_alarms"`
}

// Scale is how the server compares a machine's counted kilos with the scale's, and what is true.
type Scale struct {
	Machine string  `json:"machine"`
	Rolls   int32   `json:"rolls"`
	Ratio   float64 `json:"ratio"`
	Low     float64 `json:"ratio_low"`
	High    float64 `json:"ratio_high"`
	Truth   float64 `json:"ratio_truth"`
}

// scale asks for the ratios, and waits until the server has told of the one machine whose card is
// wrong; it looks at rolls several times a minute.
func (d *Demo) scale(ctx context.Context, c *Check) error {
	r, err := pb.NewCreelServiceClient(d.conn).ListScaleRatios(ctx, &pb.ListScaleRatiosRequest{})
	if err != nil {
		return fmt.Errorf("mill: ask for counted over weighed kilos: %w", err)
	}
	for _, x := range r.GetRatios() {
		if x.GetRunning() {
			c.Scale = append(c.Scale, Scale{x.GetMachine(), x.GetUsedRollCount(), x.GetRatio(), x.GetRatioLow(), x.GetRatioHigh(), 1 / d.floor.s.drawn(x.GetMachine())})
		}
	}
	for _, u := range c.Tending.Unweighed {
		c.Mismatches = append(c.Mismatches, "weight refused: "+u)
	}
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for until := time.Now().Add(30 * time.Second); ; {
		list, err := pb.NewAlarmServiceClient(d.conn).ListAlarms(ctx, &pb.ListAlarmsRequest{ShowNormal: true, PageSize: 1000})
		if err != nil {
			return fmt.Errorf("mill: list alarms: %w", err)
		}
		c.RatioAlarms = nil
		for _, a := range list.GetAlarms() {
			if a.GetClass() == pb.AlarmClass_ALARM_CLASS_RATIO {
				c.RatioAlarms = append(c.RatioAlarms, strings.TrimPrefix(a.GetMachines()[0], "machines/"))
			}
		}
		switch {
		case slices.Equal(c.RatioAlarms, []string{slimMachine}):
			return nil
		case time.Now().After(until) || len(c.RatioAlarms) > 0:
			c.Mismatches = append(c.Mismatches, fmt.Sprintf("counted over weighed kilos are an alarm of %q, want of %s alone", c.RatioAlarms, slimMachine))
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Asked is what one person, a set of machines, was asked in the live part.
type Asked struct {
	Person     string  `json:"person"`
	Calls      int32   `json:"calls"`
	Alarms     int32   `json:"alarms"`
	MeanCalls  float64 `json:"mean_calls_per_10min"`
	MeanAlarms float64 `json:"mean_alarms_per_10min"`
	Worst      int32   `json:"worst_10min"`
	Floods     int     `json:"floods"`
}

// asked adds up the live part.
func (d *Demo) asked(ctx context.Context, from, to time.Time) ([]Asked, error) {
	r, err := pb.NewAlarmServiceClient(d.conn).ReportCallLoad(ctx, &pb.ReportCallLoadRequest{StartTime: timestamppb.New(from), EndTime: timestamppb.New(to)})
	if err != nil {
		return nil, fmt.Errorf("mill: ask for calls and alarms: %w", err)
	}
	var out []Asked
	for _, p := range r.GetLoads() {
		out = append(out, Asked{p.GetPerson(), p.GetCallCount(), p.GetAlarmCount(), p.GetMeanCalls(), p.GetMeanAlarms(), p.GetWorstCount(), len(p.GetFloods())})
	}
	return out, nil
}

// missedMixups says which mix-ups that were told the server did not catch.
func (t Tending) missedMixups() []string {
	var out []string
	for _, m := range t.Mixups {
		if m.Told && !(m.Refused && m.Alarm) {
			out = append(out, fmt.Sprintf("%s, %s: cones of lot %s were told instead of %s: refused %v, alarm %v", m.Machine, m.Group, m.Lot, m.Wants, m.Refused, m.Alarm))
		}
	}
	return out
}

// RunCheck runs the mill without pages for people in a folder that it
// removes: five past days, then live, then at rest; and compares.
func RunCheck(ctx context.Context, o CheckOptions) (_ Check, err error) {
	if o.Duration == 0 {
		o.Duration = time.Minute
	}
	dir, err := os.MkdirTemp("", "turnwise-check-")
	if err != nil {
		return Check{}, fmt.Errorf("mill: folder for the check: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	const free = "127.0.0.1:0"
	d, err := NewDemo(ctx, Options{Log: o.Log, Told: o.Told, Version: o.Version, PastMixups: true,
		Floor:  FloorOptions{Dir: dir, Seed: o.Seed, LivelyEvery: 25 * time.Second, LivelyFor: 9 * time.Second},
		Listen: host.ListenConfig{GRPC: free, HTTP: free, MQTT: free, Metrics: free}})
	if err != nil {
		return Check{}, err
	}
	running, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- d.Run(running) }()
	c, err := d.check(ctx, o, ended)
	stop()
	if e := <-ended; e != nil {
		err = errors.Join(err, e)
	}
	return c, err
}

// check waits for the past, watches the live part, freezes and compares.
func (d *Demo) check(ctx context.Context, o CheckOptions, ended chan error) (Check, error) {
	select {
	case <-d.Loaded():
	case err := <-ended:
		ended <- nil
		return Check{}, err
	}
	o.Told(fmt.Sprintf("past days in the server after %.1f s; live for %s", d.took.Seconds(), o.Duration))
	w, err := d.watch(ctx)
	if err != nil {
		return Check{}, err
	}
	select {
	case <-d.pastTold:
	case err := <-ended:
		ended <- nil
		return Check{}, err
	}
	begun := d.floor.clock.Now()
	from := d.floor.clock.At(begun)
	select {
	case <-time.After(o.Duration):
	case err := <-ended:
		ended <- nil
		return Check{}, err
	case <-ctx.Done():
		return Check{}, ctx.Err()
	}
	c := Check{Loading: d.took.Seconds()}
	if c.Asked, err = d.asked(ctx, begun, d.floor.clock.Now()); err != nil {
		return c, err
	}
	frozen, err := d.floor.clock.Freeze()
	if err != nil {
		return Check{}, err
	}
	o.Told("machines frozen; waiting for the last records")
	if c.Comparison, err = d.settle(ctx, &c); err != nil {
		return c, err
	}
	w.stop()
	// The last second may still be on its way when the machines are frozen.
	w.latency(d, from, frozen-time.Second, &c)
	c.Tending = d.Tending()
	c.Mismatches = append(c.Mismatches, c.Tending.missedMixups()...)
	if err := d.scale(ctx, &c); err != nil {
		return c, err
	}
	if c.Records, err = d.records(ctx); err != nil {
		return c, err
	}
	return c, nil
}

// settle compares until all agrees, for at most 45 seconds: the last turns
// are told when the agents see the machines stand.
func (d *Demo) settle(ctx context.Context, c *Check) (Comparison, error) {
	client := pb.NewMachineServiceClient(d.conn)
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for until := time.Now().Add(45 * time.Second); ; {
		r, err := client.ListTotals(ctx, &pb.ListTotalsRequest{})
		if err != nil {
			return Comparison{}, fmt.Errorf("mill: ask the server for its totals: %w", err)
		}
		found := compare(d.floor.Ledger().Machines, r, true)
		found.Mismatches = append(found.Mismatches, d.elapsed(r, c)...)
		if len(found.Mismatches) == 0 || time.Now().After(until) {
			return found, nil
		}
		select {
		case <-ctx.Done():
			return found, ctx.Err()
		case <-tick.C:
		}
	}
}

// elapsed checks that run + stop + unknown time of each machine is the time
// since the first instant, up to the last look that is in the books: at most
// a minute old, and not in the future.
func (d *Demo) elapsed(r *pb.ListTotalsResponse, c *Check) []string {
	var out []string
	now := d.floor.clock.Now().Sub(d.floor.clock.Origin()).Milliseconds()
	c.ElapsedMS, c.SumMS = 0, 0
	for _, m := range r.GetMachines() {
		sum := m.GetRunMs() + m.GetStopMs() + m.GetUnknownMs()
		c.ElapsedMS, c.SumMS = c.ElapsedMS+now, c.SumMS+sum
		if old := now - sum; old < 0 || old > 65_000 {
			out = append(out, fmt.Sprintf("%s: run %d + stop %d + unknown %d ms are %d ms short of the %d ms since the first instant", m.GetMachine(), m.GetRunMs(), m.GetStopMs(), m.GetUnknownMs(), old, now))
		}
	}
	return out
}

// watcher notes what the watch stream tells and when.
type watcher struct {
	cancel context.CancelFunc
	done   chan struct{}
	mu     sync.Mutex
	heard  map[string][]seen
}

type seen struct {
	at    time.Time
	state pb.MachineState
	cause string
}

func (d *Demo) watch(ctx context.Context) (*watcher, error) {
	ctx, cancel := context.WithCancel(ctx)
	stream, err := pb.NewMachineServiceClient(d.conn).WatchMachines(ctx, &pb.WatchMachinesRequest{})
	if err != nil {
		cancel()
		return nil, fmt.Errorf("mill: watch the machines: %w", err)
	}
	w := &watcher{cancel: cancel, done: make(chan struct{}), heard: map[string][]seen{}}
	go func() {
		defer close(w.done)
		for {
			r, err := stream.Recv()
			if err != nil {
				return // the stream ends with the check
			}
			now := d.floor.clock.Now()
			w.mu.Lock()
			for _, m := range r.GetMachines() {
				id := strings.TrimPrefix(m.GetName(), "machines/")
				w.heard[id] = append(w.heard[id], seen{now, m.GetLive().GetState(), m.GetLive().GetCause()})
			}
			w.mu.Unlock()
		}
	}()
	return w, nil
}

func (w *watcher) stop() {
	w.cancel()
	<-w.done
}

// latency measures from each change of the truth to the first message that
// shows it.
func (w *watcher) latency(d *Demo, from, to time.Duration, c *Check) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var ms []float64
	for _, m := range d.floor.machines {
		changes := m.Changes(from, to)
		for i, ch := range changes {
			if ch.Doing == stops.Idling {
				continue
			}
			at, next := d.floor.clock.Wall(ch.At), time.Time{}
			if i+1 < len(changes) {
				next = d.floor.clock.Wall(changes[i+1].At)
			}
			if took, ok := first(w.heard[m.Plan.ID], ch.Doing == stops.Stopped, ch.Cause, at, next); ok {
				ms = append(ms, float64(took.Microseconds())/1000)
			} else {
				c.Missed++
			}
		}
	}
	slices.Sort(ms)
	if c.WatchCount = len(ms); len(ms) > 0 {
		c.WatchP50, c.WatchP99 = ms[len(ms)/2], ms[min(len(ms)-1, len(ms)*99/100)]
	}
}

// first is the time until a message told the state, before the next change.
func first(heard []seen, stopped bool, cause string, at, next time.Time) (time.Duration, bool) {
	for _, h := range heard {
		if h.at.Before(at) || !next.IsZero() && h.at.After(next) {
			continue
		}
		if stopped && h.state == pb.MachineState_MACHINE_STATE_STOPPED && h.cause == cause || !stopped && h.state == pb.MachineState_MACHINE_STATE_RUNNING {
			return h.at.Sub(at), true
		}
	}
	return 0, false
}
