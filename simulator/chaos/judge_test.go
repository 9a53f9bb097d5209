package chaos

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	pb "turnwise/proto/turnwisepb"
	"turnwise/simulator/machine"
)

// TestJudge: forged evidence and what must be found. The ledger has 100 turns,
// one in each tenth of a second, and two stops that were seen for sure.
func TestJudge(t *testing.T) {
	const ms = time.Millisecond
	ledger := func() *cylinder {
		c := newCylinder("k01", machine.U16, 1000)
		c.begun = time.Now().Add(-time.Minute)
		for i := range 100 {
			c.times = append(c.times, time.Duration(i+1)*100*ms)
		}
		c.turns, c.firsts, c.lasts = 100, ms, 20*time.Second
		c.stops = []stop{{begin: 11 * time.Second, end: 12 * time.Second}, {begin: 13 * time.Second, end: 14 * time.Second}}
		see := func(from, to, input int, raw int64) sight {
			return sight{gen: 1, from: time.Duration(from) * time.Second, to: time.Duration(to) * time.Second, calls: 20, input: input, first: raw, last: raw}
		}
		c.sights = []sight{see(0, 11, none, 1000), see(11, 12, 0, 1100), see(12, 13, none, 1100), see(13, 14, 0, 1100), see(14, 15, none, 1100)}
		return c
	}
	jump := func(c *cylinder) *cylinder { // four turns fall between the last look before it and the first after it
		c.shifts = []shift{{kind: "reset", at: 5050 * ms, from: 5*time.Second - 50*ms, seen: 5*time.Second - 50*ms, after: 5*time.Second + 50*ms}}
		return c
	}
	round := func(c *cylinder) *cylinder {
		c.wraps = []time.Duration{12 * time.Second}
		return c
	}
	replace := func(c *cylinder) *cylinder {
		c.shifts = append(c.shifts, shift{kind: replacement, at: 30 * time.Second, from: 5 * time.Second, seen: 20 * time.Second, after: 31 * time.Second})
		return c
	}
	books := func(turns, stops, least, most int64) *pb.MachineTotals {
		return &pb.MachineTotals{Machine: "k01", Revolutions: turns, Stops: stops, LostMin: least, LostMax: most, RunMs: 12_000, StopMs: 2_000}
	}
	endless := func(b *pb.MachineTotals) *pb.MachineTotals { b.UnknownMs = 3_600_000; return b }
	early := func(c *cylinder) *cylinder { c.early = 8; return c }
	tests := []struct {
		name                    string
		c                       *cylinder
		books                   *pb.MachineTotals
		lost, doubled           int64
		stopsLost, stopsDoubled int64
		says                    string // part of a mismatch; "" = none expected
	}{
		{"exact", ledger(), books(100, 2, 0, 0), 0, 0, 0, 0, ""},
		{"one turn lost", ledger(), books(99, 2, 0, 0), 1, 0, 0, 0, "1 are missing and not declared"},
		{"one turn doubled", ledger(), books(101, 2, 0, 0), 0, 1, 0, 0, "1 are too many"},
		{"one stop lost", ledger(), books(100, 1, 0, 0), 0, 0, 1, 0, "1 stops stored of 2"},
		{"one stop doubled", ledger(), books(100, 3, 0, 0), 0, 0, 0, 1, "3 stops stored of 2"},
		{"declared without a reason", ledger(), books(99, 2, 0, 1), 1, 0, 0, 0, "1 are missing that a reader was shown"},
		{"a bound without a loss and without a reason", ledger(), books(100, 2, 0, 7), 7, 0, 0, 0, "the ledger excuses 0"},
		{"a least loss that was none", ledger(), books(100, 2, 3, 3), 3, 3, 0, 0, "3 are too many"},
		{"hidden by a jump and declared", jump(ledger()), books(97, 2, 0, 20), 0, 0, 0, 0, ""},
		{"hidden by a jump and not declared", jump(ledger()), books(97, 2, 0, 2), 1, 0, 0, 0, "1 are missing and not declared"},
		{"more than the jump hid, declared", jump(ledger()), books(85, 2, 0, 20), 8, 0, 0, 0, "that a reader was shown"},
		{"reader replaced, exact", replace(ledger()), books(100, 2, 0, 0), 0, 0, 0, 0, ""},
		{"reader replaced with an intact counter, declared", replace(ledger()), books(90, 2, 0, 20), 20, 0, 0, 0, "the ledger excuses 0"},
		{"reader replaced while the counter went round, declared", replace(round(ledger())), books(90, 2, 0, 20), 0, 0, 0, 0, ""},
		{"reader replaced near a jump, declared", replace(jump(ledger())), books(90, 2, 0, 20), 0, 0, 0, 0, ""},
		{"the only journal destroyed before the server heard of it", early(ledger()), books(92, 2, 0, 0), 0, 0, 0, 0, ""},
		{"more than was made before", early(ledger()), books(91, 2, 0, 0), 1, 0, 0, 0, "1 are missing and not declared"},
		{"nobody heard of the machine", ledger(), nil, 100, 0, 0, 0, "does not know it"},
		{"time that did not pass", ledger(), endless(books(100, 2, 0, 0)), 0, 0, 0, 0, "are expected"},
	}
	for _, tt := range tests {
		var v verdict
		v.machine(tt.c, tt.books, map[int]*generation{1: {}}, 14*time.Second, 0)
		if v.lost != tt.lost || v.doubled != tt.doubled || v.stopsLost != tt.stopsLost || v.stopsDoubled != tt.stopsDoubled {
			t.Errorf("%s: turns %d lost, %d doubled, stops %d lost, %d doubled; want %d, %d, %d, %d\n%s",
				tt.name, v.lost, v.doubled, v.stopsLost, v.stopsDoubled, tt.lost, tt.doubled, tt.stopsLost, tt.stopsDoubled, strings.Join(v.mismatches, "\n"))
		}
		if said := strings.Join(v.mismatches, "\n"); tt.says == "" && said != "" || !strings.Contains(said, tt.says) {
			t.Errorf("%s: said %q, want %q in it", tt.name, said, tt.says)
		}
	}
}

// TestMatch: stops are compared one by one, so that one that is lost is not
// hidden by another that nobody had to see.
func TestMatch(t *testing.T) {
	const s = time.Second
	c := newCylinder("k01", machine.U16, 0)
	c.begun = time.Now().Add(-time.Minute)
	see := func(gen, from, to, calls, input int) sight {
		return sight{gen: gen, from: time.Duration(from) * s, to: time.Duration(to) * s, calls: calls, input: input}
	}
	c.stops = []stop{{2 * s, 4 * s, 0}, {6 * s, 8 * s, 0}, {12 * s, 14 * s, 1}, {20 * s, 30 * s, 0}}
	// The second was seen once only, the fourth by two readers.
	c.sights = []sight{see(1, 2, 4, 20, 0), see(1, 6, 6, 1, 0), see(1, 12, 14, 20, 1), see(1, 20, 24, 20, 0), see(2, 25, 30, 20, 0)}
	first, second, third, fourth := told{2 * s, 4 * s, "yarn"}, told{6 * s, 8 * s, "yarn"}, told{12 * s, 14 * s, "needle"}, told{20 * s, 30 * s, "yarn"}
	for _, tt := range []struct {
		name          string
		books         []told
		lost, doubled int64
	}{
		{"all", []told{first, second, third, fourth}, 0, 0},
		{"without the one that nobody had to see", []told{first, third, fourth}, 0, 0},
		{"that one in the place of another", []told{second, third, fourth}, 1, 0},
		{"one twice", []told{first, first, third, fourth}, 0, 1},
		{"one in two parts, for two readers", []told{first, third, {20 * s, 24 * s, "yarn"}, {25 * s, 30 * s, "yarn"}}, 0, 0},
		{"one in three parts, for two readers", []told{first, third, {20 * s, 24 * s, "yarn"}, {25 * s, 27 * s, "yarn"}, {28 * s, 30 * s, "yarn"}}, 0, 1},
		{"another cause", []told{first, {12 * s, 14 * s, "yarn"}, fourth}, 1, 1},
		{"one that never was", []told{first, third, fourth, {40 * s, 41 * s, "yarn"}}, 0, 1},
		{"a little late", []told{first, {12*s + s/2, 14*s + s/2, "needle"}, fourth}, 0, 0},
	} {
		if lost, doubled, _ := c.match(tt.books, nil, matchWithin); lost != tt.lost || doubled != tt.doubled {
			t.Errorf("%s: %d lost, %d doubled, want %d, %d", tt.name, lost, doubled, tt.lost, tt.doubled)
		}
	}
}

// TestMatchUnderWrongClock: a stop that was put in a wrong place, or stretched,
// by a clock that was wrong may be the one it is, also where it has more time in
// common with another; one more than there are places is still found.
func TestMatchUnderWrongClock(t *testing.T) {
	const s = time.Second
	c := newCylinder("k01", machine.U16, 0)
	c.begun = time.Now().Add(-time.Minute)
	c.stops = []stop{{10 * s, 14 * s, 0}, {24 * s, 25 * s, 0}, {40 * s, 41 * s, 1}}
	for _, v := range c.stops {
		c.sights = append(c.sights, sight{gen: 1, from: v.begin, to: v.end, calls: 20, input: v.input})
	}
	first, stretched, third := told{10 * s, 14 * s, "yarn"}, told{9 * s, 25 * s, "yarn"}, told{40 * s, 41 * s, "needle"}
	for _, tt := range []struct {
		name    string
		books   []told
		within  time.Duration
		doubled int64
	}{
		{"stretched over another", []told{first, stretched, third}, 20 * s, 0},
		{"the stretched one told first", []told{stretched, first, third}, 20 * s, 0},
		{"one too many", []told{first, stretched, {24 * s, 25 * s, "yarn"}, third}, 20 * s, 1},
		{"another cause has no place", []told{first, stretched, third, {22 * s, 23 * s, "needle"}}, 20 * s, 1},
		{"all clocks right", []told{first, {5 * s, 6 * s, "yarn"}, third}, matchWithin, 1},
	} {
		if _, doubled, which := c.match(tt.books, nil, tt.within); doubled != tt.doubled || len(which) < int(doubled) {
			t.Errorf("%s: %d doubled, want %d: %q", tt.name, doubled, tt.doubled, which)
		}
	}
}

// TestUnplaced compares with every way of placing, tried one after the other.
func TestUnplaced(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		room := rapid.SliceOfN(rapid.Int64Range(0, 2), 1, 4).Draw(t, "room")
		may := rapid.SliceOfN(rapid.SliceOfNDistinct(rapid.IntRange(0, len(room)-1), 0, len(room), rapid.ID), 0, 6).Draw(t, "may")
		var most func(i int, room []int64) int
		most = func(i int, room []int64) int {
			if i == len(may) {
				return 0
			}
			best := most(i+1, room)
			for _, at := range may[i] {
				if room[at] > 0 {
					room[at]--
					best = max(best, 1+most(i+1, room))
					room[at]++
				}
			}
			return best
		}
		if left := unplaced(may, slices.Clone(room)); len(left) != len(may)-most(0, room) {
			t.Fatalf("%d of %d are left over, the best way leaves %d", len(left), len(may), len(may)-most(0, room))
		}
	})
}
