// Package count turns raw counter readings into an extended counter that
// never wraps. It is pure: the time of every reading comes with the reading,
// so a replayed day gives the same counts as the live one. The one rule: it
// never books a jump; what cannot be known becomes a new counter life with
// bounds on what may be missing. It does not know what a count weighs.
package count

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// ErrScale is inside the error about a scale that is no whole number of
// counts per revolution.
var ErrScale = errors.New("scale is not one over a whole number")

// ErrOptions is inside the errors of [New].
var ErrOptions = errors.New("counter options")

// MaxPerRevolution bounds the counts in one revolution.
const MaxPerRevolution = 100_000

// PerRevolution gives the counts in one revolution of the cylinder for a
// register whose one count is scale revolutions: scale 1 is one count per
// revolution, 0.25 is four. Zero means 1. Any other scale would need broken
// counts, which cannot be added without loss, and is refused.
func PerRevolution(scale float64) (uint32, error) {
	if scale == 0 {
		return 1, nil
	}
	n := math.Round(1 / scale)
	if !(n >= 1 && n <= MaxPerRevolution) || math.Abs(n*scale-1) > 1e-6 {
		return 0, fmt.Errorf("%w: found %v; one count must be a revolution (1) or an even part of one (0.5, 0.25, 0.1), so that counts stay whole numbers", ErrScale, scale)
	}
	return uint32(n), nil
}

// Options describes a raw counter.
type Options struct {
	// Bits is the width of the raw counter, 1 to 32.
	Bits uint
	// PerRevolution is the number of counts in one revolution. Zero means 1.
	PerRevolution uint32
	// MaxRPM is a speed that the machine cannot exceed. Zero means
	// DefaultMaxRPM.
	MaxRPM float64
}

// DefaultMaxRPM is above the speed of circular weft-knitting machines, which
// is 15 to 45 rpm (common practice, no source).
const DefaultMaxRPM = 60

// confirmApart is the shortest time between two readings that confirm a reset.
const confirmApart = time.Second

// confirmations is the number of further readings that a backward step or a
// jump must stand before it is believed.
const confirmations = 2

// wrapShare: a backward step is a wrap only when the counter can have moved
// modulus/wrapShare at the most. A reset looks like a wrap when it hits the
// counter within that distance of its end; beyond one in sixteen that is not
// rare enough to be left out, and both are said to be possible; nor is it where
// the distance is believed without a clock.
const wrapShare = 16

// lag is how late a device may show counts: some copy their counter to the
// register only now and then. A counter that stood may move by that much more.
const lag = 3 * time.Second

// blind is the longest time over which one reading is believed. What a longer
// one may show is so much that a value read wrong, or torn between its words,
// would pass for turning: such a step needs one further reading. In a narrow
// counter a sixteenth of its values is too much already.
const blind = 15 * time.Second

// aDay is how long a way may be, at the highest speed, that is believed against
// a reading just before that is on neither end of it.
const aDay = 24 * time.Hour

// atOnce is how far a step may go that is believed at once.
func (c Counter) atOnce() uint64 { return min(c.Bound(blind), c.modulus/wrapShare) }

// Counter decides about the readings of one raw counter. It holds no reading:
// what is known of one machine is a [State].
type Counter struct {
	modulus uint64
	perSec  float64 // counts a second at MaxRPM and a quarter more
}

// New checks the options.
func New(o Options) (Counter, error) {
	if o.Bits < 1 || o.Bits > 32 {
		return Counter{}, fmt.Errorf("%w: width %d bits, 1 to 32 expected", ErrOptions, o.Bits)
	}
	if o.PerRevolution == 0 {
		o.PerRevolution = 1
	}
	if o.PerRevolution > MaxPerRevolution {
		return Counter{}, fmt.Errorf("%w: %d counts per revolution, at most %d expected", ErrOptions, o.PerRevolution, MaxPerRevolution)
	}
	if o.MaxRPM == 0 {
		o.MaxRPM = DefaultMaxRPM
	}
	if !(o.MaxRPM > 0 && o.MaxRPM <= 10_000) {
		return Counter{}, fmt.Errorf("%w: highest speed %v rpm, more than 0 and at most 10000 expected", ErrOptions, o.MaxRPM)
	}
	return Counter{
		modulus: 1 << o.Bits,
		perSec:  1.25 * o.MaxRPM * float64(o.PerRevolution) / 60,
	}, nil
}

// Modulus is the number of values of the raw counter.
func (c Counter) Modulus() uint64 { return c.modulus }

// Bound is the most that the counter can have moved in d: a quarter above the
// highest speed, and 2 for the edges of the interval.
func (c Counter) Bound(d time.Duration) uint64 {
	b := math.Ceil(c.perSec*max(d, 0).Seconds()) + 2
	if b > math.MaxInt64 {
		return math.MaxInt64
	}
	return uint64(b)
}

// Sample is one raw reading.
type Sample struct {
	Raw uint64
	// At is the instant on an axis that never goes back, whatever the boots
	// and clocks of the host do. No more time than it tells is believed.
	At time.Duration
	// More is how much later than At it may be, where a clock cannot be
	// believed. It never falls. What only this time would explain is not
	// booked, but it widens the bounds of what may be missing.
	More time.Duration
}

// Kind says what a reading meant.
type Kind uint8

const (
	// Counted: the extended counter moved over (From, To] of its life.
	Counted Kind = iota
	// Held: the reading is doubted; nothing is booked until it is confirmed.
	Held
	// NewLife: a counter life begins, and (From, To] belongs to it.
	NewLife
)

// Link says how a counter life began.
type Link uint8

const (
	// FirstSight: there was no life before. A life of any other kind follows
	// one, but for a Preset whose readings never agreed.
	FirstSight Link = iota + 1
	// Reset: the counter fell to 0 and went on from there.
	Reset
	// Replaced: another counter took its place.
	Replaced
	// Preset: the counter took a value that turning cannot explain.
	Preset
	// Ambiguous: it wrapped or fell, or turned more than once around.
	Ambiguous
)

// Verdict is the meaning of one reading.
type Verdict struct {
	Kind Kind
	// From and To are the extended counter before and after.
	From, To uint64
	// The rest is set for NewLife only. PrevTo is where the life before
	// ended; between LostMin and LostMax counts are missing between the two.
	// Began is the instant of From at a first sight and of another counter.
	Link             Link
	Began            time.Duration
	PrevTo           uint64
	LostMin, LostMax uint64
	// Evidence holds the raw readings and the reason, for people.
	Evidence string
}

// Step decides about one reading and gives the state after it. The state is
// that of the reading before, or the zero State at first sight.
func (c Counter) Step(st State, s Sample) (State, Verdict) {
	s.Raw %= c.modulus
	s.At, s.More = max(s.At, st.At), max(s.More, st.More)
	switch {
	case st.Beginning():
		return c.stepSight(st, s)
	case !st.Known:
		return sighted(st, s)
	case st.held.on:
		return c.stepHeld(st, s)
	}
	return c.judge(st, s)
}

// judge decides about a reading against the last good one.
func (c Counter) judge(st State, s Sample) (State, Verdict) {
	d, bound, most := c.delta(st, s)
	forward := s.Raw >= st.Raw
	switch {
	case most >= c.modulus && (!forward || most-d >= c.modulus):
		// It may have fallen, or gone round once more than it shows.
		return doubt(st, s, Ambiguous)
	case forward && d <= min(bound, c.atOnce()):
		return c.count(st, s, d)
	case forward && d <= bound:
		return doubt(st, s, stepped)
	case forward && d <= most:
		return doubt(st, s, far)
	case forward:
		return doubt(st, s, Preset)
	case d <= bound && bound <= c.modulus/wrapShare && (s.More == st.More || s.Raw > bound):
		return doubt(st, s, wrapped)
	case d <= bound:
		return doubt(st, s, Ambiguous)
	case s.Raw <= bound:
		return doubt(st, s, Reset)
	}
	return doubt(st, s, Preset)
}

// Replace takes the first reading of another counter that is read from now on.
// A new life begins once a further reading follows it, in [Counter.Step].
func (c Counter) Replace(st State, s Sample) (State, Verdict) {
	s.Raw %= c.modulus
	s.At, s.More = max(s.At, st.At), max(s.More, st.More)
	return sighted(st, s)
}

// delta is how far the counter went from the last good reading, modulo its
// width, how far it is believed to have gone at the most, and how far it can
// have gone if the clocks were wrong.
func (c Counter) delta(st State, s Sample) (d, bound, most uint64) {
	took := s.At - st.At + min(st.At-st.Moved, lag)
	return c.distance(st.Raw, s.Raw), c.Bound(took), c.Bound(took + s.More - st.More)
}

func (c Counter) distance(from, to uint64) uint64 {
	return (to + c.modulus - from%c.modulus) % c.modulus
}

// count books d counts up to s.
func (c Counter) count(st State, s Sample, d uint64) (State, Verdict) {
	next := State{Known: true, Raw: s.Raw, Ext: st.Ext + d, At: s.At, More: s.More, Moved: st.Moved}
	if d > 0 {
		next.Moved = s.At
	}
	return next, Verdict{Kind: Counted, From: st.Ext, To: next.Ext}
}

// begin starts a life that has gone from its extended counter from to s.
func (c Counter) begin(s Sample, from uint64, v Verdict) (State, Verdict) {
	v.Kind, v.From, v.To = NewLife, from, from+c.distance(from, s.Raw)
	return State{Known: true, Raw: s.Raw, Ext: v.To, At: s.At, More: s.More, Moved: s.At}, v
}
