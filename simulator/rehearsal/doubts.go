package rehearsal

import (
	"time"

	"turnwise/agent/source"
)

// doubts are the counts of a machine that nobody can know of, because its
// register lost its memory and what it shows now looks as if it had turned there.
//
// An upset shifts the register against the cylinder. Who knows a reading from
// before it and sees one from after it is wrong by just that shift, when the way
// between the two is one that turning may explain; else it sees that something is
// wrong, and must tell bounds. So the doubt is computed from the shifts alone.
type doubts struct {
	over, under int64 // counts that may be too many, and too few
	settled     int   // upsets that everybody knows of
	paired      map[[2]int]bool
	since       time.Duration   // the oldest reading that somebody may go on from
	calm        time.Duration   // since when good readings come one after the other
	renewed     []time.Duration // when its journal was lost
	longer      time.Duration   // by which the newest reading was said to be too old, and nobody could know
}

// settling is how long a reader looks until it has believed what a register
// shows, and its journal holds that for sure.
const settling = 30 * time.Second

// longOff is how long a box that does not know it must believe that it was off, or
// nobody could switch it off for a night.
const longOff = 35 * 24 * time.Hour

// judgeUpsets looks, at each good reading, whether it may pass for turning from a
// reading that somebody has from before an upset.
func (o *oracle) judgeUpsets(p *plc, s *sight, at source.Instant) {
	if s.settled == len(p.upsets) {
		s.since = max(o.w.now-5*rollback, 0)
		return
	}
	s.reasons["the register lost its memory"] = true
	took := o.w.now - min(s.since, s.last) + s.longer
	if s.unset(o.w.now, at) { // nobody can say that it was not turning
		took = longOff
	}
	s.pending = max(s.pending, o.mayTell(p, s, took, at))
	for i := s.settled; i < len(p.upsets); i++ {
		o.pair(p, s, i, len(p.upsets)-1, took)
	}
	if newest := p.upsets[len(p.upsets)-1].at; o.w.now-max(s.calm, newest) >= settling {
		s.bounds += s.pending * int64(len(p.upsets)-s.settled)
		s.settled, s.pending, s.longer = len(p.upsets), 0, 0
	}
}

// pair adds what is in doubt for who knows a reading from before upset i, at
// most so long ago, and one from after upset k.
func (o *oracle) pair(p *plc, s *sight, i, k int, took time.Duration) {
	if s.paired[[2]int{i, k}] {
		return
	}
	shift := uint64(0)
	for _, u := range p.upsets[i : k+1] {
		shift += u.shift
	}
	shift &= p.mask()
	turned := p.at() - p.upsets[i].turned
	back := int64(-shift & p.mask())
	passes := shift != 0 && int64(shift)+turned <= o.most(p, took)
	// What it shows now may be on the way on from any reading that somebody has, also
	// from one that is long before the upset: what it was then is in nobody's journal.
	before := max(5*rollback, p.upsets[i].at-s.since)
	again := shift != 0 && turned+o.most(p, before) >= back && back <= o.most(p, took)
	if passes {
		s.over += int64(shift)
	}
	if again { // it came by its old value again
		s.under += back
	}
	u := p.upsets[k]
	to := int64((u.before + u.shift) & p.mask())
	fell := to > 0 && to+p.at()-u.turned <= o.most(p, took)
	if fell { // it was set to what it may have counted up to since it fell to 0
		s.over += to
	}
	if passes || again || fell {
		if s.paired == nil {
			s.paired = map[[2]int]bool{}
		}
		s.paired[[2]int{i, k}] = true
	}
}

// unsettle notes that somebody may go on from a reading as old as that.
func (s *sight) unsettle(p *plc, since time.Duration) {
	s.since = max(min(s.since, since-rollback), 0)
	for s.settled > 0 && p.upsets[s.settled-1].at >= s.since {
		s.settled--
	}
}

// setBack is told when the server was set back to books in which it had all that
// was told until then: from there it goes on to the first readings of the
// journals that were begun since.
func (o *oracle) setBack(p *plc, told time.Duration) {
	s := o.of(p)
	from := max(told-rollback, 0)
	for _, began := range s.renewed {
		if began < from {
			continue
		}
		for i, u := range p.upsets {
			if u.at < from {
				continue
			}
			for k := i; k < len(p.upsets); k++ {
				o.pair(p, s, i, k, o.w.now-from)
			}
		}
		s.unheard = append(s.unheard, from)
		return
	}
}
