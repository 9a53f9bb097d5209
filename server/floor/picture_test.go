package floor

import (
	"testing"
	"testing/synctest"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// What people see of a machine, from what was committed and what was said.
func TestPictureState(t *testing.T) {
	running := &wirepb.MachineLive{Readable: true, Turning: true, SpeedRpm: 27.94}
	stopped := func(s store.Stop) *wirepb.MachineLive {
		return &wirepb.MachineLive{Readable: true, StopId: s.ID[:], Cause: s.Cause}
	}
	yarn, stand := stop("k01", "yarn", 1, 0), stop("k01", "", 1, 0)
	tests := []struct {
		name    string
		machine string
		open    *store.Stop // committed
		live    *wirepb.MachineLive
		want    State
		cause   string
		rpm     float64
		// since is in minutes of the shift; -1 = the instant of the live word.
		since float64
	}{
		{"committed running", "k01", nil, nil, Running, "", 28, 0},
		{"live running", "k01", nil, running, Running, "", 27.9, 0},
		{"committed stop", "k01", &yarn, nil, Stopped, "yarn", 0, 1},
		{"both stopped", "k01", &yarn, stopped(yarn), Stopped, "yarn", 0, 1},
		{"live stop not yet committed", "k01", nil, stopped(yarn), Stopped, "yarn", 0, -1},
		{"stop ended, not yet committed", "k01", &yarn, running, Running, "", 27.9, -1},
		{"standstill with an order", "k01", &stand, nil, Standing, "", 0, 1},
		{"standstill without an order", "k03", &stand, nil, Standing, "noorder", 0, 1},
		{"live standstill without an order", "k03", nil, stopped(stand), Standing, "noorder", 0, -1},
		{"unreadable says nothing", "k01", nil, &wirepb.MachineLive{Problem: "no answer"}, Running, "", 28, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				time.Sleep(time.Until(minute(2)))
				f := newFloor(t, &memory{book: millBook()}, nil)
				s := watchedSince(tt.machine, six, time.Now())
				s.Open = tt.open
				if tt.open != nil {
					s.SpeedRPM = 0
				}
				f.Committed([]store.Outcome{{Applied: 1, State: s}})
				time.Sleep(time.Second)
				said := time.Now()
				if tt.live != nil {
					l := &wirepb.MachineLive{Machine: tt.machine, Readable: tt.live.Readable, Turning: tt.live.Turning, SpeedRpm: tt.live.SpeedRpm, StopId: tt.live.StopId, Cause: tt.live.Cause, Problem: tt.live.Problem}
					f.Live("u-01", live(1, l))
					time.Sleep(time.Second) // said again: since stays
					l.BoottimeNs = 0
					f.Live("u-01", live(1, l))
				}
				m, err := f.Machine(tt.machine)
				if err != nil {
					t.Fatal(err)
				}
				since := minute(tt.since)
				if tt.since < 0 {
					since = said
				}
				if m.State != tt.want || m.Cause.ID != tt.cause || m.SpeedRPM != tt.rpm || !m.Since.Equal(since) {
					t.Errorf("state %d, cause %q, %v rpm since %v; want %d, %q, %v, %v", m.State, m.Cause.ID, m.SpeedRPM, m.Since, tt.want, tt.cause, tt.rpm, since)
				}
				if tt.live != nil && m.Problem != tt.live.Problem {
					t.Errorf("problem %q, want %q", m.Problem, tt.live.Problem)
				}
			})
		})
	}
}

func TestLiveWords(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFloor(t, &memory{book: millBook()}, nil)
		word := func(rpm float64) *wirepb.MachineLive {
			return &wirepb.MachineLive{Machine: "k01", Readable: true, Turning: true, SpeedRpm: rpm}
		}
		rpm := func() float64 { m, _ := f.Machine("k01"); return m.SpeedRPM }
		f.Live("u-01", live(5, word(20)))
		f.Live("u-09", live(9, word(11))) // not the agent of k01
		if rpm() != 20 {
			t.Errorf("%v rpm, want 20: an agent without the machine has no say", rpm())
		}
		f.Live("u-01", &wirepb.AgentState{SessionNo: 4}) // will of an older session
		if a, _ := f.Agents(t.Context()); !a[0].Online {
			t.Error("an old will took the agent offline")
		}
		f.Live("u-01", &wirepb.AgentState{SessionNo: 5})
		if m, _ := f.Machine("k01"); m.Problem != "agent u-01 is offline" {
			t.Errorf("problem %q, want the agent to be offline", m.Problem)
		}
		f.Live("u-01", live(1, word(21))) // a new box of the same name
		if a, _ := f.Agents(t.Context()); rpm() != 21 || !a[0].Online || a[0].ID != "u-01" || a[1].ID != "u-09" {
			t.Errorf("%v rpm, agents %+v; want the new box heard", rpm(), a)
		}
	})
}

// The books are whole when every agent that speaks for a machine is heard, or
// has said goodbye, and owes nothing.
func TestDrained(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &memory{book: millBook(), agents: []store.Agent{{ID: "u-01", Machines: []string{"k01"}}, {ID: "u-02", Machines: []string{"k02"}}}}
		m.states = []store.MachineState{watchedSince("k01", six, time.Now())}
		f := newFloor(t, m, nil)
		word := func(extended, untold, head, acked uint64) *wirepb.MachineLive {
			return &wirepb.MachineLive{Machine: "k01", Readable: true, LifeId: make([]byte, 16), Extended: extended, Untold: untold, HeadSeq: head, AckedSeq: acked}
		}
		will := func(session uint64) *wirepb.AgentState { return &wirepb.AgentState{SessionNo: session} }
		goodbye := func(session uint64, l *wirepb.MachineLive) *wirepb.AgentState {
			return &wirepb.AgentState{SessionNo: session, Machines: []*wirepb.MachineLive{l}}
		}
		for _, step := range []struct {
			what string
			say  *wirepb.AgentState // nil: nothing
			wait time.Duration
			want bool
		}{
			{"the agent of a machine with records was not heard since the start", nil, time.Hour, false},
			{"counts that no record tells", live(1, word(7, 2, 3, 3)), 3 * time.Second, false},
			{"told, not acknowledged", live(1, word(7, 0, 4, 3)), 3 * time.Second, false},
			{"all in the books", live(1, word(7, 0, 4, 4)), 3 * time.Second, true},
			{"it turns", live(1, word(8, 0, 4, 4)), time.Second, false},
			{"it stands", nil, 2 * time.Second, true},
			{"no word for long", nil, 30 * time.Second, false},
			{"heard again", live(1, word(8, 0, 4, 4)), 0, true},
			{"cut off", will(1), time.Hour, false},
			{"back", live(2, word(8, 0, 4, 4)), 0, true},
			{"a goodbye that owes", goodbye(2, word(9, 0, 5, 4)), time.Hour, false},
			{"back again", live(3, word(9, 0, 5, 5)), 3 * time.Second, true},
			{"a goodbye that owes nothing", goodbye(3, word(9, 0, 5, 5)), time.Hour, true},
		} {
			if step.say != nil {
				f.Live("u-01", step.say)
			}
			time.Sleep(step.wait)
			if _, drained, err := f.Totals(t.Context()); err != nil || drained != step.want {
				t.Errorf("%s: drained %v, %v; want %v", step.what, drained, err, step.want)
			}
		}
	})
}

func TestKilos(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &memory{book: millBook()}
		m.totals = []store.Totals{{Machine: "k01", Revolutions: 1500, Counted: []store.AssignmentCount{
			{Machine: "k01", Revolutions: 500}, {Machine: "k01", Order: "SO-1", Card: "sj-k01", Revolutions: 1000},
		}}}
		time.Sleep(time.Until(minute(2)))
		f := newFloor(t, m, nil)
		s := watchedSince("k01", six, time.Now())
		s.Revolutions, s.DoffAt, s.Doffs = 1600, 1100, 113
		f.Committed([]store.Outcome{{Applied: 1, State: s}})
		v, _ := f.Machine("k01")
		// 1000 turns of 10 g, and 100 newer ones with the running card.
		if v.KilosCounted != 11 {
			t.Errorf("%v kg, want 11", v.KilosCounted)
		}
		if v.SinceDoff != 500 || v.ToDoff != 2000 || v.RollKg != 25 || v.RollNumber != 114 {
			t.Errorf("since doff %d, to doff %d of %v kg, roll %d; want 500, 2000, 25, 114", v.SinceDoff, v.ToDoff, v.RollKg, v.RollNumber)
		}
		s.DoffAt = -6000 // three rolls ago: doffs are not told
		f.Committed([]store.Outcome{{Applied: 1, State: s}})
		if v, _ := f.Machine("k01"); v.RollKg != 0 || v.ToDoff != 0 {
			t.Errorf("to doff %d of %v kg, want it not to be known", v.ToDoff, v.RollKg)
		}
		totals, _, err := f.Totals(t.Context())
		if err != nil || totals[0].Kilos != 10 || totals[0].WithoutCard != 500 {
			t.Errorf("totals %+v, %v; want 10 kg and 500 turns without a card", totals, err)
		}
	})
}
