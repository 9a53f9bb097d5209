package readers

import (
	"math"
	"time"

	"turnwise/server/ingest/tally"
)

// unknownAge is how long ago a reading may have been at the least, in ms, that is
// from after now, where nobody saw by how much the server's clock was set back.
const unknownAge = 24 * 3600 * 1000

// SetBack is by how much the server's clock was set back, in ms, since it showed
// an instant (Unix ms), as far as anybody saw it; never less than 0.
//
// The time since a boot cannot be set. So of a boot that measured the server's
// clock before and after, the steps in the map show what was done to that clock,
// also while no server ran. An instant that the clock has shown twice may be of
// either time: it is taken for the first one.
func (r *Row) SetBack(since int64) (ms int64) {
	for _, st := range r.Streams {
		for idx := range st.Places.Lines {
			ms = max(ms, setBack(st.Places, idx, since))
		}
	}
	return ms
}

// setBack is what one boot of a stream has seen of that.
func setBack(p tally.Places, boot uint32, since int64) (most int64) {
	lines, sum := p.Lines[boot], time.Duration(0)
	for i := len(lines) - 1; i >= 0; i-- {
		l := lines[i]
		if !l.Step || l.From == math.MinInt64 {
			continue
		}
		before := p.Offset(boot, l.From) // From is the last instant of the line before
		sum += time.Duration(before - l.Offset)
		if (l.From+before)/1e6+placing >= since {
			most = max(most, sum.Milliseconds())
		}
	}
	return most
}

// LongerAgo is how much longer ago an instant may have been than the clock tells
// that shows now: it was set back since, by as much as boots have seen. It shows
// that itself where the instant is after now.
func (r *Row) LongerAgo(since, now time.Time) time.Duration {
	back, ahead := r.SetBack(since.UnixMilli()), max(since.UnixMilli()-now.UnixMilli(), 0)
	if ahead > back+placing {
		return time.Duration(max(ahead, unknownAge)) * time.Millisecond
	}
	return time.Duration(max(back-ahead, 0)) * time.Millisecond
}

// SetAhead is by how much the server's clock was set ahead, in ms, since it showed
// an instant (Unix ms), as far as a boot saw it; never less than 0. What seems to be
// as long ago may have been only a moment before.
func (r *Row) SetAhead(since int64) (ms int64) {
	for _, st := range r.Streams {
		for idx := range st.Places.Lines {
			ms = max(ms, setAhead(st.Places, idx, since))
		}
	}
	return ms
}

// setAhead is what one boot of a stream has seen of that: from the time on in which
// the clock showed that instant, between two steps.
func setAhead(p tally.Places, boot uint32, since int64) int64 {
	began, sum, before, shown := int64(math.MinInt64), int64(0), int64(0), false
	for _, l := range p.Lines[boot] {
		if !l.Step || l.From == math.MinInt64 {
			continue
		}
		was := p.Offset(boot, l.From) // by the line before
		if since-placing <= (l.From+was)/1e6 && since+placing >= began {
			if !shown || sum < before {
				before, shown = sum, true
			}
		}
		sum += l.Offset - was
		began = (l.From + l.Offset) / 1e6
	}
	if !shown {
		return 0
	}
	return max(sum-before, 0) / 1e6
}
