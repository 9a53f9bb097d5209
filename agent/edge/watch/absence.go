package watch

import (
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// Absence is how long ago the newest reading of an earlier boot was at the most.
type Absence struct {
	At  source.Instant // of this boot
	Age time.Duration  // at At, by the server's clock
	// Longer is how much longer ago it may have been: that clock was set back since.
	Longer time.Duration
}

// waits tells that a reading of pulses says nothing yet: the box was off, no clock of
// its own tells for how long, and the server may. Until it does the pause goes on:
// bounds that were told are never narrowed. A register needs no time to be believed,
// and a server's clock that was set would have it doubted.
func (p *pass) waits(past bool) bool {
	now := p.r.At
	p.st.vague = false
	if _, told := p.clocks(); !p.w.conf.Pulses || past || told || !p.st.Known || p.st.Served == 0 || p.st.absence.At.Boot == now.Boot {
		return false
	}
	if p.st.looked.Boot != now.Boot {
		p.st.looked = now
	}
	if time.Duration(now.Boottime-p.st.looked.Boottime) < p.w.conf.Patience {
		return true
	}
	p.st.vague = p.w.conf.Patience > 0
	return false
}

// clocks is the time since the last reading as the clocks of the box tell it: within
// a boot always, over one only where they were set from outside.
func (p *pass) clocks() (d time.Duration, told bool) {
	last, now := p.st.Last, p.r.At
	if last.Boot == now.Boot {
		return time.Duration(now.Boottime - last.Boottime), true
	}
	d = time.Duration(now.Wall - last.Wall)
	return d, d > 0 && min(last.Quality, now.Quality) >= source.NTPSynced
}

// Waiting tells whether the server must be asked how long nobody watched, and
// since which instant of its clock (Unix ns).
func (s State) Waiting() (since int64, ok bool) {
	return s.Served, s.looked != source.Instant{} && s.absence == Absence{}
}

// Vague tells that the last such question was never answered.
func (s State) Vague() bool { return s.vague }

// Away is the state with the server's checked word on [State.Waiting], which came at
// an instant.
func (s State) Away(a *wirepb.Absence, at source.Instant) State {
	if a.GetSinceNs() == s.Served {
		s.absence = Absence{At: at, Age: time.Duration(a.GetAgeNs()), Longer: min(time.Duration(a.GetLongerAgoNs()), mostSet)}
	}
	return s
}
