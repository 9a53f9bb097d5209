package web

import (
	"html/template"
	"math"
	"slices"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/outlook"
)

// Measures of beads. A bin is about one bead wide, so the drawing for a desk
// and the one for a phone have other bins.
const (
	beadPlain = 51.0 // pixels above the base line when nothing is stacked higher
	beadUnder = 14.0 // below it, for the date of the promise
	beadBare  = 26.0 // where there is nothing to stack
)

// beadSize is one way of drawing. A bin is as wide as a bead.
type beadSize struct {
	class   string
	bin     float64 // per cent
	pitch   float64 // pixels from bead to bead
	radius  float64
	barHalf float64 // per cent, half of the promise bar
}

// The sizes of a desk and of a phone, the largest first. A row takes the
// largest that stacks no higher than the row: smaller beads have narrower
// bins and show a sharper forecast.
var (
	beadsWide = []beadSize{
		{class: "wide", bin: 1.16, pitch: 8.5, radius: 3.9, barHalf: 0.18},
		{class: "wide", bin: 0.88, pitch: 6.4, radius: 2.9, barHalf: 0.18},
		{class: "wide", bin: 0.66, pitch: 4.8, radius: 2.2, barHalf: 0.18},
	}
	beadsSlim = []beadSize{
		{class: "slim", bin: 2.1, pitch: 6.6, radius: 3.0, barHalf: 0.4},
		{class: "slim", bin: 1.5, pitch: 4.8, radius: 2.2, barHalf: 0.4},
	}
)

// fitBeads picks the size for a row and tells its height. No bead is ever
// hidden: when even the smallest stack too high, the row grows.
func fitBeads(beads []time.Time, promise time.Time, a axis, sizes []beadSize) (s beadSize, stacks []stack, tall float64) {
	for _, s = range sizes {
		stacks = stackBeads(beads, promise, a, s)
		highest := 0
		for _, st := range stacks {
			highest = max(highest, st.n)
		}
		if tall = float64(highest)*s.pitch + 6; tall <= beadPlain {
			return s, stacks, beadPlain
		}
	}
	return s, stacks, tall
}

// A stack is the beads of one bin.
type stack struct {
	x    float64 // middle of the bin
	n    int
	late bool
}

// stackBeads sorts finishing times into bins. Bins are counted outwards from
// the promise, so a bin never crosses its bar and the late ones can be
// counted. To finish exactly at the promise is to keep it.
func stackBeads(beads []time.Time, promise time.Time, a axis, s beadSize) []stack {
	base, barHalf := 0.0, 0.0
	if !promise.IsZero() {
		// Not clamped: a promise outside of the picture still parts the beads.
		base, barHalf = a.share(promise.Sub(a.from)), s.barHalf
	}
	count := map[int]int{}
	for _, b := range beads {
		x := a.share(b.Sub(a.from)) - base
		bin := int(math.Floor(x / s.bin))
		switch {
		case promise.IsZero():
		case b.After(promise):
			bin = max(0, bin)
		default: // at the promise or before: the bin left of the bar
			bin = min(-1, int(math.Ceil(x/s.bin))-1)
		}
		count[bin]++
	}
	var stacks []stack
	for bin, n := range count {
		x := base + (float64(bin)+0.5)*s.bin
		late := !promise.IsZero() && bin >= 0
		if late {
			x += barHalf
		} else {
			x -= barHalf
		}
		stacks = append(stacks, stack{x: x, n: n, late: late})
	}
	slices.SortFunc(stacks, func(a, b stack) int {
		if a.x < b.x {
			return -1
		}
		return 1
	})
	return stacks
}

// lateBeads counts the finishing times after the promise.
func lateBeads(beads []time.Time, promise time.Time) int {
	n := 0
	for _, b := range beads {
		if !promise.IsZero() && b.After(promise) {
			n++
		}
	}
	return n
}

// dateAxis runs over whole days from today until everything that the orders
// promise or may need, at least a week, at most five.
func dateAxis(now time.Time, zone *time.Location, until []time.Time) axis {
	local := now.In(zone)
	day := func(n int) time.Time {
		return time.Date(local.Year(), local.Month(), local.Day()+n, 0, 0, 0, 0, zone)
	}
	days := 7
	for _, t := range until {
		for days < 35 && !t.Before(day(days)) {
			days++
		}
	}
	return axis{day(0), day(days)}
}

// days are the midnights of an axis, both ends with it.
func (a axis) days(zone *time.Location) []time.Time {
	var marks []time.Time
	from := a.from.In(zone)
	for i := 0; i < 370; i++ {
		t := time.Date(from.Year(), from.Month(), from.Day()+i, 0, 0, 0, 0, zone)
		if t.After(a.to) {
			break
		}
		marks = append(marks, t)
	}
	return marks
}

// closedTimes are the stretches of an axis without shifts.
func closedTimes(c calendar.Calendar, a axis) []axis {
	var closed []axis
	at := a.from
	for _, s := range c.Spans(a.from, a.to) {
		if s.From.After(at) {
			closed = append(closed, axis{at, s.From})
		}
		at = maxTime(at, s.To)
	}
	if a.to.After(at) {
		closed = append(closed, axis{at, a.to})
	}
	return closed
}

// A datePlot is the ground of all beads of a page.
type datePlot struct {
	axis   axis
	now    time.Time
	zone   *time.Location
	days   []time.Time
	closed []axis
}

// head draws the days above the rows.
func (p datePlot) head() template.HTML {
	d := newDrawing("axis", 22)
	n := len(p.days) - 1
	every := 1 + (n-1)/14
	for i := 0; i < n; i++ {
		if i%every != 0 {
			continue
		}
		x := (p.axis.x(p.days[i]) + p.axis.x(p.days[i+1])) / 2
		class := "ax"
		if n > 12 && i/every%2 == 1 {
			class = "ax desk"
		}
		t := p.days[i].In(p.zone)
		if every > 1 {
			d.text(class, anchorAt(x, 3), min(max(x, 0), 100), 14, "", t.Format("2 Jan"))
			continue
		}
		d.text(class+" dayname", "middle", x, 14, "", t.Format("Mon"))
		d.text(class+" daydate", "middle", x, 14, "", t.Format("Mon 2"))
	}
	return d.html()
}

// row draws one order twice, for a desk and for a phone.
func (p datePlot) row(f outlook.Finish, promise time.Time) template.HTML {
	return p.draw(f, promise, beadsWide) + p.draw(f, promise, beadsSlim)
}

func (p datePlot) draw(f outlook.Finish, promise time.Time, sizes []beadSize) template.HTML {
	s, stacks, tall := sizes[0], []stack(nil), beadBare
	if f.Refused == "" && !f.Beads[19].IsZero() {
		s, stacks, tall = fitBeads(f.Beads[:], promise, p.axis, sizes)
	}
	d := newDrawing(s.class, tall+beadUnder)
	for _, c := range p.closed {
		d.rect("sun", p.axis.x(c.from), p.axis.x(c.to)-p.axis.x(c.from), 0, tall)
	}
	for _, t := range p.days {
		d.tick("hr", p.axis.x(t), 0, tall)
	}
	d.line("base", 0, tall, 100, tall)
	if x := p.axis.x(p.now); x > 0 && x < 100 {
		d.tick("nw", x, tall-10, tall+5)
	}
	for _, st := range stacks {
		if st.x > 100+s.bin { // later than the picture reaches: the words tell the date
			continue
		}
		for i := range st.n {
			y := tall - s.radius - 3 - float64(i)*s.pitch
			if st.late {
				d.dot("bd lt", st.x, y, s.radius-0.4)
			} else {
				d.dot("bd", max(0, st.x), y, s.radius)
			}
		}
	}
	if !promise.IsZero() {
		p.bar(d, promise, tall)
	}
	return d.html()
}

// bar draws the promise and its date below.
func (p datePlot) bar(d *drawing, promise time.Time, tall float64) {
	label := promiseTime(promise, p.now, p.zone)
	switch x := p.axis.share(promise.Sub(p.axis.from)); {
	case x < 0:
		d.text("pl", "start", 0, tall+12, "", "← promised "+label)
	case x > 100:
		d.text("pl", "end", 100, tall+12, "", "promised "+label+" →")
	default:
		d.post("pr", x, 3, 2, tall-1)
		d.text("pl", anchorAt(x, 12), x, tall+12, "", label)
	}
}
