package unit_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

func TestRoundTrips(t *testing.T) {
	systems := map[string]struct {
		in  func(float64) unit.Tex
		out func(unit.Tex) float64
	}{
		"ne": {unit.FromNe, unit.Tex.Ne}, "nm": {unit.FromNm, unit.Tex.Nm}, "worsted": {unit.FromWorsted, unit.Tex.Worsted},
		"lea": {unit.FromLea, unit.Tex.Lea}, "den": {unit.FromDenier, unit.Tex.Denier}, "dtex": {unit.FromDtex, unit.Tex.Dtex},
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(0.01, 10000).Draw(t, "count")
		for name, s := range systems {
			if got := s.out(s.in(v)); math.Abs(got/v-1) > 1e-12 {
				t.Fatalf("%s: %g came back as %g", name, v, got)
			}
		}
		tex := unit.Tex(v)
		if got := tex.Mass(tex.Length(1000)); math.Abs(float64(got)-1000) > 1e-9 {
			t.Fatalf("1000 g of %g tex came back as %g", v, got)
		}
	})
}

// Resultants follow from the definitions; the fold notation "30/2 is two singles
// of 30" is that of cotton, worsted and metric counts.
func TestParseCount(t *testing.T) {
	for _, tt := range []struct {
		text string
		want unit.Tex
	}{
		{"Ne 30", unit.FromNe(30)},
		{"Ne 30/1", unit.FromNe(30)},
		{"ne30/1", unit.FromNe(30)},
		{"Ne 1/30", unit.FromNe(30)},
		{"Ne 30/2", unit.FromNe(15)},
		{"Ne 2/30", unit.FromNe(15)},
		{"30/2 Ne", unit.FromNe(15)},
		{"Nm 40/2", 50},
		{"Nm 34,5", unit.FromNm(34.5)},
		{"20 tex", 20},
		{"tex 20", 20},
		{"20 tex x 2", 40},
		{"20 tex x2", 40},
		{"R40 tex/2", 40},
		{"84 dtex", 8.4},
		{"84dtex f36", 8.4},
		{"84 dtex/f36", 8.4},
		{"22 dtex", 2.2},
		{"150 den", unit.FromDenier(150)},
		{"150/48 den", unit.FromDenier(150)},
		{"75 denier", unit.FromDenier(75)},
		{"  Ne   30 / 1 ", unit.FromNe(30)},
		{"30s", unit.FromNe(30)},
		{"2/40s", unit.FromNe(20)},
		{"Ne 30s", unit.FromNe(30)},
		{"75D/72f", unit.FromDenier(75)},
		{"75D", unit.FromDenier(75)},
		{"150D/48f/2", unit.FromDenier(300)},
		{"84 dtex f36 x 2", 16.8},
		{"R 150 dtex f48", 15},
		{"spun silk 40/2", unit.FromNe(40)},
		{"NeK 2/48", unit.FromWorsted(24)},
		{"worsted 2/48", unit.FromWorsted(24)},
		{"40 linen lea", unit.FromLea(40)},
		{"8 lb/spyndle", unit.FromSpyndle(8)},
		{"8 lb / spyndle", unit.FromSpyndle(8)},
		{"12 Yorkshire skein", unit.SystemYorkshire.Tex(12)},
		{"Galashiels 20", unit.SystemGalashiels.Tex(20)},
		{"3 run", unit.SystemRun.Tex(3)},
		{"US cut 12/2", unit.SystemCut.Tex(6)},
		{"Nf 20", unit.SystemFrench.Tex(20)},
		{"Ne 30,125", unit.FromNe(30.125)},      // 30125 is no yarn
		{"1.234,5 dtex", unit.FromDtex(1234.5)}, // the last mark is the decimal one
		{"Nm 1,5", unit.FromNm(1.5)},
	} {
		got, err := unit.ParseCount(tt.text)
		if err != nil || math.Abs(float64(got.Tex-tt.want)) > 1e-9 {
			t.Errorf("ParseCount(%q) = %g tex, %v, want %g", tt.text, got.Tex, err, tt.want)
		}
		if want := strings.Join(strings.Fields(tt.text), " "); got.Text != want {
			t.Errorf("ParseCount(%q) keeps %q, want %q", tt.text, got.Text, want)
		}
	}
}

func TestParseCountErrors(t *testing.T) {
	for _, tt := range []struct{ text, says string }{
		{"", "system"}, {"30", "system"}, {"Ne", "above zero"}, {"Ne 0", "above zero"}, {"Ne -30", "digits"}, {"Ne 1e3", "digits"},
		{"Ne 30/2.5", "whole number"}, {"Ne 30/", "above zero"}, {"Ne 30/1/2", "digits"}, {"20/2 tex", "tex x 2"}, {"167/2 dtex", "dtex x 2"},
		{"1,000 den", "thousands"}, {"Ne 0.001", "check the number"}, {"1000000 tex", "check the number"}, {"30 woollen", "US run"}, {"2/167 dtex", "167 dtex x 2"}, {"Ne 10/12", "10 folds of 12 or 12 folds of 10"}, {"12 cut", "US cut"}, {"40 silk", "spun silk"}, {"Ne Nm 30", "keep Ne or Nm"}, {"30s tex", "no s"},
		{"1.500 den", "with a decimal mark it is 1.5, with a thousands mark 1500"}, {"1,5,0 den", "digits"}, {"84 dtex f0", "filaments"}, {"84 dtex f36f", "one mark"},
		{"Ne NaN", "system"}, {"Ne inf", "system"}, {"1" + strings.Repeat("0", 30) + " tex", "digits"}, {"0 tex", "above zero"}, {"30 rpm", "system"}, {"s", "30s"},
		{strings.Repeat("9", 400) + " tex", "40 characters"}, {"Ne ٣٠", "digits"}, {"20 tex x 99", "24"},
	} {
		_, err := unit.ParseCount(tt.text)
		var input *unit.InputError
		if !errors.As(err, &input) || !errors.Is(err, unit.ErrCount) {
			t.Errorf("ParseCount(%q): %v, want an InputError of ErrCount", tt.text, err)
			continue
		}
		if !strings.Contains(err.Error(), tt.says) {
			t.Errorf("ParseCount(%q): %q does not say %q", tt.text, err, tt.says)
		}
		if input.Field == "" || input.Expected == "" || input.Repair == "" || len(input.Found) > 200 {
			t.Errorf("ParseCount(%q): parts missing in %+v", tt.text, input)
		}
	}
}

func TestNoMassNoLength(t *testing.T) {
	for _, bad := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if got := unit.FromNe(bad); got != 0 {
			t.Errorf("FromNe(%g) = %g, want 0", bad, got)
		}
	}
	for _, bad := range []unit.Tex{0, -1, unit.Tex(math.NaN())} {
		if bad.Ne() != 0 || bad.Length(5) != 0 {
			t.Errorf("%g tex: Ne %g, length %g, want 0", bad, bad.Ne(), bad.Length(5))
		}
	}
	if _, ok := unit.Revolutions(5).Minutes(0); ok {
		t.Error("turns at no speed take a time")
	}
	if m, ok := unit.Revolutions(280).Minutes(28); !ok || m != 10 {
		t.Errorf("280 turns at 28 take %g min, want 10", m)
	}
}
