package chart_test

import (
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"turnwise/planner/knit"
	"turnwise/planner/knit/chart"
)

// picture is what a reader of the drawing finds in it.
type picture struct {
	role, labelled, title, desc string
	width                       float64
	yarns                       []string // paths of yarns, lowest feed first
	dots                        int
	texts                       []string
	names                       map[string]bool // of elements and attributes
	colours                     map[string]bool // values of fill and stroke
}

func read(t testing.TB, svg string) picture {
	t.Helper()
	p := picture{names: map[string]bool{}, colours: map[string]bool{}}
	d := xml.NewDecoder(strings.NewReader(svg))
	var in []string
	depth := 0
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v in %s", err, svg)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			in = append(in, e.Name.Local)
			p.names[e.Name.Local] = true
			attr := map[string]string{}
			for _, a := range e.Attr {
				attr[a.Name.Local] = a.Value
				p.names[a.Name.Local] = true
				if a.Name.Local == "fill" || a.Name.Local == "stroke" {
					p.colours[a.Value] = true
				}
			}
			switch e.Name.Local {
			case "svg":
				p.role, p.labelled = attr["role"], attr["aria-labelledby"]
				p.width, _ = strconv.ParseFloat(attr["width"], 64)
			case "g":
				depth++
			case "circle":
				p.dots++
			case "path":
				if depth > 0 {
					p.yarns = append(p.yarns, attr["d"])
				}
			}
		case xml.EndElement:
			in = in[:len(in)-1]
			if e.Name.Local == "g" {
				depth--
			}
		case xml.CharData:
			if len(in) == 0 {
				continue
			}
			switch in[len(in)-1] {
			case "title":
				p.title += string(e)
			case "desc":
				p.desc += string(e)
			case "text":
				p.texts = append(p.texts, string(e))
			}
		}
	}
	return p
}

func draw(t testing.TB, notation string, o chart.Options) picture {
	t.Helper()
	p, err := knit.ReadProgram(notation)
	if err != nil {
		t.Fatal(err)
	}
	svg, err := chart.SVG(p, o)
	if err != nil {
		t.Fatal(err)
	}
	return read(t, svg)
}

var number = regexp.MustCompile(`-?[0-9.]+`)

// Every needle that takes yarn bends the line twice (C up, S down); one that
// misses does not. The line is one, from edge to edge.
func TestLoops(t *testing.T) {
	for _, tt := range []struct {
		notation string
		dots     int
		bends    []int // per yarn, lowest feed first
	}{
		{"K", 6, []int{6}},
		{"KT TK", 12, []int{6, 6}},
		{"KMMM K", 16, []int{2, 8}},
		{"KM/MK MK/KM", 24, []int{6, 6}},
		{"K/K", 12, []int{12}},
		{"M/K K/M", 24, []int{6, 6}},
		{"ground+elastane:K ground:K", 12, []int{6, 6, 6}},
		{"K M", 12, []int{6}}, // an idle feed has needles and no yarn
		{"red:K*6 blue:K*4", 12, []int{6, 6}},
		{"KKKKKKK", 7, []int{7}},
	} {
		p := draw(t, tt.notation, chart.Options{})
		var bends []int
		for _, d := range p.yarns {
			bends = append(bends, strings.Count(d, "C"))
			if strings.Count(d, "C") != strings.Count(d, "S") || strings.Count(d, "M") != 1 {
				t.Errorf("%s: path %s", tt.notation, d)
			}
			n := number.FindAllString(d, -1)
			if x, err := strconv.ParseFloat(n[len(n)-2], 64); err != nil || n[1] != n[len(n)-1] || x > p.width {
				t.Errorf("%s: the yarn begins at height %s and ends at %s, at %g of %g", tt.notation, n[1], n[len(n)-1], x, p.width)
			}
		}
		if p.dots != tt.dots || !slices.Equal(bends, tt.bends) {
			t.Errorf("%s: %d needles, bends %v; want %d, %v", tt.notation, p.dots, bends, tt.dots, tt.bends)
		}
	}
	knitted, tucked := draw(t, "K", chart.Options{}).yarns[0], draw(t, "K T", chart.Options{}).yarns[1]
	if knitted == tucked {
		t.Error("a tuck looks like a knit loop")
	}
}

// The picture is ink alone and has its words.
func TestInkAndWords(t *testing.T) {
	for _, s := range knit.Structures() {
		p := draw(t, s.Program.String(), chart.Options{ID: "k01 <x>", Title: s.Name + " & more"})
		if p.role != "img" || p.labelled != "k01--x--title k01--x--desc" || p.title != s.Name+" & more" || p.desc != chart.Describe(s.Program) {
			t.Errorf("%s: role %q, labelled by %q, title %q, desc %q", s.Name, p.role, p.labelled, p.title, p.desc)
		}
		for _, never := range []string{"script", "style", "href", "image", "foreignObject", "onload", "class"} {
			if p.names[never] {
				t.Errorf("%s: has %s", s.Name, never)
			}
		}
		for c := range p.colours {
			if c != "none" && c != "currentColor" {
				t.Errorf("%s: colour %s", s.Name, c)
			}
		}
		for _, g := range s.Program.Groups() {
			if g != "" && !strings.Contains(strings.Join(p.texts, "\n"), g) {
				t.Errorf("%s: %s is not named in %q", s.Name, g, p.texts)
			}
		}
	}
	if p := draw(t, "KT", chart.Options{}); p.title != "Loop notation of KT" || p.labelled != "repeat-title repeat-desc" {
		t.Errorf("without options: %q, %q", p.title, p.labelled)
	}
}

func TestDescribe(t *testing.T) {
	for notation, want := range map[string]string{
		"interlock":           "Repeat of 2 feeds and 2 needles, interlock gating, 2 feeds per course. Feed 1: cylinder knit, miss; dial miss, knit. Feed 2: cylinder miss, knit; dial knit, miss.",
		"three-thread fleece": "Repeat of 3 feeds and 4 needles, one bed, 3 feeds per course. Feed 1, fleece: cylinder tuck, 3 miss. Feed 2, tie: cylinder all tuck. Feed 3, ground: cylinder all knit.",
		"a+b:K*2 M":           "Repeat of 3 feeds and 1 needle, one bed, 1.5 feeds per course. Feeds 1 to 2, a plated with b: cylinder all knit. Feed 3: idle.",
	} {
		p, err := knit.ReadProgram(notation)
		if err != nil {
			t.Fatal(err)
		}
		if got := chart.Describe(p); got != want {
			t.Errorf("%s: %q, want %q", notation, got, want)
		}
	}
}

func TestRefused(t *testing.T) {
	if _, err := chart.SVG(knit.Program{}, chart.Options{}); !errors.Is(err, knit.ErrProgram) {
		t.Errorf("an empty program: %v", err)
	}
	for _, notation := range []string{strings.Repeat("K", 72) + "T", strings.Repeat("K T ", 31)} {
		p, err := knit.ParseProgram(notation)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := chart.SVG(p, chart.Options{}); !errors.Is(err, chart.ErrTooLarge) {
			t.Errorf("%.20s: %v, want ErrTooLarge", notation, err)
		}
	}
}

func FuzzSVG(f *testing.F) {
	f.Add("KM/MK MK/KM", "interlock", "a")
	f.Add("a+b:KT*3 M c:TK/K courses=2", "<b>\x00\xff", "\"'>")
	f.Fuzz(func(t *testing.T, notation, title, id string) {
		p, err := knit.ParseProgram(notation)
		if err != nil {
			return
		}
		svg, err := chart.SVG(p, chart.Options{ID: id, Title: title})
		if err != nil {
			if !errors.Is(err, chart.ErrTooLarge) {
				t.Fatal(err)
			}
			return
		}
		if got := read(t, svg); got.role != "img" || len(got.yarns) == 0 {
			t.Fatalf("%q draws %s", notation, svg)
		}
	})
}
