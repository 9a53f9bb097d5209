package sqlite

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnwise/server/store"
)

// BenchmarkBackup takes a verified backup of 100,000 records, about a day of
// twelve machines, and tells how many records a second it proves.
func BenchmarkBackup(b *testing.B) {
	dir := b.TempDir()
	s := open(b, dir)
	defer s.Close()
	register(b, s, "k01", "k02", "k03", "k04", "k05")
	const records, size = 100_000, 200
	var group []store.Batch
	for n := uint64(1); n < records/5; n += size {
		for _, m := range []string{"k01", "k02", "k03", "k04", "k05"} {
			group = append(group, spans(b, m, n, n+size-1))
		}
	}
	if _, err := s.Commit(b.Context(), group); err != nil {
		b.Fatal(err)
	}
	target := filepath.Join(b.TempDir(), "b.db")
	began := time.Now()
	n := 0
	for b.Loop() {
		if x := take(b, s, target); x.Records != records {
			b.Fatalf("%d records, want %d", x.Records, records)
		}
		n++
		if err := os.Remove(target); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(records*n)/time.Since(began).Seconds(), "records/s")
}
