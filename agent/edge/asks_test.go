package edge

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// oracle is an uplink that answers the questions of an agent, or is silent.
type oracle struct {
	a      *Agent
	answer func(machine string) *wirepb.Resume
	away   func(machine string, since int64) *wirepb.Absence
}

func (o *oracle) Run(ctx context.Context) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		for _, q := range o.a.asks.questions() {
			if q.Since != 0 {
				if a := o.away(q.Machine, q.Since); a != nil {
					o.a.asks.absent(a, o.a.now())
				}
			} else if r := o.answer(q.Machine); r != nil {
				o.a.asks.resumed(r, o.a.now())
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

// A new journal goes on from the server's reading; without a word of the
// server it begins a life soon; a journal that knows does not ask.
func TestNewJournalAsksTheServer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		known := func(machine string) *wirepb.Resume {
			return &wirepb.Resume{Machine: machine, Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE, LifeId: make([]byte, 16), Extended: 70_000, Raw: 70_000, RawBits: 32,
				CountsPerRevolution: 1, ReadingNs: 1, SentNs: 1 + int64(time.Hour)}
		}
		for _, c := range []struct {
			name   string
			answer func(string) *wirepb.Resume
			first  uint64 // record's begin of counts
			lives  int
		}{
			{"answered", known, 70_000, 0},
			{"silent", func(string) *wirepb.Resume { return nil }, 70_100, 1},
			{"refused", func(m string) *wirepb.Resume {
				return &wirepb.Resume{Machine: m, Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_REFUSED, Reason: "register it"}
			}, 70_100, 1},
		} {
			m := newMill()
			m.shows["k01"] = func(since time.Duration) (uint64, []int, error) {
				return 70_100 + uint64(since/time.Second)/3, nil, nil
			}
			dir := t.TempDir()
			run := func(answer func(string) *wirepb.Resume) {
				a := m.agent(t, testConfig(dir, "k01"), Options{})
				a.asks = new(asks)
				a.uplink = &oracle{a: a, answer: answer}
				runFor(t, a, 40*time.Second)
			}
			run(c.answer)
			lives, first := 0, uint64(0)
			for _, r := range records(t, dir, "k01") {
				if r.GetLifeLink() != nil {
					lives++
				}
				if s := r.GetCountSpan(); s != nil && first == 0 {
					first = s.GetFrom()
				}
			}
			if lives != c.lives || first < c.first || first > c.first+10 {
				t.Errorf("%s: %d lives begin, counts from %d; want %d and %d", c.name, lives, first, c.lives, c.first)
			}
			run(func(string) *wirepb.Resume { t.Errorf("%s: a journal that knows asked", c.name); return nil })
		}
	})
}

// A box without a time server has started anew. It asks how long it was off, and
// journals nothing of the machine until it is told, or nobody told for a while.
func TestBoxWithoutAClockAsksHowLongItWasOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			name        string
			away        func(machine string, since int64) *wirepb.Absence
			least, most uint64 // counts that may be missing
		}{
			{"told", func(m string, since int64) *wirepb.Absence {
				return &wirepb.Absence{Machine: m, SinceNs: since, AgeNs: int64(2 * time.Minute)}
			}, 125, 200},
			{"silent", func(string, int64) *wirepb.Absence { return nil }, 10_000_000, 1 << 40},
		} {
			m := newMill()
			m.quality = source.Free
			m.shows["k01"] = func(time.Duration) (uint64, []int, error) { return 70_000, nil, nil }
			dir := t.TempDir()
			run := func(d time.Duration, heard bool, look time.Duration) string {
				conf := testConfig(dir, "k01")
				conf.Machines[0].Source = Source{Kind: kindGPIO, Revolution: Revolution{Line: "gpiochip0/17", PulsesPerRevolution: 1}}
				a := m.agent(t, conf, Options{})
				a.asks = new(asks)
				a.uplink = &oracle{a: a, answer: func(string) *wirepb.Resume { return nil }, away: c.away}
				a.served = func(boottime int64) (add, off time.Duration, ok bool) {
					return time.Duration(1_900_000_000 * time.Second), time.Millisecond, heard
				}
				said := make(chan string, 1)
				time.AfterFunc(look, func() { said <- a.machines[0].live().GetProblem() })
				runFor(t, a, d)
				return <-said
			}
			run(time.Minute, true, time.Second)
			m.boot++
			if got := run(10*time.Minute, false, 100*time.Millisecond); !strings.Contains(got, "waiting for the server") {
				t.Errorf("%s: the live view says %q", c.name, got)
			}
			link := (*wirepb.LifeLink)(nil)
			for _, r := range records(t, dir, "k01") {
				if l := r.GetLifeLink(); l != nil {
					link = l
				}
			}
			if most := link.GetLostMax(); link.GetKind() != wirepb.LinkKind_LINK_KIND_AMBIGUOUS || most > c.most || most < c.least {
				t.Errorf("%s: %v with up to %d counts lost, an ambiguous life with %d to %d expected", c.name, link.GetKind(), most, c.least, c.most)
			}
		}
	})
}
