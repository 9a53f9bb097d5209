package watch

import (
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// pulseScript is a machine with four teeth at up to 40 rpm: at most 3.33
// counts a second, and 2.
func pulseScript(t *testing.T) *script {
	t.Helper()
	return newScript(t, Config{Pulses: true, PerRevolution: 4, MaxRPM: 40, StopAfter: 5 * time.Second, Stops: twoInputs})
}

func TestPulsesCount(t *testing.T) {
	s := pulseScript(t)
	s.at(0, 0)
	s.at(5, 12)
	s.at(10, 25)
	s.want("0 config", "0 first_sight", "10 span 01 (0,25] from 0")
	if c := s.recs[2].GetCountSpan(); c.GetRawBits() != 0 || c.GetRawTo() != 25 || c.GetCountsPerRevolution() != 4 {
		t.Errorf("span %v: a pulse count has 0 bits and is its own raw counter", c)
	}
	// Counts that no wide register could have moved are the source's to judge.
	s.at(20, 1025)
	s.want("20 span 01 (25,1025] from 10")
}

// TestPulsesAcrossARestart: the count goes on, and what nobody counted is
// bounded: 1.25 * 40 rpm * 4 / 60 s * 30 s + 2 = 102 counts (by hand).
func TestPulsesAcrossARestart(t *testing.T) {
	s := pulseScript(t)
	s.at(0, 0)
	s.at(10, 25)
	s.restart()
	s.at(40, 25)
	s.want("0 config", "0 first_sight", "10 span 01 (0,25] from 0",
		"40 gap from 1/10 raw 25 to 25 down", "40 ambiguous after 25 lost 0-102")
	s.at(50, 55)
	s.want("50 span 02 (25,55] from 40")
}

// TestPulsesStopAcrossARestart: a count that nobody kept cannot say that the
// stop went on.
func TestPulsesStopAcrossARestart(t *testing.T) {
	s := pulseScript(t)
	s.at(0, 0)
	s.at(1, 3, 0)
	s.restart()
	s.told = nil
	s.at(31, 4, 0)
	s.want("31 gap from 1/1 raw 3 to 4 down", "31 ambiguous after 3 lost 0-101", "31 span 03 (3,4] from 1 unsure",
		"31 end at 4 earliest 1", "31 stop yarn/top at 4")
}

func TestPulsesThatWereDropped(t *testing.T) {
	s := pulseScript(t)
	s.at(0, 0)
	s.at(1, 3)
	s.told = nil
	loss := source.Loss{Input: "revolution", Events: 79, Counts: 40, Evidence: "79 events dropped"}
	s.read(2, source.Reading{Raw: 4, SpeedRPM: -1, Losses: []source.Loss{loss}})
	// In a second at most 6 counts come, 1 of them was seen.
	s.want("2 unknown", "1 span 01 (0,3] from 0", "2 ambiguous after 3 lost 0-5")
	if d := s.recs[2].GetDiscontinuity(); d.GetInput() != "revolution" || d.GetMissed() != 79 || d.GetEvidence() == "" {
		t.Errorf("told %v", d)
	}
	// Events of a stop input cost no counts.
	s.read(3, source.Reading{Raw: 7, SpeedRPM: -1, Losses: []source.Loss{{Input: "stops[0]", Events: 3}}})
	s.want("3 unknown")
	s.at(12, 30)
	s.want("12 span 02 (3,30] from 1")
}

func TestPulsesOfAnotherSensor(t *testing.T) {
	s := pulseScript(t)
	s.at(0, 0)
	s.at(10, 25)
	s.told = nil
	s.restart()
	s.use(Config{Pulses: true, PerRevolution: 8, MaxRPM: 40, Counter: 9, Stops: twoInputs})
	s.at(40, 25)
	kind := s.recs[len(s.recs)-1].GetLifeLink().GetKind()
	if kind != wirepb.LinkKind_LINK_KIND_REPLACED {
		t.Errorf("told %q, the last a link %v; want replaced", s.told, kind)
	}
}

// TestPulsesAfterARegister: the extended counter of a register that wrapped is
// beyond its raw value; the new life counts on its own line.
func TestPulsesAfterARegister(t *testing.T) {
	s := newScript(t, Config{Bits: 16, StopAfter: 5 * time.Second})
	s.at(0, 65_534)
	s.at(4, 1)
	s.at(6, 2) // the wrap is confirmed: 65538 on the extended counter
	s.at(11, 3)
	s.told = nil
	s.restart()
	s.use(Config{Pulses: true, PerRevolution: 4, MaxRPM: 40, Counter: 9})
	s.at(41, 3)
	s.at(42, 6)
	s.at(51, 30)
	s.want("41 gap from 1/11 raw 3 to 3 down", "41 config", "41 replaced after 65539 lost 0-102", "51 span 02 (3,30] from 41")
}
