package tally

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"

	"turnwise/server/store"
)

const (
	// trustWall is how far an agent's disciplined clock may be from the
	// server's to be believed; beyond it the instant of receipt places the boot.
	trustWall = 2 * time.Second
	// horizon is how old a record can be. It bounds the number of cells that a
	// broken clock can make.
	horizon = 400 * 24 * time.Hour
	// ahead is how far a record may lie after its receipt: the agent's
	// oscillator may have run fast since its boot was placed.
	ahead = time.Hour
)

// How the map of a boot follows the measurements of an agent. Error of an
// instant: tolerance, and what the agent says of the measurement.
const (
	// tolerance is how far a placed boot may be off before it is corrected.
	tolerance = 20 * time.Millisecond
	// aStep is what no oscillator does at once, in addition to maxRate: a clock
	// was set.
	aStep = time.Second
	// A rate is taken over this time: over less the error of the measurements
	// would count for more, over more the temperature of the hall.
	rateAfter, rateUpTo = time.Hour, 6 * time.Hour
	// maxRate bounds the rate of an oscillator against the server's clock, in
	// parts in 1e9: twice what a free crystal does.
	maxRate = 200_000
)

// Places puts the instants of one stream on the UTC scale: a map from the time
// since a boot to UTC, in pieces of straight lines. What was booked by it is
// never moved: lines are only added after the newest instant of the stream.
type Places struct {
	// Offsets are ns to be added to CLOCK_BOOTTIME, by boot index.
	Offsets map[uint32]int64
	// Lines are later corrections of a boot, in the order of From.
	Lines map[uint32][]Line
	// Lo and Hi bound all instants, in ms; both 0 for no bounds.
	Lo, Hi int64
}

// Line says what to add to the time since boot, in ns, after an instant.
type Line struct {
	From   int64 // boottime, not included
	Offset int64 // at From
	Rate   int64 // ns in 1e9 ns by which the offset grows
	// Step says that a clock was set: what lies between the instant before and
	// the one after is time of which nothing is known.
	Step bool
}

func (l Line) at(boottime int64) int64 {
	d := min(max(boottime-l.From, 0), int64(horizon))
	return l.Offset + d/1000*l.Rate/1e6
}

// Bound returns the bounds for records received at an instant.
func Bound(received time.Time) (lo, hi int64) {
	return received.Add(-horizon).UnixMilli(), received.Add(ahead).UnixMilli()
}

// received is when the records that p is bounded for were received, in ms; 0
// where it is not.
func (p Places) received() int64 {
	if p.Hi == 0 {
		return 0
	}
	return p.Hi - ahead.Milliseconds()
}

// Free is p without bounds.
func (p Places) Free() Places { return Places{Offsets: p.Offsets, Lines: p.Lines} }

// line is the index of the line that holds at an instant; -1 for the offset.
func (p Places) line(boot uint32, boottime int64) int {
	lines := p.Lines[boot]
	if n := len(lines); n == 0 || boottime > lines[n-1].From {
		return n - 1
	}
	return sort.Search(len(lines), func(i int) bool { return lines[i].From >= boottime }) - 1
}

// Offset is what to add to a boot's time at an instant, in ns.
func (p Places) Offset(boot uint32, boottime int64) int64 {
	if i := p.line(boot, boottime); i >= 0 {
		return p.Lines[boot][i].at(boottime)
	}
	return p.Offsets[boot]
}

// At is an instant in Unix ms, rounded down.
func (p Places) At(boot uint32, boottime int64) int64 {
	return p.clamp(floorMS(boottime + p.Offset(boot, boottime)))
}

// setAt is the instant, in Unix ms, at which the scale that holds for a time of
// a boot began, because a clock was set; the smallest integer where none was.
func (p Places) setAt(boot uint32, boottime int64) int64 {
	// Not in the newest lines: then it is long ago, and booked.
	for i, n := p.line(boot, boottime), 0; i >= 0 && n < 8; i, n = i-1, n+1 {
		if l := p.Lines[boot][i]; l.Step {
			return p.clamp(floorMS(l.From + l.Offset))
		}
	}
	return math.MinInt64
}

// Or is At, or the wall clock for a boot that is not known.
func (p Places) Or(boot uint32, boottime, wall int64) int64 {
	if _, ok := p.Offsets[boot]; ok {
		return p.At(boot, boottime)
	}
	return p.clamp(floorMS(wall))
}

func (p Places) clamp(t int64) int64 {
	if p.Lo == 0 && p.Hi == 0 {
		return t
	}
	return min(max(t, p.Lo), p.Hi)
}

func floorMS(ns int64) int64 {
	ms := ns / 1e6
	if ns%1e6 < 0 {
		ms--
	}
	return ms
}

// Measured tells whether a batch brings a measurement that can be true: what
// it was sent at may not lie after its receipt.
func Measured(b *store.Batch) bool {
	s := b.Clock.Server
	return s.Measured && s.Error >= 0 && b.Clock.Boottime+s.Offset <= b.Received.Add(time.Duration(s.Error)+tolerance).UnixNano()
}

// Follow returns the lines that a measurement adds to the map of the boot that
// sends; none where the map is right to within the tolerance, or twice the
// error of the measurement: one from before a day without a server says less
// than the map does. booked is the newest instant of the boot that was booked;
// ok is false where none was.
func Follow(p Places, b *store.Batch, booked int64, ok bool) []Line {
	boot, now, sample := b.Clock.Boot, b.Clock.Boottime, b.Clock.Server.Offset
	off := sample - p.Offset(boot, now)
	switch {
	case time.Duration(off).Abs() <= max(tolerance, 2*time.Duration(b.Clock.Server.Error)):
		return nil
	case !ok:
		booked = math.MinInt64
	}
	last := Line{From: math.MinInt64, Offset: p.Offsets[boot]}
	if lines := p.Lines[boot]; len(lines) > 0 {
		last = lines[len(lines)-1]
		booked = max(booked, last.From+1)
	}
	switch {
	case booked == math.MinInt64:
		return []Line{{From: booked, Offset: sample}}
	case float64(max(off, -off)) > float64(aStep)+float64(max(now-booked, 0))*maxRate/1e9:
		return []Line{{From: booked, Offset: p.Offset(boot, booked) + off, Rate: last.Rate, Step: true}}
	}
	rate := p.rate(boot, now, sample)
	if gone := now - booked; gone > 2*max(off, -off) {
		// What is not booked yet came in between: the error grew evenly.
		from := p.Offset(boot, booked)
		return []Line{
			{From: booked, Offset: from, Rate: int64(float64(sample-from) / float64(gone) * 1e9)},
			{From: now, Offset: sample, Rate: rate},
		}
	}
	return []Line{{From: booked, Offset: sample, Rate: rate}}
}

// rate is how fast the offset of a boot grows, by a measurement and the ones
// some hours before it.
func (p Places) rate(boot uint32, now, sample int64) (rate int64) {
	lines := p.Lines[boot]
	if len(lines) > 0 {
		rate = lines[len(lines)-1].Rate
	}
	for i := len(lines) - 1; i >= 0 && lines[i].From > now-int64(rateUpTo) && !lines[i].Step; i-- {
		if gone := now - lines[i].From; gone >= int64(rateAfter) {
			rate = min(max((sample-lines[i].Offset)/(gone/1e9), -maxRate), maxRate)
		}
	}
	return rate
}

// Offset fixes the offset of a boot that is seen for the first time, in ns.
//
// The boot that sends is placed by the agent's measurement of the server's
// clock; where there is none by the agent's own clock, when that is disciplined
// and agrees with the instant of receipt, else by the receipt.
//
// Another boot never spoke to the server. A disciplined clock of its time is
// believed; any other clock only between the instant before it, prev, and the
// beginning of the boot that sends. Without a clock that can be true it is put
// at the newest instant known, between the same two: another reader may have told
// of times long after this boot. Where the stream was handed over since, nothing
// says that it was before that, nor does a clock that shows a time before prev: it
// is put after, since who took over accounts for what was counted before, and what
// came later must not be counted twice. prev is of the stream itself, newest of the
// machine, fence when it was surely handed over; all in Unix ms, 0 = none.
func Offset(b *store.Batch, boot uint32, prev, newest, fence int64) int64 {
	received := b.Received.UnixNano()
	if boot == b.Clock.Boot {
		switch own := time.Duration(b.Clock.Wall - received); {
		case Measured(b):
			return b.Clock.Server.Offset
		case b.Clock.Synced && own.Abs() <= trustWall:
			return b.Clock.Wall - b.Clock.Boottime
		}
		return received - b.Clock.Boottime
	}
	own := slices.DeleteFunc(slices.Clone(b.Records), func(r store.Record) bool {
		return r.Boot != boot || r.Boottime == 0 && r.Wall == 0
	})
	if len(own) == 0 { // only a gap speaks of it
		for i := range b.Records {
			if g, ok := b.Records[i].Kind.(*store.StateGap); ok && g.FromBoot == boot {
				return g.FromWall - g.FromBoottime
			}
		}
		return received - b.Clock.Boottime
	}
	first, last := own[0].Boottime, own[0].Boottime
	best := -1
	for i, r := range own {
		first, last = min(first, r.Boottime), max(last, r.Boottime)
		if r.Wall > received-int64(horizon) && r.Wall <= received+int64(trustWall) && (best < 0 || r.Synced || !own[best].Synced) {
			best = i // a clock that was set meanwhile is the better one
		}
	}
	var offset int64
	switch {
	case best < 0 && fence != 0:
		prev = max(prev, fence)
		offset = prev*1e6 - first
	case best < 0 && cmp.Or(prev, newest) == 0:
		return received - last
	case best < 0:
		offset = cmp.Or(prev, newest)*1e6 - first
	default:
		offset = own[best].Wall - own[best].Boottime
		if own[best].Synced {
			return offset
		}
		if fence != 0 && offset+first < prev*1e6 { // nor can this one be true
			prev = max(prev, fence)
		}
	}
	offset = min(offset, Offset(b, b.Clock.Boot, 0, 0, 0)-last)
	if prev != 0 {
		offset = max(offset, prev*1e6-first)
	}
	return offset
}
