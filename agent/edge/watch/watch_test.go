package watch

import (
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

const sec = int64(time.Second)

// script runs readings through a watch and writes down what it told, one
// short line a record: "2 stop yarn/top at 7" is a stop at second 2.
type script struct {
	t    *testing.T
	w    *Watch
	st   State
	now  source.Instant
	ids  byte
	told []string
	recs []*wirepb.Record
	past bool
}

func newScript(t *testing.T, c Config) *script {
	t.Helper()
	if c.Bits == 0 {
		c.Bits = 32
	}
	c.Digest[0], c.SourceKind = 1, "test"
	s := &script{t: t, now: source.Instant{Boot: [16]byte{1}, Wall: 1_800_000_000 * sec, Quality: source.NTPSynced}}
	s.use(c)
	return s
}

func (s *script) use(c Config) {
	s.t.Helper()
	if c.Bits == 0 {
		c.Bits = 32
	}
	w, err := New(c, func() [16]byte { s.ids++; return [16]byte{s.ids} }, func(b [16]byte) uint32 { return uint32(b[0]) })
	if err != nil {
		s.t.Fatal(err)
	}
	s.w = w
}

// at takes a reading at a second.
func (s *script) at(second float64, raw uint64, active ...int) {
	s.t.Helper()
	s.read(second, source.Reading{Raw: raw, Active: active, SpeedRPM: -1})
}

func (s *script) fail(second float64) {
	s.t.Helper()
	s.read(second, source.Reading{Err: errors.New("no answer")})
}

func (s *script) read(second float64, r source.Reading) {
	s.t.Helper()
	r.At = instant(s.now, int64(second*1e9))
	before, err := s.st.AppendBinary(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	was := s.st
	var recs []*wirepb.Record
	s.st, recs = s.w.Step(s.st, r, s.past)
	if after, _ := was.AppendBinary(nil); !slices.Equal(before, after) {
		s.t.Fatalf("second %v: Step changed the state that it was given", second)
	}
	for _, rec := range recs {
		s.recs = append(s.recs, rec)
		s.told = append(s.told, line(rec))
	}
}

// restart writes the state and reads it again, as a new process does.
func (s *script) restart() {
	s.t.Helper()
	b, err := s.st.AppendBinary(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	s.st = State{}
	if err := s.st.UnmarshalBinary(b); err != nil {
		s.t.Fatal(err)
	}
	if again, _ := s.st.AppendBinary(nil); !slices.Equal(again, b) {
		s.t.Fatalf("state came back as %x, want %x", again, b)
	}
}

// boot begins another boot; its clock stands at the given second of the wall.
func (s *script) boot(n byte, wallSecond int64) {
	s.now = source.Instant{Boot: [16]byte{n}, Wall: 1_800_000_000*sec + wallSecond*sec, Quality: source.NTPSynced}
}

// want compares what was told since the last call.
func (s *script) want(lines ...string) {
	s.t.Helper()
	if !slices.Equal(s.told, lines) {
		s.t.Errorf("told:\n  %s\nwant:\n  %s", strings.Join(s.told, "\n  "), strings.Join(lines, "\n  "))
	}
	s.told = nil
}

func line(r *wirepb.Record) string {
	at := fmt.Sprint(float64(r.GetBoottimeNs()) / 1e9)
	if r.GetBoot() != 1 {
		at = fmt.Sprintf("boot %d %s", r.GetBoot(), at)
	}
	secs := func(ns int64) string { return fmt.Sprint(float64(ns) / 1e9) }
	switch k := r.GetKind().(type) {
	case *wirepb.Record_CountSpan:
		c := k.CountSpan
		unsure := ""
		switch c.GetQuality() {
		case wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN:
			unsure = " unsure"
		case wirepb.CountQuality_COUNT_QUALITY_INCHED:
			if c.GetTo() > c.GetFrom() {
				unsure = " inched"
			}
		}
		return fmt.Sprintf("%s span %s (%d,%d] from %s%s", at, hex.EncodeToString(c.GetLifeId()[:1]), c.GetFrom(), c.GetTo(), secs(c.GetFromBoottimeNs()), unsure)
	case *wirepb.Record_StopBegin:
		b := k.StopBegin
		if b.GetSource() == wirepb.StopSource_STOP_SOURCE_STANDSTILL {
			return fmt.Sprintf("%s standstill at %d", at, b.GetAt())
		}
		return fmt.Sprintf("%s stop %s/%s at %d", at, b.GetCause(), b.GetSide(), b.GetAt())
	case *wirepb.Record_StopEnd:
		e := ""
		if k.StopEnd.GetEarliestBoottimeNs() != 0 {
			e = " earliest " + secs(k.StopEnd.GetEarliestBoottimeNs())
		}
		return fmt.Sprintf("%s end at %d%s", at, k.StopEnd.GetAt(), e)
	case *wirepb.Record_StateGap:
		g := k.StateGap
		why := map[wirepb.GapReason]string{wirepb.GapReason_GAP_REASON_AGENT_DOWN: "down", wirepb.GapReason_GAP_REASON_SOURCE_UNREADABLE: "unreadable"}[g.GetReason()]
		if g.GetStopContinued() {
			why += ", stop continued"
		}
		return fmt.Sprintf("%s gap from %d/%s raw %d to %d %s", at, g.GetFromBoot(), secs(g.GetFromBoottimeNs()), g.GetRawBefore(), g.GetRawAfter(), why)
	case *wirepb.Record_LifeLink:
		l := k.LifeLink
		name := strings.ToLower(strings.TrimPrefix(l.GetKind().String(), "LINK_KIND_"))
		if name == "first_sight" {
			return at + " " + name
		}
		return fmt.Sprintf("%s %s after %d lost %d-%d", at, name, l.GetPrevTo(), l.GetLostMin(), l.GetLostMax())
	case *wirepb.Record_ConfigApplied:
		return at + " config"
	case *wirepb.Record_ClockStep:
		return fmt.Sprintf("%s clock %s", at, time.Duration(k.ClockStep.GetDeltaNs()))
	}
	return at + " unknown"
}

var twoInputs = []Stop{{Cause: "yarn", Side: "top"}, {Cause: "needle"}}

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
	s.want("5 config", "5 first_sight", "5 stop needle/ at 7")
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

func TestFailedReads(t *testing.T) {
	t.Run("two are no hole", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: 5 * time.Second})
		s.at(0, 100)
		s.at(1, 101)
		s.fail(1.5)
		s.fail(2)
		s.at(2.5, 102)
		s.at(10, 105)
		s.want("0 config", "0 first_sight", "10 span 01 (100,105] from 0")
	})
	t.Run("three are", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: 5 * time.Second})
		s.at(0, 100)
		s.at(1, 101)
		s.fail(1.5)
		s.fail(2)
		s.fail(2.5)
		s.at(3, 102)
		s.want("0 config", "0 first_sight", "1 span 01 (100,101] from 0", "3 gap from 1/1 raw 101 to 102 unreadable", "3 span 01 (101,102] from 1 unsure")
		s.at(13, 106)
		s.want("13 span 01 (102,106] from 3")
	})
	t.Run("so are 12 s", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: time.Minute})
		s.at(0, 100)
		s.at(12, 100)
		s.at(24.5, 100)
		s.want("0 config", "0 first_sight", "24.5 gap from 1/12 raw 100 to 100 unreadable")
	})
	t.Run("slow polls have longer", func(t *testing.T) {
		s := newScript(t, Config{StopAfter: time.Minute, Poll: 10 * time.Second})
		s.at(0, 100)
		s.at(30, 100)
		s.want("0 config", "0 first_sight")
	})
}

func TestRestart(t *testing.T) {
	running := func(t *testing.T) *script {
		s := newScript(t, Config{Stops: twoInputs, StopAfter: 5 * time.Second})
		s.at(0, 100)
		s.at(2, 101)
		s.told = nil
		return s
	}
	stopped := func(t *testing.T) *script {
		s := running(t)
		s.at(4, 102, 0)
		s.want("4 span 01 (100,102] from 0", "4 stop yarn/top at 102")
		s.at(6, 102, 0)
		return s
	}
	t.Run("while turning", func(t *testing.T) {
		s := running(t)
		s.restart()
		s.at(8, 104)
		s.want("2 span 01 (100,101] from 0", "8 gap from 1/2 raw 101 to 104 down", "8 span 01 (101,104] from 2 unsure")
	})
	t.Run("in a stop that went on", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.at(30, 102, 0)
		s.want("30 gap from 1/6 raw 102 to 102 down, stop continued")
		s.at(31, 102)
		s.want("31 end at 102")
	})
	t.Run("in a stop that went on with another input", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.at(30, 102, 1)
		s.at(31, 102)
		s.want("30 gap from 1/6 raw 102 to 102 down, stop continued", "31 end at 102")
	})
	t.Run("in a stop whose last turn nobody saw", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.at(30, 103, 0)
		s.want("30 gap from 1/6 raw 102 to 103 down, stop continued", "30 span 01 (102,103] from 6 unsure")
		s.at(31, 103)
		s.want("31 end at 103")
	})
	t.Run("another input after a turn is another stop", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.at(30, 103, 1)
		s.want("30 gap from 1/6 raw 102 to 103 down", "30 span 01 (102,103] from 6 unsure", "30 end at 103 earliest 6", "30 stop needle/ at 103")
	})
	t.Run("in a stop that ended unseen", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.at(30, 107)
		s.want("30 gap from 1/6 raw 102 to 107 down", "30 span 01 (102,107] from 6 unsure", "30 end at 107 earliest 6")
	})
	t.Run("in a stop, turned, and stopped again", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.at(30, 107, 0)
		s.want("30 gap from 1/6 raw 102 to 107 down", "30 span 01 (102,107] from 6 unsure", "30 end at 107 earliest 6", "30 stop yarn/top at 107")
	})
	t.Run("another boot", func(t *testing.T) {
		s := stopped(t)
		s.restart()
		s.boot(2, 100)
		s.at(20, 150)
		s.want("boot 2 20 gap from 1/6 raw 102 to 150 down", "boot 2 20 end at 102 earliest 1e-09")
		s.at(21, 150) // so many counts are believed when a second reading says so
		s.want("boot 2 21 span 01 (102,150] from 21 unsure")
		s.at(31, 154)
		s.want("boot 2 31 span 01 (150,154] from 21")
	})
	t.Run("another boot while turning", func(t *testing.T) {
		s := running(t)
		s.restart()
		s.boot(2, 100)
		s.at(20, 101)
		s.want("2 span 01 (100,101] from 0", "boot 2 20 gap from 1/2 raw 101 to 101 down")
	})
	t.Run("in a standstill", func(t *testing.T) {
		s := running(t)
		s.at(8, 101)
		s.want("2 span 01 (100,101] from 0", "2 standstill at 101")
		s.restart()
		s.at(20, 101)
		s.want("20 gap from 1/8 raw 101 to 101 down", "20 end at 101 earliest 8")
		s.at(26, 101)
		s.want("20 standstill at 101")
	})
	t.Run("the counter fell meanwhile", func(t *testing.T) {
		s := running(t)
		s.restart()
		s.at(20, 3)
		s.at(21, 3)
		s.at(22, 4)
		s.want("2 span 01 (100,101] from 0", "20 gap from 1/2 raw 101 to 3 down",
			"22 reset after 101 lost 0-22", "22 span 02 (0,4] from 22 unsure")
	})
	t.Run("a replayed day says so itself", func(t *testing.T) {
		s := running(t)
		s.read(8, source.Reading{Raw: 104, Restarted: true})
		s.want("2 span 01 (100,101] from 0", "8 gap from 1/2 raw 101 to 104 down", "8 span 01 (101,104] from 2 unsure")
	})
	t.Run("a hole inside the hold time ends the stop where it ended", func(t *testing.T) {
		s := newScript(t, Config{Stops: []Stop{{Cause: "yarn", Hold: 2 * time.Second}}})
		s.at(0, 100)
		s.at(1, 100, 0)
		s.at(2, 100)
		s.restart()
		s.at(9, 101)
		s.want("0 config", "0 first_sight", "1 stop yarn/ at 100", "2 end at 100", "9 gap from 1/2 raw 100 to 101 down", "9 span 01 (100,101] from 2 unsure")
	})
}

// A lamp that blinks before and after a hole is one stop, whichever half of
// the blink the last reading and the first one see.
func TestRestartWhileALampBlinks(t *testing.T) {
	lit, unlit := []int{0}, []int(nil)
	for _, tt := range []struct {
		name   string
		before []int
		after  [][]int // readings from 9 s on, two a second
		want   []string
	}{
		{"lit, lit", lit, [][]int{lit}, []string{"9 gap from 1/2 raw 100 to 100 down, stop continued"}},
		{"unlit, lit", unlit, [][]int{lit}, []string{"9 gap from 1/2 raw 100 to 100 down, stop continued"}},
		{"lit, unlit", lit, [][]int{unlit, unlit, lit}, []string{"10 gap from 1/2 raw 100 to 100 down, stop continued"}},
		{"unlit, unlit", unlit, [][]int{unlit, unlit, lit, unlit, unlit, lit}, []string{"10 gap from 1/2 raw 100 to 100 down, stop continued"}},
		{"lit, gone", lit, [][]int{unlit, unlit, unlit, unlit}, []string{"10.5 gap from 1/2 raw 100 to 100 down", "10.5 end at 100 earliest 2"}},
		{"unlit, gone", unlit, [][]int{unlit, unlit, unlit, unlit}, []string{"2 end at 100", "10.5 gap from 1/2 raw 100 to 100 down"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := newScript(t, Config{Stops: []Stop{{Cause: "lamp", Hold: 1500 * time.Millisecond}}, StopAfter: time.Minute})
			s.at(0, 100)
			s.at(1, 100, 0)
			s.at(2, 100, tt.before...)
			s.want("0 config", "0 first_sight", "1 stop lamp/ at 100")
			s.restart()
			for i, on := range tt.after {
				s.at(9+float64(i)/2, 100, on...)
			}
			s.want(tt.want...)
		})
	}
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
	s.restart()
	c := Config{Stops: twoInputs}
	c.Digest[0] = 1
	s.use(c)
	s.at(1, 5)
	s.restart()
	c.Digest[0] = 9
	s.use(c)
	s.at(2, 5)
	s.want("0 config", "0 first_sight", "1 gap from 1/0 raw 5 to 5 down", "2 gap from 1/1 raw 5 to 5 down", "2 config")
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
	s.want("0 config", "0 first_sight")
}

func TestSpeed(t *testing.T) {
	tests := []struct {
		name  string
		every float64 // seconds for one count
		per   uint32
		want  float64
	}{
		{"30 rpm", 2, 1, 30},
		{"20 rpm at four counts", 0.75, 4, 20},
		{"slow: 4 rpm", 15, 1, 4},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newScript(t, Config{PerRevolution: tt.per, StopAfter: 20 * time.Second})
			var v Speed
			for i := range 120 {
				second := float64(i) / 2
				s.at(second, 100+uint64(second/tt.every))
				v.Add(s.st)
			}
			l := s.w.Live(s.st, &v, -1)
			if l.GetSpeedRpm() < tt.want*0.95 || l.GetSpeedRpm() > tt.want*1.05 || !l.GetTurning() {
				t.Errorf("speed %.2f rpm, turning %v; want %.0f", l.GetSpeedRpm(), l.GetTurning(), tt.want)
			}
			if l := s.w.Live(s.st, &v, 27.5); l.GetSpeedRpm() != 27.5 {
				t.Errorf("speed %.2f rpm although the machine itself says 27.5", l.GetSpeedRpm())
			}
			s.at(100, s.st.Raw)
			v.Add(s.st)
			if l := s.w.Live(s.st, &v, -1); l.GetTurning() || l.GetSpeedRpm() != 0 {
				t.Errorf("still %.2f rpm long after the last count", l.GetSpeedRpm())
			}
		})
	}
}

func TestLiveNamesTheCause(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 5)
	s.at(1, 5, 1)
	l := s.w.Live(s.st, &Speed{}, -1)
	if l.GetCause() != "needle" || len(l.GetStopId()) != 16 || l.GetTurning() {
		t.Errorf("live view %v, want the needle stop", l)
	}
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
