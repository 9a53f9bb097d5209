package main

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink"
	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/turnwisepb/wirepb"
)

var (
	backlogAgents = flag.Int("backlog.agents", 50, "agents of BenchmarkBacklog that come back")
	backlogHours  = flag.Float64("backlog.hours", 72, "hours that they were away")
)

const (
	freshAgents = 5                // agents that were never away, one machine each
	spanTime    = 10 * time.Second // a turning machine tells a span so often
	spanTurns   = 4                // 24 turns a minute
	freshEvery  = time.Second      // a fresh agent tells something so often: more looks at the lag
	lookEvery   = 500 * time.Millisecond
	// A live speed says which look it is, in the tenths that pages show; the
	// books know of 240 a minute at most.
	liveSpeed = 1000
	looks     = 9000
)

// BenchmarkBacklog lets agents that were cut off for days come back at once,
// real journals over real uplinks to a real server in this process, and
// measures what the others and the pages see meanwhile:
//
//	drain_s      until the last record from before is acknowledged
//	fresh_*      of agents without backlog: from a record to its acknowledgement
//	view_*       of all machines: age of what the live view of the server shows
//	             when it comes there; an agent sends one at most once a second
//	behind_p99_s of machines with backlog: from a new record to its
//	             acknowledgement, which comes after all older ones of its stream
//
// Afterwards the books must be exact.
func BenchmarkBacklog(b *testing.B) {
	for b.Loop() {
		backlog(b, *backlogAgents, int(*backlogHours*float64(time.Hour)/float64(spanTime)))
	}
}

// returner is one agent with one machine.
type returner struct {
	machine string
	life    []byte
	j       *journal.Journal
	ch      *journal.Channel
	turns   uint64
	told    time.Time // end of the last span

	mu      sync.Mutex
	waiting []sent
	lags    []time.Duration
}

type sent struct {
	seq uint64
	at  time.Time
}

// begun is an invented boot of all agents, long before what they kept.
var begun = time.Now().Add(-2000 * time.Hour)

func instantOf(t time.Time) source.Instant {
	return source.Instant{Boot: [16]byte{7}, Boottime: int64(t.Sub(begun)), Wall: t.UnixNano(), Quality: source.NTPSynced}
}

func backlog(b *testing.B, n, records int) {
	dir := b.TempDir()
	ctx, cancel := context.WithCancel(b.Context())
	var wg errgroup.Group
	defer func() {
		cancel()
		if err := wg.Wait(); err != nil {
			b.Error(err)
		}
	}()
	mqtt, api := serve(b, ctx, dir)
	agents := make([]*returner, n+freshAgents)
	var make errgroup.Group
	make.SetLimit(2)
	for i := range agents {
		make.Go(func() (err error) {
			kept := records
			if i >= n {
				kept = 0
			}
			agents[i], err = away(filepath.Join(dir, fmt.Sprintf("spool-%03d", i)), fmt.Sprintf("k%03d", i), i, kept)
			return err
		})
	}
	if err := make.Wait(); err != nil {
		b.Fatal(err)
	}
	for _, a := range agents {
		if _, err := pb.NewAgentServiceClient(api).RegisterAgent(ctx, &pb.RegisterAgentRequest{Agent: "u-" + a.machine, Machines: []string{a.machine}}); err != nil {
			b.Fatal(err)
		}
	}
	views := watchViews(b, ctx, api, &wg)
	back := time.Now()
	for i, a := range agents {
		every := spanTime
		if i >= n {
			every = freshEvery
		}
		u, err := uplink.New(a.j, uplink.Options{URL: "mqtt://" + mqtt, Site: "bench", Agent: "u-" + a.machine,
			Clock: func() source.Instant { return instantOf(time.Now()) }, Live: a.live, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			b.Fatal(err)
		}
		wg.Go(func() error { return a.j.Run(ctx) })
		wg.Go(func() error { return u.Run(ctx) })
		wg.Go(func() error { return a.goOn(ctx, every, time.Duration(i)*every/time.Duration(len(agents))) })
	}
	old := uint64(records) + 1
	until(b, ctx, func() bool {
		return !slices.ContainsFunc(agents[:n], func(a *returner) bool { return a.ch.Acked() < old })
	})
	drain := time.Since(back)
	fresh, behind := lagsOf(agents[n:]), lagsOf(agents[:n])
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(drain.Seconds(), "drain_s")
	b.ReportMetric(float64(n*records)/drain.Seconds(), "records/s")
	b.ReportMetric(quantile(fresh, 0.5), "fresh_p50_s")
	b.ReportMetric(quantile(fresh, 0.99), "fresh_p99_s")
	b.ReportMetric(quantile(behind, 0.99), "behind_p99_s")
	seen := views()
	b.ReportMetric(quantile(seen, 0.5), "view_p50_s")
	b.ReportMetric(quantile(seen, 0.99), "view_p99_s")
	b.Logf("%d agents x %d records drained in %s; %d records of fresh agents, %d new ones behind the backlog, %d views", n, records, drain.Round(time.Second/10), len(fresh), len(behind), len(seen))
	exact(b, ctx, api, agents)
}

// away is an agent that kept records for a time in which nobody took them.
func away(dir, machine string, n, records int) (*returner, error) {
	j, _, err := journal.Open(dir, journal.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, err
	}
	ch, err := j.Channel(machine)
	if err != nil {
		return nil, err
	}
	a := &returner{machine: machine, j: j, ch: ch, life: append(make([]byte, 13), 1, byte(n>>8), byte(n))}
	a.told = time.Now().Add(-time.Duration(records) * spanTime)
	recs := []*wirepb.Record{a.record(a.told, nil)}
	for range records {
		if len(recs) == 200 {
			if err := ch.Append([]byte("state of a machine"), recs...); err != nil {
				return nil, err
			}
			recs = nil
		}
		recs = append(recs, a.span(a.told.Add(spanTime)))
	}
	if err := ch.Append([]byte("state of a machine"), recs...); err != nil {
		return nil, err
	}
	return a, j.Sync()
}

// record is a first sight, or a span.
func (a *returner) record(at time.Time, span *wirepb.CountSpan) *wirepb.Record {
	i := instantOf(at)
	r := &wirepb.Record{Boot: a.j.Boot(i.Boot), BoottimeNs: i.Boottime, WallNs: i.Wall, Clock: wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED}
	if span != nil {
		r.Kind = &wirepb.Record_CountSpan{CountSpan: span}
		return r
	}
	r.Kind = &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{NewLife: a.life, Kind: wirepb.LinkKind_LINK_KIND_FIRST_SIGHT, CountsPerRevolution: 1}}
	return r
}

// span tells the turns since the last one.
func (a *returner) span(to time.Time) *wirepb.Record {
	from := a.turns
	a.turns += spanTurns
	r := a.record(to, &wirepb.CountSpan{LifeId: a.life, From: from, To: a.turns, RawTo: a.turns, RawBits: 32, CountsPerRevolution: 1,
		FromBoottimeNs: instantOf(a.told).Boottime, Quality: wirepb.CountQuality_COUNT_QUALITY_SURE})
	a.told = to
	return r
}

// goOn tells spans and notes when they are acknowledged.
func (a *returner) goOn(ctx context.Context, every, phase time.Duration) error {
	next := time.Now().Add(phase)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		now := time.Now()
		if !now.Before(next) {
			next = next.Add(every)
			if err := a.ch.Append([]byte("state of a machine"), a.span(now)); err != nil {
				return err
			}
			a.mu.Lock()
			a.waiting = append(a.waiting, sent{a.ch.Head() + a.ch.Unsynced(), now})
			a.mu.Unlock()
		}
		acked := a.ch.Acked()
		a.mu.Lock()
		for len(a.waiting) > 0 && a.waiting[0].seq <= acked {
			a.lags = append(a.lags, now.Sub(a.waiting[0].at))
			a.waiting = a.waiting[1:]
		}
		a.mu.Unlock()
	}
}

// live shows a speed that says when it was read.
func (a *returner) live() []*wirepb.MachineLive {
	now := time.Now()
	look := now.Sub(begun) / lookEvery
	return []*wirepb.MachineLive{{Machine: a.machine, LifeId: a.life, Extended: uint64(look), RawBits: 32, CountsPerRevolution: 1,
		BoottimeNs: instantOf(now).Boottime, Turning: true, Readable: true, SpeedRpm: liveSpeed + float64(look%looks)/10}}
}

// watchViews notes how old each look is when the server shows it. What is
// given back ends the watch and tells.
func watchViews(b *testing.B, ctx context.Context, api *grpc.ClientConn, wg *errgroup.Group) func() []time.Duration {
	ctx, cancel := context.WithCancel(ctx)
	watch, err := pb.NewMachineServiceClient(api).WatchMachines(ctx, &pb.WatchMachinesRequest{})
	if err != nil {
		b.Fatal(err)
	}
	var ages []time.Duration
	done := make(chan struct{})
	wg.Go(func() error {
		defer close(done)
		shown := map[string]int64{}
		for {
			m, err := watch.Recv()
			if err != nil {
				return nil // ended
			}
			since := time.Since(begun)
			for _, x := range m.GetMachines() {
				if x.GetLive().GetSpeed() == nil {
					continue
				}
				digits := int64(math.Round((x.GetLive().GetSpeed().GetValue() - liveSpeed) * 10))
				newest := int64(since / lookEvery)
				look := newest - (newest%looks-digits+looks)%looks
				if digits < 0 || shown[x.GetName()] == look {
					continue // from the books, or seen before
				}
				shown[x.GetName()] = look
				ages = append(ages, since-time.Duration(look)*lookEvery)
			}
		}
	})
	return func() []time.Duration { cancel(); <-done; return ages }
}

func lagsOf(agents []*returner) (all []time.Duration) {
	now := time.Now()
	for _, a := range agents {
		a.mu.Lock()
		all = append(all, a.lags...)
		for _, w := range a.waiting {
			all = append(all, now.Sub(w.at)) // at least
		}
		a.mu.Unlock()
	}
	return all
}

// quantile in seconds; NaN of nothing.
func quantile(d []time.Duration, q float64) float64 {
	if len(d) == 0 {
		return math.NaN()
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(q*float64(len(d))))].Seconds()
}

// until waits as long as it takes.
func until(b *testing.B, ctx context.Context, so func() bool) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for !so() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			b.Fatal(ctx.Err())
		}
	}
}

// exact compares the books with what was told by now at the least.
func exact(b *testing.B, ctx context.Context, api *grpc.ClientConn, agents []*returner) {
	r, err := pb.NewMachineServiceClient(api).ListTotals(ctx, &pb.ListTotalsRequest{})
	if err != nil {
		b.Fatal(err)
	}
	stored := map[string]int64{}
	for _, t := range r.GetMachines() {
		stored[t.GetMachine()] = t.GetRevolutions()
	}
	for _, a := range agents {
		// Records after the acknowledged ones may be in the books already.
		least, most := int64(a.ch.Acked()-1)*spanTurns, int64(a.ch.Head()+a.ch.Unsynced()-1)*spanTurns
		if n := stored[a.machine]; n > most || n < least-spanTurns {
			b.Errorf("machine %s: %d turns in the books, %d to %d expected", a.machine, n, least, most)
		}
	}
}
