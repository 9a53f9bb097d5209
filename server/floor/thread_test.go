package floor

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// shiftOf draws the tests' shift at a minute of it.
func shiftOf(t *testing.T, m *memory, at float64) ShiftView {
	t.Helper()
	f := newFloor(t, m, func() time.Time { return minute(at) })
	v, err := f.Shift(t.Context(), minute(at))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func threadOf(t *testing.T, v ShiftView, machine string) Thread {
	t.Helper()
	i := slices.IndexFunc(v.Threads, func(th Thread) bool { return th.Machine == machine })
	if i < 0 {
		t.Fatalf("no thread of %s", machine)
	}
	return v.Threads[i]
}

func TestShiftAddsUp(t *testing.T) {
	// By hand, 120 minutes from 06:00 at 28 rpm and 10 g a turn (0.28 kg/min):
	// k01 stops 10 min for yarn and 12 s for something short; k02 sets up for
	// 61 min; k03 has no order and was heard from minute 20 on.
	now := minute(120)
	m := &memory{book: millBook(), states: []store.MachineState{
		watchedSince("k01", six.Add(-time.Hour), now), watchedSince("k02", six.Add(-time.Hour), now), watchedSince("k03", minute(20), now),
	}}
	m.stops = []store.Stop{stop("k01", "yarn", 10, 20), stop("k01", "yarn", 40, 40.2), stop("k02", "setup", 30, 91), stop("k03", "", 21, 0)}
	m.states[2].Open = &m.stops[3]
	m.cells = slices.Concat(cells("k01", 0, 120, 28), cells("k02", 0, 120, 28))
	v := shiftOf(t, m, 120)

	if v.Name != "morning" || !v.From.Equal(six) || !v.To.Equal(minute(480)) || !v.Now.Equal(now) {
		t.Errorf("shift %q %v to %v, now %v", v.Name, v.From, v.To, v.Now)
	}
	const min = 60e3
	for _, want := range []struct {
		machine            string
		run, stop, unknown int64
		lost               float64
		why                string
	}{
		{"k01", 109.8 * min, 10.2 * min, 0, 10.2 * 0.28, "yarn break 10 min"},
		{"k02", 59 * min, 61 * min, 0, 61 * 0.28, "style change 61 min"},
		{"k03", 1 * min, 99 * min, 20 * min, 0, "no order since 06:21"},
	} {
		th := threadOf(t, v, want.machine)
		if th.RunMS != want.run || th.StopMS != want.stop || th.UnknownMS != want.unknown || th.OffMS != 0 {
			t.Errorf("%s: run %d stop %d unknown %d off %d ms, want %d %d %d 0", want.machine, th.RunMS, th.StopMS, th.UnknownMS, th.OffMS, want.run, want.stop, want.unknown)
		}
		if math.Abs(th.LostKg-want.lost) > 1e-9 || th.Why != want.why {
			t.Errorf("%s: lost %.3f kg, %q; want %.3f kg, %q", want.machine, th.LostKg, th.Why, want.lost, want.why)
		}
	}
	if v.Threads[0].Machine != "k02" {
		t.Errorf("first thread is %s, want k02, which lost most", v.Threads[0].Machine)
	}
	if got, want := v.RunShare, (109.8+59+1)/(109.8+59+1+10.2+61+99); math.Abs(got-want) > 1e-12 {
		t.Errorf("run share %v, want %v", got, want)
	}
	letters := make(map[string]int64)
	for _, c := range v.Lost {
		letters[c.Cause.Letter] += c.MS
	}
	if letters["y"] != 10*min || letters["."] != 12e3 || letters["s"] != 61*min || letters["o"] != 99*min {
		t.Errorf("time lost by letter: %v", letters)
	}
}

func TestShiftSegments(t *testing.T) {
	m := &memory{book: millBook(), states: []store.MachineState{watchedSince("k01", six.Add(-time.Hour), minute(120))}}
	m.stops = []store.Stop{stop("k01", "yarn", 40, 40.25)}
	m.gaps = []store.Gap{{Machine: "k01", From: minute(50), To: minute(55)}}
	// Card speed for an hour, then 24 of 28 rpm.
	m.cells = append(cells("k01", 0, 60, 28), cells("k01", 60, 120, 24)...)
	th := threadOf(t, shiftOf(t, m, 120), "k01")
	type seg struct {
		kind     SegmentKind
		from, to float64
		ratio    float64
		letter   string
	}
	want := []seg{
		{Run, 0, 40, 1, ""}, {Stop, 40, 40.25, 0, "."}, {Run, 40.25, 50, 1, ""},
		{NoData, 50, 55, 0, ""}, {Run, 55, 60, 1, ""}, {Run, 60, 120, 24. / 28, ""},
	}
	if len(th.Segments) != len(want) {
		t.Fatalf("%d segments, want %d: %+v", len(th.Segments), len(want), th.Segments)
	}
	for i, w := range want {
		g := th.Segments[i]
		if g.Kind != w.kind || !g.From.Equal(minute(w.from)) || !g.To.Equal(minute(w.to)) || math.Abs(g.Ratio-w.ratio) > 1e-9 || g.Cause.Letter != w.letter {
			t.Errorf("segment %d is %+v, want %+v", i, g, w)
		}
	}
	// 60 min x 4 rpm x 10 g
	if math.Abs(th.SlowKg-2.4) > 1e-9 || !th.Abnormal {
		t.Errorf("slow running cost %.3f kg, abnormal %v; want 2.4 kg, true (%q)", th.SlowKg, th.Abnormal, th.Why)
	}
}

func TestShiftOutsideTheCalendar(t *testing.T) {
	// Sunday noon shows the night shift that ended on Sunday at 06:00.
	m := &memory{book: millBook(), states: []store.MachineState{watchedSince("k01", six.Add(-time.Hour), minute(120))}}
	sunday := six.Add(6*24*time.Hour + 6*time.Hour)
	f := newFloor(t, m, func() time.Time { return sunday })
	v, err := f.Shift(t.Context(), sunday)
	if err != nil {
		t.Fatal(err)
	}
	if want := six.Add(6 * 24 * time.Hour); v.Name != "night" || !v.To.Equal(want) || !v.Now.Equal(want) {
		t.Errorf("shift %q to %v, picture to %v; want the night to %v", v.Name, v.To, v.Now, want)
	}
	// A machine that stands over Sunday is hollow there; one that runs, ran.
	m.stops = []store.Stop{stop("k01", "", 5*24*60, 0)}
	m.states = []store.MachineState{watchedSince("k01", six, sunday)}
	m.states[0].Open = &m.stops[0]
	f = newFloor(t, m, func() time.Time { return sunday })
	th, err := f.MachineThread(t.Context(), "k01", six.Add(5*24*time.Hour+12*time.Hour), sunday)
	if err != nil {
		t.Fatal(err)
	}
	if th.OffMS != 6*3600e3 || th.StopMS != 12*3600e3 || th.RunMS != 0 {
		t.Errorf("off %d, stop %d, run %d ms; want 6 h, 12 h, 0", th.OffMS, th.StopMS, th.RunMS)
	}
	if _, err := f.MachineThread(t.Context(), "k01", sunday, six); !errors.Is(err, ErrWindow) {
		t.Errorf("a window that ends before it begins: %v, want ErrWindow", err)
	}
	if _, err := f.MachineThread(t.Context(), "k77", six, sunday); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a machine that is not there: %v, want ErrNotFound", err)
	}
}

// A mill without shifts sees the last 24 h, all of them working time.
func TestShiftWithoutCalendar(t *testing.T) {
	now := minute(120)
	m := &memory{book: millBook(), states: []store.MachineState{watchedSince("k01", six, now)}}
	f, err := New(t.Context(), m, Config{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	v, err := f.Shift(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	th := threadOf(t, v, "k01")
	if v.Name != "" || v.To.Sub(v.From) != 24*time.Hour || th.RunMS != 2*3600e3 || th.UnknownMS != 22*3600e3 || th.OffMS != 0 {
		t.Errorf("%q of %v: run %d, unknown %d, off %d ms; want 2 h and 22 h", v.Name, v.To.Sub(v.From), th.RunMS, th.UnknownMS, th.OffMS)
	}
	if quiet := threadOf(t, v, "k03"); !quiet.Silent || quiet.Why != "never heard" || !math.IsNaN(quiet.RunShare) {
		t.Errorf("a machine never heard: %+v", quiet)
	}
}

func TestShiftGroupEvent(t *testing.T) {
	m := &memory{}
	for i, id := range []string{"k01", "k02", "k03", "k04", "k05", "k06"} {
		m.book.Machines = append(m.book.Machines, store.Machine{ID: id})
		m.states = append(m.states, watchedSince(id, six.Add(-time.Hour), minute(120)))
		// Five within 2 s, the sixth 10 s later: not of the group.
		begin := 72 + float64(i)*0.5/60
		if i == 5 {
			begin = 72 + 10./60
		}
		m.stops = append(m.stops, stop(id, "power", begin, 75))
	}
	v := shiftOf(t, m, 120)
	if len(v.Groups) != 1 {
		t.Fatalf("%d group events, want 1", len(v.Groups))
	}
	g := v.Groups[0]
	if g.Letter != "z" || len(g.Machines) != 5 || !g.At.Equal(minute(72)) || g.Lasted.Round(time.Second) != 179*time.Second {
		t.Errorf("group %+v, want 5 machines at 07:12 for 2 min 59 s", g)
	}
	for _, th := range v.Threads {
		i := slices.IndexFunc(th.Segments, func(s Segment) bool { return s.Kind == Stop })
		if s := th.Segments[i]; s.Grouped != (th.Machine != "k06") || s.Cause.Letter != "z" {
			t.Errorf("%s: grouped %v, letter %q", th.Machine, s.Grouped, s.Cause.Letter)
		}
	}
}

// The rule of an event is that of its cause; a cause without a rule makes none.
func TestShiftGroupEventOfAnyCause(t *testing.T) {
	m := &memory{}
	for i, id := range []string{"k01", "k02", "k03", "k04", "k05", "k06"} {
		m.book.Machines = append(m.book.Machines, store.Machine{ID: id})
		m.states = append(m.states, watchedSince(id, six.Add(-time.Hour), minute(120)))
		cause := "air"
		if i >= 3 {
			cause = "yarn"
		}
		m.stops = append(m.stops, stop(id, cause, 72+float64(i)/6, 75))
	}
	now := minute(120)
	f, err := New(t.Context(), m, Config{Now: func() time.Time { return now }, Causes: []Cause{
		{ID: "yarn", Letter: "y", Word: "yarn"}, {ID: "air", Letter: "a", Word: "compressed air", Group: Group{Machines: 3, Within: 20 * time.Second}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	v, err := f.Shift(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	if len(v.Groups) != 1 || v.Groups[0].Letter != "a" || v.Groups[0].Word != "compressed air" || !slices.Equal(v.Groups[0].Machines, []string{"K01", "K02", "K03"}) {
		t.Errorf("groups %+v, want one of compressed air of K01 to K03", v.Groups)
	}
}

func TestShiftManyBreaks(t *testing.T) {
	m := &memory{book: millBook(), states: []store.MachineState{
		watchedSince("k01", six, minute(120)), watchedSince("k02", six, minute(120)), watchedSince("k03", six, minute(120)),
	}}
	for i := range 9 {
		m.stops = append(m.stops, stop("k01", "yarn", 10+float64(i)*10, 12+float64(i)*10))
	}
	m.stops = append(m.stops, stop("k02", "yarn", 50, 52))
	th := threadOf(t, shiftOf(t, m, 120), "k01")
	if th.Why != "9 yarn breaks, 18 min" || !th.Abnormal {
		t.Errorf("why %q, abnormal %v", th.Why, th.Abnormal)
	}
	if th := threadOf(t, shiftOf(t, m, 120), "k02"); th.Why != "" {
		t.Errorf("k02: why %q, want none: 2 min of 120 explain nothing", th.Why)
	}
}

// TestThreadSums draws random strands and compares with asking each
// millisecond by itself.
func TestThreadSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const window = 400
		base := six.UnixMilli()
		stretches := func(label string) []stretch {
			cuts := rapid.SliceOfNDistinct(rapid.Int64Range(-50, window+50), 0, 12, rapid.ID[int64]).Draw(t, label)
			slices.Sort(cuts)
			var out []stretch
			for i := 0; i+1 < len(cuts); i += 2 {
				out = append(out, stretch{base + cuts[i], base + cuts[i+1]})
			}
			return out
		}
		s := strand{
			from: base, to: base + window, levels: []level{{0, 28}, {base + 100, 20}}, jobs: []job{{}, {from: base + 50, rpm: 28, kgPerRev: 0.01}},
			first: base + rapid.Int64Range(-20, 100).Draw(t, "first"), last: base + rapid.Int64Range(100, window+20).Draw(t, "last"),
			gaps: stretches("gaps"), working: stretches("working"),
		}
		for i, st := range stretches("stops") {
			s.stops = append(s.stops, knot{stretch: st, id: string(rune('a' + i)), cause: Cause{ID: "yarn", Letter: "y"}})
		}
		in := func(list []stretch, at int64) bool {
			return slices.ContainsFunc(list, func(s stretch) bool { return s.from <= at && at < s.to })
		}
		var want [5]int64
		for at := s.from; at < s.to; at++ {
			stopped := slices.ContainsFunc(s.stops, func(k knot) bool { return k.from <= at && at < k.to })
			kind := Run
			switch {
			case at < s.first || at >= s.last || in(s.gaps, at):
				kind = NoData
			case stopped:
				kind = Stop
			}
			if kind != Run && !in(s.working, at) {
				kind = Off
			}
			want[kind]++
		}
		d := s.draw()
		if d.RunMS != want[Run] || d.StopMS != want[Stop] || d.UnknownMS != want[NoData] || d.OffMS != want[Off] {
			t.Fatalf("run %d stop %d unknown %d off %d, want %v", d.RunMS, d.StopMS, d.UnknownMS, d.OffMS, want[1:])
		}
		cursor := s.from
		for _, seg := range d.Segments {
			if seg.From.UnixMilli() != cursor || !seg.To.After(seg.From) {
				t.Fatalf("segment from %d to %d, want it to begin at %d", seg.From.UnixMilli()-base, seg.To.UnixMilli()-base, cursor-base)
			}
			cursor = seg.To.UnixMilli()
		}
		if cursor != s.to {
			t.Fatalf("segments end at %d, want %d", cursor-base, window)
		}
	})
}

func TestShiftTellsStoreErrors(t *testing.T) {
	m := &memory{book: millBook()}
	f := newFloor(t, m, func() time.Time { return minute(1) })
	m.err = context.DeadlineExceeded
	if _, err := f.Shift(t.Context(), minute(1)); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v, want the store's", err)
	}
}
