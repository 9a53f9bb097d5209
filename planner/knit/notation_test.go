package knit_test

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/knit"
)

func TestParseProgram(t *testing.T) {
	for _, tt := range []struct {
		text    string
		print   string
		width   int
		courses float64
		perTurn float64 // feeds per course
		gating  knit.Gating
		groups  []string
	}{
		{"K", "K", 1, 1, 1, knit.NoDial, []string{""}},
		{" k\n", "K", 1, 1, 1, knit.NoDial, []string{""}},
		{"K/K", "K/K", 1, 1, 1, knit.RibGating, []string{""}},
		{"K-/-K, -K/K-", "KM/MK MK/KM", 2, 1, 2, knit.InterlockGating, []string{""}},
		{"KM/MK | MK/KM; M/K; K/M", "KM/MK MK/KM M/K K/M", 2, 2, 2, knit.InterlockGating, []string{""}},
		{"KT TK", "KT TK", 2, 1, 2, knit.NoDial, []string{""}},
		{"K KT K TK", "K KT K TK", 2, 3, 4.0 / 3, knit.NoDial, []string{""}},
		{"K KT K TK courses=2", "K KT K TK courses=2", 2, 2, 2, knit.NoDial, []string{""}},
		{"a+b:K a:K", "a+b:K a:K", 1, 2, 1, knit.NoDial, []string{"a", "b"}},
		{"rot:K*6 blau:K K*1 M", "rot:K*6 blau:K K M", 1, 8, 9.0 / 8, knit.NoDial, []string{"rot", "blau", ""}},
		{"f:TMMM t:T g:K", "f:TMMM t:T g:K", 4, 1, 3, knit.NoDial, []string{"f", "t", "g"}},
		{"KKM KT", "KKM KT", 6, 2, 1, knit.NoDial, []string{""}},
		{"K/T T/K", "K/T T/K", 1, 1, 2, knit.RibGating, []string{""}},
	} {
		p, err := knit.ParseProgram(tt.text)
		if err != nil {
			t.Errorf("%q: %v", tt.text, err)
			continue
		}
		if p.String() != tt.print || p.Width() != tt.width || p.CoursesPerRepeat() != tt.courses ||
			math.Abs(p.FeedsPerCourse()-tt.perTurn) > 1e-12 || p.Gating() != tt.gating || !reflect.DeepEqual(p.Groups(), tt.groups) {
			t.Errorf("%q: prints %q, width %d, courses %g, feeds per course %g, %v, groups %q; want %+v",
				tt.text, p, p.Width(), p.CoursesPerRepeat(), p.FeedsPerCourse(), p.Gating(), p.Groups(), tt)
		}
	}
}

func TestUnreadablePrograms(t *testing.T) {
	for text, hint := range map[string]string{
		"":                                  "at least one feed",
		"M":                                 "needle that knits",
		"T":                                 "needle that knits",
		"X":                                 "letters K (knit)",
		"K/":                                "M\" for a bed that misses",
		"/K":                                "M\" for a bed that misses",
		"K/K/K":                             "letters K",
		"K*0":                               "1 to 240",
		"K*241":                             "1 to 240",
		"K*99999999999999999999":            "1 to 240",
		"K*200 K*200":                       "smallest part",
		"K courses=0":                       "count the courses",
		"K courses=nan":                     "count the courses",
		"K courses=1e300":                   "count the courses",
		"K courses=":                        "count the courses",
		":K":                                "a name of",
		"a++b:K":                            "a name of",
		"a+a:K":                             "once",
		"a b:K":                             "letters K",
		"a+b+c+d+e:K":                       "at most 4",
		"a:M K":                             "idle",
		strings.Repeat("n", 40) + ":K":      "a name of",
		"\xff:K":                            "a name of",
		strings.Repeat("K", 145):            "letters",
		"KKKKKKK KKKKKKKKKKK KKKKKKKKKKKKK": "same number of needles",
		strings.Repeat("K ", 3000):          "bytes",
	} {
		_, err := knit.ParseProgram(text)
		if _, ok := errors.AsType[*knit.InputError](err); !ok || !errors.Is(err, knit.ErrProgram) || !strings.Contains(err.Error(), hint) {
			t.Errorf("%.40q: %v, want a fault of the program that says %q", text, err, hint)
		}
	}
	byHand := knit.Program{Feeds: []knit.Feed{{Cylinder: "K"}, {Dial: "K"}}}
	if err := byHand.Validate(); !errors.Is(err, knit.ErrProgram) {
		t.Errorf("a feed without cylinder: %v", err)
	}
	if (knit.Program{}).FeedsPerCourse() != math.Inf(1) {
		t.Error("an empty program has feeds per course")
	}
}

func anyProgram(t *rapid.T) knit.Program {
	bed := rapid.StringMatching(`[KTM]{1,4}`)
	var p knit.Program
	for range rapid.IntRange(1, 8).Draw(t, "feeds") {
		f := knit.Feed{Cylinder: knit.Bed(bed.Draw(t, "cylinder"))}
		if rapid.Bool().Draw(t, "two beds") {
			f.Dial = knit.Bed(bed.Draw(t, "dial"))
		}
		if !f.Idle() {
			f.Groups = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"ground", "elastane", "rot-1", "é_2"}), 0, 3, rapid.ID).Draw(t, "groups")
			if len(f.Groups) == 0 {
				f.Groups = nil
			}
		}
		p.Feeds = append(p.Feeds, f)
	}
	p.Courses = rapid.SampledFrom([]float64{0, 0, 1, 2.5, 1.0 / 3}).Draw(t, "courses")
	return p
}

func TestProgramProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProgram(t)
		if p.Validate() != nil {
			return // no needle knits
		}
		back, err := knit.ParseProgram(p.String())
		if err != nil || !reflect.DeepEqual(back, p) {
			t.Fatalf("%q reads back as %+v, %v", p, back, err)
		}
		twice := knit.Program{Feeds: append(append([]knit.Feed(nil), p.Feeds...), p.Feeds...), Courses: 2 * p.Courses}
		if math.Abs(twice.FeedsPerCourse()/p.FeedsPerCourse()-1) > 1e-12 || twice.Gating() != p.Gating() {
			t.Fatalf("%q written twice has %g feeds per course, %v; once %g, %v", p, twice.FeedsPerCourse(), twice.Gating(), p.FeedsPerCourse(), p.Gating())
		}
	})
}

func FuzzParseProgram(f *testing.F) {
	for _, s := range knit.Structures() {
		f.Add(s.Program.String())
	}
	f.Add("K-/-K ; a+b:kt*3 courses=2.5")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := knit.ParseProgram(text)
		if err != nil {
			if !errors.Is(err, knit.ErrProgram) {
				t.Fatalf("%q: %v has no ErrProgram inside", text, err)
			}
			return
		}
		back, err := knit.ParseProgram(p.String())
		if err != nil || !reflect.DeepEqual(back, p) {
			t.Fatalf("%q prints %q, which reads %+v, %v", text, p, back, err)
		}
		if w := p.Width(); w < 1 || w > 144 || !(p.FeedsPerCourse() > 0) {
			t.Fatalf("%q: width %d, feeds per course %g", text, w, p.FeedsPerCourse())
		}
	})
}

func FuzzReadProgram(f *testing.F) {
	for _, s := range knit.Structures() {
		f.Add(s.Name)
	}
	f.Add("PIQUÉ")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := knit.ReadProgram(text)
		if err == nil && p.Validate() != nil || err != nil && !errors.Is(err, knit.ErrProgram) {
			t.Fatalf("%q gives %v, %v", text, p, err)
		}
	})
}

// Feeds per course are those of the sources in the table of structures; of the
// others they follow from the notation.
func TestStructures(t *testing.T) {
	want := map[string]struct {
		perCourse float64
		gating    knit.Gating
	}{
		"single jersey": {1, knit.NoDial}, "1x1 rib": {1, knit.RibGating}, "interlock": {2, knit.InterlockGating},
		"single pique": {4.0 / 3, knit.NoDial}, "double pique": {1.5, knit.NoDial}, "cross tuck": {2, knit.NoDial}, "lacoste": {2, knit.NoDial},
		"two-thread fleece": {2, knit.NoDial}, "three-thread fleece": {3, knit.NoDial}, "plated jersey": {1, knit.NoDial},
		"elastane jersey": {1, knit.NoDial}, "elastane jersey, every second feed": {1, knit.NoDial}, "1x1 rib with elastane": {1, knit.RibGating},
		"ponte roma": {2, knit.InterlockGating}, "half cardigan": {1, knit.RibGating}, "full cardigan": {2, knit.RibGating},
		"milano rib": {1.5, knit.RibGating}, "feed stripes": {1, knit.NoDial},
	}
	all := knit.Structures()
	if len(all) != len(want) {
		t.Errorf("%d structures, want %d", len(all), len(want))
	}
	names := map[string]string{}
	for _, s := range all {
		w, ok := want[s.Name]
		if err := s.Program.Validate(); err != nil || !ok || s.Source == "" {
			t.Errorf("%s: %v, expected %v, source %q", s.Name, err, ok, s.Source)
			continue
		}
		if got := s.Program.FeedsPerCourse(); math.Abs(got-w.perCourse) > 1e-12 || s.Program.Gating() != w.gating {
			t.Errorf("%s: %g feeds per course, %v; want %g, %v", s.Name, got, s.Program.Gating(), w.perCourse, w.gating)
		}
		for _, n := range append([]string{s.Name, strings.ToUpper(s.Name)}, s.Also...) {
			if other, taken := names[n]; taken {
				t.Errorf("%q is %s and %s", n, other, s.Name)
			}
			names[n] = s.Name
			if got, err := knit.FindStructure(n); err != nil || got.Name != s.Name {
				t.Errorf("%q finds %q, %v; want %q", n, got.Name, err, s.Name)
			}
		}
	}
	if got, err := knit.FindStructure("Piqué"); err != nil || got.Name != "single pique" {
		t.Errorf("Piqué finds %q, %v", got.Name, err)
	}
}

func TestReadProgram(t *testing.T) {
	for text, want := range map[string]string{
		"Interlock": "KM/MK MK/KM", "rib 1x1": "K/K", "kt tk": "KT TK", "a:K b:K": "a:K b:K",
	} {
		if p, err := knit.ReadProgram(text); err != nil || p.String() != want {
			t.Errorf("%q: %q, %v; want %q", text, p, err, want)
		}
	}
	for text, hint := range map[string]string{
		"velours": "one of single jersey", "K/": "bed that misses", "a:": "at least one letter", "KKT*": "number behind *", "": "at least one feed",
	} {
		if _, err := knit.ReadProgram(text); !errors.Is(err, knit.ErrProgram) || !strings.Contains(err.Error(), hint) {
			t.Errorf("%q: %v, want a fault that says %q", text, err, hint)
		}
	}
}
