package api

import (
	"slices"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/store"
)

// BenchmarkCommittedToStream measures from the end of a commit to the receipt
// of the change by a gRPC client, one change in a quiet time each.
func BenchmarkCommittedToStream(b *testing.B) {
	m := newMill(b)
	if _, err := m.books.ApplyBook(b.Context(), &pb.ApplyBookRequest{Book: testBook()}); err != nil {
		b.Fatal(err)
	}
	stream, err := m.machines.WatchMachines(b.Context(), &pb.WatchMachinesRequest{})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		b.Fatal(err)
	}
	quiet := time.NewTicker(210 * time.Millisecond) // lets the grouping time pass
	defer quiet.Stop()
	var took []time.Duration
	for turns := int64(1); b.Loop(); turns++ {
		<-quiet.C
		now := time.Now()
		m.floor.Committed([]store.Outcome{{Verdict: store.OK, Applied: 1, State: store.MachineState{
			Machine: "k01", First: now.Add(-time.Hour), Last: now, Since: now.Add(-time.Hour), SpeedRPM: 28, Revolutions: turns,
		}}})
		if _, err := stream.Recv(); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(now))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-us")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-us")
}
