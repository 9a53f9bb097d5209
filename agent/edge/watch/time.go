package watch

import (
	"math/bits"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

// hole tells a time in which nobody watched, if there was one: first what was
// seen before it, then the gap. It reports whether there was one.
func (p *pass) hole() bool {
	reason := p.holeReason()
	if reason == wirepb.GapReason_GAP_REASON_UNSPECIFIED {
		return false
	}
	last, now := p.st.Last, p.r.At
	s := &p.st.stop
	// A pulse count that has not moved says nothing about a time without it.
	p.continued = s.open && s.input && p.stillHeld() && p.st.Counter == p.w.conf.Counter && p.sameInputs() && !p.w.conf.Pulses
	// Of a stop that another reader began the inputs are not known: it ended
	// somewhere in the hole, and what is told first must not be of before it.
	if s.open && s.input && p.allPending() && !p.continued && s.first != anyStop {
		p.endInputStop(last)
	}
	p.flush(last, max(last.Boottime, p.st.Covered), p.base.Ext)
	p.tell(now, &wirepb.Record_StateGap{StateGap: &wirepb.StateGap{
		FromBoot: p.w.boot(last.Boot), FromBoottimeNs: last.Boottime, FromWallNs: last.Wall,
		RawBefore: p.st.Raw, RawAfter: p.r.Raw, Reason: reason, StopContinued: p.continued,
	}})
	p.st.settle(now.Boottime, p.base.Ext)
	return true
}

// sameInputs tells that the stop inputs are those of the state. Of one that another
// reader or an older version left it is not known, and taken to be so.
func (p *pass) sameInputs() bool { return p.st.Inputs == 0 || p.st.Inputs == p.w.conf.Inputs }

// stillHeld tells that the inputs may have held the machine all through a
// hole: one is on and the cylinder did not turn, or one of the same and it made
// the turn of its running out.
func (p *pass) stillHeld() bool {
	m := p.w.counter.Modulus()
	moved := (p.r.Raw%m + m - p.st.Raw%m) % m
	return p.active != 0 && moved == 0 || p.active&p.st.stop.held != 0 && moved <= uint64(p.w.conf.PerRevolution)
}

// dark tells that a reading after a hole says nothing yet: a lamp that was
// blinking before it is off, and was not off for its hold time since somebody
// looks again. Until then the hole goes on, so that it stays one stop.
func (p *pass) dark() bool {
	s := &p.st.stop
	if !s.open || !s.input || p.active != 0 || p.r.Raw != p.st.Raw || p.holeReason() == wirepb.GapReason_GAP_REASON_UNSPECIFIED {
		return false
	}
	var hold time.Duration
	for i, c := range p.w.conf.Stops {
		if s.held&(1<<i) != 0 {
			hold = max(hold, c.Hold)
		}
	}
	if p.st.dark.Boot != p.r.At.Boot {
		p.st.dark = p.r.At
	}
	return time.Duration(p.r.At.Boottime-p.st.dark.Boottime) < hold
}

func (p *pass) holeReason() wirepb.GapReason {
	st := &p.st
	switch {
	case st.resumed, st.down, p.r.Restarted, st.Last.Boot != p.r.At.Boot:
		return wirepb.GapReason_GAP_REASON_AGENT_DOWN
	case st.failed >= failures, time.Duration(p.r.At.Boottime-st.Last.Boottime) > max(3*p.w.conf.Poll, holeAfter):
		return wirepb.GapReason_GAP_REASON_SOURCE_UNREADABLE
	}
	return wirepb.GapReason_GAP_REASON_UNSPECIFIED
}

// afterHole ends a stop that may have ended unseen. The inputs begin anew.
func (p *pass) afterHole() {
	s := &p.st.stop
	if s.open && !p.continued {
		earliest := int64(1) // some time in this boot
		if p.st.Last.Boot == p.r.At.Boot {
			earliest = p.st.Last.Boottime
		}
		p.tell(p.r.At, &wirepb.Record_StopEnd{StopEnd: &wirepb.StopEnd{StopId: id(s.id), At: p.base.Ext, EarliestBoottimeNs: earliest}})
		*s = stop{}
	}
	p.resetInputs()
	if p.continued {
		s.held, s.rested = p.active, true
	}
	if s.open && s.first == anyStop {
		p.claim()
	}
}

// claim tells the stop that another reader began and that goes on, under its name:
// the server closed it for want of a watcher when this reader took over.
func (p *pass) claim() {
	s := &p.st.stop
	s.first = bits.TrailingZeros64(p.active)
	if p.active == 0 {
		s.first = 0
	}
	b := &wirepb.StopBegin{StopId: id(s.id), Source: wirepb.StopSource_STOP_SOURCE_INPUT, At: p.base.Ext}
	if s.first < len(p.w.conf.Stops) {
		b.Cause, b.Side = p.w.conf.Stops[s.first].Cause, p.w.conf.Stops[s.first].Side
	}
	p.tell(p.r.At, &wirepb.Record_StopBegin{StopBegin: b})
}

// running tells that the counts of this reading were made at running speed.
func (p *pass) running() bool {
	took := time.Duration(p.r.At.Boottime - p.still)
	if p.w.conf.CrawlRPM == 0 || took <= 0 {
		return true
	}
	turns := float64(p.base.Ext-p.ext) / float64(p.w.conf.PerRevolution)
	return turns >= p.w.conf.CrawlRPM*took.Minutes()
}

// rest notes that the cylinder came to rest in a stop. What it turned up to
// there was its running out at the end of a run; what it turns from there on
// is inched.
func (p *pass) rest() {
	s := &p.st.stop
	if !s.open || s.rested || p.moved || p.st.Count.Holding() || s.input && p.allPending() {
		return
	}
	if time.Duration(p.r.At.Boottime-max(p.st.Still, s.began)) >= restAfter {
		p.flush(p.r.At, max(p.st.Still, p.st.Covered), p.base.Ext)
		s.rested = true
	}
}

// standstill begins a stop when no count came at running speed for too long,
// and ends it with the next count that did. A doubted reading says nothing
// about turning.
func (p *pass) standstill() {
	s, now := &p.st.stop, p.r.At.Boottime
	if s.open && !s.input && p.moved && p.running() {
		p.goOn()
	}
	if s.open || p.st.Count.Holding() || time.Duration(now-p.st.idle) <= p.w.conf.StopAfter {
		return
	}
	begin := max(p.st.idle, p.st.Covered)
	p.flush(p.r.At, begin, p.st.idleExt)
	p.beginStop(begin, max(p.st.idleExt, p.st.Told), stop{open: true, rested: true})
}

// goOn ends a standstill: with the count before this one where there was one,
// because the cylinder has run since then. The turn in which it starts is one
// of the run; a longer way was inched.
func (p *pass) goOn() {
	at, ext := p.r.At.Boottime, p.base.Ext
	if p.still > p.st.stop.began {
		at, ext = max(p.still, p.st.Covered), max(p.ext, p.st.Told)
	}
	p.st.stop.rested = ext-p.st.Told > uint64(p.w.conf.PerRevolution)
	p.endStop(p.r.At, at, ext)
}

// settled is how long after the last count it is sure to which side of the
// border between inching and running it belongs.
func (p *pass) settled() time.Duration {
	if s := &p.st.stop; !s.open || s.input || p.w.conf.CrawlRPM == 0 {
		return restAfter
	}
	one := time.Duration(float64(time.Minute) / (p.w.conf.CrawlRPM * float64(p.w.conf.PerRevolution)))
	return min(max(restAfter, one), quietEvery)
}

// routine tells spans that are due.
func (p *pass) routine() {
	s, now := &p.st.stop, p.r.At.Boottime
	since := time.Duration(now - p.st.Covered)
	counts := p.moved && p.base.Ext > p.st.Told && (!s.open || s.input)
	switch {
	case p.st.Count.Beginning():
		// A span is one of a life.
	case s.open && s.input && p.allPending():
		// The stop may turn out to have ended: nothing is told beyond that.
	case counts && since >= p.every, s.open && since >= quietEvery:
		p.span(p.r.At, p.st.Covered, now, p.base.Ext, p.quality())
	case p.every == spanEvery && time.Duration(now-p.st.Still) >= p.settled():
		// The cylinder rests: the books are whole soon after it.
		p.flush(p.r.At, max(p.st.Still, p.st.Covered), p.base.Ext)
	}
}
