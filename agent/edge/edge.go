// Package edge is the agent: it reads the machines of one configuration,
// turns their readings into records, keeps those in the journal and lets the
// uplink carry them to the server. The one rule: nothing is said that is not
// journalled first. It never writes to a machine.
package edge

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink"
	"turnwise/proto/turnwisepb/wirepb"
)

// buildYear: a wall clock before it was never set.
const buildYear = 2026

// Options tunes an Agent. The zero value works.
type Options struct {
	// Log; nil means slog.Default().
	Log *slog.Logger
	// Version is shown in the live view.
	Version string
	// Now reads the agent's clocks; nil means the kernel's.
	Now func() source.Instant
	// Past gives the readings of a machine from before the agent began, in
	// order of time; nil means none. They take the same way as live ones;
	// those that the journal already speaks of are left out.
	Past func(machine string) iter.Seq[source.Reading]

	// For tests: another source, another way to the server.
	open func(Source) (source.Source, error)
	send runner
}

// Agent watches the machines of one configuration.
type Agent struct {
	conf     Config
	o        Options
	now      func() source.Instant
	journal  *journal.Journal
	uplink   runner
	machines []*machine
	asks     *asks // nil: nobody to ask
	served   func(boottime int64) (add, uncertainty time.Duration, ok bool)

	pastDone chan struct{}
	ready    chan struct{}
}

type runner interface{ Run(context.Context) error }

// New checks the configuration and opens the journal. It does not read a
// machine nor connect. The journal is closed by Run.
func New(c Config, o Options) (*Agent, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults()
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.open == nil {
		o.open = new(opener).open
	}
	a := &Agent{conf: c, o: o, now: o.Now, pastDone: make(chan struct{}), ready: make(chan struct{})}
	if a.now == nil {
		now, err := kernelClock(c.Clock.MaxOffset.Std())
		if err != nil {
			return nil, err
		}
		a.now = now
	}
	secrets, err := readSecrets(c.MQTT)
	if err != nil {
		return nil, err
	}
	j, report, err := journal.Open(c.Spool.Dir, journal.Options{
		SyncEvery: c.Spool.Sync.Std(), MaxBytes: int64(c.Spool.MaxSize), Ballast: int64(c.Spool.Ballast), KeepAcked: c.Spool.MaxAge.Std(), Log: o.Log,
	})
	if err != nil {
		return nil, fmt.Errorf("edge: open the journal in %s: %w", c.Spool.Dir, err)
	}
	a.journal = j
	if err := a.wire(secrets); err != nil {
		return nil, errors.Join(err, j.Close())
	}
	o.Log.Info("journal opened", "dir", c.Spool.Dir, "records", report.Records, "bytes", report.Bytes, "damaged", len(report.Damage))
	return a, nil
}

// wire joins journal, machines and uplink.
func (a *Agent) wire(s secrets) error {
	for _, m := range a.conf.Machines {
		w, err := newMachine(a, m)
		if err != nil {
			return err
		}
		a.machines = append(a.machines, w)
	}
	if a.uplink = a.o.send; a.uplink != nil {
		return nil
	}
	a.asks = new(asks)
	u, err := uplink.New(a.journal, uplink.Options{
		URL: a.conf.MQTT.URL, Site: a.conf.Site, Agent: a.conf.Agent, Version: a.o.Version,
		TLS: s.tls, Username: a.conf.MQTT.Username, Password: s.password,
		Keepalive: a.conf.MQTT.Keepalive.Std(), CatchUp: a.conf.MQTT.CatchUp,
		Clock: a.now, Live: a.live, Asking: a.asks.questions, Resumed: a.asks.resumed, Absent: a.asks.absent, Log: a.o.Log,
	})
	if err != nil {
		return fmt.Errorf("edge: %w", err)
	}
	a.uplink, a.served = u, u.ServerOffset
	return nil
}

// clocks is a look at the clocks, with what is known of the server's.
func (a *Agent) clocks() source.Instant {
	at := a.now()
	if a.served != nil {
		if add, off, ok := a.served(at.Boottime); ok {
			at.Served = at.Boottime + int64(add-off)
		}
	}
	return at
}

// PastDone is closed when every machine has taken its past readings.
func (a *Agent) PastDone() <-chan struct{} { return a.pastDone }

// Ready is closed when every machine was read, or tried, once.
func (a *Agent) Ready() <-chan struct{} { return a.ready }

// Alive tells whether every machine's loop went round lately.
func (a *Agent) Alive() bool {
	for _, m := range a.machines {
		if !m.alive() {
			return false
		}
	}
	return true
}

// Run watches until ctx ends and returns nil then, with the journal closed.
// It may be called once.
func (a *Agent) Run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, a.journal.Close()) }()
	// The journal goes on syncing until the last machine has said its last.
	watching, stopSync := context.WithCancel(context.WithoutCancel(ctx))
	defer stopSync()
	var syncing errgroup.Group
	syncing.Go(func() error { return ended(watching, a.journal.Run(watching)) })

	g, ctx := errgroup.WithContext(ctx)
	// The uplink ends after the machines, so that it sends their last words.
	sending, stopSending := context.WithCancel(context.WithoutCancel(ctx))
	defer stopSending()
	g.Go(func() error { return ended(sending, a.uplink.Run(sending)) })
	var past, tried, reading sync.WaitGroup
	delays := phases(a.conf.Machines)
	for i, m := range a.machines {
		past.Add(1)
		tried.Add(1)
		delay := delays[i]
		reading.Go(func() {
			taken, looked := sync.OnceFunc(past.Done), sync.OnceFunc(tried.Done)
			m.run(ctx, delay, taken, looked)
			taken()
			looked()
		})
	}
	g.Go(func() error {
		<-ctx.Done()
		reading.Wait()
		stopSending()
		return nil
	})
	var waiting sync.WaitGroup
	waiting.Go(func() { past.Wait(); a.signal(ctx, a.pastDone) })
	waiting.Go(func() { tried.Wait(); a.signal(ctx, a.ready) })
	if a.conf.Metrics.Listen != "" {
		g.Go(func() error { return a.serveMetrics(ctx) })
	}
	err = g.Wait()
	waiting.Wait()
	stopSync()
	return errors.Join(err, syncing.Wait())
}

// phases spreads the machines behind one address over a poll, so that a
// gateway is asked one question at a time. Machines with addresses of their
// own are read together: waking once costs the host a third less than waking
// for each.
func phases(machines []Machine) []time.Duration {
	behind := map[string]int{}
	for _, m := range machines {
		behind[m.Source.Address]++
	}
	seen := map[string]int{}
	out := make([]time.Duration, len(machines))
	for i, m := range machines {
		at := m.Source.Address
		out[i] = m.Source.Poll.Std() * time.Duration(seen[at]) / time.Duration(behind[at])
		seen[at]++
	}
	return out
}

// signal closes c unless the work was cut short.
func (a *Agent) signal(ctx context.Context, c chan struct{}) {
	if ctx.Err() == nil {
		close(c)
	}
}

// ended gives nil for an end that was asked for.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return nil
	}
	return err
}

// live is the newest look at each machine.
func (a *Agent) live() []*wirepb.MachineLive {
	out := make([]*wirepb.MachineLive, 0, len(a.machines))
	for _, m := range a.machines {
		out = append(out, m.live())
	}
	return out
}
