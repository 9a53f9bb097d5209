package broker

import (
	"fmt"
	"io"
	"sync"
	"testing"

	"turnwise/proto/wire"
)

// BenchmarkBatches sends batches of 4 KiB, four in flight, as an agent does.
func BenchmarkBatches(b *testing.B) {
	br, _ := start(b, Options{})
	r := join(b, br, "u-01", "", nil)
	topic, payload := wire.Up(site, "u-01", "k01"), make([]byte, 4<<10)
	acks, ack := 0, make([]byte, 4)
	b.SetBytes(int64(len(payload)))
	for n := 0; b.Loop(); n++ {
		r.send(publish(topic, 1, uint16(n%60000+1), payload)...)
		if n-acks >= 3 {
			if _, err := io.ReadFull(r, ack); err != nil || ack[0] != 0x40 {
				b.Fatalf("% x, %v", ack, err)
			}
			acks++
		}
	}
}

// BenchmarkStorm is 500 agents that come at once, each with its first batch.
func BenchmarkStorm(b *testing.B) {
	const agents = 500
	for b.Loop() {
		br, h := start(b, Options{})
		var all sync.WaitGroup
		for i := range agents {
			all.Go(func() {
				id := fmt.Sprintf("u-%03d", i)
				r := join(b, br, id, wire.State(site, id), state(1, false))
				r.send(publish(wire.Up(site, id, "k01"), 1, 1, make([]byte, 4<<10))...)
				r.expect(0x40, 2, 0, 1)
			})
		}
		all.Wait()
		if len(h.batches) != agents {
			b.Fatalf("%d batches, want %d", len(h.batches), agents)
		}
		if err := br.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
