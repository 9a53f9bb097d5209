package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"turnwise/planner/knit/derive"
)

// calcLine runs `planner calc` with arguments that hold spaces, against a server
// that does not exist: none is asked.
func calcLine(t *testing.T, stdin string, args ...string) ended {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(t.Context(), append([]string{"calc"}, args...), world{in: strings.NewReader(stdin), out: &out, err: &errs})
	return ended{code, out.String(), errs.String()}
}

// jerseyArgs is the single jersey example of apparel-merchandising.com 2011/08,
// check value M03.
var jerseyArgs = []string{"--diameter", "30in", "--gauge", "24", "--needles", "2260", "--feeds", "90", "--rpm", "26", "--yarn", "Ne 24/1", "--loop", "4mm", "--efficiency", "0.85"}

func with(args []string, more ...string) []string {
	return append(append([]string{}, args...), more...)
}

// Scripts rest on these shapes; JSON and CSV may only grow.
func TestCalcGolden(t *testing.T) {
	k05, k13 := "testdata/calc/k05.yaml", "testdata/calc/k13.yaml"
	for name, args := range map[string][]string{
		"calc_kilos.json":   with([]string{"kilos"}, with(jerseyArgs, "--json")...),
		"calc_kilos.txt":    with([]string{"kilos"}, with(jerseyArgs, "--explain")...),
		"calc_kilos.csv":    with([]string{"kilos"}, with(jerseyArgs, "-o", "csv")...),
		"calc_order.json":   {"kilos", "-f", k05, "--order", "2300kg", "--waste", "2%", "--json"},
		"calc_convert.json": {"convert", "Ne 30/1", "--json"},
		"calc_convert.txt":  {"convert", "Nm 40/2", "--contraction", "4%", "--explain"},
		"calc_area.json":    {"convert", "5.3 oz/yd2", "--json"},
		"calc_fabric.json":  {"fabric", "--needles", "2640", "--feeds", "96", "--yarn", "Ne 30/1", "--loop", "2.75mm", "--structure", "single jersey", "--json"},
		"calc_fabric.txt":   {"fabric", "-f", k05, "--courses", "21 /cm", "--wales", "15.5 /cm", "--state", "finished", "--explain"},
		"calc_cone.json":    {"cone", "-f", k13, "--rest", "30g", "--json"},
		"calc_cone.txt":     {"cone", "-f", k13},
		"calc_roll.json":    {"roll", "-f", k05, "--courses", "19.5 /cm", "--wales", "14 /cm", "--state", "on machine", "--json"},
		"calc_roll.txt":     {"roll", "-f", k05, "--length", "100 m", "--courses", "19.5 /cm", "--wales", "14 /cm", "--state", "on machine"},
		"calc_needles.json": {"needles", "--diameter", "30in", "--gauge", "E24", "--needles", "2260", "--multiple", "12", "--json"},
		"calc_regain.json":  {"regain", "--blend", "60% cotton, 40% viscose", "--net", "1000kg", "--moisture", "7.2%", "--json"},
		"calc_regain.txt":   {"regain"},
		"calc_regain.csv":   {"regain", "-o", "csv"},
		"calc_card.json":    {"card", "-f", k13, "--json"},
		"calc_card.txt":     {"card", "-f", k13, "--explain"},
	} {
		t.Run(name, func(t *testing.T) {
			got := calcLine(t, "", args...)
			if got.code != exitOK {
				t.Fatalf("calc %q ends with %d: %s", args, got.code, got.err)
			}
			golden(t, name, got.out)
			switch filepath.Ext(name) {
			case ".json":
				plainObject(t, []byte(got.out))
			case ".csv":
				if _, err := csv.NewReader(strings.NewReader(got.out)).ReadAll(); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

// plainObject wants numbers, words and lists of such objects, every number under a
// key that names its unit or has none.
func plainObject(t *testing.T, raw []byte) {
	t.Helper()
	var o map[string]any
	if err := json.Unmarshal(raw, &o); err != nil {
		t.Fatal(err)
	}
	for key, v := range o {
		if key != strings.ToLower(key) || strings.ContainsAny(key, " -/") {
			t.Errorf("key %q is no plain word", key)
		}
		switch v := v.(type) {
		case float64, string:
		case []any:
			for _, e := range v {
				if m, ok := e.(map[string]any); ok && key != "derivation" {
					inner, err := json.Marshal(m)
					if err != nil {
						t.Fatal(err)
					}
					plainObject(t, inner)
				}
			}
		default:
			t.Errorf("%s is a %T, want a number, a word or a list", key, v)
		}
	}
	if _, ok := o["group"]; !ok && o["warnings"] == nil && o["state"] == nil && o["fibre"] == nil {
		t.Error("no list of warnings")
	}
}

// The example's 26.55 kg/h within 0.1 %, efficiency included.
func TestKilosOfTheExample(t *testing.T) {
	got := calcLine(t, "", with([]string{"kilos"}, with(jerseyArgs, "--json", "--explain")...)...)
	var o struct {
		KilosPerHour float64           `json:"kilos_per_hour"`
		Warnings     []string          `json:"warnings"`
		Derivation   derive.Derivation `json:"derivation"`
	}
	if err := json.Unmarshal([]byte(got.out), &o); err != nil {
		t.Fatalf("%v: %s", err, got.err)
	}
	if math.Abs(o.KilosPerHour/26.55-1) > 0.001 {
		t.Errorf("%g kg/h, want 26.55 within 0.1 %% (apparel-merchandising.com 2011/08, single jersey example)", o.KilosPerHour)
	}
	if !strings.Contains(strings.Join(o.Warnings, "\n"), "12.4 tex^0.5/cm") {
		t.Errorf("warnings %q, want that 4 mm with Ne 24 is slack", o.Warnings)
	}
	told := false
	for _, step := range o.Derivation {
		told = told || step.Result == "kilos per hour" && step.Value == o.KilosPerHour || step.Result == "kilos per hour" && math.Abs(step.Value-o.KilosPerHour) < 1e-8
		for _, in := range step.Inputs {
			if in.From == "" {
				t.Errorf("%s: nobody knows where %s is from", step.Result, in.Name)
			}
		}
	}
	if !told {
		t.Error("the derivation does not come to the kilos per hour")
	}
}

// Every number of a result is the value of a step, or an input of one.
func TestCalcExplainsAll(t *testing.T) {
	k05, k13 := "testdata/calc/k05.yaml", "testdata/calc/k13.yaml"
	for _, args := range [][]string{
		with([]string{"kilos"}, jerseyArgs...),
		{"card", "-f", k13}, {"card", "-f", k05, "--courses", "21 /cm", "--wales", "15.5 /cm", "--state", "finished"},
		{"kilos", "-f", k05, "--order", "2300kg", "--waste", "2%"},
		{"fabric", "--needles", "2640", "--feeds", "96", "--yarn", "Ne 30/1", "--loop", "2.75mm"},
		{"cone", "--feeds", "90", "--rpm", "28", "--yarn", "Ne 30/1", "--course", "7.26m", "--cone", "1.89kg"},
		{"roll", "-f", k05, "--length", "100 m", "--courses", "19.5 /cm", "--wales", "14 /cm", "--state", "on machine"},
		{"needles", "--diameter", "30in", "--gauge", "24", "--needles", "2260", "--multiple", "12"},
		{"convert", "Nm 40/2", "--contraction", "4%"}, {"convert", "2 x Ne 30 + 22 dtex"}, {"convert", "180 g/m2"}, {"convert", "E28"}, {"convert", "30 in"},
		{"convert", "25 kg"}, {"convert", "18 /cm"}, {"convert", "14.5 tex^0.5/cm"},
		{"regain", "--blend", "60% cotton, 40% viscose", "--net", "1000kg", "--regain", "8%"},
	} {
		got := calcLine(t, "", with(args, "--json", "--explain")...)
		o := map[string]any{}
		if err := json.Unmarshal([]byte(got.out), &o); err != nil {
			t.Fatalf("calc %q: %v: %s", args, err, got.err)
		}
		var told []float64
		steps, _ := o["derivation"].([]any)
		for _, s := range steps {
			step := s.(map[string]any)
			told = append(told, step["value"].(float64))
			for _, in := range step["inputs"].([]any) {
				told = append(told, in.(map[string]any)["value"].(float64))
				if from := in.(map[string]any)["from"]; from == "" {
					t.Errorf("calc %q: %v: nobody knows where %v is from", args, step["result"], in.(map[string]any)["name"])
				}
			}
		}
		unexplained(t, strings.Join(args, " "), o, told)
	}
}

func unexplained(t *testing.T, line string, o map[string]any, told []float64) {
	t.Helper()
	for key, v := range o {
		switch v := v.(type) {
		case float64:
			if v == 0 || v == 1 || strings.HasPrefix(key, "regain_") {
				continue
			}
			if !slices.ContainsFunc(told, func(x float64) bool {
				return slices.ContainsFunc([]float64{1, 100, 1000, 0.001}, func(scale float64) bool { return math.Abs(scale*x/v-1) < 1e-6 })
			}) {
				t.Errorf("calc %s: %s %g is in no step", line, key, v)
			}
		case []any:
			for _, e := range v {
				if m, ok := e.(map[string]any); ok && key != "derivation" {
					unexplained(t, line, m, told)
				}
			}
		}
	}
}

// Two ways to say one thing give one result.
func TestCalcWays(t *testing.T) {
	value := func(key string, args ...string) float64 {
		t.Helper()
		got := calcLine(t, "", with(args, "--json")...)
		o := map[string]any{}
		if err := json.Unmarshal([]byte(got.out), &o); err != nil {
			t.Fatalf("calc %q: %v: %s", args, err, got.err)
		}
		v, ok := o[key].(float64)
		if !ok {
			t.Fatalf("calc %q has no number %s: %s", args, key, got.out)
		}
		return v
	}
	loop := value("grams_per_revolution", "kilos", "--needles", "2640", "--feeds", "90", "--yarn", "Ne 30/1", "--loop", "2,75 mm")
	for name, args := range map[string][]string{
		"course length":      {"kilos", "--feeds", "90", "--yarn", "Ne 30", "--course", "7.26 m/rev"},
		"repeat in notation": {"kilos", "--needles", "2640", "--feeds", "90", "--yarn", "30s", "--loop", "2.75mm", "--structure", "K"},
		"millimetres":        {"kilos", "--needles", "2640", "--diameter", "762 mm", "--gauge", "E28", "--feeds", "90", "--yarn", "Ne 30/1", "--loop", "0.275 cm"},
		"card, flag over":    {"kilos", "-f", "testdata/calc/k01.yaml", "--rpm", "17"},
	} {
		if got := value("grams_per_revolution", args...); math.Abs(got/loop-1) > 1e-9 {
			t.Errorf("%s: %.9g g/rev, want %.9g", name, got, loop)
		}
	}
	slow, fast := value("kilos_per_hour", "kilos", "-f", "testdata/calc/k01.yaml", "--rpm", "14"), value("kilos_per_hour", "kilos", "-f", "testdata/calc/k01.yaml")
	if math.Abs(fast/slow-2) > 1e-9 {
		t.Errorf("the flag does not go before the card: %g and %g kg/h", slow, fast)
	}
	both := value("grams_per_revolution", "kilos", "--feeds", "90", "--yarn", "2 x Ne 40 + 22 dtex", "--course", "7.92m")
	by := value("grams_per_revolution", "kilos", "--feeds", "90", "--yarn", "Ne 40", "--ends", "2", "--course", "7.92m") + value("grams_per_revolution", "kilos", "--feeds", "90", "--yarn", "22 dtex", "--course", "7.92m")
	if math.Abs(both/by-1) > 1e-9 {
		t.Errorf("yarns together %g g/rev, one by one %g", both, by)
	}
	part := value("grams_per_revolution", "kilos", "-f", "testdata/calc/k01.yaml", "--feeds", "45")
	if math.Abs(2*part/loop-1) > 1e-9 {
		t.Errorf("half the feeds give %g g/rev of %g", part, loop)
	}
}

// What a person gets wrong is told with field, found, expected and repair, and
// nothing is printed as a result.
func TestCalcRefuses(t *testing.T) {
	base := []string{"kilos", "--needles", "2260", "--feeds", "90", "--rpm", "26", "--loop", "4mm", "--yarn", "Ne 24"}
	for _, tt := range []struct {
		name string
		args []string
		code int
		says []string
	}{
		{"unit missing", with(base, "--loop", "4"), exitUsage, []string{"--loop", `"4"`, "with its unit", "2.75 mm"}},
		{"unit of another kind", with(base, "--loop", "4 kg"), exitUsage, []string{"--loop", "kg is a unit of mass"}},
		{"absurd length", with(base, "--course", "1e300 m"), exitUsage, []string{"--course", "expected"}},
		{"no number", with(base, "--yarn", "NaN"), exitUsage, []string{"NaN", "yarn count"}},
		{"infinite draft", with(base, "--draft", "Inf"), exitUsage, []string{"--draft", "Inf", "expected"}},
		{"draft below one", with(base, "--draft", "0.5"), exitUsage, []string{"draft is 0.5", "expected 1 to 10"}},
		{"negative speed", with(base, "--rpm=-26"), exitUsage, []string{"--rpm", "-26", "above zero"}},
		{"absurd speed", with(base, "--rpm", "1e9"), exitUsage, []string{"--rpm"}},
		{"no speed", []string{"cone", "--feeds", "90", "--yarn", "Ne 24", "--course", "7m", "--cone", "2kg"}, exitUsage, []string{"speed is missing", "--rpm"}},
		{"efficiency of hundreds", with(base, "--efficiency", "85"), exitUsage, []string{"85", "write 85 % or 0.85"}},
		{"no efficiency at all", with(base, "--efficiency", "0"), exitUsage, []string{"efficiency is 0", "above 0"}},
		{"woollen alone", with(base, "--yarn", "12 woollen"), exitUsage, []string{"Yorkshire skein", "US run", "Galashiels"}},
		{"two readings", []string{"convert", "27.000 km"}, exitUsage, []string{"27 km", "27000 km"}},
		{"mass by length", []string{"convert", "120 g/m"}, exitUsage, []string{"running length", "180 g/m2"}},
		{"nothing known", []string{"convert", "thing"}, exitUsage, []string{"thing", "Ne 30/1", "2.75 mm", "E28"}},
		{"tightness without unit", []string{"convert", "14.5"}, exitUsage, []string{"14.5", "tex^0.5/cm"}},
		{"count in a length", []string{"convert", "30 mm", "--to", "Nm"}, exitUsage, []string{"30 mm"}},
		{"feeds beside the repeat", with(base, "--structure", "single pique"), exitUsage, []string{"90", "multiple of the repeat's 4", "88 or 92"}},
		{"needles in work above the plate", with(base, "--in-work", "2261"), exitUsage, []string{"2261", "2260 that are cut"}},
		{"no needles", []string{"kilos", "--diameter", "30in", "--gauge", "24", "--feeds", "90", "--yarn", "Ne 24", "--loop", "4mm"}, exitUsage, []string{"--needles", "2262", "no plate"}},
		{"absurd needles", with(base, "--diameter", "30in", "--gauge", "28"), exitUsage, []string{"2260", "within 5 %", "2639"}},
		{"needles of another plate", []string{"needles", "--diameter", "30in", "--gauge", "24", "--needles", "1800"}, exitRefused, []string{"20.42 %", "expected within 5 %"}},
		{"parts of a needle", with(base, "--needles", "2260.5"), exitUsage, []string{"--needles", "2260.5", "whole number"}},
		{"dial on one bed", with(base, "--structure", "1x1 rib"), exitUsage, []string{"dial", "without dial needles"}},
		{"unknown structure", with(base, "--structure", "moss"), exitUsage, []string{"moss", "single jersey", "interlock"}},
		{"constants of plain cloth", []string{"fabric", "--needles", "2640", "--feeds", "84", "--yarn", "Ne 30", "--loop", "3mm", "--structure", "pique"}, exitUsage, []string{"plain cloth", "--courses"}},
		{"constants of no elastane", []string{"fabric", "-f", "testdata/calc/k05.yaml"}, exitUsage, []string{"elastane", "--courses"}},
		{"cloth without state", []string{"fabric", "-f", "testdata/calc/k01.yaml", "--courses", "18 /cm", "--wales", "13 /cm"}, exitUsage, []string{"state not told", "finished"}},
		{"unknown state", []string{"fabric", "-f", "testdata/calc/k01.yaml", "--courses", "18 /cm", "--wales", "13 /cm", "--state", "damp"}, exitUsage, []string{"--state", "damp", "grey relaxed"}},
		{"two sizes of a roll", []string{"roll", "-f", "testdata/calc/k01.yaml", "--roll", "25kg", "--length", "100m"}, exitUsage, []string{"both"}},
		{"rest above the cone", []string{"cone", "-f", "testdata/calc/k01.yaml", "--rest", "5kg"}, exitUsage, []string{"rest", "1.89"}},
		{"wool with two regains", []string{"regain", "--blend", "wool"}, exitUsage, []string{"combed wool or carded wool"}},
		{"shares that miss", []string{"regain", "--blend", "60% cotton, 30% viscose"}, exitUsage, []string{"90 %", "100 %"}},
		{"unknown table", []string{"regain", "--blend", "cotton", "--table", "din"}, exitUsage, []string{"din", "eu, astm or bisfa"}},
		{"mass without water", []string{"regain", "--blend", "cotton", "--net", "5 kg"}, exitUsage, []string{"--moisture"}},
		{"waste of no order", with(base, "--waste", "2%"), exitUsage, []string{"--order"}},
		{"all is waste", with(base, "--order", "5kg", "--waste", "100%"), exitUsage, []string{"waste is 1", "below 1"}},
		{"yarn of several groups", []string{"kilos", "-f", "testdata/calc/k13.yaml", "--yarn", "Ne 24"}, exitUsage, []string{"3 feed groups", "in the card"}},
		{"one yarn for a fleece", with(base, "--structure", "three-thread fleece"), exitUsage, []string{"one yarn", "fleece, tie, ground", "-f"}},
		{"whose draft", with(base, "--yarn", "Ne 40 + 22 dtex", "--draft", "2.8"), exitUsage, []string{"draft", "whose"}},
		{"no card", []string{"card"}, exitUsage, []string{"-f card.yaml"}},
		{"card that is nowhere", []string{"card", "-f", "nowhere.yaml"}, exitNotFound, []string{"nowhere.yaml", "-f"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := calcLine(t, "", tt.args...)
			if got.code != tt.code {
				t.Errorf("calc %q ends with %d: %s%s", tt.args, got.code, got.out, got.err)
			}
			for _, word := range tt.says {
				if !strings.Contains(got.err, word) {
					t.Errorf("calc %q says %q, want %q in it", tt.args, got.err, word)
				}
			}
			if tt.code == exitUsage && got.out != "" {
				t.Errorf("calc %q prints %q", tt.args, got.out)
			}
		})
	}
}

// Where two numbers contradict each other both are told, and kilos follow the
// course length.
func TestCalcContradiction(t *testing.T) {
	got := calcLine(t, "", "kilos", "--needles", "2640", "--feeds", "90", "--structure", "K", "--yarn", "Ne 30", "--loop", "2.6 mm", "--course", "7.26m")
	if got.code != exitOK || !strings.Contains(got.out, "12.8620 g/rev") && !strings.Contains(got.out, "12.862 g/rev") {
		t.Errorf("exit %d: %s", got.code, got.out)
	}
	for _, word := range []string{"2.6 mm", "2.75 mm", "calculated from the course length"} {
		if !strings.Contains(got.err, word) {
			t.Errorf("%q says nothing of %q", got.err, word)
		}
	}
}

// A calculation asks no server, so a wrong address does not stop it.
func TestCalcAsksNobody(t *testing.T) {
	t.Setenv("TURNWISE_SERVER", "nowhere at all")
	if got := calcLine(t, "", "convert", "Ne 30/1"); got.code != exitOK || got.err != "" {
		t.Errorf("exit %d: %s", got.code, got.err)
	}
	if got := calcLine(t, "", "--help"); got.code != exitOK || !strings.Contains(got.out, "kilos") {
		t.Errorf("help ends with %d: %s%s", got.code, got.out, got.err)
	}
}

// Each bad card stands beside the sentence that it must produce.
func TestCalcBadCards(t *testing.T) {
	files, err := filepath.Glob("testdata/calc/*.bad.yaml")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d bad cards, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			got := calcLine(t, "", "card", "-f", file)
			if got.code != exitUsage || got.out != "" {
				t.Errorf("exit %d, prints %q", got.code, got.out)
			}
			golden(t, strings.TrimPrefix(strings.TrimSuffix(file, ".yaml")+".txt", "testdata/"), got.err)
		})
	}
}

// The picture is drawn whole, with its words, and a bad place leaves nothing.
func TestCalcPicture(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "repeat.svg")
	if got := calcLine(t, "", "card", "-f", "testdata/calc/k11.yaml", "--svg", file); got.code != exitOK || !strings.Contains(got.out, "kilos per hour") {
		t.Fatalf("exit %d: %s%s", got.code, got.out, got.err)
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	drawn := calcLine(t, "", "card", "--structure", "interlock", "--svg", "-")
	for _, picture := range []string{string(raw), drawn.out} {
		d := xml.NewDecoder(strings.NewReader(picture))
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("no XML: %v", err)
			}
		}
		if !strings.HasPrefix(picture, "<svg") || !strings.Contains(picture, "interlock") {
			t.Errorf("picture %.80q has no title", picture)
		}
	}
	got := calcLine(t, "", "card", "-f", "testdata/calc/k11.yaml", "--svg", filepath.Join(dir, "nowhere", "repeat.svg"))
	if left, err := os.ReadDir(dir); got.code != exitUsage || got.out != "" || err != nil || len(left) != 1 {
		t.Errorf("a folder that is not there: exit %d, %d files, %v: %s", got.code, len(left), err, got.err)
	}
	if got := calcLine(t, "", "card", "-f", "-", "--svg", "-"); got.code != exitUsage || !strings.Contains(got.err, "empty") {
		t.Errorf("an empty card: exit %d: %s", got.code, got.err)
	}
}

// A card from standard input is told by that name.
func TestCalcCardFromInput(t *testing.T) {
	raw, err := os.ReadFile("testdata/calc/k01.yaml")
	if err != nil {
		t.Fatal(err)
	}
	got := calcLine(t, string(raw), "kilos", "-f", "-", "--explain")
	if got.code != exitOK || !strings.Contains(got.out, "standard input:") {
		t.Errorf("exit %d: %s%s", got.code, got.out, got.err)
	}
}

// No card makes the program panic, and what is accepted has a mass.
func FuzzCard(f *testing.F) {
	files, err := filepath.Glob("testdata/calc/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		raw, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		var c cardFile
		places, err := parseCard("card.yaml", raw, &c)
		if err != nil {
			return
		}
		j := &job{card: c, places: places}
		var r reckoning
		err = j.build()
		if err == nil {
			var d densityFlags
			density, fault := d.density(j)
			if err = fault; err == nil {
				err = j.everything(&r, density)
			}
		}
		if err == nil {
			err = r.check()
		}
		if err != nil {
			if e, ok := errors.AsType[*exitError](err); ok && e.code != exitUsage {
				t.Fatalf("%q ends with %d: %v", raw, e.code, err)
			}
			return
		}
		if m := r.value("grams_per_revolution"); !(m > 0) {
			t.Fatalf("%q is accepted with %g g/rev", raw, m)
		}
	})
}
