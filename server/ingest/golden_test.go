package ingest_test

import (
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
)

var writeGolden = flag.Bool("golden", false, "write the messages of testdata/wire that are missing, with how they are read")

const golden = "../../testdata/wire"

// seq16 is an identity that a reader of the files recognises.
func seq16(first byte) []byte {
	b := make([]byte, wire.IDLen)
	for i := range b {
		b[i] = first + byte(i)
	}
	return b
}

// everyKind is one record of each kind. Without newest it has the form of the
// first agents: no measured clock, no inched turns, no reading in a life link.
func everyKind(newest bool) []*wirepb.Record {
	life, stop := seq16(0x10), seq16(0x30)
	link := &wirepb.LifeLink{NewLife: life, PrevLife: seq16(0x20), PrevTo: 99, Kind: wirepb.LinkKind_LINK_KIND_RESET, LostMin: 1, LostMax: 7, Evidence: "99 -> 0", CountsPerRevolution: 1}
	last := wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN
	if newest {
		link.Raw, link.RawBits, link.Extended, link.MaxSpeedRpm = 3, 16, 3, 40
		last = wirepb.CountQuality_COUNT_QUALITY_INCHED
	}
	return []*wirepb.Record{
		{Kind: &wirepb.Record_ConfigApplied{ConfigApplied: &wirepb.ConfigApplied{Digest: make([]byte, 32), SourceKind: "modbus-tcp", CountsPerRevolution: 1, MaxSpeedRpm: 40}}},
		{Kind: &wirepb.Record_LifeLink{LifeLink: link}},
		{Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: life, From: 3, To: 8, RawTo: 8, RawBits: 16, FromBoottimeNs: 1e9, CountsPerRevolution: 1, Quality: wirepb.CountQuality_COUNT_QUALITY_SURE}}},
		{Kind: &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: stop, Source: wirepb.StopSource_STOP_SOURCE_INPUT, Cause: "yarn", Side: "top", At: 8}}},
		{Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: life, From: 8, To: 9, RawTo: 9, RawBits: 16, FromBoottimeNs: 4e9, CountsPerRevolution: 1, Quality: last}}},
		{Kind: &wirepb.Record_StopEnd{StopEnd: &wirepb.StopEnd{StopId: stop, At: 9, EarliestBoottimeNs: 5e9}}},
		{Kind: &wirepb.Record_StateGap{StateGap: &wirepb.StateGap{FromBoot: 1, FromBoottimeNs: 6e9, FromWallNs: day.UnixNano(), RawBefore: 9, RawAfter: 9, Reason: wirepb.GapReason_GAP_REASON_AGENT_DOWN, StopContinued: true}}},
		{Kind: &wirepb.Record_Discontinuity{Discontinuity: &wirepb.Discontinuity{Input: "revolution", Missed: 2, Evidence: "events 7 to 10"}}},
		{Kind: &wirepb.Record_Tombstone{Tombstone: &wirepb.Tombstone{FromSeq: 3, ToSeq: 5}}},
		{Kind: &wirepb.Record_ClockStep{ClockStep: &wirepb.ClockStep{DeltaNs: -3600e9}}},
	}
}

// everyValue is what everyKind leaves out: the other values of every
// enumeration, in records that use them.
func everyValue() (all []*wirepb.Record) {
	for kind := wirepb.LinkKind_LINK_KIND_FIRST_SIGHT; kind <= wirepb.LinkKind_LINK_KIND_AMBIGUOUS; kind++ {
		all = append(all, &wirepb.Record{Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{NewLife: seq16(byte(kind)), Kind: kind, Raw: 3, RawBits: 32, Extended: 3, LostMax: 5}}})
	}
	for q := wirepb.CountQuality_COUNT_QUALITY_SURE; q <= wirepb.CountQuality_COUNT_QUALITY_INCHED; q++ {
		all = append(all, &wirepb.Record{Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: seq16(5), From: 2 + uint64(q), To: 3 + uint64(q), RawTo: 3 + uint64(q), RawBits: 32, FromBoottimeNs: 1, Quality: q}}})
	}
	return append(all,
		&wirepb.Record{Kind: &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: seq16(0x30), Source: wirepb.StopSource_STOP_SOURCE_STANDSTILL, At: 6}}},
		&wirepb.Record{Kind: &wirepb.Record_StateGap{StateGap: &wirepb.StateGap{FromBoot: 1, FromBoottimeNs: 2e9, FromWallNs: day.UnixNano(), RawBefore: 6, RawAfter: 6, Reason: wirepb.GapReason_GAP_REASON_SOURCE_UNREADABLE}}})
}

// batchOf seals records the way an agent does; more is appended to each body.
func batchOf(t *testing.T, records []*wirepb.Record, change func(*wirepb.Batch), more []byte) []byte {
	t.Helper()
	b := &wirepb.Batch{
		StreamId: seq16(0x40), RunId: seq16(0x50), FirstSeq: 7, HeadSeq: 6 + uint64(len(records)),
		Clock: &wirepb.AgentClock{Boot: 1, BoottimeNs: 20e9, WallNs: day.UnixNano(), Quality: wirepb.ClockQuality_CLOCK_QUALITY_FREE},
		Boots: []*wirepb.Boot{{Index: 1, BootId: seq16(0x60)}},
	}
	for i, r := range records {
		r.Seq, r.Boot, r.BoottimeNs, r.WallNs = b.FirstSeq+uint64(i), 1, int64(i+1)*1e9, day.UnixNano()+int64(i)
		if r.Clock == wirepb.ClockQuality_CLOCK_QUALITY_UNSPECIFIED {
			r.Clock = wirepb.ClockQuality_CLOCK_QUALITY_FREE
		}
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		body = append(body, more...)
		b.Records = append(b.Records, &wirepb.SealedRecord{Body: body, Crc32C: wire.RecordCRC(b.StreamId, r.Seq, body)})
	}
	if change != nil {
		change(b)
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return payload
}

// crafted makes the messages of the corpus. What is once in a file is never
// made again: this is for new ones.
func crafted(t *testing.T) map[string][]byte {
	later := protowire.AppendBytes(protowire.AppendTag(nil, 500, protowire.BytesType), []byte("of a later version"))
	kind := protowire.AppendBytes(protowire.AppendTag(nil, 99, protowire.BytesType), []byte("a kind of a later version"))
	span := &wirepb.CountSpan{LifeId: seq16(0x10), From: 3, To: 8, Quality: 77}
	enums := []*wirepb.Record{
		{Kind: &wirepb.Record_CountSpan{CountSpan: span}},
		{Kind: &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: seq16(0x30), Source: 9}}},
		{Kind: &wirepb.Record_StateGap{StateGap: &wirepb.StateGap{FromBoot: 1, Reason: 9}}},
		{Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{NewLife: seq16(0x10), Kind: 9}}},
	}
	values := everyValue()
	for i, r := range values {
		r.Clock = wirepb.ClockQuality(1 + i%4)
	}
	return map[string][]byte{
		"batch-1.2-every-value": batchOf(t, values, func(b *wirepb.Batch) { b.BeforeCrc32C = proto.Uint32(0xfeedc0de) }, nil),
		"batch-1.0-every-kind":  batchOf(t, everyKind(false), nil, nil),
		"batch-1.1-every-kind": batchOf(t, everyKind(true), func(b *wirepb.Batch) {
			b.Clock.Server = &wirepb.ServerClock{Measured: true, OffsetNs: day.UnixNano() - 20e9, ErrorNs: 2e6}
		}, nil),
		"batch-unknown-kind":   batchOf(t, []*wirepb.Record{{}, {}}, nil, kind),
		"batch-unknown-fields": append(batchOf(t, everyKind(true), nil, later), later...),
		"batch-future-enums":   batchOf(t, enums, func(b *wirepb.Batch) { b.Clock.Quality = 9 }, nil),
		"batch-coarse":         batchOf(t, everyKind(false)[8:9], func(b *wirepb.Batch) { b.Records[0].Coarse = true }, nil),
	}
}

// read is how the server reads a batch, in words.
func read(payload []byte) string {
	b, err := wire.DecodeBatch(payload)
	if err != nil {
		return "refused: " + err.Error() + "\n"
	}
	x := ingest.Batch("a1", "k01", b, time.Time{})
	var w strings.Builder
	fmt.Fprintf(&w, "stream %x run %x from %d head %d\nclock %+v\n", x.Stream, x.Run, x.FirstSeq, x.HeadSeq, x.Clock)
	if x.Before != nil { // the first forms did not tell it
		fmt.Fprintf(&w, "after a record with check sum %08x\n", *x.Before)
	}
	for index, id := range x.Boots {
		fmt.Fprintf(&w, "boot %d %x\n", index, id)
	}
	for _, r := range x.Records {
		fmt.Fprintf(&w, "%d coarse=%v boot %d at %d wall %d synced=%v crc %08x ", r.Seq, r.Coarse, r.Boot, r.Boottime, r.Wall, r.Synced, r.CRC)
		if r.Kind == nil {
			fmt.Fprintf(&w, "a kind that is not known, %d bytes\n", len(r.Body))
			continue
		}
		v := reflect.ValueOf(r.Kind).Elem()
		fmt.Fprint(&w, v.Type().Name())
		for i := range v.NumField() {
			// A field of later does not change how an older form is read.
			if f := v.Field(i); f.Kind() == reflect.Array {
				fmt.Fprintf(&w, " %s:%x", v.Type().Field(i).Name, f.Interface())
			} else if !f.IsZero() {
				fmt.Fprintf(&w, " %s:%v", v.Type().Field(i).Name, f.Interface())
			}
		}
		fmt.Fprintln(&w)
	}
	return w.String()
}

// The server reads every form of a batch that an agent ever sent, or may send
// one day, as it did when the form was new.
func TestFault_43_EveryForm(t *testing.T) {
	if *writeGolden {
		for name, payload := range crafted(t) {
			file := filepath.Join(golden, name)
			if _, err := os.Stat(file + ".hex"); err == nil {
				continue
			}
			for ext, text := range map[string]string{".hex": hex.Dump(payload), ".txt": read(payload)} {
				if err := os.WriteFile(file+ext, []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	files, err := filepath.Glob(filepath.Join(golden, "batch-*.hex"))
	if err != nil || len(files) < 6 {
		t.Fatalf("%d batches in %s, %v", len(files), golden, err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".hex"), func(t *testing.T) {
			want, err := os.ReadFile(strings.TrimSuffix(file, ".hex") + ".txt")
			if err != nil {
				t.Fatal(err)
			}
			if got := read(dumped(t, file)); got != string(want) {
				t.Errorf("read as\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// dumped reads a file that hex.Dump wrote.
func dumped(t *testing.T, file string) (b []byte) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if len(line) < 59 {
			continue
		}
		part, err := hex.DecodeString(strings.ReplaceAll(line[10:58], " ", ""))
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		b = append(b, part...)
	}
	return b
}
