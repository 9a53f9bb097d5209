package machine

import (
	"fmt"
	"math/bits"
	"slices"
	"sort"
	"time"

	"turnwise/planner/unit"
)

// Period is the time of one turn at a speed, in whole nanoseconds; 0 for a
// cylinder that stands.
func Period(speed unit.RPM) time.Duration {
	if speed <= 0 {
		return 0
	}
	return time.Duration(float64(time.Minute)/float64(speed) + 0.5)
}

// leg is a time of unchanging speed.
type leg struct {
	from, to time.Duration // on the machine's clock
	period   time.Duration // of one turn; 0 = stands
	turns    int64         // whole turns at from
	phase    time.Duration // into the turn at from, in time of this leg; of a standing leg in time of phaseOf
	phaseOf  time.Duration
}

// Cylinder is the position of one cylinder as an exact function of the time
// on its machine's clock, which begins at 0. Ramps are left out: a cylinder
// is at speed or stands. The zero value stands at 0.
type Cylinder struct {
	legs []leg
}

// End is the instant up to which the position is known.
func (c *Cylinder) End() time.Duration {
	if len(c.legs) == 0 {
		return 0
	}
	return c.legs[len(c.legs)-1].to
}

// Append says how the cylinder moves from End to an instant: one turn each
// period, or not at all when period is 0.
func (c *Cylinder) Append(to, period time.Duration) {
	from := c.End()
	if to < from || period < 0 {
		panic(fmt.Sprintf("machine: leg to %v with period %v after %v", to, period, from))
	}
	if to == from {
		return
	}
	l := leg{from: from, to: to, period: period}
	if n := len(c.legs); n > 0 {
		l.turns, l.phase, l.phaseOf = c.legs[n-1].at(from)
	}
	if period > 0 {
		if l.phaseOf > 0 {
			l.phase = scale(l.phase, period, l.phaseOf)
		}
		l.phaseOf = period
	}
	c.legs = append(c.legs, l)
}

// scale is d * num / den, rounded down, without overflow; d < den.
func scale(d, num, den time.Duration) time.Duration {
	hi, lo := bits.Mul64(uint64(d), uint64(num))
	q, _ := bits.Div64(hi, lo, uint64(den))
	return time.Duration(q)
}

// at is the position inside the leg.
func (l leg) at(t time.Duration) (turns int64, phase, phaseOf time.Duration) {
	if l.period == 0 {
		return l.turns, l.phase, l.phaseOf
	}
	sum := l.phase + (t - l.from)
	return l.turns + int64(sum/l.period), sum % l.period, l.period
}

// find is the leg of an instant: from <= t < to, or the last one at End.
func (c *Cylinder) find(t time.Duration) (leg, bool) {
	if len(c.legs) == 0 || t < 0 {
		return leg{}, false
	}
	if t > c.End() {
		panic(fmt.Sprintf("machine: position at %v asked, known up to %v", t, c.End()))
	}
	i := sort.Search(len(c.legs), func(i int) bool { return c.legs[i].to > t })
	return c.legs[min(i, len(c.legs)-1)], true
}

// Turns is the revolution counter at an instant: whole turns since 0. It
// panics for an instant after End.
func (c *Cylinder) Turns(t time.Duration) int64 {
	l, ok := c.find(t)
	if !ok {
		return 0
	}
	n, _, _ := l.at(t)
	return n
}

// Speed of the cylinder at an instant.
func (c *Cylinder) Speed(t time.Duration) unit.RPM {
	l, ok := c.find(t)
	if !ok || l.period == 0 {
		return 0
	}
	return unit.RPM(float64(time.Minute) / float64(l.period))
}

// When is the first instant at which the counter shows n turns, or false if
// that lies after End.
func (c *Cylinder) When(n int64) (time.Duration, bool) {
	if n <= 0 {
		return 0, true
	}
	i, _ := slices.BinarySearchFunc(c.legs, n, func(l leg, n int64) int {
		if end, _, _ := l.at(l.to); end < n {
			return -1
		}
		return 1
	})
	if i == len(c.legs) {
		return 0, false
	}
	l := c.legs[i]
	if l.turns >= n || l.period == 0 {
		return l.from, true
	}
	return l.from + time.Duration(n-l.turns)*l.period - l.phase, true
}
