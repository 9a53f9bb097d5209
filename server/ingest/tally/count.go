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
	if why := m.implausible(k, from, t); why != "" {
		return why
	}
	n := m.grow(k, from, t, c)
	h, reason := byState, ""
	if k.TimeUnknown {
		h, reason = unknown, "time of the counts not known"
	}
	if n > 0 && t > from && !k.TimeUnknown && m.Open == nil {
		fade := math.Exp(-float64(t-from) / speedFadeMS)
		m.SpeedRevs = m.SpeedRevs*fade + float64(k.To-k.From)/float64(perRev(k.PerRev))
		m.SpeedMS = m.SpeedMS*fade + float64(t-from)
	}
	m.watch(stream, from, t, h, reason, c)
	return ""
}

func perRev(n uint32) uint32 { return max(n, 1) }

// implausible says why a span cannot be true, or nothing. It looks at how far
// the hull would grow, not only at the span: one small span far away would
// make the hull as large as one large span.
func (m *Machine) implausible(k *store.CountSpan, from, t int64) string {
	l := m.Lives[LifeKey{k.Life, perRev(k.PerRev)}]
	grow, ms := k.To-k.From, t-from
	if l != nil && l.Counted {
		up, down := uint64(0), uint64(0)
		if k.To > l.Max {
			up, ms = k.To-l.Max, max(ms, t-l.MaxAt)
		}
		if k.From < l.Min {
			down, ms = l.Min-k.From, max(ms, l.MinAt-from)
		}
		grow = max(grow, up, down)
	}
	limit := plausibleSlack + float64(max(ms, 0))/60_000*plausibleRPM
	if k.TimeUnknown {
		limit += plausibleUnknown
	}
	if revs := float64(grow) / float64(perRev(k.PerRev)); revs > limit {
		return fmt.Sprintf("count span (%d, %d] would add %.0f revolutions in %d s, at most %.0f are plausible", k.From, k.To, revs, ms/1000, limit)
	}
	return ""
}

// grow widens the hull of the span's life and books the new revolutions. It
// returns how many there were.
func (m *Machine) grow(k *store.CountSpan, from, t int64, c *Changes) int64 {
	key := LifeKey{k.Life, perRev(k.PerRev)}
	l := m.life(key)
	before := int64(0)
	switch {
	case !l.Counted:
		*l = Life{true, k.From, k.To, from, t, l.LostMin, l.LostMax}
	case k.From >= l.Min && k.To <= l.Max:
		return 0
	default:
		before = l.revolutions(key.PerRev)
		if k.From < l.Min {
			l.Min, l.MinAt = k.From, from
		}
		if k.To > l.Max {
			l.Max, l.MaxAt = k.To, t
		}
	}
	c.Lives[key] = true
	n := l.revolutions(key.PerRev) - before
	if n > 0 {
		m.Revolutions += n
		c.Counts[m.job(t)] += n
		c.spreadRevolutions(from, t, n)
	}
	return n
}

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

// link books the bounds of what may be missing before a new life.
func (m *Machine) link(stream int64, k *store.LifeLink, t int64, c *Changes) string {
	switch {
	case k.New == store.ID{}:
		return "life link without a new life"
	case k.LostMin > k.LostMax:
		return fmt.Sprintf("life link has lost at least %d and at most %d counts", k.LostMin, k.LostMax)
	}
	key := LifeKey{k.New, perRev(k.PerRev)}
	unseen := uint64(0)
	if k.Prev == (store.ID{}) {
		unseen = m.unseen(key.ID, t) * uint64(key.PerRev)
	}
	l := m.life(key)
	lo, hi := max(l.LostMin, k.LostMin), max(l.LostMax, k.LostMax, unseen)
	m.LostMin += lostFloor(lo, key.PerRev) - lostFloor(l.LostMin, key.PerRev)
	m.LostMax += lostCeil(hi, key.PerRev) - lostCeil(l.LostMax, key.PerRev)
	l.LostMin, l.LostMax = lo, hi
	c.Lives[key] = true
	if !m.Heard {
		m.watch(stream, t, t, byState, "", c)
	}
	return ""
}

// unseen bounds the revolutions that nobody will tell of when a reader that
// knows of no life before begins one at t: the box was replaced, or its journal
// is gone, and with it what was counted since the newest instant booked.
func (m *Machine) unseen(life store.ID, t int64) uint64 {
	if !m.Heard || t <= m.Last {
		return 0
	}
	for key := range m.Lives {
		if key.ID != life {
			return uint64(math.Ceil(float64(t-m.Last) / 60_000 * plausibleRPM))
		}
	}
	return 0
}

// maxLost keeps the sum of many links inside an int64.
const maxLost = 1 << 50

func lostFloor(n uint64, perRev uint32) int64 { return int64(min(n/uint64(perRev), maxLost)) }

func lostCeil(n uint64, perRev uint32) int64 {
	q := n / uint64(perRev)
	if n%uint64(perRev) != 0 {
		q++
	}
	return int64(min(q, maxLost))
}

// Recount books only the revolutions of a record that was applied before, so
// that they can be shared out again over other assignments.
func (m *Machine) Recount(r *store.Record, place Places, c *Changes) {
	k, ok := r.Kind.(*store.CountSpan)
	if !ok || k.To < k.From {
		return
	}
	t := place.At(r.Boot, r.Boottime)
	m.grow(k, min(place.At(r.Boot, k.FromBoottime), t), t, c)
}
