package unit

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ErrCount is inside every error of [ParseCount].
var ErrCount = errors.New("not a yarn count")

// InputError tells a person what to repair in one field.
type InputError struct {
	Field    string // what the text was read as
	Found    string // the text, at most 40 characters of it
	Expected string
	Repair   string
}

func (e *InputError) Error() string {
	return fmt.Sprintf("%s: found %q, expected %s; %s", e.Field, e.Found, e.Expected, e.Repair)
}

// Unwrap gives ErrCount.
func (e *InputError) Unwrap() error { return ErrCount }

// Count is a yarn count: the resultant linear density and the text as ordered.
type Count struct {
	Tex  Tex
	Text string
}

// Limits of what is believed: finer is below any filament yarn, coarser above any
// yarn that a needle takes.
const (
	minTex, maxTex = 0.1, 20000
	maxCountText   = 40
	maxFolds       = 24
)

// ParseCount reads a count as people write it: "Ne 30", "Ne 30/1", "Ne 30/2" and
// "Ne 2/30" (two singles of 30, resultant 15), "Nm 40/2", "20 tex", "20 tex x 2",
// "R40 tex/2" (already the resultant), "84 dtex", "84 dtex f36", "150/48 den".
// A decimal comma is understood. Every error is an [*InputError].
func ParseCount(s string) (Count, error) {
	text := strings.Join(strings.Fields(s), " ")
	if len(text) > maxCountText {
		return Count{}, badCount(s, "at most 40 characters", "keep only the count")
	}
	system, rest, ok := splitSystem(strings.ToLower(text))
	if !ok {
		return Count{}, badCount(s, "a count with its system (Ne, Nm, tex, dtex, den)", `write for example "Ne 30/1" or "84 dtex"`)
	}
	var t Tex
	var err error
	switch system {
	case "ne", "nm":
		t, err = parseIndirect(s, system, rest)
	default:
		t, err = parseDirect(s, system, rest)
	}
	if err != nil {
		return Count{}, err
	}
	if !(t >= minTex && t <= maxTex) {
		return Count{}, badCount(s, fmt.Sprintf("a yarn between %g and %d tex", minTex, maxTex), fmt.Sprintf("this is %.4g tex; check the number and the system", float64(t)))
	}
	return Count{Tex: t, Text: text}, nil
}

func badCount(found, expected, repair string) error {
	if r := []rune(found); len(r) > maxCountText {
		found = string(r[:maxCountText])
	}
	return &InputError{Field: "yarn count", Found: found, Expected: expected, Repair: repair}
}

// splitSystem takes the system's word off the front or out of the text.
func splitSystem(s string) (system, rest string, ok bool) {
	for _, w := range [...]struct{ word, system string }{
		{"dtex", "dtex"}, {"tex", "tex"}, {"denier", "den"}, {"den", "den"}, {"ne", "ne"}, {"nm", "nm"},
	} {
		if i := strings.Index(s, w.word); i >= 0 {
			return w.system, strings.TrimSpace(s[:i]) + " " + strings.TrimSpace(s[i+len(w.word):]), true
		}
	}
	return "", "", false
}

// parseIndirect reads "30", "30/2" or "2/30". Both orders are in use; the fold is
// the smaller number, and it is whole.
func parseIndirect(s, system, rest string) (Tex, error) {
	a, b, folded := strings.Cut(strings.TrimSpace(rest), "/")
	single, err := number(s, a)
	if err != nil {
		return 0, err
	}
	folds := 1.0
	if folded {
		if folds, err = number(s, b); err != nil {
			return 0, err
		}
		if folds > single {
			folds, single = single, folds
		}
		if folds != math.Trunc(folds) || folds > maxFolds {
			return 0, badCount(s, "a whole number of folds up to 24", `write the single and the folds, "30/2"`)
		}
	}
	if system == "ne" {
		return FromNe(single / folds), nil
	}
	return FromNm(single / folds), nil
}

// parseDirect reads "20", "20 x 2", "r40 /2", "84 f36", "150/48".
func parseDirect(s, system, rest string) (Tex, error) {
	rest = strings.TrimSpace(rest)
	resultant := strings.HasPrefix(rest, "r")
	rest = strings.TrimPrefix(rest, "r")
	rest, folds, err := cutFolds(s, rest)
	if err != nil {
		return 0, err
	}
	if main, filaments, ok := strings.Cut(rest, "f"); ok {
		if _, err := number(s, filaments); err != nil {
			return 0, err
		}
		rest = strings.TrimSuffix(strings.TrimSpace(main), "/")
	}
	main, behind, ok := strings.Cut(rest, "/")
	if ok {
		n, err := number(s, behind)
		if err != nil {
			return 0, err
		}
		// 150/48 den is one yarn of 48 filaments; 20/2 tex could be two yarns.
		if !resultant && (system == "tex" || n < 5) {
			return 0, badCount(s, "folds after an x in a direct system", fmt.Sprintf(`write "%s %s x %g", or "R" before a resultant`, strings.TrimSpace(main), system, n))
		}
	}
	v, err := number(s, main)
	if err != nil {
		return 0, err
	}
	v *= folds
	switch system {
	case "dtex":
		return FromDtex(v), nil
	case "den":
		return FromDenier(v), nil
	}
	return Tex(v), nil
}

func cutFolds(s, rest string) (main string, folds float64, err error) {
	main, x, ok := strings.Cut(rest, "x")
	if !ok {
		return rest, 1, nil
	}
	folds, err = number(s, x)
	if err == nil && (folds != math.Trunc(folds) || folds > maxFolds) {
		err = badCount(s, "a whole number of folds up to 24", `write for example "20 tex x 2"`)
	}
	return main, folds, err
}

// number reads a positive decimal number. A comma is a decimal comma, but not
// where it may as well part thousands: "1,000" is refused.
func number(s, field string) (float64, error) {
	field = strings.TrimSpace(field)
	if whole, part, ok := strings.Cut(field, ","); ok {
		if len(part) == 3 {
			return 0, badCount(s, "a number without thousands mark", `write "1000", or "1.0" for one`)
		}
		field = whole + "." + part
	}
	for _, c := range field {
		if c != '.' && (c < '0' || c > '9') {
			return 0, badCount(s, "digits", `write for example "Ne 30/1" or "84 dtex"`)
		}
	}
	v, err := strconv.ParseFloat(field, 64)
	if err != nil || !(v > 0) || math.IsInf(v, 0) {
		return 0, badCount(s, "a number above zero", `write for example "Ne 30/1" or "84 dtex"`)
	}
	return v, nil
}
