package mill

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/simulator/truth"
)

// TestCompareFindsEveryDifference: the judge must not be blind.
func TestCompareFindsEveryDifference(t *testing.T) {
	books := func(change func(*pb.MachineTotals)) *pb.ListTotalsResponse {
		m := &pb.MachineTotals{Machine: "k01", Revolutions: 1000, Stops: 3, StopsByCause: map[string]int64{"yarn": 2, "doff": 1, "door": 0}, KilosCounted: 12.5, UnknownMs: 360_000}
		change(m)
		return &pb.ListTotalsResponse{Machines: []*pb.MachineTotals{m}, Drained: true}
	}
	made := map[string]truth.Totals{"k01": {Revolutions: 1000, Stops: 3, ByCause: map[string]int64{"yarn": 2, "doff": 1}, Kilos: 12.5, UnknownMS: 360_000}}
	if c := compare(made, books(func(*pb.MachineTotals) {}), true); len(c.Mismatches) != 0 || c.Machines != 1 || c.RevolutionsStored != 1000 || c.UnknownSeconds != 360 {
		t.Errorf("equal books gave %+v", c)
	}
	for want, change := range map[string]func(*pb.MachineTotals){
		"999 revolutions stored": func(m *pb.MachineTotals) { m.Revolutions-- },
		"4 stops stored":         func(m *pb.MachineTotals) { m.Stops++ },
		"map[doff:2 yarn:1]":     func(m *pb.MachineTotals) { m.StopsByCause = map[string]int64{"yarn": 1, "doff": 2} },
		"declared lost":          func(m *pb.MachineTotals) { m.LostMax = 1 },
		"without a knit card":    func(m *pb.MachineTotals) { m.RevolutionsWithoutCard = 5 },
		"12.502 kg":              func(m *pb.MachineTotals) { m.KilosCounted = 12.502 },
		"unknown":                func(m *pb.MachineTotals) { m.UnknownMs += 10_001 },
		"does not know":          func(m *pb.MachineTotals) { m.Machine = "k99" },
	} {
		if c := compare(made, books(change), true); !strings.Contains(strings.Join(c.Mismatches, "; "), want) {
			t.Errorf("want %q among the mismatches, got %q", want, c.Mismatches)
		}
	}
	open := books(func(*pb.MachineTotals) {})
	open.Drained = false
	if c := compare(made, open, true); len(c.Mismatches) != 1 {
		t.Errorf("outstanding records gave %q", c.Mismatches)
	}
}

// TestCompareEndsWhenNothingCanCome: differences that may still go are waited for,
// those that cannot are told as soon as that is certain.
func TestCompareEndsWhenNothingCanCome(t *testing.T) {
	const wait = 5 * time.Minute
	for _, x := range []struct {
		name    string
		rested  time.Duration                     // before the first look; negative = the machines turn
		books   func(time.Duration) (int64, bool) // revolutions of 1000, and whether all is told
		want    time.Duration                     // how long it takes, to a second
		differs bool
	}{
		{"they agree", 0, func(time.Duration) (int64, bool) { return 1000, true }, 0, false},
		{"they agree late", time.Hour, func(d time.Duration) (int64, bool) { return 900 + min(int64(d.Seconds())*5, 100), true }, 20 * time.Second, false},
		{"an agent that is started meanwhile", time.Hour, func(d time.Duration) (int64, bool) {
			return 900 + 100*int64(d/(60*time.Second)), d < 8*time.Second || d >= 60*time.Second
		}, time.Minute, false},
		{"a turn is lost", time.Hour, func(time.Duration) (int64, bool) { return 999, true }, quietFor, true},
		{"a turn is lost, just frozen", 0, func(time.Duration) (int64, bool) { return 999, true }, restFor, true},
		{"records are outstanding", time.Hour, func(time.Duration) (int64, bool) { return 999, false }, wait, true},
		{"the machines turn", -1, func(time.Duration) (int64, bool) { return 999, true }, wait, true},
	} {
		synctest.Test(t, func(t *testing.T) {
			begun := time.Now()
			c, err := untilFinal(t.Context(), wait, func() (Ledger, *pb.ListTotalsResponse, error) {
				l := Ledger{At: time.Now(), Machines: map[string]truth.Totals{"k01": {Revolutions: 1000}}}
				if l.Frozen = x.rested >= 0; l.Frozen {
					l.FrozenAt = begun.Add(-x.rested)
				}
				n, drained := x.books(time.Since(begun))
				return l, &pb.ListTotalsResponse{Machines: []*pb.MachineTotals{{Machine: "k01", Revolutions: n}}, Drained: drained}, nil
			})
			took := time.Since(begun)
			if err != nil || (len(c.Mismatches) > 0) != x.differs || (took-x.want).Abs() > time.Second {
				t.Errorf("%s: %v after %s, want %s; %q", x.name, err, took, x.want, c.Mismatches)
			}
		})
	}
}
