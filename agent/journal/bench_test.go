package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

const (
	syncRounds = 15
	syncRound  = 200 * time.Millisecond // of each of the three
)

// BenchmarkGroupSync makes one record of each channel durable at once, as often
// as it can, and reports that rate as a share of what the same disk takes in
// the same run as bare syncs: one write of as many bytes at the end of a file,
// and one fdatasync. overwrite-share compares with a file that has its blocks
// already, for which the file system need not note a new size. The three take
// turns, so that a disk that is busy for a while is so for all; the shares are
// medians of the turns. An agent syncs five times a second at the most.
func BenchmarkGroupSync(b *testing.B) {
	for _, n := range []int{1, 10, 50} {
		b.Run(fmt.Sprintf("channels=%d", n), func(b *testing.B) {
			for b.Loop() {
				groupSync(b, n)
			}
		})
	}
}

func groupSync(b *testing.B, n int) {
	j, _ := mustOpen(b, b.TempDir(), Options{Log: silent})
	var channels []*Channel
	for i := range n {
		channels = append(channels, mustChannel(b, j, fmt.Sprintf("m%02d", i)))
	}
	state, rec := make([]byte, 100), span(j.Boot([16]byte{1}), 1)
	group := func() {
		for _, c := range channels {
			if err := c.Append(state, rec); err != nil {
				b.Fatal(err)
			}
		}
		mustSync(b, j)
	}
	group() // the beginnings of the streams are written by now
	before := j.Bytes()
	group()
	bytes := make([]byte, j.Bytes()-before)
	bare := bareSync(b, bytes, 0)
	over := bareSync(b, bytes, 8<<20)
	turn := func(do func()) float64 {
		began, k := time.Now(), 0
		for ; time.Since(began) < syncRound; k++ {
			do()
		}
		return float64(k) / time.Since(began).Seconds()
	}
	var rates, shares, overShares []float64
	for range syncRounds {
		r, g, o := turn(bare), turn(group), turn(over)
		rates, shares, overShares = append(rates, g), append(shares, g/r), append(overShares, g/o)
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(middle(rates), "syncs/s")
	b.ReportMetric(middle(rates)*float64(n), "records/s")
	b.ReportMetric(float64(len(bytes)), "B/sync")
	b.ReportMetric(middle(shares), "share")
	b.ReportMetric(middle(overShares), "overwrite-share")
}

// bareSync writes bytes to a file and syncs it, at its end or, when it has a
// size, from its beginning again and again.
func bareSync(b *testing.B, bytes []byte, size int64) func() {
	f, err := os.Create(filepath.Join(b.TempDir(), "bare"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { f.Close() })
	if err := fill(f, size); err != nil {
		b.Fatal(err)
	}
	if err := f.Sync(); err != nil {
		b.Fatal(err)
	}
	off := int64(0)
	return func() {
		if size > 0 && off+int64(len(bytes)) > size {
			off = 0
		}
		if _, err := f.WriteAt(bytes, off); err != nil {
			b.Fatal(err)
		}
		if err := syncData(f); err != nil {
			b.Fatal(err)
		}
		off += int64(len(bytes))
	}
}

func middle(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}
