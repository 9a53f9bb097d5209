package backtest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"

	"turnwise/planner/forecast"
)

// Options of a run. The zero value judges the goals' cells with one fleet each.
type Options struct {
	Fleets int // drawn anew for each cell; 0 = 1
	Seed   uint64
	// Worlds by name; nil = all.
	Worlds []string
	// Histories and Horizons of the first two worlds, minutes; nil = all.
	Histories, Horizons []float64
	// Insider adds to the plain world the score of who knows the true rates.
	Insider bool
	// Machines of a fleet; 0 = 60.
	Machines int
	// Workers at the same time; 0 = as many as processors.
	Workers int
	Told    func(line string)
}

// ErrOptions is inside the errors about options.
var ErrOptions = errors.New("backtest cannot be run")

const (
	defaultMachines = 60
	// Orders of a machine: those before the judged ones teach the recalibration.
	pastOrders, judgedOrders = 8, 4
	lessons                  = 10
	// relearn is the number of orders that end between two lessons from their dates.
	relearn = 5
	// The step comes after some orders of each machine, and some follow it.
	ordersBeforeStep, ordersAfterStep = 10, 12
)

// parts of an order at which it is forecast.
var parts = []float64{0, 0.25, 0.5, 0.75, 0.9}

// task is one fleet of one cell.
type task struct {
	world            World
	history, horizon float64
	fleet            int
	cell             int
}

func cellsOf(o Options) ([]task, error) {
	var out []task
	add := func(w World, history, horizon float64) {
		out = append(out, task{world: w, history: history, horizon: horizon, cell: len(out)})
	}
	known := map[string]bool{}
	for _, w := range Worlds() {
		known[w.Name] = true
		if o.Worlds != nil && !slices.Contains(o.Worlds, w.Name) {
			continue
		}
		switch {
		case w.Alone > 0: // a long window, in which a step of one machine is old news for long
			add(w, 12000, 1500)
			continue
		case w.Name != "well" && w.Name != "misspecified":
			add(w, 3000, 1500)
			continue
		}
		for _, history := range []float64{600, 3000, 12000} {
			for _, horizon := range []float64{300, 1500, 5000} {
				if (o.Histories == nil || slices.Contains(o.Histories, history)) && (o.Horizons == nil || slices.Contains(o.Horizons, horizon)) {
					add(w, history, horizon)
				}
			}
		}
	}
	for _, n := range o.Worlds {
		if !known[n] {
			return nil, fmt.Errorf("%w: there is no world %q; the names are in the help", ErrOptions, n)
		}
	}
	return out, nil
}

// Run draws the fleets and judges. The result follows from options and seed, not from
// the number of workers.
func Run(ctx context.Context, o Options) (Result, error) {
	if o.Fleets == 0 {
		o.Fleets = 1
	}
	if o.Machines == 0 {
		o.Machines = defaultMachines
	}
	if o.Workers == 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.Fleets < 0 || o.Fleets > 1000 || o.Machines < 6 || o.Machines > 500 || o.Workers < 0 || o.Workers > 1024 {
		return Result{}, fmt.Errorf("%w: %d fleets of %d machines by %d workers, expected 1 to 1000, 6 to 500, 1 to 1024", ErrOptions, o.Fleets, o.Machines, o.Workers)
	}
	if o.Told == nil {
		o.Told = func(string) {}
	}
	cells, err := cellsOf(o)
	if err != nil {
		return Result{}, err
	}
	if o.Machines%2 == 1 && slices.ContainsFunc(cells, func(t task) bool { return t.world.Split > 0 }) {
		return Result{}, fmt.Errorf("%w: %d machines cannot knit split orders two by two, expected an even number", ErrOptions, o.Machines)
	}
	marks := make([][][]mark, len(cells))
	left := make([]int, len(cells))
	tasks := make(chan task)
	var mu sync.Mutex
	var failed error
	var wg sync.WaitGroup
	out := Result{Seed: o.Seed, Fleets: o.Fleets, Cells: make([]Cell, len(cells))}
	for i := range cells {
		marks[i], left[i] = make([][]mark, o.Fleets), o.Fleets
	}
	for range o.Workers {
		wg.Go(func() {
			for t := range tasks {
				m, err := t.run(o)
				mu.Lock()
				if err != nil {
					failed = cmp.Or(failed, err)
				}
				marks[t.cell][t.fleet] = m
				if left[t.cell]--; left[t.cell] == 0 && failed == nil {
					c := summarise(t, marks[t.cell])
					out.Cells[t.cell] = c
					o.Told(c.line())
				}
				mu.Unlock()
			}
		})
	}
feed:
	for _, c := range cells {
		for i := range o.Fleets {
			c.fleet = i
			select {
			case tasks <- c:
			case <-ctx.Done():
				break feed
			}
		}
	}
	close(tasks)
	wg.Wait()
	if err := cmp.Or(failed, ctx.Err()); err != nil {
		return Result{}, err
	}
	for i, c := range cells {
		if c.world.Step > 0 && c.world.Alone == 0 {
			out.StepRecoveryOrders = recovery(marks[i])
		}
	}
	return out, nil
}

// mark is one judged forecast and what came of it; during an order, its PIT alone.
type mark struct {
	part      float64
	third     int
	pit       float64
	kept80    bool
	kept90    bool
	kept95    bool
	raw90     bool // by the law before it is recalibrated
	crps      float64
	rivals    [3]float64 // plug-in, pooled, habit
	insider   float64
	pinball   float64 // mean over the levels 10 to 95 %
	width     float64 // P90 - P10
	machine   int
	wall      float64
	split     bool
	afterStep int // how many orders have begun since the step; -1 = before
	struck    int // how many orders the machine has begun since its own step; 0 = before, or never
}

// moment is one forecast to make.
type moment struct {
	at             float64
	machine, order int
	part           int
}

func (t task) rng(seed uint64) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s %g %g %d", t.world.Name, t.history, t.horizon, t.fleet)
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// run makes all forecasts of one fleet in the order of time.
func (t task) run(o Options) ([]mark, error) {
	rng := t.rng(o.Seed)
	p := plan{machines: o.Machines, orders: pastOrders + judgedOrders, history: t.history, horizon: t.horizon}
	// The fleets' days begin all round the clock, so that no cell is judged at night
	// alone.
	p.begin = (float64(t.fleet) + rng.Float64()) / float64(o.Fleets) * 3 * shiftMinutes
	judged := pastOrders
	if t.world.Step > 0 {
		p.orders, p.step, judged = ordersBeforeStep+ordersAfterStep, ordersBeforeStep, ordersBeforeStep-2
	}
	f := newFleet(t.world, p, rng)
	d := &desk{task: t, f: f, chance: rng, insider: o.Insider}
	var moments []moment
	for i, m := range f.machines {
		first := 0
		for m.bounds[first] < t.history {
			first++
		}
		for k := range p.orders {
			order := first + 1 + k
			if m.half(order) && i > m.twin {
				continue // the other half forecasts it
			}
			from, to := m.bounds[order-1], m.bounds[order]
			for j, part := range parts {
				moments = append(moments, moment{m.wall(from + part*(to-from)), i, order, j})
			}
		}
	}
	slices.SortFunc(moments, func(a, b moment) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.machine, b.machine), cmp.Compare(a.part, b.part))
	})
	d.thirds()
	// A mill learns every few minutes; here a few lessons spare time. A step shows how
	// fast they are heeded, so it is looked for more often.
	d.every = max(float64(p.orders)*t.horizon/lessons, 60)
	if t.world.Step > 0 {
		d.every = 240
	}
	begun, struck := make([]int, o.Machines), make([]int, o.Machines)
	after := -1
	var out []mark
	for _, at := range moments {
		if at.part == 0 {
			begun[at.machine]++
			if at.at >= f.stepAt {
				after++
			}
			if at.at >= f.machines[at.machine].struck {
				struck[at.machine]++
			}
		}
		m, err := d.forecast(at, begun[at.machine] > judged)
		if err != nil {
			return nil, fmt.Errorf("world %s, history %g min, horizon %g min, fleet %d: %w", t.world.Name, t.history, t.horizon, t.fleet, err)
		}
		if m != nil {
			m.afterStep, m.struck = after, struck[at.machine]
			out = append(out, *m)
		}
	}
	return out, nil
}

// desk is the forecaster with what it keeps, and the judge beside it.
type desk struct {
	task
	f       *fleet
	chance  *rand.Rand
	insider bool
	every   float64 // wall minutes between two lessons
	learned float64
	fleet   *forecast.Fleet
	all     plain
	open    []pending
	kept    []forecast.Kept
	fresh   int // orders ended since past was learnt
	past    taught
	third   []int
}

// pending is a forecast whose order has not ended.
type pending struct {
	kept    forecast.Kept
	points  forecast.Points
	outcome float64
}

// thirds ranks the machines by their true rate.
func (d *desk) thirds() {
	order := make([]int, len(d.f.machines))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(d.f.machines[a].rate(), d.f.machines[b].rate()) })
	d.third = make([]int, len(order))
	for rank, i := range order {
		d.third[i] = rank * 3 / len(order)
	}
}

func (d *desk) learn(at float64) {
	if d.fleet != nil && at-d.learned < d.every {
		return
	}
	var histories []forecast.History
	var plains []plain
	for i, m := range d.f.machines {
		histories = append(histories, m.observed(i, at, d.history))
		plains = append(plains, m.plain(at, d.history))
	}
	d.fleet, d.all, d.learned = forecast.Learn(histories), pooled(plains), at
}

// settle turns forecasts whose orders have ended into experience.
func (d *desk) settle(at float64) {
	var ended []forecast.Kept
	d.open = slices.DeleteFunc(d.open, func(p pending) bool {
		if p.kept.Ended > at {
			return false
		}
		p.kept.PIT = p.points.PIT(p.outcome, d.chance.Float64())
		ended = append(ended, p.kept)
		return true
	})
	slices.SortStableFunc(ended, func(a, b forecast.Kept) int { return cmp.Compare(a.Ended, b.Ended) })
	d.kept = append(d.kept, ended...)
	d.fresh += len(ended)
	if most := forecast.KeptOrders * len(parts) * 3 / 2; len(d.kept) > most+200 {
		d.kept = slices.Clone(d.kept[len(d.kept)-most:])
	}
}

// forecast makes one forecast; a judged one gives a mark.
func (d *desk) forecast(at moment, judged bool) (*mark, error) {
	d.settle(at.at)
	d.learn(at.at)
	todo := []forecast.Part{d.part(at, at.machine)}
	end, machines := d.f.machines[at.machine].wall(d.f.machines[at.machine].bounds[at.order]), name(at.machine)
	if m := d.f.machines[at.machine]; m.half(at.order) {
		twin := d.f.machines[m.twin]
		machines += "+" + name(m.twin)
		if done := twin.wall(twin.bounds[at.order]); done > at.at {
			todo, end = append(todo, d.part(at, m.twin)), max(end, done)
		}
	}
	law, err := forecast.Split(todo...)
	if err != nil {
		return nil, err
	}
	outcome := end - at.at
	ask := todo[0].Machine.Ask(todo[0].Work)
	if len(todo) > 1 {
		ask = forecast.AskOf(todo...)
	}
	kept := forecast.Kept{Order: todo[0].Work.Order, Machine: machines, Made: at.at, Ended: end, Ask: ask}
	d.open = append(d.open, pending{kept, law.Points(), outcome})
	if !judged {
		return nil, nil
	}
	if d.past.single == nil || d.fresh >= relearn*len(parts) {
		d.past, d.fresh = taughtBy(d.usable()), 0
	}
	out, err := d.judge(at, todo, d.past.levels(machines, ask).Law(law), outcome)
	if err == nil {
		out.raw90 = outcome <= law.Quantile(0.9)
	}
	return out, err
}

// part is what a machine has still to do for the order of a moment.
func (d *desk) part(at moment, machine int) forecast.Part {
	m := d.f.machines[machine]
	// The speed of the order before is known, and of this one when it runs.
	slow := m.slow[at.order-1]
	if at.part > 0 {
		slow = m.slow[at.order]
	}
	w := forecast.Work{RunMinutes: d.horizon * (1 - parts[at.part]) * slow, Order: m.orderName(machine, at.order)}
	if machine != at.machine {
		// The other half: what is left of it, after the orders before.
		ran := m.ran(at.at)
		w.RunMinutes, w.Orders = m.bounds[at.order]-ran, at.order-m.orderAt(ran+1e-9)+1
	}
	seen := d.fleet.With(m.observed(machine, at.at, d.history))
	w.ClassMinutes = classMinutes(at.at, w.RunMinutes/seen.RunningShare())
	return forecast.Part{Machine: seen, Work: w}
}

// usable leaves out forecasts that a change of all machines' rates fell into.
func (d *desk) usable() []forecast.Kept {
	changes := d.fleet.Changes()
	if len(changes) == 0 {
		return d.kept
	}
	return slices.DeleteFunc(slices.Clone(d.kept), func(k forecast.Kept) bool {
		return slices.ContainsFunc(changes, func(shift int) bool {
			at := float64(shift-1) * shiftMinutes
			return k.Made < at+shiftMinutes && k.Ended > at
		})
	})
}

// classMinutes splits a stretch of wall time by kind of shift, as a calendar does.
func classMinutes(at, minutes float64) []float64 {
	out := make([]float64, 4)
	for end := at + minutes; at < end; {
		shift := math.Floor(at/shiftMinutes + 1e-9)
		to := min(end, (shift+1)*shiftMinutes)
		out[int(shift)%3+1] += to - at
		at = to
	}
	return out
}

func (d *desk) judge(at moment, todo []forecast.Part, law forecast.Law, outcome float64) (*mark, error) {
	m := d.f.machines[at.machine]
	out := mark{part: parts[at.part], third: d.third[at.machine], machine: at.machine, wall: at.at, split: m.half(at.order)}
	out.pit = law.Points().PIT(outcome, d.chance.Float64())
	if at.part > 0 {
		return &out, nil
	}
	q := law.Quantile
	out.kept80, out.kept90, out.kept95 = outcome <= q(0.8), outcome <= q(0.9), outcome <= q(0.95)
	out.width = q(0.9) - q(0.1)
	levels := []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95}
	for _, p := range levels {
		out.pinball += pinball(p, q(p), outcome) / float64(len(levels))
	}
	score := func(l forecast.Law) float64 {
		return crps(l.CDF, l.Quantile(0), l.Quantile(0.9995), outcome)
	}
	out.crps = score(law)
	var own, fleet []forecast.Law
	usual, insiders := 0.0, []forecast.Law(nil)
	for i, p := range todo {
		id := at.machine
		if i > 0 {
			id = m.twin
		}
		run := p.Work.RunMinutes
		mine, err := plugIn(d.f.machines[id].plain(at.at, d.history), d.all, run)
		if err != nil {
			return nil, err
		}
		all, err := pooledLaw(d.all, run)
		if err != nil {
			return nil, err
		}
		own, fleet, usual = append(own, mine), append(fleet, all), max(usual, habit(d.all, run))
		if d.insider && d.world.Name == "well" {
			best, err := insider(d.f.machines[id], run)
			if err != nil {
				return nil, err
			}
			insiders = append(insiders, best)
		}
	}
	out.rivals = [3]float64{score(forecast.Max(own...)), score(forecast.Max(fleet...)), math.Abs(outcome - usual)}
	if len(insiders) > 0 {
		out.insider = score(forecast.Max(insiders...))
	}
	return &out, nil
}

// taught is what ended orders teach: split ones are learnt from apart once there are
// leastSplits of them, as in the product.
type taught struct{ single, split *forecast.Recalibration }

const leastSplits = 20

func taughtBy(kept []forecast.Kept) taught {
	var single, split []forecast.Kept
	orders := map[string]bool{}
	for _, k := range kept {
		if strings.Contains(k.Machine, "+") {
			split, orders[k.Order] = append(split, k), true
		} else {
			single = append(single, k)
		}
	}
	l := taught{single: forecast.Recalibrate(single)}
	if len(orders) >= leastSplits {
		l.split = forecast.Recalibrate(split)
	}
	return l
}

func (l taught) levels(machines string, ask forecast.Ask) forecast.Map {
	if strings.Contains(machines, "+") && l.split != nil {
		return l.split.Map(machines, ask)
	}
	return l.single.Map(machines, ask)
}
