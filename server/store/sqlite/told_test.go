package sqlite

import (
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
)

// told is one stream of a machine that an agent tells, record by record.
type told struct {
	t    *testing.T
	s    *Store
	next uint64
}

func (a *told) say(seconds int64, kind any) {
	a.t.Helper()
	a.next++
	at := seconds * 1e9
	commit(a.t, a.s, seal(a.t, "a1", "k01", store.Batch{
		Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: a.next, HeadSeq: a.next, Boots: map[uint32]store.ID{1: {3}},
		Clock:   store.Clock{Boot: 1, Boottime: at, Wall: start.UnixNano() + at},
		Records: []store.Record{{Boot: 1, Boottime: at, Wall: start.UnixNano() + at, Kind: kind}},
	}))
}

func newTold(t *testing.T) *told {
	s := open(t, t.TempDir())
	t.Cleanup(func() {
		undamaged(t, s.file)
		s.Close()
	})
	register(t, s, "k01")
	return &told{t: t, s: s}
}

// Begins and ends that come twice change nothing; an end without a begin is
// kept and joined when the begin comes.
func TestFault_47_StopsToldTwice(t *testing.T) {
	a := newTold(t)
	life := store.ID{9}
	a.say(10, &store.CountSpan{Life: life, From: 0, To: 5, PerRev: 1})
	for range 2 {
		a.say(20, &store.StopBegin{Stop: store.ID{1}, Input: true, Cause: "yarn"})
	}
	for range 2 {
		a.say(50, &store.StopEnd{Stop: store.ID{1}})
	}
	a.say(20, &store.StopBegin{Stop: store.ID{1}, Input: true, Cause: "yarn"})
	a.say(60, &store.StopEnd{Stop: store.ID{2}}) // an orphan
	stops, err := a.s.Stops(t.Context(), store.StopQuery{})
	if err != nil || len(stops) != 1 || stops[0].End.Sub(stops[0].Begin) != 30*time.Second {
		t.Fatalf("stops %+v, %v; want one of 30 s", stops, err)
	}
	a.say(55, &store.StopBegin{Stop: store.ID{2}, Input: true, Cause: "needle"})
	stops, err = a.s.Stops(t.Context(), store.StopQuery{})
	if err != nil || len(stops) != 2 || stops[0].Cause != "needle" || !stops[0].End.Equal(start.Add(time.Minute)) {
		t.Errorf("stops %+v, %v; want the orphan with its begin", stops, err)
	}
	totals, _, err := a.s.Totals(t.Context())
	if err != nil || totals[0].Stops != 2 || totals[0].ByCause["yarn"] != 1 || totals[0].OpenStop {
		t.Errorf("books %+v, %v", totals, err)
	}
}

// A stop across a shift's end in the nights of the clock change: the shift has
// 7 or 9 hours of real time, and its sums are what elapsed. A leap second is in
// none of the clocks: Unix time has no place for it, and the boot's time is
// mapped to it by what the acknowledgements say.
func TestFault_48_ClockChangeInAShift(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this host:", err)
	}
	for _, tt := range []struct {
		name  string
		night time.Time // its evening, 22:00; dates: rule of the EU, last Sunday of March and October
		hours int64
	}{
		{"forward", time.Date(2031, 3, 29, 22, 0, 0, 0, zone), 7},
		{"back", time.Date(2031, 10, 25, 22, 0, 0, 0, zone), 9},
		{"usual", time.Date(2031, 5, 10, 22, 0, 0, 0, zone), 8},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := newTold(t)
			end := time.Date(tt.night.Year(), tt.night.Month(), tt.night.Day()+1, 6, 0, 0, 0, zone)
			sec := func(at time.Time) int64 { return int64(at.Sub(start) / time.Second) }
			run, life := tt.night.Add(-time.Hour), store.ID{9}
			stop := end.Add(-30 * time.Minute)
			a.say(sec(run), &store.CountSpan{Life: life, FromBoottime: sec(run) * 1e9, PerRev: 1})
			a.say(sec(stop), &store.CountSpan{Life: life, To: 5000, FromBoottime: sec(run) * 1e9, PerRev: 1})
			a.say(sec(stop), &store.StopBegin{Stop: store.ID{1}, Input: true, Cause: "yarn"})
			a.say(sec(end.Add(time.Hour)), &store.StopEnd{Stop: store.ID{1}})
			cells, err := a.s.Rollups(t.Context(), store.RollupQuery{Grain: store.Fine, Machine: "k01", From: tt.night, To: end})
			if err != nil {
				t.Fatal(err)
			}
			var runMS, stopMS, all int64
			for _, c := range cells {
				runMS, stopMS, all = runMS+c.RunMS, stopMS+c.StopMS, all+c.RunMS+c.StopMS+c.UnknownMS
			}
			if all != tt.hours*3_600_000 || stopMS != 30*60_000 || runMS != all-stopMS {
				t.Errorf("%d ms running, %d ms stopped, %d ms in all; the shift has %d h, half an hour of it stopped", runMS, stopMS, all, tt.hours)
			}
		})
	}
}

// A record of an unknown kind and one that is no record at all are kept with
// their bytes; the stream goes on, and both are told.
func TestFault_50_PoisonRecord(t *testing.T) {
	s := open(t, t.TempDir())
	t.Cleanup(func() {
		undamaged(t, s.file)
		s.Close()
	})
	register(t, s, "k01")
	stream, life := make([]byte, wire.IDLen), make([]byte, wire.IDLen)
	stream[0], life[0] = 7, 9
	record := func(seq uint64, kind *wirepb.Record) []byte {
		kind.Seq, kind.BoottimeNs, kind.WallNs = seq, int64(seq)*1e10, start.UnixNano()+int64(seq)*1e10
		b, err := proto.Marshal(kind)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	span := func(from, to uint64) *wirepb.Record {
		return &wirepb.Record{Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: life, From: from, To: to}}}
	}
	unknown := protowire.AppendBytes(protowire.AppendTag(record(2, &wirepb.Record{}), 99, protowire.BytesType), []byte("of a later version"))
	bodies := [][]byte{record(1, span(0, 1)), unknown, {0xff, 0xff, 0xff}, record(4, span(1, 3))}
	p := &wirepb.Batch{StreamId: stream, RunId: stream, FirstSeq: 1, HeadSeq: 4, Clock: &wirepb.AgentClock{BoottimeNs: 4e10, WallNs: start.UnixNano() + 4e10}}
	for i, body := range bodies {
		p.Records = append(p.Records, &wirepb.SealedRecord{Body: body, Crc32C: wire.RecordCRC(stream, uint64(i+1), body)})
	}
	p.Crc32C = wire.BatchCRC(p)
	payload, err := proto.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if p, err = wire.DecodeBatch(payload); err != nil {
		t.Fatal(err)
	}
	o := commit(t, s, ingest.Batch("a1", "k01", p, start.Add(41*time.Second)))
	if o.Verdict != store.OK || o.Acked != 4 || o.Unread != 1 {
		t.Fatalf("verdict %d (%s), acked %d, %d unread; want OK, 4 and 1", o.Verdict, o.Reason, o.Acked, o.Unread)
	}
	if n := revolutions(t, s); n != 3 {
		t.Errorf("%d revolutions, want 3", n)
	}
	for i, want := range bodies {
		var got []byte
		if err := s.read.QueryRow(`SELECT body FROM record WHERE seq = ?`, i+1).Scan(&got); err != nil || string(got) != string(want) {
			t.Errorf("record %d is kept as %x, %v; want %x", i+1, got, err, want)
		}
	}
	var refused, unread int
	if err := s.read.QueryRow(`SELECT (SELECT count(*) FROM refused WHERE seq = 3), (SELECT sum(unread) FROM stream)`).Scan(&refused, &unread); err != nil || refused != 1 || unread != 1 {
		t.Errorf("%d refused, %d unread, %v", refused, unread, err)
	}
}
