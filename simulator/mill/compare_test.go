package mill

import (
	"strings"
	"testing"

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
