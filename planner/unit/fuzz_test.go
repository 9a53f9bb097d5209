package unit_test

import (
	"errors"
	"testing"

	"turnwise/planner/unit"
)

func FuzzParseCount(f *testing.F) {
	for _, s := range []string{"Ne 30/2", "Nm 40/2", "R40 tex/2", "84 dtex f36", "150/48 den", "20 tex x 2", "den/den", "x/f,", "\xff Ne 3", "30s", "150D/48f/2", "8 lb/spyndle", "1.234,5 dtex", "spun silk 40/2", "US cut 12/2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := unit.ParseCount(s)
		if err != nil {
			if c != (unit.Count{}) || !errors.Is(err, unit.ErrCount) {
				t.Fatalf("%q: %+v with error %v", s, c, err)
			}
			return
		}
		if !(c.Tex >= 0.1 && c.Tex <= 20000) || len(c.Text) > 40 {
			t.Fatalf("%q: %g tex, %d characters", s, c.Tex, len(c.Text))
		}
		again, err := unit.ParseCount(c.Text)
		if err != nil || again != c {
			t.Fatalf("%q: kept text reads as %+v, %v, first %+v", s, again, err, c)
		}
		printed, err := unit.ParseCount(c.String())
		if printed.Text = c.Text; err != nil || printed != c {
			t.Fatalf("%q printed as %q reads as %+v, %v, first %+v", s, c.String(), printed, err, c)
		}
	})
}

func FuzzParseEnds(f *testing.F) {
	for _, s := range []string{"Ne 30/1 + 22 dtex", "2 x Ne 30 + 20 den", "2x30s", "20 tex x 2", "+", "0 x 30s", "999999 x 30s", "2 × 3 × 30s"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		ends, err := unit.ParseEnds(s)
		if err != nil {
			if ends != nil || !errors.Is(err, unit.ErrCount) {
				t.Fatalf("%q: %+v with error %v", s, ends, err)
			}
			return
		}
		again, err := unit.ParseEnds(unit.EndsText(ends))
		if err != nil || unit.Together(again) != unit.Together(ends) {
			t.Fatalf("%q printed as %q reads as %g tex, %v, first %g", s, unit.EndsText(ends), unit.Together(again), err, unit.Together(ends))
		}
	})
}

func FuzzParseSystem(f *testing.F) {
	for _, s := range []string{"Ne", "woollen", "US run", "\x00", "lb/spyndle"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := unit.ParseSystem(s)
		if err != nil {
			if got != 0 || !errors.Is(err, unit.ErrCount) {
				t.Fatalf("%q: %s with error %v", s, got, err)
			}
			return
		}
		if again, err := unit.ParseSystem(got.String()); err != nil || again != got {
			t.Fatalf("%q read as %s, that as %s, %v", s, got, again, err)
		}
	})
}

// FuzzParseQuantity gives every text to all parsers of quantities.
func FuzzParseQuantity(f *testing.F) {
	for _, s := range []string{"6.9 m/rev", `3 3/4"`, "E28", "180 g/m²", "5.3 oz/yd2", "85 %", "27.000 km", "1.45 tex^0.5/mm", "1,234,567.5 kg", "0", "1/cm", "\xff1", "9999999999999999999999999 mm", "3 1/0 in"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for name, p := range parsers {
			v, err := p.parse(s)
			if err != nil {
				if v != 0 || !errors.Is(err, unit.ErrQuantity) {
					t.Fatalf("%s %q: %g with error %v", name, s, v, err)
				}
				continue
			}
			if !(v >= p.low && v <= p.high) {
				t.Fatalf("%s %q: %g is outside of what is believed", name, s, v)
			}
			if again, err := p.parse(p.text(v)); err != nil || again != v {
				t.Fatalf("%s %q: %v printed as %q reads as %v, %v", name, s, v, p.text(v), again, err)
			}
		}
	})
}
