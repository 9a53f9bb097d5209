package truth

import (
	"fmt"
	"iter"
	"slices"
	"sort"
	"sync"
	"time"

	"turnwise/simulator/machine"
	"turnwise/simulator/stops"
)

// Input is one stop input of a machine.
type Input struct {
	Cause, Side string
}

// Job says that a machine knits an article from an instant on.
type Job struct {
	From    time.Duration
	Article machine.Article
}

// Outage is a time in which nobody can watch a machine, made by the scenario.
type Outage struct {
	At, For time.Duration
}

// Plan is one machine: what it is, knits and suffers.
type Plan struct {
	ID       string
	Register machine.Register
	// Inputs in order. A machine with one input of cause "unspecified" shows
	// every stop there.
	Inputs  []Input
	Jobs    []Job // oldest first, the first from 0
	Stops   stops.Plan
	Outages []Outage
}

// Lamp is the cause that machines show which only say "stopped".
const Lamp = "unspecified"

// Machine is the truth of one machine. It is safe for concurrent use.
type Machine struct {
	Plan Plan

	mu    sync.Mutex
	proc  *stops.Process
	spans []stops.Span
	cyl   machine.Cylinder
	loads []Load
}

// Load is a round of cones, with the counter of the machine at that instant.
type Load struct {
	stops.Load
	Turns int64
}

// NewMachine begins a machine at 0.
func NewMachine(p Plan) (*Machine, error) {
	if len(p.Jobs) == 0 || p.Jobs[0].From != 0 {
		return nil, fmt.Errorf("truth: machine %s has no job from the first instant on", p.ID)
	}
	for _, j := range p.Jobs {
		if err := j.Article.Check(); err != nil {
			return nil, fmt.Errorf("truth: machine %s: %w", p.ID, err)
		}
	}
	proc, err := stops.New(p.Stops)
	if err != nil {
		return nil, err
	}
	return &Machine{Plan: p, proc: proc}, nil
}

// extend makes the days up to and beyond an instant; m.mu is held.
func (m *Machine) extend(to time.Duration) {
	for m.cyl.End() <= to {
		s := m.proc.Next()
		m.cyl.Append(s.To, s.Period)
		m.spans = append(m.spans, s)
		for _, l := range m.proc.Loads() {
			m.loads = append(m.loads, Load{l, m.cyl.Turns(l.At)})
		}
	}
}

// span is the index of the span of an instant; m.mu is held.
func (m *Machine) span(at time.Duration) int {
	m.extend(at)
	return sort.Search(len(m.spans), func(i int) bool { return m.spans[i].To > at })
}

// State is one instant of a machine.
type State struct {
	Turns       int64
	RPM         float64
	Doing       stops.Doing
	Cause, Side string // as the inputs show it
	Input       int    // that is on; -1 = none
}

// At is the machine at an instant on its clock.
func (m *Machine) At(at time.Duration) State {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.state(m.spanAt(at), at)
}

func (m *Machine) spanAt(at time.Duration) stops.Span { return m.spans[m.span(at)] }

func (m *Machine) state(s stops.Span, at time.Duration) State {
	st := State{Turns: m.cyl.Turns(at), RPM: float64(m.cyl.Speed(at)), Doing: s.Doing, Input: -1}
	if s.Doing == stops.Stopped {
		st.Input = m.input(s)
		st.Cause, st.Side = m.Plan.Inputs[st.Input].Cause, m.Plan.Inputs[st.Input].Side
	}
	return st
}

// input is the index of the input that a stop switches on.
func (m *Machine) input(s stops.Span) int {
	best := -1
	for i, in := range m.Plan.Inputs {
		if in.Cause == s.Cause && in.Side == s.Side {
			return i
		}
		if best < 0 && (in.Cause == s.Cause || in.Cause == Lamp) {
			best = i
		}
	}
	if best < 0 {
		panic(fmt.Sprintf("truth: machine %s has no input for a stop of cause %q", m.Plan.ID, s.Cause))
	}
	return best
}

// Moment is a State with its instant.
type Moment struct {
	At time.Duration
	State
	// Restarted says that nobody watched from the moment before until this one.
	Restarted bool
}

// Moments are the instants from an instant on up to an end at which something
// changes, with others between so that no two are further apart than step.
// The end is asked for again at the last moment, so that it may move; they
// cease when it is closer than a hundredth of the step.
func (m *Machine) Moments(from time.Duration, end func() time.Duration, step time.Duration) iter.Seq[Moment] {
	return func(yield func(Moment) bool) {
		for at, restarted := from, false; ; {
			m.mu.Lock()
			s := m.spanAt(at)
			mo := Moment{at, m.state(s, at), restarted}
			m.mu.Unlock()
			if !yield(mo) {
				return
			}
			next := min(s.To, at+step)
			restarted = false
			for _, o := range m.Plan.Outages {
				switch {
				case at < o.At && o.At < next:
					next = o.At
				case at == o.At:
					next, restarted = o.At+o.For, true
				}
			}
			if now := end(); next > now {
				if next, restarted = now, false; now-at < step/100 {
					return
				}
			}
			at = next
		}
	}
}

// Changes are the instants in (from, to] at which a stop begins or ends.
func (m *Machine) Changes(from, to time.Duration) []Moment {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []Moment
	m.extend(to)
	for i := 1; i < len(m.spans); i++ {
		a, b := m.spans[i-1], m.spans[i]
		if b.From > from && b.From <= to && a.Doing != b.Doing {
			out = append(out, Moment{At: b.From, State: m.state(b, b.From)})
		}
	}
	return out
}

// Loads are the rounds of cones put on in (from, to].
func (m *Machine) Loads(from, to time.Duration) []Load {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.extend(to)
	return slices.DeleteFunc(slices.Clone(m.loads), func(l Load) bool { return l.At <= from || l.At > to })
}

// Totals are the books of one machine up to an instant.
type Totals struct {
	Revolutions int64            `json:"revolutions"`
	Stops       int64            `json:"stops"` // begun at inputs, the open one included
	ByCause     map[string]int64 `json:"stops_by_cause"`
	OpenStop    bool             `json:"open_stop"`
	Kilos       float64          `json:"kilos"`
	RunMS       int64            `json:"run_ms"`
	StopMS      int64            `json:"stop_ms"` // at inputs
	IdleMS      int64            `json:"idle_ms"` // standing without an input
	// UnknownMS is what the scenario let nobody watch, whatever the machine did.
	UnknownMS int64 `json:"unknown_ms"`
}

// Totals adds everything up to an instant.
func (m *Machine) Totals(at time.Duration) Totals {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := m.span(at)
	t := Totals{Revolutions: m.cyl.Turns(at), ByCause: map[string]int64{}, OpenStop: m.spans[i].Doing == stops.Stopped}
	var run, stop, idle, unknown time.Duration
	for _, s := range m.spans[:i+1] {
		d := min(s.To, at) - s.From
		switch s.Doing {
		case stops.Turning:
			run += d
		case stops.Idling:
			idle += d
		case stops.Stopped:
			stop += d
			t.Stops++
			t.ByCause[m.Plan.Inputs[m.input(s)].Cause]++
		}
	}
	for i, j := range m.Plan.Jobs {
		to := at
		if i+1 < len(m.Plan.Jobs) {
			to = min(at, m.Plan.Jobs[i+1].From)
		}
		if to > j.From {
			t.Kilos += float64(m.cyl.Turns(to)-m.cyl.Turns(j.From)) * float64(j.Article.GramsPerTurn()) / 1000
		}
	}
	for _, o := range m.Plan.Outages {
		unknown += max(0, min(at, o.At+o.For)-o.At)
	}
	t.RunMS, t.StopMS, t.IdleMS, t.UnknownMS = run.Milliseconds(), stop.Milliseconds(), idle.Milliseconds(), unknown.Milliseconds()
	return t
}
