package unit_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"turnwise/planner/unit"
)

// conversion is one question asked of us and of GNU units.
type conversion struct {
	text string // as a person writes it here
	got  float64
	have string // the same for GNU units
	want string // the unit of got
}

// gnuSystems writes one of each system for GNU units: by the name in its own
// definitions file where it has one, else by length and mass.
var gnuSystems = map[unit.System]string{
	unit.SystemNe: "cottonyarncount", unit.SystemWorsted: "worstedyarncount", unit.SystemLea: "linenyarncount", unit.SystemNm: "metricyarncount",
	unit.SystemRun: "woolyarnrun", unit.SystemCut: "yarncut", unit.SystemFrench: "km/(500 g)", unit.SystemSilk: "cottonyarncount",
	unit.SystemYorkshire: "256 yard/pound", unit.SystemGalashiels: "200 yard/(24 oz)",
	unit.SystemTex: "tex", unit.SystemDtex: "decitex", unit.SystemDenier: "denier", unit.SystemSpyndle: "lb/(14400 yard)",
}

// read turns one of our parsers into float64.
func read[T ~float64](t *testing.T, parse func(string) (T, error), text string) float64 {
	t.Helper()
	v, err := parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return float64(v)
}

func conversions(t *testing.T) []conversion {
	var out []conversion
	for _, s := range unit.Systems() {
		for _, n := range []float64{0.7, 1, 2.5, 12, 30, 83.25, 118.3} {
			c, err := unit.ParseCount(fmt.Sprintf("%s %g", s, n))
			if err != nil { // 0.7 US run and the like lie outside of what a needle takes
				continue
			}
			have := fmt.Sprintf("%g (%s)", n, gnuSystems[s])
			if !s.Direct() {
				have = "(" + have + ")^-1"
			}
			out = append(out, conversion{c.Text, float64(c.Tex), have, "tex"})
			for _, other := range unit.Systems() { // and on into every other system
				want := gnuSystems[other]
				if !other.Direct() {
					want = "(" + want + ")^-1"
				}
				got := c.Tex.In(other)
				if !other.Direct() { // a multiple of the reciprocal unit is the reciprocal of the number
					got = 1 / got
				}
				out = append(out, conversion{c.Text + " in " + other.String(), got, have, want})
			}
		}
	}
	for _, text := range []string{"6.9 m", "75 cm", "30 in", "100 yd", "12 ft", "27 km"} {
		out = append(out, conversion{text, read(t, unit.ParseLength, text), text, "m"})
	}
	out = append(out,
		conversion{`30"`, read(t, unit.ParseDiameter, `30"`), "30 in", "in"},
		conversion{"762 mm", read(t, unit.ParseDiameter, "762 mm"), "762 mm", "in"},
		conversion{"3 3/4 in", read(t, unit.ParseDiameter, "3 3/4 in"), "(3+3|4) in", "in"},
		conversion{"0.11 in", read(t, unit.ParseStitchLength, "0.11 in"), "0.11 in", "mm"},
		conversion{"270 in/rev", read(t, unit.ParseCourseLength, "270 in/rev"), "270 in", "m"},
		conversion{"5.3 oz/yd2", read(t, unit.ParseGSM, "5.3 oz/yd2"), "5.3 oz/yd^2", "g/m^2"},
		conversion{"150 g/yd2", read(t, unit.ParseGSM, "150 g/yd2"), "150 g/yd^2", "g/m^2"},
		conversion{"180 g/m2 in oz/yd2", unit.GSM(180).OuncesPerSquareYard(), "180 g/m^2", "oz/yd^2"},
		conversion{"5 lb", read(t, unit.ParseMass, "5 lb"), "5 lb", "g"},
		conversion{"7 oz", read(t, unit.ParseMass, "7 oz"), "7 oz", "g"},
		conversion{"1.2 t", read(t, unit.ParseMass, "1.2 t"), "1.2 tonne", "g"},
		conversion{"46 cpi", read(t, unit.ParsePerCm, "46 cpi"), "46 /in", "/cm"},
		conversion{"18 /cm in /in", unit.PerCm(18).PerInch(), "18 /cm", "/in"},
		conversion{"28 rpm", read(t, unit.ParseSpeed, "28 rpm"), "28 rev/min", "rpm"},
		conversion{"45 min", read(t, unit.ParseHours, "45 min"), "45 min", "hour"},
		conversion{"2 days", read(t, unit.ParseHours, "2 days"), "2 days", "hour"},
		conversion{"1.45 tex^0.5/mm", read(t, unit.ParseTightness, "1.45 tex^0.5/mm"), "1.45 /mm", "/cm"},
	)
	return out
}

// TestAgainstGNUUnits asks an independent program the same questions: GNU units of
// the Debian package "units", with its own definitions file.
func TestAgainstGNUUnits(t *testing.T) {
	program, err := exec.LookPath("units")
	if err != nil {
		const word = `GNU units is not installed, so no conversion was checked against it; install the Debian package "units"`
		if os.Getenv("CI") == "true" {
			t.Fatal(word)
		}
		t.Skip(word)
	}
	asked := conversions(t)
	var in strings.Builder
	for _, c := range asked {
		fmt.Fprintf(&in, "%s\n%s\n", c.have, c.want)
	}
	cmd := exec.CommandContext(t.Context(), program, "--quiet", "--terse", "--output-format", "%.15g")
	cmd.Stdin, cmd.Env = strings.NewReader(in.String()), []string{"LC_ALL=C", "HOME=" + t.TempDir()}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", program, err, out)
	}
	answers := strings.Fields(string(out))
	if len(answers) != len(asked) {
		t.Fatalf("%d answers to %d questions:\n%s", len(answers), len(asked), out)
	}
	for i, c := range asked {
		want, err := strconv.ParseFloat(answers[i], 64)
		if err != nil || !(math.Abs(c.got/want-1) < 1e-12) {
			t.Errorf("%s = %.15g, GNU units gives %s for %s in %s", c.text, c.got, answers[i], c.have, c.want)
		}
	}
	t.Logf("%d conversions agree with GNU units within 1e-12", len(asked))
}
