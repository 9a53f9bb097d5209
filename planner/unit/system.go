package unit

import (
	"math"
	"slices"
	"strings"
)

// System is a way to number yarns. The zero value is none.
type System uint8

// The systems. Indirect ones count a length per mass, finer yarn has the higher
// number; direct ones weigh a length.
const (
	SystemNe         System = iota + 1 // cotton: hanks of 840 yd in a pound
	SystemWorsted                      // worsted: hanks of 560 yd in a pound
	SystemLea                          // linen: leas of 300 yd in a pound
	SystemNm                           // metric: km in a kilogram
	SystemFrench                       // French: km in 500 g
	SystemSilk                         // spun silk: numbered as cotton, but a folded yarn by its resultant
	SystemYorkshire                    // woollen: skeins of 256 yd in a pound
	SystemRun                          // woollen: runs of 1600 yd in a pound
	SystemCut                          // woollen: cuts of 300 yd in a pound
	SystemGalashiels                   // woollen: cuts of 200 yd in 24 oz
	SystemTex                          // g per km
	SystemDtex                         // g per 10 km
	SystemDenier                       // g per 9 km
	SystemSpyndle                      // jute: pounds in a spyndle of 14,400 yd
)

type systemRow struct {
	system System
	label  string // as printed, before the number
	rule   string
	// Indirect: count times tex. Direct: tex of one.
	factor float64
	direct bool
	words  []string // as people write it, lower case
	source string
}

const (
	definition = "definition, with 1 lb = 453.59237 g and 1 yd = 0.9144 m"
	fromMemory = "from memory, not looked up; the arithmetic follows from the pound and the yard"
	fromGNU    = "definitions file of GNU units 2.22, read; the pound and the yard as defined"
)

var systems = []systemRow{
	{SystemNe, "Ne", "hanks of 840 yd in a pound", 1000 * gramsPerPound / (840 * metresPerYard), false, []string{"ne", "nec", "cotton count"}, definition},
	{SystemWorsted, "NeK", "hanks of 560 yd in a pound", 1000 * gramsPerPound / (560 * metresPerYard), false, []string{"nek", "worsted"}, definition},
	{SystemLea, "NeL", "leas of 300 yd in a pound", 1000 * gramsPerPound / (300 * metresPerYard), false, []string{"nel", "linen lea", "lea", "linen"}, definition},
	{SystemNm, "Nm", "km in a kilogram", 1000, false, []string{"nm"}, definition},
	{SystemFrench, "Nf", "km in 500 g", 500, false, []string{"nf"}, definition},
	{SystemSilk, "spun silk", "hanks of 840 yd in a pound, folded yarns by their resultant", 1000 * gramsPerPound / (840 * metresPerYard), false, []string{"spun silk"}, definition},
	{SystemYorkshire, "Yorkshire skein", "skeins of 256 yd in a pound", 1000 * gramsPerPound / (256 * metresPerYard), false, []string{"yorkshire skeins", "yorkshire skein", "yorkshire", "skein"}, fromMemory},
	{SystemRun, "US run", "runs of 1600 yd in a pound", 1000 * gramsPerPound / (1600 * metresPerYard), false, []string{"us run", "run"}, fromGNU},
	{SystemCut, "US cut", "cuts of 300 yd in a pound", 1000 * gramsPerPound / (300 * metresPerYard), false, []string{"us cut"}, fromGNU},
	{SystemGalashiels, "Galashiels", "cuts of 200 yd in 24 oz", 1000 * 24 * gramsPerOunce / (200 * metresPerYard), false, []string{"galashiels cut", "galashiels"}, fromMemory},
	{SystemTex, "tex", "g in a km", 1, true, []string{"tex"}, definition},
	{SystemDtex, "dtex", "g in 10 km", 0.1, true, []string{"dtex", "decitex"}, definition},
	{SystemDenier, "den", "g in 9 km", 1.0 / 9, true, []string{"den", "denier", "d", "td"}, definition},
	{SystemSpyndle, "lb/spyndle", "pounds in a spyndle of 14,400 yd", 1000 * gramsPerPound / (14400 * metresPerYard), true, []string{"lb/spyndle", "lb/spy", "spyndle"}, definition},
}

// Systems lists all, indirect ones first.
func Systems() []System {
	out := make([]System, len(systems))
	for i, r := range systems {
		out[i] = r.system
	}
	return out
}

func (s System) row() systemRow {
	if s < 1 || int(s) > len(systems) {
		return systemRow{label: "no system"}
	}
	return systems[s-1]
}

// String is the word put with the number: "Ne", "dtex".
func (s System) String() string { return s.row().label }

// Rule says what the number counts: "hanks of 840 yd in a pound".
func (s System) Rule() string { return s.row().rule }

// Source says where the rule is known from.
func (s System) Source() string { return s.row().source }

// Direct tells whether the number weighs a length, so that the coarser yarn has
// the higher one.
func (s System) Direct() bool { return s.row().direct }

// Factor is tex times count for an indirect system, tex of one for a direct one; 0
// for no system.
func (s System) Factor() float64 { return s.row().factor }

// Tex converts a number of the system. A number that is not positive and finite
// gives 0.
func (s System) Tex(number float64) Tex {
	r := s.row()
	switch {
	case !(number > 0) || math.IsInf(number, 1):
		return 0
	case r.direct:
		return Tex(number * r.factor)
	}
	return Tex(r.factor / number)
}

// In gives the number of the yarn in a system; 0 for a yarn without mass.
func (t Tex) In(s System) float64 {
	r := s.row()
	switch {
	case !(t > 0) || r.factor == 0:
		return 0
	case r.direct:
		return float64(t) / r.factor
	}
	return r.factor / float64(t)
}

// ParseSystem reads the name of a system: "Ne", "worsted", "US run", "dtex".
// "woollen" alone is refused: it names four systems.
func ParseSystem(text string) (System, error) {
	word := strings.ToLower(strings.Join(strings.Fields(text), " "))
	for _, r := range systems {
		if slices.Contains(r.words, word) || word == strings.ToLower(r.label) {
			return r.system, nil
		}
	}
	if why, ok := unclear[word]; ok {
		return 0, badInput(ErrCount, "yarn system", text, why.expected, why.repair)
	}
	return 0, badInput(ErrCount, "yarn system", text, "a system of yarn counts", "write one of "+systemList())
}

func systemList() string {
	names := make([]string, len(systems))
	for i, r := range systems {
		names[i] = r.label
	}
	return strings.Join(names, ", ")
}

// unclear holds words that name several systems.
var unclear = map[string]struct{ expected, repair string }{
	"woollen": {"one woollen system", woollenChoice},
	"woolen":  {"one woollen system", woollenChoice},
	"wool":    {"one woollen system", woollenChoice},
	"cut":     {"a cut with its country", `write "US cut" (300 yd in a pound) or "Galashiels" (200 yd in 24 oz); a machine's needles per inch are written "E28"`},
	"silk":    {"a silk system", `write "spun silk" for spun yarn, "den" or "dtex" for filament`},
	"s":       {"a number before the s", `write "30s" or "Ne 30"`},
}

const woollenChoice = `write "Yorkshire skein" (256 yd in a pound), "US run" (1600 yd in a pound), "US cut" (300 yd in a pound), "Galashiels" (200 yd in 24 oz) or "Nm"`
