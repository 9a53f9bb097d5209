package readers

import (
	"fmt"
	"testing"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// Two boxes were at one counter for a while, and the server heard of the second
// one later. Where the server's clock ran on between, however narrow the
// register, nothing is counted twice: what the second one tells of that time is
// told. Where it was set ahead, the way back from the newest reading has to show
// that, and in a register it can show a sixteenth of its values. Beyond that it
// looks like one that was set anew, and what both saw is counted twice: see
// the numbers.
func TestTwoBoxesAtANarrowCounter(t *testing.T) {
	const s = 1000 // ms
	for _, x := range []struct {
		bits, perRev uint32
		aside        int64 // both at the counter for so long
		ahead        int64 // the server's clock was set by so much between the two
		double       int64 // turns
	}{
		{16, 1, 60 * s, 0, 0}, {16, 1, 9000 * s, 0, 0}, {16, 1000, 60 * s, 0, 0}, {16, 1000, 600 * s, 0, 0}, {8, 1, 600 * s, 0, 0}, {8, 1, 9000 * s, 0, 0},
		// 30 turns a minute: a sixteenth is 2 h 16 min, 8 s and 32 s.
		{32, 1, 9000 * s, 9100 * s, 0}, {16, 1, 7200 * s, 7300 * s, 0}, {16, 1, 9000 * s, 9100 * s, 4500},
		{16, 1000, 7 * s, 107 * s, 0}, {16, 1000, 60 * s, 160 * s, 30}, {8, 1, 30 * s, 130 * s, 0}, {8, 1, 60 * s, 160 * s, 30},
	} {
		name := fmt.Sprintf("%d bits, %d a turn, %d s, clock set by %d s", x.bits, x.perRev, x.aside/s, x.ahead/s)
		row, m := NewRow(), new(tally.Machine)
		row.Agents["a1"], row.Agents["a2"] = map[string]int64{"k01": 1}, map[string]int64{"k01": 2}
		c, changes := NewChanges(), tally.NewChanges(nil)
		counts := func(at int64) uint64 { return uint64(at * 30 * int64(x.perRev) / 60_000) }
		mask := uint64(1)<<x.bits - 1
		tell := func(n byte, from, to, clock int64) {
			agent := fmt.Sprintf("a%d", n)
			life, ext := store.ID{n}, (counts(from)+100)&mask
			recs := []store.Record{
				{Kind: &store.ConfigApplied{PerRev: x.perRev, MaxRPM: 60}, Boottime: from * 1e6},
				{Kind: &store.LifeLink{Kind: "first sight", New: life, PerRev: x.perRev, Raw: ext, Ext: ext, RawBits: x.bits, MaxRPM: 60}, Boottime: from * 1e6},
			}
			for at := from; at < to; at += 10 * s {
				k := counts(at+10*s) - counts(at)
				recs = append(recs, store.Record{Boottime: (at + 10*s) * 1e6, Kind: &store.CountSpan{
					Life: life, From: ext, To: ext + k, FromBoottime: at * 1e6, RawTo: (ext + k) & mask, RawBits: x.bits, PerRev: x.perRev}})
				ext += k
			}
			b := &store.Batch{Agent: agent, Machine: "k01", Stream: store.ID{n}, Received: time.UnixMilli(1_900_000_000*s + to + clock), Records: recs,
				Boots: map[uint32]store.ID{1: {n}}, Clock: store.Clock{Boot: 1, Boottime: to * 1e6}}
			for i := range recs {
				recs[i].Boot, recs[i].Seq, recs[i].Synced = 1, uint64(i+1), true
			}
			st := row.Begin(store.ID{n}, agent, "k01", RunOf(b), c)
			if n, why := row.Believed(m, st, b, recs, c); n != len(recs) {
				t.Fatalf("%s: %d of %d records believed: %s", name, n, len(recs), why)
			}
			for i := range recs {
				row.Place(m, st, b, &recs[i], c)
				st.Book(&recs[i])
				if why, _ := row.Strange(m, st, &recs[i], b.Received); why != "" {
					continue
				}
				if why := m.Apply(st.Num, &recs[i], st.Places, changes); why != "" {
					t.Fatalf("%s: record %d of stream %d: %s", name, i+1, n, why)
				}
			}
			st.Records += int64(len(recs))
		}
		const ended = 10_000 * s
		tell(1, 0, ended, 0)
		tell(2, ended-x.aside, ended+600*s-x.aside%(10*s), x.ahead)
		truth := int64(counts(ended+600*s-x.aside%(10*s))) / int64(x.perRev)
		if over := m.Revolutions - truth; max(over, 0) != x.double || m.Revolutions+m.LostMax < truth {
			t.Errorf("%s: %d turns in the books and up to %d lost, %d were made; want %d too many", name, m.Revolutions, m.LostMax, truth, x.double)
		}
	}
}
