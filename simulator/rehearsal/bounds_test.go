package rehearsal

import (
	"testing"

	"turnwise/agent/source"
)

// A box knows how long it was off where its clock was set before and after; in one
// boot nobody needs a clock, once what it knows is of that.
func TestUnset(t *testing.T) {
	at := func(boot byte, q source.Quality) source.Instant {
		return source.Instant{Boot: [16]byte{boot}, Quality: q}
	}
	for _, tt := range []struct {
		name        string
		before, now source.Instant
		want        bool
	}{
		{"set before and after", at(1, source.NTPSynced), at(2, source.NTPSynced), false},
		{"not set after", at(1, source.NTPSynced), at(2, source.Free), true},
		{"not set before", at(1, source.Unset), at(2, source.NTPSynced), true},
		{"nothing was read before", source.Instant{}, at(1, source.NTPSynced), false},
		{"one boot", at(1, source.Unset), at(1, source.Unset), false},
	} {
		now := &sight{newest: tt.before}
		past := &sight{newest: tt.now, recent: []pastReading{{by: tt.before}}}
		for what, s := range map[string]*sight{"the newest reading": now, "one that it may go back to": past} {
			if got := s.unset(2*settling, tt.now); got != tt.want {
				t.Errorf("%s, %s: %v that nobody knows how long it was off, want %v", tt.name, what, got, tt.want)
			}
		}
	}
}
