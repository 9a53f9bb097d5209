package ingest_test

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	_ "github.com/mattn/go-sqlite3"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/ingest"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

const (
	benchStreams = 50
	bulkRows     = 200_000
	bulkTx       = 1000
)

// BenchmarkIngest takes batches from bytes to acknowledgement, in a database at
// full synchronisation, and reports the rate of records as a share of what the
// same database takes as bare rows in the same run. cpu-share compares the
// processor time per record instead, which a shared machine disturbs less.
func BenchmarkIngest(b *testing.B) {
	limit, limitCPU := bulkLimit(b)
	for _, size := range []int{1, 10, 50, 200} {
		b.Run(fmt.Sprintf("batch=%d", size), func(b *testing.B) {
			rate, cpu := ingestRate(b, size)
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(rate, "records/s")
			b.ReportMetric(rate/limit, "share")
			b.ReportMetric(limitCPU/cpu, "cpu-share")
			b.ReportMetric(limit, "bulk-rows/s")
		})
	}
}

// cpuSeconds is the processor time of this process so far.
func cpuSeconds(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Sec+u.Stime.Sec) + float64(u.Utime.Usec+u.Stime.Usec)/1e6
}

// bulkLimit inserts bare rows of the size of records: a prepared statement,
// 1000 rows a transaction, interleaved as 50 streams of batches of 50.
func bulkLimit(b *testing.B) (rowsPerSecond, cpuPerRow float64) {
	file := filepath.Join(b.TempDir(), "bulk.db")
	db, err := sql.Open("sqlite3", "file:"+file+"?_journal=WAL&_synchronous=FULL&_txlock=immediate")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`CREATE TABLE record (stream_num INTEGER NOT NULL, seq INTEGER NOT NULL, kind INTEGER NOT NULL, crc INTEGER NOT NULL, body BLOB NOT NULL,
		PRIMARY KEY (stream_num, seq)) WITHOUT ROWID; PRAGMA cache_size = -32768`); err != nil {
		b.Fatal(err)
	}
	p, err := ingest.Wire(benchBatch(0, 1, 1))
	if err != nil {
		b.Fatal(err)
	}
	body := p.GetRecords()[0].GetBody()
	insert, err := db.Prepare(`INSERT INTO record VALUES (?, ?, ?, ?, ?)`)
	if err != nil {
		b.Fatal(err)
	}
	cpu, began := cpuSeconds(b), time.Now()
	for n := 0; n < bulkRows; {
		tx, err := db.Begin()
		if err != nil {
			b.Fatal(err)
		}
		st := tx.Stmt(insert)
		for range bulkTx {
			batch := n / 50
			if _, err := st.Exec(batch%benchStreams, batch/benchStreams*50+n%50+1, 10, int64(n), body); err != nil {
				b.Fatal(err)
			}
			n++
		}
		if err := tx.Commit(); err != nil {
			b.Fatal(err)
		}
	}
	return bulkRows / time.Since(began).Seconds(), (cpuSeconds(b) - cpu) / bulkRows
}

// benchBatch is one of a row of batches of count spans of 10 s, at 24 rpm.
func benchBatch(stream, first, size int) store.Batch {
	day := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	life := store.ID{1, byte(stream)}
	x := store.Batch{
		Stream: store.ID{2, byte(stream)}, Run: store.ID{3}, FirstSeq: uint64(first), HeadSeq: uint64(first + size - 1),
		Boots: map[uint32]store.ID{1: {4}}, Clock: store.Clock{Boot: 1, Synced: true},
	}
	for i := range size {
		n := int64(first + i)
		at := n * 10e9
		x.Records = append(x.Records, store.Record{
			Boot: 1, Boottime: at, Wall: day.UnixNano() + at,
			Kind: &store.CountSpan{Life: life, From: uint64(4 * (n - 1)), To: uint64(4 * n), RawTo: uint64(4 * n), RawBits: 32, FromBoottime: at - 10e9, PerRev: 1},
		})
		x.Clock.Boottime, x.Clock.Wall = at, day.UnixNano()+at
	}
	return x
}

// ingestRate submits batches of one size of 50 streams and waits for the last
// acknowledgement.
func ingestRate(b *testing.B, size int) (recordsPerSecond, cpuPerRecord float64) {
	day := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	st, err := sqlite.Open(b.Context(), filepath.Join(b.TempDir(), "ingest.db"), sqlite.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer st.Close()
	machines := make([]string, benchStreams)
	for i := range machines {
		machines[i] = fmt.Sprintf("k%02d", i)
	}
	if _, err := st.RegisterAgent(b.Context(), "a1", machines, day, false); err != nil {
		b.Fatal(err)
	}
	rounds := max(30_000/size/benchStreams, 4)
	if size >= 50 {
		rounds = 100_000 / size / benchStreams
	}
	var payloads [][]byte
	for r := range rounds {
		for s := range benchStreams {
			p, err := ingest.Wire(benchBatch(s, r*size+1, size))
			if err != nil {
				b.Fatal(err)
			}
			bytes, err := proto.Marshal(p)
			if err != nil {
				b.Fatal(err)
			}
			payloads = append(payloads, bytes)
		}
	}
	done := make(chan struct{})
	acked := 0
	g := ingest.New(st, ingest.Options{
		Now: func() time.Time { return day.AddDate(0, 1, 0) },
		Ack: func(_ string, acks *wirepb.Acks) {
			for _, a := range acks.GetAcks() {
				if a.GetVerdict() != wirepb.Verdict_VERDICT_OK {
					b.Errorf("verdict %v: %s", a.GetVerdict(), a.GetReason())
				}
				if acked++; acked == len(payloads) {
					close(done)
				}
			}
		},
	})
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	cpu, began := cpuSeconds(b), time.Now()
	for i, p := range payloads {
		if err := g.Submit(ctx, "a1", machines[i%benchStreams], "", p); err != nil {
			b.Fatal(err)
		}
	}
	<-done
	records := float64(len(payloads) * size)
	rate, used := records/time.Since(began).Seconds(), (cpuSeconds(b)-cpu)/records
	cancel()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
	totals, _, err := st.Totals(b.Context())
	if err != nil || totals[7].Revolutions != int64(4*rounds*size) {
		b.Fatalf("%d revolutions, want %d; %v", totals[7].Revolutions, 4*rounds*size, err)
	}
	return rate, used
}
