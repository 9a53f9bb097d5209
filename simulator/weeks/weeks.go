// Package weeks plays weeks of an invented mill twice from the same seed: once
// loaded by the habit of earliest due date on the first free machine, once by
// plans that are made anew on everything that happens. It is pure. The one rule:
// how long a job really takes is drawn here and neither way of loading sees it.
package weeks

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"turnwise/planner/knit"
	"turnwise/planner/loading/board"
	"turnwise/planner/unit"
)

// Options of a run. The zero value is not usable: weeks are told.
type Options struct {
	Weeks  int // in which orders arrive, 1 to 52
	Seed   uint64
	Rounds int     // of each search; 0 = 400
	Load   float64 // of the machines' hours that the orders need; 0 = 0.85
}

// Result of one way of loading.
type Result struct {
	Way           string  `json:"way"`
	Orders        int     `json:"orders"`
	Late          int     `json:"late_orders"`
	TardyHours    float64 `json:"tardiness_h"` // sum over orders
	WeightedHours float64 `json:"weighted_tardiness_h"`
	SetupHours    float64 `json:"setup_h"`
	// StarvedHours are machine-hours in which a machine stands for yarn that is to
	// come, though an order waits that it could knit.
	StarvedHours float64 `json:"starved_h"`
	// HeldHours are those of them in which the yarn of such an order is there: the
	// machine is held for another one. In the rest no loading can use the machine, and
	// hours that are saved in set-ups are among them.
	HeldHours float64 `json:"held_h"`
	LastEnd   float64 `json:"last_end_h"` // since the first minute
	Plans     int     `json:"plans"`
}

// Ways of loading.
const (
	Habit   = "earliest due date, first free machine"
	Planned = "planned, and anew on what happens"
)

// begin is the first minute of the weeks: a Monday.
var begin = time.Date(2026, 11, 2, 6, 0, 0, 0, time.UTC)

const share = 0.85 // of working time that machines run, as everybody expects it

// order is one order with the truth of it.
type order struct {
	board.Order
	class   int     // of machines that can knit it
	arrives float64 // minutes since begin; so are the others
	yarn    float64
	due     float64
	taken   bool
	done    float64
}

type machine struct {
	board.Machine
	class     int
	live      board.State
	order     *order
	starts    float64 // knitting, of the order
	ends      float64 // really
	expect    float64 // as everybody thinks
	idleSince float64
}

// mill is one play.
type mill struct {
	o        Options
	machines []*machine
	orders   []*order
	setups   board.SetupTable
	last     board.Plan
	r        Result
}

// classes of machines: how many, needles an inch, turns a minute.
var classes = []struct {
	n         int
	gauge     unit.Gauge
	structure string
	rpm       unit.RPM
}{{6, 28, "single jersey", 28}, {4, 24, "piqué", 25}, {2, 18, "rib", 22}, {2, 20, "fleece", 20}}

// card is 90 feeds of 7.2 m of 20 tex: about 13 g a turn.
var card = knit.Card{Feeds: []knit.FeedGroup{{ID: "ground", Feeders: 90, CourseLength: 7.2, Count: 20}}}

// Play runs the weeks both ways.
func Play(o Options) ([]Result, error) {
	if o.Weeks < 1 || o.Weeks > 52 {
		return nil, fmt.Errorf("weeks: %d weeks, expected 1 to 52", o.Weeks)
	}
	if o.Load == 0 {
		o.Load = 0.85
	}
	if !(o.Load > 0 && o.Load <= 1.5) {
		return nil, fmt.Errorf("weeks: load %g, expected above 0 to 1.5", o.Load)
	}
	o.Rounds = cmp.Or(o.Rounds, 400)
	var out []Result
	for _, way := range []string{Habit, Planned} {
		m := newMill(o)
		m.r.Way = way
		if err := m.play(way == Planned); err != nil {
			return nil, fmt.Errorf("weeks: %s: %w", way, err)
		}
		out = append(out, m.r)
	}
	return out, nil
}

func newMill(o Options) *mill {
	m := &mill{o: o}
	m.setups.Rows = []board.SetupRow{
		{Kind: board.ChangeYarn, From: board.Any, To: board.Any, Minutes: 90}, {Kind: board.ChangeLot, From: board.Any, To: board.Any, Minutes: 25},
		{Kind: board.ChangeStitch, From: board.Any, To: board.Any, Minutes: 15}, {Kind: board.ChangeStructure, From: board.Any, To: board.Any, Minutes: 150},
		{Kind: board.ChangeGauge, From: board.Any, To: board.Any, Minutes: 480}, {Kind: board.ChangeAll, From: board.Any, To: board.Any, Minutes: 10},
	}
	turns, _ := card.Revolutions(1) // the card is ours
	for c, k := range classes {
		for range k.n {
			id := fmt.Sprintf("k%02d", len(m.machines)+1)
			x := &machine{class: c, live: board.State{Gauge: k.gauge, Structure: k.structure, Yarn: "y0", Lot: "l0", Stitch: 2.8}}
			x.Machine = board.Machine{ID: id, Plate: knit.Machine{Diameter: 30, Gauge: k.gauge, Needles: 2640, Feeders: 96}, Share: share}
			m.machines = append(m.machines, x)
		}
		dice := rand.New(rand.NewPCG(o.Seed, uint64(c)))
		perWeek := float64(k.n) * 7 * 24 * 60 * o.Load * share * float64(k.rpm) / float64(turns) // kg
		at := -2.0 * 24 * 60                                                                     // some orders wait already
		for {
			kg := 25 * math.Round((200+1400*dice.Float64())/25)
			at += dice.ExpFloat64() * kg / perWeek * 7 * 24 * 60
			if at > float64(o.Weeks)*7*24*60 {
				break
			}
			m.add(c, kg, at, k.rpm, dice)
		}
	}
	slices.SortStableFunc(m.orders, func(a, b *order) int { return cmp.Compare(a.arrives, b.arrives) })
	return m
}

func (m *mill) add(c int, kg, at float64, rpm unit.RPM, dice *rand.Rand) {
	k := classes[c]
	o := &order{class: c, arrives: max(at, 0), done: -1}
	o.yarn = o.arrives
	if dice.Float64() < 0.25 { // the yarn is on its way
		o.yarn += (12 + 60*dice.Float64()) * 60
	}
	o.due = o.arrives + (48+96*dice.Float64())*60 + kg/25*60
	o.Order = board.Order{
		ID: fmt.Sprintf("SO-%d%03d", c+1, len(m.orders)), Article: k.structure, Kg: kg, RollKg: 25, Due: clock(o.due), Weight: []float64{1, 1, 1, 3}[dice.IntN(4)],
		YarnFrom: clock(o.yarn), Needs: board.Needs{Gauge: k.gauge},
		Makes: board.State{Gauge: k.gauge, Structure: k.structure, Yarn: fmt.Sprintf("y%d", dice.IntN(4)), Lot: fmt.Sprintf("l%d", dice.IntN(3)), Stitch: []unit.Millimetres{2.7, 2.8, 2.9}[dice.IntN(3)]},
		Cards: []board.Card{{Machine: board.Any, Knit: card, SpeedRPM: rpm}},
	}
	m.orders = append(m.orders, o)
}

func clock(minutes float64) time.Time {
	return begin.Add(time.Duration(minutes * float64(time.Minute))).Truncate(time.Second)
}

// truth is how much longer than expected an order takes on a machine: the same
// for both ways of loading.
func (m *mill) truth(o *order, x *machine) float64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%d %s %s", m.o.Seed, o.ID, x.ID)
	dice := rand.New(rand.NewPCG(h.Sum64(), 1))
	f := math.Exp(0.12*dice.NormFloat64() - 0.0072)
	if dice.Float64() < 0.05 { // a needle line, a press-off: half a shift
		f += 240 / m.minutes(o, x)
	}
	return f
}

// minutes that everybody expects an order to take.
func (m *mill) minutes(o *order, x *machine) float64 {
	turns, _ := card.Revolutions(unit.Kilograms(o.Kg))
	return float64(turns) / float64(classes[x.class].rpm) / share
}

// play goes from event to event until every order is done.
func (m *mill) play(planned bool) error {
	for now := 0.0; ; {
		for _, x := range m.machines {
			if x.order != nil && x.ends <= now {
				x.order.done, x.order, x.idleSince = x.ends, nil, x.ends
			}
		}
		if err := m.load(now, planned); err != nil {
			return err
		}
		next := m.next(now)
		if math.IsInf(next, 1) {
			break
		}
		m.stand(now, next)
		now = next
	}
	for _, o := range m.orders {
		if o.done < 0 {
			return fmt.Errorf("order %s was never knitted", o.ID)
		}
		late := max(o.done-o.due, 0) / 60
		m.r.TardyHours += late
		m.r.WeightedHours += late * o.Weight
		if late > 0 {
			m.r.Late++
		}
		m.r.LastEnd = max(m.r.LastEnd, o.done/60)
	}
	m.r.Orders = len(m.orders)
	return nil
}

// next is the next instant at which something happens.
func (m *mill) next(now float64) float64 {
	next := math.Inf(1)
	for _, x := range m.machines {
		if x.order != nil && x.ends > now {
			next = min(next, x.ends)
		}
	}
	for _, o := range m.orders {
		for _, t := range []float64{o.arrives, o.yarn} {
			if !o.taken && t > now {
				next = min(next, t)
			}
		}
	}
	return next
}

// stand counts the machine-hours that starve.
func (m *mill) stand(now, next float64) {
	for _, x := range m.machines {
		if x.order == nil && slices.ContainsFunc(m.orders, func(o *order) bool { return o.class == x.class && !o.taken && o.arrives <= now }) {
			m.r.StarvedHours += (next - now) / 60
			if slices.ContainsFunc(m.orders, func(o *order) bool { return o.class == x.class && !o.taken && o.arrives <= now && o.yarn <= now }) {
				m.r.HeldHours += (next - now) / 60
			}
		}
	}
}

// load gives idle machines their next order.
func (m *mill) load(now float64, planned bool) error {
	idle := func(x *machine) bool { return x.order == nil }
	waits := slices.ContainsFunc(m.orders, func(o *order) bool { return !o.taken && o.arrives <= now })
	if !waits || !slices.ContainsFunc(m.machines, idle) {
		return nil
	}
	if !planned {
		for _, x := range m.machines {
			var best *order
			for _, o := range m.orders {
				if !o.taken && o.class == x.class && o.arrives <= now && o.yarn <= now && (best == nil || o.due < best.due) {
					best = o
				}
			}
			if idle(x) && best != nil {
				if err := m.start(x, best, now); err != nil {
					return err
				}
			}
		}
		return nil
	}
	plan, err := board.Solve(m.problem(now), board.Options{Seed: m.o.Seed, Iterations: m.o.Rounds})
	if err != nil {
		return err
	}
	m.r.Plans++
	m.last = plan
	for i, l := range plan.Machines {
		x := m.machines[i]
		if !idle(x) {
			continue
		}
		// A plan may hold a machine for yarn that is to come; as more orders come
		// that it knows nothing of, the hours are better used.
		for _, j := range l.Jobs {
			k := slices.IndexFunc(m.orders, func(o *order) bool { return o.ID == j.Order })
			if o := m.orders[k]; j.Kind == board.JobOrder && o.yarn <= now {
				if err := m.start(x, o, now); err != nil {
					return err
				}
				break
			}
		}
	}
	return m.fill(now, plan)
}

// fill gives a machine that still stands the order that the plan would begin
// next elsewhere, if it begins sooner here: the plan does not know of orders to
// come, for which the hours are wanted.
func (m *mill) fill(now float64, plan board.Plan) error {
	starts := map[string]time.Time{}
	for _, l := range plan.Machines {
		for _, j := range l.Jobs {
			if j.Kind == board.JobOrder {
				starts[j.Order] = j.Start
			}
		}
	}
	for _, x := range m.machines {
		if x.order != nil {
			continue
		}
		var best *order
		for _, o := range m.orders {
			at, waits := starts[o.ID]
			if !waits || o.taken || o.class != x.class || o.yarn > now {
				continue
			}
			setup, err := m.setup(x, o)
			if err != nil {
				return err
			}
			if clock(now+setup).Before(at) && (best == nil || at.Before(starts[best.ID])) {
				best = o
			}
		}
		if best != nil {
			if err := m.start(x, best, now); err != nil {
				return err
			}
		}
	}
	return nil
}

// start sets a machine up and knits an order whose yarn is there.
func (m *mill) start(x *machine, o *order, now float64) error {
	setup, err := m.setup(x, o)
	if err != nil {
		return err
	}
	o.taken = true
	x.order, x.live, x.starts = o, o.Makes, now+setup
	x.expect, x.ends = x.starts+m.minutes(o, x), x.starts+m.minutes(o, x)*m.truth(o, x)
	m.r.SetupHours += setup / 60
	return nil
}

// setup is the minutes that a machine needs before an order.
func (m *mill) setup(x *machine, o *order) (float64, error) {
	parts, err := m.setups.Between(x.ID, x.live, o.Makes)
	sum := 0.0
	for _, p := range parts {
		sum += p.Minutes
	}
	return sum, err
}

// problem is what the planner may know at an instant.
func (m *mill) problem(now float64) board.Problem {
	p := board.Problem{Now: clock(now), Setups: m.setups, Last: m.last, Steady: 24 * time.Hour, ChangeCost: 60, SetupCost: 1}
	for _, x := range m.machines {
		b := x.Machine
		b.Live = x.live
		if x.order != nil {
			left := max(x.expect-now, 15) // it is late: nobody knows by how much
			b.Running = &board.Running{Order: x.order.ID, Kg: x.order.Kg, Minutes: left}
			o := x.order.Order
			o.Kg, o.YarnFrom = 0, time.Time{}
			p.Orders = append(p.Orders, o)
		}
		p.Machines = append(p.Machines, b)
	}
	for _, o := range m.orders {
		if !o.taken && o.arrives <= now {
			p.Orders = append(p.Orders, o.Order)
		}
	}
	return p
}
