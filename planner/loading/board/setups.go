package board

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// changes are the kinds of a change in the order in which they are told.
var changes = []string{ChangeGauge, ChangeStructure, ChangeYarn, ChangeLot, ChangeStitch}

// word is the value of a state that rows of the kind speak of. A lot is a word together
// with its yarn.
func (s State) word(kind string) string {
	number := func(v float64) string {
		if v == 0 {
			return ""
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	switch kind {
	case ChangeGauge:
		return number(float64(s.Gauge))
	case ChangeStructure:
		return s.Structure
	case ChangeYarn:
		return s.Yarn
	case ChangeLot:
		return s.Lot
	case ChangeStitch:
		return number(float64(s.Stitch))
	}
	return ""
}

// find is the row that holds for a change.
func (t SetupTable) find(kind, machine, from, to string) (SetupRow, bool) {
	best, at := -1, -1
	for k, r := range t.Rows {
		fits := func(row, word string) int {
			switch {
			case row == Any || row == "" && word == "":
				return 0
			case row == word:
				return 1
			}
			return -1
		}
		if r.Kind != kind {
			continue
		}
		m := 0
		if r.Machine != "" && r.Machine != Any {
			if r.Machine != machine {
				continue
			}
			m = 1
		}
		f, g := fits(r.From, from), fits(r.To, to)
		if kind == ChangeAll {
			f, g = 0, 0
		}
		if f < 0 || g < 0 {
			continue
		}
		if exact := m + f + g; exact > best {
			best, at = exact, k
		}
	}
	if at < 0 {
		return SetupRow{}, false
	}
	return t.Rows[at], true
}

// Between tells the changes of a set-up with their minutes. It is an error with
// [ErrProblem] when the table has a hole there.
func (t SetupTable) Between(machine string, from, to State) ([]SetupPart, error) {
	var out []SetupPart
	if r, ok := t.find(ChangeAll, machine, "", ""); ok && r.Minutes > 0 {
		out = append(out, SetupPart{Kind: ChangeAll, Minutes: r.Minutes})
	}
	for _, kind := range changes {
		a, b := from.word(kind), to.word(kind)
		if a == b || kind == ChangeLot && from.Yarn != to.Yarn {
			continue
		}
		r, ok := t.find(kind, machine, a, b)
		if !ok {
			return nil, fmt.Errorf("%w: set-up table: no row for %s from %s to %s on %s, expected one; add it, or a row from %s to %s",
				ErrProblem, kind, shown(a), shown(b), machine, Any, Any)
		}
		out = append(out, SetupPart{Kind: kind, From: a, To: b, Minutes: r.Minutes})
	}
	return out, nil
}

func shown(word string) string {
	if word == "" {
		return "unknown"
	}
	return word
}

// Validate finds the first row that cannot be used.
func (t SetupTable) Validate() error {
	for k, r := range t.Rows {
		if r.Kind != ChangeAll && !slices.Contains(changes, r.Kind) {
			return fmt.Errorf("%w: set-up table, row %d: kind %q, expected one of %s or %s", ErrProblem, k+1, r.Kind, strings.Join(changes, ", "), ChangeAll)
		}
		if !(r.Minutes >= 0 && r.Minutes <= maxMinutes) {
			return fmt.Errorf("%w: set-up table, row %d: %g minutes, expected 0 to %d", ErrProblem, k+1, r.Minutes, int(maxMinutes))
		}
	}
	return nil
}

// own says whether some row is for this machine alone.
func (t SetupTable) own(machine string) bool {
	return slices.ContainsFunc(t.Rows, func(r SetupRow) bool { return r.Machine == machine && machine != Any })
}

// seconds is the table of all changes between states on a machine; -1 is a hole. Each word is
// looked up once: a mill has far more pairs of states than pairs of words.
func (t SetupTable) seconds(machine string, states []State) []int32 {
	n := len(states)
	out := make([]int32, n*n)
	every := 0.0
	if r, ok := t.find(ChangeAll, machine, "", ""); ok {
		every = r.Minutes
	}
	sum := make([]float64, n*n)
	for k := range sum {
		sum[k] = every
	}
	yarn := make([]int, n)
	for _, kind := range changes {
		var words []string
		index := map[string]int{}
		at := make([]int, n)
		for k, s := range states {
			w := s.word(kind)
			if _, ok := index[w]; !ok {
				index[w] = len(words)
				words = append(words, w)
			}
			at[k] = index[w]
		}
		if kind == ChangeYarn {
			copy(yarn, at)
		}
		only := SetupTable{Rows: slices.DeleteFunc(slices.Clone(t.Rows), func(r SetupRow) bool { return r.Kind != kind })}
		cost := make([]float64, len(words)*len(words))
		for a, from := range words {
			for b, to := range words {
				if a == b {
					continue
				}
				cost[a*len(words)+b] = -1e12
				if r, ok := only.find(kind, machine, from, to); ok {
					cost[a*len(words)+b] = r.Minutes
				}
			}
		}
		for a := range states {
			for b := range states {
				if at[a] != at[b] && (kind != ChangeLot || yarn[a] == yarn[b]) {
					sum[a*n+b] += cost[at[a]*len(words)+at[b]]
				}
			}
		}
	}
	for k, v := range sum {
		out[k] = int32(min(v*60+0.5, 1<<30))
		if v < 0 {
			out[k] = -1
		}
	}
	return out
}
