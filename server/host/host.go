// Package host wires the server: it reads its configuration, opens the store,
// listens, and runs until told to end. The one rule: it opens in order and
// closes in reverse, so that nothing speaks before what it needs is there. It
// is the only package that names a database, and it decides nothing about
// counts or plans.
package host

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wall"
	"turnwise/proto/wire"
	"turnwise/server/auth"
	"turnwise/server/broker"
	"turnwise/server/calls"
	"turnwise/server/floor"
	"turnwise/server/ingest"
	"turnwise/server/record"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// Options tunes a Host. The zero value works.
type Options struct {
	Log     *slog.Logger     // nil = nowhere
	Version string           // empty = "dev"
	Now     func() time.Time // nil = the wall clock of this host
}

// Addrs are the addresses listened on with their real ports; empty = off.
type Addrs struct{ GRPC, HTTP, MQTT, Metrics string }

// ErrClock is inside the error about a clock that cannot be right.
var ErrClock = errors.New("the clock of this host is wrong")

// clockSlack is how far the newest record may be ahead of the clock: agents
// stamp within seconds, and a server that is set back five minutes would give
// one shift's records to another.
const clockSlack = 5 * time.Minute

// goodbye is how long open calls and page streams get at the end.
const goodbye = 300 * time.Millisecond

// lastWord is how long the word that the server goes has to reach the agents.
const lastWord = 100 * time.Millisecond

// Host is a server that listens. Run it once.
type Host struct {
	c       Config
	o       Options
	started time.Time
	tls     *tls.Config // for grpc and mqtt beyond loopback

	st          store.Store
	incarnation store.ID
	floor       *floor.Floor
	searcher    *floor.Searcher
	promises    store.PromiseRecord
	plans       store.PlanRecord
	told        store.CreelRecord
	answers     store.AlarmRecord
	calls       *calls.Desk
	record      *record.Record
	ingest      *ingest.Ingest
	broker      *broker.Broker // nil = off
	heads       *heads
	resumes     *resumes
	backups     *backups
	retention   *retention
	upkeep      *upkeep
	space       *space
	clock       *clock
	counts      *counts
	health      *health.Server
	grpc        *grpc.Server

	grpcL, httpL, metricsL net.Listener // nil = off
	pages, metrics         *http.Server

	open []func() error // what was opened, to be closed in reverse
}

// New checks the configuration and the clock, opens the store, and listens on
// everything. Connections are answered once Run is called.
func New(ctx context.Context, c Config, o Options) (_ *Host, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Version == "" {
		o.Version = "dev"
	}
	if o.Now == nil {
		o.Now = wall.Now
	}
	if err := c.Validate(); err != nil {
		return nil, err
	}
	h := &Host{c: c, o: o, started: o.Now()}
	if y := h.started.Year(); y < 2026 {
		return nil, fmt.Errorf("host: %w: it says %s, before this program was made; set the clock (NTP or by hand) and start again", ErrClock, h.started.Format(time.RFC3339))
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, h.close())
		}
	}()
	if beyondLoopback(c.Listen.GRPC) || beyondLoopback(c.Listen.MQTT) {
		if h.tls, err = auth.ServerTLS(c.TLS.CertFile, c.TLS.KeyFile, c.TLS.ClientCAFile); err != nil {
			return nil, fmt.Errorf("host: %w", err)
		}
	}
	if err := h.openStore(ctx); err != nil {
		return nil, err
	}
	if err := h.openRooms(ctx); err != nil {
		return nil, err
	}
	if err := h.listen(); err != nil {
		return nil, err
	}
	return h, nil
}

func (h *Host) openStore(ctx context.Context) error {
	first, err := sqlite.First(h.c.Database.File, h.c.Database.usual(), h.c.newestBackup())
	if err != nil {
		return fmt.Errorf("host: %w", err)
	}
	lock, err := sqlite.Hold(h.c.Database.File)
	if err != nil {
		return fmt.Errorf("host: hold the records in %s (database.file): %w", h.c.Database.File, err)
	}
	h.open = append(h.open, lock.Free)
	st, err := sqlite.Open(ctx, h.c.Database.File, sqlite.Options{Log: h.o.Log, Now: h.o.Now, Cache: int64(h.c.Database.Cache)})
	if err != nil {
		return fmt.Errorf("host: open the records in %s (database.file): %w", h.c.Database.File, h.c.damaged(err))
	}
	if first {
		h.o.Log.Warn("no records were there: they begin here, empty", "file", h.c.Database.File)
	}
	h.st, h.promises, h.plans, h.told, h.answers = st, st, st, st, st
	h.space = newSpace(h.c.Database, h.o.Log)
	h.backups = newBackups(&h.c, st, h.o.Log, h.o.Now)
	h.backups.room = h.space.enough
	h.open = append(h.open, st.Close)
	if h.incarnation, err = st.Incarnation(ctx); err != nil {
		return fmt.Errorf("host: read the incarnation of %s: %w", h.c.Database.File, err)
	}
	states, err := st.States(ctx)
	if err != nil {
		return fmt.Errorf("host: read the machines in %s: %w", h.c.Database.File, err)
	}
	for _, s := range states {
		if ahead := s.Last.Sub(h.started); ahead > clockSlack {
			return fmt.Errorf("host: %w: it says %s, but machine %s was watched until %s, %s later; set the clock and start again",
				ErrClock, h.started.Format(time.RFC3339), s.Machine, s.Last.UTC().Format(time.RFC3339), ahead.Round(time.Second))
		}
	}
	return nil
}

// openRooms makes what works behind the listeners.
func (h *Host) openRooms(ctx context.Context) (err error) {
	cal := h.c.ShiftCalendar()
	h.floor, err = floor.New(ctx, h.st, floor.Config{
		Site: h.c.Site.ID, Zone: cal.Zone, Calendar: cal, Causes: h.c.causes(), Risk: h.c.Plan.Risk,
		Promises: h.promises, Plans: h.plans, Prices: h.c.prices(), ByClock: h.c.Plan.Loading.Begin == beginByClock, Creel: h.told, Rule: h.c.Creel.rule(), Now: h.o.Now, Log: h.o.Log,
		RatioLow: h.c.Proof.RatioLow, RatioHigh: h.c.Proof.RatioHigh,
	})
	if err != nil {
		return fmt.Errorf("host: %w", err)
	}
	h.searcher = floor.NewSearcher(h.floor)
	h.record = record.New(h.floor, h.promises, record.Options{Calendar: cal, Log: h.o.Log})
	desk := h.c.calls(h.o)
	desk.Backup = h.backupAge
	if h.calls, err = calls.New(ctx, h.floor, h.answers, desk); err != nil {
		return fmt.Errorf("host: %w", err)
	}
	h.heads = newHeads(h.st, h.o.Log)
	h.space.tidy = h.backups.db.Shorten
	h.space.ingest = h.tellIngest
	h.resumes = newResumes(h.st, h.o.Log, h.o.Now, h.command)
	h.clock = newClock(h.o.Now, h.o.Log)
	h.clock.kept = h.backups.db.SetBack
	h.ingest = ingest.New(watched{h.st, h.space}, ingest.Options{Site: h.c.Site.ID, Ack: h.ack, Committed: h.committed, Now: h.o.Now, Log: h.o.Log})
	h.retention = newRetention(h.c.Retain, h.backups.db, h.o.Log, h.o.Now, func() bool { return h.ingest.Waiting() > 0 })
	h.upkeep = &upkeep{h: h}
	h.counts = newCounts(h)
	return nil
}

// submit takes a batch in, or tells its agent to come again.
func (h *Host) submit(ctx context.Context, agent, machine, topic string, payload []byte) error {
	if err := h.space.refuse(); err != nil {
		return err
	}
	h.counts.waiting.Inc()
	defer h.counts.waiting.Dec()
	return h.ingest.Submit(ctx, agent, machine, topic, payload)
}

// ack sends what was committed back to its agent. One that is away asks again.
func (h *Host) ack(agent string, acks *wirepb.Acks) {
	if h.broker == nil {
		return
	}
	payload, err := proto.Marshal(acks)
	if err == nil {
		err = h.broker.Publish(wire.Ack(h.c.Site.ID, agent), payload, false)
	}
	if err != nil {
		h.o.Log.Debug("acknowledgement not sent", "agent", agent, "error", err)
	}
}

func (h *Host) committed(outcomes []store.Outcome) {
	h.counts.committed(outcomes)
	h.floor.Committed(outcomes)
}

// live takes an agent's word on itself: shown by the floor, and its newest
// sequence numbers noted, so that the books know what is outstanding.
func (h *Host) live(agent string, st *wirepb.AgentState) {
	h.floor.Live(agent, st)
	h.heads.saw(agent, st)
	h.resumes.saw(agent, st)
}

// malformed keeps the bytes that nobody could read.
func (h *Host) malformed(agent, topic string, payload []byte, reason error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	q := store.Quarantined{Agent: agent, Topic: topic, Reason: reason.Error(), Received: h.o.Now(), Payload: payload}
	if err := h.st.Quarantine(ctx, q); err != nil {
		h.o.Log.Error("message that nobody can read is lost", "agent", agent, "topic", topic, "bytes", len(payload), "error", err)
	}
}

// tellState publishes the retained state of the server.
func (h *Host) tellState(online bool) error {
	if h.broker == nil {
		return nil
	}
	payload, err := proto.Marshal(&wirepb.ServerState{
		Online: online, AcceptedMajors: []uint32{wire.Major}, DbIncarnation: h.incarnation[:], StartedNs: h.started.UnixNano(), Version: h.o.Version,
	})
	if err != nil {
		return fmt.Errorf("host: server state: %w", err)
	}
	return h.broker.Publish(wire.ServerState(h.c.Site.ID), payload, true)
}

// Addrs tells where the server listens.
func (h *Host) Addrs() Addrs {
	addr := func(l net.Listener) string {
		if l == nil {
			return ""
		}
		return l.Addr().String()
	}
	a := Addrs{GRPC: addr(h.grpcL), HTTP: addr(h.httpL), Metrics: addr(h.metricsL)}
	if h.broker != nil {
		a.MQTT = h.broker.Addr()
	}
	return a
}

// Run serves until ctx ends, then closes in reverse: listeners first, then
// ingest with what it holds, then the store. It returns nil when ctx has
// ended it, else why it stopped.
func (h *Host) Run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, h.close()) }()

	// What works behind the listeners ends after them.
	back, endBack := context.WithCancel(context.WithoutCancel(ctx))
	defer endBack()
	behind, back := errgroup.WithContext(back)
	behind.Go(named("ingest", func() error { return h.ingest.Run(back) }))
	behind.Go(named("floor", func() error { return h.floor.Run(back) }))
	behind.Go(named("searches", func() error { return h.searcher.Run(back) }))
	behind.Go(named("record", func() error { return h.record.Run(back) }))
	behind.Go(named("calls", func() error { return h.calls.Run(back) }))
	behind.Go(named("heads", func() error { return h.heads.run(back) }))
	behind.Go(named("space", func() error { return h.space.run(back) }))
	behind.Go(named("clock", func() error { return h.clock.run(back) }))
	behind.Go(named("hand-over", func() error { return h.resumes.run(back) }))
	behind.Go(named("backups", func() error { return h.backups.run(back) }))
	behind.Go(named("retention", func() error { return h.retention.run(back) }))

	before, front := errgroup.WithContext(ctx)
	before.Go(func() error {
		select {
		case <-front.Done():
		case <-back.Done(): // one of them has failed: nothing may be taken in any more
			return errBehind
		}
		return nil
	})
	if h.broker != nil {
		before.Go(named("broker", func() error { return h.runBroker(front) }))
		before.Go(named("lamps", func() error { return h.lamps(front) }))
	}
	if h.grpcL != nil {
		before.Go(named("grpc", func() error { return h.runGRPC(front) }))
	}
	if h.httpL != nil {
		before.Go(named("pages", func() error { return runHTTP(front, h.pages, h.httpL) }))
	}
	if h.metricsL != nil {
		before.Go(named("metrics", func() error { return runHTTP(front, h.metrics, h.metricsL) }))
	}
	err = before.Wait()
	endBack()
	if err2 := behind.Wait(); err2 != nil {
		if errors.Is(err, errBehind) {
			err = nil
		}
		err = errors.Join(err, err2)
	}
	return err
}

// errBehind ends the listeners; the error of what failed is told instead.
var errBehind = errors.New("host: ended behind the listeners")

func named(what string, run func() error) func() error {
	return func() error {
		if err := run(); err != nil && !errors.Is(err, context.Canceled) {
			return fmt.Errorf("host: %s: %w", what, err)
		}
		return nil
	}
}

// runBroker tells the agents that the server goes before it closes on them.
func (h *Host) runBroker(ctx context.Context) error {
	own, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	stop := context.AfterFunc(ctx, func() {
		if err := h.tellState(false); err != nil {
			h.o.Log.Debug("server state not told", "error", err)
		}
		time.AfterFunc(lastWord, end)
	})
	defer stop()
	return h.broker.Run(own)
}

// close closes what New opened, newest first. What Run has closed already
// does not mind.
func (h *Host) close() error {
	var errs []error
	for _, f := range slices.Backward(h.open) {
		errs = append(errs, f())
	}
	h.open = nil
	return errors.Join(errs...)
}
