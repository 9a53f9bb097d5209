package journal

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

func mustOpen(t testing.TB, dir string, o Options) (*Journal, Report) {
	t.Helper()
	j, rep, err := Open(dir, o)
	if err != nil {
		t.Fatalf("Open: %v", err)
	}
	t.Cleanup(func() { checkAfterwards(t, j, dir, o) })
	return j, rep
}

// checkAfterwards looks at the invariants when a test is over, also of a
// journal that it closed, crashed or damaged: what opens keeps them.
func checkAfterwards(t testing.TB, j *Journal, dir string, o Options) {
	t.Helper()
	checkJournal(t, j)
	j.Close()
	if t.Failed() || o.Disk != nil {
		return
	}
	o.Log = silent
	again, _, err := Open(dir, o)
	switch {
	case err == nil:
		checkJournal(t, again)
		again.Close()
	case !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrLocked):
		t.Errorf("opened once more after the test: %v", err)
	}
}

func mustChannel(t testing.TB, j *Journal, machine string) *Channel {
	t.Helper()
	c, err := j.Channel(machine)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func span(boot uint32, n uint64) *wirepb.Record {
	return &wirepb.Record{Boot: boot, BoottimeNs: int64(n) * 1e10, WallNs: 1_700_000_000e9 + int64(n)*1e10, Clock: wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED,
		Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: make([]byte, 16), From: n * 5, To: n*5 + 5, RawTo: n*5 + 5, RawBits: 16}}}
}

func mustAppend(t testing.TB, c *Channel, state string, recs ...*wirepb.Record) {
	t.Helper()
	if err := c.Append([]byte(state), recs...); err != nil {
		t.Fatal(err)
	}
}

func mustSync(t testing.TB, j *Journal) {
	t.Helper()
	if err := j.Sync(); err != nil {
		t.Fatal(err)
	}
}

// readFrom reads all records from a number on and checks every seal.
func readFrom(t testing.TB, c *Channel, from uint64) []*wirepb.SealedRecord {
	t.Helper()
	var all []*wirepb.SealedRecord
	id := c.StreamID()
	for next := from; ; {
		recs, boots, err := c.Read(next, wire.MaxRecords, wire.MaxBatchBytes)
		if err != nil {
			t.Fatalf("Read(%d): %v", next, err)
		}
		if len(recs) == 0 {
			return all
		}
		b := &wirepb.Batch{StreamId: id[:], FirstSeq: next, Records: recs, RunId: make([]byte, 16), Clock: &wirepb.AgentClock{}, Boots: boots, HeadSeq: c.Head()}
		b.Crc32C = wire.BatchCRC(b)
		payload, err := proto.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := wire.DecodeBatch(payload); err != nil {
			t.Fatalf("a batch read from %d is not what the wire takes: %v", next, err)
		}
		all = append(all, recs...)
		next += uint64(len(recs))
	}
}

func TestRecordAndStateSurvive(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	j, rep := mustOpen(t, dir, Options{})
	if rep.Segments != 1 || rep.Cut != nil || rep.Damage != nil {
		t.Errorf("report of a new journal = %+v", rep)
	}
	c := mustChannel(t, j, "m01")
	if c.State() != nil || c.Head() != 0 || c.Acked() != 0 {
		t.Errorf("new channel: state %q head %d acked %d", c.State(), c.Head(), c.Acked())
	}
	boot := j.Boot([16]byte{7})
	mustAppend(t, c, "one", span(boot, 1), span(boot, 2))
	if c.Head() != 0 {
		t.Errorf("head %d before the sync, want 0: what is not durable is not shown", c.Head())
	}
	if recs, _, err := c.Read(1, 10, 1000); err != nil || len(recs) != 0 {
		t.Errorf("Read before the sync gives %d records, %v", len(recs), err)
	}
	mustSync(t, j)
	select {
	case <-j.Changed():
	default:
		t.Error("Changed did not wake")
	}
	if err := c.Tick([]byte("two")); err != nil {
		t.Fatal(err)
	}
	if err := c.Ack(1, 1, [16]byte{9}); err != nil {
		t.Fatal(err)
	}
	want := readFrom(t, c, 1)
	session, err := j.NextSession()
	if err != nil || session != 1 {
		t.Errorf("NextSession = %d, %v, want 1", session, err)
	}
	stream, run := c.StreamID(), j.RunID()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := c.Append(nil, span(1, 3)); !errors.Is(err, ErrClosed) {
		t.Errorf("Append after Close: %v, want ErrClosed", err)
	}

	j, rep = mustOpen(t, dir, Options{})
	if rep.Records != 2 || rep.Streams != 1 {
		t.Errorf("report = %+v, want 2 records of 1 stream", rep)
	}
	c = mustChannel(t, j, "m01")
	if string(c.State()) != "two" || c.Head() != 2 || c.Acked() != 1 || c.StreamID() != stream || c.Incarnation() != [16]byte{9} {
		t.Errorf("reopened: state %q head %d acked %d incarnation %x", c.State(), c.Head(), c.Acked(), c.Incarnation())
	}
	if j.RunID() == run {
		t.Error("two processes have one run id")
	}
	if got := j.Boot([16]byte{7}); got != boot {
		t.Errorf("boot index %d, want %d as before", got, boot)
	}
	got := readFrom(t, c, 1)
	if len(got) != 2 || !proto.Equal(got[1], want[1]) {
		t.Errorf("read %v, want %v", got, want)
	}
	if session, err = j.NextSession(); err != nil || session != 2 {
		t.Errorf("NextSession = %d, %v, want 2", session, err)
	}
}

func TestReadNamesBoots(t *testing.T) {
	j, _ := mustOpen(t, t.TempDir(), Options{})
	c := mustChannel(t, j, "m01")
	for i := range 200 {
		mustAppend(t, c, "", span(j.Boot([16]byte{1, byte(i)}), uint64(i)))
	}
	mustSync(t, j)
	recs, boots, err := c.Read(1, 200, wire.MaxBatchBytes)
	if err != nil || len(recs) != maxBoots || len(boots) != maxBoots {
		t.Fatalf("Read = %d records, %d boots, %v; want %d of each, the most that a batch names beside the sender's", len(recs), len(boots), err, maxBoots)
	}
	if boots[5].GetIndex() != 6 || !bytes.Equal(boots[5].GetBootId()[:2], []byte{1, 5}) {
		t.Errorf("boots[5] = %v", boots[5])
	}
	if n := len(readFrom(t, c, 1)); n != 200 {
		t.Errorf("%d records in all, want 200", n)
	}
}

func TestReadKeepsToItsBounds(t *testing.T) {
	j, _ := mustOpen(t, t.TempDir(), Options{})
	c := mustChannel(t, j, "m01")
	big := func() *wirepb.Record {
		return &wirepb.Record{Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{Evidence: strings.Repeat("x", 900)}}}
	}
	for range 10 {
		mustAppend(t, c, "", big(), big(), big(), big(), big(), big(), big(), big())
	}
	mustSync(t, j)
	tests := []struct{ from, records, bytes, want int }{
		{1, 1, 1, 1},
		{1, 200, 1, 1}, // one always fits
		{3, 5, 1 << 20, 5},
		{80, 5, 1 << 20, 1},
		{81, 5, 1 << 20, 0},
		{1, 200, 10 * 940, 10},
		{1, 1000, 1 << 20, 35}, // wire.MaxBatchBytes, 920 bytes each
	}
	for _, tt := range tests {
		recs, _, err := c.Read(uint64(tt.from), tt.records, tt.bytes)
		if err != nil || len(recs) != tt.want {
			t.Errorf("Read(%d, %d, %d) = %d records, %v, want %d", tt.from, tt.records, tt.bytes, len(recs), err, tt.want)
		}
	}
	if n := len(readFrom(t, c, 1)); n != 80 {
		t.Errorf("%d records in all, want 80", n)
	}
}

func TestRefusals(t *testing.T) {
	j, _ := mustOpen(t, t.TempDir(), Options{})
	c := mustChannel(t, j, "m01")
	if _, err := j.Channel("M 1"); err == nil {
		t.Error("a channel for \"M 1\" was given")
	}
	if err := c.Append(make([]byte, maxState+1), span(1, 1)); err == nil {
		t.Error("a state beyond the limit was taken")
	}
	huge := &wirepb.Record{Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{Evidence: strings.Repeat("x", 2000)}}}
	if err := c.Append(nil, span(1, 1), huge); !errors.Is(err, wire.ErrMalformed) {
		t.Errorf("a record beyond the limit: %v, want ErrMalformed", err)
	}
	mustAppend(t, c, "", span(1, 1))
	mustSync(t, j)
	if got := c.Head(); got != 1 {
		t.Errorf("head %d, want 1: a refused record uses no number", got)
	}
	if err := c.Ack(2, 0, [16]byte{1}); !errors.Is(err, ErrBeyondHead) || c.Acked() != 0 {
		t.Errorf("acknowledgement beyond the head: %v, acked %d", err, c.Acked())
	}
}

func TestAckOnlyGrowsInOneIncarnation(t *testing.T) {
	j, _ := mustOpen(t, t.TempDir(), Options{})
	c := mustChannel(t, j, "m01")
	for i := range 10 {
		mustAppend(t, c, "", span(1, uint64(i)))
	}
	mustSync(t, j)
	steps := []struct {
		acked, horizon uint64
		inc            byte
		want           uint64
	}{{5, 2, 1, 5}, {3, 1, 1, 5}, {8, 8, 1, 8}, {4, 4, 2, 4}, {9, 0, 2, 9}}
	for i, s := range steps {
		if err := c.Ack(s.acked, s.horizon, [16]byte{s.inc}); err != nil {
			t.Fatal(err)
		}
		if c.Acked() != s.want {
			t.Errorf("step %d: acked %d, want %d", i, c.Acked(), s.want)
		}
	}
}

func TestTwoAgentsNeverShareAJournal(t *testing.T) {
	dir := t.TempDir()
	j, _ := mustOpen(t, dir, Options{})
	_, _, err := Open(dir, Options{})
	if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), "folder of its own") {
		t.Errorf("second Open: %v, want ErrLocked with a hint", err)
	}
	j.Close()
	mustOpen(t, dir, Options{})
}

func TestSegmentsGoWhenBackedUp(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	o := Options{SegmentBytes: 4096, Now: func() time.Time { return now }}
	j, _ := mustOpen(t, dir, o)
	a, b := mustChannel(t, j, "a"), mustChannel(t, j, "b")
	for i := range 300 {
		mustAppend(t, a, "state a", span(1, uint64(i)))
		if i < 150 {
			mustAppend(t, b, "state b", span(1, uint64(i)))
		}
		mustSync(t, j)
	}
	files := func() int {
		names, err := filepath.Glob(filepath.Join(dir, "*"+segmentSuffix))
		if err != nil {
			t.Fatal(err)
		}
		return len(names)
	}
	all := files()
	if all < 8 {
		t.Fatalf("%d segments, the test wants several", all)
	}
	ack := func(c *Channel, acked, horizon uint64) {
		t.Helper()
		if err := c.Ack(acked, horizon, [16]byte{1}); err != nil {
			t.Fatal(err)
		}
	}
	ack(a, 300, 0)
	if n := j.prune(false); n != 0 {
		t.Errorf("%d segments went, nothing is in a backup", n)
	}
	ack(a, 300, 300)
	if n := j.prune(false); n != 0 {
		t.Errorf("%d segments went, b has acknowledged nothing", n)
	}
	ack(b, 100, 60)
	j.prune(false)
	if files() >= all {
		t.Error("no segment went up to the horizon")
	}
	base := j.segments[0].beforeSlot(b.slot) + 1
	if base-1 > 60 || base == 1 {
		t.Errorf("b is held from %d on; it must not begin after 61", base)
	}
	if n := len(readFrom(t, b, base)); n != 150-int(base)+1 {
		t.Errorf("%d records of b from %d, want %d", n, base, 150-int(base)+1)
	}
	now = now.Add(36 * 24 * time.Hour) // beyond KeepAcked
	j.prune(false)
	base = j.segments[0].beforeSlot(b.slot) + 1
	if base <= 61 || base > 101 {
		t.Errorf("b is held from %d on, want 62 to 101: acknowledged and old may go, others not", base)
	}
	ack(b, 150, 0)
	j.prune(true)
	if n := files(); n != 1 {
		t.Errorf("%d segments when room is needed, want 1", n)
	}
	want := b.StreamID()
	j.Close()
	j, _ = mustOpen(t, dir, o)
	b = mustChannel(t, j, "b")
	if b.Head() != 150 || b.Acked() != 150 || b.StreamID() != want || string(b.State()) != "state b" {
		t.Errorf("after pruning: head %d acked %d state %q; a new segment must restate them", b.Head(), b.Acked(), b.State())
	}
	mustAppend(t, b, "x", span(1, 151))
	mustSync(t, j)
	if recs := readFrom(t, b, 151); len(recs) != 1 {
		t.Errorf("%d records from 151, want 1", len(recs))
	}
	recs := readFrom(t, b, 140)
	if len(recs) != 12 || !recs[0].GetCoarse() || recs[11].GetCoarse() {
		t.Errorf("%d records from 140, want 12: tombstones up to 150, then the record", len(recs))
	}
	r := new(wirepb.Record)
	if err := proto.Unmarshal(recs[0].GetBody(), r); err != nil || r.GetSeq() != 140 || r.GetTombstone().GetToSeq() != 140 || r.GetBoot() != 1 {
		t.Errorf("tombstone = %v, %v", r, err)
	}
}

func TestFullJournalTellsAndRecovers(t *testing.T) {
	j, _ := mustOpen(t, t.TempDir(), Options{MaxBytes: 32 << 10})
	c := mustChannel(t, j, "m01")
	var err error
	n := uint64(0)
	for err == nil {
		if err = c.Append([]byte("state"), span(1, n)); err == nil {
			n++
		}
		mustSync(t, j)
	}
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "journal.max_bytes") {
		t.Fatalf("%v, want ErrFull with a hint", err)
	}
	if j.Bytes() > 32<<10 {
		t.Errorf("%d bytes held, at most %d allowed", j.Bytes(), 32<<10)
	}
	if c.Head() != n || len(readFrom(t, c, 1)) != int(n) {
		t.Errorf("head %d, want %d", c.Head(), n)
	}
	if _, err := j.NextSession(); err != nil {
		t.Errorf("a full journal must be able to connect: %v", err)
	}
	if err := c.Ack(n, 0, [16]byte{1}); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, c, "state", span(1, n))
}

func TestGroupSync(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		d := &flakyDisk{}
		j, _ := mustOpen(t, dir, Options{disk: d.on})
		c := mustChannel(t, j, "m01")
		mustSync(t, j)
		go j.Run(t.Context())
		time.Sleep(time.Second) // fake: the journal is idle
		before := d.synced()
		mustAppend(t, c, "", span(1, 0))
		synctest.Wait()
		if c.Head() != 1 {
			t.Error("after idling the first record is not synced at once")
		}
		for i := range 1000 {
			mustAppend(t, c, "", span(1, uint64(i)))
			time.Sleep(time.Millisecond)
		}
		if n := d.synced() - before; n < 5 || n > 6 {
			t.Errorf("%d syncs in a busy second, want 5 and the one at its begin", n)
		}
		time.Sleep(200 * time.Millisecond)
		synctest.Wait()
		if c.Head() != 1001 {
			t.Errorf("head %d after 200 ms of rest, want 1001", c.Head())
		}
	})
}

func TestUnfinishedSegmentIsRemoved(t *testing.T) {
	dir := t.TempDir()
	j, _ := mustOpen(t, dir, Options{})
	mustAppend(t, mustChannel(t, j, "m01"), "s", span(1, 1))
	j.Close()
	left := filepath.Join(dir, "000000000002"+segmentSuffix+newSuffix)
	if err := os.WriteFile(left, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, rep := mustOpen(t, dir, Options{})
	if rep.Records != 1 || rep.Segments != 1 {
		t.Errorf("report = %+v", rep)
	}
	if _, err := os.Stat(left); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the unfinished segment is still there: %v", err)
	}
}
