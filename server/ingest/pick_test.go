package ingest

import (
	"testing"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// TestPick: whatever waits, nothing gets lost or doubled or overtakes its own
// stream, small batches go first, and the work of one commit is bounded.
func TestPick(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		most := rapid.IntRange(1, 40).Draw(t, "most")
		var waiting []Message
		for i, n := range rapid.SliceOfN(rapid.SampledFrom([]int{0, 1, smallBatch, smallBatch + 1, 200}), 1, 120).Draw(t, "sizes") {
			m := Message{batch: store.Batch{Stream: store.ID{byte(rapid.IntRange(1, 12).Draw(t, "stream"))}, FirstSeq: uint64(i), Records: make([]store.Record, n)}}
			if n == 0 {
				m.stream, m.bad = m.batch.Stream, &store.Quarantined{}
			}
			waiting = append(waiting, m)
		}
		group, rest := pick(waiting, most)
		if len(group) == 0 || len(group) > most || len(group)+len(rest) != len(waiting) {
			t.Fatalf("%d of %d messages in a group of at most %d, %d left", len(group), len(waiting), most, len(rest))
		}
		last, seen, full := map[store.ID]uint64{}, map[uint64]bool{}, 0
		for i, m := range append(append([]Message(nil), group...), rest...) {
			if seen[m.batch.FirstSeq] {
				t.Fatalf("message %d twice", m.batch.FirstSeq)
			}
			seen[m.batch.FirstSeq] = true
			if m.batch.FirstSeq < last[m.batch.Stream] {
				t.Fatalf("message %d after %d of its stream", m.batch.FirstSeq, last[m.batch.Stream])
			}
			last[m.batch.Stream] = m.batch.FirstSeq
			if n := len(m.batch.Records); i < len(group) && n > smallBatch {
				full += n
			}
		}
		if full > groupRecords {
			t.Fatalf("%d records of full batches in one commit, at most %d are wanted", full, groupRecords)
		}
	})
	small := func(stream byte) Message {
		return Message{batch: store.Batch{Stream: store.ID{stream}, Records: make([]store.Record, 1)}}
	}
	var waiting []Message
	for i := range 200 {
		waiting = append(waiting, Message{batch: store.Batch{Stream: store.ID{byte(i % 50)}, Records: make([]store.Record, 200)}})
	}
	waiting = append(waiting, small(7), small(99))
	group, _ := pick(waiting, DefaultGroupMax)
	if len(group) != 1+groupRecords/200 || group[0].batch.Stream != (store.ID{99}) {
		t.Errorf("%d messages, the first of stream %x; want the new record of the stream without backlog before %d full batches", len(group), group[0].batch.Stream[0], groupRecords/200)
	}
}
