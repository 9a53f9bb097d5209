package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// prune drops what may be dropped of before start + after, with a horizon that
// holds everything.
func prune(t testing.TB, s *Store, after time.Duration, most int) *Pruned {
	t.Helper()
	if _, err := s.FallBack(t.Context(), start.AddDate(1, 0, 0)); err != nil {
		t.Fatal(err)
	}
	p, err := s.Prune(t.Context(), PruneOptions{Before: start.Add(after), Most: most})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sums are the books without the records themselves.
func sums(t *testing.T, s *Store) []string {
	t.Helper()
	return slices.DeleteFunc(books(t, s), func(row string) bool { return strings.HasPrefix(row, "record ") })
}

// wild is a journal of one reader of a machine, with everything in it that is
// booked and that is refused, in any order. Of several readers' journals none
// knows of the others.
type wild struct {
	agent   string
	stream  store.ID
	records []store.Record
}

func drawWild(t *rapid.T, agent string, n byte) wild {
	j := wild{agent: agent, stream: store.ID{1, n}}
	at, ext := rapid.Int64Range(0, 3000).Draw(t, "begin"), rapid.Uint64Range(0, 50).Draw(t, "first")
	life, lives := store.ID{4, n}, byte(0)
	var stops []store.ID
	say := func(kind any) {
		j.records = append(j.records, store.Record{Boot: 1, Boottime: at * 1e9, Wall: start.UnixNano() + at*1e9, Kind: kind})
	}
	bits := rapid.SampledFrom([]uint32{0, 16, 32}).Draw(t, "bits")
	say(&store.LifeLink{New: life, Kind: "first sight", PerRev: 1, RawBits: bits, Raw: ext & 0xffff, Ext: ext, MaxRPM: 60})
	for range rapid.IntRange(3, 40).Draw(t, "pieces") {
		from := at
		switch rapid.IntRange(0, 12).Draw(t, "what") {
		default:
			at += rapid.Int64Range(1, 400).Draw(t, "s")
			n := rapid.Uint64Range(0, 300).Draw(t, "counts")
			say(&store.CountSpan{Life: life, From: ext, To: ext + n, RawTo: (ext + n) & 0xffff, RawBits: bits, FromBoottime: from * 1e9, PerRev: 1,
				TimeUnknown: rapid.IntRange(0, 9).Draw(t, "when") == 0, Inched: rapid.IntRange(0, 9).Draw(t, "inched") == 0})
			ext += n
		case 0, 1:
			stop := store.ID{5, n, byte(len(stops))}
			stops = append(stops, stop)
			say(&store.StopBegin{Stop: stop, Input: rapid.Bool().Draw(t, "input"), Cause: rapid.SampledFrom([]string{"yarn", "doff"}).Draw(t, "cause")})
			at += rapid.Int64Range(0, 2000).Draw(t, "s")
		case 2, 3: // perhaps of a stop long ago, or of one whose begin nobody told
			stop := store.ID{6, n, byte(from)}
			if len(stops) > 0 {
				stop = rapid.SampledFrom(stops).Draw(t, "stop")
			}
			say(&store.StopEnd{Stop: stop, Earliest: rapid.SampledFrom([]int64{0, max(from-100, 1) * 1e9}).Draw(t, "earliest")})
		case 4:
			at += rapid.Int64Range(0, 4000).Draw(t, "s")
			say(&store.StateGap{FromBoot: 1, FromBoottime: from * 1e9, Reason: "agent down", StopContinued: rapid.Bool().Draw(t, "continued")})
		case 5:
			lives++
			next := store.ID{4, n, lives}
			say(&store.LifeLink{New: next, Prev: life, PrevTo: ext, Kind: "reset", LostMax: rapid.Uint64Range(0, 9).Draw(t, "lost"), PerRev: 1})
			life, ext = next, 0
		case 6: // refused
			say(&store.CountSpan{Life: life, From: ext + 9, To: ext, FromBoottime: from * 1e9, PerRev: 1})
		case 7:
			say(&store.ConfigApplied{SourceKind: "modbus-tcp", PerRev: 1, MaxRPM: 45})
		case 9: // what came before is lost with some records
			say(&store.Tombstone{From: 1, To: uint64(len(j.records))})
		case 8: // an oscillator a day ahead: moved into the bounds
			j.records = append(j.records, store.Record{Boot: 1, Boottime: (at + 86400) * 1e9, Wall: start.UnixNano() + (at+86400)*1e9, Kind: &store.StopEnd{Stop: store.ID{7, n, byte(at)}}})
		}
	}
	return j
}

// batch is a part of the journal as it comes in.
func (j wild) batch(t *testing.T, first, last int) store.Batch {
	now := j.records[last-1].Boottime%86400e9 + 1e9
	return seal(t, j.agent, "k01", store.Batch{
		Stream: j.stream, Run: store.ID{2, j.stream[1]}, FirstSeq: uint64(first), HeadSeq: uint64(len(j.records)), Boots: map[uint32]store.ID{1: {3, j.stream[1]}},
		Clock: store.Clock{Boot: 1, Boottime: now, Wall: start.UnixNano() + now, Synced: true}, Records: slices.Clone(j.records[first-1 : last]),
	})
}

// fewChecks is for properties of which each check opens databases. For more:
// -rapid.checks 1000.
func fewChecks(t *testing.T, n int) {
	t.Helper()
	checks := flag.Lookup("rapid.checks")
	if checks.Value.String() != checks.DefValue {
		return
	}
	if err := checks.Value.Set(fmt.Sprint(n)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = checks.Value.Set(checks.DefValue) })
}

// Two databases hear the same: several readers of one machine, anything in
// their journals, in portions, again and out of order. One of them drops old
// records now and then. Both give the same answers and have the same books, to
// the last digit, and what is dropped is never counted again.
func TestPruneChangesNoSum(t *testing.T) {
	fewChecks(t, 25)
	var total, whole, settlements int64
	defer func() { t.Logf("%d of %d records were dropped, %d machines settled", total, whole, settlements) }()
	rapid.Check(t, func(rt *rapid.T) {
		dirs := [2]string{inMemory(t), inMemory(t)}
		var both [2]*Store
		for i, dir := range dirs {
			both[i] = open(t, dir)
			for _, agent := range []string{"a1", "a2"} {
				if _, err := both[i].RegisterAgent(t.Context(), agent, []string{"k01"}, start, false); err != nil {
					rt.Fatal(err)
				}
			}
		}
		defer func() { _ = errors.Join(both[0].Close(), both[1].Close()) }()
		journals := []wild{drawWild(rt, "a1", 'a'), drawWild(rt, "a2", 'b'), drawWild(rt, "a2", 'c')}
		acked := make([]int, len(journals))
		same := func(what string) {
			a, b := sums(t, both[0]), sums(t, both[1])
			if !slices.Equal(a, b) {
				rt.Fatalf("%s: never pruned\n%s\npruned\n%s", what, strings.Join(a, "\n"), strings.Join(b, "\n"))
			}
		}
		older, olderEver := false, false // the records alone can show the sums
		good := func(file string) {
			rep, err := Verify(t.Context(), file, VerifyOptions{})
			if err != nil || rep.Err() != nil || rep.InPart > 0 && !older {
				rt.Fatalf("%+v, %v", rep, err)
			}
		}
		send := func(i, first, last int) {
			b := journals[i].batch(t, first, last)
			var said [2]store.Outcome
			for k, s := range both {
				b := b
				b.Records = slices.Clone(b.Records)
				said[k] = commit(t, s, b)
			}
			if a, b := said[0], said[1]; a.Verdict != b.Verdict || a.Acked != b.Acked || a.Applied != b.Applied || a.Reason != b.Reason {
				rt.Fatalf("never pruned %+v, pruned %+v", a, b)
			}
			acked[i] = int(said[0].Acked)
		}
		for range rapid.IntRange(4, 25).Draw(rt, "events") {
			i := rapid.IntRange(0, len(journals)-1).Draw(rt, "journal")
			n := len(journals[i].records)
			switch rapid.IntRange(0, 8).Draw(rt, "event") {
			default:
				first := min(acked[i]+1, n)
				send(i, first, rapid.IntRange(first, n).Draw(rt, "last"))
			case 0: // again, perhaps with something new
				first := rapid.IntRange(1, min(acked[i]+1, n)).Draw(rt, "first")
				send(i, first, rapid.IntRange(first, n).Draw(rt, "last"))
			case 1, 2:
				for _, s := range both {
					if _, err := s.FallBack(t.Context(), start.AddDate(1, 0, 0)); err != nil {
						rt.Fatal(err)
					}
				}
				o := PruneOptions{Before: start.Add(time.Duration(rapid.IntRange(0, 60_000).Draw(rt, "before")) * time.Second), Most: rapid.IntRange(1, 30).Draw(rt, "most"),
					SettleAfter: time.Duration(rapid.SampledFrom([]int{1, 1000, 50_000}).Draw(rt, "settle after")) * time.Second}
				dry := o
				dry.DryRun = true
				would, err := both[1].Prune(t.Context(), dry)
				if err != nil {
					rt.Fatal(err)
				}
				did, err := both[1].Prune(t.Context(), o)
				if err != nil {
					rt.Fatal(err)
				}
				if would.Records != did.Records || would.Bytes != did.Bytes {
					rt.Fatalf("would drop %+v, dropped %+v", would, did)
				}
				total += did.Records
				for k, m := range did.Machines {
					if m.Settled != would.Machines[k].Settled || m.Kept != would.Machines[k].Kept {
						rt.Fatalf("would do %+v, did %+v", would, did)
					}
					if m.Settled != "" {
						settlements++
						older = false // all is counted again from here
					}
				}
				same("after a prune")
				good(both[1].file)
			case 4: // all of it was booked by older rules, or in an order that was not kept
				var gone, left int
				if err := both[1].read.QueryRow(`SELECT (SELECT count(*) FROM dropped) + (SELECT count(*) FROM settled),
					(SELECT count(*) FROM record r LEFT JOIN settled s ON s.stream_num = r.stream_num WHERE r.seq > coalesce(s.last_seq, 0))`).Scan(&gone, &left); err != nil {
					rt.Fatal(err)
				}
				if left == 0 {
					continue // today's rules gave all there is
				}
				older, olderEver = true, true
				older := `UPDATE applied SET rules = 3; UPDATE account SET lost_max = lost_max + 1 WHERE heard`
				if gone == 0 {
					older = rapid.SampledFrom([]string{`UPDATE applied SET rules = 3`, `DELETE FROM applied`}).Draw(rt, "older") +
						`; UPDATE account SET lost_max = lost_max + 1, stop_ms = stop_ms + 7, unknown_ms = unknown_ms - 7 WHERE heard AND unknown_ms > 6`
				}
				for k, s := range both {
					_ = s.Close()
					spoil(t, file(dirs[k]), older)
					both[k] = open(t, dirs[k])
				}
			case 3:
				_ = both[1].Close()
				both[1] = open(t, dirs[1])
			}
		}
		same("at the end")
		for _, s := range both {
			older = older || s == both[0] && olderEver
			good(s.file)
		}
		for _, n := range acked {
			whole += int64(n)
		}
	})
}

func TestPrune(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	defer func() { s.Close() }()
	smallMill(t, s)
	backup := filepath.Join(dir, "before.db")
	want := sums(t, s)
	try := func(o PruneOptions) *Pruned {
		t.Helper()
		p, err := s.Prune(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	at := func(seconds int) time.Time { return start.Add(time.Duration(seconds) * time.Second) }
	p := try(PruneOptions{Before: at(300)})
	if p.Records != 0 || len(p.Machines) != 2 || !strings.Contains(p.Machines[0].Kept, "no verified backup holds record 1 of stream") {
		t.Fatalf("without a backup %+v, want nothing dropped and why", p)
	}
	take(t, s, backup)
	if p = try(PruneOptions{Before: at(300), DryRun: true}); p.Records != 58 || !p.DryRun || len(p.Machines) != 2 || p.Machines[0].Until != at(290).UTC() {
		t.Errorf("dry run %+v, want records 1 to 29 of two machines", p)
	}
	if n, err := s.Records(t.Context()); err != nil || n != 128 {
		t.Errorf("%d records after a dry run, %v, want 128", n, err)
	}
	rests, enough := 0, errors.New("enough")
	p, err := s.Prune(t.Context(), PruneOptions{Before: at(300), Most: 10, Rest: func(context.Context) error {
		if rests++; rests > 2 {
			return enough
		}
		return nil
	}})
	if !errors.Is(err, enough) || p.Records != 20 || len(p.Machines) != 1 {
		t.Errorf("ended in between %+v, %v, want two transactions of 10", p, err)
	}
	undamaged(t, s.file)
	if p = try(PruneOptions{Before: at(300), Most: 7}); p.Records != 38 {
		t.Errorf("then %+v, want the other 38", p)
	}
	if p = try(PruneOptions{Before: at(300)}); p.Records != 0 || len(p.Machines) != 0 {
		t.Errorf("again %+v, want nothing", p)
	}
	if n, err := s.Records(t.Context()); err != nil || n != 70 {
		t.Errorf("%d records, %v, want 70", n, err)
	}
	if rep := undamaged(t, s.file); rep.Records != 70 || rep.Dropped != 58 || rep.Recounted != 2 || rep.Revolutions != 560 {
		t.Errorf("%+v", rep)
	}
	// The sum over what was dropped is that of the records in the backup.
	of := func(file string, num int64) (bodies [][]byte) {
		db := sql.OpenDB(connector{dsn(file, readPragmas)})
		defer db.Close()
		err := each(t.Context(), db, func(rows *sql.Rows) error {
			var b []byte
			err := rows.Scan(&b)
			bodies = append(bodies, b)
			return err
		}, `SELECT body FROM record WHERE stream_num = ? ORDER BY seq`, num)
		if err != nil {
			t.Fatal(err)
		}
		return bodies
	}
	for _, st := range s.w.Streams {
		sum := st.ID[:]
		for i, body := range of(backup, st.Num)[:29] {
			sum = droppedSum(sum, uint64(i+1), body)
		}
		if d := s.w.dropped[st.Num]; string(d.sum) != string(sum) || d.last != 29 || d.records != 29 {
			t.Errorf("dropped %+v of stream %d, want the sum %x of records 1 to 29", d, st.Num, sum)
		}
	}
	// What is told again changes nothing, dropped or not.
	for _, m := range []string{"k01", "k02"} {
		if o := commit(t, s, spans(t, m, 1, 60)); o.Verdict != store.OK || o.Applied != 0 || o.Acked != 64 {
			t.Errorf("told again: %+v", o)
		}
	}
	if got := sums(t, s); !slices.Equal(got, want) {
		t.Errorf("sums\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	// Everything goes, the server starts, goes on, and a backup of it is good.
	prune(t, s, time.Hour, 0)
	if n, err := s.Records(t.Context()); err != nil || n != 0 {
		t.Errorf("%d records, %v, want none", n, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if o := commit(t, s, spans(t, "k02", 65, 90)); o.Verdict != store.OK || o.Applied != 26 {
		t.Errorf("after all was dropped: %+v", o)
	}
	undamaged(t, s.file)
	b := take(t, s, filepath.Join(dir, "after.db"))
	if b.Records != 26 || b.Revolutions != 640 {
		t.Errorf("backup %+v", b)
	}
	s.Close()
	if _, err := Restore(t.Context(), file(dir), filepath.Join(dir, "after.db"), RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	commit(t, s, spans(t, "k02", 1, 60))
	if o := commit(t, s, spans(t, "k02", 65, 95)); o.Applied != 5 {
		t.Errorf("after the restore all again: %+v, want 5 new records", o)
	}
	if rep := undamaged(t, s.file); rep.Dropped != 128 || rep.Revolutions != 660 {
		t.Errorf("%+v", rep)
	}
}

// A journal that was set back to before what was dropped goes on with other records
// under the numbers of those: that is seen by their time, and nothing is lost in
// silence. What it tells again as it was is not counted again.
func TestSetBackBeyondDropped(t *testing.T) {
	for name, change := range map[string]func(*store.Batch){
		"as it was":             func(*store.Batch) {},
		"a later time":          func(b *store.Batch) { b.Records[4].Boottime = 900e9 },
		"another boot":          func(b *store.Batch) { b.Boots[2], b.Records[4].Boot = store.ID{3, 2}, 2 },
		"as it was, but coarse": func(b *store.Batch) { b.Records[4].Coarse, b.Records[4].Boottime = true, 900e9 },
		"its index":             func(b *store.Batch) { b.Boots[1] = store.ID{3, 3} },
	} {
		s := open(t, t.TempDir())
		smallMill(t, s)
		prune(t, s, 300*time.Second, 0)
		b := spans(t, "k01", 20, 24) // of 29 that were dropped
		change(&b)
		o := commit(t, s, seal(t, "a1", "k01", b))
		if frozen := o.Verdict == store.Frozen; frozen == strings.HasPrefix(name, "as it was") || o.Applied != 0 || frozen && !strings.Contains(o.Reason, "the journal was set back or copied") {
			t.Errorf("%s: %+v", name, o)
		}
		undamaged(t, s.file)
		s.Close()
	}
}

// A stream that took over tells its configuration, of a boot in which nothing was
// booked in time yet. How old that is nobody knows: it goes with what is around it,
// and sent again, when the boot is placed, it is still the same.
func TestDroppedOfABootThatNobodyPlaced(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	register(t, s, "k01")
	commit(t, s, seal(t, "a1", "k01", store.Batch{
		Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: 1, HeadSeq: 1, Boots: map[uint32]store.ID{1: {3}},
		Clock: store.Clock{Boot: 1, Boottime: 10e9, Wall: start.UnixNano() + 10e9},
		Records: []store.Record{{Boot: 1, Boottime: 10e9, Wall: start.UnixNano() + 10e9,
			Kind: &store.CountSpan{Life: store.ID{9}, To: 5, RawTo: 5, RawBits: 32, PerRev: 1}}},
	}))
	all := store.Batch{
		Stream: store.ID{77}, Run: store.ID{78}, FirstSeq: 1, HeadSeq: 2, Boots: map[uint32]store.ID{1: {79}},
		Clock: store.Clock{Boot: 1, Boottime: 20e9, Wall: start.UnixNano() + 200e9},
		Records: []store.Record{
			{Boot: 1, Boottime: 10e9, Wall: start.UnixNano() + 190e9, Kind: &store.ConfigApplied{SourceKind: "modbus-tcp", PerRev: 1}},
			{Boot: 1, Boottime: 20e9, Wall: start.UnixNano() + 200e9, Kind: &store.CountSpan{Life: store.ID{80}, To: 9, PerRev: 1, FromBoottime: 10e9}},
		},
	}
	if r, err := s.Resume(t.Context(), store.ResumeQuery{Agent: "a1", Machine: "k01", Stream: all.Stream}, start.Add(180*time.Second)); err != nil || r.Verdict != store.ResumeContinue {
		t.Fatalf("%+v, %v; want a reading to go on from", r, err)
	}
	all = seal(t, "a1", "k01", all)
	first := all
	first.HeadSeq, first.Records = 1, all.Records[:1]
	if o := commit(t, s, first); o.Applied != 1 {
		t.Fatalf("%+v, want the configuration stored", o)
	}
	if p := prune(t, s, 50*time.Second, 0); p.Records != 2 {
		t.Fatalf("%+v, want all records dropped", p)
	}
	var until int64
	if err := s.read.QueryRow(`SELECT until_ms FROM dropped ORDER BY stream_num DESC`).Scan(&until); err != nil || until != 0 {
		t.Errorf("what was dropped of the new stream is of before %d ms, %v; want that nobody knows", until, err)
	}
	for range 2 { // placed by the first of the two
		if o := commit(t, s, all); o.Verdict != store.OK {
			t.Errorf("sent again: %+v", o)
		}
	}
	undamaged(t, s.file)
}

// Where no record is left of a stream the newest one is still known: a journal that
// has another one there does not go on.
func TestPrunedTail(t *testing.T) {
	for _, right := range []bool{true, false} {
		dir := t.TempDir()
		s := open(t, dir)
		register(t, s, "k01")
		all := spans(t, "k01", 1, 12)
		first := all
		first.Records = all.Records[:10]
		commit(t, s, first)
		if p := prune(t, s, time.Hour, 0); p.Records != 10 {
			t.Fatalf("%+v, want nothing left", p)
		}
		s.Close()
		s = open(t, dir)
		next, before := all, all.Records[9].CRC
		if !right {
			before++
		}
		next.FirstSeq, next.Before, next.Records = 11, &before, all.Records[10:]
		o := commit(t, s, next)
		if ok := o.Verdict == store.OK && o.Applied == 2; ok != right || !ok && (o.Verdict != store.Frozen || !strings.Contains(o.Reason, "record 10 was sent with check sum")) {
			t.Errorf("the record before is right: %v; %+v", right, o)
		}
		undamaged(t, s.file)
		s.Close()
	}
}

// A machine of which a part of the sums rests on dropped records: anything
// wrong in what stands for them is found.
func TestVerifyPruned(t *testing.T) {
	for _, c := range []struct{ name, statement, want string }{
		{"nothing", `UPDATE meta SET writes = writes + 1`, ""},
		{"turns", `UPDATE base_account SET revolutions = revolutions + 1 WHERE machine_num = 1`, "account of machine k01: found revolutions = 280, expected 281"},
		{"more than there is", `UPDATE base_account SET run_ms = run_ms + 100000000 WHERE machine_num = 1`, "base of machine k01"},
		{"account gone", `DELETE FROM base_account WHERE machine_num = 1`, "account of machine k01"},
		{"life", `UPDATE base_life SET min = min + 1 WHERE machine_num = 1`, "counter lives of machine k01"},
		{"stop", `UPDATE base_stop SET begin_ms = begin_ms + 1 WHERE machine_num = 1`, "stops of machine k01"},
		{"stop gone", `DELETE FROM base_stop WHERE machine_num = 1`, "stops of machine k01"},
		{"cause", `UPDATE base_cause_count SET stops = 2 WHERE machine_num = 1`, "stops by cause of machine k01"},
		{"unknown time", `UPDATE base_gap SET reason = 'x' WHERE machine_num = 1`, "unknown times of machine k01"},
		{"cell", `UPDATE base_rollup SET run_ms = run_ms + 1 WHERE machine_num = 1`, "rollup of machine k01"},
		{"assignment count", `UPDATE base_assignment_count SET revolutions = revolutions - 1 WHERE from_ms > 0`, "assignment counts of machine k01"},
		{"where it ends", `UPDATE dropped SET last_seq = last_seq - 1 WHERE stream_num = 1`, "found record 64, expected record 63"},
		{"how many", `UPDATE dropped SET records = records - 1 WHERE stream_num = 1`, "as counted when they came"},
		{"dropped gone", `DELETE FROM dropped WHERE stream_num = 1`, "expected record 1"},
		{"another record gone", `DELETE FROM record WHERE stream_num = 1`, "records up to 63, expected up to 64"},
		{"kept sum", `UPDATE account SET stop_ms = stop_ms + 1, run_ms = run_ms - 1 WHERE machine_num = 2`, "account of machine k02"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := inMemory(t)
			s := open(t, dir)
			smallMill(t, s)
			prune(t, s, 710*time.Second, 9)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			spoil(t, file(dir), c.statement)
			rep, err := Verify(t.Context(), file(dir), VerifyOptions{})
			if err != nil {
				t.Fatal(err)
			}
			all := fmt.Sprint(rep.Damages)
			if c.want == "" && len(rep.Damages) > 0 || !strings.Contains(all, c.want) {
				t.Errorf("%s, want %q in it", all, c.want)
			}
		})
	}
}

// What is damaged is not dropped.
func TestPruneRefusesDamage(t *testing.T) {
	for _, c := range []struct{ name, statement, want string }{
		{"body", `UPDATE record SET body = substr(body, 1, length(body) - 1) || x'00' WHERE stream_num = 1 AND seq = 7`, "record 7 of stream"},
		{"missing", `DELETE FROM record WHERE stream_num = 1 AND seq = 7`, "found record 8, expected 7"},
		{"account", `UPDATE account SET revolutions = 3 WHERE machine_num = 1`, "more than the account of machine k01 has"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			smallMill(t, s)
			if _, err := s.FallBack(t.Context(), start.AddDate(1, 0, 0)); err != nil {
				t.Fatal(err)
			}
			spoil(t, s.file, c.statement+`; UPDATE meta SET writes = writes + 1`)
			p, err := s.Prune(t.Context(), PruneOptions{Before: start.Add(time.Hour)})
			if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), c.want) || p.Records != 0 {
				t.Errorf("%+v, %v, want ErrDamaged, %q and nothing dropped", p, err, c.want)
			}
			s.Close()
		})
	}
}

// What stays although it is old, and why.
func TestPruneKeeps(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	defer func() { s.Close() }()
	smallMill(t, s)
	b := spans(t, "k01", 65, 70)
	b.Records[2].Kind = nil
	for i := range b.Records {
		b.Records[i].Boottime += 200e9
	}
	commit(t, s, b)
	spoil(t, s.file, `UPDATE applied SET rules = rules - 1 WHERE machine_num = 2; UPDATE account SET lost_max = lost_max + 1 WHERE machine_num = 2; UPDATE meta SET writes = writes + 1`)
	dry := PruneOptions{Before: start.Add(time.Hour), DryRun: true}
	would, err := s.Prune(t.Context(), dry)
	if err != nil || len(would.Machines) != 2 || !strings.Contains(would.Machines[0].Kept, "no verified backup") {
		t.Errorf("%+v, %v", would, err)
	}
	for range 2 {
		p := prune(t, s, time.Hour, 0)
		if len(p.Machines) != 2 || !strings.Contains(p.Machines[0].Kept, "is of a kind that this version does not know") ||
			p.Machines[1].Records != 0 || !strings.Contains(p.Machines[1].Kept, "rules of an older version") {
			t.Errorf("%+v", p)
		}
	}
	if n, err := s.Records(t.Context()); err != nil || n != 134-66 {
		t.Errorf("%d records, %v, want %d", n, err, 134-66)
	}
}

// What older rules booked goes too where today's give the same sums, and the
// machine is counted in full again from there.
func TestPruneOfOlderRules(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	smallMill(t, s)
	spoil(t, s.file, `UPDATE applied SET rules = 3; UPDATE meta SET writes = writes + 1`)
	commit(t, s, spans(t, "k02", 65, 90))
	want := sums(t, s)
	if p := prune(t, s, 300*time.Second, 10); p.Records != 58 {
		t.Errorf("%+v, want 29 records of each machine", p)
	}
	commit(t, s, spans(t, "k01", 65, 90))
	s.Close()
	s = open(t, filepath.Dir(filepath.Dir(s.file)))
	commit(t, s, spans(t, "k01", 1, 95))
	if rep := undamaged(t, s.file); rep.Recounted != 2 || rep.Dropped != 58 {
		t.Errorf("%+v", rep)
	}
	of := func(rows []string) []string {
		return slices.DeleteFunc(slices.Clone(rows), func(row string) bool { return !strings.HasPrefix(row, "account [2") })
	}
	if got := of(sums(t, s)); len(got) != 1 || !slices.Equal(got, of(want)) {
		t.Errorf("account %v, want %v", got, of(want))
	}
}

// An assignment that is entered for a time whose records were dropped is
// refused in words; one after it shares the turns as if nothing was dropped.
func TestAssignmentsAfterPrune(t *testing.T) {
	var told [2][]string
	for i, drop := range []bool{false, true} {
		s := open(t, t.TempDir())
		defer s.Close()
		smallMill(t, s)
		book := func(seconds int) error {
			_, err := s.ApplyBook(t.Context(), store.Book{Assignments: []store.Assignment{{Machine: "k01", From: start.Add(time.Duration(seconds) * time.Second), Order: "SO-1", Card: "c1"}}}, false)
			return err
		}
		prune(t, s, 300*time.Second*map[bool]time.Duration{true: 1, false: 0}[drop], 0)
		before := sums(t, s)
		if drop {
			for _, seconds := range []int{-50, 200, 290} {
				if err := book(seconds); !errors.Is(err, store.ErrInvalid) || !strings.Contains(err.Error(), "k01") || !strings.Contains(err.Error(), "records were dropped") {
					t.Errorf("from %d s: %v, want a refusal", seconds, err)
				}
			}
			if now := sums(t, s); !slices.Equal(now, before) {
				t.Error("a refused assignment changed the sums")
			}
		}
		for _, seconds := range []int{291, 450, 5000} {
			if err := book(seconds); err != nil {
				t.Fatal(err)
			}
		}
		undamaged(t, s.file)
		told[i] = sums(t, s)
	}
	if !slices.Equal(told[0], told[1]) {
		t.Errorf("pruned\n%s\nnever pruned\n%s", strings.Join(told[1], "\n"), strings.Join(told[0], "\n"))
	}
}

// A kind that a newer server knows is booked in its place although what came
// before it was dropped.
func TestLearnedKindsAfterPrune(t *testing.T) {
	tell := func(s *Store, unknown int64) {
		register(t, s, "k01")
		next := uint64(0)
		hour(func(seconds int64, kind any) {
			next++
			b := seal(t, "a1", "k01", store.Batch{
				Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: next, HeadSeq: next, Boots: map[uint32]store.ID{1: {3}},
				Clock:   store.Clock{Boot: 1, Boottime: seconds * 1e9, Wall: start.UnixNano() + seconds*1e9},
				Records: []store.Record{{Boot: 1, Boottime: seconds * 1e9, Wall: start.UnixNano() + seconds*1e9, Kind: kind}},
			})
			if kindOf(&b.Records[0]) == unknown {
				b.Records[0].Kind = nil
			}
			commit(t, s, b)
		})
	}
	known := open(t, t.TempDir())
	defer known.Close()
	tell(known, 0)
	want := sums(t, known)
	for kind, first := range map[int64]int64{12: 2, 13: 4, 14: 5} { // records before the first of that kind
		dir := t.TempDir()
		s := open(t, dir)
		tell(s, kind)
		if p := prune(t, s, time.Hour, 2); p.Records != first {
			t.Errorf("kind %d: dropped %+v, want %d records", kind, p, first)
		}
		setKinds(t, s, kind-1)
		s.Close()
		s = open(t, dir)
		if got := sums(t, s); !slices.Equal(got, want) {
			t.Errorf("kind %d: books\n%s\nwant\n%s", kind, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		undamaged(t, s.file)
		s.Close()
	}
}
