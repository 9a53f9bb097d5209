package main

import (
	"strings"
	"testing"
)

func TestBelowZero(t *testing.T) {
	for line, want := range map[string]string{
		"whatif slow K03 -1":                    "a speed of -1 turns a minute is not possible, expected above 0 to 200; to let it stand say down K03 6h",
		"whatif slow K03 -- -1":                 "a speed of -1 turns a minute is not possible",
		"whatif slow K03 -.5, down K04 6h":      "a speed of -0.5 turns a minute is not possible",
		"whatif slow K03 0":                     "a speed of 0 turns a minute is not possible",
		"whatif down K03 -6h":                   "a time of -6h is not possible",
		"whatif split SO-1 K02 -800":            "-800 kilos are not possible",
		"plan move split SO-1 K02 -800":         "-800 kilos are not possible",
		"plan move -- split SO-1 K02 -800":      "-800 kilos are not possible",
		"promise --article PQ --kg -5":          "--kg -5: expected 0.1 or more",
		"plan solve --seconds -1":               "--seconds -1: expected 0.1 to 600",
		"kept --since -3d":                      "--since \"-3d\": expected",
		"forecast -1":                           "\"-1\" is below zero, which is not possible here",
		"creel done k09-stop-0b --bogus -1 -x9": "unknown flag --bogus",
	} {
		e := new(fake).planner(t, line)
		if e.code != exitUsage || !strings.Contains(e.err, want) {
			t.Errorf("%s: %+v, want %q", line, e, want)
		}
	}
	if args, err := belowZero([]string{"plan", "solve", "--frozen", "-1", "--dry-run"}); err != nil || strings.Join(args, " ") != "plan solve --frozen=-1 --dry-run" {
		t.Errorf("a number below zero that means something is read as %q, %v", args, err)
	}
	e := new(fake).planner(t, "whatif slow K03 -- 27")
	if e.code != 0 {
		t.Errorf("two dashes before a good number: %+v", e)
	}
}
