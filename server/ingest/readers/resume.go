package readers

import (
	"fmt"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// Resume hands the counter of a machine over to a stream at an instant; m is
// nil for a machine that is not registered.
func (r *Row) Resume(m *tally.Machine, q store.ResumeQuery, at time.Time, c *Changes) store.Resume {
	if why := r.barred(m, q); why != "" {
		return store.Resume{Verdict: store.ResumeRefused, Reason: why}
	}
	st := r.Streams[q.Stream]
	if st == nil && q.Head > 0 || st != nil && st.Acked < q.Head {
		return store.Resume{Verdict: store.ResumeLater}
	}
	key, read, ok := m.Newest()
	if !ok {
		return store.Resume{Verdict: store.ResumeNothing}
	}
	if st == nil {
		st = r.await(q, c)
	}
	if st.Records == 0 && !st.Begun {
		r.order(st, at.UnixMilli(), true, c)
	} else {
		for _, other := range r.Streams {
			if other != st && other.Machine == st.Machine && other.Begun && r.after(st, other) {
				restrict(other, at.UnixMilli(), true, c)
			}
		}
	}
	// What the clock was set ahead by since is no time in which the counter turned:
	// it is in the bounds, as the boots that saw it may be wrong.
	now := at.UnixMilli()
	ahead := min(r.SetAhead(read.At), max(now-read.At, 0))
	out := store.Resume{
		Verdict: store.ResumeContinue, Life: key.ID, PerRev: key.PerRev, Ext: read.Ext, Raw: read.Raw, RawBits: read.Bits,
		Boottime: read.Boottime, At: time.UnixMilli(read.At + ahead).UTC(),
		Longer: r.LongerAgo(time.UnixMilli(read.At), at) + time.Duration(ahead)*time.Millisecond,
	}
	if m.Open != nil {
		out.Stop, out.Cause, out.Side = m.Open.ID, m.Open.Cause, m.Open.Side
	}
	if x := r.numbered(read.Stream); x != nil {
		out.Boot = x.Boots[read.Boot]
	}
	return out
}

// barred tells why an agent may not have the counter of a machine.
func (r *Row) barred(m *tally.Machine, q store.ResumeQuery) string {
	if m == nil || r.Turn(q.Agent, q.Machine) < 0 {
		return Unregistered(q.Agent, q.Machine)
	}
	if holder, turn := r.Holder(q.Machine); turn > r.Turn(q.Agent, q.Machine) {
		return fmt.Sprintf("machine %s was registered to agent %s since; if agent %s is the right one: %s", q.Machine, holder, q.Agent, register(q.Agent, q.Machine))
	}
	st := r.Streams[q.Stream]
	switch {
	case st == nil:
		return ""
	case st.Agent != q.Agent || st.Machine != q.Machine:
		return fmt.Sprintf("stream %x belongs to machine %s of agent %s", st.ID, st.Machine, st.Agent)
	case st.Frozen != "":
		return st.Frozen
	case st.Fenced:
		return fmt.Sprintf("machine %s was handed over to another reader at %s; give this agent an empty journal if it is the right one", q.Machine, instant(st.Fence))
	}
	return ""
}

// await begins a stream that has said nothing yet. There is one at most of an
// agent and machine, so that asking again and again fills nothing. One that was
// handed over or stopped stays: its word must not be believed under a new row.
func (r *Row) await(q store.ResumeQuery, c *Changes) *Stream {
	for id, st := range r.Streams {
		if st.Agent != q.Agent || st.Machine != q.Machine || st.Records > 0 || st.Fenced || st.Frozen != "" {
			continue
		}
		delete(r.Streams, id)
		delete(c.Streams, st)
		c.Forgot = append(c.Forgot, st)
	}
	return r.Begin(q.Stream, q.Agent, q.Machine, Run{}, c)
}
