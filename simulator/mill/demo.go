package mill

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"turnwise/agent/edge"
	"turnwise/agent/source"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/host"
)

// Options tunes a Demo. Floor.Dir is needed.
type Options struct {
	Floor FloorOptions
	// Listen of the server; empty fields mean the usual loopback ports, a port
	// of 0 a free one.
	Listen  host.ListenConfig
	Version string
	Log     *slog.Logger // nil = nowhere
	// PastMixups lets tenders take wrong cones in the past days too. The server
	// hears of those days within seconds, so that it sees many at once.
	PastMixups bool
	// Told hears what people should read, one line at a time; nil = nobody.
	Told func(line string)
}

// Demo is the whole mill in one process: machines, agents, server.
type Demo struct {
	o       Options
	floor   *Floor
	host    *host.Host
	agents  []*edge.Agent
	conn    *grpc.ClientConn
	loaded  chan struct{} // closed when the past is in the server
	tenders *Tenders
	// pastTold is closed when the tenders have told of the past days.
	pastTold chan struct{}
	took     time.Duration
}

// NewDemo opens everything and listens. Nothing turns before Run.
func NewDemo(ctx context.Context, o Options) (_ *Demo, err error) {
	if o.Told == nil {
		o.Told = func(string) {}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if err := ownFolder(o.Floor.Dir); err != nil {
		return nil, err
	}
	d := &Demo{o: o, loaded: make(chan struct{}), pastTold: make(chan struct{})}
	if d.floor, err = OpenFloor(o.Floor); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			d.floor.closePorts()
		}
	}()
	dir := o.Floor.Dir
	for _, part := range []string{"server", "agents"} {
		if err := os.MkdirAll(filepath.Join(dir, part), 0o700); err != nil {
			return nil, fmt.Errorf("mill: data folder: %w; name a folder that can be written with --data", err)
		}
	}
	c := d.floor.s.serverConfig(dir, o.Listen)
	c.Calendar.ClosedFile = filepath.Join(dir, "server", "closed.ics")
	if err := os.WriteFile(c.Calendar.ClosedFile, []byte(d.floor.s.closedFile(d.floor.clock.Now())), 0o600); err != nil {
		return nil, fmt.Errorf("mill: closed days: %w; name a folder that can be written with --data", err)
	}
	if err := c.Validate(); err != nil {
		return nil, err
	}
	d.host, err = host.New(ctx, c, host.Options{Log: o.Log, Version: o.Version, Now: d.floor.clock.Now})
	return d, err
}

// ownFolder makes sure that a mill begins in no folder that something else lies in.
func ownFolder(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil { // it is made, or says what is wrong with it when it is
		return nil
	}
	other := ""
	for _, e := range entries {
		switch name := e.Name(); {
		case name == "mill.json":
			return nil
		case !strings.HasPrefix(name, ".") && name != "lost+found":
			other = name
		}
	}
	if other == "" {
		return nil
	}
	return fmt.Errorf("mill: data folder %s: found %s in it and no mill.json, a folder of an earlier start or an empty one is expected; name another with --data", dir, other)
}

// Addrs tells where the server listens.
func (d *Demo) Addrs() host.Addrs { return d.host.Addrs() }

// Resumed tells whether the data folder was there.
func (d *Demo) Resumed() bool { return d.floor.clock.PastLoaded() }

// Status tells how many records came in since the start.
func (d *Demo) Status(ctx context.Context) string {
	if d.host.Addrs().Metrics == "" {
		return "records are not counted without --metrics"
	}
	n, err := d.records(ctx)
	if err != nil {
		return "records not known: " + err.Error()
	}
	return fmt.Sprintf("%d records in", n)
}

// Loaded is closed when the past days are in the server.
func (d *Demo) Loaded() <-chan struct{} { return d.loaded }

// Run lets the mill work until ctx ends.
func (d *Demo) Run(ctx context.Context) (err error) {
	// Agents end before the server, so that a clean end leaves nothing behind.
	outer, stopServer := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServer()
	servers, outer := errgroup.WithContext(outer)
	servers.Go(func() error { return d.host.Run(outer) })
	servers.Go(func() error { return d.floor.Run(outer) })

	inner, stopMill := context.WithCancel(ctx)
	defer stopMill()
	context.AfterFunc(outer, stopMill) // a server that fell takes the mill along
	err = d.work(inner)
	stopServer()
	err = errors.Join(err, servers.Wait())
	if d.conn != nil {
		err = errors.Join(err, d.conn.Close())
	}
	return err
}

// work enters the book, then runs agents and tenders until ctx ends.
func (d *Demo) work(ctx context.Context) (err error) {
	if d.conn, err = dial(d.host.Addrs().GRPC); err != nil {
		return err
	}
	if err := enterBook(ctx, d.conn, d.floor.s.book()); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	f := d.floor
	d.tenders = &Tenders{rounds: newRounds(d.o.Floor.Dir, f.s.Early), o: tendersOptions{
		Conn: d.conn, Machines: f.machines, Seed: f.s.Seed, Begun: f.clock.At(f.clock.Now()), PastMixups: d.o.PastMixups && !f.clock.PastLoaded(),
		Wall: f.clock.Wall, FirstCard: f.s.firstCard, Now: f.clock.Now, Drawn: f.s.drawn}}
	d.tenders.o.ScaleFrom = d.tenders.o.Begun
	if !f.clock.PastLoaded() {
		d.tenders.o.ScaleFrom = -1
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, ctx := errgroup.WithContext(ctx)
	// A first loading that was broken off goes on where the journals end.
	fresh := !d.floor.clock.PastLoaded()
	for _, id := range agentIDs() {
		a, err := d.agent(id, fresh)
		if err != nil {
			stop()
			return errors.Join(err, g.Wait())
		}
		d.agents = append(d.agents, a)
		g.Go(func() error { return a.Run(ctx) })
	}
	g.Go(func() error {
		if err := d.load(ctx, fresh); err != nil || ctx.Err() != nil {
			return err
		}
		return d.tend(ctx, fresh)
	})
	for _, set := range sets() {
		g.Go(func() error {
			select {
			case <-d.loaded:
				return d.tender(ctx, set)
			case <-ctx.Done():
				return nil
			}
		})
	}
	return g.Wait()
}

func dial(address string) (*grpc.ClientConn, error) {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.WaitForReady(true)))
	if err != nil {
		return nil, fmt.Errorf("mill: connect to the server at %s: %w", address, err)
	}
	return conn, nil
}

// enterBook enters the book as a user would. Doing it again changes nothing.
func enterBook(ctx context.Context, conn grpc.ClientConnInterface, b *pb.Book) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	if _, err := pb.NewBookServiceClient(conn).ApplyBook(ctx, &pb.ApplyBookRequest{Book: b}); err != nil {
		return fmt.Errorf("mill: enter the book: %w", err)
	}
	return nil
}

func (d *Demo) agent(id string, fresh bool) (*edge.Agent, error) {
	f := d.floor
	o := edge.Options{Log: d.o.Log.With("agent", id), Version: d.o.Version, Now: func() source.Instant { return f.instant(id, f.clock.Now()) }}
	if fresh {
		o.Past = func(machine string) iter.Seq[source.Reading] { return f.past(id, machine) }
	}
	c := f.agentConfig(d.o.Floor.Dir, id, d.host.Addrs().MQTT)
	if err := c.Validate(); err != nil {
		return nil, fmt.Errorf("mill: agent %s: %w", id, err)
	}
	a, err := edge.New(c, o)
	if err != nil {
		return nil, fmt.Errorf("mill: agent %s: %w", id, err)
	}
	return a, nil
}

// load waits until the past days are in the server and tells how it goes.
func (d *Demo) load(ctx context.Context, fresh bool) error {
	if !fresh {
		close(d.loaded)
		return nil
	}
	begun := time.Now()
	client := pb.NewMachineServiceClient(d.conn)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for n := 1; ; n++ {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if n%10 == 0 {
			d.o.Told("past days: " + d.Status(ctx))
		}
		if !d.pastRead() {
			continue
		}
		r, err := client.ListTotals(ctx, &pb.ListTotalsRequest{})
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("mill: ask the server for its totals: %w", err)
		case d.reached(r):
			d.took = time.Since(begun)
			close(d.loaded)
			return d.floor.clock.SetPastLoaded()
		}
	}
}

// pastRead tells whether every agent has taken the past and reads its
// machines live.
func (d *Demo) pastRead() bool {
	for _, a := range d.agents {
		select {
		case <-a.PastDone():
		default:
			return false
		}
	}
	return true
}

// reached tells whether the server knows what the machines did up to a minute
// ago; the rest is on its way.
func (d *Demo) reached(r *pb.ListTotalsResponse) bool {
	stored := map[string]int64{}
	for _, m := range r.GetMachines() {
		stored[m.GetMachine()] = m.GetRevolutions()
	}
	at := d.floor.clock.At(d.floor.clock.Now())
	for _, m := range d.floor.machines {
		if stored[m.Plan.ID] < m.At(max(0, at-time.Minute)).Turns {
			return false
		}
	}
	return true
}

func lotOf(id string) lot {
	for _, l := range lots {
		if l.id == id {
			return l
		}
	}
	panic("mill: no lot " + id)
}
