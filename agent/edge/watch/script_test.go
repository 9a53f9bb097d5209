package watch

import (
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

const sec = int64(time.Second)

// script runs readings through a watch and writes down what it told, one
// short line a record: "2 stop yarn/top at 7" is a stop at second 2.
type script struct {
	t    *testing.T
	w    *Watch
	st   State
	now  source.Instant
	ids  byte
	told []string
	recs []*wirepb.Record
	past bool
}

func newScript(t *testing.T, c Config) *script {
	t.Helper()
	if c.Bits == 0 {
		c.Bits = 32
	}
	c.Digest[0], c.SourceKind = 1, "test"
	s := &script{t: t, now: source.Instant{Boot: [16]byte{1}, Wall: 1_800_000_000 * sec, Quality: source.NTPSynced}}
	s.use(c)
	return s
}

func (s *script) use(c Config) {
	s.t.Helper()
	if c.Bits == 0 {
		c.Bits = 32
	}
	w, err := New(c, func() [16]byte { s.ids++; return [16]byte{s.ids} }, func(b [16]byte) uint32 { return uint32(b[0]) })
	if err != nil {
		s.t.Fatal(err)
	}
	s.w = w
}

// at takes a reading at a second.
func (s *script) at(second float64, raw uint64, active ...int) {
	s.t.Helper()
	s.read(second, source.Reading{Raw: raw, Active: active, SpeedRPM: -1})
}

func (s *script) fail(second float64) {
	s.t.Helper()
	s.read(second, source.Reading{Err: errors.New("no answer")})
}

func (s *script) read(second float64, r source.Reading) {
	s.t.Helper()
	r.At = instant(s.now, int64(second*1e9))
	before, err := s.st.AppendBinary(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	was := s.st
	var recs []*wirepb.Record
	s.st, recs = s.w.Step(s.st, r, s.past)
	if after, _ := was.AppendBinary(nil); !slices.Equal(before, after) {
		s.t.Fatalf("second %v: Step changed the state that it was given", second)
	}
	for _, rec := range recs {
		s.recs = append(s.recs, rec)
		s.told = append(s.told, line(rec))
	}
}

// restart writes the state and reads it again, as a new process does.
func (s *script) restart() {
	s.t.Helper()
	b, err := s.st.AppendBinary(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	s.st = State{}
	if err := s.st.UnmarshalBinary(b); err != nil {
		s.t.Fatal(err)
	}
	if again, _ := s.st.AppendBinary(nil); !slices.Equal(again, b) {
		s.t.Fatalf("state came back as %x, want %x", again, b)
	}
}

// boot begins another boot; its clock stands at the given second of the wall.
func (s *script) boot(n byte, wallSecond int64) {
	s.now = source.Instant{Boot: [16]byte{n}, Wall: 1_800_000_000*sec + wallSecond*sec, Quality: source.NTPSynced}
}

// want compares what was told since the last call.
func (s *script) want(lines ...string) {
	s.t.Helper()
	if !slices.Equal(s.told, lines) {
		s.t.Errorf("told:\n  %s\nwant:\n  %s", strings.Join(s.told, "\n  "), strings.Join(lines, "\n  "))
	}
	s.told = nil
}

func line(r *wirepb.Record) string {
	at := fmt.Sprint(float64(r.GetBoottimeNs()) / 1e9)
	if r.GetBoot() != 1 {
		at = fmt.Sprintf("boot %d %s", r.GetBoot(), at)
	}
	secs := func(ns int64) string { return fmt.Sprint(float64(ns) / 1e9) }
	switch k := r.GetKind().(type) {
	case *wirepb.Record_CountSpan:
		c := k.CountSpan
		unsure := ""
		switch c.GetQuality() {
		case wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN:
			unsure = " unsure"
		case wirepb.CountQuality_COUNT_QUALITY_INCHED:
			if c.GetTo() > c.GetFrom() {
				unsure = " inched"
			}
		}
		return fmt.Sprintf("%s span %s (%d,%d] from %s%s", at, hex.EncodeToString(c.GetLifeId()[:1]), c.GetFrom(), c.GetTo(), secs(c.GetFromBoottimeNs()), unsure)
	case *wirepb.Record_StopBegin:
		b := k.StopBegin
		if b.GetSource() == wirepb.StopSource_STOP_SOURCE_STANDSTILL {
			return fmt.Sprintf("%s standstill at %d", at, b.GetAt())
		}
		return fmt.Sprintf("%s stop %s/%s at %d", at, b.GetCause(), b.GetSide(), b.GetAt())
	case *wirepb.Record_StopEnd:
		e := ""
		if k.StopEnd.GetEarliestBoottimeNs() != 0 {
			e = " earliest " + secs(k.StopEnd.GetEarliestBoottimeNs())
		}
		return fmt.Sprintf("%s end at %d%s", at, k.StopEnd.GetAt(), e)
	case *wirepb.Record_StateGap:
		g := k.StateGap
		why := map[wirepb.GapReason]string{wirepb.GapReason_GAP_REASON_AGENT_DOWN: "down", wirepb.GapReason_GAP_REASON_SOURCE_UNREADABLE: "unreadable"}[g.GetReason()]
		if g.GetStopContinued() {
			why += ", stop continued"
		}
		return fmt.Sprintf("%s gap from %d/%s raw %d to %d %s", at, g.GetFromBoot(), secs(g.GetFromBoottimeNs()), g.GetRawBefore(), g.GetRawAfter(), why)
	case *wirepb.Record_LifeLink:
		l := k.LifeLink
		name := strings.ToLower(strings.TrimPrefix(l.GetKind().String(), "LINK_KIND_"))
		if name == "first_sight" {
			return at + " " + name
		}
		return fmt.Sprintf("%s %s after %d lost %d-%d", at, name, l.GetPrevTo(), l.GetLostMin(), l.GetLostMax())
	case *wirepb.Record_ConfigApplied:
		return at + " config"
	case *wirepb.Record_ClockStep:
		return fmt.Sprintf("%s clock %s", at, time.Duration(k.ClockStep.GetDeltaNs()))
	}
	return at + " unknown"
}

var twoInputs = []Stop{{Cause: "yarn", Side: "top"}, {Cause: "needle"}}
