package web

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast/score"
	"turnwise/planner/outlook"
	"turnwise/planner/unit"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// fakeFloor is a floor that stands still until a test moves it. All its
// figures are invented.
type fakeFloor struct {
	mu       sync.Mutex
	now      time.Time
	machines []floor.MachineView
	shift    floor.ShiftView
	orders   []floor.OrderView
	tasks    []floor.TaskView
	kept     floor.CalibrationView
	err      error
	wake     []chan struct{}
	plans    map[int64]floor.LoadingPlan // kept
	rolls    []floor.RollView
}

func (f *fakeFloor) Machines() []floor.MachineView {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]floor.MachineView(nil), f.machines...)
}

func (f *fakeFloor) Machine(id string) (floor.MachineView, error) {
	for _, m := range f.Machines() {
		if m.ID == id {
			return m, nil
		}
	}
	return floor.MachineView{}, fmt.Errorf("machine %q: %w", id, store.ErrNotFound)
}

func (f *fakeFloor) Shift(context.Context, time.Time) (floor.ShiftView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.shift, f.err
}

func (f *fakeFloor) MachineThread(_ context.Context, id string, from, to time.Time) (floor.Thread, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, t := range f.shift.Threads {
		if t.Machine == id {
			return t, f.err
		}
	}
	return floor.Thread{Machine: id, Name: id, RunShare: math.NaN()}, f.err
}

func (f *fakeFloor) Orders(context.Context) ([]floor.OrderView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]floor.OrderView(nil), f.orders...), f.err
}

func (f *fakeFloor) Tasks(_ context.Context, machines []string, _ time.Duration) ([]floor.TaskView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var list []floor.TaskView
	for _, t := range f.tasks {
		if len(machines) == 0 {
			list = append(list, t)
		}
		for _, m := range machines {
			if m == t.Machine {
				list = append(list, t)
			}
		}
	}
	return list, f.err
}

func (f *fakeFloor) RollsToWeigh(_ context.Context, machines []string) ([]floor.RollView, bool, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(f.rolls), func(r floor.RollView) bool { return len(machines) > 0 && !slices.Contains(machines, r.Machine) }), len(f.rolls) > 0, f.err
}

// Rounds puts tasks less than a quarter of an hour apart into one walk.
func (f *fakeFloor) Rounds(ctx context.Context, machines []string, horizon time.Duration) (floor.RoundsView, error) {
	tasks, err := f.Tasks(ctx, machines, horizon)
	if err != nil {
		return floor.RoundsView{}, err
	}
	now := f.now
	v := floor.RoundsView{At: now}
	add := func(to []floor.FetchView, w *outlook.CreelWindow, yarn string) []floor.FetchView {
		if i := slices.IndexFunc(to, func(x floor.FetchView) bool { return x.Lot == w.Lot }); i >= 0 {
			to[i].Cones += w.Cones
			return to
		}
		return append(to, floor.FetchView{Lot: w.Lot, Yarn: w.Yarn, YarnName: yarn, Tip: w.Tip, Cones: w.Cones})
	}
	var last time.Time
	for _, t := range tasks {
		if t.Due.After(now.Add(horizon)) {
			continue
		}
		if n := len(v.Walks); n == 0 || t.Due.Sub(last) > 15*time.Minute {
			v.Walks = append(v.Walks, floor.WalkView{ID: "walk/" + t.ID, From: maxTime(now, t.Due.Add(-3*time.Minute)), LatestFrom: maxTime(now, t.Due.Add(-time.Minute))})
		}
		last = t.Due
		w := &v.Walks[len(v.Walks)-1]
		st := floor.WalkStop{Machine: t.Machine, Name: t.Name, Start: maxTime(now, t.Due.Add(-2*time.Minute)), Tasks: []floor.TaskView{t}}
		if t.Window != nil {
			w.Fetch, st.Fetch = add(w.Fetch, t.Window, t.YarnName), add(nil, t.Window, t.YarnName)
			if t.Due.Before(now.Add(time.Hour)) {
				v.NextHour = add(v.NextHour, t.Window, t.YarnName)
			}
		}
		w.To = t.Due.Add(8 * time.Minute)
		w.Stops = append(w.Stops, st)
	}
	return v, nil
}

// WhatIf lets every machine that stands delay all orders: what the planner
// would say is not the pages' business.
func (f *fakeFloor) WhatIf(_ context.Context, changes ...outlook.Change) (floor.WhatIfView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	v := floor.WhatIfView{Same: len(f.orders)}
	for _, c := range changes {
		stop, ok := c.(outlook.StopMachine)
		if !ok {
			continue
		}
		if i := slices.IndexFunc(f.machines, func(m floor.MachineView) bool { return m.ID == stop.Machine }); i < 0 {
			_, err := outlook.Suppose(outlook.Snapshot{Machines: []outlook.Machine{{ID: "k01"}}}, time.Now(), stop)
			return floor.WhatIfView{}, err
		}
		for _, o := range f.orders[:min(2, len(f.orders))] {
			e := outlook.Effect{Order: o.ID, Promise: o.Promise, Before: o.Outlook.Finish, After: o.Outlook.Finish, Sentence: o.ID + " is done later"}
			for i := range e.After.Beads {
				e.After.Beads[i] = e.After.Beads[i].Add(stop.For)
			}
			e.After.P90 = e.After.P90.Add(stop.For)
			e.After.MissChance = float64(lateBeads(e.After.Beads[:], o.Promise)) / 20
			v.Effects = append(v.Effects, e)
			v.Same--
		}
	}
	return v, f.err
}

func (f *fakeFloor) Calibration(_ context.Context, q floor.KeptQuery) (floor.CalibrationView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	v := floor.CalibrationView{Groups: f.kept.Groups}
	for i, k := range f.kept.Outcomes {
		if q.Order == "" || k.Order == q.Order {
			v.Outcomes, v.Places = append(v.Outcomes, k), append(v.Places, f.kept.Places[i])
		}
	}
	return v, f.err
}

func (f *fakeFloor) Subscribe(ctx context.Context) <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	ch := make(chan struct{}, 1)
	f.wake = append(f.wake, ch)
	return ch
}

// change alters the floor and wakes all who wait.
func (f *fakeFloor) change(edit func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.shift.Threads = slices.Clone(f.shift.Threads) // readers keep what they were given
	edit()
	for _, ch := range f.wake {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

var istanbul = time.FixedZone("+03", 3*3600)

// monday is the morning that all fake floors show.
func monday(h, m int) time.Time { return time.Date(2026, 11, 23, h, m, 0, 0, istanbul) }

var causes = map[string]floor.Cause{
	"y": {ID: "yarn", Letter: "y", Word: "yarn"}, "d": {ID: "doff", Letter: "d", Word: "doff"},
	"n": {ID: "needle", Letter: "n", Word: "needle"}, "f": {ID: "press-off", Letter: "f", Word: "press-off"},
	"s": {ID: "set-up", Letter: "s", Word: "set-up"}, "m": {ID: "maintenance", Letter: "m", Word: "maintenance"},
	"o": {ID: "no-order", Letter: "o", Word: "no order"}, "z": {ID: "power", Letter: "z", Word: "power"},
	".": {ID: "yarn", Letter: ".", Word: "short < 30 s"}, "?": {Letter: "?", Word: "not given"},
}

// knotAt is a stop of a fake thread: minutes after 06:00, and how long.
type knotAt struct {
	cause    string
	at, last float64
}

// thread builds a thread from its stops, running in between.
func thread(id, name, label string, ratio, card float64, now time.Time, stops ...knotAt) floor.Thread {
	from := monday(6, 0)
	at := func(m float64) time.Time { return from.Add(time.Duration(m * float64(time.Minute))) }
	t := floor.Thread{Machine: id, Name: name, Label: label, CardRPM: card, SpeedRPM: card * ratio}
	by := map[string]*floor.CauseMinutes{}
	var order []string
	last := from
	run := func(to time.Time) {
		if to.After(last) {
			t.Segments = append(t.Segments, floor.Segment{Kind: floor.Run, From: last, To: to, Ratio: ratio})
			t.RunMS += to.Sub(last).Milliseconds()
		}
	}
	for _, k := range stops {
		b, e := at(k.at), at(k.at+k.last)
		if e.After(now) {
			e = now
		}
		run(b)
		if k.cause == "" {
			t.Segments = append(t.Segments, floor.Segment{Kind: floor.NoData, From: b, To: e})
			t.UnknownMS += e.Sub(b).Milliseconds()
			t.Silent = e.Equal(now)
			last = e
			continue
		}
		c := causes[k.cause]
		t.Segments = append(t.Segments, floor.Segment{Kind: floor.Stop, From: b, To: e, Cause: c, Grouped: k.cause == "z", StopID: fmt.Sprint(id, k.at)})
		t.StopMS += e.Sub(b).Milliseconds()
		if by[k.cause] == nil {
			by[k.cause] = &floor.CauseMinutes{Cause: c}
			order = append(order, k.cause)
		}
		by[k.cause].MS += e.Sub(b).Milliseconds()
		by[k.cause].Count++
		last = e
	}
	run(now)
	for _, l := range order {
		t.StopsBy = append(t.StopsBy, *by[l])
	}
	t.RunShare = float64(t.RunMS) / float64(t.RunMS+t.StopMS)
	t.LostKg = float64(t.StopMS)/3.6e6*20 + float64(t.RunMS)/3.6e6*20*(1-ratio)
	t.SlowKg = float64(t.RunMS) / 3.6e6 * 20 * (1 - ratio)
	return t
}

// mill is a floor of fourteen machines at 10:40 of a Monday morning.
func mill() *fakeFloor {
	now := monday(10, 40)
	f := &fakeFloor{now: now}
	z := knotAt{"z", 72, 3}
	add := func(why string, abnormal bool, t floor.Thread) {
		t.Why, t.Abnormal = why, abnormal
		f.shift.Threads = append(f.shift.Threads, t)
	}
	add("", false, thread("k01", "K01", "SJ 30×28", 1, 28, now, knotAt{"d", 22, 3}, z, knotAt{"d", 94, 2}, knotAt{"y", 132, 2.5}, knotAt{"d", 165, 2}, knotAt{"y", 191, 3}, knotAt{"y", 205, 3}, knotAt{"d", 238, 2}, knotAt{".", 258, .4}))
	add("oil refilled, 6 min", false, thread("k02", "K02", "SJ 30×28", 1, 28, now, knotAt{"d", 23, 2}, z, knotAt{"d", 94, 2}, knotAt{"y", 155, 1.4}, knotAt{"d", 165, 2}, knotAt{"y", 177, 1.4}, knotAt{".", 191.5, .4}, knotAt{"y", 224, 1.2}, knotAt{"m", 240, 6}))
	add("27.4 of 30 rpm, 10.4 kg of the loss", true, thread("k03", "K03", "SJ 30×24", .914, 30, now, knotAt{"y", 13, 2.4}, knotAt{"d", 44, 2}, z, knotAt{"d", 106, 1.4}, knotAt{"y", 115, 1}, knotAt{"d", 168, 2}, knotAt{".", 175.8, .4}, knotAt{"d", 230, 2}, knotAt{"y", 249, 1.5}))
	add("9 min at 09:16, cause not given", false, thread("k04", "K04", "SJ 34×28", 1, 25, now, knotAt{"d", 19, 2}, knotAt{"y", 29, 1.5}, knotAt{"y", 49, 2}, z, knotAt{"d", 81, 2}, knotAt{"d", 144, 2}, knotAt{"?", 196, 9}, knotAt{".", 212, .4}, knotAt{"y", 223, 2}, knotAt{"d", 269, 2}, knotAt{"y", 278, 5}))
	add("style change 61 min, card says 55", false, thread("k05", "K05", "elastane SJ", 1, 27, now, knotAt{"y", 31, 2}, knotAt{"d", 42, 2.5}, z, knotAt{"y", 89, 3}, knotAt{"d", 123, 2}, knotAt{"s", 135, 61}, knotAt{"d", 202, 2.5}, knotAt{"y", 230, 2}, knotAt{"y", 241, 1.2}))
	add("", false, thread("k06", "K06", "elastane SJ", 1, 27, now, knotAt{"y", 11, 1}, knotAt{"y", 17, 2}, knotAt{"d", 27, 2}, z, knotAt{"y", 100, 1.4}, knotAt{"d", 108, 2}, knotAt{"y", 133, 1}, knotAt{".", 181, .4}, knotAt{"d", 188, 1.4}, knotAt{"d", 268, 2}))
	add("9 breaks since lot L-433, 09:20", true, thread("k07", "K07", "piqué 30×24", 1, 26, now, knotAt{"y", 14.5, 2}, knotAt{"f", 21, 19}, knotAt{"d", 50.5, 2}, z, knotAt{"n", 88, 14}, knotAt{"d", 131, 1.5}, knotAt{"y", 206, 2}, knotAt{"y", 213, 3.5}, knotAt{"y", 219, 1.5}, knotAt{"y", 227, 4}, knotAt{"y", 234, 2}, knotAt{"y", 242, 2.5}, knotAt{"y", 251, 2}, knotAt{"y", 262, 2.5}, knotAt{"y", 272, 3}))
	add("", false, thread("k08", "K08", "piqué 30×24", .985, 26, now, knotAt{"y", 5.5, 1.3}, knotAt{"y", 14.6, 4.6}, knotAt{"y", 36, 2}, knotAt{"d", 52.8, 2}, z, knotAt{"d", 134.6, 2.4}, knotAt{"d", 217, 2}))
	add("silent since 09:00", true, thread("k09", "K09", "rib 30×18", 1, 24, now, knotAt{"d", 37.5, 2.4}, knotAt{"y", 61.7, .7}, knotAt{"y", 84.5, .8}, knotAt{"d", 128, 2}, knotAt{"", 180, 100}))
	add("one needle changed, 16 min", false, thread("k10", "K10", "rib el. 34×18", 1, 20, now, knotAt{"d", 66, 2}, knotAt{"y", 105, 1.2}, knotAt{"y", 111, 1.2}, knotAt{"y", 138, 2}, knotAt{"n", 150, 16}, knotAt{"d", 238, 1.2}, knotAt{".", 260, .4}))
	add("", false, thread("k11", "K11", "interlock 30×24", 1, 26, now, knotAt{".", 38.2, .4}, knotAt{"d", 102, 1.4}, knotAt{"y", 133, 1.8}, knotAt{"d", 213.5, 2.2}, knotAt{"y", 225.5, 1.3}))
	add("", false, thread("k12", "K12", "interlock 30×28", 1, 25, now, knotAt{"d", 67.8, 1.4}, knotAt{"y", 75.6, 1.3}, knotAt{"d", 268, 1.6}))
	add("no order until 07:38", false, thread("k13", "K13", "fleece 30×20", 1, 22, now, knotAt{"o", 0, 98}, knotAt{"y", 119, 1.8}, knotAt{"d", 149.6, 2}, knotAt{"y", 203, 1.8}, knotAt{"y", 225.8, 1.8}, knotAt{"d", 249.5, 2}, knotAt{".", 258, .4}))
	add("no order until 07:38", false, thread("k14", "K14", "fleece 30×20", 1, 22, now, knotAt{"o", 0, 98}, knotAt{"y", 104.8, 4}, knotAt{"d", 139.5, 1.4}, knotAt{"d", 238.6, 2.2}, knotAt{"y", 267, .7}))
	f.sumShift(now)
	f.shift.Groups = []floor.GroupEvent{{Letter: "z", At: monday(7, 12), Machines: []string{"K01", "K02", "K03", "K04", "K05", "K06", "K07", "K08"}, Lasted: 3 * time.Minute}}
	for i, t := range f.shift.Threads {
		set := "A"
		if i >= 6 {
			set = "B"
		}
		m := floor.MachineView{ID: t.Machine, Name: t.Name, Label: t.Label, Set: set, Agent: "u-01", State: floor.Running, Since: monday(10, 22), Heard: now,
			SpeedRPM: t.SpeedRPM, CardRPM: t.CardRPM, Order: "SO-1041", Card: "c-" + t.Machine, GramsPerRev: 12.862, Revolutions: 1_284_511,
			KilosCounted: 1604.2, SinceDoff: 740, ToDoff: 1204, RollKg: 25, RollNumber: 114, DoffDue: now.Add(52 * time.Minute),
			Entry: floor.MachineEntry{DiameterInch: 30, GaugeNPI: 28, CylinderNeedles: 2640, Feeders: 90, MaxRPM: 34, Structures: []string{"single jersey"}, Year: 2014}, Structure: "double pique"}
		switch t.Name {
		case "K04":
			m.State, m.Since, m.Cause = floor.Stopped, now.Add(-2*time.Minute), causes["y"]
		case "K09":
			m.State, m.Since, m.Heard = floor.Unknown, monday(9, 0), monday(9, 0)
		}
		f.machines = append(f.machines, m)
	}
	f.tasks = millTasks(now)
	f.rolls = []floor.RollView{
		{Task: "k03-roll-113", Machine: "k03", Name: "K03", Number: 113, Turns: 1668, Kg: 25.0, Order: "SO-1050", At: monday(9, 52)},
		{Task: "k06-roll-115", Machine: "k06", Name: "K06", Number: 115, Turns: 2115, Kg: 25.0, Order: "SO-1049", At: monday(10, 30)},
		{Task: "k08-roll-120", Machine: "k08", Name: "K08", Number: 120, Turns: 2046, Kg: 25.0, Order: "SO-1039", At: monday(9, 39)},
	}
	f.orders = millOrders(now)
	f.kept = millKept(now)
	return f
}

// millKept is a record of 60 forecasts that promised a little too much with 90 %.
func millKept(now time.Time) floor.CalibrationView {
	var v floor.CalibrationView
	group := func(name string, n int, shares ...float64) {
		g := floor.CalibrationGroup{Name: name}
		g.Count, g.CRPS = n, 96.5
		for i, p := range []float64{.5, .8, .9} {
			low, high := score.Band(n, p, .95)
			g.Levels = append(g.Levels, score.Level{Chance: p, Share: shares[i], Low: float64(low) / float64(n), High: float64(high) / float64(n)})
		}
		g.Tenths = [10]int{n / 12, n / 10, n / 10, n / 9, n / 10, n / 10, n / 11, n / 10, n / 8, n / 6}
		v.Groups = append(v.Groups, g)
	}
	group("all", 60, .48, .77, .80)
	group("structure single jersey", 36, .5, .81, .89)
	group("structure pique", 24, .46, .71, .67)
	kept := func(order, occasion string, ago time.Duration, became store.Settled, place float64) {
		k := store.Kept{Order: order, Occasion: occasion, Made: now.Add(-ago), Article: "a-" + order, Promise: now.Add(96 * time.Hour), MissChance: .3, Settled: became}
		for i := range 100 {
			k.Minutes = append(k.Minutes, 5000+10*float64(i))
		}
		v.Outcomes, v.Places = append(v.Outcomes, k), append(v.Places, place)
	}
	kept("SO-1041", "25 % done", 20*time.Hour, store.Settled{}, -1)
	kept("SO-1041", "promised for 2026-11-30T05:00:00Z", 90*time.Hour, store.Settled{}, -1)
	kept("SO-1033", "0 % done", 300*time.Hour, store.Settled{Ended: now.Add(-30 * time.Hour), Minutes: 5750}, .75)
	kept("SO-1030", "0 % done", 310*time.Hour, store.Settled{Void: "the order was changed from 900 to 1400 kg"}, -1)
	return v
}

// sumShift fills the figures of the shift from its threads.
func (f *fakeFloor) sumShift(now time.Time) {
	sh := &f.shift
	sh.Name, sh.From, sh.To, sh.Now = "morning", monday(6, 0), monday(14, 0), now
	by := map[string]*floor.CauseMinutes{}
	for _, t := range sh.Threads {
		sh.RunMS, sh.StopMS, sh.UnknownMS = sh.RunMS+t.RunMS, sh.StopMS+t.StopMS, sh.UnknownMS+t.UnknownMS
		for _, c := range t.StopsBy {
			if by[c.Cause.Letter] == nil {
				by[c.Cause.Letter] = &floor.CauseMinutes{Cause: c.Cause}
			}
			by[c.Cause.Letter].MS += c.MS
			by[c.Cause.Letter].Count += c.Count
		}
	}
	for len(by) > 0 {
		best := ""
		for l, c := range by {
			if best == "" || c.MS > by[best].MS || c.MS == by[best].MS && l < best {
				best = l
			}
		}
		sh.Lost = append(sh.Lost, *by[best])
		delete(by, best)
	}
	sh.RunShare = math.NaN()
	if heard := sh.RunMS + sh.StopMS; heard > 0 {
		sh.RunShare = float64(sh.RunMS) / float64(heard)
	}
}

func window(machine, lot, yarn, tip string, cones int, first time.Time, span time.Duration) *outlook.CreelWindow {
	at := func(share float64) time.Time { return first.Add(time.Duration(share * float64(span))) }
	return &outlook.CreelWindow{Machine: machine, Group: "ground", Yarn: yarn, Lot: lot, Tip: tip, Cones: cones,
		First: first, P05: at(.2), P50: at(.65), P95: at(.92), Last: at(1), LoadedAtRevolutions: 77}
}

func millTasks(now time.Time) []floor.TaskView {
	creel := func(name, id string, in time.Duration, lot, yarn, tip string) floor.TaskView {
		w := window(id, lot, yarn, tip, 90, now.Add(in), 46*time.Minute)
		return floor.TaskView{ID: "creel/" + id + "/ground/77", Kind: floor.TaskCreel, Machine: id, Name: name, Due: w.First, Window: w, YarnName: yarn, Order: "SO-1041"}
	}
	doff := func(name, id string, in time.Duration, roll int64) floor.TaskView {
		return floor.TaskView{ID: fmt.Sprintf("doff/%s/%d", id, roll), Kind: floor.TaskDoff, Machine: id, Name: name, Due: now.Add(in), RollNumber: roll, RollKg: 25}
	}
	return []floor.TaskView{
		{ID: "stop/k04/1", Kind: floor.TaskStop, Machine: "k04", Name: "K04", Due: now.Add(-2 * time.Minute), Since: now.Add(-2 * time.Minute), Cause: causes["y"]},
		doff("K06", "k06", 4*time.Minute, 114),
		creel("K01", "k01", 12*time.Minute, "L-417", "Ne 30", "green"),
		creel("K02", "k02", 12*time.Minute+20*time.Second, "L-417", "Ne 30", "green"),
		doff("K05", "k05", 41*time.Minute, 62),
		creel("K03", "k03", 58*time.Minute, "L-408", "Ne 24", "red"),
	}
}

// lateMill has a creel whose window has begun and that somebody took without an end, one
// that runs past its last cone, and a machine of several feed groups that stands.
func lateMill() *fakeFloor {
	f := mill()
	by := func(t *floor.TaskView, back time.Duration) {
		w := *t.Window
		for _, at := range []*time.Time{&w.First, &w.P05, &w.P50, &w.P95, &w.Last} {
			*at = at.Add(-back)
		}
		t.Window, t.Due, t.Overdue = &w, w.First, w.First
	}
	f.tasks[0].Groups = []string{"ground", "elastane"}
	by(&f.tasks[2], 40*time.Minute)
	f.tasks[2].Latest, f.tasks[2].Lapsed = f.now, f.now.Add(-63*time.Minute)
	by(&f.tasks[3], 3*time.Hour)
	f.tasks[3].Unsaid = true
	return f
}

// finish spreads 20 finishing times around a middle, skipping closed time.
func finish(mid time.Time, spread time.Duration, promise time.Time, cal calendar.Calendar) outlook.Finish {
	var f outlook.Finish
	for i := range f.Beads {
		p := (float64(i) + .5) / 20
		at := mid.Add(time.Duration(math.Log(p/(1-p)) / 1.8 * float64(spread)))
		if _, works := cal.At(at); !works {
			at = at.Add(24 * time.Hour)
		}
		f.Beads[i] = at
	}
	f.P10, f.P50, f.P80, f.P90 = f.Beads[2], f.Beads[9], f.Beads[16], f.Beads[18]
	f.P95 = f.Beads[19]
	f.MissChance = float64(lateBeads(f.Beads[:], promise)) / 20
	f.Lateness, f.History, f.Corrected = time.Duration(f.MissChance*float64(spread)), "machine", 120
	f.Parts = []outlook.Part{{Kind: outlook.PartRunning, Mean: 5210, P90: 5210, Share: .861}, {Kind: outlook.PartStop, Cause: "yarn", Mean: 402, P90: 610, Share: .066},
		{Kind: outlook.PartPlanned, Cause: "doff", Mean: 210, P90: 260, Share: .035}, {Kind: outlook.PartSlow, Mean: 130, P90: 130, Share: .021},
		{Kind: outlook.PartStop, Cause: "needle", Mean: 95, P90: 240, Share: .016}, {Kind: outlook.PartProgress, Cause: "yarn", Mean: 3, P90: 9, Share: .001}}
	f.Levers = []outlook.Lever{{Kind: outlook.PartStop, Cause: "yarn", Gain: 540}, {Kind: outlook.PartSlow, Gain: 130}, {Kind: outlook.PartStop, Cause: "needle", Gain: 121}}
	f.Basis = []string{"Stops of K01 and K02 since Mon 16 Nov: 212 in 96 hours of running.", "2,000 ways the next days may go, by shift."}
	return f
}

// weekdays is three shifts from Monday to Saturday.
func weekdays() calendar.Calendar {
	days := [7]bool{false, true, true, true, true, true, true}
	return calendar.Calendar{Zone: istanbul, DayStarts: 360, Shifts: []calendar.Shift{
		{Name: "morning", From: 360, To: 840, Days: days}, {Name: "late", From: 840, To: 1320, Days: days}, {Name: "night", From: 1320, To: 360, Days: days}}}
}

func millOrders(now time.Time) []floor.OrderView {
	cal := weekdays()
	day := func(d, h int) time.Time { return time.Date(2026, 11, d, h, 0, 0, 0, istanbul) }
	order := func(id, name string, machines []string, kg, left float64, mid time.Time, spread time.Duration, promise time.Time, why ...string) floor.OrderView {
		o := floor.OrderView{ID: id, Article: "a-" + id, ArticleName: name, Machines: machines, QuantityKg: kg, CountedKg: kg - left, WeighedKg: max(0, kg-left-80), Promise: promise}
		o.Outlook = outlook.OrderOutlook{Order: id, RemainingKg: left, Finish: finish(mid, spread, promise, cal), Why: why}
		o.Outlook.Yarn = []outlook.LotBalance{{Yarn: "Ne 30", Lot: "L-430", StoreKg: left * .8, CreelKg: left * .2, AtMachine: left * .1, NeededKg: left * 1.02}}
		if id == "SO-1044" { // more in store than the picture is wide, under a long name
			o.Outlook.Yarn[0] = outlook.LotBalance{Yarn: "ne40-combed", Lot: "L-436", StoreKg: left * 3, CreelKg: left * .2, NeededKg: left * 1.02}
		}
		for _, m := range machines {
			o.Outlook.Jobs = append(o.Outlook.Jobs, outlook.JobOutlook{Machine: "k" + m[1:], RemainingKg: left / float64(len(machines)), RemainingRevolutions: unit.Revolutions(left / float64(len(machines)) / .012862), Finish: o.Outlook.Finish})
		}
		return o
	}
	h := time.Hour
	list := []floor.OrderView{
		order("SO-1041", "SJ 30×28, Ne 30", []string{"K01", "K02"}, 6000, 4200, day(29, 4), 9*h, day(30, 8), "K02 has run 24 rpm since 06:10 (card 28). Lot L-417 is 754 kg short.", "Requisition 754 kg of Ne 30 by Fri, or move 700 kg to K04."),
		order("SO-1039", "piqué, Ne 26", []string{"K07", "K08"}, 4300, 2900, day(28, 10), 9*h, day(28, 14), "L-433 on K07 breaks three times as often as L-402.", "Put K07 back on L-402."),
		order("SO-1038", "rib 1×1, Ne 28", []string{"K09"}, 1900, 1150, day(27, 18), 8*h, day(28, 6), "Lot L-411 ends 62 kg short.", "Requisition 62 kg."),
		order("SO-1047", "SJ 34×28, Ne 30", []string{"K04"}, 4000, 3050, day(32, 11), 9*h, day(33, 8)),
		order("SO-1051", "rib with elastane", []string{"K10"}, 2000, 1500, day(28, 12), 9*h, day(34, 8)),
		order("SO-1050", "SJ 30×24, Ne 24", []string{"K03"}, 5000, 3800, day(33, 17), 10*h, day(35, 8)),
		order("SO-1045", "interlock PES", []string{"K12"}, 900, 620, day(28, 6), 7*h, day(30, 8)),
		order("SO-1049", "elastane jersey", []string{"K05", "K06"}, 3000, 2300, day(27, 6), 7*h, day(31, 8)),
		order("SO-1044", "interlock, Ne 40", []string{"K11"}, 1400, 900, day(27, 10), 3*h, day(31, 8)),
		order("SO-1046", "three-thread fleece", []string{"K13", "K14"}, 3700, 3400, day(31, 0), 9*h, day(36, 8)),
	}
	y := &list[0].Outlook.Yarn[0]
	y.Lot, y.StoreKg, y.CreelKg, y.AtMachine, y.NeededKg, y.ShortKg = "L-417", 2980, 310, 240, 4284, 754
	return list
}

// bigMill is a floor of many machines with the same data, to see that pages
// stay in hand.
func bigMill(n int) *fakeFloor {
	f := mill()
	threads, machines := f.shift.Threads, f.machines
	f.shift.Threads, f.machines, f.shift.Lost = nil, nil, nil
	f.shift.RunMS, f.shift.StopMS, f.shift.UnknownMS = 0, 0, 0
	for i := range n {
		t, m := threads[i%len(threads)], machines[i%len(machines)]
		t.Machine, t.Name = fmt.Sprintf("m%d", i+1), fmt.Sprintf("M%d", i+1)
		m.ID, m.Name = t.Machine, t.Name
		f.shift.Threads, f.machines = append(f.shift.Threads, t), append(f.machines, m)
	}
	tasks := f.tasks
	f.tasks = nil
	for i := range n / 3 {
		t := tasks[i%len(tasks)]
		t.Machine, t.Name = fmt.Sprintf("m%d", 3*i+1), fmt.Sprintf("M%d", 3*i+1)
		t.ID, t.Due = t.ID+"/"+t.Machine, t.Due.Add(time.Duration(i)*time.Minute)
		f.tasks = append(f.tasks, t)
	}
	slices.SortStableFunc(f.tasks, func(a, b floor.TaskView) int { return a.Due.Compare(b.Due) })
	f.sumShift(f.now)
	return f
}

// emptyMill has nothing at all.
func emptyMill() *fakeFloor {
	f := &fakeFloor{now: monday(10, 40)}
	f.sumShift(f.now)
	return f
}
