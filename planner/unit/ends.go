package unit

import (
	"fmt"
	"strings"
)

// End is a number of yarns of one count that run together.
type End struct {
	Number int
	Count  Count
}

const (
	maxEndsText  = 200
	maxEnds      = 64
	maxEndsParts = 16
)

// ParseEnds reads yarns that run together at one feeder: "Ne 30/1 + 22 dtex",
// "2 x Ne 30 + 20 den". One count alone is one end. A number and an x before a
// count is a number of ends; an x behind it makes folds.
func ParseEnds(s string) ([]End, error) {
	if len(s) > maxEndsText {
		return nil, badCount(s, "at most 200 characters", "keep only the counts, with + between them")
	}
	parts := strings.Split(s, "+")
	if len(parts) > maxEndsParts {
		return nil, badCount(s, fmt.Sprintf("at most %d counts", maxEndsParts), "put equal ends together: 2 x Ne 30")
	}
	ends, sum := make([]End, 0, len(parts)), 0
	for _, part := range parts {
		number, rest := leadingEnds(part)
		c, err := ParseCount(rest)
		if err != nil {
			return nil, err
		}
		if sum += number; number < 1 || sum > maxEnds {
			return nil, badCount(s, fmt.Sprintf("1 to %d ends", maxEnds), `write for example "2 x Ne 30 + 20 den"`)
		}
		ends = append(ends, End{number, c})
	}
	return ends, nil
}

// leadingEnds takes "2 x" off the front of "2 x Ne 30", but leaves "20 x 2 tex".
func leadingEnds(s string) (int, string) {
	s = strings.TrimSpace(s)
	n := len(s) - len(strings.TrimLeft(s, "0123456789"))
	rest := strings.TrimSpace(s[n:])
	behind, ok := strings.CutPrefix(rest, "x")
	if !ok {
		behind, ok = strings.CutPrefix(rest, "×")
	}
	if n == 0 || n > 3 || !ok {
		return 1, s
	}
	if _, err := ParseCount(s); err == nil { // "20 x 2 tex" is a folded yarn
		return 1, s
	}
	number := 0
	for _, c := range s[:n] {
		number = number*10 + int(c-'0')
	}
	return number, behind
}

// Together is the linear density of all ends side by side: tex adds, so that
// indirect counts add by their reciprocals.
func Together(ends []End) Tex {
	var sum Tex
	for _, e := range ends {
		sum += Tex(e.Number) * e.Count.Tex
	}
	return sum
}

// EndsText prints ends as [ParseEnds] reads them back.
func EndsText(ends []End) string {
	var b strings.Builder
	for i, e := range ends {
		if i > 0 {
			b.WriteString(" + ")
		}
		part := e.Count.String()
		if e.Number != 1 {
			part = fmt.Sprintf("%d x %s", e.Number, part)
			if _, err := ParseCount(part); err == nil { // "2 x 3 tex" is a folded yarn of 2 tex
				part += " x 1"
			}
		}
		b.WriteString(part)
	}
	return b.String()
}
