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
	lost, doubled            int64
	declaredMin, declaredMax int64
	stopsTruth, stopsStored  int64
	stopsLeast, stopsMost    int
	mismatches               []string
}

func (v *verdict) no(format string, args ...any) {
	v.mismatches = append(v.mismatches, fmt.Sprintf(format, args...))
}

// judge compares every machine. last is when its last stop ended.
func (m *mill) judge(t map[string]*pb.MachineTotals, last map[string]time.Duration) verdict {
	var v verdict
	for _, c := range m.all {
		c.mu.Lock()
		v.machine(c, t[c.id], m.gens, last[c.id])
		c.mu.Unlock()
	}
	return v
}

func (v *verdict) machine(c *cylinder, t *pb.MachineTotals, gens map[int]*generation, last time.Duration) {
	if t == nil {
		v.no("%s: the server does not know it", c.id)
		v.lost += c.turns
		return
	}
	v.turns, v.stored = v.turns+c.turns, v.stored+t.GetRevolutions()
	v.declaredMin, v.declaredMax = v.declaredMin+t.GetLostMin(), v.declaredMax+t.GetLostMax()
	low, high := t.GetRevolutions()+t.GetLostMin(), t.GetRevolutions()+t.GetLostMax()
	if c.turns > high {
		v.lost += c.turns - high
		v.no("%s: %d turns made, %d stored and at most %d declared lost: %d are missing (%d jumps of its counter)", c.id, c.turns, t.GetRevolutions(), t.GetLostMax(), c.turns-high, len(c.shifts))
	}
	if c.turns < low {
		v.doubled += low - c.turns
		v.no("%s: %d turns made, %d stored and at least %d declared lost: %d too many (%d jumps of its counter)", c.id, c.turns, t.GetRevolutions(), t.GetLostMin(), low-c.turns, len(c.shifts))
	}
	if most := c.excusable(); t.GetLostMax() > most {
		v.no("%s: up to %d declared lost, the ledger excuses %d (%d jumps of its counter)", c.id, t.GetLostMax(), most, len(c.shifts))
	}
	if most := c.hidden(gens); c.turns-t.GetRevolutions() > most {
		v.no("%s: %d turns made, %d stored: %d of them were hidden from every reader at the most (%d jumps of its counter)", c.id, c.turns, t.GetRevolutions(), most, len(c.shifts))
	}
	v.stops(c, t, gens)
	sum := watched(t)
	if least, most := last-c.firsts, c.now()-c.firsts; sum < least-tolerance || sum > most+tolerance {
		v.no("%s: run %d + stop %d + unknown %d ms are %s, from the first look to the end of the last stop were %s, until now %s",
			c.id, t.GetRunMs(), t.GetStopMs(), t.GetUnknownMs(), sum, least, most)
	}
}

// excusable is the most that may be declared lost: what the machine can have
// turned around each jump, from what a journal may know last (its state is as
// old as ten seconds) to the belief in the jump. Where a reader was replaced
// it is what any knitting machine can have turned.
func (c *cylinder) excusable() int64 {
	const stateAge, lag, belief = 11 * time.Second, 3 * time.Second, 4 * time.Second
	most := int64(0)
	for _, s := range c.shifts {
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
	v.stopsTruth, v.stopsStored = v.stopsTruth+int64(len(c.stops)), v.stopsStored+t.GetStops()
	v.stopsLeast, v.stopsMost = v.stopsLeast+n.least, v.stopsMost+n.most
	if s := t.GetStops(); s < int64(n.least) || s > int64(n.most) {
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
	reached := func(t map[string]*pb.MachineTotals) bool {
		for _, c := range m.all {
			c.mu.Lock()
			least := last[c.id] - c.firsts - tolerance
			c.mu.Unlock()
			if watched(t[c.id]) < least {
				return false
			}
		}
		return true
	}
	err := m.until(ctx, limit, reached)
	if err != nil {
		err = fmt.Errorf("the books do not reach the last stop: %w", err)
	}
	pause(ctx.Done(), 500*time.Millisecond) // what may still be doubled
	return last, err
}
