package rehearsal

import (
	"slices"
	"time"

	"turnwise/agent/source"
)

// excusable is the most that may be told as lost of a machine: what it can have
// turned while nobody knew, by the ledger and not by the words of the product.
type excusable struct {
	bounds  int64           // counts
	pending int64           // for each upset that somebody may not have believed yet
	unheard []time.Duration // since when the server may know nothing, until it hears of a new journal
	died    bool            // the process that looked last
	vague   bool            // some box did not know how long it was off
	word    word            // that a box was told of that
}

// word is what the server says of how long a box was off.
type word struct {
	boot   [16]byte // that was told
	at     time.Duration
	told   time.Duration // at the most
	deaths int           // of processes that looked, then: it is not kept
}

// absent is told when a box hears how long ago the newest reading is that it knows.
func (o *oracle) absent(p *plc, eyes *sight, last, at source.Instant, told time.Duration) {
	o.oldEnough(p, last.Boot, last.Boottime, told)
	eyes.word = word{at.Boot, o.w.now, told, eyes.deaths}
}

// mayTell is the most that a box may tell of a time. One that does not know how
// long it was off must tell of fifteen times what it believes in.
func (o *oracle) mayTell(p *plc, s *sight, d time.Duration, at source.Instant) int64 {
	switch w := s.word; {
	case !s.unset(o.w.now, at):
	case w.boot == at.Boot && w.deaths == s.deaths:
		d = max(d, w.told+o.w.now-w.at+placing)
	default:
		s.vague = true
		d = 15*longOff + d
	}
	return o.most(p, d+rollback)
}

// unset tells that what a box knows may be of another boot, and that the clocks of
// the two do not tell how long ago that was: both must have been set from outside.
// Who knows nothing yet is in no doubt.
func (s *sight) unset(now time.Duration, at source.Instant) bool {
	other := func(x source.Instant) bool {
		return x != (source.Instant{}) && x.Boot != at.Boot && min(x.Quality, at.Quality) < source.NTPSynced
	}
	return other(s.newest) || at.Quality < source.NTPSynced && now-s.booted <= settling ||
		slices.ContainsFunc(s.recent, func(x pastReading) bool { return other(x.by) })
}

// wrong is what the server must tell beyond, where its clock was set: a day.
func (o *oracle) wrong(p *plc) int64 {
	if !o.mill.badClock {
		return 0
	}
	return o.most(p, 24*time.Hour)
}

// heard is told when the server has all that the journal of a machine knows.
func (o *oracle) heard(p *plc) {
	s := o.of(p)
	for _, since := range s.unheard {
		s.bounds += o.most(p, o.w.now-since) + o.wrong(p)
	}
	s.unheard = nil
}

// strayed is told when a box is taken away that was there although another one
// had its machines: what both told of may be in doubt.
func (o *oracle) strayed(p *plc) { o.of(p).bounds += o.most(p, o.w.now) + o.wrong(p) }

// mayLose is the most that may be told as lost at the end.
func (s *sight) mayLose(p *plc) int64 {
	return s.bounds + s.pending*int64(len(p.upsets)-s.settled)
}
