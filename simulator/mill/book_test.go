package mill

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/host"
)

// TestServerTakesTheBook enters the book as a user would, twice.
func TestServerTakesTheBook(t *testing.T) {
	for _, zone := range []string{DefaultZone, "Europe/Lisbon"} {
		t.Run(zone, func(t *testing.T) {
			s := &scenario{Seed: 14, Zone: zone, First: time.Now(), Story: true}
			if err := s.init(); err != nil {
				t.Fatal(err)
			}
			const free = "127.0.0.1:0"
			c := s.serverConfig(t.TempDir(), host.ListenConfig{GRPC: free, HTTP: host.Off, MQTT: free, Metrics: host.Off})
			if err := os.Mkdir(filepath.Dir(c.Database.File), 0o700); err != nil {
				t.Fatal(err)
			}
			h, err := host.New(t.Context(), c, host.Options{})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- h.Run(ctx) }()
			defer func() {
				cancel()
				if err := <-ended; err != nil {
					t.Error(err)
				}
			}()
			conn, err := dial(h.Addrs().GRPC)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			b := s.book()
			entries := int32(len(b.Machines) + len(b.Agents) + len(b.Yarns) + len(b.Lots) + len(b.Articles) + len(b.Cards) + len(b.Orders) + len(b.Assignments) + len(b.Care))
			client := pb.NewBookServiceClient(conn)
			first, err := client.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: b})
			if err != nil {
				t.Fatal(err)
			}
			again, err := client.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: b})
			if err != nil {
				t.Fatal(err)
			}
			if first.GetCreatedCount() != entries || again.GetSameCount() != entries {
				t.Errorf("%d of %d entries created, %d the same when entered again: %v", first.GetCreatedCount(), entries, again.GetSameCount(), again.GetChanges())
			}
		})
	}
}
