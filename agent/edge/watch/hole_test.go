package watch

import (
	"testing"
	"time"

	"turnwise/agent/source"
)

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
