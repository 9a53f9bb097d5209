// Package watch turns the readings of one machine into records. It is pure: a
// state and a reading give the next state and the records between them, so a
// replayed day tells the same as the live one and every rule has a table test.
//
// The one rule: time is told once. Between the first and the last good
// reading every instant is inside a span, a stop or a gap, in that order of
// the stream. It does not read, store or send.
package watch

import (
	"cmp"
	"errors"
	"fmt"
	"time"

	"turnwise/agent/count"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// ErrConfig is inside the errors of [New].
var ErrConfig = errors.New("watch configuration")

// How often a span is told, and when two readings are too far apart to vouch
// for what was between them.
const (
	spanEvery  = 10 * time.Second // while counts come, live
	quietEvery = time.Minute      // in a stop, and for past readings
	restAfter  = 3 * time.Second  // without a count, live: the counts so far are told
	holeAfter  = 12 * time.Second // or three polls
	failures   = 3                // failed reads in a row that make a hole
	clockStep  = 500 * time.Millisecond
)

// MaxStops bounds the stop inputs of one machine.
const MaxStops = 64

// Stop is one stop input.
type Stop struct {
	Cause, Side string
	// Hold keeps the stop for this long after the input went off.
	Hold time.Duration
}

// Config is what must be known of a machine.
type Config struct {
	Bits          uint    // width of the raw counter; 0 with Pulses
	Pulses        bool    // the raw counter is the agent's own pulse count
	PerRevolution uint32  // counts in one revolution
	MaxRPM        float64 // 0 = count.DefaultMaxRPM
	Stops         []Stop
	// Poll is the time between two readings. Zero means 500 ms.
	Poll time.Duration
	// StopAfter without a count, or below crawl speed, begins a standstill.
	// Zero means 3 s.
	StopAfter time.Duration
	// CrawlRPM is the speed below which the cylinder is not running. Zero means
	// that every count is made while running.
	CrawlRPM float64
	// Patience is how long to wait for the server's word on how long the box was
	// off, see [State.Waiting]; 0 = nobody is asked.
	Patience time.Duration
	// SourceKind and Digest go into ConfigApplied; a new digest is told.
	SourceKind string
	Digest     [32]byte
	// Counter names the counter that is read and its counts per revolution;
	// a new name begins a new counter life.
	Counter uint64
	// Inputs names the stop inputs and their causes: a stop does not go on over a
	// new name. Zero means that they never change.
	Inputs uint64
}

// Watch decides about the readings of one machine. It keeps nothing between
// two of them; all that is known is in [State].
type Watch struct {
	conf    Config
	counter count.Counter
	newID   func() [16]byte
	boot    func([16]byte) uint32
}

// New checks the configuration. newID gives random ids, boot the index of a
// boot in the journal.
func New(c Config, newID func() [16]byte, boot func([16]byte) uint32) (*Watch, error) {
	if c.Poll == 0 {
		c.Poll = 500 * time.Millisecond
	}
	if c.StopAfter == 0 {
		c.StopAfter = 3 * time.Second
	}
	if c.PerRevolution == 0 {
		c.PerRevolution = 1
	}
	if c.MaxRPM == 0 {
		c.MaxRPM = count.DefaultMaxRPM
	}
	if len(c.Stops) > MaxStops || c.Poll < 0 || c.StopAfter < 0 || c.Patience < 0 || !(c.CrawlRPM >= 0) {
		return nil, fmt.Errorf("%w: %d stop inputs, poll %s, stop after %s, crawl speed %g rpm; at most %d inputs and nothing negative expected",
			ErrConfig, len(c.Stops), c.Poll, c.StopAfter, c.CrawlRPM, MaxStops)
	}
	bits := c.Bits
	if c.Pulses {
		c.Bits, bits = 0, 32 // for the bounds only
	}
	counter, err := count.New(count.Options{Bits: bits, PerRevolution: c.PerRevolution, MaxRPM: c.MaxRPM})
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrConfig, err)
	}
	return &Watch{conf: c, counter: counter, newID: newID, boot: boot}, nil
}

// unit is that of the counts of the configured counter.
func (w *Watch) unit() Unit { return Unit{w.conf.PerRevolution, w.conf.Bits} }

// Step takes one reading. past says that it is older than the agent: spans
// are then told every minute. The state given is not changed.
func (w *Watch) Step(st State, r source.Reading, past bool) (State, []*wirepb.Record) {
	if r.Err != nil {
		st.failed++
		st.down = st.down || r.Restarted
		return st, nil
	}
	if st.Known && r.At.Boot == st.Last.Boot && r.At.Boottime <= st.Last.Boottime {
		return st, nil // told already
	}
	p := &pass{w: w, st: st.clone(), r: r, every: spanEvery, base: st.Count}
	if past {
		p.every = quietEvery
	}
	p.active = p.activeSet()
	if p.dark() || p.waits(past) {
		p.st.down = p.st.down || r.Restarted
		return p.st, nil
	}
	p.take()
	return p.st, p.recs
}

// Finish tells the counts that no record tells yet, for a watch that ends.
func (w *Watch) Finish(st State) (State, []*wirepb.Record) {
	if !st.Known {
		return st, nil
	}
	p := &pass{w: w, st: st.clone(), r: source.Reading{At: st.Last, Raw: st.Raw}, base: st.Count}
	p.flush(st.Last, max(st.Still, st.Covered), st.Count.Ext)
	return p.st, p.recs
}

// pass is the work on one reading.
type pass struct {
	w      *Watch
	st     State
	r      source.Reading
	every  time.Duration
	active uint64 // inputs that are on at this reading
	moved  bool   // the extended counter moved at this reading
	// Before this reading moved it: since when no count came, and the counter.
	still int64
	ext   uint64
	// base is the counter's state that the told counts belong to.
	base      count.State
	continued bool // the open stop went on through the hole
	recs      []*wirepb.Record
}

func (p *pass) activeSet() (set uint64) {
	for _, i := range p.r.Active {
		if i >= 0 && i < len(p.w.conf.Stops) {
			set |= 1 << i
		}
	}
	return set
}

func (p *pass) take() {
	first := !p.st.Known
	hole := false
	if first {
		p.st.Known = true
		p.st.Last = p.r.At
		p.st.settle(p.r.At.Boottime, 0)
		p.resetInputs()
	} else {
		p.stepClock()
		hole = p.hole()
	}
	p.applied()
	p.losses()
	p.count(hole)
	if hole {
		p.afterHole()
	}
	p.rest()
	p.inputs()
	p.standstill()
	p.routine()
	p.st.Last, p.st.Raw = p.r.At, p.r.Raw
	p.st.Served = cmp.Or(p.r.At.Served, p.st.Served)
	p.st.failed, p.st.down, p.st.resumed, p.st.dark = 0, false, false, source.Instant{}
	p.st.looked, p.st.absence = source.Instant{}, Absence{}
}

// stepClock notes that the wall clock jumped against the time since boot.
func (p *pass) stepClock() {
	last, now := p.st.Last, p.r.At
	if last.Boot != now.Boot {
		return
	}
	delta := (now.Wall - last.Wall) - (now.Boottime - last.Boottime)
	if time.Duration(delta).Abs() > clockStep {
		p.tell(now, &wirepb.Record_ClockStep{ClockStep: &wirepb.ClockStep{DeltaNs: delta}})
	}
}

// applied tells a configuration that is new to this stream.
func (p *pass) applied() {
	c := p.w.conf
	if p.st.Digest == c.Digest {
		return
	}
	p.st.Digest = c.Digest
	p.tell(p.r.At, &wirepb.Record_ConfigApplied{ConfigApplied: &wirepb.ConfigApplied{
		Digest: c.Digest[:], SourceKind: c.SourceKind, CountsPerRevolution: c.PerRevolution, MaxSpeedRpm: c.MaxRPM,
	}})
}

// count lets the counter decide and tells lives.
func (p *pass) count(hole bool) {
	elapsed, more := p.elapsed()
	p.st.Axis += elapsed
	p.st.More += more
	s := count.Sample{Raw: p.r.Raw, At: p.st.Axis, More: p.st.More}
	var v count.Verdict
	if p.st.Count.Beginning() {
		p.st.unsure = false // a life has all its counts from after its first reading
	}
	if p.w.conf.Pulses {
		p.st.Count, v = p.pulses(s, hole)
	} else if p.st.Counter != p.w.conf.Counter {
		p.st.Count, v = p.w.counter.Replace(p.st.Count, s)
	} else {
		p.st.Count, v = p.w.counter.Step(p.st.Count, s)
	}
	if p.st.Unit == (Unit{}) && p.st.Counter == p.w.conf.Counter {
		p.st.Unit = p.w.unit() // an older version did not keep it
	}
	p.st.Counter = p.w.conf.Counter
	p.st.unsure = p.st.unsure || hole
	if v.Kind == count.Held {
		return
	}
	if v.Kind == count.NewLife {
		p.newLife(v)
	}
	p.base = p.st.Count
	p.moved = v.To > v.From
	p.still, p.ext = p.st.Still, v.From
	if p.moved && p.st.unsure {
		// Exact in number, but nobody saw when.
		now := p.r.At.Boottime
		from := now
		if hole && p.st.Last.Boot == p.r.At.Boot {
			from = p.st.Last.Boottime
		}
		p.span(p.r.At, from, now, v.To, wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN)
	}
	p.st.unsure = false
	if !p.moved {
		return
	}
	p.st.Still = p.r.At.Boottime
	if p.running() {
		p.st.idle, p.st.idleExt = p.st.Still, p.base.Ext
	}
}

// newLife closes the life before, as far as it is not told, and begins one.
func (p *pass) newLife(v count.Verdict) {
	link := &wirepb.LifeLink{
		Kind: linkKinds[v.Link], LostMin: v.LostMin, LostMax: v.LostMax, PrevTo: v.PrevTo,
		Evidence: v.Evidence, CountsPerRevolution: p.w.conf.PerRevolution,
		Raw: p.st.Count.Raw, RawBits: uint32(p.w.conf.Bits), Extended: v.To, MaxSpeedRpm: p.w.conf.MaxRPM,
	}
	at := p.r.At
	began := at.Boottime - int64(p.st.Axis-v.Began)
	if (v.Link == count.FirstSight || v.Link == count.Replaced) && began >= 0 && !p.st.unsure {
		// This reading confirmed the one with which the life began.
		at = instant(at, began)
		link.Raw, link.Extended = v.From%p.w.counter.Modulus(), v.From
	}
	if p.st.Life != [16]byte{} {
		p.flush(at, max(p.st.Still, p.st.Covered), v.PrevTo)
		link.PrevLife = id(p.st.Life)
	} else if v.Link != count.FirstSight {
		link.RawBits = 0 // its readings do not agree: nobody is to go on from one
	}
	p.st.Life, p.st.Unit = p.w.newID(), p.w.unit()
	p.st.Told = v.From
	link.NewLife = id(p.st.Life)
	p.tell(at, &wirepb.Record_LifeLink{LifeLink: link})
	p.st.idleExt = v.From
	for i := range p.st.inputs {
		p.st.inputs[i].offExt = v.From
	}
}

// believed is the longest time over which a clock that nobody set can have the
// agent believe in turning, all that a journal holds: a box whose clock stood
// while it was off takes no true count for a jump. possible is the longest time
// that is thought of at all. A counter in which believed takes a sixteenth at
// the most cannot go round in it.
const (
	believed = 35 * 24 * time.Hour
	possible = 15 * believed
)

// elapsed is the time since the last reading as it is believed, and how much
// more it can have been. Over a boot it is what the clocks say only where they
// were set from outside, or what the server said. Else a counter wide enough is
// given all of believed, and a narrow one, whose turns around need the time, what
// an own clock shows.
func (p *pass) elapsed() (sure, more time.Duration) {
	wall, told := p.clocks()
	if told {
		return wall, 0
	}
	last, now := p.st.Last, p.r.At
	if a := p.st.absence; a.At.Boot == now.Boot {
		return a.Age + time.Duration(now.Boottime-a.At.Boottime) + placing, set + a.Longer
	}
	own := wall > 0 && last.Quality != source.Unset && now.Quality != source.Unset
	sure, most := believed, possible
	switch wide := p.w.counter.Bound(believed) <= p.w.counter.Modulus()/16; {
	case wide:
	case own:
		sure, most = min(wall, believed), min(wall, possible)
	default:
		most = believed
	}
	sure = min(sure, believed-(p.st.Axis-p.st.Count.At)) // in all, since the last good reading
	sure = max(sure, time.Duration(now.Boottime), 0)     // this boot at least
	return sure, max(most-sure, 1)                       // never 0: how long it was is not known
}

var linkKinds = map[count.Link]wirepb.LinkKind{
	count.FirstSight: wirepb.LinkKind_LINK_KIND_FIRST_SIGHT,
	count.Reset:      wirepb.LinkKind_LINK_KIND_RESET,
	count.Replaced:   wirepb.LinkKind_LINK_KIND_REPLACED,
	count.Preset:     wirepb.LinkKind_LINK_KIND_PRESET,
	count.Ambiguous:  wirepb.LinkKind_LINK_KIND_AMBIGUOUS,
}
