package watch

import (
	"encoding/hex"
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// How long a box was off is what its clocks say only where somebody set them.
// What more than 35 days would have to explain is never booked, whatever a
// clock shows; the bounds of what is missing hold all that may have been.
func TestFarOverABoot(t *testing.T) {
	const day = int64(24 * 3600)
	tests := []struct {
		name     string
		bits     uint
		per      uint32
		quality  source.Quality
		wall     int64  // seconds by the wall clock from the last reading to the next boot
		raw      uint64 // after it; 100 before it
		kind     wirepb.LinkKind
		min, max uint64 // of the bounds, where a life began
	}{
		{"a day, clock that nobody set", 32, 4, source.Free, day, 200_000, 0, 0, 0},
		{"30 days, clock that stood", 32, 1, source.Free, 5, 1_000_000, 0, 0, 0},
		{"60 days, clock that stood", 32, 1, source.Free, 5, 3_900_000, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 60_000_000},
		{"40 years ahead, register set anew", 32, 4, source.Free, 40 * 365 * day, 306_111_367, wirepb.LinkKind_LINK_KIND_PRESET, 0, 230_000_000},
		{"40 years ahead, register set anew nearer", 32, 4, source.Free, 40 * 365 * day, 150_000_000, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 230_000_000},
		{"40 years ahead, register fell", 32, 4, source.Free, 40 * 365 * day, 20, wirepb.LinkKind_LINK_KIND_RESET, 0, 230_000_000},
		{"farther than can be", 32, 1, source.Free, 40 * 365 * day, 3_000_000_000, wirepb.LinkKind_LINK_KIND_PRESET, 0, 60_000_000},
		{"no clock", 32, 4, source.Unset, -100 * day, 150_000_000, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 230_000_000},
		{"100 days, clocks set from outside", 32, 1, source.NTPSynced, 100 * day, 5_000_000, 0, 0, 0},
		{"two years in a counter that they take around", 32, 100, source.Free, 2 * 365 * day, 300_000_000, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 299_999_900, 8_000_000_000},
		{"100 days in a counter that 35 take around", 16, 1, source.Free, 100 * day, 5_000, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 4_900, 10_900_000},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newScript(t, Config{Bits: tt.bits, PerRevolution: tt.per, StopAfter: time.Hour})
			s.now.Quality = tt.quality
			s.at(0, 100)
			s.at(0.5, 100)
			s.restart()
			s.boot(2, tt.wall)
			s.now.Quality = tt.quality
			for i := range 5 {
				s.at(float64(20+i), tt.raw)
			}
			booked, begun := uint64(0), (*wirepb.LifeLink)(nil)
			for _, r := range s.recs[2:] {
				if c := r.GetCountSpan(); c != nil {
					booked += c.GetTo() - c.GetFrom()
				}
				if l := r.GetLifeLink(); l != nil {
					begun = l
				}
			}
			switch {
			case tt.kind == 0:
				if want := tt.raw - 100; booked != want || begun != nil {
					t.Errorf("%d counts booked and a life %v, want %d in the same life", booked, begun, want)
				}
				return
			case begun.GetKind() != tt.kind:
				t.Fatalf("life %v and %d counts booked, want %v", begun, booked, tt.kind)
			case booked > 20 || begun.GetLostMin() > tt.min || begun.GetLostMax() > tt.max:
				t.Errorf("%d counts booked, lost %d to %d; want at most 20, %d and %d", booked, begun.GetLostMin(), begun.GetLostMax(), tt.min, tt.max)
			}
			if moved := tt.raw - 100; tt.raw > 100 && tt.kind == wirepb.LinkKind_LINK_KIND_AMBIGUOUS && begun.GetLostMax() < moved {
				t.Errorf("at most %d counts are declared, and %d is what the register shows", begun.GetLostMax(), moved)
			}
		})
	}
}

// A counter near its end that shows a small value after a boot may have gone
// around or fallen: without a clock that was set the way to the end, however
// short, may be one that was not made.
func TestNearTheEndOverABoot(t *testing.T) {
	for _, bits := range []uint{16, 32} {
		for _, quality := range []source.Quality{source.Free, source.NTPSynced} {
			end := uint64(1) << bits
			s := newScript(t, Config{Bits: bits, StopAfter: time.Hour})
			s.now.Quality = quality
			s.at(0, end-600)
			s.at(0.5, end-600)
			s.restart()
			s.boot(2, 20*60)
			s.now.Quality = quality
			for i := range 5 {
				s.at(float64(20+i), 5)
			}
			last := s.recs[len(s.recs)-1]
			if quality == source.NTPSynced {
				if c := last.GetCountSpan(); c.GetTo() != end+5 {
					t.Errorf("%d bits, clocks set: %v, want a span over the end", bits, last)
				}
				continue
			}
			if l := last.GetLifeLink(); l.GetKind() != wirepb.LinkKind_LINK_KIND_AMBIGUOUS || l.GetLostMin() > 5 || l.GetLostMax() < 605 {
				t.Errorf("%d bits, clock that nobody set: %v; want a life with 5 to 605 counts in its bounds", bits, last)
			}
		}
	}
}

// Boots that never saw a good reading do not add up to a longer time that is
// believed: 35 days in all.
func TestBootsDoNotAddUp(t *testing.T) {
	s := newScript(t, Config{StopAfter: time.Hour})
	s.now.Quality = source.Unset
	s.at(0, 100)
	s.at(0.5, 100)
	for n := range byte(8) {
		s.restart()
		s.boot(n+2, 0)
		s.now.Quality = source.Unset
		s.at(20, uint64(1_000_000_000*(int64(n)+1))) // another odd value in each
	}
	s.restart()
	s.boot(99, 0)
	s.now.Quality = source.Unset
	for i := range 5 {
		s.at(float64(20+i), 100+6_000_000)
	}
	for _, r := range s.recs {
		if c := r.GetCountSpan(); c.GetTo()-c.GetFrom() > 1000 {
			t.Errorf("6,000,000 counts take more than 55 days, and were booked: %v", c)
		}
	}
}

// A state of version 1, as a box keeps that gets a new program: in a stop at
// the first input, at 1010, with a doubted 3 read ten seconds later.
func TestStateOfVersion1(t *testing.T) {
	b, err := hex.DecodeString("0107020100000000000000000000000000000000000000000000000000000000000000" +
		"0000000000000000010000000000000000000000000000000100000000000000000000000000" +
		"000080a0be81950180a0debce79ef1fa3180a0be8195018090dfc04a8090dfc04a03f2072d0103f207f2078090dfc04a8090dfc0" +
		"4a020303000080a0be81950180a0be81950180a0be81950180a0be8195010200000000000000000000000000000000010101")
	if err != nil {
		t.Fatal(err)
	}
	s := newScript(t, Config{Stops: []Stop{{Cause: "yarn"}}})
	if err := s.st.UnmarshalBinary(b); err != nil {
		t.Fatal(err)
	}
	if st := s.st; st.Count.Ext != 1010 || st.Axis != 20*time.Second || st.More != 0 || st.Last.Boottime != 20*sec || st.Raw != 3 || !st.Count.Holding() {
		t.Fatalf("read as %+v", st)
	}
	s.restart() // as this version writes it
	s.at(21, 4, 0)
	s.at(22, 5, 0)
	if last := s.recs[len(s.recs)-1].GetCountSpan(); last.GetTo() != 5 || s.recs[len(s.recs)-2].GetLifeLink().GetPrevTo() != 1010 {
		t.Errorf("told %v; want a life after 1010 that is at 5", s.told)
	}
}
