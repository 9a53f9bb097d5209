package sqlite

import (
	"os"
	"syscall"
	"testing"
	"time"

	"turnwise/server/store"
)

// processor is the processor time of this process so far.
func processor(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// What it costs to drop a record, beside what it cost to take it in by batches of
// 50, and what stands for it then; what a cell of five minutes takes.
func BenchmarkPrune(b *testing.B) {
	const records = 40_000 // of 10 s: nearly five days of a machine
	for b.Loop() {
		s := open(b, b.TempDir())
		register(b, s, "k01")
		size := func() float64 {
			if err := s.Shorten(b.Context()); err != nil {
				b.Fatal(err)
			}
			st, err := os.Stat(s.file)
			if err != nil {
				b.Fatal(err)
			}
			var free int64
			if err := s.read.QueryRow(`SELECT freelist_count * page_size FROM pragma_freelist_count, pragma_page_size`).Scan(&free); err != nil {
				b.Fatal(err)
			}
			return float64(st.Size() - free)
		}
		var all []store.Batch
		for first := uint64(1); first <= records; first += 50 {
			all = append(all, spans(b, "k01", first, first+49))
		}
		empty, begun := size(), processor(b)
		for _, x := range all {
			commit(b, s, x)
		}
		in := processor(b) - begun
		full := size()
		if _, err := s.FallBack(b.Context(), start.AddDate(1, 0, 0)); err != nil {
			b.Fatal(err)
		}
		begun = processor(b)
		p, err := s.Prune(b.Context(), PruneOptions{Before: start.AddDate(1, 0, 0)})
		if err != nil || p.Records != records {
			b.Fatalf("%+v, %v", p, err)
		}
		out := processor(b) - begun
		left := size()
		var cells int64
		if err := s.read.QueryRow(`SELECT count(*) FROM rollup WHERE grain_ms = 300000`).Scan(&cells); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(out.Seconds()/in.Seconds(), "of-taking-in")
		b.ReportMetric(float64(out.Microseconds())/records*usualDrops/1000, "ms/transaction")
		b.ReportMetric((full-empty)/records, "bytes/record")
		b.ReportMetric((left-empty)/(full-empty), "of-it-left")
		b.ReportMetric((left-empty)/float64(cells), "bytes/cell")
		s.Close()
	}
}
