package readers

import (
	"testing"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// A box begins a new stream in a boot that was placed for an older one, by a message
// that had been long on its way, and put right since: the new one knows that too, and
// so does the stream of another machine. Another agent's boot is another one.
func TestBootIsPutRightForAll(t *testing.T) {
	const s = int64(1e9)
	boot, booted := store.ID{7}, 1_900_000_000*s
	row, c := NewRow(), NewChanges()
	first := row.Begin(store.ID{1}, "a1", "k01", Run{}, c)
	first.Boots[1], first.Places.Offsets[1] = boot, booted+40*s
	row.Boots[BootKey{"a1", boot}] = booted + 40*s
	first.Places.Lines[1] = []tally.Line{{From: 100 * s, Offset: booted, Step: true}}
	for _, x := range []struct {
		agent, machine string
		boottime, want int64 // an instant, and where it is after the boot; s
	}{
		{"a1", "k01", 200, 200},
		{"a1", "k02", 200, 200},
		{"a1", "k01", 50, 50},   // nothing of the new stream is booked yet
		{"a2", "k01", 200, 203}, // by the receipt
	} {
		st := row.Begin(store.ID{9}, x.agent, x.machine, Run{}, c)
		b := &store.Batch{Agent: x.agent, Machine: x.machine, Stream: st.ID, Received: time.Unix(0, booted+303*s),
			Boots: map[uint32]store.ID{4: boot}, Clock: store.Clock{Boot: 4, Boottime: 300 * s}}
		before := len(c.Lines)
		row.Place(new(tally.Machine), st, b, &store.Record{Boot: 4, Boottime: x.boottime * s}, c)
		if got := st.Places.At(4, x.boottime*s); got != (booted/s+x.want)*1000 {
			t.Errorf("%s at %s: %d s after its boot is at %d ms, want %d", x.agent, x.machine, x.boottime, got, (booted/s+x.want)*1000)
		}
		if kept := len(c.Lines) - before; kept != len(st.Places.Lines[4]) {
			t.Errorf("%s at %s: %d lines are to be written down, the stream has %d", x.agent, x.machine, kept, len(st.Places.Lines[4]))
		}
		delete(row.Streams, st.ID)
	}
}
