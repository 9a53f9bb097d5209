package unit_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

func float[T ~float64](parse func(string) (T, error)) func(string) (float64, error) {
	return func(s string) (float64, error) { v, err := parse(s); return float64(v), err }
}

// parsers are all of them with the bounds that they believe.
var parsers = map[string]struct {
	parse     func(string) (float64, error)
	text      func(float64) string
	low, high float64
}{
	"length":    {float(unit.ParseLength), func(v float64) string { return unit.Metres(v).Text() }, 1e-6, 1e9},
	"stitch":    {float(unit.ParseStitchLength), func(v float64) string { return unit.Millimetres(v).Text() }, 0.1, 100},
	"course":    {float(unit.ParseCourseLength), func(v float64) string { return unit.Metres(v).Text() }, 0.001, 200},
	"diameter":  {float(unit.ParseDiameter), func(v float64) string { return unit.Inches(v).Text() }, 1, 100},
	"gauge":     {float(unit.ParseGauge), func(v float64) string { return unit.Gauge(v).Text() }, 1, 120},
	"gsm":       {float(unit.ParseGSM), func(v float64) string { return unit.GSM(v).Text() }, 1, 5000},
	"grams":     {float(unit.ParseMass), func(v float64) string { return unit.Grams(v).Text() }, 1e-6, 1e12},
	"kilograms": {float(unit.ParseMass), func(v float64) string { return (unit.Grams(v)).Text() }, 1e-6, 1e12},
	"speed":     {float(unit.ParseSpeed), func(v float64) string { return unit.RPM(v).Text() }, 0.01, 500},
	"share":     {float(unit.ParseShare), func(v float64) string { return unit.Share(v).Text() }, 0, 1},
	"per cm":    {float(unit.ParsePerCm), func(v float64) string { return unit.PerCm(v).Text() }, 0.5, 200},
	"tightness": {float(unit.ParseTightness), func(v float64) string { return unit.Tightness(v).Text() }, 1, 100},
	"hours":     {float(unit.ParseHours), func(v float64) string { return unit.Hours(v).Text() }, 0, 1e6},
}

func TestParseQuantities(t *testing.T) {
	for _, tt := range []struct {
		kind, text string
		want       float64
	}{
		{"length", "6.9 m", 6.9}, {"length", "6,9 m", 6.9}, {"length", `30"`, 0.762}, {"length", "30 in.", 0.762}, {"length", "1,234,567 m", 1234567}, {"length", "27000 km", 2.7e7},
		{"length", "0,275 m", 0.275}, {"stitch", "2.75 mm", 2.75}, {"stitch", "2,75mm", 2.75}, {"stitch", "2,750 mm", 2.75}, {"stitch", "0.275 cm", 2.75},
		{"course", "6.9 m/rev", 6.9}, {"course", "690 cm / turn", 6.9}, {"course", "6.9 m per rev", 6.9}, {"course", "6.912 m/rev", 6.912},
		{"diameter", `30"`, 30}, {"diameter", "30in", 30}, {"diameter", "30″", 30}, {"diameter", "762 mm", 30}, {"diameter", "3 3/4 in", 3.75}, {"diameter", `3 3/4"`, 3.75},
		{"gauge", "E28", 28}, {"gauge", "e 28", 28}, {"gauge", "28 npi", 28}, {"gauge", "28 needles/in", 28}, {"gauge", "E 5,5", 5.5},
		{"gsm", "180 g/m2", 180}, {"gsm", "180 g/m²", 180}, {"gsm", "180 gsm", 180}, {"gsm", "5.3 oz/yd2", 179.7004616}, {"gsm", "5.3 oz/yd^2", 179.7004616},
		{"grams", "25 kg", 25000}, {"grams", "5 lb", 2267.96185}, {"grams", "1,25 kg", 1250},
		{"speed", "28 rpm", 28}, {"speed", "28 rev/min", 28}, {"speed", "28 1/min", 28},
		{"share", "85 %", 0.85}, {"share", "0.85", 0.85}, {"share", "0,85", 0.85}, {"share", "0", 0}, {"share", "1", 1}, {"share", "100%", 1}, {"share", "8.525 %", 0.08525},
		{"per cm", "18 /cm", 18}, {"per cm", "18 courses/cm", 18}, {"per cm", "45.72 cpi", 18}, {"tightness", "14.5 tex^0.5/cm", 14.5}, {"tightness", "1.45 sqrt(tex)/mm", 14.5},
		{"hours", "8 h", 8}, {"hours", "45 min", 0.75}, {"hours", "2 days", 48},
	} {
		got, err := parsers[tt.kind].parse(tt.text)
		if err != nil || math.Abs(got-tt.want) > 1e-7*math.Abs(tt.want) {
			t.Errorf("%s %q = %.10g, %v, want %g", tt.kind, tt.text, got, err, tt.want)
		}
	}
}

func TestParseQuantityErrors(t *testing.T) {
	for _, tt := range []struct{ kind, text, says string }{
		{"length", "", "plain number"}, {"length", "m", "plain number"}, {"length", "6.9", "6.9 m"}, {"length", "-3 m", "plain number"}, {"length", "NaN m", "plain number"}, {"length", "Inf m", "plain number"},
		{"length", "1e300 m", "a unit of length"}, {"length", "0 m", "check the number"}, {"length", "27.000 km", "with a decimal mark it is 27, with a thousands mark 27000"},
		{"length", "27,000 km", `write "27 km" or "27000 km"`}, {"length", "25 kg", "kg is a unit of mass"}, {"length", "30 tex", "yarn count"}, {"length", "1.2.3 m", "plain number"}, {"length", "1,23,456 m", "plain number"},
		{"length", strings.Repeat("9", 60) + " m", "40 characters"}, {"stitch", "275 mm", "0.1 to 100 mm"}, {"stitch", "2.75", "2.75 mm"}, {"stitch", "2.75 m", "m is a unit of length"}, {"course", "6900 m/rev", "0.001 to 200 m"},
		{"diameter", "30", `30\"`}, {"diameter", "3 4/3 in", "unit of"}, {"diameter", "3 3/4 mm", "unit of"}, {"gauge", "28", "E28"}, {"gauge", "E0", "1 to 120"}, {"gauge", "E", "plain number"},
		{"gsm", "120 g/m", "running length"}, {"gsm", "180 g", "g is a unit of mass"}, {"gsm", "180", "180 g/m2"}, {"grams", "180 g/m2", "mass of cloth by area"},
		{"grams", "1.500 kg", "thousands mark 1500"}, {"speed", "28", "28 rpm"}, {"speed", "28 m", "m is a unit of length"}, {"share", "85", "85 % or 0.85"}, {"share", "101 %", "check the number"}, {"share", "1.001", "up to 1"},
		{"per cm", "18", "18 /cm"}, {"tightness", "1.45", "in cm"}, {"hours", "8", "8 h"}, {"hours", "8 rpm", "speed"},
	} {
		_, err := parsers[tt.kind].parse(tt.text)
		var input *unit.InputError
		if !errors.As(err, &input) || !errors.Is(err, unit.ErrQuantity) || errors.Is(err, unit.ErrCount) {
			t.Errorf("%s %q: %v, want an InputError of ErrQuantity", tt.kind, tt.text, err)
			continue
		}
		if !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s %q: %q does not say %q", tt.kind, tt.text, err, tt.says)
		}
		if input.Field == "" || input.Expected == "" || input.Repair == "" || len(input.Found) > 200 {
			t.Errorf("%s %q: parts missing in %+v", tt.kind, tt.text, input)
		}
	}
}

func TestPrintedQuantitiesReadBack(t *testing.T) {
	for name, p := range parsers {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				// By the logarithm, so that small values come up too, with and without many digits.
				v := math.Exp(rapid.Float64Range(math.Log(max(p.low, 1e-6)*1.001), math.Log(p.high*0.999)).Draw(t, "logarithm"))
				if digits := rapid.IntRange(0, 8).Draw(t, "digits"); digits < 8 {
					scale := math.Pow(10, float64(digits))
					v = max(math.Round(v*scale)/scale, p.low)
				}
				if got, err := p.parse(p.text(v)); err != nil || got != v {
					t.Fatalf("%v printed as %q read as %v, %v", v, p.text(v), got, err)
				}
			})
		})
	}
	if got, err := unit.ParseMass(unit.Kilograms(21.125).Text()); err != nil || got.Kilograms() != 21.125 {
		t.Errorf("%v, %v", got, err)
	}
}

var anyCount = rapid.Custom(func(t *rapid.T) unit.Count {
	s := rapid.SampledFrom(unit.Systems()).Draw(t, "system")
	tex := unit.Tex(math.Exp(rapid.Float64Range(math.Log(1), math.Log(500)).Draw(t, "log tex")))
	c := unit.CountOf(tex, s)
	if rapid.Bool().Draw(t, "round") {
		c.Number = max(math.Round(c.Number*1000)/1000, 0.05)
	}
	c.Folds = rapid.IntRange(1, 4).Draw(t, "folds")
	if s.Direct() {
		c.Filaments = rapid.IntRange(0, 200).Draw(t, "filaments")
		c.Resultant = rapid.Bool().Draw(t, "resultant")
	} else if c.Number < float64(c.Folds) {
		c.Folds = 1
	}
	return c
})

func TestPrintedCountsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCount.Draw(t, "count")
		got, err := unit.ParseCount(c.String())
		if err != nil || got.System != c.System || got.Number != c.Number || got.Folds != c.Folds || got.Filaments != c.Filaments || got.String() != c.String() {
			t.Fatalf("%q read as %+v (%q), %v", c.String(), got, got.String(), err)
		}
		want := c.System.Tex(c.Number)
		if !got.Resultant {
			want *= unit.Tex(c.Folds)
		}
		if math.Abs(float64(got.Tex/want)-1) > 1e-12 {
			t.Fatalf("%q is %g tex, want %g", c.String(), got.Tex, want)
		}
	})
}

// Ends add in tex; adding a part adds its mass and nothing else.
func TestEnds(t *testing.T) {
	for _, tt := range []struct {
		text string
		ends int
		want unit.Tex
	}{
		{"Ne 30/1", 1, unit.FromNe(30)},
		{"Ne 30/1 + 22 dtex", 2, unit.FromNe(30) + 2.2},
		{"2 x Ne 30 + 20 den", 3, 2*unit.FromNe(30) + unit.FromDenier(20)},
		{"2x30s", 2, 2 * unit.FromNe(30)},
		{"20 tex x 2", 1, 40},
		{"2 x 20 tex x 2", 2, 80},
		{"1 x 20s + 2 x 30s + 3 x 40s", 6, unit.FromNe(20) + 2*unit.FromNe(30) + 3*unit.FromNe(40)},
	} {
		ends, err := unit.ParseEnds(tt.text)
		n := 0
		for _, e := range ends {
			n += e.Number
		}
		if err != nil || n != tt.ends || math.Abs(float64(unit.Together(ends)-tt.want)) > 1e-9 {
			t.Errorf("%q: %d ends of %g tex, %v, want %d of %g", tt.text, n, float64(unit.Together(ends)), err, tt.ends, float64(tt.want))
		}
	}
	// What would read as a yarn of folds is told from ends that run together.
	for _, tt := range []struct{ ends, text string }{{"2 x 3 tex x 1", "2 x 3 tex x 1"}, {"2 x 3 tex", "2 tex x 3"}} {
		if ends, err := unit.ParseEnds(tt.ends); err != nil || unit.EndsText(ends) != tt.text {
			t.Errorf("%q: printed %q, %v, want %q", tt.ends, unit.EndsText(ends), err, tt.text)
		}
	}
	for _, tt := range []struct{ text, says string }{
		{"", "system"}, {"Ne 30 +", "system"}, {"0 x Ne 30", "1 to 64 ends"}, {"65 x Ne 30", "1 to 64 ends"}, {"2 x", "system"},
		{strings.Repeat("30s+", 17) + "30s", "16 counts"}, {strings.Repeat("+", 300), "200 characters"},
	} {
		if _, err := unit.ParseEnds(tt.text); !errors.Is(err, unit.ErrCount) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%q: %v, want an error with %q", tt.text, err, tt.says)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		var ends []unit.End
		sum := 0.0
		for range rapid.IntRange(1, 4).Draw(t, "parts") {
			e := unit.End{Number: rapid.IntRange(1, 5).Draw(t, "ends"), Count: anyCount.Draw(t, "count")}
			e.Count, _ = unit.ParseCount(e.Count.String())
			ends, sum = append(ends, e), sum+float64(e.Number)*float64(e.Count.Tex)
		}
		text := unit.EndsText(ends)
		got, err := unit.ParseEnds(text)
		if err != nil || unit.EndsText(got) != text || math.Abs(float64(unit.Together(got))/sum-1) > 1e-12 {
			t.Fatalf("%q: %v, %g tex, want %g", text, err, float64(unit.Together(got)), sum)
		}
	})
}

// Six digits are asked for; doubles keep more.
func TestEverySystemRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tex := unit.Tex(math.Exp(rapid.Float64Range(math.Log(0.1), math.Log(20000)).Draw(t, "log tex")))
		factor := rapid.Float64Range(0.1, 10).Draw(t, "factor")
		for _, s := range unit.Systems() {
			if got := s.Tex(tex.In(s)); math.Abs(float64(got/tex)-1) > 1e-12 {
				t.Fatalf("%s: %g tex came back as %g", s, float64(tex), float64(got))
			}
			// A yarn of factor times the mass has factor times the number, or a factor-th of it.
			ratio := (tex * unit.Tex(factor)).In(s) / tex.In(s)
			if want := factor; !s.Direct() && math.Abs(ratio*want-1) > 1e-12 || s.Direct() && math.Abs(ratio/want-1) > 1e-12 {
				t.Fatalf("%s: %g times the mass gives %g times the number", s, factor, ratio)
			}
			if again, err := unit.ParseSystem(s.String()); err != nil || again != s || s.Rule() == "" || s.Source() == "" {
				t.Fatalf("%s read as %s, %v", s, again, err)
			}
		}
	})
	if unit.System(0).Tex(30) != 0 || unit.System(99).Tex(30) != 0 || unit.Tex(20).In(0) != 0 {
		t.Error("no system gives a yarn")
	}
}

func TestTwistAndDraft(t *testing.T) {
	if got, err := unit.Tex(40).Contracted(0.04); err != nil || math.Abs(float64(got)-41.6667) > 1e-4 {
		t.Errorf("40 tex shortened by 4 %%: %g, %v, want 41.6667 by hand", float64(got), err)
	}
	if got, err := unit.Tex(4.4).Drafted(2.75); err != nil || math.Abs(float64(got)-1.6) > 1e-12 {
		t.Errorf("44 dtex at 2.75: %g tex, %v, want 1.6 by hand", float64(got), err)
	}
	for _, bad := range []float64{-0.1, 0.6, math.NaN(), math.Inf(1)} {
		if _, err := unit.Tex(40).Contracted(unit.Share(bad)); !errors.Is(err, unit.ErrQuantity) {
			t.Errorf("contraction %g: %v", bad, err)
		}
	}
	for _, bad := range []float64{0, 0.9, 11, math.NaN()} {
		if _, err := unit.Tex(40).Drafted(bad); !errors.Is(err, unit.ErrQuantity) {
			t.Errorf("draft %g: %v", bad, err)
		}
	}
}
