package count

import (
	"strings"
	"testing"
	"time"
)

// A life begins with the first reading that a further one follows. Those that
// fit neither are no part of it.
func TestFirstSight(t *testing.T) {
	const hour = time.Hour
	type at struct {
		after time.Duration
		raw   uint64
	}
	tests := []struct {
		name  string
		o     Options
		reads []at // the last one begins the life
		link  Link
		from  uint64
		ext   uint64
		began int // number of the reading with which it begins
		lost  uint64
		why   string
	}{
		{"standing", Options{Bits: 32}, []at{{0, 90_000}, {half, 90_000}}, FirstSight, 90_000, 90_000, 0, 0, "equal readings confirm"},
		{"turning", Options{Bits: 32}, []at{{0, 90_000}, {half, 90_001}}, FirstSight, 90_000, 90_001, 0, 0, "the count between the two is one of the life"},
		{"faster than it can", Options{Bits: 32}, []at{{0, 90_000}, {half, 90_004}, {half, 90_004}}, FirstSight, 90_000, 90_004, 0, 0, "bound ceil(1.25*0.5)+2 = 3, and ceil(1.25)+2 = 4"},
		{"first one wrong", Options{Bits: 32}, []at{{0, 1 << 31}, {half, 90_000}, {half, 90_001}}, FirstSight, 90_000, 90_001, 1, 0, "nothing is missing: the counter was watched since"},
		{"second one wrong", Options{Bits: 32}, []at{{0, 90_000}, {half, 1 << 31}, {half, 90_001}}, FirstSight, 90_000, 90_001, 0, 0, "the first one is kept beside it"},
		{"both wrong", Options{Bits: 32}, []at{{0, 0}, {half, 1 << 31}, {half, 90_000}, {half, 90_000}}, FirstSight, 90_000, 90_000, 2, 0, "neither is followed"},
		{"first one wrong, and one after it", Options{Bits: 32}, []at{{0, 0}, {half, 90_000}, {half, 1 << 31}, {half, 90_001}, {half, 90_001}}, FirstSight, 90_001, 90_001, 3, 0, "every second one wrong costs a reading"},
		{"torn, the high word of after the carry", Options{Bits: 32}, []at{{0, 0x1FFFF}, {half, 0x10000}, {half, 0x10001}}, FirstSight, 0x10000, 0x10001, 1, 0, "65,535 backwards"},
		{"torn, the high word of before the carry", Options{Bits: 32}, []at{{0, 0}, {half, 0x10000}, {half, 0x10001}}, FirstSight, 0x10000, 0x10001, 1, 0, "65,536 in half a second"},
		{"16 bits over the end", Options{Bits: 16}, []at{{0, 65_535}, {half, 0}}, FirstSight, 65_535, 65_536, 0, 0, "one count on"},
		{"16 bits, all ones read for a fast one", Options{Bits: 16, PerRevolution: 1000}, []at{{0, 65_535}, {half, 45_652}, {half, 46_100}}, FirstSight, 45_652, 46_100, 1, 0, "1250 a second: 627 in half a second"},
		{"8 bits", Options{Bits: 8}, []at{{0, 200}, {half, 100}, {half, 101}}, FirstSight, 100, 101, 1, 0, "3 of 256 values follow"},
		{"8 bits, any value would follow after a minute", Options{Bits: 8}, []at{{0, 200}, {5 * time.Minute, 17}, {half, 17}}, FirstSight, 17, 17, 1, 377, "a sixteenth, 16, is the most that confirms"},
		{"one reading, and an hour without", Options{Bits: 32}, []at{{0, 90_000}, {hour, 91_500}, {half, 91_500}}, FirstSight, 91_500, 91_500, 1, 4502, "1,500 counts, or a wrong reading: 1.25 a second for 3,600 s, and 2"},
		{"one reading, and an hour of rest", Options{Bits: 32}, []at{{0, 90_000}, {hour, 90_000}}, FirstSight, 90_000, 90_000, 0, 0, "no chance reads one value twice"},
		{"no two that agree", Options{Bits: 32}, []at{{0, 1000}, {2 * time.Second, 90_000}, {2 * time.Second, 400_000}, {2 * time.Second, 80_000}, {2 * time.Second, 700_000}, {2 * time.Second, 900_000}}, Preset, 900_000, 900_000, 5, 15, "given up after five and ten seconds: somebody must look"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := New(tt.o)
			if err != nil {
				t.Fatal(err)
			}
			var st State
			var v Verdict
			var now, began time.Duration
			for i, r := range tt.reads {
				if now += r.after; i == tt.began {
					began = now
				}
				st, v = c.Step(st, Sample{Raw: r.raw, At: now})
				st = throughBytes(t, st)
				if last := i == len(tt.reads)-1; last != (v.Kind == NewLife) || !last && (v.To != 0 || !st.Beginning() || st.Known) {
					t.Fatalf("reading %d (%d): %+v", i, r.raw, v)
				}
			}
			if v.Link != tt.link || v.From != tt.from || v.To != tt.ext || v.Began != began || v.LostMax != tt.lost || v.LostMin != 0 || st.Holding() {
				t.Errorf("life %+v; want link %d from %d to %d, begun at %s, up to %d lost (%s)", v, tt.link, tt.from, tt.ext, began, tt.lost, tt.why)
			}
		})
	}
}

// A clock that cannot be believed widens the bounds of a life that begins after
// an absence, and confirms nothing.
func TestFirstSightOverAnAbsence(t *testing.T) {
	c, err := New(Options{Bits: 32})
	if err != nil {
		t.Fatal(err)
	}
	st, _ := c.Step(State{}, Sample{Raw: 100})
	st, _ = c.Step(st, Sample{Raw: 5000, At: 20 * time.Second, More: time.Hour})
	st, v := c.Step(st, Sample{Raw: 5000, At: 21 * time.Second, More: time.Hour})
	if v.Link != FirstSight || v.From != 5000 || v.LostMax != 4527 || !strings.Contains(v.Evidence, "100 was read before") || st.Ext != 5000 {
		t.Errorf("life %+v, want one from 5000 with up to 4527 lost: 1.25 a second for 3,620 s, and 2", v)
	}
}

// Readings of one counter do not confirm those of another that takes its place.
func TestReplacedWhileBeginning(t *testing.T) {
	c, err := New(Options{Bits: 32})
	if err != nil {
		t.Fatal(err)
	}
	st, _ := c.Step(State{}, Sample{Raw: 100})
	st, v := c.Replace(st, Sample{Raw: 100, At: time.Second})
	if v.Kind != Held {
		t.Fatalf("another counter begins at once: %+v", v)
	}
	if _, v = c.Step(st, Sample{Raw: 101, At: 2 * time.Second}); v.Link != FirstSight || v.Began != time.Second {
		t.Errorf("life %+v, want a first sight at the second reading", v)
	}
}
