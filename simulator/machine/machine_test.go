package machine

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

func TestGramsPerTurn(t *testing.T) {
	ne := FromEnglish
	tests := []struct {
		name   string
		groups []Group
		want   float64
		tol    float64
		source string
	}{
		{"one metre of 1000 tex", []Group{{Feeds: 1, Needles: 1000, Loop: 1, Yarn: 1000}}, 1, 1e-12, "definition of tex"},
		{"single jersey", []Group{{Feeds: 96, Needles: 2640, Loop: 2.8, Yarn: 20}}, 14.19264, 1e-9, "by hand: 2640*96*2.8*20/1e6"},
		{"30x28 Ne 30", []Group{{Feeds: 90, Needles: 2640, Loop: 2.75, Yarn: ne(30)}}, 12.862, 5e-4, "by hand: 90*2640*2.75*590.541/30/1e6"},
		{"elastane jersey", []Group{{Feeds: 96, Needles: 2640, Loop: 3, Yarn: ne(40)}, {Feeds: 96, Needles: 2640, Loop: 3, Yarn: FromDecitex(22), Draft: 2.8}},
			11.8222, 5e-4, "by hand: 760.32 m * (590.541/40 + 2.2/2.8) / 1000"},
		{"three-thread fleece", []Group{{Feeds: 30, Needles: 1884, Loop: 4.2, Yarn: ne(26)}, {Feeds: 30, Needles: 1884, Loop: 3.2, Yarn: 8.3}, {Feeds: 30, Needles: 1884, Loop: 1.7, Yarn: ne(12)}},
			11.6214, 5e-4, "by hand: (237.384*590.541/26 + 180.864*8.3 + 96.084*590.541/12) / 1000"},
		{"two ends", []Group{{Feeds: 1, Needles: 1000, Loop: 1, Yarn: 1000, Ends: 2}}, 2, 1e-12, "definition of tex"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := float64(Article{Groups: tt.groups}.GramsPerTurn()); math.Abs(got-tt.want) > tt.tol {
				t.Errorf("GramsPerTurn = %.6f g, want %.6f g (%s)", got, tt.want, tt.source)
			}
		})
	}
}

func TestConeTurns(t *testing.T) {
	g := Group{Feeds: 90, Needles: 2640, Loop: 2.75, Yarn: 20}
	// By hand: 7.26 m of 20 tex are 0.1452 g a turn; 1.89 kg last 13016.5 turns.
	if got := g.ConeTurns(1.89); math.Abs(got-13016.5) > 0.1 {
		t.Errorf("ConeTurns(1.89 kg) = %.1f, want 13016.5", got)
	}
}

func TestCheckNamesEveryFault(t *testing.T) {
	err := Article{ID: "x", Groups: []Group{{ID: "ground"}}}.Check()
	if err == nil || len(err.(interface{ Unwrap() []error }).Unwrap()) != 3 {
		t.Errorf("Check of an empty article = %v, want three faults: speed, roll, group", err)
	}
}

func TestCylinderCountsWholeTurns(t *testing.T) {
	var c Cylinder
	p := Period(30) // 2 s
	c.Append(61*time.Second, p)
	c.Append(100*time.Second, 0)
	c.Append(200*time.Second, Period(60))
	for _, tt := range []struct {
		at   time.Duration
		want int64
		why  string
	}{
		{0, 0, "begins at 0"},
		{2*time.Second - 1, 0, "not yet a whole turn"},
		{2 * time.Second, 1, "a turn in 2 s at 30 rpm"},
		{61 * time.Second, 30, "30 turns and a half"},
		{99 * time.Second, 30, "stands"},
		{100*time.Second + 499*time.Millisecond, 30, "half a turn still lacks 0.5 s at 60 rpm"},
		{100*time.Second + 500*time.Millisecond, 31, "the half turn is kept through the stop"},
		{200 * time.Second, 130, "30.5 + 100 turns, rounded down"},
	} {
		if got := c.Turns(tt.at); got != tt.want {
			t.Errorf("Turns(%v) = %d, want %d: %s", tt.at, got, tt.want, tt.why)
		}
	}
	if c.Speed(50*time.Second) != 30 || c.Speed(70*time.Second) != 0 {
		t.Errorf("Speed = %v and %v, want 30 and 0", c.Speed(50*time.Second), c.Speed(70*time.Second))
	}
}

func TestCylinderProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var c Cylinder
		var ideal float64
		for range rapid.IntRange(1, 30).Draw(rt, "legs") {
			d := time.Duration(rapid.Int64Range(1, int64(2*time.Hour)).Draw(rt, "length"))
			rpm := rapid.SampledFrom([]unit.RPM{0, 4, 20, 24.7, 28, 40}).Draw(rt, "rpm")
			c.Append(c.End()+d, Period(rpm))
			if p := Period(rpm); p > 0 {
				ideal += float64(d) / float64(p)
			}
		}
		if got := float64(c.Turns(c.End())); math.Abs(got-ideal) > 1.001 {
			rt.Fatalf("%v turns counted, %v ideal", got, ideal)
		}
		n := rapid.Int64Range(1, max(1, c.Turns(c.End()))).Draw(rt, "n")
		at, ok := c.When(n)
		if !ok {
			if n <= c.Turns(c.End()) {
				rt.Fatalf("When(%d) not found, %d turns are known", n, c.Turns(c.End()))
			}
			return
		}
		if c.Turns(at) < n || at > 0 && c.Turns(at-1) >= n {
			rt.Fatalf("When(%d) = %v, but Turns there %d and just before %d", n, at, c.Turns(at), c.Turns(at-1))
		}
	})
}

func TestRegister(t *testing.T) {
	const turns = 3<<32 + 0x00012345
	for _, tt := range []struct {
		r    Register
		want []uint16
	}{{U16, []uint16{0x2345}}, {U32BE, []uint16{0x0001, 0x2345}}, {U32LE, []uint16{0x2345, 0x0001}}} {
		if got := tt.r.Words(turns); !slices.Equal(got, tt.want) {
			t.Errorf("%s shows %x, want %x", tt.r, got, tt.want)
		}
	}
	if U16.Raw(65535) != 65535 || U16.Raw(65536) != 0 {
		t.Error("a 16-bit counter must go from 65535 to 0")
	}
}
