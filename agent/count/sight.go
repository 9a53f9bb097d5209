package count

import (
	"fmt"
	"time"
)

// A life that begins without one before it, or with another counter in its
// place, has nothing that its first reading could be judged by, and one that was
// read wrong would be where the server goes on from. So a life begins with the
// first reading that a further one follows as turning explains; one that stands
// follows. Readings that disagree wait beside the first: whichever of the two is
// followed first was right, and nothing is lost, because the life begins with it.
// Where more of them are wrong than every third, it begins one reading later.
//
// What cannot be known: a first reading that was wrong by less than the counter
// can turn until the next one, and a wrong value that was read twice.

// sighted takes the first reading of a counter.
func sighted(st State, s Sample) (State, Verdict) {
	st.held = held{on: true, why: sight, first: s.Raw, since: s.At, more: s.More, raw: s.Raw, at: s.At, lost: s.At}
	return wait(st)
}

// stepSight takes a further reading before a life has begun. The first one is
// held.first, the newest that did not follow it is held.raw.
func (c Counter) stepSight(st State, s Sample) (State, Verdict) {
	h := &st.held
	s.At, s.More = max(s.At, h.at), max(s.More, h.more)
	switch {
	case c.goesWith(h.first, h.since, s):
		return c.sure(st, h.first, h.since, s)
	case h.strange > 0 && c.goesWith(h.raw, h.at, s):
		return c.sure(st, h.raw, h.at, s)
	}
	h.raw, h.at = s.Raw, s.At
	if h.strange++; h.strange >= strangeReadings && s.At-h.since >= strangeFor {
		return c.giveUp(st, s)
	}
	return wait(st)
}

// goesWith tells that a reading follows another one as closely as one must that
// confirms it.
func (c Counter) goesWith(raw uint64, at time.Duration, s Sample) bool {
	return c.distance(raw, s.Raw) <= min(c.Bound(min(s.At-at, confirmWithin)), c.modulus/wrapShare)
}

// sure begins a life with the reading from, made at an instant, that s follows.
func (c Counter) sure(st State, from uint64, at time.Duration, s Sample) (State, Verdict) {
	v := c.first(st, from, at, s)
	// A reading that was alone for so long may have been right: the box was off,
	// or nothing was read.
	if h := st.held; !st.Known && at-h.since <= confirmWithin && (s.More == h.more || at == h.since) {
		v.LostMax = 0
	}
	return c.begin(s, from, v)
}

// giveUp begins a life with a reading that follows none, so that somebody looks.
func (c Counter) giveUp(st State, s Sample) (State, Verdict) {
	v := c.first(st, s.Raw, s.At, s)
	if !st.Known {
		v.Link = Preset
	}
	v.Evidence += fmt.Sprintf("; no reading of %d follows another: look at the register and at the order of its words", st.held.strange+1)
	return c.begin(s, s.Raw, v)
}

// first is the verdict that a life begins with the reading from.
func (c Counter) first(st State, from uint64, at time.Duration, s Sample) Verdict {
	h := st.held
	v := Verdict{Link: FirstSight, Began: at, LostMax: c.Bound(at - h.since + s.More - h.more), Evidence: fmt.Sprintf("first reading %d", from)}
	if st.Known {
		v.Link, v.PrevTo, v.LostMax = Replaced, st.Ext, c.Bound(at-st.At+s.More-st.More)
		v.Evidence = fmt.Sprintf("another counter is read; last %d, now %d", st.Raw, from)
	}
	if from != h.first {
		v.Evidence += fmt.Sprintf("; %d was read before, and not confirmed", h.first)
	}
	return v
}
