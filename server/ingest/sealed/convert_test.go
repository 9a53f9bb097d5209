package sealed

import (
	"errors"
	"reflect"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/store"
)

// Every kind survives the way to the wire and back.
func TestBothWays(t *testing.T) {
	for _, kind := range []any{
		&store.CountSpan{Life: store.ID{1}, From: 5, To: 9, RawTo: 9, RawBits: 16, FromBoottime: -7, PerRev: 3, TimeUnknown: true},
		&store.CountSpan{Life: store.ID{1}, PerRev: 1},
		&store.CountSpan{Life: store.ID{1}, From: 5, To: 6, PerRev: 1, Inched: true},
		&store.StopBegin{Stop: store.ID{2}, Input: true, Cause: "yarn", Side: "top", At: 9},
		&store.StopBegin{Stop: store.ID{2}},
		&store.StopEnd{Stop: store.ID{2}, At: 9, Earliest: 4},
		&store.StateGap{FromBoot: 3, FromBoottime: 8, FromWall: 9, RawBefore: 1, RawAfter: 2, Reason: "agent down", StopContinued: true},
		&store.StateGap{Reason: "source unreadable"},
		&store.LifeLink{New: store.ID{4}, Prev: store.ID{1}, PrevTo: 9, Kind: "reset", LostMin: 1, LostMax: 7, Evidence: "9 -> 0", PerRev: 2},
		&store.LifeLink{New: store.ID{4}, Kind: "first sight", PerRev: 1},
		&store.Discontinuity{Input: "pulse", Missed: 3, Evidence: "seqno"},
		&store.ConfigApplied{SourceKind: "modbus", PerRev: 1, MaxRPM: 30},
		&store.Tombstone{From: 3, To: 9},
		&store.ClockStep{Delta: -time.Second},
		nil,
	} {
		want := store.Record{Seq: 12, Boot: 1, Boottime: 500, Wall: 900, Synced: true, Kind: kind}
		s, err := wire.Seal(make([]byte, wire.IDLen), Wire(want))
		if err != nil {
			t.Fatalf("%T: %v", kind, err)
		}
		got, err := Record(s, 12)
		if err != nil {
			t.Errorf("%T: %v", kind, err)
		}
		want.CRC, want.Body = s.GetCrc32C(), s.GetBody()
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%T: %+v, want %+v", kind, got, want)
		}
	}
}

func TestMalformed(t *testing.T) {
	for name, p := range map[string]*wirepb.Record{
		"life_id too short":  {Seq: 1, Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: []byte{1}}}},
		"no stop_id":         {Seq: 1, Kind: &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{}}},
		"prev_life too long": {Seq: 1, Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{NewLife: make([]byte, 16), PrevLife: make([]byte, 17)}}},
		"another seq":        {Seq: 2},
	} {
		body, err := proto.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Record(&wirepb.SealedRecord{Body: body}, 1); !errors.Is(err, wire.ErrMalformed) {
			t.Errorf("%s: error %v, want ErrMalformed", name, err)
		}
	}
}

// A word that only a newer agent knows is not an empty one.
func TestWordsOfNewerAgents(t *testing.T) {
	for _, p := range []*wirepb.Record{
		{Seq: 1, Kind: &wirepb.Record_StateGap{StateGap: &wirepb.StateGap{Reason: 99}}},
		{Seq: 1, Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{NewLife: make([]byte, wire.IDLen), Kind: 99}}},
	} {
		body, err := proto.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		r := store.Record{Seq: 1}
		if err := Decode(body, &r); err != nil {
			t.Fatal(err)
		}
		switch k := r.Kind.(type) {
		case *store.StateGap:
			if k.Reason != "not told" {
				t.Errorf("reason %q, want not told", k.Reason)
			}
		case *store.LifeLink:
			if k.Kind != "not told" {
				t.Errorf("kind %q, want not told", k.Kind)
			}
		default:
			t.Errorf("%T", k)
		}
	}
}

// FuzzDecode demands that no bytes can do more than be refused, and that what
// is read says the same again.
func FuzzDecode(f *testing.F) {
	life := store.ID{1}
	for _, p := range []*wirepb.Record{
		Wire(store.Record{Seq: 1, Kind: &store.CountSpan{Life: life, To: 4, PerRev: 1}}),
		Wire(store.Record{Seq: 1, Kind: &store.LifeLink{New: life, PerRev: 1, Kind: "reset"}}),
		Wire(store.Record{Seq: 1, Kind: &store.StateGap{Reason: "agent down"}}),
	} {
		body, err := proto.Marshal(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(body)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		r := store.Record{Seq: 1}
		if err := Decode(body, &r); err != nil {
			if !errors.Is(err, wire.ErrMalformed) {
				t.Errorf("error %v is not ErrMalformed", err)
			}
			return
		}
		if r.Kind == nil {
			return
		}
		again := store.Record{Seq: 1}
		body, err := proto.Marshal(Wire(r))
		if err != nil {
			t.Fatal(err)
		}
		if err := Decode(body, &again); err != nil {
			t.Fatal(err)
		}
		if c, ok := r.Kind.(*store.ConfigApplied); ok && c.MaxRPM != c.MaxRPM {
			return // NaN is not equal to itself
		}
		if !reflect.DeepEqual(r, again) {
			t.Errorf("read %+v, again %+v", r, again)
		}
	})
}
