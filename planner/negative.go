package main

import (
	"regexp"
	"strings"
)

var negative = regexp.MustCompile(`^-\.?[0-9]`)

// belowZero lets numbers below zero through to who can say what is wrong with them: the
// reader of flags takes them for flags. Words of phrases are put together, so that
// "slow K03 -1" and "slow K03 -- -1" are read like "slow K03 27".
func belowZero(args []string) ([]string, error) {
	phrases := len(args) > 0 && args[0] == "whatif" || len(args) > 1 && args[0] == "plan" && args[1] == "move"
	var out []string
	for _, a := range args {
		last := len(out) - 1
		switch {
		case phrases && a == "--": // no word of a phrase begins with two dashes
		case !negative.MatchString(a):
			out = append(out, a)
		case last >= 0 && strings.HasPrefix(out[last], "--") && !strings.Contains(out[last], "="):
			out[last] += "=" + a
		case phrases && last > 0:
			out[last] += " " + a
		default:
			return nil, usage("%q is below zero, which is not possible here; see planner --help", a)
		}
	}
	return out, nil
}
