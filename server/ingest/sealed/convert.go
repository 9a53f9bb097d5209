// Package sealed turns the records of the wire into those of the store and
// back. The bytes of a record are its truth: what is read here was journalled
// by an agent and never changes. An unknown kind is no error, its bytes are
// kept for a later version.
package sealed

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/store"
)

// Record reads a sealed record that must have sequence number seq. The body is
// not copied. Errors are [wire.ErrMalformed]; the record then still has its
// bytes and no kind.
func Record(s *wirepb.SealedRecord, seq uint64) (store.Record, error) {
	r := store.Record{Seq: seq, CRC: s.GetCrc32C(), Coarse: s.GetCoarse(), Body: s.GetBody()}
	err := Decode(s.GetBody(), &r)
	return r, err
}

// Decode reads the body of a record into r, which holds its sequence number.
func Decode(body []byte, r *store.Record) error {
	var p wirepb.Record
	if err := proto.Unmarshal(body, &p); err != nil {
		return fmt.Errorf("record %d is not a Record message: %w: %w", r.Seq, wire.ErrMalformed, err)
	}
	if p.GetSeq() != r.Seq {
		return fmt.Errorf("record %d says that it is record %d: %w", r.Seq, p.GetSeq(), wire.ErrMalformed)
	}
	kind, err := fromKind(&p)
	if err != nil {
		return fmt.Errorf("record %d: %w", r.Seq, err)
	}
	r.Boot, r.Boottime, r.Wall, r.Synced, r.Kind = p.GetBoot(), p.GetBoottimeNs(), p.GetWallNs(), Synced(p.GetClock()), kind
	return nil
}

// Synced tells whether a wall clock was disciplined.
func Synced(q wirepb.ClockQuality) bool {
	return q == wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED || q == wirepb.ClockQuality_CLOCK_QUALITY_SERVER_SYNCED
}

func fromKind(p *wirepb.Record) (any, error) {
	switch k := p.GetKind().(type) {
	case *wirepb.Record_CountSpan:
		x := k.CountSpan
		life, err := fromID("life_id", x.GetLifeId())
		return &store.CountSpan{
			Life: life, From: x.GetFrom(), To: x.GetTo(), RawTo: x.GetRawTo(), RawBits: x.GetRawBits(),
			FromBoottime: x.GetFromBoottimeNs(), PerRev: max(x.GetCountsPerRevolution(), 1),
			TimeUnknown: x.GetQuality() == wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN,
			Inched:      x.GetQuality() == wirepb.CountQuality_COUNT_QUALITY_INCHED,
		}, err
	case *wirepb.Record_StopBegin:
		x := k.StopBegin
		stop, err := fromID("stop_id", x.GetStopId())
		return &store.StopBegin{
			Stop: stop, Input: x.GetSource() == wirepb.StopSource_STOP_SOURCE_INPUT,
			Cause: x.GetCause(), Side: x.GetSide(), At: x.GetAt(),
		}, err
	case *wirepb.Record_StopEnd:
		x := k.StopEnd
		stop, err := fromID("stop_id", x.GetStopId())
		return &store.StopEnd{Stop: stop, At: x.GetAt(), Earliest: x.GetEarliestBoottimeNs()}, err
	case *wirepb.Record_StateGap:
		x := k.StateGap
		return &store.StateGap{
			FromBoot: x.GetFromBoot(), FromBoottime: x.GetFromBoottimeNs(), FromWall: x.GetFromWallNs(),
			RawBefore: x.GetRawBefore(), RawAfter: x.GetRawAfter(), Reason: word(reasons, x.GetReason()), StopContinued: x.GetStopContinued(),
		}, nil
	case *wirepb.Record_LifeLink:
		x := k.LifeLink
		fresh, err := fromID("new_life", x.GetNewLife())
		if err != nil {
			return nil, err
		}
		var prev store.ID
		if len(x.GetPrevLife()) > 0 {
			prev, err = fromID("prev_life", x.GetPrevLife())
		}
		return &store.LifeLink{
			New: fresh, Prev: prev, PrevTo: x.GetPrevTo(), Kind: word(links, x.GetKind()),
			LostMin: x.GetLostMin(), LostMax: x.GetLostMax(), Evidence: x.GetEvidence(), PerRev: max(x.GetCountsPerRevolution(), 1),
			Raw: x.GetRaw(), RawBits: x.GetRawBits(), Ext: x.GetExtended(), MaxRPM: x.GetMaxSpeedRpm(),
		}, err
	case *wirepb.Record_Discontinuity:
		x := k.Discontinuity
		return &store.Discontinuity{Input: x.GetInput(), Missed: x.GetMissed(), Evidence: x.GetEvidence()}, nil
	case *wirepb.Record_ConfigApplied:
		x := k.ConfigApplied
		return &store.ConfigApplied{SourceKind: x.GetSourceKind(), PerRev: max(x.GetCountsPerRevolution(), 1), MaxRPM: x.GetMaxSpeedRpm()}, nil
	case *wirepb.Record_Tombstone:
		return &store.Tombstone{From: k.Tombstone.GetFromSeq(), To: k.Tombstone.GetToSeq()}, nil
	case *wirepb.Record_ClockStep:
		return &store.ClockStep{Delta: time.Duration(k.ClockStep.GetDeltaNs())}, nil
	}
	return nil, nil
}

func fromID(field string, b []byte) (id store.ID, err error) {
	if len(b) != len(id) {
		return id, fmt.Errorf("%s has %d bytes, %d expected: %w", field, len(b), len(id), wire.ErrMalformed)
	}
	copy(id[:], b)
	return id, nil
}

const notTold = "not told"

// word is the store's word; what only a newer agent knows is not told here.
func word[K comparable](m map[K]string, k K) string {
	if w, ok := m[k]; ok {
		return w
	}
	return notTold
}

var reasons = map[wirepb.GapReason]string{
	wirepb.GapReason_GAP_REASON_AGENT_DOWN:        "agent down",
	wirepb.GapReason_GAP_REASON_SOURCE_UNREADABLE: "source unreadable",
	wirepb.GapReason_GAP_REASON_UNSPECIFIED:       notTold,
}

var links = map[wirepb.LinkKind]string{
	wirepb.LinkKind_LINK_KIND_FIRST_SIGHT: "first sight",
	wirepb.LinkKind_LINK_KIND_RESET:       "reset",
	wirepb.LinkKind_LINK_KIND_REPLACED:    "replaced",
	wirepb.LinkKind_LINK_KIND_PRESET:      "preset",
	wirepb.LinkKind_LINK_KIND_AMBIGUOUS:   "ambiguous",
	wirepb.LinkKind_LINK_KIND_UNSPECIFIED: notTold,
}

// Wire is the message of a record of the store, for tools and tests that make
// batches. What the store does not keep (digests) is left out.
func Wire(r store.Record) *wirepb.Record {
	p := &wirepb.Record{Seq: r.Seq, Boot: r.Boot, BoottimeNs: r.Boottime, WallNs: r.Wall}
	if r.Synced {
		p.Clock = wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED
	}
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		q := wirepb.CountQuality_COUNT_QUALITY_SURE
		switch {
		case k.TimeUnknown:
			q = wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN
		case k.Inched:
			q = wirepb.CountQuality_COUNT_QUALITY_INCHED
		}
		p.Kind = &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{
			LifeId: k.Life[:], From: k.From, To: k.To, RawTo: k.RawTo, RawBits: k.RawBits,
			FromBoottimeNs: k.FromBoottime, CountsPerRevolution: k.PerRev, Quality: q,
		}}
	case *store.StopBegin:
		s := wirepb.StopSource_STOP_SOURCE_STANDSTILL
		if k.Input {
			s = wirepb.StopSource_STOP_SOURCE_INPUT
		}
		p.Kind = &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: k.Stop[:], Source: s, Cause: k.Cause, Side: k.Side, At: k.At}}
	case *store.StopEnd:
		p.Kind = &wirepb.Record_StopEnd{StopEnd: &wirepb.StopEnd{StopId: k.Stop[:], At: k.At, EarliestBoottimeNs: k.Earliest}}
	case *store.StateGap:
		p.Kind = &wirepb.Record_StateGap{StateGap: &wirepb.StateGap{
			FromBoot: k.FromBoot, FromBoottimeNs: k.FromBoottime, FromWallNs: k.FromWall,
			RawBefore: k.RawBefore, RawAfter: k.RawAfter, Reason: key(reasons, k.Reason), StopContinued: k.StopContinued,
		}}
	case *store.LifeLink:
		l := &wirepb.LifeLink{
			NewLife: k.New[:], PrevTo: k.PrevTo, Kind: key(links, k.Kind), LostMin: k.LostMin, LostMax: k.LostMax,
			Evidence: k.Evidence, CountsPerRevolution: k.PerRev,
			Raw: k.Raw, RawBits: k.RawBits, Extended: k.Ext, MaxSpeedRpm: k.MaxRPM,
		}
		if k.Prev != (store.ID{}) {
			l.PrevLife = k.Prev[:]
		}
		p.Kind = &wirepb.Record_LifeLink{LifeLink: l}
	case *store.Discontinuity:
		p.Kind = &wirepb.Record_Discontinuity{Discontinuity: &wirepb.Discontinuity{Input: k.Input, Missed: k.Missed, Evidence: k.Evidence}}
	case *store.ConfigApplied:
		p.Kind = &wirepb.Record_ConfigApplied{ConfigApplied: &wirepb.ConfigApplied{SourceKind: k.SourceKind, CountsPerRevolution: k.PerRev, MaxSpeedRpm: k.MaxRPM}}
	case *store.Tombstone:
		p.Kind = &wirepb.Record_Tombstone{Tombstone: &wirepb.Tombstone{FromSeq: k.From, ToSeq: k.To}}
	case *store.ClockStep:
		p.Kind = &wirepb.Record_ClockStep{ClockStep: &wirepb.ClockStep{DeltaNs: int64(k.Delta)}}
	}
	return p
}

func key[K comparable](m map[K]string, word string) (found K) {
	for k, w := range m {
		if w == word {
			found = k
		}
	}
	return found
}
