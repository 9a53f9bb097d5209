package web

import (
	"fmt"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
)

func TestThickness(t *testing.T) {
	tests := []struct {
		ratio, want float64
		source      string
	}{
		{1, 8, "card speed is the full 8 px"},
		{1.1, 8, "faster is not thicker"},
		{0.9125, 5.2, "by hand: 8 * (1 - 4*0.0875)"},
		{0.75, 1.6, "by hand: never under a fifth"},
		{0.1, 1.6, "never under a fifth"},
		{0, 8, "no card speed, nothing to compare with"},
		{math.NaN(), 8, "no card speed, nothing to compare with"},
	}
	for _, tt := range tests {
		if got := thickness(tt.ratio); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("thickness(%v) = %v, want %v (%s)", tt.ratio, got, tt.want, tt.source)
		}
	}
}

var rectRule = regexp.MustCompile(`<rect class="([a-z0-9 ]+)" x="([0-9.]+)%" width="([0-9.]+)%"`)

// widths sums the widths of all rectangles of a class, in per cent.
func widths(svg, class string) (sum float64) {
	for _, m := range rectRule.FindAllStringSubmatch(svg, -1) {
		if m[1] == class {
			w, _ := strconv.ParseFloat(m[3], 64)
			sum += w
		}
	}
	return sum
}

// TestThreadLengths: what is drawn is as long as it was.
func TestThreadLengths(t *testing.T) {
	f := mill()
	a := axis{f.shift.From, f.now}
	for _, th := range f.shift.Threads {
		svg := string(drawThread(th, a, f.now, nil, nil))
		want := 100 * float64(th.RunMS) / float64(f.now.Sub(f.shift.From).Milliseconds())
		if got := widths(svg, "run"); math.Abs(got-want) > 0.2 {
			t.Errorf("%s: %.2f %% drawn as running, want %.2f", th.Name, got, want)
		}
		if slow := strings.Contains(svg, `class="card"`); slow != (th.SpeedRPM < slowFrom*th.CardRPM) {
			t.Errorf("%s: sheath drawn %v at %.1f of %.1f rpm", th.Name, slow, th.SpeedRPM, th.CardRPM)
		}
		if dotted := strings.Contains(svg, `class="unk"`); dotted != (th.UnknownMS > 0) {
			t.Errorf("%s: dotted %v with %d ms unknown", th.Name, dotted, th.UnknownMS)
		}
	}
}

func TestThreadMarks(t *testing.T) {
	from := monday(6, 0)
	a := axis{from, from.Add(400 * time.Minute)}
	stop := func(cause string, at, last float64) floor.Segment {
		b := from.Add(time.Duration(at * float64(time.Minute)))
		return floor.Segment{Kind: floor.Stop, From: b, To: b.Add(time.Duration(last * float64(time.Minute))), Cause: causes[cause]}
	}
	tests := []struct {
		name      string
		seg       floor.Segment
		has, lack string
	}{
		{"a stop of two minutes is a gap with its letter", stop("y", 100, 2.4), `>y</text>`, "nick"},
		{"a short stop is a nick with a dot", stop(".", 100, .4), `class="nick"`, "gap"},
		{"from five minutes a hairline keeps the row together", stop("n", 100, 5), `class="gap"`, "inl"},
		{"from forty minutes letter and minutes stand inside", stop("s", 100, 98), `98 min`, `class="kn`},
		{"inside where a phone has no room, the letter stays for the phone", stop("s", 100, 45), `class="kn phone"`, "nick"},
		{"no data is dots and words", floor.Segment{Kind: floor.NoData, From: from, To: from.Add(100 * time.Minute)}, `no data 100 min`, "gap"},
		{"outside the calendar is hollow", floor.Segment{Kind: floor.Off, From: from, To: from.Add(time.Hour)}, `class="off"`, `class="run"`},
		{"a stop without a cause has a question mark", floor.Segment{Kind: floor.Stop, From: from.Add(time.Hour), To: from.Add(63 * time.Minute)}, `>?</text>`, "nick"},
	}
	for _, tt := range tests {
		svg := string(drawThread(floor.Thread{Segments: []floor.Segment{tt.seg}}, a, a.to, nil, nil))
		if !strings.Contains(svg, tt.has) || strings.Contains(svg, tt.lack) {
			t.Errorf("%s: want %s and not %s in %s", tt.name, tt.has, tt.lack, svg)
		}
	}
}

// TestLetters: no two letters touch, on a desk or on a phone, and of two that
// would touch the longer stop keeps its letter.
func TestLetters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 60).Draw(t, "n")
		var knots []knot
		for range n {
			knots = append(knots, knot{x: rapid.Float64Range(0, 100).Draw(t, "x"), letter: "y", lasted: time.Duration(rapid.IntRange(1, 1e6).Draw(t, "ms")) * time.Millisecond})
		}
		kept := settle(knots)
		if n > 0 && len(kept) == 0 {
			t.Fatal("no letter left")
		}
		phone := slices.DeleteFunc(slices.Clone(kept), func(k knot) bool { return k.tight })
		for _, c := range []struct {
			list  []knot
			least float64
		}{{kept, letterWide}, {phone, letterSlim}} {
			for i := 1; i < len(c.list); i++ {
				if d := c.list[i].x - c.list[i-1].x; d < c.least {
					t.Fatalf("letters %.3f %% apart, want %.2f", d, c.least)
				}
			}
		}
		longest := slices.MaxFunc(append([]knot{{}}, knots...), func(a, b knot) int { return int(a.lasted - b.lasted) })
		if n > 0 && !slices.ContainsFunc(kept, func(k knot) bool { return k.lasted == longest.lasted }) {
			t.Fatal("the longest stop lost its letter")
		}
	})
}

// TestShiftAxis: the picture stands still within a minute and holds all of it.
func TestShiftAxis(t *testing.T) {
	from, to := monday(6, 0), monday(14, 0)
	tests := []struct {
		now, want time.Time
	}{
		{monday(10, 40), monday(10, 41)},
		{monday(10, 40).Add(59 * time.Second), monday(10, 41)},
		{monday(6, 1), monday(6, 30)},   // a shift that has just begun
		{monday(13, 59), monday(14, 0)}, // never over its end
		{monday(15, 0), monday(14, 0)},
	}
	for _, tt := range tests {
		if got := shiftAxis(from, to, tt.now); !got.to.Equal(tt.want) || !got.from.Equal(from) {
			t.Errorf("at %s the axis ends %s, want %s", tt.now, got.to, tt.want)
		}
	}
	if a := shiftAxis(time.Time{}, time.Time{}, monday(9, 0)); a.share(time.Minute) < 0 || a.x(monday(9, 0)) < 0 {
		t.Error("an axis without a shift must not turn around")
	}
}

// TestBeads: twenty beads stay twenty, a bin never crosses the promise, and
// no bead is further from its time than its bin is wide.
func TestBeads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := axis{monday(0, 0), monday(0, 0).AddDate(0, 0, rapid.IntRange(7, 35).Draw(t, "days"))}
		minute := rapid.IntRange(-2000, 60*24*40)
		var promise time.Time
		if rapid.Bool().Draw(t, "promised") {
			promise = a.from.Add(time.Duration(minute.Draw(t, "promise")) * time.Minute)
		}
		var beads []time.Time
		for range 20 {
			b := a.from.Add(time.Duration(minute.Draw(t, "bead")) * time.Minute)
			if rapid.IntRange(0, 9).Draw(t, "on") == 0 && !promise.IsZero() {
				b = promise
			}
			beads = append(beads, b)
		}
		for _, s := range append(slices.Clone(beadsWide), beadsSlim...) {
			total, late := 0, 0
			bar := a.share(promise.Sub(a.from))
			for _, st := range stackBeads(beads, promise, a, s) {
				total += st.n
				if st.late {
					late += st.n
				}
				if promise.IsZero() {
					continue
				}
				left, right := st.x-s.bin/2, st.x+s.bin/2
				if st.late && left < bar-1e-9 || !st.late && right > bar+1e-9 {
					t.Fatalf("bin %.3f to %.3f, late %v, crosses the bar at %.3f", left, right, st.late, bar)
				}
			}
			if total != 20 {
				t.Fatalf("%d beads drawn, want 20", total)
			}
			if want := lateBeads(beads, promise); late != want {
				t.Fatalf("%d beads right of the bar, %d are late", late, want)
			}
			for _, b := range beads {
				near := math.Inf(1)
				for _, st := range stackBeads([]time.Time{b}, promise, a, s) {
					near = min(near, math.Abs(st.x-a.share(b.Sub(a.from))))
				}
				if near > s.bin/2+s.barHalf+1e-9 {
					t.Fatalf("bead drawn %.3f %% from its time, a bin is %.3f", near, s.bin)
				}
			}
		}
	})
}

// TestBeadFit: a sharp forecast gets smaller beads, then a taller row, and
// always all of its beads.
func TestBeadFit(t *testing.T) {
	a := axis{monday(0, 0), monday(0, 0).AddDate(0, 0, 12)}
	last := 0.0
	for _, spread := range []time.Duration{40 * time.Hour, 8 * time.Hour, 2 * time.Hour, time.Minute} {
		var beads []time.Time
		for i := range 20 {
			beads = append(beads, monday(9, 0).Add(time.Duration(i)*spread/20))
		}
		for _, sizes := range [][]beadSize{beadsSlim, beadsWide} {
			s, stacks, tall := fitBeads(beads, time.Time{}, a, sizes)
			n := 0
			for _, st := range stacks {
				n += st.n
				if float64(st.n)*s.pitch > tall {
					t.Errorf("spread %s, %s: a stack of %d does not fit %.0f px", spread, s.class, st.n, tall)
				}
			}
			if n != 20 || tall > 110 || 2*s.radius > s.pitch {
				t.Errorf("spread %s, %s: %d beads of %.1f px in %.0f px", spread, s.class, n, s.radius, tall)
			}
			if s.class == "wide" {
				if tall < last {
					t.Errorf("spread %s: row of %.0f px, a wider one has %.0f", spread, tall, last)
				}
				last = tall
			}
		}
	}
}

// TestDatePlot: every bead of every order is in the picture, the promise too.
func TestDatePlot(t *testing.T) {
	f := mill()
	s := site{zone: istanbul, o: Options{Calendar: weekdays()}}
	p := s.datePlot(f.orders, f.now)
	for _, o := range f.orders {
		svg := string(p.draw(o.Outlook.Finish, o.Promise, beadsWide))
		if n := strings.Count(svg, "<circle"); n != 20 {
			t.Errorf("%s: %d beads, want 20", o.ID, n)
		}
		if n, want := strings.Count(svg, `class="bd lt"`), lateBeads(o.Outlook.Finish.Beads[:], o.Promise); n != want {
			t.Errorf("%s: %d ringed beads, want %d", o.ID, n, want)
		}
		if !strings.Contains(svg, `class="pr"`) {
			t.Errorf("%s: no bar", o.ID)
		}
	}
	// The site works Monday 06:00 to Sunday 06:00; the picture begins at midnight.
	if len(p.closed) != 3 || !p.closed[0].to.Equal(monday(6, 0)) {
		t.Errorf("closed times %v, want Monday morning and two Sundays", p.closed)
	}
	refused := p.draw(outlook.Finish{Refused: "no card"}, monday(9, 0), beadsWide)
	if strings.Contains(string(refused), "<circle") {
		t.Error("beads without a forecast")
	}
	far := p.draw(f.orders[0].Outlook.Finish, monday(9, 0).AddDate(0, 3, 0), beadsWide)
	if !strings.Contains(string(far), "→") {
		t.Error("a promise beyond the picture is not told")
	}
}

// TestBalance: the pieces of the fabric line are the order, on one scale.
func TestBalance(t *testing.T) {
	o := mill().orders[0]
	b := newBalance(o)
	svg := string(b.Picture)
	scale := 1800 + 4284.0 // done, and the yarn that is needed with its waste
	for class, kg := range map[string]float64{"bf": 4200, "bw2": 240, "bs": 754, "bw": 1720 + 2980, "bc": 80 + 310} {
		if got, want := widths(svg, class), 100*kg/scale; math.Abs(got-want) > 0.05 {
			t.Errorf("%s is %.2f %% long, want %.2f for %v kg", class, got, want, kg)
		}
	}
	if empty := newBalance(floor.OrderView{}); empty.Picture != "" {
		t.Error("an order without kilos has a picture")
	}
}

func TestApportion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ms := rapid.SliceOfN(rapid.Int64Range(0, 40_000_000), 1, 14).Draw(t, "ms")
		sec, whole := apportion(ms)
		var sum, total int64
		for i, s := range sec {
			sum += s
			total += ms[i]
			if d := s*1000 - ms[i]; d <= -1000 || d >= 1000 {
				t.Fatalf("%d ms became %d s", ms[i], s)
			}
		}
		if sum != whole || whole != (total+500)/1000 {
			t.Fatalf("parts add up to %d s, whole is %d s of %d ms", sum, whole, total)
		}
	})
}

// TestTwinAddsUp: run + stops + unknown = elapsed in every printed row.
func TestTwinAddsUp(t *testing.T) {
	f := mill()
	f.shift.Threads[3].StopMS += 61_500 // time that no cause explains
	f.shift.Threads[3].RunMS -= 61_500
	tw := newTwin(f.shift, f.shift.Threads, causeWords(f.shift), istanbul)
	seconds := func(s string) int {
		if s == "–" {
			return 0
		}
		var m, sec int
		if _, err := fmt.Sscanf(s, "%d:%d", &m, &sec); err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		return 60*m + sec
	}
	for _, r := range append(tw.Rows, tw.Sum) {
		sum := seconds(r.Run) + seconds(r.Unknown) + seconds(r.Off)
		for _, c := range r.Causes {
			sum += seconds(c)
		}
		if sum != seconds(r.Elapsed) {
			t.Errorf("%s: parts %d s, elapsed %s", r.Name, sum, r.Elapsed)
		}
	}
	if len(tw.Rows) != 14 || tw.Rows[0].Name != "K01" {
		t.Errorf("%d rows, first %s", len(tw.Rows), tw.Rows[0].Name)
	}
}

func TestNatural(t *testing.T) {
	want := []string{"K1", "K02", "K2", "K10", "K10a", "L1", "M 3", "M 20"}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, natural)
	if !slices.Equal(got, want) {
		t.Errorf("sorted %v, want %v", got, want)
	}
}

func TestDomID(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.String().Draw(t, "a"), rapid.String().Draw(t, "b")
		x, y := domID("r", a), domID("r", b)
		if (a == b) != (x == y) {
			t.Fatalf("%q and %q became %q and %q", a, b, x, y)
		}
		if !regexp.MustCompile(`^r-[0-9A-Za-z_-]*$`).MatchString(x) {
			t.Fatalf("%q is no plain id", x)
		}
	})
}

func TestChooseMachines(t *testing.T) {
	f := mill()
	const setA, setB = "k01 k02 k03 k04 k05 k06", "k07 k08 k09 k10 k11 k12 k13 k14"
	tests := []struct {
		machines, set string
		groups        []string // title: ids
		scope         string
		wrong         bool
	}{
		{"", "", []string{": " + setA + " " + setB}, "K01–K14, 14 machines", false},
		{"all", "B", []string{": " + setA + " " + setB}, "K01–K14, 14 machines", false},
		{"k02, K01,nobody,k01", "", []string{": k02 k01"}, "K01, K02", false},
		{"", "A", []string{": " + setA}, "set A, 6 machines", false},
		{"", "B,A,B", []string{"Set B: " + setB, "Set A: " + setA}, "2 sets, 14 machines", false},
		{"", "A,Z", []string{": " + setA}, "set A,Z, 6 machines", false},
		{"nobody", "", nil, "nobody", true},
		{"", "Z", nil, "set Z", true},
	}
	for _, tt := range tests {
		groups, scope, wrong := chooseMachines(f.machines, tt.machines, tt.set)
		var got []string
		for _, g := range groups {
			got = append(got, g.title+": "+strings.Join(g.ids, " "))
		}
		if !slices.Equal(got, tt.groups) || scope != tt.scope || (wrong != "") != tt.wrong {
			t.Errorf("chooseMachines(%q, %q) = %q, %q, %q; want %q, %q", tt.machines, tt.set, got, scope, wrong, tt.groups, tt.scope)
		}
	}
}

// TestWorkOf: machines that stand come before every walk, the longest first,
// and a walk of which nothing is left goes.
func TestWorkOf(t *testing.T) {
	f := mill()
	late := f.tasks[0]
	late.ID, late.Machine, late.Since = "stop/k02/1", "k02", f.now.Add(-9*time.Minute)
	stop := func(list ...floor.TaskView) floor.WalkStop {
		return floor.WalkStop{Machine: list[0].Machine, Tasks: list}
	}
	w := workOf(floor.RoundsView{Walks: []floor.WalkView{
		{ID: "1", Stops: []floor.WalkStop{stop(f.tasks[0])}},
		{ID: "2", Stops: []floor.WalkStop{stop(f.tasks[2]), stop(late, f.tasks[3]), stop(f.tasks[1])}},
	}})
	var got []string
	for _, t := range w.tasks() {
		got = append(got, t.ID)
	}
	want := []string{"stop/k02/1", "stop/k04/1", creelK01, creelK02, "doff/k06/114"}
	if !slices.Equal(got, want) || len(w.walks) != 1 {
		t.Errorf("order %q in %d walks, want %q in one", got, len(w.walks), want)
	}
}

// What is overdue, was taken without an end, or runs past its cones is said in words.
func TestLateRows(t *testing.T) {
	f := lateMill()
	s := newSite(t, f, millOptions(f))
	p, err := s.look(t.Context(), "creel", url.Values{"set": {"A"}})
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for _, e := range p.parts {
		doc, err := html.Parse(strings.NewReader(e.HTML))
		if err != nil {
			t.Fatal(err)
		}
		said[e.ID] = strings.Join(strings.Fields(text(doc)), " ")
	}
	for id, want := range map[string]string{
		domID("t", creelK01): "overdue since 10:12",
		domID("t", creelK02): "Ran past its last cone 08:38",
		domID("t", stopK04):  "Done: a cone of elastane had run out",
		"twin":               "overdue since 10:12–10:58",
	} {
		if !strings.Contains(said[id], want) {
			t.Errorf("%s does not say %q: %q", id, want, said[id])
		}
	}
	if !strings.Contains(said[domID("t", creelK01)], "Taken 09:37, nobody said done") || strings.Contains(said[domID("t", creelK01)], "be there by") || strings.Contains(said[domID("t", creelK02)], "not known.") {
		t.Errorf("the creel that was taken says %q", said[domID("t", creelK01)])
	}
	if !strings.HasPrefix(said[domID("t", creelK02)], "look") {
		t.Errorf("the creel that runs past its cones says %q, want to look", said[domID("t", creelK02)])
	}
}

func TestUntil(t *testing.T) {
	now := monday(10, 40)
	tests := []struct {
		in         time.Duration
		big, small string
	}{
		{-time.Hour, "now", ""}, {59 * time.Second, "now", ""}, {time.Minute, "1", "min"}, {12*time.Minute + 59*time.Second, "12", "min"},
		{99 * time.Minute, "99", "min"}, {100 * time.Minute, "1 h", "40 min"}, {2 * time.Hour, "2 h", "0 min"}, {50 * time.Hour, "2", "days"},
	}
	for _, tt := range tests {
		if big, small := until(now.Add(tt.in), now); big != tt.big || small != tt.small {
			t.Errorf("until(%s) = %q %q, want %q %q", tt.in, big, small, tt.big, tt.small)
		}
	}
}

func TestWords(t *testing.T) {
	now := monday(10, 40)
	tests := []struct{ got, want string }{
		{minutes(59 * time.Second), "59 s"}, {minutes(100 * time.Minute), "100 min"}, {minutes(150 * time.Minute), "2 h 30 min"}, {minutes(72 * time.Hour), "3 days"}, {minutes(-1), "0 s"},
		{kilos(24.84), "24.8"}, {kilos(1234.5), "1,235"}, {kilos(math.NaN()), "–"}, {wholeKilos(4200), "4,200"}, {wholeKilos(0.4), "0.4"},
		{thousands(-1234567), "−1,234,567"}, {thousands(999), "999"}, {share(.8652), "86.5"}, {share(math.NaN()), "–"}, {number(math.Inf(1), 2), "0"}, {number(-0.001, 2), "0"},
		{dayTime(monday(9, 5), now, istanbul), "09:05"}, {dayTime(monday(9, 5).AddDate(0, 0, 1), now, istanbul), "Tue 09:05"}, {dayTime(time.Time{}, now, istanbul), "–"},
		{promiseTime(monday(8, 0).AddDate(0, 0, 5), now, istanbul), "Sat 08:00"}, {promiseTime(monday(8, 0).AddDate(0, 0, 7), now, istanbul), "Mon 30, 08:00"},
		{promiseTime(monday(8, 0).AddDate(0, 0, 40), now, istanbul), "Sat 2 Jan 08:00"}, {doneBy(monday(8, 1).AddDate(0, 0, 1), now, istanbul), "Tue 08:10"},
		{capital("morning"), "Morning"}, {capital("öğle"), "Öğle"}, {capital(""), ""},
	}
	for i, tt := range tests {
		if tt.got != tt.want {
			t.Errorf("case %d: %q, want %q", i, tt.got, tt.want)
		}
	}
}

// TestStateLine: a machine that is not read is never called stopped, and what
// is wrong is said once and without contradiction.
func TestStateLine(t *testing.T) {
	now := time.Date(2026, 3, 4, 10, 43, 0, 0, istanbul)
	s := &site{zone: istanbul}
	for _, tt := range []struct {
		m    floor.MachineView
		want string
	}{
		{floor.MachineView{Problem: "no such device; plug it in"}, "Never heard. Nothing was read of it yet. What is wrong: no such device; plug it in"},
		{floor.MachineView{Problem: "agent u-01 is offline"}, "Never heard. Nothing was read of it yet. What is wrong: agent u-01 is offline"},
		{floor.MachineView{Heard: now.Add(-time.Hour), Problem: "no answer in 1s"}, "No data since 09:43. What is wrong: no answer in 1s"},
		{floor.MachineView{Heard: now, Since: now.Add(-time.Hour), State: floor.Running, Problem: "pulses come faster than 40 rpm allows"}, "Running since 09:43. What is wrong: pulses come faster than 40 rpm allows"},
	} {
		if l := s.stateLine(tt.m, now); l.Word+l.Rest != tt.want {
			t.Errorf("%q, want %q", l.Word+l.Rest, tt.want)
		}
	}
}
