package web

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"turnwise/server/floor"
	"unicode/utf8"
)

// Measures of a thread in pixels; widths in per cent follow from the narrow
// picture of a phone (about 360 px) and the wide one of a desk (about 770 px).
const (
	threadHeight  = 40.0
	threadMiddle  = 26.0
	threadFull    = 8.0  // thickness at card speed
	nickBelow     = 0.55 // per cent; a narrower gap would vanish on a phone
	letterWide    = 1.15 // least distance of two knot letters on a desk
	letterSlim    = 2.6  // and on a phone
	inlineAlways  = 16.0 // per cent from which "o 98 min" fits a phone
	inlineWide    = 7.5  // and a desk
	slowFrom      = 0.97 // share of card speed below which a sheath is drawn
	hairlineFrom  = 5 * time.Minute
	insideFrom    = 40 * time.Minute
	shortestShown = 30 * time.Minute // axis of a shift that has just begun
)

// thickness of a line that turns at ratio of the card speed. A fall of a few
// per cent must be seen, so the fall is drawn four times.
func thickness(ratio float64) float64 {
	if !(ratio > 0) { // no card speed to compare with
		return threadFull
	}
	return threadFull * min(1, max(0.2, 1-4*(1-ratio)))
}

// shiftAxis is the time axis of a shift: from its begin to the minute after
// now, so that the picture changes once a minute and not at every look.
func shiftAxis(from, to, now time.Time) axis {
	end := now.Truncate(time.Minute).Add(time.Minute)
	end = maxTime(end, from.Add(shortestShown))
	if to.After(from) && end.After(to) {
		end = to
	}
	if !end.After(from) {
		end = from.Add(shortestShown)
	}
	return axis{from, end}
}

// A knot is a letter over a gap.
type knot struct {
	x, width float64
	letter   string
	lasted   time.Duration
	tight    bool // only where there is room for it
	grouped  bool
}

// drawThread draws one machine along the axis. last is the newest instant of
// the picture: a stretch that reaches it within a minute runs to its end.
func drawThread(t floor.Thread, a axis, now time.Time, hours []time.Time, groups []floor.GroupEvent) template.HTML {
	d := newDrawing("thread", threadHeight)
	for _, h := range hours {
		d.tick("hr", a.x(h), 0, threadHeight)
	}
	for _, g := range groups {
		d.tick("zz", a.x(g.At), 0, threadHeight)
	}
	segs := slices.Clone(t.Segments)
	if n := len(segs); n > 0 && now.Sub(segs[n-1].To) < time.Minute && a.to.Sub(now) <= time.Minute {
		segs[n-1].To = a.to
	}
	var knots []knot
	var inner []func()
	for i, s := range segs {
		x, w := a.x(s.From), a.x(s.To)-a.x(s.From)
		lasted := t.Segments[i].To.Sub(s.From) // as it was, not as it is drawn
		switch s.Kind {
		case floor.Run:
			h := thickness(s.Ratio)
			if s.Ratio > 0 && s.Ratio < slowFrom {
				d.rect("card", x, w, threadMiddle-threadFull/2, threadFull)
			}
			d.rect("run", x, w, threadMiddle-h/2, h)
		case floor.Stop:
			if lasted >= hairlineFrom {
				d.line("gap", x, threadMiddle, x+w, threadMiddle)
			}
			knots = append(knots, knot{x: x, width: w, letter: letter(s.Cause), lasted: lasted, grouped: s.Grouped})
		case floor.NoData:
			d.line("unk", x+0.4, threadMiddle, max(x+0.4, x+w-0.4), threadMiddle)
			inner = append(inner, func() { inside(d, x, w, "", "no data "+minutes(lasted), "no data") })
		case floor.Off:
			d.rect("off", x, w, threadMiddle-threadFull/2, threadFull)
		}
	}
	for _, draw := range inner {
		draw()
	}
	drawKnots(d, knots)
	return d.html()
}

// inside writes a label on the line itself where it fits: the long form, on a
// desk only, or the short form on both.
func inside(d *drawing, x, w float64, strong, long, short string) bool {
	switch {
	case w >= inlineAlways+4 || (w >= inlineAlways && strong != ""):
		d.text("inl", "middle", x+w/2, threadMiddle+4, strong, long)
	case w >= inlineWide+6:
		d.text("inl desk", "middle", x+w/2, threadMiddle+4, strong, long)
	case w >= inlineWide && strong != "":
		d.text("inl desk", "middle", x+w/2, threadMiddle+4, strong, long)
	case w >= inlineWide && short != "":
		d.text("inl desk", "middle", x+w/2, threadMiddle+4, strong, short)
	default:
		return false
	}
	return true
}

// drawKnots puts a letter over every gap, the longer stop first where two
// would touch. A letter that finds no room is left out: its gap stays, and the
// table has it.
func drawKnots(d *drawing, knots []knot) {
	for _, k := range knots {
		if k.width < nickBelow {
			d.post("nick", k.x+k.width/2, 2, threadMiddle-5, 10)
		}
	}
	for _, k := range settle(knots) {
		if k.lasted >= insideFrom {
			if inside(d, k.x, k.width, k.letter, minutes(k.lasted), "") {
				if k.width < inlineAlways {
					d.text("kn phone", "middle", k.x+k.width/2, 17, "", k.letter)
				}
				continue
			}
		}
		class, y := "kn", 17.0
		if k.tight {
			class = "kn tight"
		}
		if k.letter == "·" {
			y = 19
		}
		d.text(class, "middle", k.x+k.width/2, y, "", k.letter)
	}
}

// settle decides which letters are drawn and which of them only on a desk.
// It returns them from left to right.
func settle(knots []knot) []knot {
	order := slices.Clone(knots)
	slices.SortStableFunc(order, func(a, b knot) int { return cmp.Compare(b.lasted, a.lasted) })
	var kept []knot
	for _, k := range order {
		near := math.Inf(1)
		for _, other := range kept {
			gap := math.Abs(other.x + other.width/2 - k.x - k.width/2)
			if gap < letterWide {
				near = gap
				break
			}
			if !other.tight {
				near = min(near, gap)
			}
		}
		if near < letterWide {
			continue
		}
		k.tight = near < letterSlim
		kept = append(kept, k)
	}
	slices.SortFunc(kept, func(a, b knot) int { return cmp.Compare(a.x, b.x) })
	return kept
}

// letter of a cause as drawn. A stop without one is "not given".
func letter(c floor.Cause) string {
	switch c.Letter {
	case "":
		return "?"
	case ".":
		return "·"
	}
	r, _ := utf8.DecodeRuneInString(c.Letter) // a knot has room for one
	return string(r)
}

// word of a cause for people.
func word(c floor.Cause) string {
	switch {
	case c.Word != "":
		return c.Word
	case c.Letter == ".":
		return "short < 30 s"
	case c.ID != "":
		return c.ID
	}
	return "not given"
}

// hourMarks are the full hours within an axis, thinned to at most nine.
func hourMarks(a axis, zone *time.Location) []time.Time {
	step := time.Hour
	for a.to.Sub(a.from)/step > 9 {
		step += time.Hour
	}
	if a.to.Sub(a.from) <= 90*time.Minute {
		step = 15 * time.Minute
	}
	var marks []time.Time
	local := a.from.In(zone)
	for t := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), 0, 0, 0, zone); t.Before(a.to); t = t.Add(step) {
		if t.After(a.from) {
			marks = append(marks, t)
		}
	}
	return marks
}

// drawAxis is the head above the threads: hours, now, and one label for each
// group event that has room.
func drawAxis(a axis, now time.Time, zone *time.Location, hours []time.Time, groups []floor.GroupEvent, causes map[string]string) template.HTML {
	const above = 12.0 // the line of group events, where there are any
	height := 22.0
	if len(groups) > 0 {
		height += above
	}
	d := newDrawing("axis", height)
	d.text("ax", "start", 0, height-6, "", a.from.In(zone).Format("15:04"))
	for i, h := range hours {
		x := a.x(h)
		if x < 9 || x > 91 {
			continue
		}
		class := "ax"
		if x < 17 || x > 83 || (len(hours) > 5 && i%2 == 1) {
			class = "ax desk"
		}
		d.text(class, "middle", x, height-6, "", h.In(zone).Format("15:04"))
	}
	end := a.to
	if now.Before(end) {
		end = now
	}
	if x := a.x(end); x > 90 {
		d.text("ax now", "end", 100, height-6, "", end.In(zone).Format("15:04"))
	} else if x > 0 {
		d.text("ax now", "middle", max(x, 9), height-6, "", end.In(zone).Format("15:04"))
	}
	free := -100.0
	for _, g := range groups {
		x := a.x(g.At)
		if x-free < 50 {
			continue // its dashed line stays, the table tells it
		}
		free = x
		l, words := letter(floor.Cause{Letter: g.Letter}), groupText(g, zone, causes)
		d.text("ax desk", anchorAt(x, 20), x, 10, l, words)
		if x < 50 { // a phone is hardly longer than the words
			d.text("ax phone", "start", 0, 10, l, words)
		} else {
			d.text("ax phone", "end", 100, 10, l, words)
		}
	}
	return d.html()
}

// anchorAt keeps a label that reaches margin per cent to each side within the
// picture.
func anchorAt(x, margin float64) string {
	switch {
	case x < margin:
		return "start"
	case x > 100-margin:
		return "end"
	}
	return "middle"
}

// groupText tells a group event in a few words.
func groupText(g floor.GroupEvent, zone *time.Location, causes map[string]string) string {
	w := cmp.Or(g.Word, causes[g.Letter], "group")
	return fmt.Sprintf("%s one %s event, %d machines, %s", g.At.In(zone).Format("15:04"), w, len(g.Machines), minutes(g.Lasted))
}

// threadSentence says a thread in words for those who do not see it.
func threadSentence(t floor.Thread) string {
	var b strings.Builder
	heard := t.RunMS + t.StopMS
	if heard == 0 {
		fmt.Fprintf(&b, "%s: nothing heard.", t.Name)
		return b.String()
	}
	fmt.Fprintf(&b, "%s: ran %d of %d minutes heard", t.Name, t.RunMS/60000, heard/60000)
	for i, c := range t.StopsBy {
		sep := ";"
		if i == 0 {
			sep = "; stops:"
		}
		fmt.Fprintf(&b, "%s %s %d", sep, strings.TrimSuffix(word(c.Cause), " < 30 s"), c.Count)
	}
	if t.UnknownMS > 0 {
		fmt.Fprintf(&b, "; %d minutes without data", (t.UnknownMS+30000)/60000)
	}
	b.WriteString(".")
	return b.String()
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
