// Package gpio counts the teeth that pass a sensor on an old machine, and
// watches the relay of its stop lamp, through the kernel's GPIO character
// device (version 2, Linux 5.10 and later). The one rule: an edge that the
// kernel dropped is told, never passed over. It only requests inputs; it
// cannot drive a line. It does not judge what happened while it was not open.
package gpio

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"turnwise/agent/source"
)

// Sentinels inside the errors of this package.
var (
	ErrConfig   = errors.New("gpio configuration")
	ErrLine     = errors.New("line cannot be read")
	ErrBackward = errors.New("cylinder turns backward")
	ErrClosed   = errors.New("source is closed")
)

// Config says which lines to watch.
type Config struct {
	// Revolution is the sensor of the turn counter. A pulse begins when it
	// becomes active.
	Revolution Line
	// Second is a second sensor, a quarter of a tooth behind the first, on
	// the same chip; nil means none.
	Second *Line
	// Backward says that the second sensor comes first when the machine knits.
	Backward bool
	// PulsesPerRevolution is the number of teeth that pass the sensor in one
	// turn of the cylinder.
	PulsesPerRevolution int
	// MaxRPM is a speed that the machine cannot exceed.
	MaxRPM float64
	// Debounce is how long a level must last. Zero means DefaultDebounce.
	Debounce time.Duration
	// Stops are the stop inputs, in the order of Reading.Active.
	Stops []Line
	// Buffer is the number of events that the kernel keeps between two reads.
	// Zero means MaxBuffer.
	Buffer int
	// Trace, when set, is told every change of a stop input from within Read.
	Trace func(Change)

	kernel kernel
}

// Change is one change of a stop input.
type Change struct {
	Stop   int           // index
	At     time.Duration // CLOCK_MONOTONIC, as the kernel stamped it
	Active bool
}

// Source counts the pulses of one machine.
type Source struct {
	conf Config

	mu     sync.Mutex
	closed bool
	count  counter
	base   uint64 // count to go on from
	chips  []*chip
	opened bool
	until  int64 // instant up to which the lines were watched; 0 = never
	stops  []stopInput
	losses []source.Loss
	missed uint64
	odd    oddity
}

type stopInput struct{ active, flashed bool }

// oddity remembers since when pulses come too fast.
type oddity struct {
	tooFast uint64
	until   int64
}

var _ source.Pulses = (*Source)(nil)

// Open checks the configuration. The lines are requested by the first Read.
func Open(c Config) (*Source, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if c.Debounce == 0 {
		c.Debounce = DefaultDebounce
	}
	if c.Buffer == 0 {
		c.Buffer = MaxBuffer
	}
	if c.kernel == nil {
		c.kernel = system{}
	}
	s := &Source{conf: c, stops: make([]stopInput, len(c.Stops))}
	if c.Second != nil {
		s.count = &double{swap: c.Backward}
	} else {
		s.count = &single{debounce: int64(c.Debounce), apart: int64(minApart(c.MaxRPM, c.PulsesPerRevolution))}
	}
	return s, nil
}

// Counter is 0: the counter is the agent's own.
func (s *Source) Counter() uint { return 0 }

// GoOn sets the count to go on from.
func (s *Source) GoOn(count uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.base = count
}

// Tally tells what was counted and refused since Open.
func (s *Source) Tally() source.Tally {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.count.seen()
	t.Missed = s.missed
	return t
}

// Read takes what the kernel has kept since the Read before. It does not wait
// for edges.
func (s *Source) Read(ctx context.Context) (source.Reading, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return source.Reading{}, fmt.Errorf("gpio: %s: %w", s.conf.Revolution, ErrClosed)
	}
	if err := ctx.Err(); err != nil {
		return source.Reading{}, err
	}
	// An edge after this instant is not missed: it only comes with the next
	// Read, and no level is taken to have lasted beyond it.
	now := s.conf.kernel.now()
	if err := s.take(now); err != nil {
		s.release()
		return source.Reading{}, err
	}
	s.count.settle(now)
	s.until = now
	if d, ok := s.count.(*double); ok && d.behind() > backwardTurns*int64(s.conf.PulsesPerRevolution) {
		return source.Reading{}, fmt.Errorf("gpio: %s: %w: it stands %d teeth behind its farthest place; when the machine knits, exchange line and line_b or set direction: backward",
			s.conf.Revolution, ErrBackward, d.behind())
	}
	r := source.Reading{Raw: s.base + s.count.seen().Pulses, SpeedRPM: -1, Losses: s.losses, Note: s.note(now)}
	s.losses = nil
	for i := range s.stops {
		// A lamp that flashed between two reads was on.
		if in := &s.stops[i]; in.active || in.flashed {
			r.Active = append(r.Active, i)
			in.flashed = false
		}
	}
	return r, nil
}

// backwardTurns is how far a cylinder is inched back at the most (common
// practice, no source); beyond it the two sensors are taken to be exchanged.
const backwardTurns = 2

// noteFor is how long an oddity is told after it was last seen.
const noteFor = int64(30 * time.Second)

// note tells that pulses are refused because they come too fast.
func (s *Source) note(now int64) string {
	if n := s.count.seen().TooFast; n > s.odd.tooFast {
		s.odd = oddity{n, now + noteFor}
	}
	if now >= s.odd.until {
		return ""
	}
	return fmt.Sprintf("pulses come faster than %v rpm allows and are not counted, %d so far: a target that trembles on the sensor's edge, noise on the wire, or max_speed_rpm and pulses_per_revolution that do not fit",
		s.conf.MaxRPM, s.odd.tooFast)
}

// Close gives the lines back.
func (s *Source) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.release()
	return nil
}

func (s *Source) release() {
	for _, c := range s.chips {
		_ = c.lines.Close() // lines that are given up have nothing to say
	}
	s.chips, s.opened = nil, false
}

// lose notes a loss. A long list is one loss: it is told with the next good
// reading, and that may be late.
func (s *Source) lose(l source.Loss) {
	s.missed += l.Events
	const most = 16
	if len(s.losses) >= most {
		last := &s.losses[most-1]
		last.Events, last.Counts = last.Events+l.Events, last.Counts+l.Counts
		return
	}
	s.losses = append(s.losses, l)
}
