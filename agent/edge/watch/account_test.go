package watch

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// account books records the way a reader of the stream does, and complains
// where one contradicts another. Instants are ns of the wall.
type account struct {
	t       *rapid.T
	began   bool
	first   int64
	told    int64 // up to here
	unknown int64
	open    []byte // stop
	life    []byte
	fresh   bool // no span of the life yet: it begins where its first span does
	to      uint64
	counts  uint64
	run     uint64 // of the counts: made while running
	inched  uint64 // and by hand
	unsure  uint64 // and nobody saw when
	lost    [2]uint64
	stops   int
}

// until moves the told time forward and says by how much.
func (a *account) until(t int64) int64 {
	d := max(0, t-a.told)
	a.told += d
	return d
}

func (a *account) book(r *wirepb.Record) {
	at := r.GetWallNs()
	if !a.began {
		a.began, a.first, a.told = true, at, at
	}
	switch k := r.GetKind().(type) {
	case *wirepb.Record_CountSpan:
		c := k.CountSpan
		if a.fresh {
			a.fresh, a.to = false, c.GetFrom()
		}
		if string(c.GetLifeId()) != string(a.life) || c.GetFrom() != a.to || c.GetTo() < c.GetFrom() {
			a.t.Fatalf("span %v does not follow %d of life %x", line(r), a.to, a.life[:1])
		}
		a.to = c.GetTo()
		n := c.GetTo() - c.GetFrom()
		a.counts += n
		switch c.GetQuality() {
		case wirepb.CountQuality_COUNT_QUALITY_SURE:
			a.run += n
		case wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN:
			a.unsure += n
		case wirepb.CountQuality_COUNT_QUALITY_INCHED:
			a.inched += n
			if a.open == nil || n == 0 {
				a.t.Fatalf("%s is filed as inched, stop open %v", line(r), a.open != nil)
			}
		}
		begin := at - (r.GetBoottimeNs() - c.GetFromBoottimeNs())
		if c.GetQuality() == wirepb.CountQuality_COUNT_QUALITY_SURE && begin < a.told {
			a.t.Fatalf("span %s begins %s before what is told", line(r), time.Duration(a.told-begin))
		}
		a.until(at)
	case *wirepb.Record_StopBegin:
		if a.open != nil {
			a.t.Fatalf("%s while another is open", line(r))
		}
		if at < a.told {
			a.t.Fatalf("%s begins %s before what is told", line(r), time.Duration(a.told-at))
		}
		a.until(at)
		a.open = k.StopBegin.GetStopId()
		a.stops++
	case *wirepb.Record_StopEnd:
		if string(a.open) != string(k.StopEnd.GetStopId()) {
			a.t.Fatalf("%s of another stop than the open one", line(r))
		}
		a.until(at)
		a.open = nil
	case *wirepb.Record_StateGap:
		if k.StateGap.GetFromWallNs() < a.told {
			a.t.Fatalf("%s begins %s before what is told", line(r), time.Duration(a.told-k.StateGap.GetFromWallNs()))
		}
		if k.StateGap.GetStopContinued() && a.open == nil {
			a.t.Fatalf("%s continues no stop", line(r))
		}
		a.until(k.StateGap.GetFromWallNs())
		d := a.until(at)
		if !k.StateGap.GetStopContinued() {
			a.unknown += d
		}
	case *wirepb.Record_LifeLink:
		if a.life != nil && (k.LifeLink.GetPrevTo() != a.to || string(k.LifeLink.GetPrevLife()) != string(a.life)) {
			a.t.Fatalf("%s, but the life before was told up to %d", line(r), a.to)
		}
		first := a.life == nil
		a.life, a.fresh = k.LifeLink.GetNewLife(), true
		if !first {
			a.lost[0] += k.LifeLink.GetLostMin()
			a.lost[1] += k.LifeLink.GetLostMax()
		}
	}
}

// TestAccount: whatever happens, time is told once, stops do not overlap,
// spans follow each other, unknown time is what nobody watched, and no count
// is lost or told twice.
func TestAccount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		conf := Config{
			Bits: 32, PerRevolution: 1, MaxRPM: 60, StopAfter: 4 * time.Second, Digest: [32]byte{1},
			CrawlRPM: rapid.SampledFrom([]float64{0, 4, 15}).Draw(t, "crawl"),
			Stops:    []Stop{{Cause: "yarn"}, {Cause: "lamp", Hold: 1500 * time.Millisecond}},
		}
		var ids uint16
		w, err := New(conf, func() [16]byte { ids++; return [16]byte{byte(ids), byte(ids >> 8)} }, func(b [16]byte) uint32 { return uint32(b[0]) })
		if err != nil {
			t.Fatal(err)
		}
		a := &account{t: t}
		var st State
		now := source.Instant{Boot: [16]byte{1}, Boottime: int64(time.Hour), Wall: 1_800_000_000 * sec, Quality: source.NTPSynced}
		raw := rapid.Uint64Range(10_000, 1<<31).Draw(t, "first raw")
		start, turned := raw, 0.0
		var last, unknown int64
		failed, down := 0, false
		rpm := 0.0
		begin := 0 // number of the reading that the books begin with
		if rapid.Bool().Draw(t, "first reading is wrong") {
			begin = 1
		}
		var active []int
		for i := range rapid.IntRange(10, 150).Draw(t, "readings") {
			step := rapid.SampledFrom([]time.Duration{500 * time.Millisecond, 500 * time.Millisecond, time.Second, 5 * time.Second, 20 * time.Second}).Draw(t, "step")
			switch rapid.SampledFrom([]string{"", "", "", "turn", "stand", "stop", "clear", "fail", "restart", "reboot"}).Draw(t, "event") {
			case "turn":
				rpm = rapid.Float64Range(1, 60).Draw(t, "rpm")
			case "stand":
				rpm = 0
			case "stop":
				active = rapid.SampledFrom([][]int{{0}, {1}, {0, 1}}).Draw(t, "inputs")
				rpm = 0
			case "clear":
				active = nil
			case "fail":
				n := rapid.IntRange(1, 4).Draw(t, "failed reads")
				failed += n
				for range n {
					st, _ = w.Step(st, source.Reading{At: now, Err: errors.New("no answer")}, false)
				}
			case "restart":
				if st.Known {
					b, err := st.AppendBinary(nil)
					if err != nil {
						t.Fatal(err)
					}
					st = State{}
					if err := st.UnmarshalBinary(b); err != nil {
						t.Fatal(err)
					}
					down = true
				}
			case "reboot":
				now.Boot[0]++
				now.Boottime = 0
				down = true
			}
			now.Boottime += int64(step)
			now.Wall += int64(step)
			turned += rpm * step.Minutes()
			raw = start + uint64(turned)
			shown := raw
			if i < begin {
				shown = raw ^ 1<<31
			}
			continued := false
			var recs []*wirepb.Record
			st, recs = w.Step(st, source.Reading{At: now, Raw: shown, Active: active, SpeedRPM: -1}, false)
			if i > 0 && st.Last != now {
				continue // a lamp's dark half, perhaps: the hole goes on
			}
			for _, r := range recs {
				a.book(r)
				continued = continued || r.GetStateGap().GetStopContinued()
			}
			if i == begin {
				start, turned = raw, 0 // the first reading books nothing
			}
			if i > 0 && !continued && (down || failed >= 3 || now.Wall-last > int64(12*time.Second)) {
				unknown += now.Wall - last
			}
			failed, down, last = 0, false, now.Wall
			if a.told > now.Wall {
				t.Fatalf("told %s ahead of the newest reading", time.Duration(a.told-now.Wall))
			}
			if stopID, _, open := st.Stopped(); open != (a.open != nil) || open && string(a.open) != string(stopID[:]) {
				t.Fatalf("the state says stop open %v, the records %v", open, a.open != nil)
			}
		}
		if a.unknown != unknown {
			t.Fatalf("unknown time told %s, %s nobody watched", time.Duration(a.unknown), time.Duration(unknown))
		}
		// What is not told yet is in the state.
		if a.run+a.inched+a.unsure != a.counts {
			t.Fatalf("%d run, %d inched, %d unsure; %d in all", a.run, a.inched, a.unsure, a.counts)
		}
		rest := st.Count.Ext - st.Told
		if got, want := a.counts+rest, raw-start; got != want || a.lost[1] != 0 {
			t.Fatalf("%s", fmt.Sprintf("%d counts, %d turned, lost %v", got, want, a.lost))
		}
	})
}
