package gpio

import (
	"time"

	"turnwise/agent/source"
)

// edge is one change of a line. Instants are CLOCK_MONOTONIC, ns.
type edge struct {
	at     int64
	b      bool // of the second sensor
	active bool // the level that it changed to
}

// counter counts the teeth that pass one sensor, or two.
type counter interface {
	// start takes the levels as they are at first, or after events were lost.
	start(at int64, a, b bool)
	edge(edge)
	// settle lets time pass until an instant without an edge.
	settle(at int64)
	// lost is the most counts that can be among a number of lost events.
	lost(events uint64) uint64
	seen() source.Tally
}

// single counts with one sensor. A level counts when it has lasted for
// debounce; a pulse counts when none, counted or not, began within apart
// before it. So a target that trembles on the edge of the sensor is one count
// at the most, however long it trembles, and a sensor that sees far more than
// the machine can turn stands still and tells why instead of running away.
//
// What one sensor cannot know: a pulse that a disturbance adds halfway
// between two teeth of a slow machine, and the direction.
type single struct {
	debounce, apart int64

	level  bool  // that has lasted
	now    bool  // as the line is
	since  int64 // of now
	last   int64 // beginning of the pulse before
	before bool  // there is one
	tally  source.Tally
}

// minApart is how close two teeth can follow each other: half the time that
// one takes at the highest speed, for teeth are not cut evenly.
func minApart(maxRPM float64, perRevolution int) time.Duration {
	return time.Duration(0.5 * float64(time.Minute) / (maxRPM * float64(perRevolution)))
}

func (s *single) start(at int64, a, _ bool) { s.level, s.now, s.since, s.before = a, a, at, false }

func (s *single) edge(e edge) {
	if e.b || e.active == s.now {
		return
	}
	s.settle(e.at)
	if s.now != s.level {
		s.tally.Bounces++ // it goes back before it has lasted
	}
	s.now, s.since = e.active, e.at
}

func (s *single) settle(at int64) {
	if s.now == s.level || at-s.since < s.debounce {
		return
	}
	s.level = s.now
	if !s.level {
		return
	}
	soon := s.before && s.since-s.last < s.apart
	s.before, s.last = true, s.since
	if soon {
		s.tally.TooFast++
		return
	}
	s.tally.Pulses++
}

func (s *single) lost(events uint64) uint64 { return events/2 + 1 }
func (s *single) seen() source.Tally        { return s.tally }

// double counts with two sensors a quarter of a tooth apart. Every change of
// either is a step of a quarter tooth forward or back; a count is a whole
// tooth beyond the farthest place so far. A sensor that trembles steps to and
// fro and counts nothing, nor does a cylinder that is inched back and forth.
type double struct {
	swap bool // forward is when B leads

	a, b     bool
	at       int64 // quarter teeth, forward
	farthest int64 // the place of the last count
	back     int64 // whole teeth behind it, as tallied
	tally    source.Tally
}

func (d *double) start(_ int64, a, b bool) {
	// A tooth may be half passed: it counts only when it passes whole.
	d.a, d.b, d.at, d.farthest, d.back = a, b, 0, 0, 0
}

func (d *double) edge(e edge) {
	if e.b && e.active == d.b || !e.b && e.active == d.a {
		return
	}
	// A leads B when going forward: 00, 10, 11, 01, 00.
	forward := e.active != d.b
	if e.b {
		forward = e.active == d.a
		d.b = e.active
	} else {
		d.a = e.active
	}
	step := int64(-1)
	if forward != d.swap {
		step = 1
	}
	d.at += step
	switch behind := (d.farthest - d.at) / 4; {
	case d.at >= d.farthest+4:
		d.farthest += 4
		d.tally.Pulses++
		d.back = 0
	case behind > d.back:
		d.back = behind
		d.tally.Backward++
	}
}

func (d *double) settle(int64)              {}
func (d *double) lost(events uint64) uint64 { return events/4 + 2 }
func (d *double) seen() source.Tally        { return d.tally }

// behind is how many whole teeth the cylinder stands behind its farthest place.
func (d *double) behind() int64 { return max(d.farthest-d.at, 0) / 4 }
