package tally

import (
	"testing"

	"turnwise/server/store"
)

// told is one record of a stream, at s seconds of its boot.
type told struct {
	stream, at int64
	kind       any
}

// tell applies records to the account of a machine, one after the other.
func tell(t *testing.T, m *Machine, records ...told) {
	t.Helper()
	place, c := Places{Offsets: map[uint32]int64{1: 0}, Lo: -1 << 60, Hi: 1 << 60}, NewChanges(nil)
	for _, r := range records {
		if why := m.Apply(r.stream, &store.Record{Boot: 1, Boottime: r.at * 1e9, Kind: r.kind}, place, c); why != "" {
			t.Fatalf("at %d s: %s", r.at, why)
		}
	}
}

// sight is the link of a life that a register of some bits begins with.
func sight(life, prev byte, prevTo, raw uint64, bits uint32, lost uint64) *store.LifeLink {
	k := &store.LifeLink{New: store.ID{life}, PerRev: 1, PrevTo: prevTo, Raw: raw, Ext: raw, RawBits: bits, MaxRPM: 60, LostMax: lost}
	if prev != 0 {
		k.Prev = store.ID{prev}
	}
	return k
}

// counts are what a life counted since an instant in s.
func counts(life byte, from, to uint64, bits uint32, since int64) *store.CountSpan {
	return &store.CountSpan{Life: store.ID{life}, PerRev: 1, From: from, To: to, RawTo: to & (1<<bits - 1), RawBits: bits, FromBoottime: since * 1e9}
}

// TestTwinWithinTheTimeOfItsCounts: a first reading is one of a life that another
// reader has told of only where that counted it, or can have turned there in the
// time that the reading lies outside of the life. A register that is set twice to
// about the same value is not one fall, and what lies between is not counted.
func TestTwinWithinTheTimeOfItsCounts(t *testing.T) {
	for _, tt := range []struct {
		name   string
		first  uint64
		at     int64
		want   int64
		source string
	}{
		{"among the counts", 50_090, 2470, 100 + 207 + 44, "100, and up to 50100 from 49893, and 44"},
		{"as far as turning explains", 50_097, 2470, 100 + 214 + 44, "100, and up to 50107, and 44"},
		{"farther, while it was counted", 50_164, 2470, 100 + 200 + 44 + 10, "100, and 200, and 44, and 10"},
		{"before its counts, while it was counted", 49_830, 1100, 100 + 200 + 44 + 10, "100, and 200, and 44, and 10"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := new(Machine)
			tell(t, m,
				told{1, 0, sight(1, 0, 0, 0, 16, 0)},
				told{1, 100, counts(1, 0, 100, 16, 0)},
				told{1, 1000, sight(2, 1, 100, 49_893, 16, 5)},
				told{1, 2700, counts(2, 49_893, 50_093, 16, 1000)},
				told{1, 2705, sight(3, 2, 50_093, 53_256, 16, 5)},
				told{1, 2750, counts(3, 53_256, 53_300, 16, 2705)},
				told{2, tt.at, sight(4, 3, 53_300, tt.first, 16, 5)},
				told{2, tt.at + 10, counts(4, tt.first, tt.first+10, 16, tt.at)},
			)
			if m.Revolutions != tt.want {
				t.Errorf("%d revolutions in the books, want %d (%s)", m.Revolutions, tt.want, tt.source)
			}
		})
	}
}
