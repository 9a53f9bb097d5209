package count

import (
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"time"
)

// read is one reading of a script and what it must mean.
type read struct {
	after time.Duration // since the reading before
	raw   uint64
	kind  Kind
	ext   uint64 // extended counter afterwards
}

const half = 500 * time.Millisecond

func TestStep(t *testing.T) {
	type link struct {
		link     Link
		prevTo   uint64
		min, max uint64
	}
	tests := []struct {
		name  string
		o     Options
		reads []read
		links []link
		why   string
	}{
		{"turning", Options{Bits: 16}, []read{
			{0, 100, NewLife, 100}, {half, 100, Counted, 100}, {half, 101, Counted, 101}, {2 * time.Second, 102, Counted, 102},
		}, []link{{FirstSight, 0, 0, 0}}, "a first sight books nothing"},

		{"16-bit wrap between readings", Options{Bits: 16}, []read{
			{0, 65534, NewLife, 65534}, {half, 0, Held, 65534}, {half, 1, Counted, 65537},
		}, []link{{FirstSight, 0, 0, 0}}, "65534 -> 1 is three counts: the counter is 16 bits wide"},

		{"16-bit wrap at the reading", Options{Bits: 16}, []read{
			{0, 65535, NewLife, 65535}, {half, 0, Held, 65535}, {half, 0, Counted, 65536},
		}, []link{{FirstSight, 0, 0, 0}}, "65535 -> 0 is one count"},

		{"32-bit wrap", Options{Bits: 32}, []read{
			{0, 1<<32 - 3, NewLife, 1<<32 - 3}, {3 * time.Second, 0, Held, 1<<32 - 3}, {half, 0, Counted, 1 << 32},
		}, []link{{FirstSight, 0, 0, 0}}, "three counts"},

		{"32-bit wrap after three days unwatched", Options{Bits: 32}, []read{
			{0, 1<<32 - 100_000, NewLife, 1<<32 - 100_000}, {72 * time.Hour, 50_000, Held, 1<<32 - 100_000}, {half, 50_000, Counted, 1<<32 + 50_000},
		}, []link{{FirstSight, 0, 0, 0}}, "324,002 counts were possible, far less than a sixteenth of 2^32"},

		{"reset to 0", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 0, Held, 90_000}, {half, 0, Held, 90_000}, {half, 1, Held, 90_000}, {time.Second, 2, NewLife, 2},
		}, []link{{FirstSight, 0, 0, 0}, {Reset, 90_000, 0, 3}}, "confirmed by two readings a second apart each; bound ceil(1.25*0.5)+2 = 3"},

		{"reset seen late", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {10 * time.Second, 5, Held, 90_000}, {time.Second, 6, Held, 90_000}, {time.Second, 7, NewLife, 7},
		}, []link{{FirstSight, 0, 0, 0}, {Reset, 90_000, 0, 10}}, "bound ceil(12.5)+2 = 15, 5 of them seen"},

		{"momentary 0", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 0, Held, 90_000}, {half, 90_001, Counted, 90_001},
		}, []link{{FirstSight, 0, 0, 0}}, "what it fell from was kept"},

		{"momentary 0, read three times", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 0, Held, 90_000}, {half, 0, Held, 90_000}, {half, 0, Held, 90_000}, {half, 90_001, Counted, 90_001},
		}, []link{{FirstSight, 0, 0, 0}}, "a second and a half is not enough to believe a reset"},

		{"momentary jump", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 155_536, Held, 90_000}, {half, 90_000, Counted, 90_000}, {half, 90_001, Counted, 90_001},
		}, []link{{FirstSight, 0, 0, 0}}, "never booked"},

		{"torn between two words", Options{Bits: 32}, []read{
			{0, 0x0000FFFF, NewLife, 0xFFFF}, {half, 0x0001FFFF, Held, 0xFFFF}, {half, 0x00010000, Counted, 0x10000},
		}, []link{{FirstSight, 0, 0, 0}}, "the high word was new, the low word old"},

		{"torn the other way", Options{Bits: 32}, []read{
			{0, 0x0000FFFF, NewLife, 0xFFFF}, {half, 0, Held, 0xFFFF}, {half, 0x00010000, Counted, 0x10000},
		}, []link{{FirstSight, 0, 0, 0}}, "the low word was new, the high word old"},

		{"preset", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 500_000, Held, 90_000}, {time.Second, 500_001, Held, 90_000}, {time.Second, 500_002, NewLife, 500_002},
		}, []link{{FirstSight, 0, 0, 0}, {Preset, 90_000, 0, 3}}, "the life begins at 500,000; the two counts after it are booked"},

		{"momentary jump before the box went off for a month", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 155_536, Held, 90_000}, {720 * time.Hour, 1_200_000, Held, 90_000}, {half, 1_200_000, Counted, 1_200_000},
		}, []link{{FirstSight, 0, 0, 0}}, "what was doubted before is forgotten: nothing follows it any more after so long"},

		{"wrong value in a fast narrow counter", Options{Bits: 16, PerRevolution: 1000}, []read{
			{0, 51_532, NewLife, 51_532}, {14 * time.Second, 65_535, Held, 51_532}, {half, 52_000, Counted, 52_000},
		}, []link{{FirstSight, 0, 0, 0}}, "17,502 were possible, but 14,003 is more than a sixteenth of the counter"},

		{"preset downwards", Options{Bits: 32}, []read{
			{0, 90_000, NewLife, 90_000}, {half, 50_000, Held, 90_000}, {time.Second, 50_000, Held, 90_000}, {time.Second, 50_000, NewLife, 50_000},
		}, []link{{FirstSight, 0, 0, 0}, {Preset, 90_000, 0, 3}}, "neither wrap nor reset"},

		{"16 bits, hours unwatched, fallen", Options{Bits: 16}, []read{
			{0, 60_000, NewLife, 60_000}, {3 * time.Hour, 5_000, Held, 60_000}, {time.Second, 5_000, Held, 60_000}, {time.Second, 5_001, NewLife, 5_001},
		}, []link{{FirstSight, 0, 0, 0}, {Ambiguous, 60_000, 5_000, 13_502}}, "wrap 10,536, or reset with 5,000 to 13,502 lost"},

		{"16 bits, round more than once", Options{Bits: 16}, []read{
			{0, 60_000, NewLife, 60_000}, {48 * time.Hour, 60_100, Held, 60_000}, {time.Second, 60_100, Held, 60_000}, {time.Second, 60_101, NewLife, 60_101},
		}, []link{{FirstSight, 0, 0, 0}, {Ambiguous, 60_000, 100, 216_002}}, "100, 65,636, 131,172 or 196,708 counts"},

		{"16 bits, long unwatched, one solution", Options{Bits: 16}, []read{
			{0, 10_000, NewLife, 10_000}, {15 * time.Hour, 50_000, Held, 10_000}, {half, 50_000, Counted, 50_000},
		}, []link{{FirstSight, 0, 0, 0}}, "67,502 were possible; 40,000 is, 105,536 is not"},

		{"torn reading after days unwatched", Options{Bits: 32}, []read{
			{0, 1000, NewLife, 1000}, {72 * time.Hour, 0x11000, Held, 1000}, {half, 0x1001, Held, 1000}, {half, 0x1001, Counted, 0x1001},
		}, []link{{FirstSight, 0, 0, 0}}, "324,002 counts were possible: a step over more than 15 s needs a second reading"},

		{"up to 15 s are believed at once", Options{Bits: 32}, []read{
			{0, 1000, NewLife, 1000}, {15 * time.Second, 1015, Counted, 1015}, {16 * time.Second, 1037, Held, 1015}, {half, 1037, Counted, 1037},
		}, []link{{FirstSight, 0, 0, 0}}, "bound of 15 s ceil(1.25*15)+2 = 21; 22 counts in 16 s are possible, and are confirmed"},

		{"sixteen bits go on round while a step is confirmed", Options{Bits: 16}, []read{
			{0, 2, NewLife, 2}, {15 * time.Hour, 65_534, Held, 2}, {4 * time.Second, 1, Counted, 65_537},
		}, []link{{FirstSight, 0, 0, 0}}, "65,532 counts, then three over the end"},

		{"small counter falls and climbs", Options{Bits: 32}, []read{
			{0, 2, NewLife, 2}, {half, 0, Held, 2}, {time.Second, 2, Held, 2}, {time.Second, 3, NewLife, 3},
		}, []link{{FirstSight, 0, 0, 0}, {Ambiguous, 2, 1, 6}}, "a reset, or a momentary 0: neither's counts are booked"},

		{"device that shows its counts late", Options{Bits: 32}, []read{
			{0, 7, NewLife, 7}, {time.Second, 7, Counted, 7}, {time.Second, 7, Counted, 7}, {time.Second, 7, Counted, 7}, {half, 12, Counted, 12},
		}, []link{{FirstSight, 0, 0, 0}}, "five counts in 3.5 s since it moved are possible"},

		{"values that never follow each other", Options{Bits: 32}, []read{
			{0, 1000, NewLife, 1000}, {2 * time.Second, 90_000, Held, 1000}, {2 * time.Second, 400_000, Held, 1000}, {2 * time.Second, 80_000, Held, 1000},
			{2 * time.Second, 700_000, Held, 1000}, {2 * time.Second, 60_000, Held, 1000}, {2 * time.Second, 900_000, NewLife, 900_000},
		}, []link{{FirstSight, 0, 0, 0}, {Preset, 1000, 0, 17}}, "given up after five and ten seconds: somebody must look"},

		{"four counts a revolution", Options{Bits: 16, PerRevolution: 4, MaxRPM: 40}, []read{
			{0, 65530, NewLife, 65530}, {time.Second, 65533, Counted, 65533}, {time.Second, 0, Held, 65533}, {time.Second, 3, Counted, 65539},
		}, []link{{FirstSight, 0, 0, 0}}, "bound ceil(1.25*40*4/60*1)+2 = 6"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := New(tt.o)
			if err != nil {
				t.Fatal(err)
			}
			st, at := standing(c, tt.reads[0].raw)
			var links []link
			for i, r := range tt.reads {
				at += r.after
				var v Verdict
				st, v = c.Step(st, Sample{Raw: r.raw, At: at})
				st = throughBytes(t, st)
				if v.Kind != r.kind || st.Ext != r.ext {
					t.Fatalf("reading %d (%d): kind %d, extended %d; want %d, %d (%s)", i, r.raw, v.Kind, st.Ext, r.kind, r.ext, tt.why)
				}
				if v.Kind == NewLife {
					links = append(links, link{v.Link, v.PrevTo, v.LostMin, v.LostMax})
				}
			}
			if len(links) != len(tt.links) {
				t.Fatalf("%d lives began, want %d", len(links), len(tt.links))
			}
			for i := range links {
				if links[i] != tt.links[i] {
					t.Errorf("life %d began as %+v, want %+v (%s)", i, links[i], tt.links[i], tt.why)
				}
			}
		})
	}
}

// standing is a counter that was looked at once and stands: the reading of it
// after that, at the instant given, begins its life.
func standing(c Counter, raw uint64) (State, time.Duration) {
	st, _ := c.Step(State{}, Sample{Raw: raw})
	return st, half
}

// throughBytes writes and reads a state: every step of every script also
// shows that a restart changes nothing.
func throughBytes(t interface{ Fatalf(string, ...any) }, st State) State {
	b, err := st.MarshalBinary()
	if err != nil {
		t.Fatalf("%v", err)
	}
	var out State
	if err := out.UnmarshalBinary(b); err != nil {
		t.Fatalf("%v", err)
	}
	if out != st {
		t.Fatalf("state came back as %+v, want %+v", out, st)
	}
	return out
}

func TestReplace(t *testing.T) {
	c, err := New(Options{Bits: 32})
	if err != nil {
		t.Fatal(err)
	}
	st, at := standing(c, 5000)
	st, _ = c.Step(st, Sample{Raw: 5000, At: at})
	st, v := c.Replace(st, Sample{Raw: 17, At: at + 8*time.Second})
	if v.Kind != Held || st.Ext != 5000 || !st.Beginning() || st.Disagreeing() {
		t.Errorf("one reading of another counter gave %+v, state %+v", v, st)
	}
	st, v = c.Step(throughBytes(t, st), Sample{Raw: 18, At: at + 9*time.Second})
	want := Verdict{Kind: NewLife, From: 17, To: 18, Link: Replaced, PrevTo: 5000, LostMax: 12, Began: at + 8*time.Second, Evidence: v.Evidence}
	if v != want || st.Ext != 18 || !strings.Contains(v.Evidence, "5000") {
		t.Errorf("replaced counter gave %+v, want %+v; state %+v", v, want, st)
	}
}

func TestPerRevolution(t *testing.T) {
	tests := []struct {
		scale float64
		want  uint32
		ok    bool
	}{
		{0, 1, true}, {1, 1, true}, {0.5, 2, true}, {0.25, 4, true}, {0.1, 10, true}, {0.333333333, 3, true}, {0.001, 1000, true},
		{0.3, 0, false}, {2, 0, false}, {-1, 0, false}, {1e-9, 0, false}, {0.7, 0, false},
	}
	for _, tt := range tests {
		got, err := PerRevolution(tt.scale)
		if got != tt.want || (err == nil) != tt.ok {
			t.Errorf("PerRevolution(%v) = %d, %v; want %d", tt.scale, got, err, tt.want)
		}
		if err != nil && !errors.Is(err, ErrScale) {
			t.Errorf("PerRevolution(%v): %v is no ErrScale", tt.scale, err)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	for _, o := range []Options{{}, {Bits: 33}, {Bits: 16, MaxRPM: -1}, {Bits: 16, PerRevolution: MaxPerRevolution + 1}} {
		if _, err := New(o); !errors.Is(err, ErrOptions) {
			t.Errorf("New(%+v) gave %v, want ErrOptions", o, err)
		}
	}
}

func TestStateBytesAreBounded(t *testing.T) {
	c, err := New(Options{Bits: 32})
	if err != nil {
		t.Fatal(err)
	}
	st, _ := standing(c, 90_000)
	st, _ = c.Step(st, Sample{Raw: 90_000, At: time.Hour})
	st, _ = c.Step(st, Sample{Raw: 5, At: 2 * time.Hour})
	whole, err := st.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	for n := range whole {
		var out State
		if err := out.UnmarshalBinary(whole[:n]); !errors.Is(err, ErrState) {
			t.Errorf("%d of %d bytes gave %v, want ErrState", n, len(whole), err)
		}
	}
}

// A state of version 1: at 1010 after 10 s, a doubted 3 after 20 s.
func TestStateOfVersion1(t *testing.T) {
	b, err := hex.DecodeString("0103f207f2078090dfc04a8090dfc04a020303000080a0be81950180a0be81950180a0be81950180a0be819501")
	if err != nil {
		t.Fatal(err)
	}
	var got State
	if err := got.UnmarshalBinary(b); err != nil {
		t.Fatal(err)
	}
	want := State{Known: true, Raw: 1010, Ext: 1010, At: 10 * time.Second, Moved: 10 * time.Second, held: held{
		on: true, why: Reset, first: 3, since: 20 * time.Second, raw: 3, at: 20 * time.Second, confirmed: 20 * time.Second, lost: 20 * time.Second}}
	if got != want {
		t.Errorf("read as %+v, want %+v", got, want)
	}
}
