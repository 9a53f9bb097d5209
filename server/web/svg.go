package web

import (
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"
)

// A drawing is one SVG without a viewBox: x in per cent of its width, y in
// pixels. So one drawing fits a phone and a desk, and letters keep their size.
// It writes only classes, never styles: the pages' policy forbids inline style.
type drawing struct {
	b      strings.Builder
	height float64
}

// newDrawing opens a drawing of a height in pixels. It is hidden from screen
// readers: a sentence and a table stand beside every picture.
func newDrawing(class string, height float64) *drawing {
	d := &drawing{height: height}
	d.b.WriteString(`<svg class="` + class + `" width="100%" height="` + px(height) + `" aria-hidden="true" focusable="false">`)
	return d
}

// html closes the drawing.
func (d *drawing) html() template.HTML {
	return template.HTML(d.b.String() + "</svg>")
}

// rect draws from x to x+w per cent, y to y+h pixels.
func (d *drawing) rect(class string, x, w, y, h float64) {
	if w <= 0 || h <= 0 {
		return
	}
	d.b.WriteString(`<rect class="` + class + `" x="` + pct(x) + `" width="` + pct(w) + `" y="` + px(y) + `" height="` + px(h) + `"/>`)
}

// post draws an upright bar of w pixels around x per cent.
func (d *drawing) post(class string, x, w, y, h float64) {
	d.b.WriteString(`<rect class="` + class + `" x="` + pct(x) + `" width="` + px(w) + `" y="` + px(y) + `" height="` + px(h) + `" transform="translate(` + px(-w/2) + `)"/>`)
}

func (d *drawing) line(class string, x1, y1, x2, y2 float64) {
	d.b.WriteString(`<line class="` + class + `" x1="` + pct(x1) + `" x2="` + pct(x2) + `" y1="` + px(y1) + `" y2="` + px(y2) + `"/>`)
}

// tick draws an upright line at x per cent.
func (d *drawing) tick(class string, x, y1, y2 float64) { d.line(class, x, y1, x, y2) }

func (d *drawing) dot(class string, x, y, r float64) {
	d.b.WriteString(`<circle class="` + class + `" cx="` + pct(x) + `" cy="` + px(y) + `" r="` + px(r) + `"/>`)
}

// text writes s at x per cent. anchor is start, middle or end. A strong part
// may stand in front of s.
func (d *drawing) text(class, anchor string, x, y float64, strong, s string) {
	d.b.WriteString(`<text class="` + class + `" text-anchor="` + anchor + `" x="` + pct(x) + `" y="` + px(y) + `">`)
	if strong != "" {
		d.b.WriteString(`<tspan class="kb">` + html.EscapeString(strong) + `</tspan>`)
		if s != "" {
			d.b.WriteString(" ")
		}
	}
	d.b.WriteString(html.EscapeString(s) + `</text>`)
}

func pct(v float64) string { return number(v, 2) + "%" }
func px(v float64) string  { return number(v, 1) }

// number writes v without an exponent, "NaN" or trailing zeros: a broken
// number must not break the picture.
func number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s
}

// An axis maps instants to per cent of a drawing.
type axis struct{ from, to time.Time }

// x clamps to the axis: what lies outside is drawn at the edge.
func (a axis) x(t time.Time) float64 {
	whole := a.to.Sub(a.from)
	if whole <= 0 {
		return 0
	}
	return min(100, max(0, 100*float64(t.Sub(a.from))/float64(whole)))
}

// share is the length of a stretch in per cent.
func (a axis) share(d time.Duration) float64 {
	whole := a.to.Sub(a.from)
	if whole <= 0 {
		return 0
	}
	return 100 * float64(d) / float64(whole)
}
