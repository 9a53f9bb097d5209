package mill

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"strings"
	"time"

	"turnwise/simulator/machine"
	"turnwise/simulator/stops"
	"turnwise/simulator/truth"
)

// Days of the demo: five past ones and the running one.
const days = 6

// scenario is what a data folder was begun with; it never changes.
type scenario struct {
	Seed  uint64    `json:"seed"`
	Zone  string    `json:"zone"`
	First time.Time `json:"first_start"`
	// Story says that the mill begins with the five past days of its story. Without,
	// it begins at the first start, standing for Stand so that an agent can be
	// there before the first turn.
	Story bool          `json:"story"`
	Stand time.Duration `json:"stand_ns,omitempty"`
	// Lively adds a short stop of every machine each minute after the first
	// start, for checks.
	Lively lively `json:"lively"`

	// Early is the share of rounds put on before they are due; 0 in folders of
	// mills whose tenders never are.
	Early float64 `json:"early,omitempty"`
	// Slim is the share by which a card's course length is too long; 0 in folders of mills
	// that nobody weighed rolls in.
	Slim float64 `json:"slim,omitempty"`
	// Ahead is for how long the mill is not closed after the first start; 0 in folders
	// of mills that closed on the next shop day, whenever they were begun.
	Ahead time.Duration `json:"open_ahead_ns,omitempty"`

	zone *time.Location
}

// lively is a series of short scripted stops.
type lively struct {
	Every time.Duration `json:"every_ns"` // 0 = none
	For   time.Duration `json:"for_ns"`
}

func (s *scenario) init() error {
	zone, err := time.LoadLocation(s.Zone)
	if err != nil {
		return fmt.Errorf("mill: zone %q: %w; use a name of the IANA time zone database, for example Europe/Istanbul", s.Zone, err)
	}
	s.zone = zone
	return nil
}

func (s *scenario) json() []byte {
	text, err := json.Marshal(s)
	if err != nil {
		panic(err) // plain fields
	}
	return text
}

// shopDay is the begin of the shop day of t, which starts at 06:00.
func (s *scenario) shopDay(t time.Time) time.Time {
	t = t.In(s.zone)
	d := time.Date(t.Year(), t.Month(), t.Day(), 6, 0, 0, 0, s.zone)
	if t.Before(d) {
		d = d.AddDate(0, 0, -1)
	}
	return d
}

// dayOne is 06:00 of day 1.
func (s *scenario) dayOne() time.Time { return s.shopDay(s.First).AddDate(0, 0, 1-days) }

// origin is the first instant of the machines.
func (s *scenario) origin() time.Time {
	if !s.Story {
		return s.First
	}
	return s.dayOne()
}

// openAhead is how long a mill that begins runs on at the least.
const openAhead = 12 * time.Hour

// firstClosed is when the mill is closed for the first time, from 06:00 for 24 h, and
// then each week. A mill that is closed on a fixed weekday would be dead for whoever
// starts the demo on it, or shortly before. So it is the next shop day that begins in
// twelve hours or later: the days before and the running one are open, and a grey
// field lies ahead.
func (s *scenario) firstClosed() time.Time {
	first := s.shopDay(s.First).AddDate(0, 0, 1)
	if first.Sub(s.First) < s.Ahead {
		first = first.AddDate(0, 0, 1)
	}
	return first
}

// closed is the closed time for the clock of the machines: whether t is in it, and
// when that changes next.
func (s *scenario) closed(t time.Time) (bool, time.Time) {
	today, d := s.shopDay(t), s.firstClosed()
	for d.Before(today) {
		d = d.AddDate(0, 0, 7)
	}
	if d.Equal(today) {
		return true, d.AddDate(0, 0, 1)
	}
	return false, d
}

// closedFile is the calendar of closed days up to half a year after now, as a mill
// would give it (RFC 5545).
func (s *scenario) closedFile(now time.Time) string {
	var b strings.Builder
	b.WriteString("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Turnwise//simulator//EN\r\n")
	for d := s.firstClosed(); d.Before(now.AddDate(0, 6, 0)); d = d.AddDate(0, 0, 7) {
		fmt.Fprintf(&b, "BEGIN:VEVENT\r\nUID:%[1]s@mill-fourteen.example\r\nDTSTAMP:%[1]s\r\nDTSTART:%[1]s\r\nDTEND:%[2]s\r\nSUMMARY:mill closed\r\nEND:VEVENT\r\n", icsTime(d), icsTime(d.AddDate(0, 0, 1)))
	}
	b.WriteString("END:VCALENDAR\r\n")
	return b.String()
}

func icsTime(t time.Time) string { return t.UTC().Format("20060102T150405Z") }

// at is a wall time of day 1 to 6 on the machines' clock: "07:12" on day 1
// is 72 min. The days before the first start have no closed time.
func (s *scenario) at(day, hour, minute int) time.Duration {
	return s.wall(day, hour, minute).Sub(s.origin())
}

func (s *scenario) wall(day, hour, minute int) time.Time {
	o := s.dayOne()
	return time.Date(o.Year(), o.Month(), o.Day()+day-1, hour, minute, 0, 0, s.zone)
}

// script is what happens to a machine in the story of the mill.
func (s *scenario) script(p plate, index int) []stops.Event {
	var e []stops.Event
	if s.Story {
		e = s.story(p, index)
	} else {
		e = append(e, stops.Event{Kind: stops.Idle, At: 0, For: s.Stand})
	}
	if s.Lively.Every > 0 {
		e = append(e, s.short(index)...)
	}
	return e
}

// story is the scripted part of the days before and of the running one.
func (s *scenario) story(p plate, index int) []stops.Event {
	var e []stops.Event
	stop := func(at, length time.Duration, cause string) {
		e = append(e, stops.Event{Kind: stops.Stop, At: at, For: length, Cause: cause})
	}
	if index < 8 { // a dip of the power in one half of the hall
		stop(s.at(1, 7, 12), 3*time.Minute, stops.Power)
	}
	switch p.id {
	case "k02": // slow from day 2 to day 3, and again today
		slow := machine.Period(24)
		e = append(e, stops.Event{Kind: stops.Slow, At: s.at(2, 10, 20), For: 20 * time.Hour, Period: slow},
			stops.Event{Kind: stops.Slow, At: s.at(days, 6, 0) - time.Hour, For: 48 * time.Hour, Period: slow})
	case "k05":
		stop(s.at(1, 8, 15), 61*time.Minute, stops.Setup)
		w := p.card.work(func(string) float64 { return 0 })
		e = append(e, stops.Event{Kind: stops.Change, At: s.at(1, 8, 45), Work: &w})
		stop(s.at(2, 10, 30), 12*time.Minute, stops.Needle) // a needle line, one needle changed
	case "k07": // creeled by mistake: same tip colour, other lot
		e = append(e, stops.Event{Kind: stops.Lot, At: s.at(1, 9, 20), For: 1000 * time.Hour, Factor: 3, Creels: "L-433"})
	case "k13", "k14":
		e = append(e, stops.Event{Kind: stops.Idle, At: 0, For: s.at(1, 7, 38)}) // no order
		o := s.outage()
		e = append(e, stops.Event{Kind: stops.Calm, At: o.At - 2*time.Minute, For: o.For + 4*time.Minute})
	}
	return e
}

// short is the lively series of one machine, after any standing start.
func (s *scenario) short(index int) []stops.Event {
	causes := []stops.Event{{Cause: stops.Yarn, Side: "top"}, {Cause: stops.Fabric}, {Cause: stops.Yarn, Side: "bottom"}, {Cause: stops.Door}}
	first, apart := s.First.Sub(s.origin()).Round(time.Millisecond)+2*time.Second, s.Lively.Every/time.Duration(len(plates))
	if !s.Story {
		first, apart = s.Stand+11*time.Second, 1200*time.Millisecond // clear of the standing start
	}
	var e []stops.Event
	for k := range 60 {
		c := causes[(k+index)%len(causes)]
		c.Kind, c.For = stops.Stop, s.Lively.For
		c.At = first + time.Duration(k)*s.Lively.Every + time.Duration(index)*apart + time.Duration(137*index%100)*time.Millisecond
		e = append(e, c)
	}
	return e
}

// outage is the time in which the box u-06 has no power: nobody can know what
// its machines do, and no other outage of the story makes unknown time. (u-05
// is off the network on day 1 from 09:00 for 104 min: its journal keeps all,
// so this leaves no trace in the books.)
func (s *scenario) outage() truth.Outage {
	return truth.Outage{At: s.at(4, 10, 0), For: 6 * time.Minute}
}

const unpoweredAgent = "u-06"

// plan is one machine of the mill.
func (s *scenario) plan(index int) truth.Plan {
	p := plates[index]
	chance := rand.New(rand.NewPCG(s.Seed, hash(p.id+"/begin")))
	used := func(group string) float64 { return 0.05 + 0.7*chance.Float64() }
	if p.id == "k01" || p.id == "k02" { // all cones full at the first instant
		used = func(string) float64 { return 0 }
	}
	first := p.card
	plan := truth.Plan{ID: p.id, Register: p.register, Inputs: inputs(p)}
	changes := s.Story && p.id == "k05"
	if changes {
		first = before
	}
	plan.Jobs = []truth.Job{{Article: first.truth()}}
	if changes {
		plan.Jobs = append(plan.Jobs, truth.Job{From: s.at(1, 8, 45), Article: p.card.truth()})
	}
	if s.Story && p.agent == unpoweredAgent {
		plan.Outages = []truth.Outage{s.outage()}
	}
	plan.Stops = stops.Plan{Seed: s.Seed, Machine: p.id, Work: s.slimmed(p.id, first.work(used)), RollUsed: chance.Float64(), Script: s.script(p, index), Early: s.Early}
	return plan
}

// inputs of a machine in the order of its terminals.
func inputs(p plate) []truth.Input {
	if p.lamp {
		return []truth.Input{{Cause: truth.Lamp}}
	}
	return []truth.Input{{Cause: stops.Yarn, Side: "top"}, {Cause: stops.Yarn, Side: "bottom"}, {Cause: stops.Needle}, {Cause: stops.Fabric},
		{Cause: stops.Door}, {Cause: stops.Doff}, {Cause: stops.Setup}, {Cause: stops.Care}, {Cause: stops.Power}}
}

func hash(s string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s))
	return h.Sum64()
}
