package floor

import (
	"math"
	"slices"
	"time"

	"turnwise/server/store"
)

// Rules of drawing.
const (
	shortStop = 30 * time.Second
	// slowBy is the share of card speed by which two stretches of running must
	// differ to be drawn apart, and below which running is called slow.
	slowBy = 0.03
	// A cell with less running than this is a handful of turns; its speed would
	// be rounding.
	leastRunMS = 120e3
)

// strand is what is known of one machine within a window. All times are Unix
// milliseconds; lists are sorted and do not overlap themselves.
type strand struct {
	from, to    int64 // window
	first, last int64 // watched
	stops       []knot
	gaps        []stretch
	working     []stretch // calendar
	levels      []level
	jobs        []job
}

type stretch struct{ from, to int64 }

// knot is a stop as it will be shown.
type knot struct {
	stretch
	id      string
	cause   Cause
	grouped bool
}

// level is a speed that held from an instant on.
type level struct {
	from int64
	rpm  float64
}

// job is the card in force from an instant on.
type job struct {
	from         int64
	rpm          float64 // of the card, 0 = none
	kgPerRev     float64
	order, label string
}

// loss is what one cause, or slow running, took from a machine.
type loss struct {
	cause Cause
	ms    int64 // slow running: as if the machine had stood
	kg    float64
	count int
	first knot
}

// drawn is a strand as a thread, with what explains it.
type drawn struct {
	Thread
	losses      []loss
	slow        loss
	silentSince time.Time
}

// draw cuts the window at everything that happens in it and says of each piece
// what it was. Pieces are half open and adjacent, so that their lengths sum to
// the window exactly.
func (s *strand) draw() drawn {
	var d drawn
	var runWeight, cardWeight float64
	points := s.points()
	var stop, gap, work, lvl, jb int
	byCause := make(map[string]int)
	for i := range len(points) - 1 {
		at, until := points[i], points[i+1]
		stop = skip(s.stops, stop, func(k knot) int64 { return k.to }, at)
		gap = skip(s.gaps, gap, stretch.end, at)
		work = skip(s.working, work, stretch.end, at)
		for lvl+1 < len(s.levels) && s.levels[lvl+1].from <= at {
			lvl++
		}
		for jb+1 < len(s.jobs) && s.jobs[jb+1].from <= at {
			jb++
		}
		ms := until - at
		j := s.jobs[jb]
		seg := Segment{Kind: Run, From: time.UnixMilli(at).UTC(), To: time.UnixMilli(until).UTC()}
		switch {
		case at < s.first || at >= s.last || gap < len(s.gaps) && s.gaps[gap].from <= at:
			seg.Kind = NoData
		case stop < len(s.stops) && s.stops[stop].from <= at:
			k := s.stops[stop]
			seg.Kind, seg.Cause, seg.Grouped, seg.StopID = Stop, k.cause, k.grouped, k.id
		}
		if seg.Kind != Run && (work >= len(s.working) || s.working[work].from > at) {
			seg = Segment{Kind: Off, From: seg.From, To: seg.To}
		}
		switch seg.Kind {
		case Off:
			d.OffMS += ms
		case NoData:
			d.UnknownMS += ms
		case Stop:
			d.StopMS += ms
			d.lose(byCause, s.stops[stop], ms, j)
		case Run:
			d.RunMS += ms
			rpm := s.levels[lvl].rpm
			runWeight += rpm * float64(ms)
			cardWeight += j.rpm * float64(ms)
			if j.rpm > 0 {
				seg.Ratio = rpm / j.rpm
				d.crawl(ms, rpm, j)
			}
		}
		d.Segments = join(d.Segments, seg)
	}
	d.RunShare = share(d.RunMS, d.StopMS)
	if d.RunMS > 0 {
		d.SpeedRPM = runWeight / float64(d.RunMS)
		d.CardRPM = cardWeight / float64(d.RunMS)
	} else if len(s.jobs) > 0 {
		d.CardRPM = s.jobs[jb].rpm
	}
	d.SlowKg = d.slow.kg
	d.LostKg = d.slow.kg
	for _, l := range d.losses {
		d.LostKg += l.kg
		d.StopsBy = append(d.StopsBy, CauseMinutes{Cause: l.cause, MS: l.ms, Count: l.count})
	}
	slices.SortStableFunc(d.StopsBy, func(a, b CauseMinutes) int { return int(b.MS - a.MS) })
	return d
}

// lose books a piece of a stop.
func (d *drawn) lose(byCause map[string]int, k knot, ms int64, j job) {
	c := k.cause
	key := c.ID + c.Letter
	if c.Letter == short.Letter {
		c, key = short, short.ID
	}
	i, ok := byCause[key]
	if !ok {
		i = len(d.losses)
		byCause[key] = i
		d.losses = append(d.losses, loss{cause: c, first: k})
	}
	l := &d.losses[i]
	if l.count == 0 || d.lastStop() != k.id {
		l.count++
	}
	l.ms += ms
	if c.ID != noOrder { // without an order no kilos were wanted
		l.kg += float64(ms) / 60e3 * j.rpm * j.kgPerRev
	}
}

// lastStop is the id of the newest stop drawn.
func (d *drawn) lastStop() string {
	for _, s := range slices.Backward(d.Segments) {
		if s.Kind == Stop {
			return s.StopID
		}
	}
	return ""
}

// crawl books a piece of running below card speed.
func (d *drawn) crawl(ms int64, rpm float64, j job) {
	if missing := j.rpm - rpm; missing > 0 {
		d.slow.ms += int64(float64(ms) * missing / j.rpm)
		d.slow.kg += float64(ms) / 60e3 * missing * j.kgPerRev
	}
}

// points are the instants at which something may change, window included.
func (s *strand) points() []int64 {
	p := []int64{s.from, s.to, s.first, s.last}
	for _, k := range s.stops {
		p = append(p, k.from, k.to)
	}
	for _, g := range s.gaps {
		p = append(p, g.from, g.to)
	}
	for _, w := range s.working {
		p = append(p, w.from, w.to)
	}
	for _, l := range s.levels {
		p = append(p, l.from)
	}
	for _, j := range s.jobs {
		p = append(p, j.from)
	}
	p = slices.DeleteFunc(p, func(t int64) bool { return t < s.from || t > s.to })
	slices.Sort(p)
	return slices.Compact(p)
}

func (s stretch) end() int64 { return s.to }

// skip moves past entries that ended.
func skip[T any](list []T, i int, end func(T) int64, at int64) int {
	for i < len(list) && end(list[i]) <= at {
		i++
	}
	return i
}

// join appends a segment, or lengthens the last one if it is the same.
func join(list []Segment, s Segment) []Segment {
	if n := len(list); n > 0 {
		last := &list[n-1]
		if last.Kind == s.Kind && last.StopID == s.StopID && last.Ratio == s.Ratio {
			last.To = s.To
			return list
		}
	}
	return append(list, s)
}

func share(run, stop int64) float64 {
	if run+stop == 0 {
		return math.NaN()
	}
	return float64(run) / float64(run+stop)
}

// levels finds stretches of even speed in cells of one machine, oldest first.
// Neighbours that differ by less than slowBy of the reference speed belong
// together; cells with too little running say nothing. fallback is the speed
// when no cell tells one.
func levels(cells []store.Rollup, reference func(ms int64) float64, fallback float64) []level {
	type sum struct {
		from       int64
		revs, runs int64
	}
	rpm := func(s sum) float64 { return float64(s.revs) * 60e3 / float64(s.runs) }
	var sums []sum
	var all sum
	for _, c := range cells {
		all.revs += c.Revolutions
		all.runs += c.RunMS
		if c.RunMS < leastRunMS {
			continue
		}
		cell := sum{c.Start.UnixMilli(), c.Revolutions, c.RunMS}
		if n := len(sums); n > 0 {
			last := &sums[n-1]
			ref := reference(cell.from)
			if ref == 0 {
				ref = rpm(*last)
			}
			if math.Abs(rpm(cell)-rpm(*last)) <= slowBy*ref {
				last.revs += cell.revs
				last.runs += cell.runs
				continue
			}
		}
		sums = append(sums, cell)
	}
	if len(sums) == 0 {
		if all.runs > 0 {
			fallback = rpm(all)
		}
		return []level{{rpm: fallback}}
	}
	out := make([]level, len(sums))
	for i, s := range sums {
		out[i] = level{s.from, rpm(s)}
	}
	out[0].from = 0 // what came before the first cell that tells
	return out
}
