package main

import (
	"fmt"
	"strings"
	"time"
)

// lineWidth is how many columns a date line or balance line has.
const lineWidth = 64

// beads draws equally likely finishing times on a date line of days. Beads
// that share a column are stacked. The promise is a bar with a column of its
// own: what stands right of it is late.
func beads(times []*time.Time, promise *time.Time, now time.Time, zone *time.Location) string {
	if len(times) == 0 {
		return ""
	}
	first, last := *times[0], *times[len(times)-1]
	if promise != nil && promise.After(now) {
		if promise.Before(first) {
			first = *promise
		}
		if promise.After(last) {
			last = *promise
		}
	}
	// The line begins with some time before, at the earliest now: a spread of
	// hours in two weeks would be one column.
	first = first.Add(-max(last.Sub(first)/2, 6*time.Hour))
	if first.Before(now) && now.Before(*times[0]) {
		first = now
	}
	length := last.Sub(first)
	if length <= 0 {
		length = time.Minute
	}
	column := func(t time.Time) int {
		return min(lineWidth-1, max(0, int(float64(t.Sub(first))/float64(length)*(lineWidth-1))))
	}
	bar := -1
	if promise != nil && !promise.Before(first) {
		bar = column(*promise)
	}
	var height [lineWidth + 2]int
	top := 1
	for _, t := range times {
		c := column(*t)
		switch {
		case bar >= 0 && !t.After(*promise):
			c = min(c, bar-1)
		case bar >= 0:
			c = max(c, bar) + 1
		case promise != nil: // promised before the line begins: all are late
			c++
		}
		c = max(c, 0)
		height[c]++
		top = max(top, height[c])
	}
	var b strings.Builder
	b.WriteString("  " + days(first, last, column, zone) + "\n")
	for row := top; row >= 1; row-- {
		line := []byte(strings.Repeat(" ", lineWidth+2))
		for c, h := range height {
			if h >= row {
				line[c] = 'o'
			} else if row == 1 {
				line[c] = '.'
			}
		}
		if bar >= 0 {
			line[bar] = '|'
		}
		b.WriteString("  " + strings.TrimRight(string(line), " ") + "\n")
	}
	return b.String()
}

// days writes the names of days over a line where their midnight is, and hours
// between them on a short line, leaving out those that do not fit.
func days(first, last time.Time, column func(time.Time) int, zone *time.Location) string {
	line := []byte(strings.Repeat(" ", lineWidth+8))
	step := 24
	if last.Sub(first) < 60*time.Hour {
		step = 6
	}
	y, m, d := first.In(zone).Date()
	free := 0
	for i := 0; i < 400*24/step; i++ {
		t := time.Date(y, m, d, i*step, 0, 0, 0, zone)
		if t.After(last) {
			break
		}
		if i > 0 && t.Before(first) {
			continue
		}
		name, at := t.Format("15:04"), 0
		if t.Hour() == 0 {
			name = t.Format("Mon 2")
		}
		if i > 0 {
			at = column(t)
		}
		if at < free || at+len(name) > len(line) {
			continue
		}
		copy(line[at:], name)
		free = at + len(name) + 2
	}
	return strings.TrimRight(string(line), " ")
}

// balanceLine draws an order as a length of kilos: w weighed, c counted and not weighed,
// k to come.
func balanceLine(o *orderJSON) string {
	parts := []struct {
		letter string
		kg     float64
	}{{"w", o.WeighedKg}, {"c", o.CountedKg - max(0, o.WeighedKg-o.DoneBefore)}, {"k", o.RemainingKg}}
	total := 0.0
	for _, p := range parts {
		total += max(0, p.kg)
	}
	if total <= 0 {
		return "  | |"
	}
	words := map[string]string{"w": "weighed", "c": "counted", "k": "to knit"}
	line, legend := "  |", " "
	for _, p := range parts {
		if p.kg <= 0 {
			continue
		}
		n := max(1, int(p.kg/total*lineWidth+0.5))
		line += strings.Repeat(p.letter, n) + "|"
		legend += fmt.Sprintf(" %s %s", words[p.letter], kg(p.kg, p.letter))
	}
	return line + "\n" + legend
}
