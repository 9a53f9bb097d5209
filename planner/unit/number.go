package unit

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ErrCount is inside every error about a yarn count or a system of counts.
var ErrCount = errors.New("not a yarn count")

// ErrQuantity is inside every error of the other Parse functions.
var ErrQuantity = errors.New("not a quantity")

// InputError tells a person what to repair in one field.
type InputError struct {
	Field    string // what the text was read as
	Found    string // the text, at most 40 characters of it
	Expected string
	Repair   string

	sentinel error
}

func (e *InputError) Error() string {
	return fmt.Sprintf("%s: found %q, expected %s; %s", e.Field, e.Found, e.Expected, e.Repair)
}

// Unwrap gives ErrCount or ErrQuantity.
func (e *InputError) Unwrap() error {
	if e.sentinel == nil {
		return ErrCount
	}
	return e.sentinel
}

const maxFound = 40

func badInput(sentinel error, field, found, expected, repair string) error {
	if r := []rune(found); len(r) > maxFound {
		found = string(r[:maxFound])
	}
	return &InputError{Field: field, Found: found, Expected: expected, Repair: repair, sentinel: sentinel}
}

var errDigits = errors.New("not a plain number")

// readings gives the values that a number as written can have: one, or two where a
// single mark with three digits behind it may be the decimal mark or part the
// thousands ("27.000" is written for 27 and for 27000, and so is "27,000").
func readings(s string) ([]float64, error) {
	const maxDigits = 25
	points, commas := strings.Count(s, "."), strings.Count(s, ",")
	if s == "" || len(s) > maxDigits || strings.Trim(s, "0123456789.,") != "" {
		return nil, errDigits
	}
	last := strings.LastIndexAny(s, ".,")
	if last < 0 {
		return one(s)
	}
	whole, part, mark := s[:last], s[last+1:], s[last:last+1]
	switch {
	case strings.ContainsAny(part, ".,") || part == "":
		return nil, errDigits
	case points > 0 && commas > 0: // the last mark is the decimal one
		other := "."
		if mark == "." {
			other = ","
		}
		if strings.Contains(whole, mark) || !grouped(whole, other) {
			return nil, errDigits
		}
		return one(strings.ReplaceAll(whole, other, "") + "." + part)
	case points+commas > 1: // the same mark again and again parts thousands
		if !grouped(s, mark) {
			return nil, errDigits
		}
		return one(strings.ReplaceAll(s, mark, ""))
	}
	decimal, err := one(whole + "." + part)
	if err != nil || !grouped(s, mark) {
		return decimal, err
	}
	thousand, err := one(whole + part)
	return append(decimal, thousand...), err
}

func one(s string) ([]float64, error) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) {
		return nil, errDigits
	}
	return []float64{v}, nil
}

// grouped tells whether the mark parts groups of three behind a first group of one
// to three that does not begin with a nought.
func grouped(s, mark string) bool {
	groups := strings.Split(s, mark)
	if g := groups[0]; len(g) < 1 || len(g) > 3 || g[0] == '0' {
		return false
	}
	for _, g := range groups[1:] {
		if len(g) != 3 {
			return false
		}
	}
	return true
}

// pick takes the reading that may be believed. Two of them are refused.
func pick(values []float64, believed func(float64) bool) (v float64, ambiguous bool) {
	if len(values) == 2 {
		switch a, b := believed(values[0]), believed(values[1]); {
		case a && b:
			return 0, true
		case b:
			return values[1], false
		}
	}
	return values[0], false
}

// plain prints a number so that readings gives the same back and nothing else:
// where three digits would stand behind the point, a fourth follows.
func plain(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if whole, part, ok := strings.Cut(s, "."); ok && len(part) == 3 && len(strings.TrimPrefix(whole, "-")) <= 3 {
		s += "0"
	}
	return s
}
