package gpio

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const ms = int64(time.Millisecond)

// play feeds the edges of one sensor and lets time pass at the end.
func play(c counter, edges []edge, until int64) {
	for _, e := range edges {
		c.edge(e)
	}
	c.settle(until)
}

// at makes edges that alternate, beginning with active, at milliseconds.
func at(times ...float64) (out []edge) {
	for i, t := range times {
		out = append(out, edge{at: int64(t * float64(ms)), active: i%2 == 0})
	}
	return out
}

func TestSingle(t *testing.T) {
	// 40 rpm and 4 teeth: a tooth in 375 ms, so 187.5 ms apart; 8 ms debounce.
	tests := []struct {
		name                     string
		edges                    []edge
		pulses, bounces, tooFast uint64
	}{
		{"nothing", nil, 0, 0, 0},
		{"clean teeth", at(100, 200, 500, 600, 900, 1000), 3, 0, 0},
		{"bounces at both ends", at(100, 100.5, 101, 103, 104, 200, 200.2, 201, 500, 600), 2, 3, 0},
		{"a spike between teeth", at(100, 200, 300, 302, 500, 600), 2, 1, 0},
		{"a long disturbance close to a tooth", at(100, 120, 140, 200, 500, 600), 2, 0, 1},
		{"trembling at 25 a second", at(100, 120, 140, 160, 180, 200, 220, 240, 260, 280, 300, 320, 340, 360), 1, 0, 6},
		{"trembling, then knitting", at(100, 120, 140, 160, 180, 200, 600, 700, 1000, 1100), 3, 0, 2},
		{"exactly as long as debounce", at(100, 108), 1, 0, 0},
		{"shorter than debounce", at(100, 107.9), 0, 1, 0},
		{"twice the highest speed", at(0, 90, 187.5, 280, 375, 470), 3, 0, 0},
		{"faster than that", at(0, 90, 187, 280, 374, 470), 1, 0, 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := &single{debounce: 8 * ms, apart: int64(minApart(40, 4))}
			s.start(0, false, false)
			play(s, tt.edges, 10_000*ms)
			got := s.seen()
			if got.Pulses != tt.pulses || got.Bounces != tt.bounces || got.TooFast != tt.tooFast {
				t.Errorf("counted %+v, want %d pulses, %d bounces, %d too fast", got, tt.pulses, tt.bounces, tt.tooFast)
			}
		})
	}
}

// TestAPulseCountsWhenItHasLasted: not before, and once only.
func TestAPulseCountsWhenItHasLasted(t *testing.T) {
	s := &single{debounce: 8 * ms, apart: 187 * ms}
	s.start(0, false, false)
	s.edge(edge{at: 100 * ms, active: true})
	for _, tt := range []struct {
		at   int64
		want uint64
	}{{99, 0}, {107, 0}, {108, 1}, {200, 1}} {
		s.settle(tt.at * ms)
		if got := s.seen().Pulses; got != tt.want {
			t.Errorf("at %d ms %d pulses, want %d", tt.at, got, tt.want)
		}
	}
}

// TestSingleAgainstTruth: a machine with uneven teeth that changes its speed,
// bounces at each edge and gets spikes is counted exactly; every time that it
// stands and trembles on the edge of the sensor may cost one count, no more.
func TestSingleAgainstTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const maxRPM, teeth, debounce = 40.0, 4, 8 * ms
		s := &single{debounce: debounce, apart: int64(minApart(maxRPM, teeth))}
		s.start(0, false, false)
		now, truth, trembles := 1000*ms, uint64(0), uint64(0)
		var edges []edge
		bounce := func(to bool) {
			for range rapid.IntRange(0, 4).Draw(t, "bounces") {
				edges = append(edges, edge{at: now, active: to}, edge{at: now + rapid.Int64Range(1, ms).Draw(t, "open"), active: !to})
				now += 2 * ms
			}
			edges = append(edges, edge{at: now, active: to})
		}
		for range rapid.IntRange(1, 40).Draw(t, "stretches") {
			if rapid.IntRange(0, 9).Draw(t, "trembles") == 0 {
				now += int64(minApart(maxRPM, teeth))
				for range rapid.IntRange(1, 30).Draw(t, "times") {
					edges = append(edges, edge{at: now, active: true}, edge{at: now + 15*ms, active: false})
					now += 30 * ms
				}
				trembles++
				now += int64(minApart(maxRPM, teeth))
			}
			// One tooth: at most maxRPM, teeth uneven by a tenth.
			period := int64(60e9 / (rapid.Float64Range(2, maxRPM).Draw(t, "rpm") * teeth) * rapid.Float64Range(0.9, 1.1).Draw(t, "uneven"))
			begin := now
			bounce(true)
			now = begin + period*2/5
			if rapid.Bool().Draw(t, "spike") {
				edges = append(edges, edge{at: begin + period/5, active: false}, edge{at: begin + period/5 + ms, active: true})
			}
			bounce(false)
			truth++
			if rapid.Bool().Draw(t, "spike") {
				edges = append(edges, edge{at: begin + period*7/10, active: true}, edge{at: begin + period*7/10 + 3*ms, active: false})
			}
			now = begin + period
		}
		play(s, edges, now+1000*ms)
		if got := s.seen().Pulses; got < truth || got > truth+trembles {
			t.Fatalf("%d teeth passed, the machine trembled %d times; counted %d: %+v", truth, trembles, got, s.seen())
		}
	})
}

// TestDoubleAgainstTruth: two sensors count the whole teeth that the cylinder
// has gone beyond its farthest place, whatever it does: forward, back,
// trembling anywhere, spikes on a wire. A spike can tell a tooth a quarter
// too early, and never twice.
func TestDoubleAgainstTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		swap := rapid.Bool().Draw(t, "swap")
		d := &double{swap: swap}
		place, farthest, most, now := int64(0), int64(0), int64(0), int64(0) // quarter teeth
		levels := func(p int64) (a, b bool) {
			if swap {
				p = -p
			}
			q := ((p % 4) + 4) % 4
			return q == 1 || q == 2, q == 2 || q == 3
		}
		a, b := levels(0)
		d.start(0, a, b)
		truth := uint64(0)
		tell := func(na, nb bool) {
			now += ms
			if na != a {
				a = na
				d.edge(edge{at: now, active: a})
			}
			if nb != b {
				b = nb
				d.edge(edge{at: now, b: true, active: b})
			}
		}
		for range rapid.IntRange(1, 60).Draw(t, "moves") {
			step := int64(1)
			if rapid.IntRange(0, 3).Draw(t, "back") == 0 {
				step = -1
			}
			for range rapid.IntRange(1, 12).Draw(t, "quarters") {
				place += step
				tell(levels(place))
				most = max(most, place)
				if rapid.IntRange(0, 4).Draw(t, "spike") == 0 {
					tell(!a, b)
					tell(!a, b)
				}
				for range rapid.IntRange(0, 2).Draw(t, "trembles") {
					tell(levels(place - step))
					tell(levels(place))
				}
				for place >= farthest+4 {
					farthest += 4
					truth++
				}
			}
		}
		if got := d.seen().Pulses; got < truth || got > uint64(most+1)/4 {
			t.Fatalf("the cylinder passed %d whole teeth and %d quarters, counted %d", truth, most, got)
		}
	})
}

func TestDoubleKnowsTheDirection(t *testing.T) {
	d := &double{}
	d.start(0, false, false)
	turn := func(quarters int, forward bool) {
		order := []edge{{active: true}, {b: true, active: true}, {active: false}, {b: true, active: false}}
		for i := range quarters {
			e := order[i%4]
			if !forward { // B leads
				e.b = !e.b
			}
			d.edge(e)
		}
	}
	turn(40, true)
	turn(12, false)
	if got := d.seen(); got.Pulses != 10 || got.Backward != 3 || d.behind() != 3 {
		t.Errorf("10 teeth forward, 3 back: %+v, %d behind", got, d.behind())
	}
	turn(12, true)
	if got := d.seen(); got.Pulses != 10 || d.behind() != 0 {
		t.Errorf("back where it was: %+v, %d behind; nothing is counted twice", got, d.behind())
	}
	turn(4, true)
	if got := d.seen().Pulses; got != 11 {
		t.Errorf("one tooth on: %d", got)
	}
}

func TestMinApart(t *testing.T) {
	if got := minApart(40, 4); math.Abs(got.Seconds()-0.1875) > 1e-9 {
		t.Errorf("half a tooth at 40 rpm and 4 teeth is %s, 187.5 ms expected (60/40/4/2)", got)
	}
}
