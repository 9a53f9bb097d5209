// Package tally applies records to a machine's account: revolutions, stops,
// and where the time went. It is pure: a store calls it inside its transaction
// and writes down what changed.
//
// The one rule is that telling a thing twice changes nothing. Revolutions are
// the hull of the spans of each counter life, stops are sets of records by id,
// and time is booked only beyond the newest instant already booked. So streams
// may overlap, repeat and arrive in any order, and
// run + stop + unknown = last - first holds in whole milliseconds.
//
// It does not judge sequence numbers (the store does) and knows no kilos.
//
// Stores compare what they keep with a count from the records. Whoever changes
// what is booked raises the number of booking rules beside that comparison, or
// sums that were right are taken for damage.
package tally

import (
	"math"
	"math/bits"
	"slices"

	"turnwise/server/store"
)

// BeforeFirst stands for the time before a machine's first assignment.
const BeforeFirst = math.MinInt64

// Fine is the length of the cells in [Changes], in ms; the hour is a multiple.
const Fine = int64(store.Fine) / 1e6

// Machine is the account of one machine as committed. Instants are Unix
// milliseconds UTC.
type Machine struct {
	Heard                    bool // First and Last are set
	First, Last              int64
	Revolutions              int64
	Inched                   int64 // of them: by hand or by the inching button
	Stops                    int64 // begun at stop inputs
	RunMS, StopMS, UnknownMS int64
	LostMin, LostMax         int64 // revolutions
	Since                    int64 // of running, or of the open stop
	DoffAt, Doffs            int64
	// SpeedRevs over SpeedMS is the recent speed: sums in which older spans
	// weigh less, by e per speedFadeMS of running.
	SpeedRevs, SpeedMS float64
	// Stream is the one that last moved Last: it is in charge of the state.
	Stream int64
	Open   *Stop // the stop in progress

	Lives map[LifeKey]*Life
	// Current is the life that the machine's counter is in.
	Current LifeKey
	// Joins are the lives that are counted on the number line of another one.
	Joins map[LifeKey]Join
	// Gone says that the stream in charge has lost records: what comes next
	// may come after a time of which nothing is known.
	Gone  bool
	after map[LifeKey][]LifeKey
	// MaxRPM is the newest word of a speed that the machine does not exceed, 0
	// = none.
	MaxRPM float64
	// Late are the streams that a stream known before them takes over from.
	Late map[int64]bool
	// Vague are the streams that began by a clock that nobody had checked, and
	// when the store met them: they began at that time at the latest.
	Vague map[int64]int64
	// Buried are the streams that have lost records.
	Buried map[int64]bool
	// Jobs are the starts of the assignments, ascending.
	Jobs []int64

	set int64 // since when the record in hand is on the scale of a clock that was set
	by  int64 // when the record in hand was made at the latest, where its clock does not tell; else 0
}

// Stop is a stop as its records tell it so far.
type Stop struct {
	ID          store.ID
	Begun       bool // the begin is known
	Begin       int64
	Ended       bool // End and Latest are set
	Sure        bool // the end was told; else it was taken from what came next
	End, Latest int64
	// Unwatched says that nobody saw the stop after Seen.
	Unwatched   bool
	Seen        int64
	Cause, Side string
	Input       bool
	Revolutions int64 // of the machine at the begin
}

// Gap is unknown time.
type Gap struct {
	From, To int64
	Reason   string
}

// Cell holds what to add to one cell of the finest rollup.
type Cell struct {
	Revolutions, Inched, RunMS, StopMS, UnknownMS, Stops int64
}

// Changes is what applying records did beside the machine's own fields.
type Changes struct {
	Lives  map[LifeKey]bool   // touched
	Joins  map[LifeKey]bool   // new
	Stops  map[store.ID]*Stop // begun, ended or changed
	Gaps   []Gap              // new
	Cells  map[int64]*Cell    // by start, to be added
	Counts map[int64]int64    // revolutions to be added, by assignment start
	Causes map[string]int64   // input stops to be added, by cause
	// Find looks a stop up that is neither open nor in Stops. Nil finds none.
	Find func(store.ID) *Stop

	cell      *Cell // the one used last
	cellStart int64
}

// NewChanges returns an empty set of changes.
func NewChanges(find func(store.ID) *Stop) *Changes {
	return &Changes{
		Lives: map[LifeKey]bool{}, Joins: map[LifeKey]bool{}, Stops: map[store.ID]*Stop{}, Cells: map[int64]*Cell{},
		Counts: map[int64]int64{}, Causes: map[string]int64{}, Find: find,
	}
}

// Apply books one record of a stream. It returns why the record was refused;
// a refused record changed nothing.
func (m *Machine) Apply(stream int64, r *store.Record, place Places, c *Changes) (refused string) {
	t := place.At(r.Boot, r.Boottime)
	m.set, m.by = place.setAt(r.Boot, r.Boottime), 0
	if m.Buried[stream] && !r.Synced {
		m.by = place.received()
	}
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		return m.span(stream, k, r, t, place, c)
	case *store.StopBegin:
		return m.stopBegin(stream, k, t, c)
	case *store.StopEnd:
		return m.stopEnd(stream, k, r, t, place, c)
	case *store.StateGap:
		return m.gap(stream, k, r, t, place, c)
	case *store.LifeLink:
		return m.link(stream, k, r, t, c)
	case *store.ConfigApplied:
		m.knowSpeed(k.MaxRPM)
	case *store.Tombstone:
		m.Gone = m.Gone || stream == m.Stream
		m.Bury(stream)
	case *store.Unreadable:
		return k.Reason
	}
	// The other kinds are for people. They do not move the time: the agent may
	// tell them at its start, before the gap that precedes them.
	return ""
}

// Come notes that a stream begins: whether another one, known before it, takes
// over from it, and where its begin is vague when the store met it, 0 = it is
// not.
func (m *Machine) Come(stream int64, late bool, vague int64) {
	if late {
		if m.Late == nil {
			m.Late = map[int64]bool{}
		}
		m.Late[stream] = true
	}
	if vague != 0 {
		if m.Vague == nil {
			m.Vague = map[int64]int64{}
		}
		m.Vague[stream] = vague
	}
}

// Bury notes that a stream has lost records.
func (m *Machine) Bury(stream int64) {
	if m.Buried == nil {
		m.Buried = map[int64]bool{}
	}
	m.Buried[stream] = true
}

// how a stretch of time is to be booked.
type how uint8

const (
	byState how = iota // stop if one is open, else run
	stopped            // also where no stop is open: the cylinder was inched
	unknown
)

// watch books the time up to t: [Last, from) by the state so far, [from, t] as
// told. Nothing before Last is booked twice.
func (m *Machine) watch(stream, from, t int64, h how, reason string, c *Changes) {
	from = min(from, t)
	if !m.Heard {
		m.Heard, m.First, m.Last, m.Since, m.Stream = true, from, from, from, stream
	}
	if t <= m.Last {
		return
	}
	if stream == m.Stream && m.set > m.Last {
		m.book(m.Last, min(m.set, t), unknown, "the server's clock was set", c)
	}
	if stream != m.Stream {
		// Another agent has taken over: nobody watched in between, and what
		// was open then is not known to be open now.
		m.closeOpen(m.Last, c)
		if from > m.Last {
			m.book(m.Last, from, unknown, "another agent took over", c)
			m.Since = from
		}
		m.Stream = stream
	}
	if from > m.Last && m.Gone {
		// Neither is it known to be in the state of before.
		m.closeOpen(m.Last, c)
		m.book(m.Last, from, unknown, "records lost", c)
	} else if from > m.Last {
		m.book(m.Last, from, byState, "", c)
	}
	m.Gone = false
	if t > m.Last {
		m.book(m.Last, t, h, reason, c)
	}
}

// book moves Last from a to b.
func (m *Machine) book(a, b int64, h how, reason string, c *Changes) {
	m.Last = b
	ms := b - a
	switch {
	case h == unknown:
		m.UnknownMS += ms
		c.Gaps = append(c.Gaps, Gap{a, b, reason})
		c.spread(a, b, func(x *Cell, ms int64) { x.UnknownMS += ms })
		if m.Open == nil {
			m.Since = b
		}
	case m.Open != nil || h == stopped:
		m.StopMS += ms
		c.spread(a, b, func(x *Cell, ms int64) { x.StopMS += ms })
	default:
		m.RunMS += ms
		c.spread(a, b, func(x *Cell, ms int64) { x.RunMS += ms })
	}
}

// at returns the cell that begins at start.
func (c *Changes) at(start int64) *Cell {
	if c.cell != nil && c.cellStart == start {
		return c.cell
	}
	x := c.Cells[start]
	if x == nil {
		x = new(Cell)
		c.Cells[start] = x
	}
	c.cell, c.cellStart = x, start
	return x
}

// CellStart returns the start of the cell of grain ms that holds t.
func CellStart(t, grain int64) int64 {
	s := t - t%grain
	if s > t {
		s -= grain
	}
	return s
}

// spread splits (a, b] exactly at the borders of the cells.
func (c *Changes) spread(a, b int64, add func(x *Cell, ms int64)) {
	for a < b {
		start := CellStart(a, Fine)
		end := min(start+Fine, b)
		add(c.at(start), end-a)
		a = end
	}
}

// spreadRevolutions splits n revolutions over (a, b] by time; the last cell
// takes the remainder.
func (c *Changes) spreadRevolutions(a, b, n int64, add func(x *Cell, n int64)) {
	last := CellStart(max(a, b-1), Fine)
	if a >= b {
		last = CellStart(b, Fine)
	}
	left := n
	for s := a; s < last; {
		start := CellStart(s, Fine)
		end := start + Fine
		part := mulDiv(n, end-s, b-a)
		add(c.at(start), part)
		left -= part
		s = end
	}
	add(c.at(last), left)
}

// mulDiv is floor(n*num/den) for 0 <= num <= den, without overflow.
func mulDiv(n, num, den int64) int64 {
	hi, lo := bits.Mul64(uint64(n), uint64(num))
	q, _ := bits.Div64(hi, lo, uint64(den))
	return int64(q)
}

// job returns the start of the assignment in effect at t.
func (m *Machine) job(t int64) int64 {
	i, found := slices.BinarySearch(m.Jobs, t)
	switch {
	case found:
		return t
	case i == 0:
		return BeforeFirst
	}
	return m.Jobs[i-1]
}

// RPM is the recent speed, 0 when none is known.
func (m *Machine) RPM() float64 {
	if m.SpeedMS <= 0 {
		return 0
	}
	return m.SpeedRevs / m.SpeedMS * 60_000
}
