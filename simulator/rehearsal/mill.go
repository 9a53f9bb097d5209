package rehearsal

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

// Options of one rehearsal.
type Options struct {
	Seed uint64
	// Faults to inject; 0 = 5000. The play then calms down and is judged.
	Faults int
	// Log hears every step; nil = nobody.
	Log func(string)
	// Logs lets the programs' own words into it.
	Logs bool
	// Until ends the faults at an instant, for cutting a schedule short; 0 =
	// when there were enough of them.
	Until time.Duration
	// Pauses is the share of acknowledgements with a credit of 0. With 0 no
	// chance is drawn, so that a seed plays as it did.
	Pauses float64
	// Copies is the share of the troubles of a journal in which it is copied, and
	// two boxes go on with it, beyond those that are drawn anyway.
	Copies float64
	// Break is a negative control: "hasty", "double", "copies", "vague" or "lying
	// disk".
	Break string
	// Open brings another database; nil = one in memory.
	open func(w *world) database
}

// Result of one rehearsal.
type Result struct {
	Seed   uint64
	Faults int
	Kinds  []Count
	Digest uint64        // of every step: the same seed gives the same
	Played time.Duration // of the mill's time
	Ended  time.Duration // of the faults
	Wrong  []string
	Books  []record
	Judged Judged
}

// mill is the whole stage.
type mill struct {
	w      *world
	o      Options
	net    *network
	server *server
	boxes  []*box
	plcs   []*plc
	oracle *oracle
	calm   bool
	// badClock: the server's clock steps in this mill.
	badClock bool
	// When the server was last set back to a backup.
	restored time.Duration
}

// Run plays one seed.
func Run(o Options) Result {
	if o.Faults == 0 {
		o.Faults = 5000
	}
	w := newWorld(o.Seed, o.Log)
	m := &mill{w: w, o: o}
	m.oracle = &oracle{w: w, mill: m, seen: map[string]*sight{}, acked: map[[16]byte]ackedAt{}, boots: map[[16]byte]time.Duration{}, spoke: map[[16]byte]time.Duration{}}
	m.build()
	w.run(12 * time.Second) // first sight, in peace
	for _, p := range m.plcs {
		p.run()
	}
	m.trouble()
	step := 10 * time.Second
	for w.total < o.Faults && (o.Until == 0 || w.now < o.Until) && len(w.failed) == 0 && w.now < 100*time.Hour {
		w.run(w.now + step)
	}
	ended := w.now
	m.settle()
	if len(w.failed) == 0 {
		m.oracle.judge()
	}
	return Result{Seed: o.Seed, Faults: w.total, Kinds: w.counts(), Digest: w.digest, Played: w.now, Ended: ended, Wrong: w.failed, Books: m.server.st.books(), Judged: m.oracle.judged}
}

func (m *mill) build() {
	w := m.w
	m.badClock = w.chance(0.25)
	m.net = &network{w: w, mill: m, air: calm, up: map[string]bool{}, down: map[string]bool{}}
	m.server = &server{w: w, mill: m}
	if m.o.open != nil {
		m.server.st = m.o.open(w)
	} else {
		st := newMemory(w)
		st.truth = func(id string) int64 { return m.plc(id).at() }
		st.doubles, st.hasty = m.o.Break == "double", m.o.Break == "hasty"
		st.copies, st.vague = m.o.Break == "copies", m.o.Break == "vague"
		m.server.st = st
	}
	kinds := []struct {
		width  uint
		perRev int64
	}{{32, 1}, {16, 1}, {16, 1000}, {0, 1}, {32, 4}, {0, 6}}
	agents := 2 + w.rnd.IntN(2)
	for a := range agents {
		var plcs []*plc
		for range 1 + w.rnd.IntN(3) {
			k := kinds[w.rnd.IntN(len(kinds))]
			p := &plc{w: w, id: fmt.Sprintf("m%02d", len(m.plcs)+1), width: k.width, perRev: k.perRev, input: -1,
				fast: time.Minute / time.Duration(maxRPM*3/4*k.perRev)}
			if k.width > 0 {
				// Near its end, so that it wraps.
				p.base = int64(w.rnd.IntN(200)*int(k.perRev)) + 1
			}
			plcs = append(plcs, p)
			m.plcs = append(m.plcs, p)
		}
		m.register(fmt.Sprintf("a%02d", a+1), plcs)
	}
	m.server.start()
	for _, b := range m.boxes {
		b.disk.lies = m.o.Break == "lying disk"
		b.start()
	}
}

func (m *mill) register(id string, plcs []*plc) *box {
	b := newBox(m, id, plcs)
	m.enter(b)
	m.boxes = append(m.boxes, b)
	return b
}

func (m *mill) plc(id string) *plc {
	for _, p := range m.plcs {
		if p.id == id {
			return p
		}
	}
	panic("rehearsal: no machine " + id)
}

// replaceJournal is what people do when a journal cannot be used any more:
// they give the agent an empty one.
func (m *mill) replaceJournal(b *box) {
	b.kill()
	b.disk, b.known = newDisk(m.w), nil
	b.disk.lies = m.o.Break == "lying disk"
	m.w.note("journal of " + b.id + " replaced by an empty one")
	for _, p := range b.plcs {
		if !b.stray {
			m.oracle.forgotten(p, b.told)
		}
	}
	b.told = m.w.now
}

// frozen is told when the server stops a stream: rightly so only when people
// have copied or set back a journal, or damage was taken for a torn tail.
func (m *mill) frozen(agent string, a *wirepb.Ack) {
	for _, b := range m.boxes {
		if b.id != agent || !b.holds(a.GetStreamId()) {
			continue // word of a journal that is gone
		}
		if b.stray {
			return // people take it away before long
		}
		// Under a clock of the server's own that steps, a new journal may seem to
		// be older than the one that it replaced.
		wrongTime := m.badClock && strings.Contains(a.GetReason(), "handed over")
		if !b.tampered && !wrongTime && !m.rival(b) {
			m.w.fail("stream of %s frozen for no reason: %s", agent, a.GetReason())
			return
		}
		if !b.helped {
			b.helped = true
			m.w.after(m.w.between(time.Second, 30*time.Second), func() {
				b.helped, b.tampered = false, false
				m.replaceJournal(b)
			})
		}
	}
}

// unregistered is told when the server does not know an agent: rightly so when
// the backup that was restored is older than it. People enter it again, but not a
// box that they have replaced: the machine would be its own again.
func (m *mill) unregistered(agent string, a *wirepb.Ack) {
	for _, b := range m.boxes {
		if b.id != agent || b.stray || b.gone {
			continue
		}
		if m.restored < b.since {
			m.w.fail("agent %s is not known: %s", agent, a.GetReason())
			return
		}
		m.w.after(m.w.between(time.Second, 30*time.Second), func() {
			if !b.stray && !b.gone {
				m.enter(b)
			}
		})
	}
}

// enter puts an agent into the register.
func (m *mill) enter(b *box) {
	var ids []string
	for _, p := range b.plcs {
		ids = append(ids, p.id)
	}
	m.server.st.register(b.id, ids...)
}

// settle ends all trouble and waits until everybody has told everything.
func (m *mill) settle() {
	m.calm = true
	m.net.air, m.net.cutAll = calm, false
	for _, b := range m.boxes {
		m.takeAway(b)
	}
	clear(m.net.up)
	clear(m.net.down)
	m.server.full, m.server.crash = false, ""
	m.server.set(0)
	for _, p := range m.plcs {
		p.ended = true
		p.begin()
	}
	for _, b := range m.boxes {
		b.line = lineFaults{}
		b.disk.full, b.disk.illSync, b.disk.illCall, b.disk.crashIn = false, 0, 0, 0
		if b.p != nil {
			b.p.sendIn = 0
		}
	}
	m.w.run(m.w.now + 40*time.Second)
	patience := 90
	if m.badClock {
		patience = 270 // until the server's clock has reached what it once showed
	}
	for range patience {
		m.w.run(m.w.now + 20*time.Second)
		if len(m.w.failed) > 0 || m.quiet() {
			break
		}
	}
	if !m.quiet() && len(m.w.failed) == 0 {
		m.w.fail("long after the last fault not everything has reached the server: %s", m.outstanding())
	}
}

func (m *mill) quiet() bool { return m.outstanding() == "" }

func (m *mill) outstanding() string {
	for _, b := range m.boxes {
		switch {
		case b.gone:
		case b.p == nil:
			return b.id + " is down"
		case b.helped:
			return b.id + " waits for people"
		case !b.p.drained():
			return b.id + " holds records"
		case m.w.now-b.p.born < 70*time.Second:
			return b.id + " is new"
		}
	}
	return ""
}

// trouble draws faults, one after the other, at a pace that changes.
func (m *mill) trouble() {
	pace := m.w.between(200*time.Millisecond, 6*time.Second)
	m.w.after(0, m.changeWeather)
	var next func()
	next = func() {
		if m.calm {
			return
		}
		m.strike()
		m.w.after(time.Duration(m.w.rnd.ExpFloat64()*float64(pace)), next)
	}
	m.w.after(pace, next)
}

// changeWeather lets the network be good or bad for a while.
func (m *mill) changeWeather() {
	if m.calm {
		return
	}
	w := m.w
	bad := w.rnd.Float64() * w.rnd.Float64()
	m.net.air = weather{
		drop: bad * 0.6, double: w.rnd.Float64() * bad, late: w.rnd.Float64() * bad,
		delay: w.between(time.Millisecond, 200*time.Millisecond), lateBy: w.between(time.Millisecond, 8*time.Second),
	}
	for _, b := range m.boxes {
		b.line = lineFaults{}
		if w.chance(0.6) {
			b.line = lineFaults{silent: w.rnd.Float64() * w.rnd.Float64() * 0.7, glitch: w.rnd.Float64() * 0.2, torn: w.rnd.Float64() * 0.1}
		}
	}
	w.after(w.between(5*time.Second, 60*time.Second), m.changeWeather)
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
