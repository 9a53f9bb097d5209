package watch

import (
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

// speedWindow is the time over which the speed is taken from counts.
const speedWindow = 10 * time.Second

// Speed takes the speed of the cylinder from its counts: the counts between
// the first and the last change within the window, by the time between them.
// It is for looking, never for counting. The zero value knows nothing.
type Speed struct {
	life   [16]byte
	boot   [16]byte
	ext    uint64
	points []point // instants at which the counter was seen to change
}

type point struct {
	at  int64
	ext uint64
}

// Add takes the state after a reading.
func (s *Speed) Add(st State) {
	at := st.Last.Boottime
	if s.life != st.Life || s.boot != st.Last.Boot || st.Count.Ext < s.ext {
		*s = Speed{life: st.Life, boot: st.Last.Boot, ext: st.Count.Ext}
		return
	}
	if st.Count.Ext > s.ext {
		s.ext = st.Count.Ext
		s.points = append(s.points, point{at, s.ext})
	}
	// One point may be older than the window, so that slow counters have two.
	for len(s.points) > 2 && at-s.points[1].at > int64(speedWindow) {
		s.points = s.points[1:]
	}
}

// RPM is the speed at an instant; 0 when no count came for a while.
func (s *Speed) RPM(at int64, perRevolution uint32, stopAfter time.Duration) float64 {
	n := len(s.points)
	if n < 2 || perRevolution == 0 || at-s.points[n-1].at > int64(max(stopAfter, 3*time.Second)) {
		return 0
	}
	first, last := s.points[0], s.points[n-1]
	minutes := time.Duration(last.at - first.at).Minutes()
	return float64(last.ext-first.ext) / float64(perRevolution) / minutes
}

// Live is the newest look at a machine; the caller adds what it knows of the
// stream and the source. own is the machine's own speed, negative when it has
// none.
func (w *Watch) Live(st State, speed *Speed, own float64) *wirepb.MachineLive {
	l := &wirepb.MachineLive{
		LifeId: id(st.Life), Extended: st.Count.Ext, Raw: st.Raw, RawBits: uint32(w.conf.Bits),
		CountsPerRevolution: w.conf.PerRevolution, BoottimeNs: st.Last.Boottime,
		Untold: st.Count.Ext - st.Told,
	}
	if st.Count.Holding() {
		l.Untold = max(l.Untold, 1)
	}
	stopID, input, open := st.Stopped()
	if open {
		l.StopId = id(stopID)
		if input >= 0 && input < len(w.conf.Stops) {
			l.Cause = w.conf.Stops[input].Cause
		}
	}
	l.SpeedRpm = speed.RPM(st.Last.Boottime, w.conf.PerRevolution, w.conf.StopAfter)
	l.Turning = !open && l.SpeedRpm > 0
	if own >= 0 {
		l.SpeedRpm = own
	}
	return l
}
