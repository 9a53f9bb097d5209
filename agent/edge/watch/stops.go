package watch

import (
	"math/bits"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// stop is the open stop.
type stop struct {
	open  bool
	input bool // begun by a stop input, else a standstill
	id    [16]byte
	first int    // the input that began it
	held  uint64 // inputs that hold it
	// rested says that the cylinder came to rest in this stop: what it turns
	// since then is inched.
	rested bool
	began  int64 // boottime, in the process that saw it begin
}

// input is a stop input behind its hold time.
type input struct {
	on      bool
	pending bool   // went off, the hold time runs
	offAt   int64  // boottime of the first reading at which it was off
	offExt  uint64 // extended counter then
	watched int64  // boottime since which it was off at every poll
}

// resetInputs takes the inputs as they are: nobody knows since when.
func (p *pass) resetInputs() {
	p.st.Inputs = p.w.conf.Inputs
	p.st.inputs = make([]input, len(p.w.conf.Stops))
	for i := range p.st.inputs {
		p.st.inputs[i].on = p.active&(1<<i) != 0
	}
}

// filter gives the inputs that are on or still within their hold time.
func (p *pass) filter() (on uint64) {
	now := p.r.At.Boottime
	for i := range p.st.inputs {
		in := &p.st.inputs[i]
		switch {
		case p.active&(1<<i) != 0:
			in.on, in.pending = true, false
		case in.on && !in.pending:
			in.pending, in.offAt, in.offExt, in.watched = true, now, p.base.Ext, now
		case in.pending && p.st.failed > 0:
			in.watched = now
		}
		if in.pending && p.wentOff(in, p.w.conf.Stops[i].Hold) {
			in.on, in.pending = false, false
		}
		if in.on {
			on |= 1 << i
		}
	}
	return on
}

// wentOff tells that an input that went off was off for its hold time. A reading
// that failed may have been the one that found a blinking lamp lit: where there
// was one the hold time begins anew, but for a cylinder that turned on by more
// than its running out.
func (p *pass) wentOff(in *input, hold time.Duration) bool {
	now := p.r.At.Boottime
	return time.Duration(now-in.watched) >= hold ||
		time.Duration(now-in.offAt) >= hold && p.base.Ext-in.offExt > uint64(p.w.conf.PerRevolution)
}

// inputs ends and begins stops at stop inputs.
func (p *pass) inputs() {
	on := p.filter()
	s := &p.st.stop
	rested := s.open && s.rested
	if s.open && s.input {
		if on&s.held != 0 {
			s.held = on
			return
		}
		p.endInputStop(p.r.At)
	}
	if on == 0 {
		return
	}
	now := p.r.At.Boottime
	if s.open { // a standstill finds its cause
		p.endStop(p.r.At, now, p.base.Ext)
	}
	p.flush(p.r.At, now, p.base.Ext)
	p.beginStop(now, p.base.Ext, stop{open: true, input: true, first: bits.TrailingZeros64(on), held: on, rested: rested})
}

// allPending tells that every input that holds the open stop is off, within
// its hold time.
func (p *pass) allPending() bool {
	for i := range p.st.inputs {
		if p.st.stop.held&(1<<i) != 0 && !p.st.inputs[i].pending {
			return false
		}
	}
	return p.st.stop.held != 0
}

// endInputStop ends the open stop when the last of its inputs went off. clock
// is a reading of the boot in which that was.
func (p *pass) endInputStop(clock source.Instant) {
	end, ext := p.st.Covered, p.st.Told
	for i := range p.st.inputs {
		in := p.st.inputs[i]
		if p.st.stop.held&(1<<i) != 0 && in.offAt > end {
			end, ext = in.offAt, max(ext, in.offExt)
		}
	}
	p.endStop(clock, end, ext)
}

func (p *pass) beginStop(at int64, ext uint64, s stop) {
	s.id, s.began = p.w.newID(), at
	p.st.stop = s
	b := &wirepb.StopBegin{StopId: id(s.id), Source: wirepb.StopSource_STOP_SOURCE_STANDSTILL, At: ext}
	if s.input {
		c := p.w.conf.Stops[s.first]
		b.Source, b.Cause, b.Side = wirepb.StopSource_STOP_SOURCE_INPUT, c.Cause, c.Side
	}
	p.tell(instant(p.r.At, at), &wirepb.Record_StopBegin{StopBegin: b})
	p.st.Covered = max(p.st.Covered, at)
}

// endStop ends the open stop; the counts up to ext are told first.
func (p *pass) endStop(clock source.Instant, at int64, ext uint64) {
	p.flush(clock, at, ext)
	p.tell(instant(clock, at), &wirepb.Record_StopEnd{StopEnd: &wirepb.StopEnd{StopId: id(p.st.stop.id), At: ext}})
	p.st.stop = stop{}
	p.st.Covered = max(p.st.Covered, at)
	p.st.Still = max(p.st.Still, at)
	p.st.idle = max(p.st.idle, at)
}
