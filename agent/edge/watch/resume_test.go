package watch

import (
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// An agent that was replaced goes on from the server's reading: exactly where
// the counter follows without doubt, with bounds that hold the truth where it
// may have fallen.
func TestResume(t *testing.T) {
	type expect struct {
		life     byte // of the newest count
		told     uint64
		kind     wirepb.LinkKind // unspecified: the life goes on
		min, max uint64
	}
	tests := []struct {
		name  string
		bits  uint
		raw   uint64 // the server's reading
		ext   uint64
		age   time.Duration
		more  time.Duration // by which it may have been longer ago
		per   uint32
		reads []uint64 // a second apart
		truth uint64   // counts since the reading
		want  expect
	}{
		{"counter intact", 32, 90_000, 90_000, time.Hour, 0, 1, []uint64{91_200, 91_200}, 1200, expect{1, 91_200, 0, 0, 0}},
		{"nothing moved", 32, 90_000, 90_000, time.Hour, 0, 1, []uint64{90_000}, 0, expect{1, 90_000, 0, 0, 0}},
		{"a wrap between", 16, 65_000, 130_536, 30 * time.Minute, 0, 1, []uint64{100, 100, 100}, 636, expect{2, 100, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 2270}},
		{"the end of the register, or a reset near it", 32, 1<<32 - 60, 1<<32 - 60, 217 * time.Second, 0, 1, []uint64{185, 185, 185}, 185, expect{2, 185, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 290}},
		{"a reset between", 32, 90_000, 90_000, time.Hour, 0, 1, []uint64{50, 50, 50, 50}, 350, expect{2, 50, wirepb.LinkKind_LINK_KIND_RESET, 0, 4500}},
		{"another width is configured", 32, 90_000, 90_000, time.Hour, 0, 4, []uint64{91_200, 91_201}, 1201, expect{2, 91_201, wirepb.LinkKind_LINK_KIND_REPLACED, 0, 4600}},
		// 12 minutes by a clock that was set back since: 902 counts were possible by it, 5405 in an hour more.
		{"the server's clock was set back, near", 32, 90_000, 90_000, 12 * time.Minute, time.Hour, 1, []uint64{90_700, 90_700, 90_700}, 700, expect{1, 90_700, 0, 0, 0}},
		{"the server's clock was set back, farther than it tells", 32, 90_000, 90_000, 12 * time.Minute, time.Hour, 1, []uint64{93_000, 93_000, 93_000}, 3000, expect{2, 93_000, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 5420}},
		{"set back by nobody knows what, a register set to anything", 16, 27_000, 27_000, 0, 24 * time.Hour, 1, []uint64{59_192, 59_192, 59_192}, 110, expect{2, 59_192, wirepb.LinkKind_LINK_KIND_AMBIGUOUS, 0, 108_020}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			n := byte(1)
			w, err := New(Config{Bits: tt.bits}, func() (id [16]byte) { n++; id[0] = n; return id }, func([16]byte) uint32 { return 1 })
			if err != nil {
				t.Fatal(err)
			}
			now := source.Instant{Boot: [16]byte{9}, Boottime: int64(10 * time.Second), Wall: int64(5000 * time.Second)}
			st := w.Resume(Resumed{Life: [16]byte{1}, Ext: tt.ext, Raw: tt.raw, Bits: tt.bits, PerRevolution: tt.per, At: now, Age: tt.age, Longer: tt.more})
			var recs []*wirepb.Record
			for _, raw := range tt.reads {
				now.Boottime += int64(time.Second)
				now.Wall += int64(time.Second)
				var r []*wirepb.Record
				st, r = w.Step(st, source.Reading{At: now, Raw: raw}, false)
				recs = append(recs, r...)
			}
			var link *wirepb.LifeLink
			var gap *wirepb.StateGap
			counted := uint64(0)
			for _, r := range recs {
				if l := r.GetLifeLink(); l != nil {
					link = l
				}
				if g := r.GetStateGap(); g != nil {
					gap = g
				}
				if s := r.GetCountSpan(); s != nil {
					counted += s.GetTo() - s.GetFrom()
					if s.GetTo() > s.GetFrom() && s.GetQuality() != wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN {
						t.Errorf("counts of the hole are told as %v", s.GetQuality())
					}
				}
			}
			if gap == nil || gap.GetRawBefore() != tt.raw || time.Duration(int64(10*time.Second)-gap.GetFromBoottimeNs()) != tt.age {
				t.Errorf("gap %v, want one from %v before the answer", gap, tt.age)
			}
			if st.Life[0] != tt.want.life || st.Count.Ext != tt.want.told || st.Count.Holding() {
				t.Errorf("life %d at %d, holding %v; want %d at %d", st.Life[0], st.Count.Ext, st.Count.Holding(), tt.want.life, tt.want.told)
			}
			if link.GetKind() != tt.want.kind || link != nil && (link.GetPrevTo() != tt.ext || link.GetPrevLife()[0] != 1) {
				t.Fatalf("link %v", link)
			}
			if min, max := counted+link.GetLostMin(), counted+link.GetLostMax(); tt.truth < min || tt.truth > max || link.GetLostMax() > tt.want.max || link == nil && min != max {
				t.Errorf("between %d and %d counts are told, %d were made", min, max, tt.truth)
			}
		})
	}
}

// How old a reading is, the server's clock tells, unless it was made in this boot:
// whose time nobody can set.
func TestAnswerOfTheSameBoot(t *testing.T) {
	boot, other := [16]byte{9}, [16]byte{8}
	at := source.Instant{Boot: boot, Boottime: int64(10 * time.Minute)}
	for _, x := range []struct {
		name        string
		boot        []byte
		read        time.Duration // since the boot of the reading
		age, longer time.Duration
	}{
		{"this boot", boot[:], 4 * time.Minute, 6 * time.Minute, 0},
		{"another boot", other[:], 4 * time.Minute, time.Minute, time.Hour},
		{"a boot that is not told", nil, 0, time.Minute, time.Hour},
		{"later than now", boot[:], 11 * time.Minute, time.Minute, time.Hour},
	} {
		r := Answer(&wirepb.Resume{BootId: x.boot, BoottimeNs: int64(x.read), ReadingNs: 1e15, SentNs: 1e15 + int64(time.Minute), LongerAgoNs: int64(time.Hour)}, at)
		if r.Age != x.age || r.Longer != x.longer {
			t.Errorf("%s: %v ago and up to %v more, want %v and %v", x.name, r.Age, r.Longer, x.age, x.longer)
		}
	}
}

// A stop that was open when the state was lost goes on while its machine
// stands, and ends somewhere in the hole otherwise.
func TestResumeInAStop(t *testing.T) {
	for _, moved := range []bool{false, true} {
		w, err := New(Config{Bits: 32, Stops: []Stop{{Cause: "yarn"}}}, func() [16]byte { return [16]byte{7} }, func([16]byte) uint32 { return 1 })
		if err != nil {
			t.Fatal(err)
		}
		now := source.Instant{Boot: [16]byte{9}, Boottime: int64(time.Hour), Wall: int64(time.Hour)}
		st := w.Resume(Resumed{Life: [16]byte{1}, Ext: 5, Raw: 5, Bits: 32, PerRevolution: 1, At: now, Age: time.Minute, Stop: [16]byte{3}})
		r := source.Reading{At: now, Raw: 5, Active: []int{0}}
		if moved {
			r.Raw, r.Active = 25, nil
		}
		r.At.Boottime += 1
		st, recs := w.Step(st, r, false)
		id, _, open := st.Stopped()
		if open == moved || open && id != [16]byte{3} {
			t.Errorf("moved %v: stop %x open %v", moved, id, open)
		}
		ends, claims := 0, 0
		for _, rec := range recs {
			if rec.GetBoottimeNs() < now.Boottime {
				t.Errorf("moved %v: a record of before the answer, which the other reader watched: %v", moved, rec)
			}
			if e := rec.GetStopEnd(); e != nil {
				if ends++; e.GetEarliestBoottimeNs() != now.Boottime-int64(time.Minute) {
					t.Errorf("the stop ended at %d ns at the earliest, want a minute before the answer", e.GetEarliestBoottimeNs())
				}
			}
			if b := rec.GetStopBegin(); b != nil {
				claims++
				if b.GetStopId()[0] != 3 || b.GetCause() != "yarn" {
					t.Errorf("a second stop began: %v", b)
				}
			}
		}
		if (ends == 1) != moved {
			t.Errorf("moved %v: %d ends", moved, ends)
		}
		if (claims == 1) == moved {
			t.Errorf("moved %v: the stop was claimed %d times", moved, claims)
		}
	}
}

// The server's stop goes on under an input of its name, the turn of running out
// included; under another one it is another stop as soon as the cylinder has turned.
func TestResumeInAStopOfAnotherInput(t *testing.T) {
	for _, tt := range []struct {
		name, cause string
		active      int
		raw         uint64
		goesOn      bool
	}{
		{"its own input", "needle", 1, 6, true},
		{"its own input, far", "needle", 1, 7, false},
		{"another input, no turn", "yarn", 1, 5, true},
		{"another input, a turn", "yarn", 1, 6, false},
		{"an input that is not configured any more", "fabric", 1, 6, false},
		{"who began it is not known", "", 1, 6, true},
	} {
		w, err := New(Config{Bits: 32, Stops: []Stop{{Cause: "yarn"}, {Cause: "needle"}}}, func() [16]byte { return [16]byte{7} }, func([16]byte) uint32 { return 1 })
		if err != nil {
			t.Fatal(err)
		}
		now := source.Instant{Boot: [16]byte{9}, Boottime: int64(time.Hour), Wall: int64(time.Hour)}
		st := w.Resume(Answer(&wirepb.Resume{LifeId: []byte{1}, Extended: 5, Raw: 5, RawBits: 32, StopId: append([]byte{3}, make([]byte, 15)...), StopCause: tt.cause,
			ReadingNs: 1, SentNs: 1 + int64(time.Minute)}, now))
		r := source.Reading{At: now, Raw: tt.raw, Active: []int{tt.active}}
		r.At.Boottime++
		st, recs := w.Step(st, r, false)
		want := byte(7)
		if tt.goesOn {
			want = 3
		}
		ended := false
		for _, rec := range recs {
			ended = ended || rec.GetStopEnd().GetStopId() != nil && rec.GetStopEnd().GetStopId()[0] == 3
		}
		if id, _, open := st.Stopped(); !open || id[0] != want || ended == tt.goesOn {
			t.Errorf("%s: stop %x, open %v, the one of before ended: %v; want stop %d", tt.name, id[0], open, ended, want)
		}
	}
}
