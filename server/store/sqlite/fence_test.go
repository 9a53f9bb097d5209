package sqlite

import (
	"testing"
	"time"

	"turnwise/server/store"
)

// A stream that asked, was handed over and then told only what is not counted
// has boots and no records. It is in nobody's way when its agent begins anew,
// and is not believed after that either.
func TestResumeAfterAStreamWithoutRecords(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	holds := func(agent string) {
		t.Helper()
		if _, err := s.RegisterAgent(t.Context(), agent, []string{"k01"}, start, false); err != nil {
			t.Fatal(err)
		}
	}
	resume := func(agent string, stream store.ID, seconds int) {
		t.Helper()
		r, err := s.Resume(t.Context(), store.ResumeQuery{Agent: agent, Machine: "k01", Stream: stream}, start.Add(time.Duration(seconds)*time.Second))
		if err != nil || r.Verdict != store.ResumeContinue {
			t.Fatalf("agent %s: %+v, %v; want a reading to go on from", agent, r, err)
		}
	}
	late := func(stream store.ID) store.Outcome {
		at := int64(1000e9)
		return commit(t, s, seal(t, "a1", "k01", store.Batch{
			Stream: stream, Run: store.ID{4}, FirstSeq: 1, HeadSeq: 1, Boots: map[uint32]store.ID{1: {8}},
			Clock:   store.Clock{Boot: 1, Boottime: at, Wall: start.UnixNano() + at},
			Records: []store.Record{{Boot: 1, Boottime: at, Wall: start.UnixNano() + at, Kind: &store.CountSpan{Life: store.ID{7}, To: 9, PerRev: 1}}},
		}))
	}
	holds("a1")
	commit(t, s, seal(t, "a1", "k01", store.Batch{
		Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: 1, HeadSeq: 1, Boots: map[uint32]store.ID{1: {3}},
		Clock: store.Clock{Boot: 1, Boottime: 10e9, Wall: start.UnixNano() + 10e9},
		Records: []store.Record{{Boot: 1, Boottime: 10e9, Wall: start.UnixNano() + 10e9,
			Kind: &store.CountSpan{Life: store.ID{9}, To: 5, RawTo: 5, RawBits: 32, PerRev: 1}}},
	}))
	resume("a1", store.ID{2}, 100)
	holds("a2")
	resume("a2", store.ID{3}, 200)
	if o := late(store.ID{2}); o.Verdict != store.Frozen {
		t.Fatalf("verdict %d (%s), want frozen", o.Verdict, o.Reason)
	}
	var boots, records int
	if err := s.read.QueryRow(`SELECT (SELECT count(*) FROM stream_boot b JOIN stream s ON s.num = b.stream_num WHERE s.id = ?1), records FROM stream WHERE id = ?1`,
		append([]byte{2}, make([]byte, 15)...)).Scan(&boots, &records); err != nil || boots != 1 || records != 0 {
		t.Fatalf("%d boots, %d records, %v; the test needs a stream with a boot and no record", boots, records, err)
	}
	holds("a1")
	resume("a1", store.ID{4}, 300)
	resume("a1", store.ID{5}, 310)
	if o := late(store.ID{2}); o.Verdict != store.Frozen {
		t.Errorf("verdict %d (%s), want frozen as before", o.Verdict, o.Reason)
	}
	if n := revolutions(t, s); n != 5 {
		t.Errorf("%d revolutions, want 5", n)
	}
	undamaged(t, s.file)
}
