// Package derive holds how a figure was come by: formula, inserted numbers, units,
// and where each input is from. The one rule: a derivation is written by the code
// that calculates, in the same function, so that it cannot tell another story. It
// does not calculate.
package derive

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// The usual words for where an input is from.
const (
	Given     = "given"      // by the person who asks
	Card      = "knit card"  // entered for the article
	Plate     = "plate"      // of the machine
	Weighed   = "weighed"    // on a scale
	Counted   = "counted"    // by a machine's counter
	Assumed   = "assumed"    // a usual value that nobody confirmed
	FromAbove = "step above" // the result of an earlier step
	Exact     = "definition" // of the unit or the structure
)

// Input is one number that goes into a step.
type Input struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"` // "" for a plain number
	From  string  `json:"from"`
}

// Step is one line of calculation.
type Step struct {
	Result   string  `json:"result"`   // name of what comes out: "mass per revolution"
	Formula  string  `json:"formula"`  // in names: "course length × tex × feeders / 1000"
	Inserted string  `json:"inserted"` // the same in numbers
	Value    float64 `json:"value"`
	Unit     string  `json:"unit"` // of Value; "" for a plain number
	Inputs   []Input `json:"inputs"`
}

// Derivation is the steps in the order they are calculated; the last gives the answer.
type Derivation []Step

// Add appends a step. Inserted is filled in from the formula when it is empty: the
// name of every input in the formula gives way to its number.
func (d *Derivation) Add(s Step) {
	if s.Inserted == "" {
		s.Inserted = insert(s.Formula, s.Inputs)
	}
	*d = append(*d, s)
}

// Append takes over the steps of another derivation.
func (d *Derivation) Append(more Derivation) { *d = append(*d, more...) }

// Last is the final step; ok is false when there is none.
func (d Derivation) Last() (s Step, ok bool) {
	if len(d) == 0 {
		return Step{}, false
	}
	return d[len(d)-1], true
}

// insert replaces the names by numbers, longest name first at every place, so that
// "needles" does not break "needles in work". A name is replaced as a whole word only.
func insert(formula string, inputs []Input) string {
	var b strings.Builder
	for at := 0; at < len(formula); {
		best := -1
		for i, in := range inputs {
			if in.Name == "" || !wordAt(formula, at, in.Name) {
				continue
			}
			if best < 0 || len(in.Name) > len(inputs[best].Name) {
				best = i
			}
		}
		if best < 0 {
			_, n := utf8.DecodeRuneInString(formula[at:])
			b.WriteString(formula[at : at+n])
			at += n
			continue
		}
		b.WriteString(Number(inputs[best].Value))
		at += len(inputs[best].Name)
	}
	return b.String()
}

func wordAt(s string, at int, name string) bool {
	if !strings.HasPrefix(s[at:], name) {
		return false
	}
	before, _ := utf8.DecodeLastRuneInString(s[:at])
	after, _ := utf8.DecodeRuneInString(s[at+len(name):])
	return (at == 0 || !inWord(before)) && (at+len(name) == len(s) || !inWord(after))
}

func inWord(r rune) bool { return r == '_' || unicode.IsLetter(r) || unicode.IsDigit(r) }

// Number prints with six significant digits, plainly where that can be read.
func Number(v float64) string {
	if a := math.Abs(v); a != 0 && (a < 1e-4 || a >= 1e9) || math.IsNaN(v) {
		return strconv.FormatFloat(v, 'g', 6, 64)
	}
	s := strconv.FormatFloat(v, 'g', 6, 64)
	if strings.ContainsAny(s, "eE") { // six digits of a number of seven or more
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return s
}

// Quantity prints a number with its unit.
func Quantity(v float64, unit string) string {
	if unit == "" {
		return Number(v)
	}
	return Number(v) + " " + unit
}

// String prints the derivation for reading, the inputs with their origin below
// each step.
func (d Derivation) String() string {
	var b strings.Builder
	for i, s := range d {
		fmt.Fprintf(&b, "%d. %s\n     = %s\n", i+1, s.Result, s.Formula)
		if s.Inserted != s.Formula {
			fmt.Fprintf(&b, "     = %s\n", s.Inserted)
		}
		fmt.Fprintf(&b, "     = %s\n", Quantity(s.Value, s.Unit))
		for _, in := range s.Inputs {
			fmt.Fprintf(&b, "       %s: %s (%s)\n", in.Name, Quantity(in.Value, in.Unit), in.From)
		}
	}
	return b.String()
}
