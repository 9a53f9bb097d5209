package rehearsal

import (
	"errors"
	"fmt"
	"time"

	"turnwise/agent/source"
)

// plc is one machine and its controller: the truth. It counts in integers and
// shares nothing with the product: turned never wraps, never falls and never
// forgets; the register is what the world sees of it.
type plc struct {
	w      *world
	id     string
	width  uint // of the register in bits; 0 = pulses on a line, nothing counts them
	perRev int64
	fast   time.Duration // time of one count at the highest speed, never undercut

	// The cylinder: counts so far, and since when one more comes each period;
	// period 0 = it stands.
	turned  int64
	legAt   time.Duration
	period  time.Duration
	base    int64         // register = turned - base
	input   int           // stop input that is on, -1 = none
	lamp    time.Duration // blinks with this half period; 0 = steady
	stops   []trueStop
	upsets  []upset
	ended   bool // no new stops
	resting bool
}

// trueStop is a stop as it was.
type trueStop struct {
	begin, end time.Duration // end 0 = not yet
	input      int           // -1 = a standstill without a signal
}

// upset is a moment at which the register lost its memory.
type upset struct {
	at     time.Duration
	turned int64
	before uint64 // register until then
	shift  uint64 // what it shows more from then on, modulo its width
}

const (
	poll      = 500 * time.Millisecond
	hold      = 1500 * time.Millisecond
	stopAfter = 3 * time.Second
	maxRPM    = 60
)

var causes = []string{"yarn", "needle", "fabric"}

// at brings the cylinder to the present.
func (p *plc) at() int64 {
	if p.period > 0 {
		n := int64((p.w.now - p.legAt) / p.period)
		p.turned += n
		p.legAt += time.Duration(n) * p.period
	}
	return p.turned
}

func (p *plc) mask() uint64 { return 1<<p.width - 1 }

func (p *plc) register() uint64 { return uint64(p.at()-p.base) & p.mask() }

// turn sets the speed, in counts; 0 stands.
func (p *plc) turn(period time.Duration) {
	p.at()
	p.period, p.legAt = period, p.w.now
}

func (p *plc) run() {
	if p.ended {
		return
	}
	if n := len(p.stops); n > 0 && p.stops[n-1].end == 0 {
		p.stops[n-1].end = p.w.now
	}
	p.input, p.lamp, p.resting = -1, 0, false
	// Between two thirds and nearly all of the highest speed.
	p.turn(p.fast + p.fast*time.Duration(p.w.rnd.IntN(50))/100 + 1)
	p.w.after(p.w.between(8*time.Second, 40*time.Second), p.begin)
}

func (p *plc) begin() {
	if p.resting {
		return
	}
	p.resting = true
	p.turn(0)
	p.input = p.w.rnd.IntN(len(causes)+1) - 1
	p.lamp = 0
	if p.input >= 0 && p.w.chance(0.3) {
		p.lamp = 600 * time.Millisecond
		p.w.fault("machine: lamp blinks")
	}
	p.stops = append(p.stops, trueStop{begin: p.w.now, input: p.input})
	if !p.ended {
		p.w.after(p.w.between(4500*time.Millisecond, 20*time.Second), p.run)
	}
}

// upset makes the register forget: to 0, or to a value from anywhere.
func (p *plc) upset(preset bool) {
	if p.width == 0 {
		return
	}
	before, to := p.register(), int64(0)
	if preset {
		for to = int64(p.w.rnd.Uint64() & p.mask()); !p.far(uint64(to), p.register()); {
			to = int64(p.w.rnd.Uint64() & p.mask())
		}
		p.w.fault("machine: preset")
	} else {
		p.w.fault("machine: reset")
	}
	p.upsets = append(p.upsets, upset{p.w.now, p.at(), before, (uint64(to) - before) & p.mask()})
	p.base = p.at() - to
	if p.w.log != nil {
		p.w.say(fmt.Sprintf("register of %s from %d to %d; %d counts made", p.id, before, to, p.at()))
	}
}

var errNoAnswer = errors.New("no answer")

// read is what a reader gets, with the faults of the line.
func (p *plc) read(f lineFaults) (r source.Reading) {
	r.SpeedRPM = -1
	if p.w.chance(f.silent) {
		p.w.fault("line: no answer")
		r.Err = errNoAnswer
		return r
	}
	r.Raw = p.register()
	if p.width > 0 && p.w.chance(f.glitch) {
		if raw, ok := p.glitch(r.Raw); ok {
			p.w.fault("line: wrong value")
			r.Raw = raw
		}
	}
	if p.width == 32 && p.w.chance(f.torn) {
		// The low word is of before a carry, or the words are swapped.
		old, now := r.Raw-uint64(p.w.rnd.IntN(3)), r.Raw
		raw := now&^0xffff | old&0xffff
		if p.w.chance(0.5) {
			raw = now>>16 | now<<16&0xffff0000
		}
		if p.odd(raw) {
			p.w.fault("line: torn value")
			r.Raw = raw
		}
	}
	if p.input >= 0 && (p.lamp == 0 || (p.w.now/p.lamp)%2 == 0) {
		r.Active = []int{p.input}
	}
	return r
}

// lineFaults are the chances of what happens to one reading.
type lineFaults struct{ silent, glitch, torn float64 }

// glitch draws a wrong value that turning cannot explain: one that it could
// explain cannot be told from the truth by anybody.
func (p *plc) glitch(now uint64) (uint64, bool) {
	raw := []uint64{0, p.mask(), p.w.rnd.Uint64() & p.mask(), now ^ 1<<p.w.rnd.IntN(int(p.width))}[p.w.rnd.IntN(4)]
	return raw, p.odd(raw)
}

// odd tells that a value is far from what the register shows, and from what it
// showed before it last forgot: some reader may still wait for that.
func (p *plc) odd(raw uint64) bool {
	for i := max(len(p.upsets)-4, 0); i < len(p.upsets); i++ {
		if !p.far(raw, p.upsets[i].before) {
			return false
		}
	}
	return p.far(raw, p.register())
}

// far tells that a value is far from a register: more than it makes in a
// quarter of an hour ahead, so that no honest reader takes it for turning.
func (p *plc) far(raw, now uint64) bool {
	room := uint64(15*time.Minute/p.fast) * 2
	if limit := p.mask() / 8; room > limit {
		room = limit
	}
	ahead := (raw - now) & p.mask()
	return ahead > room && p.mask()-ahead > room
}
