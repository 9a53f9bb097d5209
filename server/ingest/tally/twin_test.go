package tally

import (
	"testing"

	"turnwise/server/store"
)

// Two readers of one counter see it fall. Whatever each of them tells, and in
// which order it comes, each turn is counted once.
func TestTwoReadersSeeOneFall(t *testing.T) {
	// What a reader tells: of the life before up to a value, of the fall at an
	// instant in s, and of the counts of the new life up to a value by another.
	type told struct {
		upTo         uint64
		at           int64
		first, to    uint64
		until        int64
		anotherFalls *told
	}
	tests := []struct {
		name   string
		bits   uint32
		a, b   told
		want   int64
		source string
	}{
		{"both see it at once", 32, told{100, 100, 0, 50, 150, nil}, told{98, 101, 2, 40, 142, nil}, 150, "100 before, 50 after"},
		{"the second sees more", 32, told{90, 100, 0, 20, 120, nil}, told{100, 104, 4, 90, 190, nil}, 190, "100 before, 90 after"},
		{"the second saw it first", 32, told{90, 110, 1_000_010, 1_000_020, 120, nil}, told{100, 101, 1_000_001, 1_000_030, 130, nil}, 129, "100 before, from 1000001 to 1000030"},
		{"each sees another fall", 32, told{100, 100, 0, 50, 150, nil}, told{100, 5000, 3_000_000, 3_000_040, 5040, nil}, 190, "100, and 50, and 40: the registers are far apart"},
		{"a second fall that one has missed", 32, told{100, 100, 0, 50, 150, &told{50, 160, 7_000_000, 7_000_030, 190, nil}}, told{100, 165, 7_000_005, 7_000_060, 220, nil}, 210, "100, and 50, and 60"},
		{"a narrow counter", 16, told{100, 100, 0, 50, 150, nil}, told{98, 101, 2, 60, 160, nil}, 160, "100 before, 60 after"},
		{"a narrow counter, far apart", 16, told{100, 100, 0, 50, 150, nil}, told{100, 900, 30_000, 30_020, 920, nil}, 170, "100, and 50, and 20"},
	}
	for _, tt := range tests {
		for _, order := range []string{"a first", "b first"} {
			t.Run(tt.name+", "+order, func(t *testing.T) {
				m, c := new(Machine), NewChanges(nil)
				place := Places{Offsets: map[uint32]int64{1: 0}}
				tell := func(stream, at int64, kind any) {
					if why := m.Apply(stream, &store.Record{Boot: 1, Boottime: at * 1e9, Kind: kind}, place, c); why != "" {
						t.Fatal(why)
					}
				}
				span := func(stream, from, to int64, life store.ID, a, b uint64) {
					tell(stream, to, &store.CountSpan{Life: life, PerRev: 1, From: a, To: b, RawTo: b, RawBits: tt.bits, FromBoottime: from * 1e9})
				}
				old := store.ID{1}
				tell(1, 0, &store.LifeLink{New: old, PerRev: 1, RawBits: tt.bits, MaxRPM: 60})
				lives := byte(10)
				var fall func(stream int64, before store.ID, x *told)
				fall = func(stream int64, before store.ID, x *told) {
					if before == old {
						span(stream, 0, min(x.at, int64(x.upTo)), before, 0, x.upTo)
					}
					lives++
					life := store.ID{lives}
					tell(stream, x.at, &store.LifeLink{New: life, Prev: before, PrevTo: x.upTo, PerRev: 1, Raw: x.first, Ext: x.first, RawBits: tt.bits, MaxRPM: 60, LostMax: 5})
					span(stream, x.at, x.until, life, x.first, x.to)
					if x.anotherFalls != nil {
						fall(stream, life, x.anotherFalls)
					}
				}
				if order == "a first" {
					fall(1, old, &tt.a)
					fall(2, old, &tt.b)
				} else {
					fall(2, old, &tt.b)
					fall(1, old, &tt.a)
				}
				if m.Revolutions != tt.want {
					t.Errorf("%d revolutions in the books, want %d (%s)", m.Revolutions, tt.want, tt.source)
				}
			})
		}
	}
}

// Of two lives that are as near as each other the same one is found each time, in
// whatever order they are kept in memory.
func TestTwinOfEqualsIsTheSame(t *testing.T) {
	before := LifeKey{store.ID{1}, 1}
	key, link := LifeKey{store.ID{99}, 1}, &store.LifeLink{New: store.ID{99}, Prev: before.ID, Raw: 10, Ext: 10, RawBits: 32, MaxRPM: 60}
	found := map[LifeKey]int{}
	for range 200 {
		m := &Machine{Lives: map[LifeKey]*Life{before: {Counted: true, Max: 100}}}
		for id := byte(2); id < 10; id++ {
			m.Lives[LifeKey{store.ID{id}, 1}] = &Life{
				Prev: before, Counted: true, Max: 50, MinAt: 100_000, MaxAt: 150_000,
				Read: Reading{Stream: int64(id), Bits: 32, Ext: 50, Raw: 50, At: 150_000},
			}
		}
		twin, at, _ := m.twin(20, key, before, link, 110_000)
		if at != 10 {
			t.Fatalf("at %d of %v, 10 expected", at, twin)
		}
		found[twin]++
	}
	if len(found) != 1 {
		t.Errorf("found %v, one and the same expected", found)
	}
}

// Under a clock that was set back a life of long ago may seem to be counted just
// now. A reader that has left it, or read a life after it, cannot begin it again; of
// one that was handed that life, the first reading may be among its counts.
func TestTwinIsNotWhatItsReaderLeft(t *testing.T) {
	root, fell, after := LifeKey{store.ID{9}, 1}, LifeKey{store.ID{1}, 1}, LifeKey{store.ID{2}, 1}
	for _, c := range []struct {
		name string
		by   int64 // the stream that read the life after
		prev LifeKey
		want LifeKey
	}{
		{"it read the life after", 2, after, LifeKey{}},
		{"it was handed the life after", 1, after, fell},
		{"it has just left it", 1, fell, LifeKey{}},
	} {
		m := &Machine{Current: after, Lives: map[LifeKey]*Life{
			root: {Counted: true, Max: 100},
			fell: {
				Prev: root, PrevTo: 100, Counted: true, Max: 61, MinAt: 0, MaxAt: 5_000_000,
				Read: Reading{Stream: 1, Bits: 16, Ext: 61, Raw: 61, At: 5_000_000},
			},
			after: {
				Prev: fell, PrevTo: 61, Counted: true, Min: 43_000, Max: 43_100, MinAt: 900_000, MaxAt: 1_000_000,
				Read: Reading{Stream: c.by, Bits: 16, Ext: 43_100, Raw: 43_100, At: 1_000_000},
			},
		}}
		link := &store.LifeLink{New: store.ID{3}, Prev: c.prev.ID, PrevTo: m.Lives[c.prev].Max, Raw: 0, RawBits: 16, MaxRPM: 60}
		if got, _, _ := m.twin(2, LifeKey{store.ID{3}, 1}, c.prev, link, 1_001_000); got != c.want {
			t.Errorf("%s: twin %v, want %v", c.name, got.ID[:1], c.want.ID[:1])
		}
	}
}

// Of the life that a reader has left nothing is booked, as another one had told of all
// that time: the fall that both saw is found all the same, if it was a while ago at
// most.
func TestTwinAfterALifeThatIsNotBooked(t *testing.T) {
	for _, tt := range []struct {
		name string
		at   int64
		want int64
		most int64
	}{
		// The other reader told of 5 counts since the fall at 101 s, and this one of 9.
		{"just now", 110, 109, 0},
		{"a while ago", 160, 109, 76}, // 5, and 1.25 a second for 55 s, and 2, rounded up
		{"long ago", 3600, 114, 4387}, // 1.25 a second for 3495 s and 5 s, and 2, and the 10 of the link
	} {
		m := new(Machine)
		tell(t, m,
			told{1, 0, sight(1, 0, 0, 0, 32, 0)},
			told{1, 100, counts(1, 0, 100, 32, 0)},
			told{1, 101, sight(2, 1, 100, 0, 32, 0)},
			told{1, 105, counts(2, 0, 5, 32, 101)},
			told{2, tt.at, sight(9, 7, 100, 2, 32, 10)},
			told{2, tt.at + 6, counts(9, 0, 9, 32, tt.at)},
		)
		if m.Revolutions != tt.want || m.LostMax != tt.most {
			t.Errorf("%s: %d revolutions in the books, at most %d lost; want %d and %d", tt.name, m.Revolutions, m.LostMax, tt.want, tt.most)
		}
	}
}
