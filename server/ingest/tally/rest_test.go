package tally

import (
	"testing"

	"turnwise/server/store"
)

// A reader that was handed a reading of before its register fell counts on over the
// fall, of which another one tells: what both tell is counted once, in whatever order
// and however often it comes, and a recount finds the same.
func TestCountsOnOverAFall(t *testing.T) {
	// Made: 300 up to the fall, and 250 since, of which one reader has told 238.
	fall := []told{
		{1, 0, sight(1, 0, 0, 0, 32, 0)},
		{1, 300, counts(1, 0, 300, 32, 0)},
		{1, 301, sight(2, 1, 300, 1, 32, 7)},
		{1, 540, counts(2, 0, 238, 32, 301)},
	}
	over := counts(1, 290, 531, 32, 290) // shows 231, which may be 241 more than 290
	over.RawTo = 231
	on := counts(1, 531, 550, 32, 535)
	on.RawTo = 250
	twice := sight(3, 1, 550, 3, 32, 4) // and sees another fall
	for _, tt := range []struct {
		name   string
		then   []told
		want   int64
		source string
	}{
		{"it counts on", []told{{2, 535, over}, {2, 555, on}}, 550, "300 and 250"},
		{"it is heard again", []told{{2, 535, over}, {2, 555, on}, {2, 535, over}, {2, 555, on}}, 550, "300 and 250"},
		{"both see the next fall", []told{{2, 535, over}, {2, 555, on}, {2, 560, twice}, {2, 570, counts(3, 0, 12, 32, 556)}, {1, 561, sight(4, 2, 238, 5, 32, 30)}, {1, 572, counts(4, 5, 14, 32, 561)}}, 564, "300, 250 and 14"},
		{"the other one goes on too", []told{{2, 535, over}, {1, 552, counts(2, 238, 247, 32, 540)}, {2, 555, on}}, 550, "300 and 250"},
		{"a value that no life shows", []told{{2, 535, counts(1, 290, 5000, 32, 290)}}, 5238, "5000 and 238: nobody knows of whom that is"},
		{"it is heard of when it has left", []told{{2, 560, sight(3, 1, 320, 900_000, 32, 4)}}, 538, "300 and 238: what is beyond is among that"},
		{"before the fall", []told{{2, 296, counts(1, 290, 306, 32, 290)}}, 544, "306, of which one reader saw 300, and 238"},
	} {
		m := new(Machine)
		tell(t, m, fall...)
		tell(t, m, tt.then...)
		if m.Revolutions != tt.want {
			t.Errorf("%s: %d revolutions in the books, want %d (%s)", tt.name, m.Revolutions, tt.want, tt.source)
		}
		again, c := new(Machine), NewChanges(nil)
		again.Know(m)
		for _, r := range append(fall[:len(fall):len(fall)], tt.then...) {
			again.Recount(&store.Record{Boot: 1, Boottime: r.at * 1e9, Kind: r.kind}, Places{Offsets: map[uint32]int64{1: 0}}, c)
		}
		if again.Revolutions != m.Revolutions {
			t.Errorf("%s: %d revolutions when counted again, %d in the books", tt.name, again.Revolutions, m.Revolutions)
		}
	}
}

// Of a fall that one reader did not watch another one may have counted over less than
// that bounds: where what it shows is what the first one showed at that time, it is
// that, and the bounds stay.
func TestCountsOnOverAFallThatNobodyWatched(t *testing.T) {
	for _, tt := range []struct {
		at, want int64
		source   string
	}{
		{400, 45 + 103, "45 from 20 to 65, and 103 since"},
		{290, 52 + 103, "it was before the fall: 7 more"},
	} {
		m := new(Machine)
		unseen := counts(2, 0, 4, 32, 250)
		unseen.TimeUnknown = true // it fell at any time since 250 s
		tell(t, m,
			told{1, 200, sight(1, 0, 0, 20, 32, 0)},
			told{1, 250, counts(1, 20, 65, 32, 200)},
			told{1, 300, sight(2, 1, 65, 4, 32, 37)},
			told{1, 300, unseen},
			told{1, 450, counts(2, 4, 103, 32, 300)},
			told{2, tt.at, counts(1, 65, 72, 32, 280)},
		)
		if m.Revolutions != tt.want || m.Revolutions+m.LostMax != 45+103+37 {
			t.Errorf("at %d s: %d revolutions in the books, at most %d lost; want %d (%s) and 185 in all", tt.at, m.Revolutions, m.LostMax, tt.want, tt.source)
		}
	}
}

// The rest of a line stays where it is when the line is found to be a part of another.
func TestRestOfALineThatGoesAround(t *testing.T) {
	const top = 1 << 16
	over := counts(2, 10, 531, 16, 290)
	over.RawTo = 231
	on := counts(2, 531, 550, 16, 535)
	on.RawTo = 250
	m := new(Machine)
	tell(t, m,
		told{1, 0, sight(1, 0, 0, top-100, 16, 0)},
		told{1, 50, counts(1, top-100, top-10, 16, 0)},
		told{1, 60, sight(2, 1, top-10, 0, 16, 40)}, // gone around or fallen
		told{1, 300, counts(2, 0, 200, 16, 60)},
		told{1, 301, sight(3, 2, 200, 1, 16, 7)}, // fallen
		told{1, 540, counts(3, 0, 238, 16, 301)},
		told{2, 535, over},
		told{3, 70, counts(1, top-10, top+5, 16, 50)}, // gone around
		told{2, 555, on},
	)
	// By hand: 100 to the top, 200 to the fall, and 250.
	if m.Revolutions != 550 {
		t.Errorf("%d revolutions in the books, want 550", m.Revolutions)
	}
}
