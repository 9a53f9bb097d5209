package watch

import (
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// The first reading of a counter is believed when a second one follows it. What
// the machine does meanwhile is told.
func TestFirstReading(t *testing.T) {
	for _, x := range []struct {
		name string
		play func(s *script)
		want []string
	}{
		{"read wrong", func(s *script) {
			s.at(0, 70_000)
			s.at(0.5, 100)
			s.at(1, 101)
			s.at(10.5, 105)
		}, []string{"0 config", "0.5 first_sight", "10.5 span 01 (100,105] from 0"}},
		{"right, and the next one wrong", func(s *script) {
			s.at(0, 100)
			s.at(0.5, 70_000)
			s.at(1, 101)
			s.at(10, 105)
		}, []string{"0 config", "0 first_sight", "10 span 01 (100,105] from 0"}},
		{"wrong twice", func(s *script) {
			s.at(0, 70_000)
			s.at(0.5, 900_000)
			s.at(1, 100)
			s.at(1.5, 101)
			s.at(10, 105)
		}, []string{"0 config", "1 first_sight", "10 span 01 (100,105] from 0"}},
		{"a stop began and ended before the counter was sure", func(s *script) {
			s.at(0, 70_000, 0)
			s.at(0.5, 100)
			s.at(1, 101)
			s.at(10.5, 105)
		}, []string{"0 config", "0 stop yarn/top at 0", "0.5 end at 0", "0.5 first_sight", "10.5 span 02 (100,105] from 0.5"}},
		{"a stop that began in between holds on", func(s *script) {
			s.at(0, 100)
			s.at(0.5, 70_000, 1)
			s.at(1, 101, 1)
			s.at(5, 101, 1)
			s.at(6, 101)
		}, []string{"0 config", "0.5 stop needle/ at 0", "0 first_sight", "1 span 02 (100,101] from 0.5", "6 end at 101"}},
		{"the agent ended with one reading, the machine stood", func(s *script) {
			s.at(0, 100)
			s.restart()
			s.at(300, 100)
			s.at(310, 104)
		}, []string{"0 config", "300 gap from 1/0 raw 100 to 100 down", "300 first_sight", "310 span 01 (100,104] from 300"}},
		{"the agent ended with one reading that was wrong", func(s *script) {
			s.at(0, 100)
			s.restart()
			s.at(300, 350)
			s.at(301, 351)
			s.at(310, 355)
		}, []string{"0 config", "300 gap from 1/0 raw 100 to 350 down", "300 first_sight", "310 span 01 (350,355] from 300"}},
		{"another counter, read wrong at first", func(s *script) {
			s.at(0, 100)
			s.at(1, 101)
			s.restart()
			c := Config{Stops: twoInputs, StopAfter: 20 * time.Second, Counter: 99}
			c.Digest[0] = 1
			s.use(c)
			s.at(2, 4_000_000)
			s.at(2.5, 7)
			s.at(3, 8)
			s.at(12, 12)
		}, []string{"0 config", "0 first_sight", "1 span 01 (100,101] from 0", "2 gap from 1/1 raw 101 to 4000000 down", "2.5 replaced after 101 lost 0-4", "12 span 02 (7,12] from 2"}},
		{"nothing but wrong readings", func(s *script) {
			for i := range uint64(8) {
				s.at(2*float64(i), 1<<16*(9*i%7)+5000)
			}
		}, []string{"0 config", "10 preset after 0 lost 0-15"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			s := newScript(t, Config{Stops: twoInputs, StopAfter: 20 * time.Second})
			x.play(s)
			s.want(x.want...)
			for _, r := range s.recs {
				l := r.GetLifeLink()
				if l == nil {
					continue
				}
				bits := uint32(32)
				if l.GetKind() == wirepb.LinkKind_LINK_KIND_PRESET {
					bits = 0 // the server must not go on from it
				}
				if l.GetRaw() != l.GetExtended() || l.GetRawBits() != bits {
					t.Errorf("link %v, want raw and extended alike, of %d bits", l, bits)
				}
			}
		})
	}
}

// A single reading before a long absence says nothing sure: what was turned
// since is in the bounds of the life, not in its counts.
func TestOneReadingBeforeAnAbsence(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 100)
	s.boot(2, 3600)
	s.at(20, 1600)
	s.at(21, 1600)
	l := s.recs[len(s.recs)-1].GetLifeLink()
	if l.GetKind() != wirepb.LinkKind_LINK_KIND_FIRST_SIGHT || l.GetExtended() != 1600 || l.GetLostMin() != 0 || l.GetLostMax() != 4527 {
		t.Errorf("life %v, want one from 1600 with up to 4527 lost: 1.25 a second for 3620 s, and 2", l)
	}
}

// Where the server told the value known last, the first reading is judged by it.
func TestFirstReadingAfterTheServersWord(t *testing.T) {
	s := newScript(t, Config{StopAfter: time.Hour})
	at := source.Instant{Boot: [16]byte{1}, Boottime: 5 * sec, Wall: 1_800_000_005 * sec}
	s.st = s.w.Resume(Resumed{Life: [16]byte{1}, Ext: 90_000, Raw: 90_000, Bits: 32, PerRevolution: 1, At: at, Age: time.Minute})
	s.at(6, 1<<31)
	s.at(6.5, 90_050)
	s.at(7, 90_050)
	last := s.recs[len(s.recs)-1].GetCountSpan()
	if last.GetTo() != 90_050 || last.GetLifeId()[0] != 1 {
		t.Errorf("told %v, want 50 counts in the life that the server knows", s.told)
	}
}
