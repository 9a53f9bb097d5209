// Package day plays hours of the demo mill in seconds: the truth of its
// machines, its tenders, and the server's records, picture, alarms and API,
// half minute by half minute by one clock. It tells what people were asked.
//
// The one rule: nothing reaches the server but records of the machines and the
// calls of the tenders. There is no agent and no network between; that path has
// its own check.
package day

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/api"
	"turnwise/server/calls"
	"turnwise/server/floor"
	"turnwise/server/store"
	"turnwise/simulator/mill"
	"turnwise/simulator/stops"
	"turnwise/simulator/truth"
)

// step of the play: as long as a machine may be unheard before nobody knows
// what it does.
const step = floor.Silence

// Options tunes a play. The zero value of a field means what it says.
type Options struct {
	Seed  uint64        // 0 = 14
	Hours float64       // 0 = 24
	Warm  time.Duration // not counted: a mill has a history; 0 = an hour
	Told  func(line string)
}

// Result is what people were asked.
type Result struct {
	Hours   float64      `json:"hours"`
	Asked   []Asked      `json:"asked"`
	Alarms  []string     `json:"alarms"` // each time that people were told
	Tending mill.Tending `json:"tending"`
	Missed  []string     `json:"missed"` // mix-ups that were told and not caught
}

// Asked is the load of one person, a set of machines.
type Asked struct {
	Person      string  `json:"person"`
	Calls       int     `json:"calls"` // walks
	Tasks       int     `json:"tasks"` // of those
	Alarms      int     `json:"alarms"`
	MeanCalls   float64 `json:"mean_calls_per_10min"`
	MeanTasks   float64 `json:"mean_tasks_per_10min"`
	MeanAlarms  float64 `json:"mean_alarms_per_10min"`
	Worst       int     `json:"worst_10min"`
	WorstAlarms int     `json:"worst_alarms_10min"`
	Floods      int     `json:"floods"`
}

// records are what a server keeps.
type records interface {
	store.Store
	store.PromiseRecord
	store.PlanRecord
	store.CreelRecord
	store.AlarmRecord
}

// world is one server in front of one mill.
type world struct {
	p     *mill.Play
	st    records
	floor *floor.Floor
	desk  *calls.Desk
	conn  *grpc.ClientConn
	crew  *mill.Crew
	now   time.Duration
	lines []*line
}

// line is one machine as its agent would tell it.
type line struct {
	m       *truth.Machine
	agent   string
	stream  store.ID
	life    store.ID
	seq     uint64
	turns   int64
	told    time.Duration
	open    store.ID
	records []store.Record
}

// Run plays.
func Run(ctx context.Context, o Options) (_ Result, err error) {
	if o.Seed == 0 {
		o.Seed = 14
	}
	if o.Hours == 0 {
		o.Hours = 24
	}
	if o.Warm == 0 {
		o.Warm = time.Hour
	}
	if o.Told == nil {
		o.Told = func(string) {}
	}
	dir, err := os.MkdirTemp("", "turnwise-day-")
	if err != nil {
		return Result{}, fmt.Errorf("day: folder of the play: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	w, end, err := open(ctx, o.Seed, dir)
	if err != nil {
		return Result{}, err
	}
	defer func() { err = errors.Join(err, end()) }()
	until := o.Warm + time.Duration(o.Hours*float64(time.Hour))
	for hour := time.Duration(0); w.now < until; {
		if err := w.step(ctx); err != nil {
			return Result{}, fmt.Errorf("day: at %s: %w", w.clock().Format("Mon 15:04:05"), err)
		}
		if ctx.Err() != nil {
			return Result{}, ctx.Err()
		}
		if h := w.now.Truncate(time.Hour); h > hour {
			hour = h
			o.Told("played until " + w.clock().Format("Mon 15:04"))
		}
	}
	return w.result(ctx, o.Warm)
}

func (w *world) clock() time.Time { return w.p.Origin.Add(w.now).In(w.p.Zone) }

// open makes the server and enters the book as a user would.
func open(ctx context.Context, seed uint64, dir string) (_ *world, end func() error, err error) {
	w := &world{}
	if w.p, err = mill.NewPlay(seed, time.Date(2026, 11, 28, 10, 0, 0, 0, time.UTC)); err != nil {
		return nil, nil, err
	}
	quiet := slog.New(slog.DiscardHandler)
	if w.st, err = w.p.Records(ctx, dir, quiet, w.clock); err != nil {
		return nil, nil, fmt.Errorf("day: %w", err)
	}
	w.floor, err = floor.New(ctx, w.st, floor.Config{Zone: w.p.Zone, Calendar: w.p.Calendar, Promises: w.st, Plans: w.st, Creel: w.st, Now: w.clock, Log: quiet})
	if err != nil {
		return nil, nil, errors.Join(err, w.st.Close())
	}
	if w.desk, err = calls.New(ctx, w.floor, w.st, calls.Options{Aim: 1, WarnBefore: 15 * time.Minute, Zone: w.p.Zone, Now: w.clock, Log: quiet}); err != nil {
		return nil, nil, errors.Join(err, w.st.Close())
	}
	l := bufconn.Listen(1 << 20)
	s := grpc.NewServer()
	api.Register(s, w.floor, w.st, api.Options{Now: w.clock, Log: quiet, Creel: w.st, Calls: w.desk})
	served := make(chan error, 1)
	go func() { served <- s.Serve(l) }()
	w.conn, err = grpc.NewClient("passthrough:play", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	end = func() error {
		var cerr error
		if w.conn != nil {
			cerr = w.conn.Close()
		}
		s.Stop()
		return errors.Join(cerr, <-served, w.st.Close())
	}
	if err == nil {
		_, err = pb.NewBookServiceClient(w.conn).ApplyBook(ctx, &pb.ApplyBookRequest{Book: w.p.Book})
	}
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("day: %w", err), end())
	}
	w.crew = w.p.Crew(w.conn, w.clock)
	for _, m := range w.p.Machines {
		id := sha256.Sum256([]byte(m.Plan.ID))
		w.lines = append(w.lines, &line{m: m, agent: w.p.Agents[m.Plan.ID], stream: store.ID(id[:16]), life: store.ID(id[16:])})
	}
	return w, end, nil
}

// step lets half a minute go by: the machines, then the desk, then the tenders.
func (w *world) step(ctx context.Context) error {
	from := w.now
	w.now += step
	var batches []store.Batch
	for _, l := range w.lines {
		first := l.seq + 1
		l.watch(from, w.now, w.p.Origin)
		if len(l.records) == 0 {
			continue
		}
		batches = append(batches, store.Batch{Agent: l.agent, Machine: l.m.Plan.ID, Stream: l.stream, Run: l.stream, FirstSeq: first, HeadSeq: l.seq, Records: l.records,
			Boots: map[uint32]store.ID{1: {1}}, Clock: store.Clock{Boot: 1, Boottime: boottime(w.now), Wall: w.clock().UnixNano(), Synced: true}, Received: w.clock()})
		l.records = nil
	}
	out, err := w.st.Commit(ctx, batches)
	if err != nil {
		return err
	}
	for i, o := range out {
		if o.Verdict != store.OK || o.Applied != len(batches[i].Records) {
			return fmt.Errorf("%d of %d records of %s were taken: verdict %d, %s", o.Applied, len(batches[i].Records), batches[i].Machine, o.Verdict, o.Reason)
		}
	}
	w.floor.Committed(out)
	w.speak()
	if err := w.desk.Look(ctx); err != nil {
		return err
	}
	return w.crew.Step(ctx, w.now)
}

// boottime of an instant of the play: every box was booted an hour before.
func boottime(at time.Duration) int64 { return int64(at + time.Hour) }

// watch makes the records of a machine in (from, to].
func (l *line) watch(from, to time.Duration, origin time.Time) {
	add := func(at time.Duration, kind any) {
		l.seq++
		l.records = append(l.records, store.Record{Seq: l.seq, Body: []byte{byte(l.seq), byte(l.seq >> 8), byte(l.seq >> 16)}, Boot: 1, Boottime: boottime(at), Wall: origin.Add(at).UnixNano(), Synced: true, Kind: kind})
	}
	span := func(at time.Duration, turns int64) {
		if turns > l.turns {
			add(at, &store.CountSpan{Life: l.life, From: uint64(l.turns), To: uint64(turns), FromBoottime: boottime(l.told), PerRev: 1})
		}
		l.turns, l.told = turns, at
	}
	if l.seq == 0 {
		s := l.m.At(from)
		add(from, &store.LifeLink{New: l.life, PerRev: 1})
		l.turns, l.told = s.Turns, from
		if s.Doing != stops.Turning {
			l.begin(add, from, s)
		}
	}
	for _, c := range l.m.Changes(from, to) {
		span(c.At, c.Turns)
		if l.open != (store.ID{}) {
			add(c.At, &store.StopEnd{Stop: l.open, At: uint64(c.Turns)})
			l.open = store.ID{}
		}
		if c.Doing != stops.Turning {
			l.begin(add, c.At, c.State)
		}
	}
	if s := l.m.At(to); s.Doing == stops.Turning {
		span(to, s.Turns)
	}
}

func (l *line) begin(add func(time.Duration, any), at time.Duration, s truth.State) {
	l.open = stopID(l.m.Plan.ID, at)
	add(at, &store.StopBegin{Stop: l.open, Input: s.Cause != "", Cause: s.Cause, Side: s.Side, At: uint64(s.Turns)})
}

func stopID(machine string, at time.Duration) store.ID {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %d", machine, at))
	return store.ID(sum[:16])
}

// speak is the live word of every agent.
func (w *world) speak() {
	by := map[string]*wirepb.AgentState{}
	for _, l := range w.lines {
		st := by[l.agent]
		if st == nil {
			st = &wirepb.AgentState{Online: true, SessionNo: 1, Clock: &wirepb.AgentClock{BoottimeNs: boottime(w.now), WallNs: w.clock().UnixNano()}}
			by[l.agent] = st
		}
		s := l.m.At(w.now)
		live := &wirepb.MachineLive{Machine: l.m.Plan.ID, Readable: true, Turning: s.Doing == stops.Turning, SpeedRpm: s.RPM, Cause: s.Cause, BoottimeNs: boottime(w.now),
			LifeId: l.life[:], Extended: uint64(s.Turns), HeadSeq: l.seq, AckedSeq: l.seq}
		if l.open != (store.ID{}) {
			live.StopId = l.open[:]
		}
		st.Machines = append(st.Machines, live)
	}
	for agent, st := range by {
		w.floor.Live(agent, st)
	}
}

func (w *world) result(ctx context.Context, warm time.Duration) (Result, error) {
	from, to := w.p.Origin.Add(warm), w.clock()
	r := Result{Hours: to.Sub(from).Hours(), Tending: w.crew.Tending(), Alarms: []string{}}
	if r.Missed = r.Tending.Missed(); r.Missed == nil {
		r.Missed = []string{}
	}
	load, err := w.desk.Load(ctx, from, to)
	if err != nil {
		return r, err
	}
	for _, p := range load.Persons {
		r.Asked = append(r.Asked, Asked{p.Person, p.Calls, p.Tasks, p.Alarms, p.MeanCalls, p.MeanTasks, p.MeanAlarms, p.Worst, p.WorstAlarms, len(p.Floods)})
	}
	acts, err := w.st.AlarmActs(ctx, from, to)
	if err != nil {
		return r, err
	}
	for _, a := range acts {
		if len(a.Told) > 0 {
			r.Alarms = append(r.Alarms, a.At.In(w.p.Zone).Format("Mon 15:04:05 ")+a.Alarm)
		}
	}
	return r, nil
}
