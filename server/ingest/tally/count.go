package tally

import (
	"fmt"
	"math"

	"turnwise/server/store"
)

// What no knitting machine does, with a wide margin: these bounds keep broken
// and hostile records out of the hulls, they do not judge machines. Counts
// across time that nobody watched may be large, but not larger than a fast
// machine makes in about four years.
const (
	plausibleRPM     = 1000
	plausibleSlack   = 1000        // revolutions
	plausibleUnknown = 100_000_000 // revolutions
	speedFadeMS      = 60_000
)

// span books a count span: the hull first, then the time.
func (m *Machine) span(stream int64, k *store.CountSpan, r *store.Record, t int64, place Places, c *Changes) string {
	switch {
	case k.To < k.From:
		return fmt.Sprintf("count span runs backwards, from %d to %d", k.From, k.To)
	case k.FromBoottime > r.Boottime:
		return fmt.Sprintf("count span ends %d ns before it begins", k.FromBoottime-r.Boottime)
	case k.Life == store.ID{}:
		return "count span without a life"
	}
	from := min(place.At(r.Boot, k.FromBoottime), t)
	if m.unlinked(stream, k) {
		m.linkAt(stream, k, r, from, c)
	}
	life := LifeKey{k.Life, perRev(k.PerRev)}
	key, offset, over := m.place(life, k.From, k.To)
	if m.overFall(key, k.To+offset, k, t, c) {
		key, offset, over = m.place(life, k.From, k.To)
	}
	lo, hi := k.From+offset, k.To+offset
	if over {
		lo = hi
	}
	if hi < lo {
		return fmt.Sprintf("count span (%d, %d] runs over the number line of its life", k.From, k.To)
	}
	if why := m.implausible(key, lo, hi, from, t, k.TimeUnknown); why != "" {
		return why
	}
	n := m.grow(key, lo, hi, from, t, c)
	if l := m.Lives[key]; k.TimeUnknown && l.Min == lo && l.MinAt == from {
		l.MinAt = t // it may have begun at any time since
	}
	m.read(key, Reading{Raw: k.RawTo, Ext: hi, Bits: k.RawBits, At: t, Stream: stream, Boot: r.Boot, Boottime: r.Boottime}, c)
	h, reason := byState, ""
	switch {
	case k.TimeUnknown:
		h, reason = unknown, "time of the counts not known"
	case k.Inched:
		h = stopped
		m.inch(min(n, int64((hi-lo)/uint64(key.PerRev))+1), from, t, c)
	}
	if n > 0 && t > from && h == byState && m.Open == nil {
		fade := math.Exp(-float64(t-from) / speedFadeMS)
		m.SpeedRevs = m.SpeedRevs*fade + float64(k.To-k.From)/float64(perRev(k.PerRev))
		m.SpeedMS = m.SpeedMS*fade + float64(t-from)
	}
	m.watch(stream, from, t, h, reason, c)
	return ""
}

// inch files n of the revolutions booked just now as inched. Where two readers
// told of the same turns, the one that moved the hull has filed them.
func (m *Machine) inch(n, from, t int64, c *Changes) {
	if n > 0 {
		m.Inched += n
		c.spreadRevolutions(from, t, n, func(x *Cell, n int64) { x.Inched += n })
	}
}

func perRev(n uint32) uint32 { return max(n, 1) }

// implausible says why counts (lo, hi] of a number line cannot be true, or
// nothing. It looks at how far the hull would grow, not only at the span: one
// small span far away would make the hull as large as one large span.
func (m *Machine) implausible(key LifeKey, lo, hi uint64, from, t int64, timeUnknown bool) string {
	l := m.Lives[key]
	grow, ms := hi-lo, t-from
	if l != nil && l.Counted {
		up, down := uint64(0), uint64(0)
		if hi > l.Max {
			up, ms = hi-l.Max, max(ms, t-l.MaxAt)
		}
		if lo < l.Min {
			down, ms = l.Min-lo, max(ms, l.MinAt-from)
		}
		grow = max(grow, up, down)
	}
	limit := plausibleSlack + float64(max(ms, 0))/60_000*plausibleRPM
	if timeUnknown {
		limit += plausibleUnknown
	}
	if revs := float64(grow) / float64(key.PerRev); revs > limit {
		return fmt.Sprintf("count span (%d, %d] would add %.0f revolutions in %d s, at most %.0f are plausible", lo, hi, revs, ms/1000, limit)
	}
	return ""
}

// grow widens the hull of a number line by (lo, hi] and books the new
// revolutions. It returns how many there were.
func (m *Machine) grow(key LifeKey, lo, hi uint64, from, t int64, c *Changes) int64 {
	l := m.life(key)
	if l.Counted && hi > l.Max {
		m.goesAround(key, hi, t, c)
	}
	if l.Counted && lo >= l.Min && hi <= l.Max {
		return 0
	}
	m.bookFollowers(key, -1)
	first := !l.Counted
	if first {
		l.Counted, l.Min, l.Max, l.MinAt, l.MaxAt = true, lo, lo, from, t
	}
	before := l.revolutions(key.PerRev)
	if lo < l.Min {
		l.Min, l.MinAt = lo, from
	}
	if hi > l.Max {
		l.Max, l.MaxAt = hi, t
	}
	m.bookFollowers(key, 1)
	c.Lives[key] = true
	n := l.revolutions(key.PerRev) - before
	m.turned(n, from, t, c)
	if first {
		for _, next := range m.followers()[key] {
			m.reachEnd(key, next, t, c)
		}
	}
	return n
}

// turned books n revolutions that were made from an instant to another.
func (m *Machine) turned(n, from, t int64, c *Changes) {
	if n > 0 {
		m.Revolutions += n
		c.Counts[m.job(t)] += n
		c.spreadRevolutions(from, t, n, func(x *Cell, n int64) { x.Revolutions += n })
	}
}

// life finds the number line of a life or begins it.
func (m *Machine) life(key LifeKey) *Life {
	l := m.Lives[key]
	if l == nil {
		if m.Lives == nil {
			m.Lives = map[LifeKey]*Life{}
		}
		l = new(Life)
		m.Lives[key] = l
	}
	return l
}

// Recount books only the revolutions of a record that was applied before, so
// that they can be shared out again over other assignments. The machine must
// know the joins.
func (m *Machine) Recount(r *store.Record, place Places, c *Changes) {
	t := place.At(r.Boot, r.Boottime)
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		key, offset, over := m.place(LifeKey{k.Life, perRev(k.PerRev)}, k.From, k.To)
		lo, hi := k.From+offset, k.To+offset
		if over {
			lo = hi
		}
		if lo <= hi {
			m.grow(key, lo, hi, min(place.At(r.Boot, k.FromBoottime), t), t, c)
		}
	case *store.LifeLink:
		if k.Prev != (store.ID{}) {
			prev, offset, _ := m.place(LifeKey{k.Prev, perRev(k.PerRev)}, k.PrevTo, k.PrevTo)
			m.reach(prev, k.PrevTo+offset, t, c)
			if key := (LifeKey{k.New, perRev(k.PerRev)}); m.Joins[key] == (Join{}) {
				m.life(key)
				m.follow(key, prev, k.PrevTo+offset)
			}
		}
		if k.RawBits != 0 {
			key, offset := m.joined(LifeKey{k.New, perRev(k.PerRev)})
			m.grow(key, k.Ext+offset, k.Ext+offset, t, t, c)
		}
	}
}
