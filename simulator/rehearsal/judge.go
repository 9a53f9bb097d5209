package rehearsal

import (
	"fmt"
	"math/bits"
	"strings"
)

// excuse is a reason for which a sight of the books is judged less strictly than
// the ledger would. Each is counted: how often it was taken, and how often it hid
// something that would have been wrong without it.
type excuse uint

const (
	clockBack excuse = 1 << iota // bounds may be as short as the server's clock was set back unseen
	unknown                      // see doubts
	unwatched                    // nobody watched a stop, or what was seen of it was forgotten

	excuses = iota
)

var excuseNames = [excuses]string{
	"bounds short by what the server's clock was set back unseen",
	"a register set to what turning may explain",
	"stops that touch a time in which nobody looked",
}

// Excused tells how often an excuse was taken, and how often the sight would have
// been wrong without it.
type Excused struct{ Taken, Hid int }

// Sights are judgements of one kind.
type Sights struct {
	Of  int
	Any Excused // with one excuse at the least; wrong without all of them
	By  [excuses]Excused
}

// Judged is what was looked at, and how much of it was excused.
type Judged struct {
	Commits Sights // of the counts of a machine after each commit
	Counts  Sights // of those of a machine at the end
	Stops   Sights
	// Ages are words of the server of how old the newest reading of a counter is
	// that it hands over; Long are those that are too long, where no box could know it.
	Ages struct{ Of, Short, Long int }
	// Turns that are told as lost at the most, and that the ledger excuses.
	Declared, Excusable int64
	// Machines with more told than excused that are let pass: pulses, read by a box
	// that does not know how long it was off.
	Beyond int
}

// Add adds what another play has judged.
func (j *Judged) Add(x Judged) {
	j.Commits.add(&x.Commits)
	j.Counts.add(&x.Counts)
	j.Stops.add(&x.Stops)
	j.Ages.Of, j.Ages.Short, j.Ages.Long = j.Ages.Of+x.Ages.Of, j.Ages.Short+x.Ages.Short, j.Ages.Long+x.Ages.Long
	j.Declared, j.Excusable = j.Declared+x.Declared, j.Excusable+x.Excusable
	j.Beyond += x.Beyond
}

func (s *Sights) add(x *Sights) {
	s.Of += x.Of
	s.Any.add(x.Any)
	for i := range s.By {
		s.By[i].add(x.By[i])
	}
}

func (e *Excused) add(x Excused) { e.Taken, e.Hid = e.Taken+x.Taken, e.Hid+x.Hid }

// Unjudged is the share of the sights in which one excuse was taken.
func (s *Sights) Unjudged(e excuse) float64 {
	return float64(s.By[bits.TrailingZeros(uint(e))].Taken) / float64(max(s.Of, 1))
}

// String tells each excuse on a line of its own.
func (j Judged) String() string {
	b := new(strings.Builder)
	for _, kind := range []struct {
		name string
		*Sights
	}{{"counts after a commit", &j.Commits}, {"counts at the end", &j.Counts}, {"stops at the end", &j.Stops}} {
		line := func(e Excused, why string) {
			fmt.Fprintf(b, "%9d %7.3f %% %8d  %s\n", e.Taken, 100*float64(e.Taken)/float64(max(kind.Of, 1)), e.Hid, why)
		}
		fmt.Fprintf(b, "%d sights of %s; excused, their share, and wrong without the excuse:\n", kind.Of, kind.name)
		line(kind.Any, "in all")
		for i, e := range kind.By {
			if e.Taken > 0 {
				line(e, excuseNames[i])
			}
		}
	}
	fmt.Fprintf(b, "%d words of how long nobody looked, %d too short, %d too long in a way that no box could know of\n", j.Ages.Of, j.Ages.Short, j.Ages.Long)
	fmt.Fprintf(b, "%d turns told as lost at the most, %d excused by the ledger; more than excused at %d machines with pulses and no set clock, which pass\n", j.Declared, j.Excusable, j.Beyond)
	return b.String()
}

// look judges one sight with all excuses that apply, and counts what they hid.
func (o *oracle) look(kind *Sights, apply excuse, judge func(granted excuse) string) {
	kind.Of++
	why := judge(apply)
	if why != "" {
		o.w.fail("%s", why)
	}
	if apply == 0 {
		return
	}
	note := func(e *Excused, granted excuse) {
		e.Taken++
		if why == "" && judge(granted) != "" {
			e.Hid++
		}
	}
	note(&kind.Any, 0)
	for left := apply; left != 0; left &= left - 1 {
		i := bits.TrailingZeros(uint(left))
		note(&kind.By[i], apply&^(1<<i))
	}
}

// judge compares everything when all is quiet.
func (o *oracle) judge() {
	for _, r := range o.mill.server.st.books() {
		p := o.mill.plc(r.machine)
		s := o.of(p)
		o.look(&o.judged.Counts, o.excusesOfCounts(p, s, r), func(granted excuse) string { return o.counts(p, s, r, granted) })
		if r.lostMax > 0 && len(s.reasons) == 0 {
			o.w.fail("machine %s: up to %d turns are declared lost, and nothing happened that nobody could know", p.id, r.lostMax)
		}
		if most := s.mayLose(p)/p.perRev + max(r.lives, 1); r.lostMax > most && p.width == 0 && s.vague {
			o.judged.Beyond++
		} else if r.lostMax > most {
			o.w.fail("machine %s (%d bits): up to %d turns are declared lost, and the ledger excuses %d; why bounds: %v", p.id, p.width, r.lostMax, most, keys(s.reasons))
		}
		o.judged.Declared, o.judged.Excusable = o.judged.Declared+r.lostMax, o.judged.Excusable+s.mayLose(p)/p.perRev
		sure, maybe := o.seenStops(p, s)
		apply := excuse(0)
		if maybe > 0 {
			apply = unwatched
		}
		o.look(&o.judged.Stops, apply, func(granted excuse) string { return o.stops(p, r, sure, maybe, granted) })
	}
}

func (o *oracle) excusesOfCounts(p *plc, s *sight, r record) (apply excuse) {
	if s.short > 0 {
		apply |= clockBack
	}
	if s.over+s.under > 0 {
		apply |= unknown
	}
	return apply
}

func (o *oracle) counts(p *plc, s *sight, r record, granted excuse) string {
	over, under, short := s.over, s.under, s.short
	if granted&unknown == 0 {
		over, under = 0, 0
	}
	if granted&clockBack == 0 {
		short = 0
	}
	counted, truth := r.revolutions*p.perRev, p.at()
	// Whole revolutions are booked: each life may leave a part of one over.
	parts := (p.perRev - 1) * max(r.lives, 1)
	lo, hi := counted+r.lostMin*p.perRev-over, counted+r.lostMax*p.perRev+under+short+parts
	if truth >= lo && truth <= hi {
		return ""
	}
	return fmt.Sprintf("machine %s (%d bits, %d a turn): %d counts in the books, %d to %d turns declared lost, %d were made, %d may be too many and %d too few, bounds may be %d short; why bounds: %v",
		p.id, p.width, p.perRev, counted, r.lostMin, r.lostMax, truth, s.over, s.under, s.short, keys(s.reasons))
}

// seenStops counts the stops that somebody saw from before their begin to after
// their end, and those that touch a hole: each of them may be missing, or be
// there once more for each hole.
func (o *oracle) seenStops(p *plc, s *sight) (sure, maybe int64) {
	for _, t := range p.stops {
		if t.input < 0 {
			continue
		}
		end := t.end
		if end == 0 {
			end = o.w.now
		}
		touched, lost := int64(0), false
		for _, h := range s.holes {
			if h.from-2*hold <= end+2*hold && h.to+2*hold >= t.begin-2*hold {
				lost = true
				if !h.gone {
					touched++
				}
			}
		}
		if lost {
			maybe += 1 + touched
		} else {
			sure++
		}
	}
	return sure, maybe
}

// stops: each stop that was seen whole is in the books once.
func (o *oracle) stops(p *plc, r record, sure, maybe int64, granted excuse) string {
	least, most := sure, sure+maybe
	if granted&unwatched == 0 {
		n := int64(0)
		for _, t := range p.stops {
			if t.input >= 0 {
				n++
			}
		}
		least, most = n, n
	}
	if r.stops >= least && r.stops <= most {
		return ""
	}
	return fmt.Sprintf("machine %s: %d stops in the books, %d were seen whole, at most %d more in part; of %d in truth", p.id, r.stops, sure, maybe, len(p.stops))
}
