// Package chart draws the repeat of a feed program in loop notation: needles are
// dots, the yarn of each feed runs past them as a line that loops round a needle
// that knits, arches over one that tucks, and passes straight where it misses. Feeds
// are read from the bottom up. The one rule: the picture says nothing that its text
// (title and desc) does not say too, and nothing by colour, so that it prints black
// and reads aloud. It does not draw a machine, a needle's path or the cloth itself.
package chart

import (
	"encoding/xml"
	"errors"
	"fmt"
	"slices"
	"strings"

	"turnwise/planner/knit"
)

// ErrTooLarge is inside the error about a repeat that fits no picture.
var ErrTooLarge = errors.New("repeat is too large for a picture")

// Options of a picture. The zero value works.
type Options struct {
	// ID begins the names of the picture's title and description; give each picture
	// of a page its own. "" means "repeat". Other characters than letters, digits
	// and - become -.
	ID string
	// Title is read first by a screen reader. "" means the program's notation.
	Title string
}

// Measures in px: small enough for 48 needles on a sheet, large enough to print.
const (
	pitch     = 30.0 // of needles
	half      = pitch / 2
	dot       = 2.2
	reach     = 9.0  // of a needle's dot from the yarn's line
	loopOver  = 10.0 // of a loop beyond the dot
	rowSingle = 42.0
	rowDouble = 62.0
	margin    = 12.0
	textSize  = 12.0
	atLeast   = 6 // needles drawn of a narrower repeat
	mostRows  = 60
	mostWide  = 72
)

// dashes tells yarns apart without colour, in the order in which a program names them.
var dashes = [...]string{"", "6 3", "1.5 2.5", "9 3 1.5 3", "3 1.5", "12 4"}

// row is one or more equal feeds in succession.
type row struct {
	first, last int
	feed        knit.Feed
}

// SVG draws the program. Ink is currentColor, so the picture takes the page's ink
// and prints black; there is no paper behind it.
func SVG(p knit.Program, o Options) (string, error) {
	if err := p.Validate(); err != nil {
		return "", err
	}
	d := drawing{p: p, rows: rowsOf(p), needles: p.Width()}
	if len(d.rows) > mostRows || d.needles > mostWide {
		return "", fmt.Errorf("chart: %w: %d different feeds over %d needles, expected at most %d over %d; show the notation instead", ErrTooLarge, len(d.rows), d.needles, mostRows, mostWide)
	}
	for d.needles < atLeast {
		d.needles += p.Width()
	}
	d.draw(o)
	return d.b.String(), nil
}

func rowsOf(p knit.Program) []row {
	var rows []row
	for i, f := range p.Feeds {
		if n := len(rows); n > 0 && rows[n-1].feed.String() == f.String() {
			rows[n-1].last = i + 1
			continue
		}
		rows = append(rows, row{i + 1, i + 1, f})
	}
	return rows
}

// Describe says the repeat in words, feed by feed.
func Describe(p knit.Program) string {
	var b strings.Builder
	count := func(n int, what string) string {
		if n == 1 {
			return "1 " + what
		}
		return fmt.Sprintf("%d %ss", n, what)
	}
	fmt.Fprintf(&b, "Repeat of %s and %s, %s, %.4g feeds per course.", count(len(p.Feeds), "feed"), count(p.Width(), "needle"), p.Gating(), p.FeedsPerCourse())
	for _, r := range rowsOf(p) {
		fmt.Fprintf(&b, " %s", r.name())
		if len(r.feed.Groups) > 0 {
			b.WriteString(", " + strings.Join(r.feed.Groups, " plated with "))
		}
		if r.feed.Idle() {
			b.WriteString(": idle.")
			continue
		}
		b.WriteString(": cylinder " + words(r.feed.Cylinder))
		if r.feed.Dial != "" {
			b.WriteString("; dial " + words(r.feed.Dial))
		}
		b.WriteString(".")
	}
	return b.String()
}

func (r row) name() string {
	if r.first == r.last {
		return fmt.Sprintf("Feed %d", r.first)
	}
	return fmt.Sprintf("Feeds %d to %d", r.first, r.last)
}

// words says a bed's letters, equal ones together.
func words(b knit.Bed) string {
	if strings.Trim(string(b), string(b[:1])) == "" {
		return "all " + word(b[0])
	}
	var w []string
	for i := 0; i < len(b); {
		n := 1
		for i+n < len(b) && b[i+n] == b[i] {
			n++
		}
		if n == 1 {
			w = append(w, word(b[i]))
		} else {
			w = append(w, fmt.Sprintf("%d %s", n, word(b[i])))
		}
		i += n
	}
	return strings.Join(w, ", ")
}

func word(c byte) string {
	switch c {
	case 'K':
		return "knit"
	case 'T':
		return "tuck"
	}
	return "miss"
}

type drawing struct {
	b             strings.Builder
	p             knit.Program
	rows          []row
	needles       int
	left, rowHigh float64
}

func (d *drawing) draw(o Options) {
	id := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, o.ID)
	if id == "" {
		id = "repeat"
	}
	title := o.Title
	if title == "" {
		title = "Loop notation of " + d.p.String()
	}
	d.rowHigh = rowSingle
	if d.p.DoubleBed() {
		d.rowHigh = rowDouble
	}
	longest := 0
	for _, r := range d.rows {
		longest = max(longest, len([]rune(r.label())))
	}
	if d.p.DoubleBed() {
		longest += len("  cylinder")
	}
	d.left = margin + float64(longest)*textSize*0.56 + 8
	key := d.key()
	right := d.left + float64(d.needles)*pitch
	if d.p.Gating() == knit.RibGating {
		right += half
	}
	width := max(right+margin, 260)
	rowsHigh := float64(len(d.rows)) * d.rowHigh
	height := margin + rowsHigh + 30 + float64(len(key))*18 + margin

	fmt.Fprintf(&d.b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img" aria-labelledby="%s-title %s-desc" fill="none" stroke="currentColor" stroke-linecap="round" stroke-linejoin="round" font-family="sans-serif" font-size="%s">`,
		px(width), px(height), px(width), px(height), id, id, px(textSize))
	fmt.Fprintf(&d.b, "\n<title id=\"%s-title\">%s</title>\n<desc id=\"%s-desc\">%s</desc>\n", id, escape(title), id, escape(Describe(d.p)))
	for i, r := range d.rows {
		d.row(r, margin+rowsHigh-(float64(i)+0.5)*d.rowHigh)
	}
	d.bracket(margin + rowsHigh + 8)
	for i, k := range key {
		y := margin + rowsHigh + 44 + float64(i)*18
		fmt.Fprintf(&d.b, `<path d="M%s %sh36"%s/>`, px(d.left), px(y), stroke(slices.Index(d.p.Groups(), k)))
		d.text(d.left+44, y+4, "start", k)
		d.b.WriteByte('\n')
	}
	d.b.WriteString("</svg>\n")
}

// key lists the yarns that need one: several that have names.
func (d *drawing) key() []string {
	all := d.p.Groups()
	if len(all) < 2 {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(all), func(s string) bool { return s == "" })
}

func (r row) label() string {
	s := fmt.Sprint(r.first)
	if r.last > r.first {
		s = fmt.Sprintf("%d–%d", r.first, r.last)
	}
	switch {
	case r.feed.Idle():
		s += " idle"
	case len(r.feed.Groups) > 0:
		s += " " + strings.Join(r.feed.Groups, " + ")
	}
	return s
}

// row draws needles and yarns of a feed; y is the yarn's line.
func (d *drawing) row(r row, y float64) {
	double := d.p.DoubleBed()
	d.b.WriteString(`<g>`)
	if double {
		d.text(margin, y+4, "start", r.label())
		d.text(d.left-8, y-reach+1, "end", "dial")
		d.text(d.left-8, y+reach+8, "end", "cylinder")
	} else {
		y += loopOver
		d.text(margin, y, "start", r.label())
	}
	d.b.WriteByte('\n')
	d.dots(y, double)
	groups := r.feed.Groups
	if len(groups) == 0 && !r.feed.Idle() {
		groups = []string{""}
	}
	for i, g := range groups {
		apart := 3.5 * float64(i) // plated yarns lie side by side
		fmt.Fprintf(&d.b, `<path d="%s"%s/>`, d.yarn(r.feed, y, apart), stroke(slices.Index(d.p.Groups(), g)))
		d.b.WriteByte('\n')
	}
	d.b.WriteString("</g>\n")
}

func (d *drawing) dots(y float64, double bool) {
	d.b.WriteString(`<g fill="currentColor" stroke="none">`)
	for i := range d.needles {
		x := d.x(i)
		if !double {
			fmt.Fprintf(&d.b, `<circle cx="%s" cy="%s" r="%s"/>`, px(x), px(y-reach), px(dot))
			continue
		}
		fmt.Fprintf(&d.b, `<circle cx="%s" cy="%s" r="%s"/>`, px(x), px(y+reach), px(dot))
		fmt.Fprintf(&d.b, `<circle cx="%s" cy="%s" r="%s"/>`, px(x+d.dialOffset()), px(y-reach), px(dot))
	}
	d.b.WriteString("</g>\n")
}

func (d *drawing) x(needle int) float64 { return d.left + (float64(needle)+0.5)*pitch }

// dialOffset is half a pitch where dial needles stand between the cylinder's.
func (d *drawing) dialOffset() float64 {
	if d.p.Gating() == knit.RibGating {
		return half
	}
	return 0
}

// yarn is the path of one yarn from left to right. In one bed loops stand up, in
// two the cylinder's hang down.
func (d *drawing) yarn(f knit.Feed, y, apart float64) string {
	var b strings.Builder
	double := d.p.DoubleBed()
	end := d.left + float64(d.needles)*pitch + d.dialOffset()
	y += apart
	fmt.Fprintf(&b, "M%s %s", px(d.left), px(y))
	for i := range d.needles {
		if !double {
			loop(&b, f.Cylinder.At(i), d.x(i), y, -1, pitch, apart)
			continue
		}
		narrow := pitch
		if d.dialOffset() > 0 {
			narrow = half
		}
		loop(&b, f.Cylinder.At(i), d.x(i), y, 1, narrow, apart)
		loop(&b, f.Dial.At(i), d.x(i)+d.dialOffset(), y, -1, narrow, apart)
	}
	fmt.Fprintf(&b, "L%s %s", px(end), px(y))
	return b.String()
}

// loop adds what one needle does at x: up is -1, down 1. A second yarn of a plated
// stitch loops apart px wider.
func loop(b *strings.Builder, action byte, x, y, up, room, apart float64) {
	top := y + up*(reach+loopOver) + up*apart*1.5
	wide := min(room*0.42, 9) + apart*0.7
	low := y + up*2
	switch action {
	case 'K': // the legs cross below the needle
		fmt.Fprintf(b, "L%s %sC%s %s %s %s %s %sS%s %s %s %s", px(x-wide/3), px(y),
			px(x+1.5*wide), px(low), px(x+1.2*wide), px(top), px(x), px(top),
			px(x-1.5*wide), px(low), px(x+wide/3), px(y))
	case 'T': // an arch, open below
		fmt.Fprintf(b, "L%s %sC%s %s %s %s %s %sS%s %s %s %s", px(x-wide), px(y),
			px(x-wide/2), px(low), px(x-0.8*wide), px(top), px(x), px(top),
			px(x+wide/2), px(low), px(x+wide), px(y))
	}
}

// bracket marks the needles of one repeat.
func (d *drawing) bracket(y float64) {
	w := float64(d.p.Width()) * pitch
	fmt.Fprintf(&d.b, `<path stroke-width="1" d="M%s %sv5h%sv-5"/>`, px(d.left+2), px(y), px(w-4))
	text := "repeat"
	if d.p.Width() > 3 {
		text = fmt.Sprintf("repeat of %d needles", d.p.Width())
	}
	d.text(d.left+2, y+18, "start", text)
	d.b.WriteByte('\n')
}

func (d *drawing) text(x, y float64, anchor, s string) {
	fmt.Fprintf(&d.b, `<text x="%s" y="%s" text-anchor="%s" fill="currentColor" stroke="none">%s</text>`, px(x), px(y), anchor, escape(s))
}

// stroke tells yarn i from the others.
func stroke(i int) string {
	dash := dashes[max(i, 0)%len(dashes)]
	if dash == "" {
		return ` stroke-width="1.5"`
	}
	return ` stroke-width="1.5" stroke-dasharray="` + dash + `"`
}

func px(v float64) string {
	s := strings.TrimRight(fmt.Sprintf("%.2f", v), "0")
	s = strings.TrimSuffix(s, ".")
	if s == "-0" {
		return "0"
	}
	return s
}

func escape(s string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return ""
	}
	return b.String()
}
