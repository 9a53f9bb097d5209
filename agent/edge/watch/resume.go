package watch

import (
	"bytes"
	"time"

	"turnwise/agent/count"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// Resumed is where the server last knew the counter of a machine.
type Resumed struct {
	Life          [16]byte
	Ext, Raw      uint64
	Bits          uint   // width of the raw counter
	PerRevolution uint32 // counts in one revolution
	// At is an instant of this boot, and Age how old the reading was then, by
	// the server's clock.
	At  source.Instant
	Age time.Duration
	// Longer is how much longer ago it may have been: that clock was set back since.
	Longer time.Duration
	// Stop is the stop that was open; zero when there was none.
	Stop [16]byte
	// Cause and Side are those of its input; empty when they are not known.
	Cause, Side string
}

// Answer is the server's checked word, which came at an instant.
func Answer(r *wirepb.Resume, at source.Instant) Resumed {
	x := Resumed{
		Ext: r.GetExtended(), Raw: r.GetRaw(), Bits: uint(r.GetRawBits()), PerRevolution: max(r.GetCountsPerRevolution(), 1),
		Cause: r.GetStopCause(), Side: r.GetStopSide(), At: at, Age: time.Duration(r.GetSentNs() - r.GetReadingNs()), Longer: min(time.Duration(r.GetLongerAgoNs()), mostSet),
	}
	if bytes.Equal(r.GetBootId(), at.Boot[:]) && r.GetBoottimeNs() <= at.Boottime {
		// Read in this boot, whose time nobody can set.
		x.Age, x.Longer = time.Duration(at.Boottime-r.GetBoottimeNs()), 0
	}
	copy(x.Life[:], r.GetLifeId())
	copy(x.Stop[:], r.GetStopId())
	return x
}

// placing is how far off the age of a reading can be: its host's clock and the
// way of the answer.
const placing = 5 * time.Second

// set is how much longer ago than told the reading may have been: the age is by a
// clock of the server's that may have been set since, and whoever read meanwhile
// and saw the register fall is gone with what it knew. So a way over the end of
// the register is never taken for turning here, however short; it is in bounds.
const set = 1

// mostSet is the most that a clock can have been set back by: nobody's machine has
// run so long unheard.
const mostSet = 10 * 365 * 24 * time.Hour

// owed is how long a counter that stood may owe counts to its register.
const owed = 3 * time.Second

// anyStop is the number of no stop input.
const anyStop = 255

// named are the inputs that go by a name; all where the name is empty.
func (w *Watch) named(cause, side string) (set uint64) {
	if cause == "" {
		return ^uint64(0)
	}
	for i, s := range w.conf.Stops {
		if s.Cause == cause && s.Side == side {
			set |= 1 << i
		}
	}
	return set
}

// Resume is the state of a watch that goes on from a reading of another one.
// Its next reading ends a hole: counts that followed without doubt belong to
// the same life, and of anything else the link to a new life gives bounds.
func (w *Watch) Resume(r Resumed) State {
	last := instant(r.At, r.At.Boottime-int64(r.Age))
	s := State{
		Known: true, Counter: w.conf.Counter, Life: r.Life, Unit: Unit{r.PerRevolution, r.Bits}, Axis: placing,
		Count: count.State{Known: true, Raw: r.Raw, Ext: r.Ext, Moved: -owed},
		More:  set + r.Longer, Last: last, Raw: r.Raw, Told: r.Ext, resumed: true,
	}
	if r.Bits != w.conf.Bits || r.PerRevolution != w.conf.PerRevolution {
		s.Counter = ^w.conf.Counter // another counter is read from now on
	}
	if r.Stop != [16]byte{} {
		s.stop = stop{open: true, input: true, id: r.Stop, first: anyStop, held: w.named(r.Cause, r.Side)}
	}
	s.settle(last.Boottime, r.Ext)
	return s
}
