package outlook

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"turnwise/planner/calendar"
)

// Change is one supposed change of the floor.
type Change interface {
	// apply changes a snapshot that is nobody else's.
	apply(s *Snapshot, now time.Time) error
	// touches names the machine it is about; empty = all.
	touches() string
}

// SlowMachine lets a machine turn at another speed, with every card.
type SlowMachine struct {
	Machine  string
	SpeedRPM float64
}

// StopMachine lets a machine stand for so much working time from now.
type StopMachine struct {
	Machine string
	For     time.Duration
}

// AddMachine lets a machine more work on an order, behind its present jobs. It
// needs a card for the article.
type AddMachine struct{ Order, Machine string }

// OpenTime is worked, whatever the shifts and closed spans say.
type OpenTime struct{ From, To time.Time }

// CloseTime is not worked.
type CloseTime struct{ From, To time.Time }

// Bounds of what may be supposed.
const (
	longestStop = 365 * 24 * time.Hour
	longestSpan = 62 * 24 * time.Hour
	mostChanges = 100
)

// Suppose gives the snapshot as it would be with the changes, in their order. The
// one given stays as it is. Errors hold [ErrRequest] and name the change.
func Suppose(s Snapshot, now time.Time, changes ...Change) (Snapshot, error) {
	if len(changes) == 0 || len(changes) > mostChanges {
		return Snapshot{}, refuse("what if: %d changes, expected 1 to %d", len(changes), mostChanges)
	}
	s.Machines = slices.Clone(s.Machines)
	for i := range s.Machines {
		m := &s.Machines[i]
		m.Jobs, m.Cards = slices.Clone(m.Jobs), slices.Clone(m.Cards)
	}
	s.Calendar.Closed = slices.Clone(s.Calendar.Closed)
	s.Calendar.Extra = slices.Clone(s.Calendar.Extra)
	for i, c := range changes {
		if err := c.apply(&s, now); err != nil {
			return Snapshot{}, refuse("change %d, %s: %w", i+1, Phrase(c, zoneOf(s)), err)
		}
	}
	return s, nil
}

// some lists the first of many.
func some(ids []string) string {
	const most = 20
	switch {
	case len(ids) == 0:
		return "none; there are none yet"
	case len(ids) > most:
		return fmt.Sprintf("%s and %d more", strings.Join(ids[:most], ", "), len(ids)-most)
	}
	return strings.Join(ids, ", ")
}

// knitters are the machines with a card for an article.
func (s *Snapshot) knitters(article string) string {
	var ids []string
	for _, m := range s.Machines {
		if slices.ContainsFunc(m.Cards, func(k Card) bool { return k.Article == article }) {
			ids = append(ids, name(m.ID))
		}
	}
	if len(ids) == 0 {
		return "none of the others, they have none either"
	}
	return some(ids)
}

func zoneOf(s Snapshot) *time.Location {
	if s.Calendar.Zone == nil {
		return time.UTC
	}
	return s.Calendar.Zone
}

func (s *Snapshot) machine(id string) (*Machine, error) {
	i := slices.IndexFunc(s.Machines, func(m Machine) bool { return m.ID == id })
	if i < 0 {
		ids := make([]string, len(s.Machines))
		for i := range s.Machines {
			ids[i] = name(s.Machines[i].ID)
		}
		return nil, fmt.Errorf("machine %s is not in the book, expected one of %s", name(id), some(ids))
	}
	return &s.Machines[i], nil
}

func (c SlowMachine) apply(s *Snapshot, _ time.Time) error {
	m, err := s.machine(c.Machine)
	if err != nil {
		return err
	}
	if !speedKnown(c.SpeedRPM) {
		return fmt.Errorf("speed of %s is %g rpm, expected above 0 to %g; let it stand with down %s 6h", name(c.Machine), c.SpeedRPM, maxSpeed, name(c.Machine))
	}
	m.SpeedRPM = c.SpeedRPM
	for i := range m.Jobs {
		m.Jobs[i].Card.SpeedRPM = c.SpeedRPM
	}
	for i := range m.Cards {
		m.Cards[i].SpeedRPM = c.SpeedRPM
	}
	return nil
}

func (c StopMachine) apply(s *Snapshot, _ time.Time) error {
	m, err := s.machine(c.Machine)
	if err != nil {
		return err
	}
	if c.For <= 0 || c.For > longestStop {
		return fmt.Errorf("%s is to stand for %s, expected more than 0 and at most a year", name(c.Machine), c.For)
	}
	m.HeldMin += c.For.Minutes()
	return nil
}

func (c AddMachine) apply(s *Snapshot, _ time.Time) error {
	m, err := s.machine(c.Machine)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(s.Orders, func(o Order) bool { return o.ID == c.Order })
	if i < 0 {
		ids := make([]string, len(s.Orders))
		for i := range s.Orders {
			ids[i] = s.Orders[i].ID
		}
		return fmt.Errorf("order %q is not in the book, expected one of %s", c.Order, some(ids))
	}
	if slices.ContainsFunc(m.Jobs, func(j Job) bool { return j.Order == c.Order }) {
		return fmt.Errorf("%s works on %s already, expected a machine that does not; take another one", name(c.Machine), c.Order)
	}
	card := slices.IndexFunc(m.Cards, func(k Card) bool { return k.Article == s.Orders[i].Article })
	if card < 0 {
		return fmt.Errorf("%s has no knit card for article %s, which tells kilos and speed; enter one, or take %s", name(c.Machine), s.Orders[i].Article, s.knitters(s.Orders[i].Article))
	}
	m.Jobs = append(m.Jobs, Job{Order: c.Order, Card: m.Cards[card]})
	return nil
}

// span checks a stretch of time.
func span(from, to, now time.Time) error {
	switch {
	case from.IsZero() || to.IsZero() || !from.Before(to):
		return fmt.Errorf("time from %s to %s, expected a beginning before its end", from.Format(time.RFC3339), to.Format(time.RFC3339))
	case to.Sub(from) > longestSpan:
		return fmt.Errorf("time from %s to %s, expected at most 62 days", from.Format(time.RFC3339), to.Format(time.RFC3339))
	case !to.After(now):
		return fmt.Errorf("time until %s is past; expected an end after %s", to.Format(time.RFC3339), now.Format(time.RFC3339))
	}
	return nil
}

func (c OpenTime) apply(s *Snapshot, now time.Time) error {
	if err := span(c.From, c.To, now); err != nil {
		return err
	}
	var closed []calendar.Span
	for _, gap := range s.Calendar.Closed {
		for _, part := range []calendar.Span{{From: gap.From, To: earlier(gap.To, c.From), Name: gap.Name}, {From: later(gap.From, c.To), To: gap.To, Name: gap.Name}} {
			if part.From.Before(part.To) {
				closed = append(closed, part)
			}
		}
	}
	s.Calendar.Closed = closed
	for from := c.From; from.Before(c.To); from = from.Add(24 * time.Hour) {
		s.Calendar.Extra = append(s.Calendar.Extra, calendar.Span{From: from, To: earlier(from.Add(24*time.Hour), c.To), Name: "what if"})
	}
	return nil
}

func (c CloseTime) apply(s *Snapshot, now time.Time) error {
	if err := span(c.From, c.To, now); err != nil {
		return err
	}
	s.Calendar.Closed = append(s.Calendar.Closed, calendar.Span{From: c.From, To: c.To, Name: "what if"})
	return nil
}

func (c SlowMachine) touches() string { return c.Machine }
func (c StopMachine) touches() string { return c.Machine }
func (c AddMachine) touches() string  { return c.Machine }
func (c OpenTime) touches() string    { return "" }
func (c CloseTime) touches() string   { return "" }

// Touched is the part of a supposed snapshot that the changes may have moved: their
// machines, the orders on them, the other machines of those orders, and so on. Every
// other order has the finish that it had. Plan it instead of the whole, which a
// mill's patience does not allow for each question.
func (s Snapshot) Touched(changes ...Change) Snapshot {
	machines, orders := map[string]bool{}, map[string]bool{}
	for _, c := range changes {
		if c.touches() == "" {
			return s
		}
		machines[c.touches()] = true
	}
	for more := true; more; {
		more = false
		for i := range s.Machines {
			m := &s.Machines[i]
			in := machines[m.ID] || slices.ContainsFunc(m.Jobs, func(j Job) bool { return orders[j.Order] })
			if !in {
				continue
			}
			more = more || !machines[m.ID]
			machines[m.ID] = true
			for _, j := range m.Jobs {
				more = more || !orders[j.Order]
				orders[j.Order] = true
			}
		}
	}
	if s.Fleet == nil {
		s.Fleet = s.learn()
	}
	all, allOrders := s.Machines, s.Orders
	s.Machines, s.Orders = nil, nil
	for _, m := range all {
		if machines[m.ID] {
			s.Machines = append(s.Machines, m)
		}
	}
	for _, o := range allOrders {
		if orders[o.ID] {
			s.Orders = append(s.Orders, o)
		}
	}
	return s
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// Effect is what changes do to one order.
type Effect struct {
	Order         string
	Promise       time.Time
	Before, After Finish
	Sentence      string
}

// Effects compares two outlooks of the same orders: those whose finish at 50, 80 or
// 90 % moves by a minute or more, or whose chance to miss the promise moves by a
// thousandth, the largest worsening first; and how many stay as they are. An order that
// after does not have is one of these, see [Snapshot.Touched].
func Effects(s Snapshot, before, after Outlook) (effects []Effect, same int) {
	promise := map[string]time.Time{}
	for _, o := range s.Orders {
		promise[o.ID] = o.Promise
	}
	was := map[string]OrderOutlook{}
	for _, o := range before.Orders {
		was[o.Order] = o
	}
	for _, o := range after.Orders {
		old, ok := was[o.Order]
		if !ok {
			continue
		}
		e := Effect{Order: o.Order, Promise: promise[o.Order], Before: old.Finish, After: o.Finish}
		if alike(e.Before, e.After) {
			same++
			continue
		}
		e.Sentence = e.sentence(s.Calendar.Zone)
		effects = append(effects, e)
	}
	same += max(len(before.Orders)-len(after.Orders), 0)
	slices.SortStableFunc(effects, func(a, b Effect) int { return cmp.Compare(b.worse(), a.worse()) })
	return effects, same
}

func alike(a, b Finish) bool {
	near := func(a, b time.Time) bool { return a.Sub(b).Abs() < time.Minute }
	return a.Refused == b.Refused && near(a.P50, b.P50) && near(a.P80, b.P80) && near(a.P90, b.P90) && math.Abs(a.MissChance-b.MissChance) < 0.001
}

// worse orders effects: a finish that is not known any more, then the gain in chance
// to miss, then hours; what gets better is below zero.
func (e *Effect) worse() float64 {
	switch {
	case e.After.Refused != "" && e.Before.Refused == "":
		return math.Inf(1)
	case e.After.Refused == "" && e.Before.Refused != "":
		return math.Inf(-1)
	}
	return 1e6*(e.After.MissChance-e.Before.MissChance) + e.After.P90.Sub(e.Before.P90).Hours()
}

// Told is a forecast date as people are told it, rounded up to ten minutes: more would
// be a pretence, and down would make a late order look kept.
func Told(t time.Time) time.Time {
	const step = 10 * time.Minute
	if down := t.Truncate(step); down.Before(t) {
		return down.Add(step)
	}
	return t
}

func (e *Effect) sentence(zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	wall := func(t time.Time) string { return t.In(zone).Format("Mon 2 Jan 15:04") }
	day := func(t time.Time) string { return wall(Told(t)) }
	switch {
	case e.After.Refused != "":
		return fmt.Sprintf("%s has no finish then: %s", e.Order, e.After.Refused)
	case e.Before.Refused != "":
		return fmt.Sprintf("%s is done with 90 %% by %s", e.Order, day(e.After.P90))
	}
	moved := e.After.P90.Sub(e.Before.P90)
	how := fmt.Sprintf("%s later", hours(moved))
	if moved < 0 {
		how = fmt.Sprintf("%s earlier", hours(-moved))
	}
	out := fmt.Sprintf("%s is done with 90 %% by %s, %s", e.Order, day(e.After.P90), how)
	if moved.Abs() < time.Minute {
		out = fmt.Sprintf("%s is done with 90 %% by %s as before", e.Order, day(e.After.P90))
	}
	if was, is := twentieths(e.Before.MissChance), twentieths(e.After.MissChance); was != is {
		out += fmt.Sprintf("; %s instead of %s in 20 to miss %s", is, was, wall(e.Promise))
	}
	return out
}

// twentieths writes a chance as beads are counted.
func twentieths(chance float64) string { return fmt.Sprintf("%.0f", 20*chance) }

func hours(d time.Duration) string {
	switch {
	case d < time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 100*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
