package rehearsal

import (
	"fmt"
	"math"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// oracle knows the truth and looks at the books after every commit.
type oracle struct {
	w      *world
	mill   *mill
	seen   map[string]*sight
	acked  map[[16]byte]ackedAt
	judged Judged
	boots  map[[16]byte]time.Duration // when they began
	spoke  map[[16]byte]time.Duration // when a batch of them last came to the server
}

type ackedAt struct {
	incarnation [16]byte
	seq         uint64
}

// sight is what could be known of one machine by looking at it.
type sight struct {
	last   time.Duration  // newest good reading that was taken
	newest source.Instant // of that reading, by its box
	booted time.Duration  // first good reading in that boot
	recent []pastReading  // readings that a process may know when it starts
	deaths int            // of processes that looked
	holes  []stretch      // times in which nobody looked, or what was seen was forgotten
	doubts
	excusable
	reasons  map[string]bool // why bounds may be declared
	everRead bool
	clone    time.Duration // since when two boxes have one journal; 0 = none
	short    int64         // counts that bounds may be short of
	buried   int64         // records that came as tombstones
}

// pastReading is a good reading that the journal took, after so many deaths.
type pastReading struct {
	at     time.Duration
	reg    uint64
	by     source.Instant // by its box
	deaths int
}

// stretch is a time of which something may be missing. gone: what was seen in
// it may be lost with a journal, but nobody has seen it twice.
type stretch struct {
	from, to time.Duration
	gone     bool
}

func (o *oracle) of(p *plc) *sight {
	s := o.seen[p.id]
	if s == nil {
		s = &sight{reasons: map[string]bool{}}
		o.seen[p.id] = s
	}
	return s
}

// rollback is how far back the state of a process may fall when it dies: the
// longest time between two states in the journal, and some polls.
const rollback = 12 * time.Second

// read notes a reading: taken says that the journal took it, right that its
// value was the register's.
func (o *oracle) read(p *plc, r source.Reading, taken, right bool) {
	s := o.of(p)
	if !taken {
		return
	}
	if gap := o.w.now - s.last; s.everRead && (gap > 3*poll || s.died) {
		from := s.last
		if s.died {
			from = max(s.last-rollback, 0)
		}
		if p.width == 0 || o.most(p, o.w.now-from) >= int64(p.mask()/32) || s.unset(o.w.now, r.At) {
			s.bounds += o.mayTell(p, s, o.w.now-from, r.At)
		}
		if gap > 3*poll {
			s.calm = o.w.now
			o.hole(p, s.last, o.w.now)
		}
	}
	s.died = false
	if right {
		o.judgeUpsets(p, s, r.At)
		if r.At.Boot != s.newest.Boot {
			s.booted = o.w.now
		}
		s.remember(o.w.now, p.register(), r.At)
		// Whoever still knows the register of another boot, and no set clock,
		// cannot tell going around from falling; nor, where the register goes around
		// within the time that such a box may have been off, how often it did.
		narrow := p.width > 0 && o.most(p, longOff) > int64(p.mask())
		for _, old := range s.recent {
			if r.At.Quality != source.NTPSynced && o.w.now-s.booted <= rollback && old.by.Boot != r.At.Boot && (narrow || p.register() < old.reg) {
				s.reasons["the register may have gone round"] = true
			}
		}
		s.newest = r.At
	}
	s.last, s.everRead = o.w.now, true
}

// remember notes what a process that starts anew may still know: the newest
// reading that was surely in the journal when the one before died, or any later
// one.
func (s *sight) remember(now time.Duration, reg uint64, by source.Instant) {
	s.recent = append(s.recent, pastReading{now, reg, by, s.deaths})
	for i := len(s.recent) - 1; i > 0; i-- {
		if x := s.recent[i]; x.deaths == s.deaths && now-x.at >= rollback {
			s.recent = s.recent[i:]
			return
		}
	}
}

// part notes what a box has seen that its machines are taken from.
func (o *oracle) part(plcs []*plc) map[*plc]*sight {
	eyes := map[*plc]*sight{}
	for _, p := range plcs {
		s := o.of(p)
		eyes[p] = &sight{last: s.last, newest: s.newest, doubts: doubts{settled: s.settled, since: s.since}, reasons: map[string]bool{}}
	}
	return eyes
}

// strayRead notes a reading of a box that is not the machine's own. It is as
// good as any as long as nobody has told the server of the other one; whoever
// sees a machine, it is what the own box has seen that must be in the books.
func (o *oracle) strayRead(eyes *sight, p *plc, r source.Reading, taken bool) {
	if !taken {
		return
	}
	if o.w.now-eyes.last > 3*poll {
		eyes.calm = o.w.now
	}
	if r.At.Boot != eyes.newest.Boot {
		eyes.bounds += o.mayTell(p, eyes, o.w.now-eyes.last, r.At)
	}
	o.judgeUpsets(p, eyes, r.At)
	s := o.of(p)
	s.over, s.under = s.over+eyes.over, s.under+eyes.under
	s.bounds, s.vague = s.bounds+eyes.bounds, s.vague || eyes.vague
	eyes.bounds, eyes.over, eyes.under, eyes.last, eyes.newest = 0, 0, 0, o.w.now, r.At
}

// hole notes a time in which nobody looked.
func (o *oracle) hole(p *plc, from, to time.Duration) {
	s := o.of(p)
	s.holes = append(s.holes, stretch{from: from, to: to})
	if p.width == 0 {
		s.reasons["pulses while nobody counted"] = true
		return
	}
	if most := o.most(p, to-from); most >= int64(p.mask()/32) {
		s.reasons["the register may have gone round"] = true
	}
}

// most is a generous bound on counts in a time, by the machine's own speed.
func (o *oracle) most(p *plc, d time.Duration) int64 { return int64((d+5*time.Second)/p.fast)*2 + 20 }

// tooShort notes that the server says of too short a time that nobody counted, by
// so much: by its own clock, which is the root of all time, from the newest reading
// to the present. Where that was set back in between nothing may show it, of any
// part of what it was ahead.
func (o *oracle) tooShort(p *plc, by time.Duration) {
	if back := min(o.mill.server.ahead-o.mill.server.clock, by); back > 0 {
		o.of(p).short += o.most(p, back)
	}
}

// placing is how far off a boot may be placed by who never measured a clock: what
// the product adds to each such time.
const placing = 5 * time.Second

// handedOver is told where a counter is handed over, with what the server says of
// the age of its newest reading: so old, and maybe longer. It is short by no more than
// its clock was set back.
//
// Where that was set ahead, a register that was set in between may pass for one that
// turned for so long. By how much it was set, only a boot tells that ran all the while,
// as nobody sets the time since it. Where none was heard since the clock was set and
// the server was set back to a backup, nobody can know.
func (o *oracle) handedOver(p *plc, boot [16]byte, boottime int64, age, longer time.Duration) {
	read := o.oldEnough(p, boot, boottime, age+longer)
	blind := max(o.mill.server.setAt, o.mill.restored)
	known := false
	for boot, at := range o.spoke {
		known = known || o.boots[boot] <= read && at >= blind
	}
	if long := age - (o.w.now - read); long > placing && !known {
		o.judged.Ages.Long++
		o.of(p).longer = max(o.of(p).longer, long)
	}
}

// oldEnough judges how old at the most a reading is said to be, and tells when it was.
func (o *oracle) oldEnough(p *plc, boot [16]byte, boottime int64, told time.Duration) (read time.Duration) {
	booted, ok := o.boots[boot]
	if !ok {
		o.w.fail("the age is told of a reading of machine %s in boot %x, which no box had", p.id, boot[:4])
	}
	o.judged.Ages.Of++
	read = booted + time.Duration(boottime)
	if short := o.w.now - read - told; short > placing {
		o.judged.Ages.Short++
		o.tooShort(p, short)
	}
	return read
}

// unwatched is told when a process dies: what it saw last may be forgotten.
func (o *oracle) unwatched(p *plc) {
	s := o.of(p)
	s.deaths++
	s.calm, s.died = o.w.now, true
	if s.everRead {
		s.holes = append(s.holes, stretch{from: max(s.last-rollback, 0), to: o.w.now})
	}
}

// cloned notes that from now on two boxes write one journal. What either has
// seen may be lost with its copy.
func (o *oracle) cloned(p *plc) {
	if s := o.of(p); s.clone == 0 {
		s.clone = o.w.now
	}
}

// forgotten notes that the journal of a machine is gone, with all that the
// server did not have of it.
func (o *oracle) forgotten(p *plc, since time.Duration) {
	s := o.of(p)
	s.reasons["a journal is gone"] = true
	if s.clone > 0 {
		since, s.clone = min(since, s.clone), 0
	}
	if s.everRead {
		s.holes = append(s.holes, stretch{max(min(since, s.last)-rollback, 0), o.w.now, true})
	}
	s.renewed = append(s.renewed, o.w.now)
	s.unheard = append(s.unheard, max(min(since, s.last)-rollback, 0))
	s.unsettle(p, since)
	o.unwatched(p)
}

// committed looks at the books after every commit: I9 and I10.
func (o *oracle) committed() {
	for _, r := range o.mill.server.st.books() {
		p := o.mill.plc(r.machine)
		s := o.of(p)
		if r.run+r.stop+r.unknown != r.last-r.first || min(r.run, r.stop, r.unknown) < 0 {
			o.w.fail("machine %s: run %d + stop %d + unknown %d ms is not the %d ms elapsed", r.machine, r.run, r.stop, r.unknown, r.last-r.first)
		}
		if r.buried > s.buried {
			s.bounds += o.most(p, o.w.now) + o.wrong(p)
			o.tooShort(p, math.MaxInt64)
		}
		s.buried = r.buried
		apply := excuse(0)
		if s.over > 0 {
			apply |= unknown
		}
		o.look(&o.judged.Commits, apply, func(granted excuse) string { return o.atCommit(p, r, s.over, granted) })
	}
}

// atCommit: nothing is in the books that was not made.
func (o *oracle) atCommit(p *plc, r record, most int64, granted excuse) string {
	over := r.revolutions*p.perRev - p.at()
	if over <= 0 || granted&unknown != 0 && over <= most {
		return ""
	}
	return fmt.Sprintf("machine %s: %d counts in the books, %d were made, %d cannot be known", p.id, r.revolutions*p.perRev, p.at(), most)
}

// acknowledged looks at what is told to agents: I4.
func (o *oracle) acknowledged(agent string, acks *wirepb.Acks) {
	for _, a := range acks.GetAcks() {
		if a.GetVerdict() != wirepb.Verdict_VERDICT_OK && a.GetVerdict() != wirepb.Verdict_VERDICT_NEED_FROM {
			switch a.GetVerdict() {
			case wirepb.Verdict_VERDICT_FROZEN:
				o.mill.frozen(agent, a)
			case wirepb.Verdict_VERDICT_UNREGISTERED:
				o.mill.unregistered(agent, a)
			default:
				o.w.fail("agent %s is told %v: %s", agent, a.GetVerdict(), a.GetReason())
			}
			continue
		}
		id, inc := [16]byte(a.GetStreamId()), [16]byte(a.GetDbIncarnation())
		was := o.acked[id]
		if was.incarnation == inc && a.GetAckedSeq() < was.seq {
			o.w.fail("agent %s: acknowledged %d after %d in one incarnation", agent, a.GetAckedSeq(), was.seq)
		}
		o.acked[id] = ackedAt{inc, a.GetAckedSeq()}
	}
}

// opened looks at a journal that a process has opened: what the server has was
// durable before it was sent, so that it is there, in the same streams.
func (o *oracle) opened(b *box) {
	was := b.known
	b.known = map[string][16]byte{}
	for _, ch := range b.p.j.Channels() {
		id := ch.StreamID()
		b.known[ch.Machine()] = id
		if old, ok := was[ch.Machine()]; ok && !b.tampered && (old != id || ch.Head() < o.acked[id].seq) {
			o.w.fail("journal of %s: machine %s has stream %x up to %d, and it had stream %x, of which the server has %d", b.id, ch.Machine(), id[:4], ch.Head(), old[:4], o.acked[old].seq)
		}
	}
}

func keys(m map[string]bool) string {
	s := ""
	for _, k := range sortedKeys(m) {
		s += fmt.Sprintf("%s; ", k)
	}
	return s
}
