package count

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// A register that is read as one value, and then far away as another one that a
// long time would explain, was wrong once: nothing of the way is booked where
// the first value stood, nor where the way is longer than a day.
func TestFarFromWhatWasReadBefore(t *testing.T) {
	const month = 30 * 24 * time.Hour
	type link struct {
		link     Link
		min, max uint64
	}
	tests := []struct {
		name  string
		o     Options
		reads []read
		want  link // zero: the life goes on
		why   string
	}{
		{"fallen, then preset", Options{Bits: 32, PerRevolution: 4}, []read{
			{0, 69, NewLife, 69}, {month, 18, Held, 69}, {12 * time.Second, 5_000_000, Held, 69},
			{time.Second, 5_000_000, Held, 69}, {time.Second, 5_000_001, NewLife, 5_000_001},
		}, link{Ambiguous, 0, 12_960_062}, "18 twelve seconds before: who turns far in a month was not there; 5 a second for 2,592,012 s and 2 for the edges"},
		{"shows 0 for some seconds after the hole", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {month, 0, Held, 90_000}, {time.Second, 0, Held, 90_000}, {time.Second, 91_000, Held, 90_000},
			{time.Second, 91_000, Counted, 91_000},
		}, link{}, "a register set to anything is not within a day of where it was"},
		{"fallen for a second, then off for a month", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {time.Hour, 5, Held, 90_000}, {time.Second, 6, Held, 90_000}, {month, 1_200_000, Held, 90_000},
			{time.Second, 1_200_000, Held, 90_000}, {time.Second, 1_200_001, NewLife, 1_200_001},
		}, link{Ambiguous, 0, 3_244_504}, "1,110,000 counts, or a fall and 1,200,000"},
		{"misread, then unread for so long that any value would follow", Options{Bits: 16, PerRevolution: 1000}, []read{
			{0, 61_328, NewLife, 61_328}, {half, 51_356, Held, 61_328}, {13 * time.Second, 2_280, Held, 61_328},
			{time.Second, 3_000, Held, 61_328}, {time.Second, 3_700, NewLife, 3_700},
		}, link{Ambiguous, 2_280, 16_877}, "it went 6,488 around the end, or fell; 1250 a second for 13.5 s and 2"},
		{"a value that was not, or the line on which it is", Options{Bits: 16, PerRevolution: 1000}, []read{
			{0, 61_328, NewLife, 61_328}, {half, 51_356, Held, 61_328}, {3 * time.Second, 55_000, Held, 61_328}, {3 * time.Second, 58_000, NewLife, 58_000},
		}, link{Preset, 0, 627}, "a way around of 62,206 does not take 6.5 s"},
		{"misread once", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {month, 5, Held, 90_000}, {time.Second, 91_000, Held, 90_000}, {time.Second, 91_000, Counted, 91_000},
		}, link{}, "a momentary value says nothing against a thousand counts"},
		{"misread for a while, beside the line", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 5, Held, 90_000}, {time.Second, 5, Held, 90_000}, {time.Second, 90_001, Counted, 90_001},
		}, link{}, "no chance brings a register back to the line it left"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := New(tt.o)
			if err != nil {
				t.Fatal(err)
			}
			st, at := standing(c, tt.reads[0].raw)
			var got link
			for i, r := range tt.reads {
				at += r.after
				var v Verdict
				st, v = c.Step(st, Sample{Raw: r.raw, At: at})
				st = throughBytes(t, st)
				if v.Kind != r.kind || st.Ext != r.ext {
					t.Fatalf("reading %d (%d): kind %d, extended %d; want %d, %d (%s)", i, r.raw, v.Kind, st.Ext, r.kind, r.ext, tt.why)
				}
				if v.Kind == NewLife && i > 0 {
					got = link{v.Link, v.LostMin, v.LostMax}
				}
			}
			if got != tt.want {
				t.Errorf("new life %+v, want %+v (%s)", got, tt.want, tt.why)
			}
		})
	}
}

// TestTruthOverHoles: a box is off for times that its clocks tell, or tell
// wrong, and the register may fall, be set, and be misread before, in and after
// them. Never is more booked than was made, and the bounds hold the rest.
func TestTruthOverHoles(t *testing.T) {
	const day = 24 * time.Hour
	const believed, possible = 35 * day, 525 * day
	rapid.Check(t, func(t *rapid.T) {
		o := Options{Bits: 32, PerRevolution: rapid.SampledFrom([]uint32{1, 4}).Draw(t, "counts per revolution")}
		c, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		perSec := DefaultMaxRPM * float64(o.PerRevolution) / 60
		m := &mill{modulus: c.Modulus()}
		// Where a register comes to show what turning would show as well, nobody
		// can tell: values are drawn apart from each other by more than is ever
		// believed here, which is less than what is thought possible.
		room := c.Bound(believed+5*100*day) + 1000
		value := func() uint64 {
			return rapid.Uint64Range(room, c.Modulus()-room).Draw(t, "value")
		}
		m.set(value())
		var st State
		var at, more time.Duration
		var booked, lostMin, lostMax uint64
		lives, sound, odd, seen := 0, true, false, m.raw()
		unseen := time.Duration(0) // off by clocks that are not believed, since the last good reading
		turned := map[time.Duration]uint64{}
		begun := uint64(0)
		look := func(raw uint64) {
			turned[at] = uint64(m.turned)
			// A long way is not believed against a misreading just before.
			sound = sound && !(st.Known && odd && c.distance(st.Raw, raw) > c.Bound(aDay))
			var v Verdict
			st, v = c.Step(st, Sample{Raw: raw, At: at, More: more})
			st = throughBytes(t, st)
			if seen = raw; !st.Holding() {
				odd, unseen = false, 0
			}
			if v.Kind == NewLife {
				if lives++; lives == 1 && v.LostMax == 0 {
					begun = turned[v.Began] // what was read before was wrong, and is no part of it
				} else if lives == 1 {
					sound = false // the first reading was alone, and may have been right
				}
				lostMin, lostMax = lostMin+v.LostMin, lostMax+v.LostMax
			}
			booked += v.To - v.From
			if booked > uint64(m.turned) {
				t.Fatalf("%d counts booked, %d made", booked, uint64(m.turned))
			}
		}
		turn := func(d time.Duration, share float64) { m.turned += perSec * share * d.Seconds() }
		watch := func(n int) {
			for range n {
				at += time.Second
				turn(time.Second, rapid.Float64Range(0, 1).Draw(t, "share of the highest speed"))
				look(m.raw())
			}
		}
		shown := []uint64{m.raw()}
		upset := func() {
			defer func() { shown = append(shown, m.raw()) }()
			switch rapid.SampledFrom([]string{"", "", "fall", "set"}).Draw(t, "register") {
			case "fall":
				// From beside 0, or back to there, it is no news.
				if r := m.raw(); min(r, st.Raw, seen) > room && max(r, st.Raw, seen) < c.Modulus()-room {
					m.set(0)
					sound = false
				}
			case "set":
				next := value()
				// Some reader may still wait for what the register showed before.
				for _, old := range append(shown, m.raw()) {
					if away := c.distance(old, next); away <= room || away >= c.Modulus()-room {
						return
					}
				}
				m.set(next)
				sound = false
			}
		}
		if rapid.Bool().Draw(t, "first reading is misread") {
			odd = true
			shown = append(shown, (m.raw()+c.Modulus()/4)%c.Modulus())
			look(shown[1])
		} else {
			look(m.raw())
		}
		for range rapid.IntRange(1, 5).Draw(t, "holes") {
			off := time.Duration(rapid.Float64Range(1, 100*24*3600).Draw(t, "seconds off") * 1e9)
			before := rapid.Float64Range(0, 1).Draw(t, "share of it before the register is upset")
			speed := rapid.Float64Range(0, 1).Draw(t, "share of the highest speed in it")
			turn(time.Duration(before*float64(off)), speed)
			upset()
			turn(time.Duration((1-before)*float64(off)), speed)
			if rapid.Bool().Draw(t, "clocks are believed") {
				at += off
			} else {
				sure := max(believed-(at-st.At), 0) // in all, since the last good reading
				at, more = at+sure, more+possible-sure
				unseen += off
				sound = sound && unseen <= believed
			}
			if !odd && rapid.Bool().Draw(t, "misread") { // a second one might confirm the first
				at += half
				look((m.raw() + c.Modulus()/2) % c.Modulus())
				odd = true
			}
			watch(rapid.IntRange(0, 5).Draw(t, "readings"))
			upset()
			watch(rapid.SampledFrom([]int{0, 1, 8}).Draw(t, "readings"))
		}
		watch(8)
		truth := uint64(m.turned) - begun
		if st.Holding() || truth < booked+lostMin || truth > booked+lostMax {
			t.Fatalf("%d counts made; booked %d, missing %d to %d (%d lives, holding %v)", truth, booked, lostMin, lostMax, lives, st.Holding())
		}
		if sound && (lives != 1 || booked != truth) {
			t.Fatalf("nothing that nobody could know: %d counts made, %d booked in %d lives", truth, booked, lives)
		}
	})
}
