package ingest

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// TestAllowance: more load never gives more credit, backlog never gets more
// than what is new, and there is credit for all as long as half a queue is free.
func TestAllowance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.IntRange(1, 2000).Draw(t, "size")
		load := rapid.IntRange(0, 2*size).Draw(t, "load")
		fresh, backlog := allowance(load, size, smallBatch), allowance(load, size, smallBatch+1)
		if backlog > fresh {
			t.Fatalf("load %d of %d: credit %d for backlog, %d for what is new", load, size, backlog, fresh)
		}
		if more := allowance(load+1, size, smallBatch); more > fresh {
			t.Fatalf("credit %d with %d waiting, %d with one more", fresh, load, more)
		}
		if load <= size/2 && backlog != credit {
			t.Fatalf("load %d of %d: credit %d, want %d", load, size, backlog, credit)
		}
		if load == 2*size && fresh != 0 {
			t.Fatalf("nothing more fits, and yet a credit of %d", fresh)
		}
	})
}

// TestPaused: whatever is said to whatever stream, a stream waits if and only
// if the last word to it was a credit of 0; it is released once, the longest
// wait first, with a word that answers no batch, and never more at once than
// half a queue holds.
func TestPaused(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.IntRange(1, 200).Draw(t, "size")
		var p paused
		var want []store.ID
		acked := map[store.ID]uint64{}
		for range rapid.IntRange(1, 120).Draw(t, "steps") {
			if rapid.IntRange(0, 3).Draw(t, "release") > 0 {
				id := store.ID{byte(rapid.IntRange(1, 20).Draw(t, "stream"))}
				acked[id]++
				verdict := rapid.SampledFrom([]wirepb.Verdict{wirepb.Verdict_VERDICT_OK, wirepb.Verdict_VERDICT_NEED_FROM, wirepb.Verdict_VERDICT_FROZEN}).Draw(t, "verdict")
				c := rapid.SampledFrom([]uint32{0, 0, crowded, credit}).Draw(t, "credit")
				said := &wirepb.Ack{StreamId: id[:], AckedSeq: acked[id], Verdict: verdict, Credit: c, EchoBoottimeNs: 7}
				p.note([]Reply{{Agent: "a", Acks: &wirepb.Acks{Acks: []*wirepb.Ack{said}}}})
				if said.GetCredit() != c || said.GetEchoBoottimeNs() != 7 {
					t.Fatal("the reply itself was changed")
				}
				waits := c == 0 && verdict != wirepb.Verdict_VERDICT_FROZEN
				if i := slices.Index(want, id); i >= 0 && !waits {
					want = slices.Delete(want, i, i+1)
				} else if i < 0 && waits {
					want = append(want, id)
				}
				continue
			}
			load := rapid.IntRange(0, 2*size).Draw(t, "load")
			out := p.release(load, size)
			if load > size/2 && len(out) > 0 {
				t.Fatalf("%d streams let go with %d of %d waiting", len(out), load, size)
			}
			if len(out) > max(1, (size/2-load)/credit) {
				t.Fatalf("%d streams of up to %d batches let go with %d of %d waiting", len(out), credit, load, size)
			}
			for i, s := range out {
				if s.id != want[i] || s.ack.GetAckedSeq() != acked[s.id] || s.ack.GetCredit() != credit ||
					s.ack.GetEchoBoottimeNs() != 0 || s.ack.GetVerdict() != wirepb.Verdict_VERDICT_OK {
					t.Fatalf("stream %v is told %v, want the newest word to %v", s.id, s.ack, want[i])
				}
			}
			if len(out) == 0 && len(want) > 0 && load <= size/2 {
				t.Fatal("there is room and nobody is let go")
			}
			want = want[len(out):]
		}
		if len(p) != len(want) {
			t.Fatalf("%d streams wait, want %d", len(p), len(want))
		}
	})
}
