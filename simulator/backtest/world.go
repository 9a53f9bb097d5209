// Package backtest judges the planner's finishing dates in invented mills: it draws
// fleets of machines whose truth it knows, lets the planner forecast every order
// from what could be known at that minute, and counts how often dates were kept. The
// one rule: the truth is made here, event by event, and shares no formula with the
// planner; nothing that forecasts sees it. It does not run the real path, no
// counter, no message, no store.
package backtest

import (
	"container/heap"
	"math"
	"math/rand/v2"
	"slices"
)

// World says how a mill departs from the simplest: machines that differ by
// gamma-distributed rates, stops that come at random, repairs that begin at once.
type World struct {
	Name string
	// Night multiplies all rates from 22 to 6 o'clock; 0 = 1.
	Night float64
	// Repeat is the chance that a stop comes back at once.
	Repeat float64
	// LotShape is the gamma shape of a factor on all rates of an order; 0 = none.
	LotShape float64
	// WaitShare of the repairs wait for somebody, WaitMean minutes on average.
	WaitShare, WaitMean float64
	// Knitters repair the machines' stops one by one; 0 = always somebody free.
	Knitters int
	// SpeedSpread is the standard deviation of the logarithm of an order's speed.
	SpeedSpread float64
	// WearShape of the gaps between stops of a cause that wears out; 0 = 1, no wear.
	WearShape float64
	// Step multiplies all rates from the middle of the orders on; 0 = none.
	Step float64
	// Alone is the share of the machines that a step strikes, each at a time of its own
	// and as likely by 1/Step as by Step; 0 = it strikes all at once.
	Alone float64
	// Unknown is the share of the running time that nothing was recorded of.
	Unknown float64
	// Split is the share of the orders that two machines knit, half each; they are done
	// with the later half.
	Split float64
}

// Worlds are the mills that are judged, the two of the goals first. Rates, durations
// and departures are settings of this simulation, no measurement.
func Worlds() []World {
	return []World{
		{Name: "well"},
		{Name: "misspecified", Night: 2, Repeat: 0.25, LotShape: 8, WaitShare: 0.25, WaitMean: 8},
		{Name: "night", Night: 2},
		{Name: "repeat", Repeat: 0.25},
		{Name: "lot", LotShape: 8},
		{Name: "queue", Knitters: 6},
		{Name: "drift", SpeedSpread: 0.04},
		{Name: "wear", WearShape: 3},
		{Name: "unknown", Unknown: 0.15},
		{Name: "step", Step: 1.5},
		{Name: "split", LotShape: 8, Split: 0.5},
		{Name: "slip", Step: 2, Alone: 0.25},
	}
}

// A cause of stops: gap in running minutes, log-normal duration.
type cause struct {
	name          string
	gap           float64
	median, sigma float64 // minutes
	wears         bool
}

var causes = []cause{
	{"yarn", 150, 3, 0.7, false},
	{"fabric", 600, 6, 0.8, false},
	{"needle", 1500, 15, 0.9, true},
	{"mechanics", 6000, 45, 1.1, true},
}

const (
	machineShape = 3.0  // of the gamma factor of a machine under one cause
	repeatGap    = 0.5  // running minutes to a stop that comes back
	shiftMinutes = 480  // three shifts a day
	nightShift   = 2    // 22 to 6, the day beginning at 6
	speedMemory  = 0.8  // correlation of an order's speed with the one before
	unknownSpell = 240. // running minutes that go unrecorded at a time
)

// stop is one stop of the truth.
type stop struct {
	run, wall float64 // minute at which it began
	cause     int
	minutes   float64
}

// machine is the whole truth of one machine.
type machine struct {
	rates  []float64 // stops in a running minute, by cause
	stops  []stop
	begin  float64   // wall minute
	stood  []float64 // stood[i] is the standing time of the first i stops
	bounds []float64 // running minute at which each order ends
	slow   []float64 // running minutes of each order against nominal
	blind  []span    // running time of which nothing is known
	struck float64   // wall minute from which on its own step counts; +Inf = never
	twin   int       // the machine that knits the other halves
	halves []bool    // whether each order is half of a split one; nil = none is
}

type span struct{ from, to float64 }

// rate is the true number of stops in a running minute, without what befalls all.
func (m *machine) rate() float64 {
	sum := 0.0
	for _, r := range m.rates {
		sum += r
	}
	return sum
}

// wall is the minute at which the machine has run so long; a stop that begins at run
// is not yet part of it.
func (m *machine) wall(run float64) float64 {
	i, _ := slices.BinarySearchFunc(m.stops, run, func(s stop, r float64) int {
		if s.run < r {
			return -1
		}
		return 1
	})
	return m.begin + run + m.stood[i]
}

// ran is how long the machine has run by a minute. After its last order it stands.
func (m *machine) ran(wall float64) float64 {
	return min(m.ranOn(wall), m.bounds[len(m.bounds)-1])
}

func (m *machine) ranOn(wall float64) float64 {
	lo, hi := 0, len(m.stops)
	for lo < hi { // first stop that begins after wall
		mid := (lo + hi) / 2
		if m.stops[mid].wall <= wall {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == 0 {
		return max(wall-m.begin, 0)
	}
	last := m.stops[lo-1]
	return last.run + max(wall-last.wall-last.minutes, 0)
}

// orderAt is the order that the machine works on when it has run so long.
func (m *machine) orderAt(run float64) int {
	i, found := slices.BinarySearch(m.bounds, run)
	if found {
		i++
	}
	return min(i, len(m.bounds)-1)
}

// fleet is a drawn mill.
type fleet struct {
	machines []*machine
	stepAt   float64 // wall minute
}

// maker draws one machine's days as they go on.
type maker struct {
	*machine
	w       World
	rng     *rand.Rand
	run     float64
	at      float64 // wall
	end     float64 // running minutes
	stepAt  float64
	step    float64
	order   int
	lots    []float64
	left    []float64 // hazard until each cause's next stop
	again   int       // cause that comes back; -1 = none
	next    int
	nextRun float64
	nextAt  float64
	index   int
}

// plan of a fleet: running minutes before the first order that is forecast, and
// orders after.
type plan struct {
	machines, orders int
	begin            float64 // minute of the day at which the machines begin
	history, horizon float64
	step             float64 // order at which the step comes
}

func newFleet(w World, p plan, rng *rand.Rand) *fleet {
	f := &fleet{stepAt: math.Inf(1)}
	if w.Step > 0 && w.Alone == 0 {
		f.stepAt = p.begin + (p.history+p.step*p.horizon)*1.07
	}
	var queue byTime
	var made []*maker
	for i := range p.machines {
		var twin *maker
		if w.Split > 0 && i%2 == 1 {
			twin = made[i-1]
		}
		k := newMaker(w, p, rng, f.stepAt, twin)
		k.index, k.twin = i, i^1
		made = append(made, k)
		f.machines = append(f.machines, k.machine)
		if k.advance() {
			queue = append(queue, k)
		}
	}
	heap.Init(&queue)
	free := make([]float64, w.Knitters)
	for len(queue) > 0 {
		k := queue[0]
		minutes := k.duration()
		if len(free) > 0 {
			i := slices.Index(free, slices.Min(free))
			free[i] = max(free[i], k.nextAt) + minutes
			minutes = free[i] - k.nextAt
		}
		k.stand(minutes)
		if k.advance() {
			heap.Fix(&queue, 0)
		} else {
			heap.Pop(&queue)
		}
	}
	for _, m := range f.machines {
		m.stood = append(m.stood, 0)
		for i, s := range m.stops {
			m.stood = append(m.stood, m.stood[i]+s.minutes)
		}
	}
	return f
}

// newMaker draws a machine; of a twin it takes the orders' bounds and, where it
// knits the other half, the yarn.
func newMaker(w World, p plan, rng *rand.Rand, stepAt float64, twin *maker) *maker {
	m := &machine{begin: p.begin}
	m.struck = math.Inf(1)
	k := &maker{machine: m, at: p.begin, w: w, rng: rng, stepAt: stepAt, step: w.Step, again: -1}
	if w.Alone > 0 && rng.Float64() < w.Alone {
		// From two orders before the judged ones to the middle of them.
		order := p.step - 4 + 8*rng.Float64()
		k.stepAt = p.begin + (p.history+order*p.horizon)*1.07
		if m.struck = k.stepAt; rng.Float64() < 0.5 {
			k.step = 1 / w.Step
		}
	}
	for _, c := range causes {
		m.rates = append(m.rates, gamma(rng, machineShape)/c.gap)
		k.left = append(k.left, k.hazard(c)*rng.Float64()) // anywhere in its life
	}
	if !(w.WearShape > 0) {
		for i, c := range causes {
			k.left[i] = k.hazard(c)
		}
	}
	speed := w.SpeedSpread * rng.NormFloat64()
	bound := p.horizon * rng.Float64()
	if twin != nil {
		bound = twin.bounds[0]
	}
	for n := 0; n < p.orders; {
		if bound >= p.history {
			n++
		}
		m.bounds = append(m.bounds, bound)
		m.slow = append(m.slow, math.Exp(-speed))
		k.lots = append(k.lots, k.lot())
		speed = speedMemory*speed + math.Sqrt(1-speedMemory*speedMemory)*w.SpeedSpread*rng.NormFloat64()
		bound += p.horizon * math.Exp(-speed)
	}
	m.bounds = append(m.bounds, bound)
	m.slow = append(m.slow, math.Exp(-speed))
	k.lots = append(k.lots, k.lot())
	k.end = bound
	if w.Split > 0 {
		k.share(twin)
	}
	if w.Unknown > 0 {
		for at := 0.0; at < k.end; at += unknownSpell {
			if rng.Float64() < w.Unknown {
				m.blind = append(m.blind, span{at, at + unknownSpell})
			}
		}
	}
	return k
}

// share draws which orders are split, or takes them from the twin.
func (k *maker) share(twin *maker) {
	if twin == nil {
		for range k.bounds {
			k.halves = append(k.halves, k.rng.Float64() < k.w.Split)
		}
		return
	}
	k.halves = twin.halves
	for i, half := range k.halves {
		if half && i < len(k.lots) {
			k.lots[i] = twin.lots[i]
		}
	}
}

func (k *maker) lot() float64 {
	if k.w.LotShape > 0 {
		return gamma(k.rng, k.w.LotShape)
	}
	return 1
}

// hazard to live through until the next stop of a cause, 1 on average.
func (k *maker) hazard(c cause) float64 {
	if shape := k.w.WearShape; shape > 0 && c.wears {
		return math.Pow(k.rng.ExpFloat64(), 1/shape) / math.Gamma(1+1/shape)
	}
	return k.rng.ExpFloat64()
}

// level multiplies the rates at the present minute; until is the running time for
// which it stays.
func (k *maker) level() (level, until float64) {
	shift := math.Floor(k.at / shiftMinutes)
	level, until = k.lots[k.order], min((shift+1)*shiftMinutes-k.at, k.bounds[k.order]-k.run)
	if k.w.Night > 0 && int(shift)%3 == nightShift {
		level *= k.w.Night
	}
	if k.at >= k.stepAt {
		level *= k.step
	} else {
		until = min(until, k.stepAt-k.at)
	}
	return level, until
}

// advance runs to the next stop; false at the end of all orders.
func (k *maker) advance() bool {
	if k.again >= 0 {
		k.next, k.nextRun, k.nextAt = k.again, k.run+repeatGap, k.at+repeatGap
		return k.nextRun < k.end
	}
	for {
		for k.order < len(k.bounds) && k.run >= k.bounds[k.order]-1e-9 {
			k.order++
		}
		if k.order == len(k.bounds) {
			return false
		}
		level, until := k.level()
		until = max(until, 1e-6)
		best, next := until, -1
		for c, left := range k.left {
			if t := left / (k.rates[c] * level); t < best {
				best, next = t, c
			}
		}
		for c := range k.left {
			k.left[c] -= best * k.rates[c] * level
		}
		k.run, k.at = k.run+best, k.at+best
		if next >= 0 {
			k.left[next] = k.hazard(causes[next])
			k.next, k.nextRun, k.nextAt = next, k.run, k.at
			return true
		}
	}
}

func (k *maker) duration() float64 {
	c := causes[k.next]
	minutes := c.median * math.Exp(c.sigma*k.rng.NormFloat64())
	if k.w.WaitShare > 0 && k.rng.Float64() < k.w.WaitShare {
		minutes += k.w.WaitMean * k.rng.ExpFloat64()
	}
	return minutes
}

// stand writes the stop that has come.
func (k *maker) stand(minutes float64) {
	k.stops = append(k.stops, stop{k.nextRun, k.nextAt, k.next, minutes})
	k.run, k.at = k.nextRun, k.nextAt+minutes
	k.again = -1
	if k.w.Repeat > 0 && k.rng.Float64() < k.w.Repeat {
		k.again = k.next
	}
}

// byTime is a heap of machines by their next stop.
type byTime []*maker

func (q byTime) Len() int { return len(q) }
func (q byTime) Less(i, j int) bool {
	if q[i].nextAt != q[j].nextAt {
		return q[i].nextAt < q[j].nextAt
	}
	return q[i].index < q[j].index
}
func (q byTime) Swap(i, j int) { q[i], q[j] = q[j], q[i] }

// Push adds a machine.
func (q *byTime) Push(x any) { *q = append(*q, x.(*maker)) }

// Pop takes the last one.
func (q *byTime) Pop() any {
	last := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return last
}

// gamma draws with mean 1 and this shape, by Marsaglia and Tsang's method (2000,
// from memory).
func gamma(rng *rand.Rand, shape float64) float64 {
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := rng.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(1-rng.Float64()) < x*x/2+d-d*v+d*math.Log(v) {
			return d * v / shape
		}
	}
}
