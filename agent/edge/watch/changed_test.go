package watch

import (
	"testing"
	"time"
)

// TestChangedInputs: a stop that was open when the agent went goes on under the same
// inputs only; where they mean something else now it ends in the gap, and what holds the
// machine now is told by its own name.
func TestChangedInputs(t *testing.T) {
	conf := func(inputs uint64, stops ...Stop) Config {
		return Config{Stops: stops, Inputs: inputs, StopAfter: 5 * time.Second}
	}
	yarn, door := Stop{Cause: "yarn"}, Stop{Cause: "door"}
	for _, x := range []struct {
		name   string
		before uint64 // name of yarn, door
		then   Config
		active []int
		want   []string
	}{
		{"the same", 7, conf(7, yarn, door), []int{0}, []string{"9 gap from 1/6 raw 102 to 102 down, stop continued"}},
		{"another hold time", 7, conf(7, Stop{Cause: "yarn", Hold: time.Second}, door), []int{0}, []string{"9 gap from 1/6 raw 102 to 102 down, stop continued"}},
		{"of an older version", 0, conf(8, yarn, door), []int{0}, []string{"9 gap from 1/6 raw 102 to 102 down, stop continued"}},
		{"in another order", 7, conf(8, door, yarn), []int{1}, []string{"9 gap from 1/6 raw 102 to 102 down", "9 end at 102 earliest 6", "9 stop yarn/ at 102"}},
		{"the place of another", 7, conf(8, door), []int{0}, []string{"9 gap from 1/6 raw 102 to 102 down", "9 end at 102 earliest 6", "9 stop door/ at 102"}},
		{"none left", 7, conf(8), nil, []string{"9 gap from 1/6 raw 102 to 102 down", "9 end at 102 earliest 6"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			s := newScript(t, conf(x.before, yarn, door))
			s.at(0, 100)
			s.at(2, 101)
			s.at(4, 102, 0)
			s.at(6, 102, 0)
			s.told = nil
			s.restart()
			s.use(x.then)
			s.w.conf.Digest = s.st.Digest // that it is told is tested elsewhere
			s.at(9, 102, x.active...)
			s.want(x.want...)
		})
	}
}

// TestCountsOfAnotherUnit: what was counted before the change and not told yet is told in
// the unit in which it was counted.
func TestCountsOfAnotherUnit(t *testing.T) {
	s := newScript(t, Config{PerRevolution: 4, Counter: 1, StopAfter: 5 * time.Second})
	s.at(0, 1000)
	s.at(2, 1004)
	s.at(4, 1008)
	s.restart()
	s.use(Config{Bits: 16, Counter: 2, StopAfter: 5 * time.Second})
	s.at(9, 70)
	s.at(10, 71)
	spans := 0
	for _, r := range s.recs {
		c, l := r.GetCountSpan(), r.GetLifeLink()
		switch {
		case c != nil && c.GetTo() == 1008:
			if spans++; c.GetFrom() != 1000 || c.GetCountsPerRevolution() != 4 || c.GetRawBits() != 32 || c.GetRawTo() != 1008 {
				t.Errorf("the counts before the change: %v; 4 a turn of a counter of 32 bits expected", c)
			}
		case l != nil && l.GetPrevTo() != 0:
			if l.GetPrevTo() != 1008 || l.GetCountsPerRevolution() != 1 || l.GetRawBits() != 16 || l.GetExtended() != 70 {
				t.Errorf("the life after the change: %v", l)
			}
		}
	}
	if spans != 1 {
		t.Errorf("the counts before the change were told in %d spans", spans)
	}
}
