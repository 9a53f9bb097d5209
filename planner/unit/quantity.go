package unit

import (
	"fmt"
	"slices"
	"strings"
)

// kind is one sort of quantity: the words of its units with their size in the
// canonical one, and the bounds of what is believed. The bounds refuse slips of the
// pen and settle a decimal comma, not unusual machines.
type kind struct {
	field    string
	canon    string // the canonical unit, as the bounds are told
	words    map[string]float64
	min, max float64
	example  string
	bare     string // what to say to a number without unit; "" for the usual
}

var (
	lengthWords = map[string]float64{
		"mm": 0.001, "cm": 0.01, "dm": 0.1, "m": 1, "km": 1000, `"`: metresPerInch, "in": metresPerInch, "inch": metresPerInch, "inches": metresPerInch,
		"ft": metresPerFoot, "yd": metresPerYard, "yard": metresPerYard, "yards": metresPerYard,
	}
	massWords = map[string]float64{
		"mg": 0.001, "g": 1, "kg": 1000, "t": 1e6, "oz": gramsPerOunce, "lb": gramsPerPound, "lbs": gramsPerPound,
	}
	speedWords = map[string]float64{"rpm": 1, "rev/min": 1, "r/min": 1, "turns/min": 1, "1/min": 1, "/min": 1}
	gsmWords   = map[string]float64{"g/m2": 1, "gsm": 1, "kg/m2": 1000, "oz/yd2": gsmPerOunceYard, "g/yd2": 1 / (metresPerYard * metresPerYard)}
	perCmWords = map[string]float64{
		"/cm": 1, "1/cm": 1, "courses/cm": 1, "wales/cm": 1, "cpc": 1, "wpc": 1,
		"/in": 1 / 2.54, "1/in": 1 / 2.54, "courses/in": 1 / 2.54, "wales/in": 1 / 2.54, "cpi": 1 / 2.54, "wpi": 1 / 2.54,
	}
	tightWords = map[string]float64{"tex^0.5/cm": 1, "√tex/cm": 1, "tex^0.5/mm": 10, "√tex/mm": 10}
	shareWords = map[string]float64{"%": 0.01, "": 1}
	hourWords  = map[string]float64{"s": 1.0 / 3600, "min": 1.0 / 60, "h": 1, "hours": 1, "d": 24, "days": 24}
	gaugeWords = map[string]float64{"npi": 1, "needles/in": 1, "cut": 1, "gg": 1, "g": 1, "gauge": 1, "/in": 1, "1/in": 1}
)

// only keeps some of the words.
func only(words map[string]float64, keep ...string) map[string]float64 {
	out := make(map[string]float64, len(keep))
	for _, w := range keep {
		out[w] = words[w]
	}
	return out
}

// perTurn adds to every word of a length the ways to say "in one turn".
func perTurn(words map[string]float64) map[string]float64 {
	out := make(map[string]float64, 5*len(words))
	for w, f := range words {
		for _, turn := range [...]string{"", "/rev", "/turn", "/revolution", "/r"} {
			out[w+turn] = f
		}
	}
	return out
}

var inchWords = map[string]float64{`"`: 1, "in": 1, "inch": 1, "inches": 1, "mm": 0.001 / metresPerInch, "cm": 0.01 / metresPerInch}

var (
	kindLength   = kind{"length", "m", lengthWords, 1e-6, 1e9, "6.9 m", ""}
	kindStitch   = kind{"stitch length", "mm", map[string]float64{"mm": 1, "cm": 10, "in": 25.4, `"`: 25.4}, 0.1, 100, "2.75 mm", ""}
	kindCourse   = kind{"course length", "m", perTurn(only(lengthWords, "mm", "cm", "m", "in", `"`, "ft", "yd")), 0.001, 200, "6.9 m/rev", ""}
	kindDiameter = kind{"diameter", "in", inchWords, 1, 100, `30"`, ""}
	kindGauge    = kind{"gauge", "needles in an inch", gaugeWords, 1, 120, "E28", ""}
	kindGSM      = kind{"mass of cloth by area", "g/m2", gsmWords, 1, 5000, "180 g/m2", ""}
	kindMass     = kind{"mass", "g", massWords, 1e-6, 1e12, "25 kg", ""}
	kindSpeed    = kind{"speed", "turns per minute", speedWords, 0.01, 500, "28 rpm", ""}
	kindShare    = kind{"share", "of the whole", shareWords, 0, 1, "85 %", "more than the whole: write 85 % or 0.85"}
	kindPerCm    = kind{"courses or wales", "per cm", perCmWords, 0.5, 200, "18 /cm", ""}
	kindTight    = kind{"tightness", "tex^0.5/cm", tightWords, 1, 100, "14.5 tex^0.5/cm", `write whether the stitch length was in cm ("14.5 tex^0.5/cm") or in mm ("1.45 tex^0.5/mm")`}
	kindHours    = kind{"time", "h", hourWords, 0, 1e6, "8 h", ""}
)

var kinds = []kind{kindLength, kindMass, kindSpeed, kindGSM, kindPerCm, kindTight, kindShare, kindHours, kindGauge}

const maxQuantityText = 40

// parse reads a number and the unit behind it.
func (k kind) parse(text string) (float64, error) {
	s := strings.ToLower(strings.Join(strings.Fields(text), " "))
	if len(s) > maxQuantityText {
		return 0, k.bad(text, "at most 40 characters", "keep only the number and its unit")
	}
	n := len(s) - len(strings.TrimLeft(s, "0123456789.,"))
	values, err := readings(s[:n])
	if err != nil {
		return 0, k.bad(text, "a plain number above zero and its unit", k.write())
	}
	rest := strings.TrimSpace(s[n:])
	word, fraction, ok := k.fraction(rest, len(values) == 1)
	if !ok {
		return 0, k.wrongUnit(text, rest)
	}
	size, ok := k.words[word]
	if !ok {
		return 0, k.wrongUnit(text, word)
	}
	v, ambiguous := pick(values, func(v float64) bool { return k.believed(v * size) })
	if ambiguous {
		return 0, k.bad(text, "a number that can be read in one way", fmt.Sprintf(`with a decimal mark it is %g, with a thousands mark %.0f: write "%s %s" or "%.0f %s"`, values[0], values[1], plain(values[0]), word, values[1], word))
	}
	v = (v + fraction) * size
	if word == "" && v > 1 {
		return 0, k.bad(text, "a share up to 1", k.bare)
	}
	if !k.believed(v) {
		return 0, k.bad(text, fmt.Sprintf("%g to %g %s", k.min, k.max, k.canon), fmt.Sprintf("this is %.4g %s; check the number and the unit", v, k.canon))
	}
	return v, nil
}

func (k kind) believed(v float64) bool { return v >= k.min && v <= k.max }

func (k kind) write() string { return fmt.Sprintf("write for example %q", k.example) }

func (k kind) bad(found, expected, repair string) error {
	return badInput(ErrQuantity, k.field, found, expected, repair)
}

// fraction takes "3/4" off the front of an inch: small cylinders are 3 3/4 in.
func (k kind) fraction(rest string, mayHave bool) (word string, part float64, ok bool) {
	num, behind, cut := strings.Cut(rest, "/")
	if !cut || num == "" || strings.Trim(num, "0123456789") != "" {
		return unitWord(rest), 0, true
	}
	n := len(behind) - len(strings.TrimLeft(behind, "0123456789"))
	a, errA := readings(num)
	b, errB := readings(behind[:n])
	word = unitWord(strings.TrimSpace(behind[n:]))
	switch {
	case errA != nil || errB != nil: // "1/cm" is a unit
		return unitWord(rest), 0, true
	case !mayHave || !slices.Contains([]string{`"`, "in", "inch", "inches"}, word) || !(a[0] > 0 && a[0] < b[0]) || b[0] > 64:
		return "", 0, false
	}
	return word, a[0] / b[0], true
}

// unitWord brings the spellings of a unit together: no spaces, 2 for a square.
func unitWord(s string) string {
	s = strings.NewReplacer(" ", "", "²", "2", "^2", "2", "″", `"`, "”", `"`, "''", `"`, "per", "/", "sqrt(tex)", "tex^0.5").Replace(s)
	return strings.TrimSuffix(s, ".")
}

func (k kind) wrongUnit(text, word string) error {
	switch {
	case word == "" && k.bare != "":
		return k.bad(text, "a number with its unit", k.bare)
	case word == "":
		return k.bad(text, "a number with its unit", k.write())
	case word == "g/m" || word == "kg/m" || word == "oz/yd":
		return k.bad(text, "a mass by area or a unit of "+k.field, fmt.Sprintf(`%s is mass by running length, which depends on the width; mass by area is written "180 g/m2"`, word))
	}
	for _, other := range kinds {
		if _, ok := other.words[word]; ok && other.field != k.field && word != "" {
			return k.bad(text, "a "+k.field, fmt.Sprintf("%s is a unit of %s; %s", word, other.field, k.write()))
		}
	}
	for _, s := range systems {
		if slices.Contains(s.words, word) {
			return k.bad(text, "a "+k.field, fmt.Sprintf("%s is a yarn count; %s", word, k.write()))
		}
	}
	return k.bad(text, "a unit of "+k.field, k.write())
}

// ParseLength reads "6.9 m", "75 cm", "30 in", `30"`, "100 yd", "27000 km".
func ParseLength(s string) (Metres, error) { v, err := kindLength.parse(s); return Metres(v), err }

// ParseStitchLength reads the yarn of one stitch: "2.75 mm", "0,275 cm".
func ParseStitchLength(s string) (Millimetres, error) {
	v, err := kindStitch.parse(s)
	return Millimetres(v), err
}

// ParseCourseLength reads the yarn of one feeder in one turn: "6.9 m/rev", "690 cm".
func ParseCourseLength(s string) (Metres, error) {
	v, err := kindCourse.parse(s)
	return Metres(v), err
}

// ParseDiameter reads a cylinder: `30"`, "30 in", "3 3/4 in", "762 mm".
func ParseDiameter(s string) (Inches, error) { v, err := kindDiameter.parse(s); return Inches(v), err }

// ParseGauge reads needles per inch: "E28", "28 npi", "28 needles/in".
func ParseGauge(s string) (Gauge, error) {
	number := strings.TrimSpace(s)
	if rest, ok := strings.CutPrefix(strings.ToLower(number), "e"); ok {
		number = rest + " npi"
	}
	v, err := kindGauge.parse(number)
	if err != nil { // tell the text as it was written
		if e, ok := err.(*InputError); ok {
			return 0, badInput(ErrQuantity, e.Field, s, e.Expected, e.Repair)
		}
	}
	return Gauge(v), err
}

// ParseGSM reads "180 g/m2", "180 gsm", "5.3 oz/yd2". Mass by running length is
// refused.
func ParseGSM(s string) (GSM, error) { v, err := kindGSM.parse(s); return GSM(v), err }

// ParseMass reads "25 kg", "30 g", "5 lb".
func ParseMass(s string) (Grams, error) { v, err := kindMass.parse(s); return Grams(v), err }

// ParseSpeed reads "28 rpm", "28 rev/min", "28 1/min".
func ParseSpeed(s string) (RPM, error) { v, err := kindSpeed.parse(s); return RPM(v), err }

// ParseShare reads "85 %" or "0.85", 0 and 1 included.
func ParseShare(s string) (Share, error) { v, err := kindShare.parse(s); return Share(v), err }

// ParsePerCm reads courses or wales: "18 /cm", "18 courses/cm", "46 cpi", "32 wpi".
func ParsePerCm(s string) (PerCm, error) { v, err := kindPerCm.parse(s); return PerCm(v), err }

// ParseTightness reads "14.5 tex^0.5/cm" or "1.45 tex^0.5/mm"; a bare number is
// refused, for both habits are in use.
func ParseTightness(s string) (Tightness, error) {
	v, err := kindTight.parse(s)
	return Tightness(v), err
}

// ParseHours reads "8 h", "45 min", "2 days".
func ParseHours(s string) (Hours, error) { v, err := kindHours.parse(s); return Hours(v), err }

// Text prints with the unit, as [ParseCount] reads it back.
func (t Tex) Text() string { return plain(float64(t)) + " tex" }

// Text prints with the unit, as [ParseMass] reads it back.
func (g Grams) Text() string { return plain(float64(g)) + " g" }

// Text prints with the unit, as [ParseMass] reads it back.
func (k Kilograms) Text() string { return plain(float64(k)) + " kg" }

// Text prints with the unit, as [ParseLength] and [ParseCourseLength] read it back.
func (m Metres) Text() string { return plain(float64(m)) + " m" }

// Text prints with the unit, as [ParseStitchLength] reads it back.
func (m Millimetres) Text() string { return plain(float64(m)) + " mm" }

// Text prints with the unit, as [ParseDiameter] reads it back.
func (i Inches) Text() string { return plain(float64(i)) + " in" }

// Text prints the E number, as [ParseGauge] reads it back.
func (g Gauge) Text() string { return "E" + plain(float64(g)) }

// Text prints with the unit, as [ParseGSM] reads it back.
func (g GSM) Text() string { return plain(float64(g)) + " g/m2" }

// Text prints with the unit, as [ParseSpeed] reads it back.
func (r RPM) Text() string { return plain(float64(r)) + " rpm" }

// Text prints with the unit, as [ParsePerCm] reads it back.
func (p PerCm) Text() string { return plain(float64(p)) + " /cm" }

// Text prints with the unit, as [ParseTightness] reads it back.
func (k Tightness) Text() string { return plain(float64(k)) + " tex^0.5/cm" }

// Text prints the plain number, as [ParseShare] reads it back.
func (s Share) Text() string { return plain(float64(s)) }

// Text prints with the unit, as [ParseHours] reads it back.
func (h Hours) Text() string { return plain(float64(h)) + " h" }
