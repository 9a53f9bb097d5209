package watch

import (
	"errors"
	"testing"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

func TestTurning(t *testing.T) {
	s := newScript(t, Config{StopAfter: 5 * time.Second})
	for i := range 26 {
		s.at(float64(i), uint64(100+i/2))
	}
	s.want("0 config", "0 first_sight", "10 span 01 (100,105] from 0", "20 span 01 (105,110] from 10")
	c := s.recs[2].GetCountSpan()
	if c.GetRawTo() != 105 || c.GetRawBits() != 32 || c.GetCountsPerRevolution() != 1 {
		t.Errorf("span %v, want raw 105 of 32 bits, one count a revolution", c)
	}
	if got, want := s.recs[2].GetWallNs(), int64(1_800_000_010)*sec; got != want {
		t.Errorf("wall clock of the span is %d, want %d", got, want)
	}
}

func TestPastSpansAreLonger(t *testing.T) {
	s := newScript(t, Config{StopAfter: 20 * time.Second})
	s.past = true
	for i := range 14 {
		s.at(float64(10*i), uint64(100+i))
	}
	s.want("0 config", "0 first_sight", "60 span 01 (100,106] from 0", "120 span 01 (106,112] from 60")
}

func TestInputStop(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs, StopAfter: 5 * time.Second})
	s.at(0, 100)
	s.at(1, 101)
	s.at(2, 102)
	s.at(3, 102, 0)
	s.at(4, 102, 0)
	s.want("0 config", "0 first_sight", "3 span 01 (100,102] from 0", "3 stop yarn/top at 102")
	for i := 5; i <= 70; i++ {
		s.at(float64(i), 102, 0)
	}
	s.want("63 span 01 (102,102] from 3") // watched, not turning
	s.at(71, 102)
	s.at(72, 103)
	s.want("71 end at 102")
	s.at(73, 103, 1)
	s.want("73 span 01 (102,103] from 71", "73 stop needle/ at 103")
}

func TestInputAtFirstSight(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(5, 7, 1)
	s.want("5 config", "5 stop needle/ at 0") // it is known before the counter is
	s.at(5.5, 7, 1)
	s.at(6, 8)
	s.want("5 first_sight", "6 span 02 (7,8] from 5", "6 end at 8")
}

func TestInputsThatOverlapAreOneStop(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 100)
	s.at(1, 100, 0)
	s.at(2, 100, 0, 1)
	s.at(3, 100, 1)
	s.at(4, 100)
	s.want("0 config", "0 first_sight", "1 stop yarn/top at 100", "4 end at 100")
}

func TestInputThatTakesOverIsAnotherStop(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 100)
	s.at(1, 100, 0)
	s.at(2, 100, 1)
	s.want("0 config", "0 first_sight", "1 stop yarn/top at 100", "2 end at 100", "2 stop needle/ at 100")
}

func TestBlinkingLampIsOneStop(t *testing.T) {
	s := newScript(t, Config{Stops: []Stop{{Cause: "unspecified", Hold: 1500 * time.Millisecond}}, StopAfter: time.Minute})
	s.at(0, 100)
	s.at(0.5, 100, 0)
	for i := 2; i < 20; i++ {
		if i%4 < 2 {
			s.at(float64(i)/2, 100)
		} else {
			s.at(float64(i)/2, 100, 0)
		}
	}
	s.want("0 config", "0 first_sight", "0.5 stop unspecified/ at 100")
	s.at(10, 100)   // off from here on
	s.at(11, 101)   // and it turns
	s.at(11.5, 102) // known now, true since 10
	s.want("10 end at 100")
	s.at(21, 110)
	s.want("21 span 01 (100,110] from 10")
}

// Readings that fail hide that a lamp was lit: it is off when it was off for the
// hold time without one, or when the cylinder turns.
func TestBlinkingLampAmongFailedReads(t *testing.T) {
	blink := func(t *testing.T) *script {
		s := newScript(t, Config{Stops: []Stop{{Cause: "unspecified", Hold: 1500 * time.Millisecond}}, StopAfter: time.Minute})
		s.at(0, 100)
		s.at(0.5, 100, 0)
		s.at(1, 100)
		s.fail(1.5)
		s.at(2, 100)
		s.fail(2.5)
		s.at(3, 100)
		s.at(3.5, 100, 0)
		s.want("0 config", "0 first_sight", "0.5 stop unspecified/ at 100")
		s.at(4, 100) // off from here on
		s.fail(4.5)
		return s
	}
	t.Run("off for long enough", func(t *testing.T) {
		s := blink(t)
		s.at(5, 100)
		s.at(5.5, 100)
		s.at(6, 100)
		s.want()
		s.at(6.5, 100)
		s.want("4 end at 100")
	})
	t.Run("running out says nothing", func(t *testing.T) {
		s := blink(t)
		s.at(5, 101)
		s.at(6, 101)
		s.want()
	})
	t.Run("it turns", func(t *testing.T) {
		s := blink(t)
		s.at(5, 101)
		s.fail(5.5)
		s.want()
		s.at(6, 102)
		s.want("4 end at 100")
	})
}

func TestStandstill(t *testing.T) {
	s := newScript(t, Config{StopAfter: 5 * time.Second})
	s.at(0, 100)
	s.at(2, 101)
	s.at(4, 102)
	s.at(5, 102)
	s.at(6, 102)
	s.want("0 config", "0 first_sight")
	for i := 7; i <= 9; i++ { // at rest: what it made is told
		s.at(float64(i), 102)
	}
	s.want("4 span 01 (100,102] from 0")
	s.at(10, 102) // more than 5 s without a count: it stands since the last
	s.want("4 standstill at 102")
	s.at(20, 102)
	s.at(21, 103)
	s.want("21 span 01 (102,103] from 4", "21 end at 103")
	s.at(23, 104)
	s.at(32, 108)
	s.want("32 span 01 (103,108] from 21")
}

// A count that the cylinder makes as it runs out after the stop is told when
// it rests.
func TestRunningOutIsTold(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs, StopAfter: time.Minute})
	s.at(0, 100)
	s.at(1, 101, 0)
	s.at(2, 102, 0)
	s.at(4, 102, 0)
	s.want("0 config", "0 first_sight", "1 span 01 (100,101] from 0", "1 stop yarn/top at 101")
	s.at(5, 102, 0)
	s.want("2 span 01 (101,102] from 1")
}

// A watch that ends tells what it counted, once.
func TestFinish(t *testing.T) {
	s := newScript(t, Config{StopAfter: time.Minute})
	if _, recs := s.w.Finish(s.st); len(recs) > 0 {
		t.Errorf("a watch that saw nothing told %v", recs)
	}
	s.at(0, 100)
	s.at(2, 101)
	s.at(3, 101)
	var recs []*wirepb.Record
	s.st, recs = s.w.Finish(s.st)
	if len(recs) != 1 || line(recs[0]) != "2 span 01 (100,101] from 0" {
		t.Errorf("told %v", recs)
	}
	if _, again := s.w.Finish(s.st); len(again) > 0 {
		t.Errorf("told again %v", again)
	}
	s.told = nil
	s.restart()
	s.at(8, 104)
	s.want("8 gap from 1/3 raw 101 to 104 down", "8 span 01 (101,104] from 3 unsure")
}

func TestStandstillBeginsNotBeforeTheStopEnded(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs, StopAfter: 5 * time.Second})
	s.at(0, 100)
	s.at(1, 101, 0)
	s.at(9, 101)
	s.want("0 config", "0 first_sight", "1 span 01 (100,101] from 0", "1 stop yarn/top at 101", "9 end at 101")
	s.at(13, 101)
	s.want()
	s.at(15, 101)
	s.want("9 standstill at 101")
}

func TestStandstillFindsItsCause(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs, StopAfter: 3 * time.Second})
	s.at(0, 100)
	s.at(4, 100)
	s.at(8, 100, 1)
	s.want("0 config", "0 first_sight", "0 standstill at 100", "8 end at 100", "8 stop needle/ at 100")
}

func TestInchingInsideAStop(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 100)
	s.at(1, 100, 0)
	s.at(5, 101, 0)
	s.at(12, 102, 0)
	s.at(14, 103, 0)
	s.at(15, 103)
	s.want("0 config", "0 first_sight", "1 stop yarn/top at 100", "12 span 01 (100,102] from 1", "15 span 01 (102,103] from 12", "15 end at 103")
}

func TestLives(t *testing.T) {
	t.Run("reset", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: 5 * time.Second})
		s.at(0, 1000)
		s.at(2, 1001)
		s.at(3, 0)
		s.at(4, 0)
		s.want("0 config", "0 first_sight")
		s.at(5, 1)
		s.want("2 span 01 (1000,1001] from 0", "5 reset after 1001 lost 0-4")
		s.at(12, 5)
		s.want("12 span 02 (0,5] from 2")
		if p := s.recs[len(s.recs)-2].GetLifeLink(); p.GetPrevLife()[0] != 1 || p.GetNewLife()[0] != 2 || p.GetEvidence() == "" {
			t.Errorf("link %v does not join life 1 to life 2 with evidence", p)
		}
	})
	t.Run("a momentary 0 is nothing", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: 5 * time.Second})
		s.at(0, 1000)
		s.at(4, 1002)
		s.at(5, 0)
		s.at(6, 1003)
		s.at(10, 1005)
		s.want("0 config", "0 first_sight", "10 span 01 (1000,1005] from 0")
	})
	t.Run("another counter", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: 5 * time.Second})
		s.at(0, 1000)
		s.at(2, 1001)
		s.restart()
		c := Config{StopAfter: 5 * time.Second, PerRevolution: 4, Counter: 99}
		c.Digest[0] = 2
		s.use(c)
		s.at(4, 77)
		s.at(14, 97)
		s.want("0 config", "0 first_sight", "2 span 01 (1000,1001] from 0", "4 gap from 1/2 raw 1001 to 77 down",
			"4 config", "4 replaced after 1001 lost 0-12", "14 span 02 (77,97] from 4")
	})
	t.Run("16-bit wrap", func(t *testing.T) {
		s := newScript(t, Config{Bits: 16, StopAfter: 5 * time.Second})
		s.at(0, 65530)
		s.at(5, 65535)
		s.at(6, 0)
		s.at(7, 1)
		s.at(10, 2)
		s.want("0 config", "0 first_sight", "10 span 01 (65530,65538] from 0")
		if c := s.recs[2].GetCountSpan(); c.GetRawTo() != 2 || c.GetRawBits() != 16 {
			t.Errorf("span %v, want raw 2 of 16 bits", c)
		}
	})
}

func TestConfigIsToldWhenItChanges(t *testing.T) {
	s := newScript(t, Config{})
	s.at(0, 5)
	s.at(0.5, 5)
	s.restart()
	c := Config{Stops: twoInputs}
	c.Digest[0] = 1
	s.use(c)
	s.at(1, 5)
	s.restart()
	c.Digest[0] = 9
	s.use(c)
	s.at(2, 5)
	s.want("0 config", "0 first_sight", "1 gap from 1/0.5 raw 5 to 5 down", "2 gap from 1/1 raw 5 to 5 down", "2 config")
}

func TestClockStep(t *testing.T) {
	s := newScript(t, Config{})
	s.at(0, 5)
	s.at(1, 5)
	s.now.Wall += 3600 * sec
	s.at(2, 5)
	s.now.Wall -= sec / 4
	s.at(3, 5)
	s.want("0 config", "0 first_sight", "2 clock 1h0m0s")
}

func TestReadingsThatAreToldAlready(t *testing.T) {
	s := newScript(t, Config{})
	s.at(0, 5)
	s.at(2, 6)
	s.told = nil
	s.at(2, 7)
	s.at(1, 90)
	if s.want(); s.st.Count.Ext != 6 {
		t.Errorf("extended counter is %d, want 6", s.st.Count.Ext)
	}
}

func TestInputsBeyondTheConfigurationAreLeftOut(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 5, -1, 2, 700)
	s.at(1, 5, -1, 2, 700)
	s.want("0 config", "0 first_sight")
}

func TestStateBytesAreBounded(t *testing.T) {
	s := newScript(t, Config{Stops: []Stop{{Cause: "yarn", Hold: time.Minute}, {Cause: "door"}}})
	s.at(0, 90_000)
	s.at(1, 90_000, 0)
	s.at(2, 3)
	whole, err := s.st.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("state of %d bytes", len(whole))
	for n := range whole {
		if err := new(State).UnmarshalBinary(whole[:n]); !errors.Is(err, ErrState) {
			t.Errorf("%d of %d bytes gave %v, want ErrState", n, len(whole), err)
		}
	}
	if err := new(State).UnmarshalBinary(append(whole, 0)); !errors.Is(err, ErrState) {
		t.Errorf("a byte too many gave %v, want ErrState", err)
	}
}
