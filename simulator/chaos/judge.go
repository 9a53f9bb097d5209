package chaos

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	pb "turnwise/proto/turnwisepb"
)

// tolerance of a time that was watched: two polls and the stamps of both
// clocks.
const tolerance = 500 * time.Millisecond

// verdict is the ledger of all machines against the books.
type verdict struct {
	turns, stored            int64
	hidden                   int64 // turns that no reader could know of, at the most
	lost, doubled            int64
	declaredMin, declaredMax int64
	stopsTruth, stopsStored  int64
	stopsLeast, stopsMost    int
	stopsLost, stopsDoubled  int64
	fewer, more              int64 // stops of the machine judged last, by their number
	mismatches               []string
}

func (v *verdict) no(format string, args ...any) {
	v.mismatches = append(v.mismatches, fmt.Sprintf(format, args...))
}

// judge compares every machine. last is when its last stop ended.
func (m *mill) judge(ctx context.Context, t map[string]*pb.MachineTotals, last map[string]time.Duration) (verdict, error) {
	var v verdict
	for _, c := range m.all {
		stops, err := m.stopsOf(ctx, c)
		if err != nil {
			return v, fmt.Errorf("chaos: ask the server for the stops of %s: %w", c.id, err)
		}
		c.mu.Lock()
		v.machine(c, t[c.id], m.gens, last[c.id], m.clockSlack)
		v.eachStop(c, stops, m.gens, m.clockSlack)
		c.mu.Unlock()
	}
	return v, nil
}

// eachStop takes what comparing one by one finds beyond the numbers.
func (v *verdict) eachStop(c *cylinder, books []told, gens map[int]*generation, clockSlack time.Duration) {
	lost, doubled, which := c.match(books, gens, matchWithin+clockSlack)
	for _, w := range which {
		v.no("%s: %s", c.id, w)
	}
	v.stopsLost, v.stopsDoubled = v.stopsLost+max(0, lost-v.fewer), v.stopsDoubled+max(0, doubled-v.more)
}

// machine judges one machine. Whatever is short of the ledger by more than
// was hidden from every reader is lost, declared or not; so is what is
// declared beyond what the ledger excuses.
func (v *verdict) machine(c *cylinder, t *pb.MachineTotals, gens map[int]*generation, last, clockSlack time.Duration) {
	if t == nil {
		v.no("%s: the server does not know it", c.id)
		v.turns, v.lost = v.turns+c.turns, v.lost+c.turns
		return
	}
	stored, least, most := t.GetRevolutions(), t.GetLostMin(), t.GetLostMax()
	hidden, excused := c.hidden(gens)+c.early, c.excusable()
	v.turns, v.stored, v.hidden = v.turns+c.turns, v.stored+stored, v.hidden+hidden
	v.declaredMin, v.declaredMax = v.declaredMin+least, v.declaredMax+most
	no := func(format string, args ...any) {
		v.no("%s: %d turns made, %d stored, %d to %d declared lost, %d jumps or replacements: %s", c.id, c.turns, stored, least, most, len(c.shifts), fmt.Sprintf(format, args...))
	}
	missing := c.turns - stored
	// A record on its way when the journal was destroyed may have begun the books
	// sooner than was seen, so the early turns may be there or not.
	known := most + c.early
	if missing > known {
		no("%d are missing and not declared", missing-known)
	}
	if missing > hidden {
		no("%d are missing that a reader was shown; %d were hidden from every reader at the most", missing-hidden, hidden)
	}
	if most > excused {
		no("the ledger excuses %d", excused)
	}
	v.lost += max(0, missing-known, missing-hidden, most-excused)
	if least > missing {
		no("%d are too many", least-missing)
		v.doubled += least - missing
	}
	v.stops(c, t, gens)
	from, to := last-c.firsts-tolerance-clockSlack, c.now()-c.firsts+tolerance+clockSlack
	if sum := watched(t); sum < from || sum > to {
		v.no("%s: run %d + stop %d + unknown %d ms are %s; from the first look to the end of the last stop, and until now, %s to %s are expected",
			c.id, t.GetRunMs(), t.GetStopMs(), t.GetUnknownMs(), sum, from, to)
	}
}

// exact tells of a replaced reader that the machine's own counter tells what
// came between the last reading that the server has and its first one: no jump
// was near, whether believed before it or to be believed after it. Nor did the
// counter go over its end: of one that shows a small value, and that nobody
// watched, nobody can tell whether it went round or fell.
func (c *cylinder) exact(s shift) bool {
	if s.kind != replacement {
		return false
	}
	after := s.after
	if after == 0 {
		after = c.now()
	}
	near := func(at time.Duration) bool { return at >= s.from-jumpNear && at <= after+jumpNear }
	return !slices.ContainsFunc(c.wraps, near) && !slices.ContainsFunc(c.shifts, func(o shift) bool {
		return o.kind != replacement && near(o.at)
	})
}

// jumpNear is the time in which a jump may not be believed yet, nor be in what
// a journal knows last.
const jumpNear = 15 * time.Second

// excusable is the most that may be declared lost: what the machine can have
// turned around each jump, from what a journal may know last (its state is as
// old as ten seconds) to the belief in the jump. Where a reader was replaced
// it is what any knitting machine can have turned.
func (c *cylinder) excusable() int64 {
	const stateAge, lag, belief = 11 * time.Second, 3 * time.Second, 4 * time.Second
	most := int64(0)
	for _, s := range c.shifts {
		if c.exact(s) {
			continue
		}
		after := s.after
		if after == 0 {
			after = c.now()
		}
		d, rate := after-s.seen+stateAge+lag+belief, 1.25*maxRPM
		if s.kind == replacement { // nothing is known since the journal told last
			d = after
		}
		most += int64(math.Ceil(d.Minutes()*rate)) + 4
	}
	return most
}

// hidden counts the turns that a reader may truly not know of: those between
// the last look before a jump and the first after it; where a process ended or
// could not write meanwhile, all since its journal knew the counter for sure.
func (c *cylinder) hidden(gens map[int]*generation) int64 {
	const look, stateAge, belief = 300 * time.Millisecond, 11 * time.Second, 4 * time.Second
	var spans []window
	for _, s := range c.shifts {
		if c.exact(s) {
			continue
		}
		after := s.after
		if after == 0 {
			after = c.now()
		}
		w := window{s.from - look, after + look}
		for _, e := range c.endings(gens) {
			if e.from <= after+belief && e.to >= s.from {
				w.from, w.to = min(w.from, s.from-stateAge), max(w.to, after+belief, e.to+belief)
			}
		}
		spans = append(spans, w)
	}
	n := int64(0)
	for _, t := range c.times {
		if slices.ContainsFunc(spans, func(w window) bool { return t >= w.from && t <= w.to }) {
			n++
		}
	}
	return n
}

// endings are the times in which the machine's reader may have lost what it
// saw.
func (c *cylinder) endings(gens map[int]*generation) []window {
	for _, s := range c.sights {
		if g := gens[s.gen]; g != nil {
			return g.doubt // those of all processes of the agent since the first
		}
	}
	return nil
}

func (v *verdict) stops(c *cylinder, t *pb.MachineTotals, gens map[int]*generation) {
	n := countable(c.sights, gens)
	n.most += len(c.others)
	v.stopsTruth, v.stopsStored = v.stopsTruth+int64(len(c.stops)), v.stopsStored+t.GetStops()
	v.stopsLeast, v.stopsMost = v.stopsLeast+n.least, v.stopsMost+n.most
	s := t.GetStops()
	v.fewer, v.more = max(0, int64(n.least)-s), max(0, s-int64(n.most))
	v.stopsLost, v.stopsDoubled = v.stopsLost+v.fewer, v.stopsDoubled+v.more
	if s < int64(n.least) || s > int64(n.most) {
		v.no("%s: %d stops stored of %d made; what was looked at allows %d to %d", c.id, s, len(c.stops), n.least, n.most)
	}
}

// settle lets the mill come to rest: all repaired, every machine shows one
// last stop, and the books reach its end. It returns when each ended.
func (m *mill) settle(ctx context.Context, limit time.Duration) (map[string]time.Duration, error) {
	for _, c := range m.all {
		c.setHold(true)
	}
	for _, c := range m.all { // a stop of its own may last some seconds
		for !c.isStill() && pause(ctx.Done(), 50*time.Millisecond) {
		}
	}
	pause(ctx.Done(), 400*time.Millisecond)
	for _, c := range m.all {
		c.setInput(0)
	}
	pause(ctx.Done(), 1200*time.Millisecond)
	last := map[string]time.Duration{}
	for _, c := range m.all {
		c.setInput(none)
		last[c.id] = c.now()
	}
	reached := func(slack time.Duration) func(map[string]*pb.MachineTotals) bool {
		return func(t map[string]*pb.MachineTotals) bool {
			for _, c := range m.all {
				c.mu.Lock()
				least := last[c.id] - c.firsts - tolerance - slack
				c.mu.Unlock()
				if watched(t[c.id]) < least {
					return false
				}
			}
			return true
		}
	}
	err := m.until(ctx, limit, reached(0))
	if err != nil && m.clockSlack > 0 { // a stream was placed by a clock that was wrong
		err = m.until(ctx, 5*time.Second, reached(m.clockSlack))
	}
	if err != nil {
		err = fmt.Errorf("the books do not reach the last stop: %w", err)
	}
	pause(ctx.Done(), 500*time.Millisecond) // what may still be doubled
	return last, err
}
