package sqlite

import (
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/mattn/go-sqlite3"
	"pgregory.net/rapid"

	"turnwise/server/store"
)

// mill is what really happened on three machines: records of their agents'
// journals and the figures that the books must come to.
type mill struct {
	journals map[string][]store.Record
	want     map[string]*store.Totals
}

func drawMill(t *rapid.T) mill {
	m := mill{map[string][]store.Record{}, map[string]*store.Totals{}}
	for _, machine := range []string{"k01", "k02", "k03"} {
		x := &store.Totals{Machine: machine, ByCause: map[string]int64{}}
		at, ext, last := int64(0), uint64(0), machine[2]
		boot := uint32(1)
		add := func(kind any) {
			m.journals[machine] = append(m.journals[machine], store.Record{Boot: boot, Boottime: at * 1e6, Wall: start.UnixNano() + at*1e6, Kind: kind})
		}
		for i := range rapid.IntRange(5, 60).Draw(t, "pieces") {
			from := at
			switch rapid.IntRange(0, 7).Draw(t, "what") {
			default:
				at += rapid.Int64Range(1, 70_000).Draw(t, "ms")
				n := rapid.Uint64Range(0, 30).Draw(t, "counts")
				add(&store.CountSpan{Life: store.ID{4, last}, From: ext, To: ext + n, FromBoottime: from * 1e6, PerRev: 1})
				ext += n
				x.Revolutions += int64(n)
				x.RunMS += at - from
			case 0, 1:
				cause := rapid.SampledFrom([]string{"yarn", "needle", "doff"}).Draw(t, "cause")
				id := store.ID{5, last, byte(i)}
				add(&store.StopBegin{Stop: id, Input: true, Cause: cause})
				x.Stops++
				x.ByCause[cause]++
				at += rapid.Int64Range(0, 900_000).Draw(t, "ms")
				add(&store.StopEnd{Stop: id})
				x.StopMS += at - from
			case 2:
				at += rapid.Int64Range(0, 900_000).Draw(t, "ms")
				add(&store.StateGap{FromBoot: boot, FromBoottime: from * 1e6, Reason: "agent down"})
				x.UnknownMS += at - from
			}
		}
		m.want[machine] = x
	}
	return m
}

// batch is what the agent sends of its journal.
func (m mill) batch(t *testing.T, machine string, run byte, first, last uint64) store.Batch {
	j := m.journals[machine]
	now := j[len(j)-1].Boottime + int64(run)*1e9
	return seal(t, "a1", machine, store.Batch{
		Stream: store.ID{1, machine[2]}, Run: store.ID{2, run}, FirstSeq: first, HeadSeq: uint64(len(j)), Boots: map[uint32]store.ID{1: {3}},
		Clock: store.Clock{Boot: 1, Boottime: now, Wall: start.UnixNano() + now}, Records: j[first-1 : last],
	})
}

// Whatever is sent twice, too early or in any portions, and whenever the
// server dies, cannot write, drops old records or is set back to its newest
// backup: in the end the books are those of the mill. The agents forget what acknowledgements say
// that a backup holds.
func TestBooksUnderFaults(t *testing.T) {
	fewChecks(t, 12)
	var all int64 // records that were dropped
	defer func() { t.Logf("%d records were dropped", all) }()
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "")
		if err != nil {
			rt.Fatal(err)
		}
		s := open(t, dir)
		defer func() { s.Close() }()
		register(t, s, "k01", "k02", "k03")
		m := drawMill(rt)
		acked, forgotten, run := map[string]uint64{}, map[string]uint64{}, byte(1)
		backups, newest := 0, ""
		send := func(machine string, first, last uint64) []store.Outcome {
			out, err := s.Commit(t.Context(), []store.Batch{m.batch(t, machine, run, first, last)})
			if err != nil {
				return nil
			}
			if out[0].Acked < acked[machine] {
				rt.Fatalf("acked fell from %d to %d", acked[machine], out[0].Acked)
			}
			acked[machine], forgotten[machine] = out[0].Acked, max(forgotten[machine], out[0].Horizon)
			return out
		}
		var dropped int64
		for range rapid.IntRange(5, 40).Draw(rt, "events") {
			machine := rapid.SampledFrom([]string{"k01", "k02", "k03"}).Draw(rt, "machine")
			end := uint64(len(m.journals[machine]))
			switch rapid.IntRange(0, 13).Draw(rt, "event") {
			case 12, 13: // old records are dropped
				o := PruneOptions{Before: start.Add(time.Duration(rapid.IntRange(0, 20_000).Draw(rt, "seconds")) * time.Second), Most: rapid.IntRange(1, 9).Draw(rt, "most")}
				p, err := s.Prune(t.Context(), o)
				if err != nil {
					rt.Fatal(err)
				}
				dropped += p.Records
			case 0: // the server is killed: nothing is closed in order
				if s.w != nil {
					s.w.close()
					s.w = nil
				}
				s.Close()
				s = open(t, dir)
			case 1: // the agent starts anew
				run++
			case 2: // COMMIT gives an error
				if forgotten[machine] == end {
					continue
				}
				w, err := func() (*writer, error) { s.mu.Lock(); defer s.mu.Unlock(); return s.writer(t.Context()) }()
				if err != nil {
					rt.Fatal(err)
				}
				_ = w.conn.Raw(func(c any) error { c.(*sqlite3.SQLiteConn).RegisterCommitHook(func() int { return 1 }); return nil })
				if send(machine, forgotten[machine]+1, end) != nil {
					rt.Fatal("a COMMIT that failed gave no error")
				}
			case 3:
				if backups++; backups > 3 { // they take long
					continue
				}
				newest = filepath.Join(dir, fmt.Sprint("backup", backups))
				if _, err := TakeBackup(t.Context(), s.file, newest, BackupOptions{}); err != nil {
					rt.Fatal(err)
				}
				// The backup has noted itself as another writer: the connection is
				// a new one from here on, which a hook must not miss.
				if err := s.transact(t.Context(), "look", func(context.Context, *writer) error { return nil }); err != nil {
					rt.Fatal(err)
				}
			case 4: // the disk breaks
				if newest == "" {
					continue
				}
				s.Close()
				if _, err := Restore(t.Context(), file(dir), newest, RestoreOptions{}); err != nil {
					rt.Fatal(err)
				}
				s = open(t, dir)
				clear(acked)
				for _, st := range s.w.Streams {
					acked[st.Machine] = st.Acked
				}
				for machine, seq := range forgotten {
					if acked[machine] < seq {
						rt.Fatalf("%s: restored up to %d, the agent has forgotten up to %d", machine, acked[machine], seq)
					}
				}
			default:
				if forgotten[machine] == end {
					continue
				}
				first := rapid.Uint64Range(forgotten[machine]+1, end).Draw(rt, "first")
				if rapid.Bool().Draw(rt, "next") {
					first = min(acked[machine]+1, end)
				}
				send(machine, first, rapid.Uint64Range(first, end).Draw(rt, "last"))
			}
		}
		for machine, j := range m.journals {
			if out := send(machine, min(acked[machine]+1, uint64(len(j))), uint64(len(j))); out == nil || out[0].Verdict != store.OK {
				rt.Fatalf("the rest of %s: %+v", machine, out)
			}
		}
		checkBooks(t, rt, s, m)
		s.Close()
		s = open(t, dir)
		checkBooks(t, rt, s, m)
		undamaged(t, s.file)
		all += dropped
	})
}

func checkBooks(t *testing.T, rt *rapid.T, s *Store, m mill) {
	totals, drained, err := s.Totals(t.Context())
	if err != nil || !drained {
		rt.Fatalf("drained %v, %v", drained, err)
	}
	for _, x := range totals {
		want := m.want[x.Machine]
		if x.Revolutions != want.Revolutions || x.Stops != want.Stops || !maps.Equal(x.ByCause, want.ByCause) || x.OpenStop ||
			x.RunMS != want.RunMS || x.StopMS != want.StopMS || x.UnknownMS != want.UnknownMS {
			rt.Fatalf("%s: books %+v, truth %+v", x.Machine, x, *want)
		}
		for _, grain := range []store.Grain{store.Fine, store.Hour} {
			cells, err := s.Rollups(t.Context(), store.RollupQuery{Grain: grain, Machine: x.Machine})
			if err != nil {
				rt.Fatal(err)
			}
			var sum store.Rollup
			for _, c := range cells {
				sum.Revolutions += c.Revolutions
				sum.RunMS += c.RunMS
				sum.StopMS += c.StopMS
				sum.UnknownMS += c.UnknownMS
			}
			if got, want := fmt.Sprint(sum.Revolutions, sum.RunMS, sum.StopMS, sum.UnknownMS), fmt.Sprint(x.Revolutions, x.RunMS, x.StopMS, x.UnknownMS); got != want {
				rt.Fatalf("%s: cells of %v add up to %s, want %s", x.Machine, time.Duration(grain), got, want)
			}
		}
	}
}
