package mill

import (
	"context"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/host"
)

// run runs a demo until the returned function is called, which must end it
// within ten seconds.
func runDemo(t *testing.T, dir string) (*Demo, func()) {
	t.Helper()
	const free = "127.0.0.1:0"
	d, err := NewDemo(t.Context(), Options{Floor: FloorOptions{Dir: dir, Seed: 9},
		Listen: host.ListenConfig{GRPC: free, HTTP: free, MQTT: free, Metrics: free}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	return d, func() {
		t.Helper()
		begun := time.Now()
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		if took := time.Since(begun); took > 10*time.Second {
			t.Errorf("the demo took %v to end", took)
		}
	}
}

// TestDemoGoesOn loads the past days, ends the demo, starts it again from its
// folder, freezes the machines, and finds every revolution and stop.
func TestDemoGoesOn(t *testing.T) {
	if testing.Short() {
		t.Skip("loads five days and waits until the machines are seen to stand")
	}
	dir := t.TempDir()
	d, end := runDemo(t, dir)
	if d.Resumed() {
		t.Error("a new folder was taken for an old one")
	}
	<-d.Loaded()
	end()
	before := d.floor.Ledger()

	d, end = runDemo(t, dir)
	defer end()
	if !d.Resumed() {
		t.Error("the folder was taken for a new one")
	}
	<-d.Loaded()
	if err := d.floor.Freeze(); err != nil {
		t.Fatal(err)
	}
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	var c Comparison
	for until := time.Now().Add(60 * time.Second); ; <-tick.C {
		r, err := pb.NewMachineServiceClient(d.conn).ListTotals(t.Context(), &pb.ListTotalsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if c = compare(d.floor.Ledger().Machines, r, false); len(c.Mismatches) == 0 || time.Now().After(until) {
			break
		}
	}
	if len(c.Mismatches) != 0 {
		t.Errorf("truth and books differ: %q", c.Mismatches)
	}
	var old int64
	for _, m := range before.Machines {
		old += m.Revolutions
	}
	if c.RevolutionsStored < old || c.RevolutionsStored > old+1000 {
		t.Errorf("%d revolutions, %d before the restart", c.RevolutionsStored, old)
	}
	// Of any 36 hours at least twelve are worked, whenever the mill's closed day begins.
	loads, err := pb.NewCreelServiceClient(d.conn).ListTasks(t.Context(), &pb.ListTasksRequest{HorizonMinutes: 36 * 60})
	if err != nil || len(loads.GetTasks()) < 14 {
		t.Errorf("%d tasks in the next 36 hours, %v; at least one of each machine expected", len(loads.GetTasks()), err)
	}
}
