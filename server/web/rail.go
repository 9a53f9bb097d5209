package web

import (
	"fmt"
	"html/template"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
)

// windowAxis is the one time axis of all run-out windows of a page: from now
// to the end of the last window, at least two hours, at most a day.
func windowAxis(tasks []floor.TaskView, now time.Time) axis {
	end := now.Add(2 * time.Hour)
	for _, t := range tasks {
		if t.Window != nil {
			end = maxTime(end, t.Window.Last.Add(10*time.Minute))
		}
	}
	if latest := now.Add(24 * time.Hour); end.After(latest) {
		end = latest
	}
	// A little room left of now, and quarter hours, so that the picture stands
	// still between two looks.
	const quarter = 15 * time.Minute
	return axis{now.Truncate(time.Minute).Add(-time.Minute), end.Truncate(quarter).Add(quarter)}
}

// drawWindow draws when the cones of one feed group run out: a thin line from
// the first cone to the last, thick from 5 % to 95 %, a slit at the median. A bracket under it tells from
// when to when to be there, if that is known.
func drawWindow(w *outlook.CreelWindow, open, latest time.Time, a axis, now time.Time, zone *time.Location) template.HTML {
	const middle, thick = 16.0, 16.0
	d := newDrawing("win", 44)
	span := a.to.Sub(a.from)
	step := 30 * time.Minute
	for _, s := range []time.Duration{time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour} {
		if span/step > 5 {
			step = s
		}
	}
	local := a.from.In(zone)
	for t := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone); t.Before(a.to); t = t.Add(step) {
		if x := a.x(t); t.After(a.from) && x > 19 && x < 94 {
			d.tick("hr", x, 4, 28)
			d.text("wt", "middle", x, 42, "", t.In(zone).Format("15:04"))
		}
	}
	d.line("w0", a.x(w.First), middle, a.x(w.Last), middle)
	d.rect("w1", a.x(w.P05), a.x(w.P95)-a.x(w.P05), middle-thick/2, thick)
	d.tick("w2", a.x(w.P50), middle-thick/2, middle+thick/2)
	if !latest.IsZero() {
		d.line("vw", a.x(maxTime(open, now)), 28, a.x(latest), 28)
		d.tick("vw", a.x(latest), 4, 28)
	}
	d.tick("nw", a.x(now), 2, 28)
	d.text("wt", "start", 0, 42, "", "now")
	return d.html()
}

// until tells the time to a task as the rail shows it: a big figure and the
// small word under it.
func until(due, now time.Time) (big, small string) {
	d := due.Sub(now)
	switch m := int(d / time.Minute); {
	case d < time.Minute:
		return "now", ""
	case m < 100:
		return fmt.Sprint(m), "min"
	case m < 48*60:
		return fmt.Sprintf("%d h", m/60), fmt.Sprintf("%d min", m%60)
	default:
		return fmt.Sprint(m / 60 / 24), "days"
	}
}

// drawWait is the white space between two rows: 2 px a minute, one tick for
// five. A wait of more than an hour would be scrolled past, so its ruler is
// broken in the middle. A short wait has none.
func drawWait(wait time.Duration) template.HTML {
	const most = 12
	ticks, broken := int(wait/(5*time.Minute)), false
	if ticks < 3 {
		return ""
	}
	if ticks > most {
		ticks, broken = most, true
	}
	d := newDrawing("ticks", float64(ticks)*10+8)
	for i := 1; i <= ticks; i++ {
		if y := float64(i) * 10; broken && i > 4 && i < 9 {
			d.post("cut", 50, 2, y-1, 2)
		} else {
			d.line("tk", 0, y, 100, y)
		}
	}
	return d.html()
}
