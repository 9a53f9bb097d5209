package readers

import (
	"math"
	"testing"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// A boot that measured the server's clock before and after shows by how much it
// was set back, and how much longer ago a reading of before may have been.
func TestSetBack(t *testing.T) {
	const s, hour, booted = int64(1000), int64(3_600_000), int64(1_900_000_000_000) // ms
	step := func(from, offset int64) tally.Line {
		return tally.Line{From: from * 1e6, Offset: (booted + offset) * 1e6, Step: true}
	}
	drift := tally.Line{From: 300 * s * 1e6, Offset: (booted + 30*s) * 1e6}
	placed := tally.Line{From: math.MinInt64, Offset: (booted - hour) * 1e6, Step: true}
	for _, x := range []struct {
		name              string
		lines             []tally.Line
		read, now         int64 // after the boot, by the server's clock of then
		back, longer, lag int64 // lag is how long ago the reading seems to be
		ahead             int64 // of it, for which the clock was only set
	}{
		{"never set", nil, 100 * s, 700 * s, 0, 0, 600 * s, 0},
		{"set back by an hour after the reading", []tally.Line{step(600*s, -hour)}, 500 * s, 700*s - hour, hour, 200 * s, 0, 0},
		{"set back by a minute after the reading", []tally.Line{step(600*s, -60*s)}, 500 * s, 640 * s, 60 * s, 60 * s, 140 * s, 0},
		{"set back long before it", []tally.Line{step(600*s, -60*s)}, 700 * s, 800 * s, 0, 0, 100 * s, 0},
		{"an instant that the clock showed twice", []tally.Line{step(600*s, -60*s)}, 590 * s, 650 * s, 60 * s, 60 * s, 60 * s, 0},
		{"set ahead", []tally.Line{step(600*s, hour)}, 500 * s, 700*s + hour, 0, hour, hour + 200*s, hour},
		{"set ahead, read since", []tally.Line{step(600*s, hour)}, 650*s + hour, 700*s + hour, 0, 0, 50 * s, 0},
		{"set ahead twice, read between", []tally.Line{step(600*s, hour), step(900*s, 2*hour)}, 800*s + hour, 1000*s + 2*hour, 0, hour, hour + 200*s, hour},
		{"set back and ahead", []tally.Line{step(600*s, -hour), step(900*s, 0)}, 500 * s, 1000 * s, 0, 0, 500 * s, 0},
		{"set back and ahead, read between", []tally.Line{step(600*s, -hour), step(900*s, 0)}, 800*s - hour, 1000 * s, 0, hour, hour + 200*s, hour},
		{"set ahead and back", []tally.Line{step(600*s, hour), step(900*s, 0)}, 500 * s, 1000 * s, hour, hour, 500 * s, 0},
		{"set back twice", []tally.Line{step(600*s, -60*s), step(900*s, -90*s)}, 500 * s, 910 * s, 90 * s, 90 * s, 410 * s, 0},
		{"set back twice, read between", []tally.Line{step(600*s, -60*s), step(900*s, -90*s)}, 800 * s, 910 * s, 30 * s, 30 * s, 110 * s, 0},
		{"an oscillator is no clock that was set", []tally.Line{drift}, 100 * s, 700 * s, 0, 0, 600 * s, 0},
		{"placed anew from the start", []tally.Line{placed}, 100 * s, 700 * s, 0, 0, 600 * s, 0},
		{"nobody saw the step", nil, 700*s + hour, 700 * s, 0, 24 * hour, 0, 0},
		{"two days, and nobody saw it", nil, 700*s + 48*hour, 700 * s, 0, 48 * hour, 0, 0},
		{"two clocks that do not quite agree", nil, 704 * s, 700 * s, 0, 0, 0, 0},
	} {
		r := NewRow()
		st := r.Begin(store.ID{1}, "a1", "k01", Run{}, NewChanges())
		st.Places.Offsets[1] = booted * 1e6
		if x.lines != nil {
			st.Places.Lines[1] = x.lines
		}
		if got := r.SetBack(booted + x.read); got != x.back {
			t.Errorf("%s: set back by %d ms, want %d", x.name, got, x.back)
		}
		if got := r.SetAhead(booted + x.read); got != x.ahead {
			t.Errorf("%s: set ahead by %d ms, want %d", x.name, got, x.ahead)
		}
		if got := r.LongerAgo(time.UnixMilli(booted+x.read), time.UnixMilli(booted+x.now)).Milliseconds() + x.ahead; got != x.longer {
			t.Errorf("%s: up to %d ms longer ago, want %d", x.name, got, x.longer)
		}
		if lag := max(x.now-x.read, 0); lag != x.lag {
			t.Errorf("%s: read %d ms ago by the clock, the case says %d", x.name, lag, x.lag)
		}
		// Who asks for the counter is told.
		m := &tally.Machine{}
		life := tally.LifeKey{ID: store.ID{7}, PerRev: 1}
		m.Lives, m.Current = map[tally.LifeKey]*tally.Life{life: {Counted: true, Max: 5, Read: tally.Reading{Raw: 5, Ext: 5, Bits: 32, At: booted + x.read, Stream: 1, Boot: 1}}}, life
		r.Agents["a2"] = map[string]int64{"k01": 2}
		got := r.Resume(m, store.ResumeQuery{Agent: "a2", Machine: "k01", Stream: store.ID{2}}, time.UnixMilli(booted+x.now), NewChanges())
		if got.Verdict != store.ResumeContinue || got.Longer != time.Duration(x.longer)*time.Millisecond || got.At.UnixMilli() != booted+x.read+x.ahead {
			t.Errorf("%s: handed over as %+v, want it read %d ms later than its clock showed, and up to %d ms longer ago", x.name, got, x.ahead, x.longer)
		}
	}
}
