package stops

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// Kind of a scripted event.
type Kind uint8

// Kinds.
const (
	// Stop stands for the whole event with an input on.
	Stop Kind = iota + 1
	// Idle stands for the whole event without any input: no order.
	Idle
	// Calm runs for the whole event: no stop begins or ends in it.
	Calm
	// Slow turns with another period; other stops happen as usual.
	Slow
	// Lot multiplies the rate of yarn breaks by Factor.
	Lot
	// Change puts Work in place of what was knitted. It must lie in a Stop.
	Change
)

// Event is one entry of the script. Times are on the machine's clock. Stop,
// Idle and Calm must leave 10 s between each other.
type Event struct {
	Kind    Kind
	At, For time.Duration
	Cause   string        // of a Stop
	Side    string        // of a Stop
	Period  time.Duration // of one turn, for Slow
	Factor  float64       // for Lot
	Creels  string        // for Lot and Change: lot that is creeled at At on all groups; empty = none
	Work    *Work         // for Change
}

func (e Event) end() time.Duration { return e.At + e.For }

func (e Event) hard() bool { return e.Kind == Stop || e.Kind == Idle || e.Kind == Calm }

// Work is what a machine knits, as far as it makes it stop.
type Work struct {
	Structure Structure
	Period    time.Duration // of one turn at the card's speed
	RollTurns float64
	Creels    []Creel
}

// Creel is the cones of one feed group.
type Creel struct {
	Group     string
	Cones     int
	ConeTurns float64 // mean turns that a cone lasts
	Lot       string
	// Used is the part of the first cones that is gone at the beginning.
	Used float64
}

// Plan is all that the days of one machine follow from.
type Plan struct {
	Seed    uint64
	Machine string
	Work    Work
	// RollUsed is the part of the roll that is on the machine at the beginning.
	RollUsed float64
	Script   []Event
	// Early is the share of rounds that a tender puts on before the first cone
	// is empty; the yarn left on the old ones is wasted.
	Early float64
}

// Doing is what a machine does during a Span.
type Doing uint8

// What a machine does.
const (
	Turning Doing = iota + 1
	Stopped       // an input says why
	Idling        // no input
)

// Span is one stretch of a machine's days. Spans follow each other without
// holes, beginning at 0.
type Span struct {
	From, To time.Duration
	Doing    Doing
	Period   time.Duration // of one turn while turning
	Cause    string        // while stopped
	Side     string
}

// Load is a full round of cones put on one feed group.
type Load struct {
	At    time.Duration
	Group string
	Cones int
	Lot   string
	// Left is the part of a new cone that each has, 1 but for the first load.
	Left float64
}

// ErrPlan is inside every error about a plan that cannot be followed.
var ErrPlan = errors.New("plan cannot be followed")

// creel is the cones of a group on their way to the run-out.
type creel struct {
	Creel
	loadAt float64   // turns at which the next round is entered
	early  bool      // that is before the first cone runs out: all come off
	stops  []float64 // turns at which an untied cone runs out, ascending
}

// Process makes the spans of one machine in order. It is not safe for use
// from several goroutines.
type Process struct {
	plan   Plan
	hard   []Event    // Stop, Idle, Calm in order
	edges  []edge     // of Slow, Lot and Change, in order of time
	chance *rand.Rand // when and which
	spread *rand.Rand // cones
	early  *rand.Rand // rounds put on before they are due
	mix    map[string]float64

	now        time.Duration
	turns      float64 // own count, for rolls and cones
	standTurns float64 // at the last stop
	work       Work
	period     time.Duration // in force
	factor     float64       // on yarn breaks
	doffAt     float64
	repeatAt   float64 // +Inf = none
	breakAt    float64
	breaks     *hazard
	creels     []*creel
	loads      []Load
	pending    *Span // stop that follows the run just made
	calmTo     time.Duration
}

type edge struct {
	at    time.Duration
	apply func(*Process)
}

// New begins the days of a machine.
func New(plan Plan) (*Process, error) {
	p := &Process{plan: plan, work: plan.Work, factor: 1, repeatAt: math.Inf(1), mix: map[string]float64{},
		chance: source(plan.Seed, plan.Machine, "stops"), spread: source(plan.Seed, plan.Machine, "cones"),
		early: source(plan.Seed, plan.Machine, "early")}
	if err := p.script(); err != nil {
		return nil, err
	}
	mix := source(plan.Seed, plan.Machine, "mix")
	for _, h := range hazards {
		if _, ok := p.mix[h.cause]; !ok {
			p.mix[h.cause] = gamma(mix, mixShape)
		}
	}
	p.begin(plan.Work, plan.RollUsed)
	return p, nil
}

// script sorts the events and checks them.
func (p *Process) script() error {
	fail := func(format string, args ...any) error {
		return fmt.Errorf("stops: script of %s: %w: "+format, append([]any{p.plan.Machine, ErrPlan}, args...)...)
	}
	events := slices.Clone(p.plan.Script)
	slices.SortStableFunc(events, func(a, b Event) int { return int(a.At - b.At) })
	for _, e := range events {
		if e.At < 0 || e.For < 0 {
			return fail("event at %v for %v, both must be 0 or more", e.At, e.For)
		}
		if e.hard() {
			if n := len(p.hard); n > 0 && e.At < p.hard[n-1].end()+apart {
				return fail("event at %v begins less than %v after the end of the one before at %v; move it", e.At, apart, p.hard[n-1].end())
			}
			p.hard = append(p.hard, e)
			continue
		}
		switch e.Kind {
		case Slow:
			p.edge(e.At, func(p *Process) { p.period = e.Period })
			p.edge(e.end(), func(p *Process) { p.period = p.work.Period })
		case Lot:
			p.edge(e.At, func(p *Process) { p.factor = e.Factor; p.creelAll(e.Creels); p.drawBreak() })
			p.edge(e.end(), func(p *Process) { p.factor = 1; p.drawBreak() })
		case Change:
			if e.Work == nil || !slices.ContainsFunc(p.hard, func(h Event) bool { return h.Kind == Stop && h.At < e.At && e.At < h.end() }) {
				return fail("change of work at %v needs a work and must lie inside a scripted stop", e.At)
			}
			p.edge(e.At, func(p *Process) { p.begin(*e.Work, 0) })
		default:
			return fail("event at %v has kind %d", e.At, e.Kind)
		}
	}
	slices.SortStableFunc(p.edges, func(a, b edge) int { return int(a.at - b.at) })
	return nil
}

func (p *Process) edge(at time.Duration, apply func(*Process)) {
	p.edges = append(p.edges, edge{at, apply})
}

// begin starts a work with its roll and its creels.
func (p *Process) begin(w Work, rollUsed float64) {
	p.work, p.period = w, w.Period
	p.doffAt = p.turns + w.RollTurns*(1-rollUsed)
	p.creels = nil
	for _, c := range w.Creels {
		p.creels = append(p.creels, &creel{Creel: c})
		p.load(p.creels[len(p.creels)-1], 1-c.Used)
	}
	p.drawBreak()
}

// load puts a round of cones on; each lasts a little longer or shorter.
func (p *Process) load(c *creel, left float64) {
	p.loads = append(p.loads, Load{At: p.now, Group: c.Group, Cones: c.Cones, Lot: c.Lot, Left: left})
	if c.early {
		c.stops = nil
	}
	ends := make([]float64, c.Cones) // the last cones of the round before still run
	for i := range ends {
		ends[i] = p.turns + c.ConeTurns*(left+coneSpread*p.spread.NormFloat64())
		if p.spread.Float64() < untiedChance {
			c.stops = append(c.stops, ends[i])
		}
	}
	slices.Sort(ends)
	slices.Sort(c.stops)
	c.loadAt = ends[len(ends)/2]
	if c.early = p.early.Float64() < p.plan.Early; c.early {
		c.loadAt = max(p.turns+1, ends[0]-c.ConeTurns*earliest*p.early.Float64())
	}
}

// creelAll takes all cones off and puts full ones of another lot on; an empty
// lot changes nothing.
func (p *Process) creelAll(lot string) {
	if lot == "" {
		return
	}
	for _, c := range p.creels {
		c.Lot, c.stops = lot, nil
		p.load(c, 1)
	}
}

// drawBreak draws the next random break from all hazards together.
func (p *Process) drawBreak() {
	var sum float64
	rates := make([]float64, len(hazards))
	for i, h := range hazards {
		rate := h.per10k
		if h.cause == Yarn {
			rate = yarnPer10k[p.work.Structure] * p.factor
		}
		rates[i] = rate * p.mix[h.cause] / 1e4
		sum += rates[i]
	}
	p.breakAt = p.turns + p.chance.ExpFloat64()/sum
	u := p.chance.Float64() * sum
	for i := range hazards {
		p.breaks = &hazards[i]
		if u -= rates[i]; u < 0 {
			return
		}
	}
}

// Loads returns the rounds of cones since the last call, oldest first. Their
// instants are not after the end of the last span.
func (p *Process) Loads() []Load {
	l := p.loads
	p.loads = nil
	return l
}

// Next is the next span.
func (p *Process) Next() Span {
	for {
		if s := p.pending; s != nil {
			p.pending = nil
			return p.stand(*s)
		}
		if len(p.hard) > 0 && p.hard[0].At <= p.now {
			e := p.hard[0]
			p.hard = p.hard[1:]
			switch e.Kind {
			case Stop:
				return p.stand(Span{From: p.now, To: e.end(), Doing: Stopped, Cause: e.Cause, Side: e.Side})
			case Idle:
				return p.stand(Span{From: p.now, To: e.end(), Doing: Idling})
			}
			p.calmTo = e.end()
		}
		for len(p.edges) > 0 && p.edges[0].at <= p.now {
			apply := p.edges[0].apply
			p.edges = p.edges[1:]
			apply(p)
		}
		if s, ok := p.run(); ok {
			return s
		}
	}
}

// stand ends a standing span, with what changes while the machine stands.
func (p *Process) stand(s Span) Span {
	for len(p.edges) > 0 && p.edges[0].at < s.To {
		p.now = max(p.now, p.edges[0].at)
		apply := p.edges[0].apply
		p.edges = p.edges[1:]
		apply(p)
	}
	p.now, p.standTurns = s.To, p.turns
	return s
}

// run turns until the next stop or edge. It returns false when there is
// nothing to turn before it.
func (p *Process) run() (Span, bool) {
	n := p.nextStop()
	to := p.reach(max(n.at, p.standTurns+turnsBetween))
	limit, calm := time.Duration(math.MaxInt64), p.calmTo > p.now
	if calm {
		limit = p.calmTo
	}
	if len(p.hard) > 0 {
		limit = min(limit, p.hard[0].At)
	}
	if len(p.edges) > 0 {
		limit = min(limit, p.edges[0].at)
	}
	for _, c := range p.creels { // a round of cones is put on while running
		limit = min(limit, p.reach(c.loadAt))
	}
	strikes := to < limit && !calm && p.fits(to)
	if !strikes {
		to = limit // the stop waits until after the script
	}
	s := Span{From: p.now, To: to, Doing: Turning, Period: p.period}
	p.turns += float64(s.To-p.now) / float64(p.period)
	p.now = s.To
	for _, c := range p.creels {
		if c.loadAt <= p.turns {
			p.load(c, 1)
		}
	}
	if strikes {
		p.pending = p.strike(n)
	}
	return s, s.To > s.From
}

// reach is the instant at which the cylinder comes to a count of turns, at
// least one nanosecond from now.
func (p *Process) reach(turns float64) time.Duration {
	const far = 1e7 // years of turning
	return p.now + max(1, time.Duration(math.Ceil(min(turns-p.turns, far)*float64(p.period))))
}

// fits tells whether a stop beginning at t is over well before the next
// scripted event.
func (p *Process) fits(t time.Duration) bool {
	return len(p.hard) == 0 || t+shortest+clearOf <= p.hard[0].At
}

// reason is why an unscripted stop comes, and at how many turns.
type reason struct {
	at     float64
	cause  string
	time   length
	repeat bool   // of a break before
	creel  *creel // with the cone that ran out
}

// nextStop is the next unscripted stop.
func (p *Process) nextStop() reason {
	n := reason{at: p.breakAt, cause: p.breaks.cause, time: p.breaks.repair}
	if p.repeatAt < n.at {
		n = reason{at: p.repeatAt, cause: Yarn, time: hazards[0].repair, repeat: true}
	}
	if p.doffAt < n.at {
		n = reason{at: p.doffAt, cause: Doff, time: doffTime}
	}
	for _, c := range p.creels {
		if len(c.stops) > 0 && c.stops[0] < n.at {
			n = reason{at: c.stops[0], cause: Yarn, time: runOutTime, creel: c}
		}
	}
	return n
}

// strike begins a stop now and draws its length and what follows from it.
func (p *Process) strike(n reason) *Span {
	d := min(max(waiting.draw(p.chance)+n.time.draw(p.chance), shortest), longest)
	if len(p.hard) > 0 {
		d = min(d, p.hard[0].At-clearOf-p.now)
	}
	s := &Span{From: p.now, To: p.now + d, Doing: Stopped, Cause: n.cause}
	switch {
	case n.cause == Doff:
		p.doffAt = p.turns + p.work.RollTurns
		return s
	case n.creel != nil:
		n.creel.stops = n.creel.stops[1:]
		s.Side = "top"
		return s
	case n.repeat:
		p.repeatAt = math.Inf(1)
	default:
		p.drawBreak()
	}
	if n.cause == Yarn {
		s.Side = "bottom"
		if p.chance.Float64() < 0.55 {
			s.Side = "top"
		}
		if p.chance.Float64() < repeatChance {
			p.repeatAt = p.turns + 10 + p.chance.Float64()*repeatTurns
		}
	}
	return s
}
