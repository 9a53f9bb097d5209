package board

import "math"

// shop is the problem in whole numbers: time is working seconds of a machine since
// now, weight is in thousandths, and a task is a part of an order or a care. The tables
// of machine and task are flat, machine by machine.
type shop struct {
	n, m    int
	dur     []int64   // [machine][task] seconds; never where the machine cannot
	release []int64   // [machine][task]
	due     []int64   // [machine][task]
	extra   []int64   // [machine][task] cost of being there, for the change
	weight  []int64   // [task]
	state   []int32   // [task] what the machine is set up for; -1 leaves it as it is
	live    []int32   // [machine]
	setup   [][]int32 // [machine][state before * states + state]; machines may share one
	states  int32
	price   int64     // of a second of set-up
	free    []int64   // [machine]
	able    [][]int32 // [task] machines, the fixed first
	after   []int32   // [task] that must come earlier on the same machine, or -1
	pinned  bool      // some task has an after
	fixed   []int     // [machine] how many tasks at its start are never moved
	kin     []int32   // [task] the order
	split   []split   // by order; empty without orders that may be split
	twins   bool      // some order may be split
	rings   *rings    // shared cylinders; nil = none
}

// split is an order of whole rolls that may run in parts. Its tasks follow each other.
type split struct {
	first, parts int32     // tasks
	rolls, least int32     // whole rolls of the order; the fewest of a part
	rollKg, kg   float64   // the last roll may be short
	pace         []float64 // [machine] seconds per kilo; 0 where it cannot
	weight       int64
	floor        int64 // seconds that the running part is late
}

const (
	never  = math.MinInt64
	broken = int64(1) << 50 // cost of a pin that is not kept
)

// layout is an order of tasks on every machine, with what was walked before every place.
type layout struct {
	s     *shop
	seq   [][]int32
	time  [][]int64 // [machine][place] free before the place
	mode  [][]int32 // [machine][place] set up for what, before the place
	paid  [][]int64 // [machine][place] cost of the places before; one more than tasks
	rest  [][]rest  // [machine][place] what a delay of the places from there on costs at least
	where []int32   // [task] machine, or -1
	rolls []int32   // [task] of orders that may be split
	seen  []uint32  // [task] stamp of the walk that met it
	stamp uint32
	// careFirst lets a care come before jobs that are fixed.
	careFirst bool
}

// rest tells of the places from one on. Cost is convex in a delay: it grows by the weight of
// what is late already at least, up to the first task that waits, which may take the delay up.
type rest struct {
	late int64 // weight of tasks that are late, up to the first that waits
	save int64 // seconds of set-up that another task before the place can save at most
}

func newLayout(s *shop) *layout {
	l := &layout{s: s, seq: make([][]int32, s.m), time: make([][]int64, s.m), mode: make([][]int32, s.m), paid: make([][]int64, s.m), rest: make([][]rest, s.m)}
	l.where, l.rolls, l.seen = make([]int32, s.n), make([]int32, s.n), make([]uint32, s.n)
	for t := range l.where {
		l.where[t] = -1
	}
	for i := range s.m {
		l.walk(i, 0)
	}
	return l
}

// step adds one task: when it ends, what the machine is then set up for, what it costs.
func (s *shop) step(i int, t int32, now int64, mode int32) (int64, int32, int64) {
	k := i*s.n + int(t)
	cost := s.extra[k]
	if st := s.state[t]; st >= 0 {
		up := int64(s.setup[i][mode*s.states+st])
		now += up
		cost += up * s.price
		mode = st
	}
	now = max(now, s.release[k]) + s.dur[k]
	if over := now - s.due[k]; over > 0 {
		cost += over * s.weight[t]
	}
	return now, mode, cost
}

// walk lays machine i anew from a place on.
func (l *layout) walk(i, from int) {
	s, seq := l.s, l.seq[i]
	if len(l.paid[i]) == 0 {
		l.time[i], l.mode[i], l.paid[i] = append(l.time[i], s.free[i]), append(l.mode[i], s.live[i]), append(l.paid[i], 0)
	}
	l.time[i], l.mode[i], l.paid[i] = l.time[i][:from+1], l.mode[i][:from+1], l.paid[i][:from+1]
	now, mode, paid := l.time[i][from], l.mode[i][from], l.paid[i][from]
	if s.pinned {
		l.stamp++
		for _, t := range seq[:from] {
			l.seen[t] = l.stamp
		}
	}
	for _, t := range seq[from:] {
		var c int64
		now, mode, c = s.step(i, t, now, mode)
		if s.pinned {
			l.seen[t] = l.stamp
			if a := s.after[t]; a >= 0 && l.seen[a] != l.stamp {
				c += broken
			}
		}
		paid += c
		l.time[i], l.mode[i], l.paid[i] = append(l.time[i], now), append(l.mode[i], mode), append(l.paid[i], paid)
	}
	l.foresee(i)
}

// foresee sums the rests of machine i from its end.
func (l *layout) foresee(i int) {
	s, seq := l.s, l.seq[i]
	if cap(l.rest[i]) <= len(seq) {
		l.rest[i] = make([]rest, len(seq)+8)
	}
	l.rest[i] = l.rest[i][:len(seq)+1]
	var r rest
	l.rest[i][len(seq)] = r
	for k := len(seq) - 1; k >= 0; k-- {
		t := seq[k]
		q := i*s.n + int(t)
		begin := l.time[i][k]
		if st := s.state[t]; st >= 0 {
			r.save = int64(s.setup[i][l.mode[i][k]*s.states+st])
			begin += r.save
		}
		switch {
		case s.release[q] > begin:
			r.late = 0
			if s.state[t] < 0 && r.save > 0 {
				r.save = math.MaxInt64 / 2 // what is saved after a wait makes the places behind it earlier
			}
		case l.time[i][k+1] > s.due[q]:
			r.late += s.weight[t]
		}
		l.rest[i][k] = r
	}
}

// cost of machine i.
func (l *layout) cost(i int) int64 { return l.paid[i][len(l.seq[i])] }

// put is what machine i costs more with the task put before the place, known at most:
// what follows is walked until it cannot be worth it.
func (l *layout) put(i int, t int32, place int, known int64) int64 {
	s, seq := l.s, l.seq[i]
	now, mode, paid := l.time[i][place], l.mode[i][place], l.paid[i][place]
	old := l.paid[i][len(seq)]
	known += old
	pins := s.pinned
	if pins {
		l.stamp++
		for _, x := range seq[:place] {
			l.seen[x] = l.stamp
		}
		l.seen[t] = l.stamp
		if a := s.after[t]; a >= 0 && l.seen[a] != l.stamp {
			paid += broken
		}
	}
	now, mode, c := s.step(i, t, now, mode)
	paid += c
	times, modes, sums, rests := l.time[i], l.mode[i], l.paid[i], l.rest[i]
	if delay := now - times[place] - rests[place].save; delay >= 0 && !pins &&
		paid+old-sums[place]+delay*rests[place].late-rests[place].save*s.price >= known {
		return known - old
	}
	for k := place; k < len(seq); k++ {
		// Later than before with the same set-up, the rest costs no less than before.
		if now >= times[k] && mode == modes[k] && !pins {
			if now == times[k] {
				return paid + old - sums[k] - old
			}
			if paid+old-sums[k]+(now-times[k])*rests[k].late >= known {
				return known - old
			}
		}
		if paid >= known {
			return known - old
		}
		x := seq[k]
		now, mode, c = s.step(i, x, now, mode)
		paid += c
		if pins {
			l.seen[x] = l.stamp
			if a := s.after[x]; a >= 0 && l.seen[a] != l.stamp {
				paid += broken
			}
		}
	}
	return min(paid, known) - old
}

// insert puts the task there.
func (l *layout) insert(i int, t int32, place int) {
	q := append(l.seq[i], 0)
	copy(q[place+1:], q[place:])
	q[place] = t
	l.seq[i] = q
	l.where[t] = int32(i)
	l.walk(i, place)
}

// drop takes the task at a place away.
func (l *layout) drop(i, place int) {
	t := l.seq[i][place]
	l.seq[i] = append(l.seq[i][:place], l.seq[i][place+1:]...)
	l.where[t] = -1
	l.walk(i, place)
}

// set gives a part of a split order its rolls, and so its times.
func (l *layout) set(o *split, part int32, rolls int32, last bool) {
	s, t := l.s, o.first+part
	l.rolls[t] = rolls
	kg := o.part(rolls, last)
	for i := range s.m {
		if o.pace[i] > 0 {
			s.dur[i*s.n+int(t)] = int64(math.Round(kg * o.pace[i]))
		}
	}
}

// part is the kilos of so many rolls; the last part has the short roll.
func (o *split) part(rolls int32, last bool) float64 {
	kg := float64(rolls) * o.rollKg
	if last {
		kg -= float64(o.rolls)*o.rollKg - o.kg
	}
	return kg
}

// total is the cost of the layout: of a split order the latest part counts, in full.
func (l *layout) total() int64 {
	if l.s.rings != nil {
		l.sweep()
	}
	var sum int64
	for i := range l.s.m {
		sum += l.cost(i)
	}
	if !l.s.twins {
		return sum
	}
	for k := range l.s.split {
		o := &l.s.split[k]
		latest := o.floor
		for p := range o.parts {
			t := o.first + p
			if i := l.where[t]; i >= 0 {
				over := max(l.end(t)-l.s.due[int(i)*l.s.n+int(t)], 0)
				sum -= over * l.s.weight[t]
				latest = max(latest, over)
			}
		}
		sum += (latest - o.floor) * o.weight
	}
	return sum
}

// end of a task that is laid.
func (l *layout) end(t int32) int64 {
	i := l.where[t]
	for k, x := range l.seq[i] {
		if x == t {
			return l.time[i][k+1]
		}
	}
	return 0
}

// deal gives the parts of an order their rolls; 0 leaves a part out.
func deal(l *layout, o *split, rolls []int32) {
	last, active := int32(-1), int64(0)
	for p, r := range rolls {
		if r > 0 {
			last = int32(p)
			active++
		}
	}
	for p, r := range rolls {
		l.set(o, int32(p), r, int32(p) == last)
		l.s.weight[o.first+int32(p)] = o.weight / max(active, 1)
	}
}
