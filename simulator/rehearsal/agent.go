package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"turnwise/agent/edge/scribe"
	"turnwise/agent/edge/watch"
	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink/sender"
	"turnwise/proto/turnwisepb/wirepb"
)

const (
	site      = "mill"
	epoch     = int64(1_925_000_000e9) // wall clock at the beginning, ns
	syncEvery = 200 * time.Millisecond
	keepalive = 15 * time.Second
)

// box is the computer of an agent: its disk, its clocks, and the process that
// runs on it, if one does.
type box struct {
	w     *world
	mill  *mill
	id    string // of the agent
	plcs  []*plc
	disk  *disk
	line  lineFaults
	gone  bool            // it is not there, and comes back as a stray only
	stray bool            // it is there although another box has its machines
	eyes  map[*plc]*sight // what a stray has seen
	since time.Duration   // there has been such an agent

	boot    [16]byte
	bootAt  time.Duration
	wallOff time.Duration
	quality source.Quality

	p      *process
	image  map[string][]byte // an old copy of the disk
	starts int
	known  map[string][16]byte // streams of the journal that is in use, by machine

	told     time.Duration // when the server last had all of its journal
	toldKept time.Duration // so in the newest backup
	tampered bool          // its stream may be frozen
	helped   bool          // people are on their way
}

// process is one life of the agent program.
type process struct {
	b       *box
	dead    bool
	born    time.Duration
	j       *journal.Journal
	seats   []*seat
	s       *sender.Sender
	link    *link
	attempt int
	began   time.Duration // of the connection
	turn    int

	syncing  bool // a sync is on its way
	syncedAt time.Duration
	wake     uint64 // number of the newest wake-up; older ones are void
	sendIn   int    // the nth message from now kills the process
	sendPast bool
}

// seat is one machine as the process watches it.
type seat struct {
	plc    *plc
	scribe *scribe.Scribe
	pulses int64 // pulse counters: turned at count 0
	wrong  time.Duration
	watch  *watch.Watch
	asking bool // where the counter stood; nothing is read meanwhile
}

// askFor is how long a machine without a state waits for the server's word.
const askFor = 10 * time.Second

// patience is how long it waits for the server's word on how long the box was off.
const patience = 3 * time.Minute

func newBox(m *mill, id string, plcs []*plc) *box {
	b := &box{w: m.w, mill: m, id: id, since: m.w.now, told: m.w.now, plcs: plcs, disk: newDisk(m.w), quality: source.Free}
	if m.w.chance(0.5) {
		b.quality = source.NTPSynced
	}
	b.powerUp()
	return b
}

func (b *box) powerUp() {
	b.boot, b.bootAt = b.w.id(), b.w.now-time.Duration(b.w.rnd.Int64N(int64(time.Minute)))-time.Second
	b.mill.oracle.boots[b.boot] = b.bootAt
}

func (b *box) clock() source.Instant {
	return source.Instant{Boot: b.boot, Boottime: int64(b.w.now - b.bootAt), Wall: epoch + int64(b.w.now+b.wallOff), Quality: b.quality}
}

// start begins a process; where the journal cannot be opened people look after
// it.
func (b *box) start() {
	if b.p != nil || b.gone {
		return
	}
	p := &process{b: b, born: b.w.now}
	b.disk.restart()
	why := p.guarded(func() error { return p.open() })
	if why != nil {
		b.w.note("agent " + b.id + " did not start: " + why.Error())
		if errors.Is(why, journal.ErrDamaged) || errors.Is(why, watch.ErrState) {
			b.mill.replaceJournal(b)
		}
		b.later(time.Second, 5*time.Second)
		return
	}
	b.p = p
	b.w.note("agent " + b.id + " started")
	b.mill.oracle.opened(b)
	for i, s := range p.seats {
		wait := time.Duration(i+1) * 37 * time.Millisecond
		if s.asking {
			b.w.after(askFor+wait, func() { p.answered(s, nil, source.Instant{}) })
			continue
		}
		b.w.after(wait, func() { p.poll(s) })
	}
	b.w.after(time.Minute, p.house)
	p.connect()
}

var quiet = slog.New(slog.DiscardHandler)

func (p *process) open() (err error) {
	b := p.b
	log := quiet
	if b.w.log != nil && b.mill.o.Logs {
		log = slog.New(slog.NewTextHandler(noteWriter{b.w, b.id}, &slog.HandlerOptions{ReplaceAttr: dropTime}))
	}
	p.j, _, err = journal.Open(b.id, journal.Options{
		Disk: b.disk, Random: b.w.ids, SegmentBytes: 16 << 10, MaxBytes: 1 << 20, Log: log,
		Now: func() time.Time { return time.Unix(0, b.clock().Wall) },
	})
	if err != nil {
		return err
	}
	for _, m := range b.plcs {
		ch, err := p.j.Channel(m.id)
		if err != nil {
			return err
		}
		conf := watch.Config{
			Bits: m.width, Pulses: m.width == 0, PerRevolution: uint32(m.perRev), MaxRPM: maxRPM, Poll: poll, StopAfter: stopAfter, Patience: patience,
			SourceKind: "rehearsal", Counter: 1, Digest: [32]byte{1},
		}
		for _, c := range causes {
			conf.Stops = append(conf.Stops, watch.Stop{Cause: c, Hold: hold})
		}
		w, err := watch.New(conf, b.w.id, p.j.Boot)
		if err != nil {
			return err
		}
		s := &seat{plc: m, watch: w, asking: ch.Memory() != journal.MemoryKept}
		if s.scribe, err = scribe.New(ch, w); err != nil {
			return err
		}
		if ch.Memory() == journal.MemoryLost {
			s.scribe.Begin(watch.State{}) // a later life may be with the server
		}
		s.pulses = m.at() - int64(s.scribe.State().Count.Raw) // a pulse counter goes on where it was told
		p.seats = append(p.seats, s)
	}
	p.s = sender.New(p.j, sender.Options{Site: site, Agent: b.id, Log: log, Random: b.w.rnd.Float64, Asking: p.asking, Resumed: p.resumed, Absent: p.absent})
	p.dirty()
	return nil
}

// asking lists the machines of which the process does not know the state, or how
// long ago that was.
func (p *process) asking() (list []sender.Question) {
	for _, s := range p.seats {
		since, waiting := s.scribe.State().Waiting()
		if s.asking || waiting {
			list = append(list, sender.Question{Machine: s.plc.id, Since: since})
		}
	}
	return list
}

// absent takes the server's word on how long ago it was.
func (p *process) absent(a *wirepb.Absence, at source.Instant) {
	for _, s := range p.seats {
		st := s.scribe.State()
		if since, waiting := st.Waiting(); !waiting || s.plc.id != a.GetMachine() || since != a.GetSinceNs() {
			continue
		}
		p.b.w.fault("agent: told how long it was off")
		eyes := p.b.mill.oracle.of(s.plc)
		if p.b.stray {
			eyes = p.b.eyes[s.plc]
		}
		p.b.mill.oracle.absent(s.plc, eyes, st.Last, at, time.Duration(a.GetAgeNs()+a.GetLongerAgoNs()))
		s.scribe.Begin(st.Away(a, at))
	}
}

// resumed takes the server's word on one of them.
func (p *process) resumed(r *wirepb.Resume, at source.Instant) {
	for _, s := range p.seats {
		if s.plc.id == r.GetMachine() {
			p.answered(s, r, at)
		}
	}
}

// answered ends the wait for the server's word, with or without one.
func (p *process) answered(s *seat, r *wirepb.Resume, at source.Instant) {
	if !s.asking || p.dead {
		return
	}
	s.asking = false
	if r.GetVerdict() == wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE {
		p.b.w.fault("agent: counter handed over")
		word := watch.Answer(r, at)
		p.b.mill.oracle.handedOver(s.plc, [16]byte(r.GetBootId()), r.GetBoottimeNs(), word.Age, word.Longer)
		s.scribe.Begin(s.watch.Resume(word))
	}
	p.poll(s)
}

// errKilled is how a step ends in which the process was killed.
var errKilled = errors.New("killed")

// guarded runs a step of the process, which may be killed inside it.
func (p *process) guarded(step func() error) error {
	if p.dead {
		return nil
	}
	err := step()
	if where := p.b.disk.stopped; where != "" && !p.dead {
		p.b.w.fault("agent: killed " + where)
		p.dead = true
		p.b.kill()
		return errKilled
	}
	return err
}

// kill ends the process; what it gave to the kernel stays.
func (b *box) kill() {
	p := b.p
	b.disk.restart()
	if p == nil || b.p != p {
		return
	}
	b.p, p.dead = nil, true
	if p.link != nil {
		p.link.end()
	}
	for _, s := range p.seats {
		if !b.stray {
			b.mill.oracle.unwatched(s.plc)
		}
	}
	b.later(200*time.Millisecond, 15*time.Second)
}

// later starts the program after a while; only the newest word counts.
func (b *box) later(from, to time.Duration) {
	b.starts++
	n := b.starts
	b.w.after(b.w.between(from, to), func() {
		if b.starts == n {
			b.start()
		}
	})
}

// powerCut takes the power away. Until a box has started anew, the network has
// forgotten what it said before.
func (b *box) powerCut() {
	b.kill()
	b.later(10*time.Second, 25*time.Second)
	b.disk.powerCut()
	b.powerUp()
}

// poll reads one machine.
func (p *process) poll(s *seat) {
	if p.dead {
		return
	}
	b := p.b
	f := b.line
	if b.w.now-s.wrong < 3*time.Second {
		f.glitch, f.torn = 0, 0 // a momentary value is momentary
	}
	true := s.plc.register()
	r := s.plc.read(f)
	if s.plc.width == 0 && r.Err == nil {
		r.Raw = uint64(s.plc.at() - s.pulses)
	} else if r.Err == nil && r.Raw != true {
		s.wrong = b.w.now
	}
	r.At = b.clock()
	if add, off, ok := p.s.ServerOffset(r.At.Boottime); ok {
		r.At.Served = r.At.Boottime + int64(add-off)
	}
	_ = p.guarded(func() error {
		_, err := s.scribe.Take(r, false)
		if err == nil {
			p.dirty()
		}
		if _, waiting := s.scribe.State().Waiting(); waiting {
			return nil // it says nothing yet
		}
		if right := r.Raw == true || s.plc.width == 0; r.Err == nil && b.stray {
			b.mill.oracle.strayRead(b.eyes[s.plc], s.plc, r, err == nil && right)
		} else if r.Err == nil {
			b.mill.oracle.read(s.plc, r, err == nil, right)
		}
		return nil
	})
	b.w.after(poll, func() { p.poll(s) })
}

// dirty brings what was appended to the disk, as the journal's own loop does.
func (p *process) dirty() {
	if p.syncing {
		return
	}
	p.syncing = true
	p.b.w.after(max(p.syncedAt+syncEvery-p.b.w.now, time.Millisecond), func() {
		p.syncing = false
		_ = p.guarded(func() error {
			p.syncedAt = p.b.w.now
			if err := p.j.Sync(); err != nil {
				p.dirty()
				return nil
			}
			p.step()
			return nil
		})
	})
}

func (p *process) house() {
	if p.dead {
		return
	}
	_ = p.guarded(func() error {
		p.turn = p.j.Tend(p.turn)
		return nil
	})
	p.b.w.after(time.Minute, p.house)
}

// connect dials the broker; after an end it comes here again.
func (p *process) connect() {
	_ = p.guarded(func() error {
		b := p.b
		_, err := p.s.Begin(b.clock())
		if err != nil {
			p.later()
			return nil
		}
		if b.disk.stopped != "" {
			return nil
		}
		l := b.mill.net.dial(p)
		if l == nil {
			p.later()
			return nil
		}
		p.link, p.began = l, b.w.now
		p.s.Restart()
		p.step()
		return nil
	})
}

func (p *process) later() {
	if p.dead {
		return
	}
	wait := time.Duration(p.b.w.rnd.Float64() * float64(min(30*time.Second, time.Second<<min(p.attempt, 10))))
	p.attempt++
	p.b.w.after(wait, func() {
		if !p.dead {
			p.connect()
		}
	})
}

// lost is told by the network.
func (p *process) lost(l *link) {
	if p.dead || p.link != l {
		return
	}
	p.link = nil
	if p.b.w.now-p.began > 30*time.Second {
		p.attempt = 0
	}
	p.later()
}

func (p *process) now() sender.Now {
	return sender.Now{At: time.Unix(0, epoch+int64(p.b.w.now)), Clock: p.b.clock()}
}

// step lets the sender send, and comes back when it asks to.
func (p *process) step() {
	l := p.link
	if l == nil {
		return
	}
	now, b := p.now(), p.b
	due := p.s.Step(now, func(m sender.Message) bool {
		if b.disk.stopped != "" {
			return false
		}
		if p.sendIn > 0 {
			if p.sendIn--; p.sendIn == 0 {
				b.disk.stopped = "before a message was sent"
				if p.sendPast {
					b.disk.stopped = "after a message was sent"
					l.up(m)
				}
				return false
			}
		}
		return l.up(m)
	}, false)
	p.wake++
	n := p.wake
	p.b.w.after(max(due.Sub(now.At), time.Millisecond), func() {
		if p.wake == n {
			_ = p.guarded(func() error { p.step(); return nil })
		}
	})
}

// receive is told by the network.
func (p *process) receive(l *link, m sender.Message) {
	if p.link != l {
		return
	}
	_ = p.guarded(func() error {
		now := p.now()
		m.At = now.Clock.Boottime
		p.s.Receive(now, m)
		if p.drained() {
			p.b.told = p.b.w.now
			for _, s := range p.seats {
				if !p.b.stray {
					p.b.mill.oracle.heard(s.plc)
				}
			}
		}
		p.dirty()
		p.step()
		return nil
	})
}

// room is told by the network.
func (p *process) room(l *link) {
	if p.link == l {
		_ = p.guarded(func() error { p.step(); return nil })
	}
}

// holds tells that a stream is in the journal that is in use.
func (b *box) holds(stream []byte) bool {
	if b.p == nil {
		return false
	}
	for _, ch := range b.p.j.Channels() {
		if id := ch.StreamID(); string(id[:]) == string(stream) {
			return true
		}
	}
	return false
}

// drained tells that the server has all of it.
func (p *process) drained() bool {
	for _, ch := range p.j.Channels() {
		if ch.Acked() < ch.Head() || ch.Unsynced() > 0 {
			return false
		}
	}
	return true
}

type noteWriter struct {
	w  *world
	id string
}

func (n noteWriter) Write(b []byte) (int, error) {
	n.w.log(fmt.Sprintf("%12.3f  %s says %s", n.w.now.Seconds(), n.id, b[:max(len(b)-1, 0)]))
	return len(b), nil
}

func dropTime(_ []string, a slog.Attr) slog.Attr {
	if a.Key == slog.TimeKey {
		return slog.Attr{}
	}
	return a
}

var background = context.Background()
