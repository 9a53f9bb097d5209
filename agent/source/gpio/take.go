package gpio

import (
	"fmt"
	"slices"
	"time"

	"turnwise/agent/source"
)

// kernel is what the source needs of the operating system.
type kernel interface {
	// request takes lines of one chip as inputs that report both edges.
	request(chip string, lines []request, buffer int) (lines, error)
	// now is CLOCK_MONOTONIC, ns.
	now() int64
}

// request is one line to take.
type request struct {
	offset    int
	activeLow bool
	bias      string
	debounce  time.Duration
}

// lines are lines of one chip that the kernel has given.
type lines interface {
	// values gives the levels in the order of the request, bit i for line i.
	values() (uint64, error)
	// events appends the events that wait, and returns at once.
	events([]event) ([]event, error)
	Close() error
}

// event is one edge as the kernel tells it.
type event struct {
	at     int64 // CLOCK_MONOTONIC, ns
	offset int
	active bool
	seq    uint32 // of the line, from 1; a hole in it is a dropped event
}

// Roles of a line.
const (
	roleA = iota
	roleB
	roleStop // and its index
)

// chip is one chip with the lines of this machine.
type chip struct {
	lines lines
	wired []wired
}

type wired struct {
	offset, role int
	seq          uint32
}

// glitch is how long the kernel waits for a level: a fourth of the debounce
// time takes the ringing away, which would fill its buffer, and leaves the
// slow bouncing to be counted and told.
func (c Config) glitch(role int) time.Duration {
	switch {
	case role >= roleStop:
		return DefaultDebounce
	case c.Second != nil:
		return 0 // delays would mix up the order of the two
	}
	return c.Debounce / 4
}

// take brings the counter and the stop inputs up to now.
func (s *Source) take(now int64) error {
	if !s.opened {
		return s.request(now)
	}
	var batch []event
	for _, c := range s.chips {
		var err error
		if batch, err = c.lines.events(batch[:0]); err != nil {
			return fmt.Errorf("gpio: %s: %w: %w; is the chip still there", s.conf.Revolution, ErrLine, err)
		}
		if err := s.apply(c, batch); err != nil {
			return err
		}
	}
	return nil
}

// request takes all lines and their levels.
func (s *Source) request(now int64) error {
	byChip := map[string][]request{}
	roles := map[string][]int{}
	var order []string
	add := func(l Line, role int) {
		if byChip[l.Chip] == nil {
			order = append(order, l.Chip)
		}
		byChip[l.Chip] = append(byChip[l.Chip], request{l.Offset, l.ActiveLow, l.Bias, s.conf.glitch(role)})
		roles[l.Chip] = append(roles[l.Chip], role)
	}
	add(s.conf.Revolution, roleA)
	if s.conf.Second != nil {
		add(*s.conf.Second, roleB)
	}
	for i, l := range s.conf.Stops {
		add(l, roleStop+i)
	}
	level := map[int]bool{}
	for _, name := range order {
		got, err := s.conf.kernel.request(name, byChip[name], s.conf.Buffer)
		if err != nil {
			return err
		}
		c := &chip{lines: got}
		s.chips = append(s.chips, c)
		bits, err := got.values()
		if err != nil {
			return fmt.Errorf("gpio: %s: read the levels: %w: %w", name, ErrLine, err)
		}
		for i, r := range byChip[name] {
			role := roles[name][i]
			c.wired = append(c.wired, wired{offset: r.offset, role: role})
			level[role] = bits&(1<<i) != 0
		}
	}
	s.opened = true
	s.count.start(now, level[roleA], level[roleB])
	for i := range s.stops {
		s.stops[i].active = level[roleStop+i]
	}
	if s.until != 0 {
		away := time.Duration(now - s.until)
		s.lose(source.Loss{Input: "revolution", Counts: s.most(away), Evidence: fmt.Sprintf("the lines were not watched for %s", away.Round(time.Millisecond))})
	}
	return nil
}

// most is how many pulses can come in a time: a quarter above the highest
// speed, and 2 for the edges of the interval.
func (s *Source) most(d time.Duration) uint64 {
	return uint64(1.25*s.conf.MaxRPM*float64(s.conf.PulsesPerRevolution)*d.Minutes()) + 3
}

// apply hands the events of one chip to the counter and the stop inputs.
func (s *Source) apply(c *chip, batch []event) error {
	for i, e := range batch {
		w := slices.IndexFunc(c.wired, func(w wired) bool { return w.offset == e.offset })
		if w < 0 {
			continue // no line of ours
		}
		line := &c.wired[w]
		missed := uint64(e.seq - line.seq - 1)
		line.seq = e.seq
		if missed > 0 {
			if err := s.gap(c, line, missed, e, batch[i:]); err != nil {
				return err
			}
		}
		switch line.role {
		case roleA, roleB:
			s.count.edge(edge{e.at, line.role == roleB, e.active})
		default:
			s.stop(line.role-roleStop, e)
		}
	}
	return nil
}

func (s *Source) stop(i int, e event) {
	in := &s.stops[i]
	in.active, in.flashed = e.active, in.flashed || e.active
	if s.conf.Trace != nil {
		s.conf.Trace(Change{Stop: i, At: time.Duration(e.at), Active: e.active})
	}
}

// gap notes that the kernel dropped events of a line, and lets the counter
// begin anew from the levels before the events that are left.
func (s *Source) gap(c *chip, line *wired, missed uint64, e event, rest []event) error {
	l := source.Loss{Input: "revolution", Events: missed, Evidence: fmt.Sprintf("%d events of line %d were dropped before number %d; the agent looked too seldom, or the line is noisy", missed, line.offset, e.seq)}
	if line.role >= roleStop {
		l.Input = fmt.Sprintf("stops[%d]", line.role-roleStop)
		s.lose(l)
		return nil
	}
	l.Counts = s.count.lost(missed)
	s.lose(l)
	bits, err := c.lines.values()
	if err != nil {
		return fmt.Errorf("gpio: %s: read the levels: %w: %w", s.conf.Revolution, ErrLine, err)
	}
	before := map[int]bool{}
	for i, w := range c.wired {
		before[w.role] = bits&(1<<i) != 0 // unless an event that is left says more
		for _, r := range rest {
			if r.offset == w.offset {
				before[w.role] = !r.active
				break
			}
		}
	}
	s.count.start(e.at, before[roleA], before[roleB])
	return nil
}
