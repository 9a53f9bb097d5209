package mill

import (
	"math"
	"slices"
	"testing"
	"time"

	"turnwise/simulator/stops"
	"turnwise/simulator/truth"
)

// Five past days on the real path: wrong cones come to creels at a known rate,
// and the server catches each that is told of. Nothing but the one lot of the
// story is released.
func TestMixupsAreCaught(t *testing.T) {
	if testing.Short() {
		t.Skip("loads five days")
	}
	c, err := RunCheck(t.Context(), CheckOptions{Seed: 3, Duration: time.Second, Told: func(string) {}})
	if err != nil {
		t.Fatal(err)
	}
	r := c.Tending
	t.Logf("%d rounds, %d late, %d never told, %d mix-ups, %d told, %d caught", r.Rounds, r.Late, r.NoTap, len(r.Mixups), r.Told, r.Caught)
	if len(c.Mismatches) != 0 {
		t.Errorf("truth and books differ: %q", c.Mismatches)
	}
	if r.Told < 5 || r.Caught != r.Told || r.Release != 1 {
		t.Errorf("%d mix-ups told, %d caught, %d releases; at least 5, all and 1 are expected", r.Told, r.Caught, r.Release)
	}
	for _, m := range r.Mixups {
		if m.Told && !m.Mended && m.Lot != storyLot {
			t.Errorf("wrong cones stayed: %+v", m)
		}
	}
	// The shares that were set, within 4 standard deviations of so many rounds.
	near := func(what string, n int, share float64) {
		t.Helper()
		sd := math.Sqrt(float64(r.Rounds) * share * (1 - share))
		if d := math.Abs(float64(n) - share*float64(r.Rounds)); d > 4*sd {
			t.Errorf("%d of %d rounds %s, a share of %g was set", n, r.Rounds, what, share)
		}
	}
	// Rolls were weighed on every machine that tells of its doffs, and the one card that is wrong is the
	// one alarm. The intervals are of 9 in 10.
	held := 0
	for _, x := range c.Scale {
		if x.Low <= x.Truth && x.Truth <= x.High {
			held++
		}
		if x.Rolls < 20 || math.Abs(x.Ratio/x.Truth-1) > 0.01 {
			t.Errorf("%s: %.4f over %d rolls, truly %.4f", x.Machine, x.Ratio, x.Rolls, x.Truth)
		}
	}
	t.Logf("%d rolls weighed; %d of %d intervals hold the truth: %+v", r.Weighed, held, len(c.Scale), c.Scale)
	if len(c.Scale) != 12 || held < 9 || !slices.Equal(c.RatioAlarms, []string{slimMachine}) {
		t.Errorf("%d machines, %d intervals hold the truth, alarms of %q; 12, 9 and more, and %s are expected", len(c.Scale), held, c.RatioAlarms, slimMachine)
	}
	near("were never told", r.NoTap, noTapShare)
	near("had wrong cones first", len(r.Mixups)-1, mixShare)
}

// A server that takes wrong cones, or takes no notice, does not pass.
func TestMissedMixupsAreSeen(t *testing.T) {
	for _, tt := range []struct {
		m    Mixup
		want int
	}{
		{Mixup{Told: true, Refused: true, Alarm: true}, 0},
		{Mixup{Told: true, Refused: true}, 1},
		{Mixup{Told: true, Alarm: true}, 1},
		{Mixup{Told: true}, 1},
		{Mixup{}, 0}, // nobody told of it
	} {
		if got := (Tending{Mixups: []Mixup{tt.m}}).missedMixups(); len(got) != tt.want {
			t.Errorf("%+v: %q, want %d sentences", tt.m, got, tt.want)
		}
	}
}

// Early rounds are as many as were set, put on before a cone is empty, and the
// same mill without them is the mill of before.
func TestEarlyRounds(t *testing.T) {
	p := plates[0]
	loads := func(early float64) (at []time.Duration) {
		w := p.card.work(func(string) float64 { return 0 })
		m, err := truth.NewMachine(truth.Plan{ID: p.id, Register: p.register, Inputs: inputs(p), Jobs: []truth.Job{{Article: p.card.truth()}},
			Stops: stops.Plan{Seed: 5, Machine: p.id, Work: w, Early: early}})
		if err != nil {
			t.Fatal(err)
		}
		var turns []int64
		for _, l := range m.Loads(-1, 200*24*time.Hour) {
			at, turns = append(at, l.At), append(turns, l.Turns)
		}
		if early > 0 {
			n := 0
			for i := 1; i < len(turns); i++ {
				// 90 cones with 2 % spread: the first is empty 4.9 % before the mean
				// on the average of many rounds, the middle one at the mean.
				if float64(turns[i]-turns[i-1]) < 0.985*w.Creels[0].ConeTurns {
					n++
				}
			}
			share := float64(n) / float64(len(turns)-1)
			if sd := math.Sqrt(early * (1 - early) / float64(len(turns)-1)); math.Abs(share-early) > 4*sd {
				t.Errorf("%d of %d rounds are early, a share of %g was set", n, len(turns)-1, early)
			}
		}
		return at
	}
	none := loads(0)
	some := loads(earlyShare)
	if len(some) <= len(none) {
		t.Errorf("%d rounds with early ones, %d without: yarn is wasted, so there must be more", len(some), len(none))
	}
}
