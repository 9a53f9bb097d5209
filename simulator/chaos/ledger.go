package chaos

import (
	"math/rand/v2"
	"sync"
	"time"

	"turnwise/simulator/machine"
	"turnwise/simulator/plc"
)

// Rules of the small mill. The highest speed is what agent.yaml says; the
// cylinders stay below it.
const (
	maxRPM        = 1000
	slowest       = 140 * time.Millisecond // between two turns
	fastest       = 70 * time.Millisecond
	farAway       = 6000 // counts: what no hole of a run can be taken for
	confirmWithin = 3500 * time.Millisecond
)

// inFlight is how long an answer may be on its way inside this process.
const inFlight = 300 * time.Millisecond

// causes of the stop inputs, in order.
var causes = []string{"yarn", "needle", "doff"}

// none is the input of a machine that shows no stop.
const none = -1

// stop is one true stop at an input.
type stop struct {
	begin, end time.Duration // end 0 = still on
	input      int
}

// sight is a time in which one process saw the same thing again and again.
type sight struct {
	gen         int  // of the process
	gap         bool // the same process could not look just before it
	from, to    time.Duration
	calls       int // requests answered; a reading takes two
	input       int
	first, last int64 // shown counter
}

// shift is a counter that jumped.
type shift struct {
	at, seen, after time.Duration // last look before it, first look after it
	from            time.Duration // what was counted since then may be lost
	kind            string
}

// cylinder is the truth of one machine and its ledger. Whatever a reader is
// shown is computed from the ledger under its lock, so nothing is exposed
// that is not written down before.
type cylinder struct {
	id       string
	register machine.Register
	begun    time.Time

	mu     sync.Mutex
	turns  int64           // since the first instant
	times  []time.Duration // of each turn
	offset int64           // shown counter minus turns
	input  int
	stops  []stop
	shifts []shift
	wraps  []time.Duration // when the counter went over its end
	sights []sight
	others []sight       // of a reader that nobody should have started; stops only
	early  int64         // turns made before the books began, see unbegun
	firsts time.Duration // of the first look; 0 = none yet
	lasts  time.Duration

	port    *plc.Server   // the first port
	looks   int           // that reached a reader, readings of two
	garbled bool          // no look reaches a reader
	broke   time.Duration // when that began or ended
	hung    time.Duration // the longest time for which its reader was stopped
	gap     bool          // none did just before
	gen     int           // of the process that reads the first port
	blind   bool          // what is read is not kept: the disk is full
	pending bool          // a shift that may not be confirmed yet
	pendGen int
	pendAt  time.Duration
	glitch  int64 // added to the counter while glitchN > 0
	glitchN int

	force int           // inputs to show next, 0 = as drawn
	hold  bool          // no turns and no stops
	still bool          // the drive has heard of hold
	woken chan struct{} // wakes the drive
}

func newCylinder(id string, r machine.Register, shown int64) *cylinder {
	return &cylinder{id: id, register: r, begun: time.Now(), offset: shown, input: none, hold: true, woken: make(chan struct{}, 1)}
}

func (c *cylinder) now() time.Duration { return time.Since(c.begun) }

func (c *cylinder) modulus() int64 { return 1 << c.register.Bits() }

func (c *cylinder) shown() int64 { return (c.turns + c.offset) & (c.modulus() - 1) }

// look answers a reader. Only the first port's looks go into the ledger: a
// second reader on the second port is one that nobody should have started.
func (c *cylinder) look(second bool) plc.Look {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := plc.Look{Turns: c.shown()}
	if c.input != none {
		l.Inputs = []int{c.input}
	} else if !c.hold {
		l.RPM = 600
	}
	now := c.now()
	if second {
		c.noteOther(now)
		return l
	}
	if c.garbled {
		if now-c.broke < inFlight { // this answer may have been on its way already
			c.noteOther(now)
		}
		return l
	}
	c.looks++
	if c.glitchN > 0 {
		c.glitchN--
		l.Turns = (l.Turns + c.glitch) & (c.modulus() - 1)
	}
	if c.firsts == 0 {
		c.firsts = now
	}
	c.lasts = now
	c.noteSight(now, l.Turns)
	c.noteShift(now)
	return l
}

// noteOther notes that somebody may see a stop and tell of it: a reader that
// nobody should have started, or one whose line breaks just now.
func (c *cylinder) noteOther(now time.Duration) {
	if c.input == none {
		return
	}
	if n := len(c.others); n > 0 {
		if s := &c.others[n-1]; s.input == c.input && now-s.to < time.Second {
			s.to = now
			return
		}
	}
	c.others = append(c.others, sight{from: now, to: now, calls: 1, input: c.input})
}

func (c *cylinder) noteSight(now time.Duration, shown int64) {
	gap := c.gap
	c.gap = false
	if n := len(c.sights); n > 0 && !gap {
		s := &c.sights[n-1]
		if s.gen == c.gen && s.input == c.input && now-s.to < 2*time.Second {
			s.to, s.last = now, shown
			s.calls++
			return
		}
	}
	c.sights = append(c.sights, sight{gen: c.gen, gap: gap, from: now, to: now, calls: 1, input: c.input, first: shown, last: shown})
}

// noteShift follows whether the reader has had the time to believe a jump.
func (c *cylinder) noteShift(now time.Duration) {
	if !c.pending || c.blind {
		return
	}
	s := &c.shifts[len(c.shifts)-1]
	if s.after == 0 {
		s.after = now
	}
	if c.pendGen != c.gen || c.pendAt == 0 {
		c.pendGen, c.pendAt = c.gen, now
	}
	c.pending = now-c.pendAt < confirmWithin
}

// turn writes down one turn, then lets it be seen.
func (c *cylinder) turn() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.hold || c.input != none {
		return
	}
	c.turns++
	c.times = append(c.times, c.now())
	if c.shown() == 0 {
		c.wraps = append(c.wraps, c.now())
	}
}

// setInput writes down the begin or end of a stop, then lets it be seen.
func (c *cylinder) setInput(i int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.input != none {
		c.stops[len(c.stops)-1].end = c.now()
	}
	if c.input = i; i != none {
		c.stops = append(c.stops, stop{begin: c.now(), input: i})
	}
}

// jump moves the shown counter, as a restarted controller does. It refuses
// where nobody could ever tell it from turning: before the last jump was
// believed, or too near to what was shown.
func (c *cylinder) jump(kind string, to int64) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	d := (to - c.shown() + c.modulus()) & (c.modulus() - 1)
	if c.pending || c.firsts == 0 || d < farAway || d > c.modulus()-farAway {
		return false
	}
	c.offset += to - c.shown()
	c.pending, c.pendAt = true, 0
	c.shifts = append(c.shifts, shift{at: c.now(), seen: c.lasts, from: c.lasts, kind: kind})
	return true
}

// falter shows one wrong reading: a reading is two requests.
func (c *cylinder) falter(how func(shown int64) (instead int64, ok bool)) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	instead, ok := how(c.shown())
	if ok {
		c.glitch, c.glitchN = instead-c.shown(), 2
	}
	return ok
}

// breakLine lets every answer of the machine go wrong, or repairs it. What is
// in the ledger as looked at may then be a little more than what arrived.
func (c *cylinder) breakLine(f plc.Fault) {
	if f == plc.None {
		c.setGarbled(false)
		c.port.SetFault(f)
		return
	}
	c.port.SetFault(f)
	c.setGarbled(true)
}

func (c *cylinder) setGarbled(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.garbled, c.gap, c.broke = on, true, c.now()
	c.pendAt = 0 // believed only after whole readings
}

// seen is how many looks reached a reader.
func (c *cylinder) seen() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.looks
}

func (c *cylinder) setHold(on bool) {
	c.mu.Lock()
	c.hold = on
	c.mu.Unlock()
	c.wake()
}

func (c *cylinder) setBlind(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.blind = on
	c.pendAt = 0 // believed only after whole readings
}

func (c *cylinder) setGen(gen int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.gen = gen
}

// stopSoon lets the next stop begin at once.
func (c *cylinder) stopSoon() {
	c.mu.Lock()
	c.force++
	c.mu.Unlock()
	c.wake()
}

func (c *cylinder) wake() {
	select {
	case c.woken <- struct{}{}:
	default:
	}
}

// drive turns the cylinder until done is closed: runs, stops at inputs, and
// now and then a rest that no input tells of.
func (c *cylinder) drive(done <-chan struct{}, rng *rand.Rand) {
	between := func(lo, hi time.Duration) time.Duration { return lo + time.Duration(rng.Int64N(int64(hi-lo))) }
	for {
		run, beat := between(600*time.Millisecond, 3*time.Second), between(fastest, slowest)
		for until := time.Now().Add(run); time.Now().Before(until) && !c.forced(); {
			if !pause(done, beat) {
				return
			}
			c.turn()
		}
		if c.held() {
			c.setStill(true)
			if !c.rest(done, time.Hour) {
				return
			}
			c.setStill(false)
			continue
		}
		if rng.IntN(12) == 0 && !c.takeForce() {
			if !c.rest(done, between(3500*time.Millisecond, 5*time.Second)) {
				return
			}
			continue
		}
		c.takeForce()
		c.setInput(rng.IntN(len(causes)))
		long := between(400*time.Millisecond, 2500*time.Millisecond)
		ok := pause(done, long)
		c.setInput(none)
		if !ok || !pause(done, 300*time.Millisecond) {
			return
		}
		c.turn() // at least one turn lies between two stops
	}
}

// setStill says that the drive shows nothing of its own while held.
func (c *cylinder) setStill(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.still = on
}

func (c *cylinder) isStill() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.still
}

func (c *cylinder) rest(done <-chan struct{}, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-done:
		return false
	case <-c.woken:
	case <-t.C:
	}
	return true
}

func (c *cylinder) held() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.hold
}

func (c *cylinder) forced() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.force > 0 || c.hold
}

func (c *cylinder) takeForce() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	was := c.force > 0
	c.force = 0
	return was
}

// pause waits; false says that done was closed meanwhile.
func pause(done <-chan struct{}, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-done:
		return false
	case <-t.C:
		return true
	}
}

// replaced writes down that whoever reads the machine next may know nothing
// of what came after safe.
func (c *cylinder) replaced(safe time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.shifts = append(c.shifts, shift{at: c.now(), seen: c.lasts, from: min(safe, c.lasts), kind: replacement})
	c.pending, c.pendAt = true, 0
}

// unbegun writes down that the only journal of the machine was destroyed before
// the server had one record of it: the books begin later, and say since when they
// run. No number of theirs is about the turns before.
func (c *cylinder) unbegun() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.early = c.turns
}

// replacement is the kind of a shift in which the reader was replaced.
const replacement = "reader replaced"
