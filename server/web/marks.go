package web

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"

	"turnwise/planner/outlook"
)

// Origin letters. Every figure on a page carries one.
const (
	counted    = "c"
	weighed    = "w"
	calculated = "k"
	entered    = "e"
	forecasted = "f"
	unknown    = "?"
)

var originWords = map[string]string{
	counted: "counted", weighed: "weighed", calculated: "calculated",
	entered: "entered", forecasted: "forecast", unknown: "not known",
	"k+?": "calculated, of the time heard only",
}

// origin renders the small letter after a figure, with its word for those who
// hear the page or point at it.
func origin(o string) template.HTML {
	w := originWords[o]
	if w == "" {
		o, w = unknown, originWords[unknown]
	}
	return template.HTML(`<i class="o" title="` + w + `"><span aria-hidden="true">` + o + `</span><span class="vh"> ` + w + `</span></i>`)
}

// kilos with no more digits than are true of them.
func kilos(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	if math.Abs(v) < 99.95 {
		return number1(v)
	}
	return thousands(int64(math.Round(v)))
}

// wholeKilos for lengths of orders.
func wholeKilos(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	if v != 0 && math.Abs(v) < 9.95 {
		return number1(v)
	}
	return thousands(int64(math.Round(v)))
}

func number1(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	if s == "-0.0" {
		return "0.0"
	}
	return s
}

// thousands groups digits by three.
func thousands(v int64) string {
	s := strconv.FormatInt(v, 10)
	neg := strings.HasPrefix(s, "-")
	s = strings.TrimPrefix(s, "-")
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	if neg {
		return "−" + s
	}
	return s
}

// share of one as per cent with one decimal, "–" when nothing was heard.
func share(v float64) string {
	if math.IsNaN(v) {
		return "–"
	}
	return strconv.FormatFloat(100*v, 'f', 1, 64)
}

// wholeShare for rows.
func wholeShare(v float64) string {
	if math.IsNaN(v) {
		return "–"
	}
	return strconv.FormatFloat(math.Round(100*v), 'f', 0, 64)
}

// minutes of a stretch in words, hours from two hours on.
func minutes(d time.Duration) string {
	if d < 0 {
		d = 0
	}
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d/time.Second))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Round(time.Minute)/time.Minute))
	case d < 48*time.Hour:
		d = d.Round(time.Minute)
		return fmt.Sprintf("%d h %02d min", int(d/time.Hour), int(d%time.Hour/time.Minute))
	}
	return fmt.Sprintf("%d days", int(d/(24*time.Hour)))
}

// clock writes seconds as min:s.
func clock(sec int64) string {
	if sec == 0 {
		return "–"
	}
	return fmt.Sprintf("%d:%02d", sec/60, sec%60)
}

// dayTime writes an instant so that nobody takes it for another day.
func dayTime(t, now time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "–"
	}
	t, now = t.In(zone), now.In(zone)
	far := t.Sub(now)
	switch {
	case t.Year() == now.Year() && t.YearDay() == now.YearDay():
		return t.Format("15:04")
	case far > -6*24*time.Hour && far < 6*24*time.Hour:
		return t.Format("Mon 15:04")
	case far > -300*24*time.Hour && far < 300*24*time.Hour:
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("2 Jan 2006")
}

// promiseTime writes a date of the promises page: the day always stands there.
func promiseTime(t, now time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "–"
	}
	t = t.In(zone)
	far := t.Sub(now)
	if far > -24*time.Hour && far < 6*24*time.Hour+12*time.Hour {
		return t.Format("Mon 15:04")
	}
	if far > 0 && far < 27*24*time.Hour { // no day of the month comes twice
		return t.Format("Mon 2, 15:04")
	}
	if far > -300*24*time.Hour && far < 300*24*time.Hour {
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("2 Jan 2006")
}

// doneBy writes a forecast date.
func doneBy(t, now time.Time, zone *time.Location) string {
	return promiseTime(outlook.Told(t), now, zone)
}

// apportion rounds milliseconds to seconds so that the rounded parts add up to
// the rounded whole: a table whose row does not add up is not believed.
func apportion(ms []int64) (sec []int64, whole int64) {
	var total int64
	sec = make([]int64, len(ms))
	for i, v := range ms {
		total += v
		sec[i] = v / 1000
	}
	whole = (total + 500) / 1000
	left := whole
	for _, s := range sec {
		left -= s
	}
	for ; left > 0; left-- {
		best, most := -1, int64(-1)
		for i, v := range ms {
			if rest := v - sec[i]*1000; rest > most && rest > 0 {
				best, most = i, rest
			}
		}
		if best < 0 {
			break
		}
		sec[best]++
	}
	return sec, whole
}

// clip shortens a text for a picture; the whole of it stands in the words beside.
func clip(s string, runes int) string {
	if r := []rune(s); len(r) > runes {
		return string(r[:runes-1]) + "…"
	}
	return s
}

// plural picks the word for a number.
func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}
