package count

import (
	"fmt"
	"time"
)

// Suspicions that are no link. Two need one further reading and end as a plain
// count: wrapped, the counter ran over its end; stepped, it went far while nobody
// looked. The third ends as an ambiguous life: far, it went farther than is
// believed, because of the time or of a reading before. The last is no doubt
// about a line, but the want of one: see [Counter.stepSight].
const (
	wrapped Link = 0
	stepped Link = Ambiguous + 1
	far     Link = Ambiguous + 2
	sight   Link = Ambiguous + 3
)

// A source that never shows two readings that follow each other is given up
// after so many and so long: a new life begins, so that somebody looks.
const (
	strangeReadings = 5
	strangeFor      = 10 * time.Second
)

// confirmWithin is how far a reading that confirms a doubted line may have gone
// from the one before at the most: after longer, any value would confirm it. A
// reading that alone is not believed, because it went farther than is believed
// at once, may do so: two wrong ones are not a way apart that turning explains.
const confirmWithin = time.Minute

// held is a doubted line of readings. What it fell from is in State beside it.
type held struct {
	on        bool
	why       Link
	first     uint64        // first raw reading of the line
	since     time.Duration // of first
	raw       uint64        // newest raw reading of the line
	at, more  time.Duration // of raw
	confirmed time.Duration // of the newest confirmation
	seen      uint64        // confirmations so far
	either    bool          // some reading fitted the line before as well
	strange   uint64        // readings that fitted neither line
	lost      time.Duration // of the first doubted reading, whatever the line
}

func doubt(st State, s Sample, why Link) (State, Verdict) {
	h := held{on: true, why: why, first: s.Raw, since: s.At, more: s.More, raw: s.Raw, at: s.At, confirmed: s.At, lost: s.At}
	if st.held.on { // a line that did not hold either
		h.strange, h.lost = st.held.strange+1, st.held.lost
	}
	st.held = h
	return wait(st)
}

func wait(st State) (State, Verdict) { return st, Verdict{Kind: Held, From: st.Ext, To: st.Ext} }

// stepHeld takes a reading while a line is doubted: it goes on from there, or
// returns to the line before, or fits neither.
func (c Counter) stepHeld(st State, s Sample) (State, Verdict) {
	h := &st.held
	s.At = max(s.At, h.at)
	d, bound, _ := c.delta(st, s)
	old := s.Raw >= st.Raw && d <= bound && bound < c.modulus
	on := c.distance(h.raw, s.Raw) <= min(c.Bound(min(s.At-h.at, confirmWithin)), c.modulus/wrapShare)
	switch {
	case !on:
		// Where it is on the line before, that goes on as if a momentary value,
		// or one torn between its two words, had not been.
		next, v := c.judge(st, s)
		if next.held.on && next.held.why == stepped && c.contradicts(*h, s, d) {
			next.held.why = far
		}
		if h.fell(s.Raw, c.Bound(s.At-h.at)) && next.fits() {
			// Where it was on the line before and near 0, it may also have
			// gone the doubted way and fallen to 0 since.
			next, v = doubt(st, s, Reset)
			next.held.either = true
		}
		if !old && next.held.on && next.held.strange >= strangeReadings && s.At-next.held.lost >= strangeFor {
			return c.settle(next, s)
		}
		return next, v
	}
	round := (h.why == Reset || h.why == Preset) && d <= bound && bound < c.modulus
	h.either = h.either || old || round
	h.raw, h.at, h.more = s.Raw, s.At, s.More
	switch {
	case h.why == stepped:
		return c.count(st, s, c.distance(st.Raw, h.first)+c.distance(h.first, s.Raw))
	case h.why == wrapped && !h.either:
		return c.count(st, s, d)
	}
	if s.At-h.confirmed >= confirmApart {
		h.confirmed = s.At
		h.seen++
	}
	if h.seen < confirmations {
		return wait(st)
	}
	return c.settle(st, s)
}

// contradicts tells that a line of readings says that the counter did not go
// the long way d up to s. Either s follows that line as well, which stood for a
// second, as no misreading does. Or the counter was on it too short a time ago,
// and the way is so long that a register set to anything may be taken for it.
func (c Counter) contradicts(h held, s Sample, d uint64) bool {
	off, took := c.distance(h.raw, s.Raw), s.At-h.at
	if off <= c.Bound(took) {
		return h.seen > 0
	}
	return d > c.Bound(aDay) && off > c.Bound(took+s.More-h.more)
}

// fell tells that a counter that went the doubted way, as one does that turns,
// may have fallen to 0 since and show raw.
func (h *held) fell(raw, bound uint64) bool {
	return h.goesOn() && raw < h.raw && raw <= bound
}

// fits tells that a reading was judged to be on the line before.
func (st State) fits() bool {
	return !st.held.on || st.held.goesOn()
}

// goesOn tells that the doubted line may well be the one before.
func (h *held) goesOn() bool { return h.why == wrapped || h.why == stepped }

// settle turns a confirmed doubt into a new life.
func (c Counter) settle(st State, s Sample) (State, Verdict) {
	h := st.held
	before, bound, most := c.delta(st, Sample{Raw: h.first, At: h.since, More: h.more})
	since := c.distance(h.first, s.Raw)
	v := Verdict{PrevTo: st.Ext}
	var from uint64
	var why string
	switch {
	case h.why == far:
		v.Link, from, why = Ambiguous, h.first, "went farther than is believed, or took another value"
		v.LostMax = most
	case h.either || h.why == wrapped:
		// Which of the two lines is the counter cannot be told: nothing of
		// what either shows is booked.
		v.Link, from, why = Ambiguous, s.Raw, "fits the line before and a new one"
		old, _, now := c.delta(st, s)
		v.LostMin, v.LostMax = min(old, since), max(now, most+since)
	case h.why == Ambiguous:
		v.Link, from, why = Ambiguous, h.first, "wrapped or fell, or went round more than once"
		v.LostMax = most
		if before <= bound { // else it may have taken another value, as when it went farther
			v.LostMin = min(before, h.first, most)
		}
	case h.why == Reset:
		// What it shows it has counted since it fell.
		v.Link, from, why = Reset, 0, "fell to 0 and counts on"
		v.LostMax = most - min(h.first, most)
	default:
		v.Link, from, why = Preset, h.first, "took a value that turning cannot explain"
		v.LostMax = most
	}
	v.Evidence = fmt.Sprintf("%s; last %d, then %d, now %d; at most %d counts possible in %s",
		why, st.Raw, h.first, s.Raw, bound, (h.since - st.At).Round(time.Millisecond))
	if most > bound {
		v.Evidence += fmt.Sprintf(", and %d if no clock is believed", most)
	}
	return c.begin(s, from, v)
}
