package host

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"turnwise/proto/rightstest"
	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/wire"
)

// A disk that fills and gets room again, as the host sees it: nothing is taken
// nor acknowledged while it is full, reading goes on, health and metrics tell,
// the ballast goes and comes back, and taking resumes unaided.
func TestFault_12_ServerDiskFull(t *testing.T) {
	w := waiting{msg: "batch not taken", seen: make(chan struct{}, 1)}
	h, err := New(t.Context(), config(t), Options{Log: slog.New(w)})
	if err != nil {
		t.Fatal(err)
	}
	const size = int64(1 << 30)
	var free atomic.Int64
	free.Store(size / 2)
	h.space.room = func() (int64, int64, bool) { return free.Load(), size, true }
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- h.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
	}()
	cc := call(t, h)
	agents := pb.NewAgentServiceClient(cc)
	if _, err := agents.RegisterAgent(t.Context(), &pb.RegisterAgentRequest{Agent: "u-01", Machines: []string{"k01"}}); err != nil {
		t.Fatal(err)
	}
	health, err := healthpb.NewHealthClient(cc).Watch(t.Context(), &healthpb.HealthCheckRequest{Service: ingestService})
	if err != nil {
		t.Fatal(err)
	}
	until := func(want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		for {
			r, err := health.Recv()
			if err != nil {
				t.Fatalf("health: %v", err)
			}
			if r.GetStatus() == want {
				return
			}
		}
	}
	until(healthpb.HealthCheckResponse_SERVING)
	a := join(t, h, "u-01")
	payload := batch(t, 5, time.Now()) // of two records
	ballast := h.c.Database.File + ballastSuffix

	free.Store(100 << 10)
	h.space.wake <- struct{}{}
	until(healthpb.HealthCheckResponse_NOT_SERVING)
	if _, err := os.Stat(ballast); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the ballast is still there: %v", err)
	}
	a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload) // is never answered
	select {
	case <-w.seen:
	case <-time.After(30 * time.Second):
		t.Fatal("the batch was not refused")
	}
	select {
	case ack := <-a.acks:
		t.Errorf("acknowledged on a full disk: %v", ack)
	default:
	}
	if _, err := agents.ListAgents(t.Context(), &pb.ListAgentsRequest{}); err != nil {
		t.Errorf("reading while the disk is full: %v", err)
	}
	if text := metricsOf(t, h); !strings.Contains(text, "turnwise_disk_level 2") || !strings.Contains(text, "turnwise_disk_ballast_bytes 0") {
		t.Errorf("metrics of a full disk:\n%s", text)
	}

	free.Store(16<<20 + 1<<20) // the ballast's own room is no room
	h.space.look(t.Context())
	if h.space.refuse() == nil {
		t.Error("batches are taken into the room of the ballast")
	}
	free.Store(size / 10)
	h.space.wake <- struct{}{}
	until(healthpb.HealthCheckResponse_SERVING)
	b := join(t, h, "u-01") // an agent that was not answered connects again
	b.wait(b.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload))
	if ack := b.ack(); ack.GetAckedSeq() != 2 {
		t.Errorf("after there is room: %v", ack)
	}
	if st, err := os.Stat(ballast); err != nil || st.Size() != 16<<20 {
		t.Errorf("ballast: %v, %v", st, err)
	}
	if text := metricsOf(t, h); !strings.Contains(text, "turnwise_disk_level 1") { // 10 % is below 15 %
		t.Errorf("metrics of a disk with little room:\n%s", text)
	}
}

func metricsOf(t *testing.T, h *Host) string {
	t.Helper()
	r, err := http.Get("http://" + h.Addrs().Metrics + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSpaceLevels(t *testing.T) {
	file := filepath.Join(t.TempDir(), "x.db")
	const gib = int64(1 << 30)
	s := newSpace(DatabaseConfig{File: file, LowSpace: 500e6, LowSpacePercent: 15, Ballast: 1 << 20}, slog.New(slog.DiscardHandler))
	for i, c := range []struct {
		free, size int64
		want       spaceLevel
		ballast    bool
	}{
		{50 * gib, 100 * gib, spaceOK, true},
		{14 * gib, 100 * gib, spaceLow, true},
		{15*gib + 1, 100 * gib, spaceOK, true},
		{499e6, gib, spaceLow, true},
		{501e6, gib, spaceOK, true},
		{4 << 20, 100 * gib, spaceLow, true},
		{4<<20 - 1, 100 * gib, spaceFull, false},
		{5 << 20, 100 * gib, spaceFull, false}, // what the ballast gave
		{17<<20 - 1, 100 * gib, spaceFull, false},
		{17 << 20, 100 * gib, spaceLow, true},
		{100 << 10, 2 << 20, spaceLow, true}, // small disks have small marks
		{64<<10 - 1, 2 << 20, spaceFull, false},
	} {
		s.room = func() (int64, int64, bool) { return c.free, c.size, true }
		s.look(t.Context())
		_, err := os.Stat(file + ballastSuffix)
		if s.level != c.want || (err == nil) != c.ballast || (s.refuse() != nil) != (c.want == spaceFull) {
			t.Errorf("row %d: level %d with ballast %v, want %d with %v", i, s.level, err == nil, c.want, c.ballast)
		}
	}
	s.room = func() (int64, int64, bool) { return 0, 0, false }
	s.look(t.Context())
	if s.level != spaceFull {
		t.Error("what cannot be looked at has changed the level")
	}
}

// A folder in which the server may not write is told clearly, nothing is
// taken, and it works when the right is given back.
func TestFault_51_ReadOnlyFolder(t *testing.T) {
	if rightstest.Without(t) {
		return
	}
	c := config(t)
	_, end := serve(t, c, Options{})
	end()
	dir := filepath.Dir(c.Database.File)
	if err := os.Chmod(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(dir, 0o700)
	if h, err := New(t.Context(), c, Options{}); err == nil || !strings.Contains(err.Error(), "write permission") && !strings.Contains(err.Error(), "database.file") {
		t.Errorf("New gives %v, %v; want an error that tells what to do", h, err)
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	serve(t, c, Options{})
}
