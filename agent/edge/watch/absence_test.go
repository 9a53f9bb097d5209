package watch

import (
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// offNoClock is a machine of which the server's clock was known at second 10 of
// boot 1, in a box that has started anew with a clock that nobody set.
func offNoClock(t *testing.T, c Config) (s *script, served int64) {
	t.Helper()
	c.Patience = time.Minute
	s = newScript(t, c)
	s.now.Quality = source.Free
	s.at(0, 100)
	s.at(1, 100)
	served = 1_900_000_000 * sec
	s.now.Served = served
	s.at(10, 110)
	s.restart()
	s.boot(2, 3) // a clock that stood
	s.now.Quality = source.Free
	s.told = nil
	return s, served
}

// The box was off for 80 s and cannot know it. With the server's word the bounds
// are those of that time and the five seconds by which a boot may be placed
// wrong, less the 8 counts that were seen: 1.25 * 40 rpm * 4 / 60 s * 85 s + 2 - 8 = 278
// (by hand); without it, of fifteen times 35 days.
func TestServerTellsHowLongTheBoxWasOff(t *testing.T) {
	const wide = "gap from 1/10 raw 110 to 118 down"
	for _, tt := range []struct {
		name  string
		word  *wirepb.Absence // with the second reading, at second 5; nil = none
		quiet bool            // nothing is told before the minute is over
		lost  string
	}{
		{"told", &wirepb.Absence{AgeNs: 80 * sec}, false, "0-278"},
		{"told, the server's clock was set back by up to a minute", &wirepb.Absence{AgeNs: 80 * sec, LongerAgoNs: 60 * sec}, false, "0-478"},
		{"another question is answered", &wirepb.Absence{SinceNs: 7, AgeNs: 80 * sec}, true, "0-151199994"},
		{"nobody answers", nil, true, "0-151199994"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, served := offNoClock(t, Config{Pulses: true, PerRevolution: 4, MaxRPM: 40})
			s.at(4, 112)
			since, waiting := s.st.Waiting()
			if !waiting || since != served || len(s.told) > 0 {
				t.Fatalf("asks %v since %d, told %v; want a question since %d, and nothing told", waiting, since, s.told, served)
			}
			if w := tt.word; w != nil {
				if w.SinceNs == 0 {
					w.SinceNs = served
				}
				s.st = s.st.Away(w, instant(s.now, 5*sec))
			}
			s.at(5, 118)
			if tt.quiet {
				s.want()
				s.at(63, 118)
				s.want()
				s.at(64, 118)
				s.want("boot 2 64 "+wide, "boot 2 64 ambiguous after 110 lost "+tt.lost, "boot 2 64 span 02 (110,118] from 64 unsure")
			} else {
				s.want("boot 2 5 "+wide, "boot 2 5 ambiguous after 110 lost "+tt.lost, "boot 2 5 span 02 (110,118] from 5 unsure")
			}
			if _, waiting := s.st.Waiting(); waiting || s.st.Vague() != tt.quiet {
				t.Errorf("asks %v, vague %v", waiting, s.st.Vague())
			}
			s.restart()
			s.at(200, 130)
			if _, waiting := s.st.Waiting(); waiting {
				t.Error("asks within a boot")
			}
		})
	}
}

// Who has a clock, or a register, or never heard of the server, or takes past
// readings, asks nothing.
func TestNobodyIsAsked(t *testing.T) {
	for _, tt := range []struct {
		name string
		then func(s *script)
	}{
		{"clocks set from outside", func(s *script) { s.now.Quality, s.st.Last.Quality = source.NTPSynced, source.NTPSynced }},
		{"the clock is set while it waits", func(s *script) {
			s.st.Last.Quality = source.NTPSynced
			s.at(4, 110)
			s.now.Quality = source.NTPSynced
		}},
		{"the server was never heard", func(s *script) { s.st.Served = 0 }},
		{"past readings", func(s *script) { s.past = true }},
		{"one boot", func(s *script) { s.now.Boot = [16]byte{1} }},
		{"a register, which went on meanwhile", func(s *script) {
			s.use(Config{PerRevolution: 4, MaxRPM: 40, Patience: time.Minute})
		}},
		{"nobody is there to ask", func(s *script) {
			s.use(Config{Pulses: true, PerRevolution: 4, MaxRPM: 40})
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, _ := offNoClock(t, Config{Pulses: true, PerRevolution: 4, MaxRPM: 40})
			tt.then(s)
			s.at(20, 118)
			s.at(21, 118)
			if _, waiting := s.st.Waiting(); waiting || len(s.told) == 0 || s.st.Vague() {
				t.Errorf("asks %v, vague %v, told %v", waiting, s.st.Vague(), s.told)
			}
		})
	}
}
