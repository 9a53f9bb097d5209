// Package floor keeps the live picture of the mill: what each machine does
// now, how a shift went, where the kilos are and what comes next. It is the
// only caller of the planner.
//
// The one rule: counts, kilos and minutes come from committed records only.
// The live words of agents say what a machine does at this moment and how fast
// it turns; they are shown and never counted. The floor writes nothing.
package floor

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/planner/calendar"
	"turnwise/server/store"
)

// Silence is how long a machine may be unheard before its state is Unknown.
// Agents speak every few seconds, so this forgives a reconnect and no more.
const Silence = 30 * time.Second

// Periods of the work of Run.
const (
	lookPeriod   = time.Second      // is somebody silent?
	totalsPeriod = 2 * time.Second  // kilos by assignment, while counts move
	planPeriod   = 5 * time.Second  // outlook, while counts move
	bookPeriod   = 15 * time.Second // another writer may share the database
	learnPeriod  = time.Minute      // history of stops
)

// Config tunes a Floor.
type Config struct {
	Site     string
	Zone     *time.Location      // of the mill, for sentences; nil = UTC
	Calendar calendar.Calendar   // no shifts = the mill always works
	Causes   []Cause             // nil = DefaultCauses
	Rule     CreelRule           // of cones; zero = DefaultCreelRule
	Hall     Hall                // how far machines are apart; zero = DefaultHall
	Risk     float64             // accepted chance to be late; 0 = 0.1
	Promises store.PromiseRecord // what was told before; nil = nothing is kept
	Plans    store.PlanRecord    // of loading; nil = none are kept
	ByClock  bool                // jobs of plans begin when they were expected to, without a word
	Prices   Prices              // of loading
	// RatioLow and RatioHigh bound counted over weighed kilos; outside of them a reason
	// is looked for. 0 = 0.98 and 1.02.
	RatioLow, RatioHigh float64
	Creel               store.CreelRecord // what people told of tasks and lots; nil = nothing is kept
	Now                 func() time.Time  // nil = time.Now
	Log                 *slog.Logger      // nil = silent
}

// Floor is the live picture. Its methods may be called at any time from any
// goroutine.
type Floor struct {
	st     store.Store
	c      Config
	causes map[string]Cause
	epoch  string // of the resume tokens

	reading sync.Mutex // held while the book is reread; guards what follows
	creels  creelMemo

	mu       sync.Mutex // held for moments; guards what follows
	book     *book
	agents   map[string]*agent
	machines map[string]*machine
	order    []*machine // by id
	seq      uint64     // of the newest change
	wake     chan struct{}
	subs     map[chan struct{}]struct{}
	totals   map[string]store.Totals // newest books by machine
	recount  bool                    // counts moved since the books were read

	plan    planner
	reports reports
	shifts  shiftMemo
	walks   walkMemo
	ratios  struct {
		mu   sync.Mutex
		kept ratioMemo
	}
	rolls struct {
		mu   sync.Mutex
		kept map[string]rollsMemo // by machine
	}
}

// machine is everything known about one machine.
type machine struct {
	id     string
	state  store.MachineState // as committed
	live   look
	base   base
	view   MachineView
	change uint64 // Floor.seq of the newest change of view
	turn   uint64 // of the newest change of what the machine does
}

// base is the newest kilos by assignment, at the revolutions they were read.
type base struct {
	revolutions int64
	kilos       float64
}

// look is the newest live word on a machine.
type look struct {
	at       time.Time // of the look; zero = no word yet
	readable bool
	turning  bool
	rpm      float64
	stop     store.ID // zero = none
	cause    string
	problem  string
	owes     bool      // the agent has something that is not in the books
	life     store.ID  // of the counter
	extended uint64    // counter
	moved    time.Time // when a word first had this counter
}

// agent is one agent as heard.
type agent struct {
	registered store.Agent
	session    uint64
	online     bool
	parted     bool // its last word was a goodbye, not a will
	heard      time.Time
	offset     time.Duration
	version    string
	journal    int64
}

// New reads the committed state of every machine and the book.
func New(ctx context.Context, st store.Store, c Config) (*Floor, error) {
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	if c.Calendar.Zone == nil {
		c.Calendar.Zone = c.Zone
	}
	if c.Causes == nil {
		c.Causes = DefaultCauses()
	}
	if c.Rule == (CreelRule{}) {
		c.Rule = DefaultCreelRule
	}
	if c.Hall == (Hall{}) {
		c.Hall = DefaultHall
	}
	if c.Risk == 0 {
		c.Risk = 0.1
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	c.Prices = c.Prices.usual()
	if c.RatioLow == 0 || c.RatioHigh == 0 {
		c.RatioLow, c.RatioHigh = 0.98, 1.02
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	f := &Floor{
		st: st, c: c,
		causes:   make(map[string]Cause, len(c.Causes)),
		epoch:    newEpoch(),
		agents:   make(map[string]*agent),
		machines: make(map[string]*machine),
		totals:   make(map[string]store.Totals),
		plan:     planner{ask: make(chan struct{}, 1)},
		wake:     make(chan struct{}),
		subs:     make(map[chan struct{}]struct{}),
	}
	for _, cause := range c.Causes {
		f.causes[cause.ID] = cause
	}
	states, err := st.States(ctx)
	if err != nil {
		return nil, fmt.Errorf("floor: read machines: %w", err)
	}
	for _, s := range states {
		f.machine(s.Machine).state = s
	}
	if err := f.Refresh(ctx); err != nil {
		return nil, err
	}
	return f, nil
}

// Run watches for silence and keeps kilos, book and outlook fresh until ctx
// ends. It returns nil then.
func (f *Floor) Run(ctx context.Context) error {
	var owned sync.WaitGroup
	owned.Go(func() { f.every(ctx, lookPeriod, nil, func(context.Context) error { f.lookAround(); return nil }) })
	owned.Go(func() { f.every(ctx, totalsPeriod, nil, f.recountIfMoved) })
	owned.Go(func() { f.every(ctx, bookPeriod, nil, f.Refresh) })
	owned.Go(func() { f.every(ctx, planPeriod, f.plan.ask, f.replan) })
	owned.Wait()
	return nil
}

// every calls do each period, and when asked, until ctx ends. An error is
// logged when it comes and when it goes, not each time.
func (f *Floor) every(ctx context.Context, period time.Duration, asked <-chan struct{}, do func(context.Context) error) {
	tick := time.NewTicker(period)
	defer tick.Stop()
	var broken bool
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-asked:
		}
		err := do(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && !broken:
			f.c.Log.Error("the picture is not kept fresh", "err", err)
		case err == nil && broken:
			f.c.Log.Info("the picture is kept fresh again")
		}
		broken = err != nil
	}
}

// Refresh rereads the book, the agents, the loads and the kilos. Call it after
// writing to them, so that readers see the change at once.
func (f *Floor) Refresh(ctx context.Context) error {
	// One at a time: an older reading must not replace a newer one.
	f.reading.Lock()
	defer f.reading.Unlock()
	b, err1 := f.st.Book(ctx)
	agents, err2 := f.st.Agents(ctx)
	loads, err3 := f.st.Loads(ctx)
	told, err4 := f.readCreel(ctx)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return fmt.Errorf("floor: read the book: %w", err)
	}
	nb := newBook(b, agents)
	nb.loads, nb.creel = loads, told
	if err := f.readPositions(ctx, nb); err != nil {
		return fmt.Errorf("floor: read the creels: %w", err)
	}
	nb.countBeside(f.creels.log, f.c.Rule)

	f.mu.Lock()
	changed := f.book == nil || !f.book.equal(nb)
	if changed {
		f.book, f.recount = nb, true
		f.tell() // loads and taps change no machine, but the list of tasks
	}
	for _, a := range agents {
		f.agent(a.ID).registered = a
	}
	for _, m := range b.Machines {
		f.machine(m.ID)
	}
	f.mu.Unlock()
	if !changed {
		return nil
	}
	f.plan.spoil()
	return f.recountIfMoved(ctx)
}

func (f *Floor) recountIfMoved(ctx context.Context) error {
	f.mu.Lock()
	moved := f.recount
	f.recount = false
	f.mu.Unlock()
	if !moved {
		return nil
	}
	err := f.recountNow(ctx)
	if err != nil {
		f.mu.Lock()
		f.recount = true
		f.mu.Unlock()
	}
	return err
}

// recountNow reads revolutions by assignment and turns them into kilos. In
// between, counts that come in are weighed with the running card.
func (f *Floor) recountNow(ctx context.Context) error {
	totals, _, err := f.st.Totals(ctx)
	if err != nil {
		return fmt.Errorf("floor: read totals: %w", err)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, t := range totals {
		kilos, _ := f.book.kilos(t.Counted)
		f.machine(t.Machine).base = base{t.Revolutions, kilos}
		f.totals[t.Machine] = t
	}
	f.redraw(f.order...)
	return nil
}

// Committed takes what became of batches, in the order of their commit.
func (f *Floor) Committed(outcomes []store.Outcome) {
	f.mu.Lock()
	defer f.mu.Unlock()
	touched := make([]*machine, 0, len(outcomes))
	for _, o := range outcomes {
		if o.State.Machine == "" || o.Applied == 0 {
			continue
		}
		m := f.machine(o.State.Machine)
		m.state = o.State
		if !slices.Contains(touched, m) {
			touched = append(touched, m)
		}
		f.recount = true
	}
	f.redraw(touched...)
}

// lookAround finds machines that fell silent.
func (f *Floor) lookAround() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.redraw(f.order...)
}

// redraw derives the views of machines anew and tells watchers of those that
// differ. It needs f.mu.
func (f *Floor) redraw(machines ...*machine) {
	now := f.c.Now()
	changed := false
	for _, m := range machines {
		v := f.picture(m, now)
		if alike(&m.view, &v) {
			continue
		}
		if !changed {
			changed = true
			f.seq++
		}
		if v.State != m.view.State || v.Cause.ID != m.view.Cause.ID || v.Problem != m.view.Problem {
			m.turn = f.seq
		}
		m.view, m.change = v, f.seq
	}
	if changed {
		f.tell()
	}
}

// Machines returns the picture of every machine by id.
func (f *Floor) Machines() []MachineView {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := make([]MachineView, 0, len(f.order))
	for _, m := range f.order {
		out = append(out, m.view)
	}
	return out
}

// Machine returns the picture of one machine, or [store.ErrNotFound].
func (f *Floor) Machine(id string) (MachineView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	m, ok := f.machines[id]
	if !ok {
		return MachineView{}, store.Unknown("machine", id)
	}
	return m.view, nil
}

// machine finds or begins a machine. It needs f.mu.
func (f *Floor) machine(id string) *machine {
	m, ok := f.machines[id]
	if !ok {
		m = &machine{id: id}
		f.machines[id] = m
		i, _ := slices.BinarySearchFunc(f.order, id, func(m *machine, id string) int { return strings.Compare(m.id, id) })
		f.order = slices.Insert(f.order, i, m)
	}
	return m
}

// agent finds or begins an agent. It needs f.mu.
func (f *Floor) agent(id string) *agent {
	a, ok := f.agents[id]
	if !ok {
		a = &agent{registered: store.Agent{ID: id}}
		f.agents[id] = a
	}
	return a
}
