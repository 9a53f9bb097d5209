package edge

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

// oracle is an uplink that answers the questions of an agent, or is silent.
type oracle struct {
	a      *Agent
	answer func(machine string) *wirepb.Resume
}

func (o *oracle) Run(ctx context.Context) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		for _, m := range o.a.asks.machines() {
			if r := o.answer(m); r != nil {
				o.a.asks.answered(r, o.a.now())
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
				a.uplink = &oracle{a, answer}
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
