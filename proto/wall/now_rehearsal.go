//go:build rehearsal

package wall

import (
	"os"
	"strconv"
	"strings"
	"time"
)

var stepFile = os.Getenv(StepFile)

// Now is the wall clock, stepped. A stepped instant has no monotonic reading:
// what is measured between two of them suffers from the step, as it would from
// a clock that was set.
func Now() time.Time {
	now := time.Now()
	if stepFile == "" {
		return now
	}
	text, err := os.ReadFile(stepFile)
	if err != nil {
		return now
	}
	step, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	if err != nil || step == 0 {
		return now
	}
	return now.Round(0).Add(time.Duration(step))
}
