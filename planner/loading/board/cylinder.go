package board

import (
	"math"
	"slices"
	"time"

	"turnwise/planner/unit"
)

// Cylinder is an exchangeable cylinder that machines take in turn, besides their own ones: it is
// in one machine at a time, from the set-up of the first job that needs it to the end of the
// last one in a row. Who is ready for it first gets it; the others wait.
type Cylinder struct {
	ID       string
	Gauge    unit.Gauge
	Machines []string // that it fits
}

// rings are the shared cylinders of a shop.
type rings struct {
	fits  [][]bool // [cylinder][machine]
	live  []int    // [cylinder] machine that has it now, or -1
	kind  []int32  // [cylinder] its gauge by number
	need  []int32  // [machine * n + task] gauge by number that takes a shared cylinder, or -1
	hosts []int    // machines that some cylinder fits
	// across turns working seconds of one machine into those of another; nil = all the same.
	across func(from, to int, sec int64) int64
	// of the sweep
	place       []int
	held        []int // [machine] cylinder, or -1
	free        []int64
	owner       []int // [cylinder] machine whose seconds free is in
	now         []int64
	mode        []int32
	paid        []int64
	taken, wait [][]int64 // [machine][place] cylinder + 1 and seconds waited for it
}

// gauged are the machine's gauges with those of the cylinders that fit it.
func (p *Problem) gauged() []Machine {
	out := slices.Clone(p.Machines)
	for i := range out {
		m := &out[i]
		for _, c := range p.Cylinders {
			if slices.Contains(c.Machines, m.ID) && c.Gauge != m.Plate.Gauge && !slices.Contains(m.Gauges, c.Gauge) {
				m.Gauges = append(slices.Clone(m.Gauges), c.Gauge)
			}
		}
	}
	return out
}

// shareCylinders lays the shared cylinders out for the search. Own are the machines before the
// cylinders' gauges were added to theirs.
func (d *desk) shareCylinders(own []Machine) {
	p, s := d.p, d.s
	if len(p.Cylinders) == 0 {
		return
	}
	r := &rings{need: make([]int32, s.m*s.n), held: make([]int, s.m), now: make([]int64, s.m), mode: make([]int32, s.m), paid: make([]int64, s.m), place: make([]int, s.m),
		taken: make([][]int64, s.m), wait: make([][]int64, s.m)}
	var gauges []unit.Gauge
	kind := func(g unit.Gauge) int32 {
		k := slices.Index(gauges, g)
		if k < 0 {
			k = len(gauges)
			gauges = append(gauges, g)
		}
		return int32(k)
	}
	alike := true
	for _, c := range p.Cylinders {
		fits := make([]bool, s.m)
		for _, id := range c.Machines {
			if i, ok := d.machine[id]; ok {
				fits[i] = true
				if !slices.Contains(r.hosts, i) {
					r.hosts = append(r.hosts, i)
				}
			}
		}
		r.fits, r.kind, r.live = append(r.fits, fits), append(r.kind, kind(c.Gauge)), append(r.live, -1)
	}
	slices.Sort(r.hosts)
	shared := func(i int, g unit.Gauge) bool {
		return g != 0 && g != own[i].Plate.Gauge && !slices.Contains(own[i].Gauges, g)
	}
	for i := range p.Machines {
		for t, x := range d.tasks {
			r.need[i*s.n+t] = -1
			if x.order >= 0 && d.why[x.order][i] == nil {
				if g := p.Orders[x.order].Makes.Gauge; shared(i, g) {
					r.need[i*s.n+t] = kind(g)
				}
			}
		}
		if g := d.states[s.live[i]].Gauge; shared(i, g) {
			for c := range r.kind {
				if r.live[c] < 0 && r.fits[c][i] && gauges[r.kind[c]] == g {
					r.live[c] = i
					break
				}
			}
		}
	}
	for _, i := range r.hosts {
		a, b := &p.Machines[r.hosts[0]], &p.Machines[i]
		alike = alike && sameHours(a, b)
	}
	if !alike {
		r.across = func(from, to int, sec int64) int64 {
			if from == to {
				return sec
			}
			return max(d.working(to, d.at(from, sec)), 0)
		}
	}
	r.free, r.owner = make([]int64, len(r.kind)), make([]int, len(r.kind))
	s.rings = r
}

func sameHours(a, b *Machine) bool {
	return slices.Equal(a.Closed, b.Closed) && slices.Equal(a.Calendar.Closed, b.Calendar.Closed) && slices.Equal(a.Calendar.Shifts, b.Calendar.Shifts) &&
		slices.Equal(a.Calendar.Extra, b.Calendar.Extra) && a.Calendar.DayStarts == b.Calendar.DayStarts && zoneOf(a) == zoneOf(b)
}

func zoneOf(m *Machine) string {
	if m.Calendar.Zone == nil {
		return time.UTC.String()
	}
	return m.Calendar.Zone.String()
}

// sweep lays the machines that share cylinders anew, all together: what is ready first is laid
// first, and waits for its cylinder. No machine holds one while it waits for another.
func (l *layout) sweep() {
	s, r := l.s, l.s.rings
	for _, i := range r.hosts {
		r.now[i], r.mode[i], r.paid[i], r.place[i], r.held[i] = s.free[i], s.live[i], 0, 0, -1
		l.time[i], l.mode[i], l.paid[i] = append(l.time[i][:0], s.free[i]), append(l.mode[i][:0], s.live[i]), append(l.paid[i][:0], 0)
		r.taken[i], r.wait[i] = r.taken[i][:0], r.wait[i][:0]
	}
	for c := range r.kind {
		r.free[c], r.owner[c] = 0, r.hosts[0]
		if i := r.live[c]; i >= 0 {
			r.held[i], r.owner[c] = c, -1
		}
	}
	for _, i := range r.hosts {
		l.letGo(i)
		l.ahead(i)
	}
	for {
		best, start, ring := -1, int64(math.MaxInt64), -1
		for _, i := range r.hosts {
			if r.place[i] == len(l.seq[i]) {
				continue
			}
			at, c := l.ready(i)
			if c == blocked {
				continue
			}
			if when := r.turn(i, r.hosts[0], at); best < 0 || when < start {
				best, start, ring = i, when, c
			}
		}
		if best < 0 {
			return
		}
		l.lay1(best, ring)
		l.ahead(best)
	}
}

// ahead lays the next tasks of machine i as long as they need no cylinder that it does not
// hold: whenever they are laid, they are where they are, and free what they held then.
func (l *layout) ahead(i int) {
	r := l.s.rings
	for r.place[i] < len(l.seq[i]) {
		k := r.need[i*l.s.n+int(l.seq[i][r.place[i]])]
		if k >= 0 && (r.held[i] < 0 || r.kind[r.held[i]] != k) {
			return
		}
		l.lay1(i, -1)
	}
}

const blocked = -2

func (r *rings) turn(from, to int, sec int64) int64 {
	if r.across == nil {
		return sec
	}
	return r.across(from, to, sec)
}

// ready is when machine i can begin with its next task, and with which cylinder; -1 = it needs
// none that it does not hold.
func (l *layout) ready(i int) (int64, int) {
	r := l.s.rings
	k := r.need[i*l.s.n+int(l.seq[i][r.place[i]])]
	if k < 0 || r.held[i] >= 0 && r.kind[r.held[i]] == k {
		return r.now[i], -1
	}
	at, ring := int64(math.MaxInt64), blocked
	for c := range r.kind {
		if r.kind[c] != k || !r.fits[c][i] || r.owner[c] < 0 {
			continue
		}
		if t := max(r.now[i], r.turn(r.owner[c], i, r.free[c])); t < at {
			at, ring = t, c
		}
	}
	return at, ring
}

// lay1 lays the next task of machine i.
func (l *layout) lay1(i, ring int) {
	s, r := l.s, l.s.rings
	k := r.place[i]
	t := l.seq[i][k]
	waited := int64(0)
	if ring >= 0 {
		at := max(r.now[i], r.turn(r.owner[ring], i, r.free[ring]))
		waited, r.now[i] = at-r.now[i], at
		r.held[i], r.owner[ring] = ring, -1
	}
	now, mode, c := s.step(i, t, r.now[i], r.mode[i])
	if a := s.after[t]; s.pinned && a >= 0 && !slices.Contains(l.seq[i][:k], a) {
		c += broken
	}
	taken := int64(0)
	if s.rings.need[i*s.n+int(t)] >= 0 {
		taken = int64(r.held[i]) + 1
	}
	r.now[i], r.mode[i], r.paid[i], r.place[i] = now, mode, r.paid[i]+c, k+1
	l.time[i], l.mode[i], l.paid[i] = append(l.time[i], now), append(l.mode[i], mode), append(l.paid[i], r.paid[i])
	r.taken[i], r.wait[i] = append(r.taken[i], taken), append(r.wait[i], waited)
	l.letGo(i)
}

// letGo frees the cylinder of machine i unless its next task goes on with it.
func (l *layout) letGo(i int) {
	r := l.s.rings
	c := r.held[i]
	if c < 0 {
		return
	}
	// A care between two jobs leaves the cylinder in.
	for k := r.place[i]; k < len(l.seq[i]); k++ {
		t := l.seq[i][k]
		if l.s.state[t] < 0 {
			continue
		}
		if r.need[i*l.s.n+int(t)] == r.kind[c] {
			return
		}
		break
	}
	r.held[i], r.free[c], r.owner[c] = -1, r.now[i], i
}

// ringWait names the shared cylinder that the first part of an order waits for, or nothing.
func (d *desk) ringWait(l *layout, order int) string {
	r := d.s.rings
	if r == nil {
		return ""
	}
	for _, i := range r.hosts {
		for k, t := range l.seq[i] {
			if d.tasks[t].order == order && k < len(r.wait[i]) && r.wait[i][k] > 0 {
				return "cylinder " + d.p.Cylinders[r.taken[i][k]-1].ID
			}
		}
	}
	return ""
}

// concerns says whether a task may go to a machine that shares a cylinder.
func (r *rings) concerns(s *shop, t int32) bool {
	return slices.ContainsFunc(s.able[t], func(i int32) bool { return slices.Contains(r.hosts, int(i)) })
}

// backShared puts a task where all the machines together cost least: where a machine waits for a
// cylinder, its own sequence does not tell what a place costs.
func (x *search) backShared(t int32, skip func() bool) {
	l := x.l
	bi, bp, bc := -1, 0, int64(math.MaxInt64)
	for _, m := range x.s.able[t] {
		i := int(m)
		for p := len(l.seq[i]); p >= l.floor(i, t); p-- {
			if bi >= 0 && skip() {
				continue
			}
			l.insert(i, t, p)
			if c := l.total(); c < bc {
				bi, bp, bc = i, p, c
			}
			l.drop(i, p)
		}
	}
	x.touch(bi)
	l.insert(bi, t, bp)
}
