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

// TestLifeGoesAround: a reader could not tell whether a register went around or
// fell, and began a life. Another one goes on with the life before, over what the
// new one first showed: the register did not fall, and each turn is counted once.
func TestLifeGoesAround(t *testing.T) {
	const top = 1 << 16
	for _, tt := range []struct {
		name   string
		lost   uint64 // at most, as the first reader tells
		upTo   uint64 // by the second
		since  int64
		want   int64
		most   int64 // declared lost
		source string
	}{
		{"not so far", 48, top - 3, 100, 96 + 1 + 50 + 20, 47, "96, and 1 more, and 50, and 20 of the life after that"},
		{"over it", 48, top + 10, 100, 96 + 4 + 50 + 20, 0, "96, and 4 to the top, and 50, and 20"},
		{"farther than both", 48, top + 80, 100, 96 + 4 + 80 + 20, 0, "96, and 4 to the top, and 80, and 20"},
		{"farther than can be", 3, top + 10, 100, 96 + 50 + 20, 3, "the first reader knew that it fell: the 10 of the second are among the 50"},
		{"more than one turn, at that time", top + 48, top + 10, 100, 96 + 4 + 50 + 20, 0, "96, and 4 to the top, and 50, and 20"},
		{"more than one turn, at another time", top + 48, top + 10, 20, 96 + 4 + 50 + 20, top + 48 - 4, "nobody knows: 96, and 4 to the top, and 50, and 20; the rest of what the first reader tells is in bounds"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := new(Machine)
			second := counts(1, top-4, tt.upTo, 16, tt.since)
			tell(t, m,
				told{1, 0, sight(1, 0, 0, top-100, 16, 0)},
				told{1, tt.since, counts(1, top-100, top-4, 16, 0)},
				told{1, 130, sight(2, 1, top-4, 1, 16, tt.lost)},
				told{1, 130, counts(2, 0, 1, 16, 130)},
				told{1, 190, counts(2, 1, 50, 16, 130)},
				told{1, 200, sight(3, 2, 50, 30_000, 16, 0)},
				told{1, 230, counts(3, 30_000, 30_020, 16, 200)},
				told{2, tt.since + 30, second},
				told{2, tt.since + 30, second}, // again
				told{1, 190, counts(2, 1, 50, 16, 130)},
			)
			recounted(t, m, tt.lost, second, tt.since+30)
			if m.Revolutions != tt.want || m.LostMax != tt.most {
				t.Errorf("%d revolutions in the books, at most %d lost; want %d and %d (%s)", m.Revolutions, m.LostMax, tt.want, tt.most, tt.source)
			}
		})
	}
}

// TestLivesGoAround: two lives, one after the other, of which nobody could tell
// whether the register had gone around before them. One span goes over both.
func TestLivesGoAround(t *testing.T) {
	const top = 1 << 16
	m := new(Machine)
	over := counts(1, top-4, 2*top+100, 16, 100)
	tell(t, m,
		told{1, 0, sight(1, 0, 0, top-100, 16, 0)},
		told{1, 100, counts(1, top-100, top-4, 16, 0)},
		told{1, 130, sight(2, 1, top-4, 5, 16, top+50)},
		told{1, 140, counts(2, 5, 20, 16, 130)},
		told{1, 150, sight(3, 2, 20, 40, 16, 2*top)},
		told{1, 160, counts(3, 40, 60, 16, 150)},
		told{2, 8000, over},
	)
	// By hand: 96 up to near the top, and all that the second reader tells of.
	if want := int64(96 + 4 + top + 100); m.Revolutions != want {
		t.Errorf("%d revolutions in the books, want %d", m.Revolutions, want)
	}
}

// TestLifeWentAround: as [TestLifeGoesAround], and of the life that the first reader
// began the store hears after the second one has counted over what it first showed.
func TestLifeWentAround(t *testing.T) {
	const top = 1 << 16
	for _, tt := range []struct {
		name   string
		lost   uint64 // at most, as the first reader tells
		upTo   uint64 // by the second
		until  int64
		want   int64
		most   int64 // declared lost
		source string
	}{
		{"over it", 48, top + 10, 160, 96 + 4 + 50, 0, "96, and 4 to the top, and 50"},
		{"farther than both", 48, top + 80, 160, 96 + 4 + 80, 0, "96, and 4 to the top, and 80"},
		{"not so far", 48, top - 3, 160, 96 + 1 + 50, 47, "96, and 1 more, and 50; of the 48 the one is found"},
		{"farther than can be", 3, top + 10, 160, 96 + 14 + 50, 0, "the first reader knew that it fell: 96 and 14, and 50"},
		{"before that time", 48, top + 10, 110, 96 + 4 + 50, 48, "it may have fallen since, as the first reader tells"},
		{"more than one turn", top + 48, top + 10, 160, 96 + 4 + 50, top + 48, "96, 4 to the top, or a turn more, and 50"},
	} {
		m := new(Machine)
		tell(t, m,
			told{1, 0, sight(1, 0, 0, top-100, 16, 0)},
			told{1, 100, counts(1, top-100, top-4, 16, 0)},
			told{2, tt.until, counts(1, top-4, tt.upTo, 16, 100)},
			told{1, 130, sight(2, 1, top-4, 1, 16, tt.lost)},
			told{1, 130, counts(2, 0, 1, 16, 130)},
			told{1, 190, counts(2, 1, 50, 16, 130)},
		)
		if m.Revolutions != tt.want || m.LostMax != tt.most {
			t.Errorf("%s: %d revolutions in the books, at most %d lost; want %d and %d (%s)", tt.name, m.Revolutions, m.LostMax, tt.want, tt.most, tt.source)
		}
	}
}

// TestLateLifeIsGoneOver: the life of a reader that came late by its clock is on the
// line that another reader goes on with over it, and is not counted beside that.
func TestLateLifeIsGoneOver(t *testing.T) {
	for _, tt := range []struct {
		name   string
		began  int64 // the late life, by its clock
		upTo   uint64
		want   int64
		most   int64 // declared lost
		source string
	}{
		{"its clock is slow", 10, 189, 59, 5, "from 130 to 189; the 5 from 164 on may be of another time"},
		{"its clock is not", 110, 189, 59, 0, "from 130 to 189"},
		{"it was not gone over", 10, 150, 25, 0, "from 130 to 150, and 5 from 164 on"},
	} {
		m := new(Machine)
		m.Come(2, true, 0)
		tell(t, m,
			told{1, 100, sight(1, 0, 0, 130, 32, 0)},
			told{2, tt.began, sight(2, 0, 0, 164, 32, 0)},
			told{2, tt.began + 9, counts(2, 164, 169, 32, tt.began)},
			told{3, 200, counts(1, 130, tt.upTo, 32, 100)},
		)
		if m.Revolutions != tt.want || m.LostMax != tt.most {
			t.Errorf("%s: %d revolutions in the books, at most %d lost; want %d and %d (%s)", tt.name, m.Revolutions, m.LostMax, tt.want, tt.most, tt.source)
		}
	}
}

// TestJoinBeforeTheLine: a life is not joined where its counts from 0 would lie
// before the number line of the other one: they would be refused when they come.
func TestJoinBeforeTheLine(t *testing.T) {
	m := new(Machine)
	ahead := sight(2, 0, 0, 60, 16, 0)
	ahead.Ext = 1<<16 + 60 // its register went around before
	before := counts(2, 1<<16-40, 1<<16+60, 16, 10)
	tell(t, m,
		told{1, 0, sight(1, 0, 0, 0, 16, 0)},
		told{1, 50, counts(1, 0, 50, 16, 0)},
		told{2, 60, ahead},
		told{2, 60, before},
	)
	// By hand: 50, and 100 of the other life; 10 more may have been turned, of
	// (60 - 50 + 5 s) * 1.25 + 2, rounded up, 21 at the most.
	if m.Revolutions != 150 || m.LostMax != 21 {
		t.Errorf("%d revolutions in the books, at most %d lost; want 150 and 21", m.Revolutions, m.LostMax)
	}
}

// TestGoesAroundBeforeTheLine: nor is a life moved there of which the store hears from
// the middle on.
func TestGoesAroundBeforeTheLine(t *testing.T) {
	const top = 1 << 16
	m := new(Machine)
	middle := sight(2, 1, 10, 20, 16, 200)
	middle.Ext = top + 20 // its register went around before
	tell(t, m,
		told{1, 0, sight(1, 0, 0, 0, 16, 0)},
		told{1, 10, counts(1, 0, 10, 16, 0)},
		told{2, 60, middle},
		told{2, 70, counts(2, top+20, top+30, 16, 60)},
		told{3, 60, counts(1, 10, 50, 16, 10)},
		told{2, 80, counts(2, top-40, top+30, 16, 10)}, // late, and not refused
	)
	if m.Revolutions != 50+70 {
		t.Errorf("%d revolutions in the books, want 120", m.Revolutions)
	}
}

// recounted counts the end of the story of [TestLifeGoesAround] again, from the
// account before the second reader spoke.
func recounted(t *testing.T, m *Machine, lost uint64, second *store.CountSpan, at int64) {
	t.Helper()
	again := new(Machine)
	tell(t, again,
		told{1, 0, sight(1, 0, 0, 1<<16-100, 16, 0)},
		told{1, at - 30, counts(1, 1<<16-100, 1<<16-4, 16, 0)},
		told{1, 130, sight(2, 1, 1<<16-4, 1, 16, lost)},
		told{1, 130, counts(2, 0, 1, 16, 130)},
	)
	c, place := NewChanges(nil), Places{Offsets: map[uint32]int64{1: 0}}
	again.Know(m)
	for _, r := range []told{
		{1, 190, counts(2, 1, 50, 16, 130)}, {1, 200, sight(3, 2, 50, 30_000, 16, 0)}, {1, 230, counts(3, 30_000, 30_020, 16, 200)}, {2, at, second},
	} {
		again.Recount(&store.Record{Boot: 1, Boottime: r.at * 1e9, Kind: r.kind}, place, c)
	}
	if again.Revolutions != m.Revolutions {
		t.Errorf("%d revolutions when counted again, %d in the books", again.Revolutions, m.Revolutions)
	}
}
