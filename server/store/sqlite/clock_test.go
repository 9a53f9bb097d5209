package sqlite

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/ingest"
	"turnwise/server/store"
)

// lab is a mill of one machine in which only the test knows what time it is.
type lab struct {
	*testing.T
	s     *Store
	clerk *ingest.Clerk
	rnd   *rand.Rand
	now   time.Time     // true UTC
	set   time.Duration // by which the server's clock is wrong
	// oneWay bounds the time of a message on the network.
	oneWay time.Duration
}

func newLab(t *testing.T) *lab {
	s := open(t, t.TempDir())
	t.Cleanup(func() {
		undamaged(t, s.file)
		s.Close()
	})
	register(t, s, "k01")
	l := &lab{T: t, s: s, rnd: rand.New(rand.NewPCG(1, 2)), now: start, oneWay: 5 * time.Millisecond}
	clerk, err := ingest.NewClerk(t.Context(), s, ingest.Options{Log: quiet, Now: l.server})
	if err != nil {
		t.Fatal(err)
	}
	l.clerk = clerk
	return l
}

func (l *lab) server() time.Time { return l.now.Add(l.set) }

func (l *lab) network() { l.now = l.now.Add(time.Duration(l.rnd.Int64N(int64(l.oneWay) + 1))) }

// box is an agent's host: a crystal that is wrong by some ppm, and a wall clock
// that says anything.
type box struct {
	l       *lab
	stream  store.ID
	index   uint32
	booted  time.Time
	ppm     float64
	wall    func(true time.Time) time.Time
	old     bool // of a version that does not measure
	offset  int64
	half    int64
	at      int64 // boottime of the measurement; it gets worse by 100 ppm
	known   bool
	journal []store.Record // not acknowledged yet
	first   uint64         // of the journal
	counts  uint64
	told    int64 // boottime up to which the spans go
}

func (l *lab) box(ppm float64, wall func(time.Time) time.Time) *box {
	return &box{l: l, stream: store.ID{7}, index: 1, booted: l.now.Add(-time.Minute), ppm: ppm, wall: wall, first: 1}
}

// reboot begins another boot; what is in the journal stays.
func (b *box) reboot() {
	b.index++
	b.booted, b.known = b.l.now, false
}

func (b *box) boottime(at time.Time) int64 {
	return int64(float64(at.Sub(b.booted)) * (1 + b.ppm/1e6))
}

func (b *box) record(at time.Time, kind any) {
	b.journal = append(b.journal, store.Record{Boot: b.index, Boottime: b.boottime(at), Wall: b.wall(at).UnixNano(), Kind: kind})
}

// run lets the cylinder turn at 30 rpm for a while, in spans of ten seconds.
func (b *box) run(d time.Duration) {
	if b.told == 0 {
		b.told = b.boottime(b.l.now)
	}
	for end := b.l.now.Add(d); b.l.now.Before(end); {
		b.l.now = b.l.now.Add(10 * time.Second)
		b.record(b.l.now, &store.CountSpan{Life: store.ID{9}, From: b.counts, To: b.counts + 5, FromBoottime: b.told, PerRev: 1})
		b.counts, b.told = b.counts+5, b.boottime(b.l.now)
	}
}

// exchange sends the journal until the server has it, as an agent does.
func (b *box) exchange() {
	b.l.Helper()
	for tries := 0; len(b.journal) > 0; tries++ {
		if tries > 1000 {
			b.l.Fatalf("%d records are still not taken", len(b.journal))
		}
		n := min(len(b.journal), 100)
		x := store.Batch{
			Stream: b.stream, Run: store.ID{byte(b.index)}, FirstSeq: b.first, HeadSeq: b.first + uint64(n) - 1, Records: b.journal[:n],
			Boots: map[uint32]store.ID{}, Clock: store.Clock{Boot: b.index, Boottime: b.boottime(b.l.now), Wall: b.wall(b.l.now).UnixNano()},
		}
		for i := range b.index + 1 {
			x.Boots[i] = store.ID{8, byte(i)}
		}
		if !b.old {
			x.Clock.Server = store.ServerClock{Told: true, Measured: b.known, Offset: b.offset, Error: b.half + (x.Clock.Boottime-b.at)/10_000}
		}
		p, err := ingest.Wire(x)
		if err != nil {
			b.l.Fatal(err)
		}
		payload, err := proto.Marshal(p)
		if err != nil {
			b.l.Fatal(err)
		}
		b.l.network()
		m := ingest.Read("a1", "k01", "topic", payload, b.l.server())
		replies, err := b.l.clerk.Commit(context.Background(), []ingest.Message{m}, func(int) uint32 { return 4 })
		if err != nil || len(replies) != 1 {
			b.l.Fatalf("%d replies, %v", len(replies), err)
		}
		ack := replies[0].Acks.GetAcks()[0]
		if v := ack.GetVerdict(); v != wirepb.Verdict_VERDICT_OK && v != wirepb.Verdict_VERDICT_NEED_FROM {
			b.l.Fatalf("verdict %v: %s", v, ack.GetReason())
		}
		b.l.network()
		b.measure(ack.GetEchoBoottimeNs(), ack.GetReceivedNs(), ack.GetSentNs())
		b.journal = b.journal[ack.GetAckedSeq()+1-b.first:]
		b.first = ack.GetAckedSeq() + 1
	}
}

// measure takes the four time stamps of an acknowledgement that comes now.
func (b *box) measure(echo, received, sent int64) {
	back := b.boottime(b.l.now)
	b.known, b.at, b.half = true, back, (back-echo-(sent-received))/2
	b.offset = (received - echo + sent - back) / 2
}

// other is an exchange about another machine of the same agent.
func (b *box) other() {
	echo := b.boottime(b.l.now)
	b.l.network()
	received := b.l.server().UnixNano()
	b.l.network()
	b.measure(echo, received, received)
}

func (l *lab) state() store.MachineState {
	l.Helper()
	states, err := l.s.States(l.Context())
	if err != nil {
		l.Fatal(err)
	}
	x := states[0]
	if got, want := x.RunMS+x.StopMS+x.UnknownMS, x.Last.Sub(x.First).Milliseconds(); got != want {
		l.Fatalf("run + stop + unknown = %d ms, %d ms elapsed", got, want)
	}
	return x
}

// near checks that the newest record is placed where it was.
func (l *lab) near(what string, was time.Time, most time.Duration) {
	l.Helper()
	if off := l.state().Last.Sub(was); off.Abs() > most {
		l.Fatalf("%s: the record of %s is placed at %s, %v off; at most %v expected", what, was.Format(time.StampMilli), l.state().Last.Format(time.StampMilli), off, most)
	}
}

// lan is what is asked for on a local network without NTP on the agents.
const lan = 50 * time.Millisecond

// An agent whose clock says anything is placed right by its first acknowledged
// exchange, and its times are those that passed.
func TestFault_25_WallClockOff(t *testing.T) {
	for name, wall := range map[string]func(time.Time) time.Time{
		"right":      func(at time.Time) time.Time { return at },
		"1970":       func(at time.Time) time.Time { return time.Unix(at.Unix()%86400, 0) },
		"2100":       func(at time.Time) time.Time { return at.AddDate(69, 0, 0) },
		"an hour on": func(at time.Time) time.Time { return at.Add(time.Hour) },
		"late":       func(at time.Time) time.Time { return at.Add(-time.Hour) },
		"a second":   func(at time.Time) time.Time { return at.Add(1500 * time.Millisecond) },
		"steps": func(at time.Time) time.Time {
			if at.Sub(start) > 5*time.Minute {
				return at.Add(time.Hour)
			}
			return at.AddDate(-61, 0, 0)
		},
	} {
		t.Run(name, func(t *testing.T) {
			l := newLab(t)
			b := l.box(0, wall)
			b.run(2 * time.Minute)
			first := l.now
			b.exchange()
			l.near("first contact", first, lan)
			for range 10 {
				b.run(time.Minute)
				was := l.now
				b.exchange()
				l.near("later", was, lan)
			}
			// The network takes time between the runs; all of it is running.
			x := l.state()
			if want := x.Last.Sub(x.First).Milliseconds(); x.RunMS != want || x.Revolutions != int64(b.counts) {
				t.Errorf("%d ms running of %d, %d revolutions of %d", x.RunMS, want, x.Revolutions, b.counts)
			}
			if off := x.First.Sub(start); off.Abs() > lan {
				t.Errorf("first record %v off", off)
			}
		})
	}
}

// The server's clock is set forward or back while it runs. Nothing is lost,
// frozen or counted twice, past times stay, and what comes next is placed by
// the new clock; the time in between is not known.
func TestFault_26_ServerClockStep(t *testing.T) {
	for _, by := range []time.Duration{time.Hour, -time.Hour, 400 * time.Millisecond, -400 * time.Millisecond} {
		t.Run(fmt.Sprint(by), func(t *testing.T) {
			l := newLab(t)
			b := l.box(20, func(at time.Time) time.Time { return at })
			for range 20 {
				b.run(time.Minute)
				b.exchange()
			}
			before := l.state()
			l.set = by
			for range 80 {
				b.run(time.Minute)
				b.exchange()
			}
			x := l.state()
			if x.Revolutions != int64(b.counts) {
				t.Errorf("%d revolutions, %d were made", x.Revolutions, b.counts)
			}
			if !x.First.Equal(before.First) || x.RunMS < before.RunMS {
				t.Errorf("the books of before have moved: %+v, %+v", before, x)
			}
			l.near("after the step", l.now.Add(by), lan)
			unknown := time.Duration(x.UnknownMS) * time.Millisecond
			if want := max(by, 0); want > time.Second && (unknown-want).Abs() > time.Minute || want < time.Second && unknown != 0 {
				t.Errorf("%v unknown, the clock was set by %v", unknown, by)
			}
		})
	}
}

// A reader that is met after the server's clock was set back: nobody counted for
// as long as the clock shows, and for what it was set back. The bounds say so, and
// the same ones when all is counted again from the records.
func TestReaderMetAfterTheClockWasSetBack(t *testing.T) {
	for _, by := range []time.Duration{0, -time.Hour} {
		t.Run(fmt.Sprint(by), func(t *testing.T) {
			l := newLab(t)
			b := l.box(20, func(at time.Time) time.Time { return at })
			b.record(l.now, &store.ConfigApplied{PerRev: 1, MaxRPM: 60})
			for i := range 20 {
				if i == 10 {
					l.set = by
				}
				b.run(time.Minute)
				for _, r := range b.journal {
					if k, ok := r.Kind.(*store.CountSpan); ok {
						k.RawTo, k.RawBits = k.To, 32
					}
				}
				b.exchange()
			}
			l.now = l.now.Add(10 * time.Minute)
			x := l.box(20, func(at time.Time) time.Time { return at })
			x.stream, x.index, x.told = store.ID{17}, 2, x.boottime(l.now)
			x.record(l.now, &store.LifeLink{Kind: "first sight", New: store.ID{19}, Raw: 5_000_000, Ext: 5_000_000, RawBits: 32, PerRev: 1, MaxRPM: 60})
			x.exchange()
			var back int64
			if err := l.s.read.QueryRow(`SELECT back_ms FROM stream WHERE id = ?`, x.stream[:]).Scan(&back); err != nil {
				t.Fatal(err)
			}
			if got := time.Duration(back) * time.Millisecond; (got + by).Abs() > lan {
				t.Errorf("set back by %v, the stream says %v", -by, got)
			}
			seen, err := l.s.SetBack(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if u, err := l.s.Upkeep(t.Context(), l.server(), time.Time{}); err != nil || !reflect.DeepEqual(u.SetBack, seen) {
				t.Errorf("how records are kept tells %+v, %v, asked alone it is %+v", u.SetBack, err, seen)
			}
			if told := seen != nil; told != (by < 0) || told && ((seen.By+by).Abs() > lan || seen.Machine != "k01" || l.server().Sub(seen.Seen).Abs() > time.Minute) {
				t.Errorf("set back by %v, told is %+v", -by, seen)
			}
			totals, _, err := l.s.Totals(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			lost, away := totals[0].LostMax, 10*time.Minute-by
			if least := int64(away.Minutes() * 75); lost < least || lost > least+20 {
				t.Errorf("up to %d turns lost in %v at 75 a minute", lost, away)
			}
		})
	}
}

// No NTP all day: a crystal that is wrong by 100 ppm goes 8.6 s wrong a day.
// While the server is heard, the agent stays in its place; after a day without
// it, what was journalled lies on the line between what was measured before
// and after.
func TestFault_27_NoNTPAllDay(t *testing.T) {
	hours := 24
	if testing.Short() {
		hours = 4
	}
	for ppm, hours := range map[float64]int{100: hours, -100: 4} {
		t.Run(fmt.Sprintf("%g ppm", ppm), func(t *testing.T) {
			l := newLab(t)
			b := l.box(ppm, func(time.Time) time.Time { return time.Unix(0, 0) })
			worst := time.Duration(0)
			for range hours * 30 {
				b.run(2 * time.Minute)
				was := l.now
				b.other()
				b.exchange()
				worst = max(worst, l.state().Last.Sub(was).Abs())
			}
			var lines int
			if err := l.s.read.QueryRow(`SELECT count(*) FROM boot_line`).Scan(&lines); err != nil {
				t.Fatal(err)
			}
			t.Logf("%d h: worst error %v, %d lines", hours, worst, lines)
			if worst > lan {
				t.Errorf("%v off in %d h, at most %v expected", worst, hours, lan)
			}
			// A whole day away: the first batches of the backlog come with the
			// measurement of yesterday, the others with that of today.
			b.run(time.Duration(hours) * time.Hour)
			was := l.now
			b.exchange()
			l.near("after a day away", was, lan)
			x := l.state()
			if x.Revolutions != int64(b.counts) || x.UnknownMS != 0 {
				t.Errorf("%d revolutions of %d, %d ms unknown", x.Revolutions, b.counts, x.UnknownMS)
			}
		})
	}
}

// CLOCK_BOOTTIME goes on while the host sleeps: the times include the sleep,
// and the map of the boot needs no correction for it.
func TestFault_28_Suspend(t *testing.T) {
	l := newLab(t)
	b := l.box(50, func(at time.Time) time.Time { return at.AddDate(-5, 0, 0) })
	b.run(10 * time.Minute)
	b.exchange()
	slept := b.told
	l.now = l.now.Add(3 * time.Hour)
	b.record(l.now, &store.StateGap{FromBoot: b.index, FromBoottime: slept, Reason: "agent down"})
	b.told = b.boottime(l.now)
	b.run(10 * time.Minute)
	b.exchange()
	x := l.state()
	if unknown := time.Duration(x.UnknownMS) * time.Millisecond; (unknown-3*time.Hour).Abs() > time.Second || x.Revolutions != int64(b.counts) {
		t.Errorf("%v unknown, 3 h asleep; %d revolutions of %d", unknown, x.Revolutions, b.counts)
	}
	b.run(time.Minute)
	was := l.now
	b.exchange()
	l.near("awake", was, lan)
}

// A boot that never spoke lies between what came before it and the beginning
// of the boot that speaks for it.
func TestSilentBoot(t *testing.T) {
	for name, wall := range map[string]func(time.Time) time.Time{
		"right": func(at time.Time) time.Time { return at },
		"1970":  func(time.Time) time.Time { return time.Unix(5, 0) },
		"fast":  func(at time.Time) time.Time { return at.Add(2 * time.Hour) },
		"slow":  func(at time.Time) time.Time { return at.Add(-2 * time.Hour) },
	} {
		t.Run(name, func(t *testing.T) {
			l := newLab(t)
			b := l.box(0, func(at time.Time) time.Time { return at })
			b.run(10 * time.Minute)
			b.exchange()
			spoke := l.state().Last
			b.wall = wall
			l.now = l.now.Add(time.Hour)
			b.reboot()
			l.now = l.now.Add(time.Second)
			b.told = b.boottime(l.now)
			stop := store.ID{1, 2, 3}
			b.record(l.now, &store.StopBegin{Stop: stop, Input: true, Cause: "yarn"})
			l.now = l.now.Add(10 * time.Minute)
			b.record(l.now, &store.StopEnd{Stop: stop})
			l.now = l.now.Add(time.Hour)
			b.reboot()
			speaks := l.now
			l.now = l.now.Add(time.Minute)
			b.told = b.boottime(l.now)
			b.run(time.Minute)
			was := l.now
			b.exchange()
			l.near("the boot that speaks", was, lan)
			stops, err := l.s.Stops(t.Context(), store.StopQuery{})
			if err != nil || len(stops) != 1 {
				t.Fatalf("%d stops, %v", len(stops), err)
			}
			if d := stops[0].End.Sub(stops[0].Begin); d != 10*time.Minute {
				t.Errorf("the stop lasted %v, 10 minutes passed", d)
			}
			if stops[0].Begin.Before(spoke) || stops[0].End.After(speaks.Add(lan)) {
				t.Errorf("the stop is placed at %v to %v, the silent boot lay between %v and %v", stops[0].Begin, stops[0].End, spoke, speaks)
			}
		})
	}
}

// An agent that does not measure is booked at once, as before.
func TestOldAgentIsNotAsked(t *testing.T) {
	l := newLab(t)
	b := l.box(0, func(time.Time) time.Time { return time.Unix(0, 0) })
	b.old = true
	b.run(time.Minute)
	was := l.now
	b.exchange()
	l.near("by the receipt", was, lan)
	if l.now.Sub(was) > 2*l.oneWay {
		t.Errorf("more than one exchange: %v", l.now.Sub(was))
	}
	// The same host with a new program: the boot stays where it is placed.
	b.old = false
	b.run(time.Minute)
	was = l.now
	b.exchange()
	l.near("measured later", was, lan)
}
