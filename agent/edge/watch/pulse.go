package watch

import (
	"fmt"
	"time"

	"turnwise/agent/count"
	"turnwise/proto/turnwisepb/wirepb"
)

// losses tells what the source knows to have missed.
func (p *pass) losses() {
	for _, l := range p.r.Losses {
		p.tell(p.r.At, &wirepb.Record_Discontinuity{Discontinuity: &wirepb.Discontinuity{Input: l.Input, Missed: l.Events, Evidence: l.Evidence}})
	}
}

// pulses decides about the agent's own count. It neither wraps nor tears, so
// what it shows is counted; but nothing counts while nobody watches. After
// such a time a new life goes on from the old count, with a bound on what may
// be missing: the highest speed for as long as it was.
func (p *pass) pulses(s count.Sample, hole bool) (count.State, count.Verdict) {
	st := p.st.Count
	next := count.State{Known: true, Raw: s.Raw, Ext: s.Raw, At: s.At, More: s.More, Moved: st.Moved}
	v := count.Verdict{Kind: count.NewLife, From: st.Ext, To: s.Raw, PrevTo: st.Ext, Began: s.At}
	elapsed := s.At - st.At + s.More - st.More
	bound := p.w.counter.Bound(elapsed)
	switch {
	case !st.Known:
		v = count.Verdict{Kind: count.NewLife, Link: count.FirstSight, From: s.Raw, To: s.Raw, Began: s.At, Evidence: "first reading of a pulse counter"}
	case p.st.Counter != p.w.conf.Counter:
		v.Link, v.LostMax, v.From = count.Replaced, bound, s.Raw
		v.Evidence = "another sensor, or other teeth, are configured"
	case s.Raw < st.Raw:
		v.Link, v.LostMax, v.From = count.Reset, bound, 0
		v.Evidence = fmt.Sprintf("the count fell from %d to %d", st.Raw, s.Raw)
	case hole:
		v.Link, v.LostMax = count.Ambiguous, bound-min(s.Raw-st.Raw, bound)
		v.Evidence = fmt.Sprintf("nobody counted for up to %s; at most %d counts possible", elapsed.Round(time.Millisecond), bound)
	default:
		var lost uint64
		for _, l := range p.r.Losses {
			lost += l.Counts
		}
		if lost = min(lost, bound-min(s.Raw-st.Raw, bound)); lost == 0 {
			v.Kind = count.Counted
			break
		}
		v.Link, v.LostMax = count.Ambiguous, lost
		v.Evidence = fmt.Sprintf("%d counts may be among dropped events", lost)
	}
	if v.To > v.From {
		next.Moved = s.At
	}
	return next, v
}
