package api

import (
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/proto/wire"
)

// Limits of requests.
const (
	maxText = 200   // bytes of a name, lot, request id
	maxList = 10000 // entries of a repeated field
)

// machineID reads "machines/k01", and "k01" for convenience.
func machineID(field, name string, v *violations) string {
	id := strings.TrimPrefix(name, "machines/")
	if !wire.ValidID(id) {
		v.add(field, fmt.Sprintf("is %q, expected machines/ID with 1 to %d of a-z, 0-9, '-' and '_'", cut(name), wire.MaxIDLen))
	}
	return id
}

// machineIDs reads a list of machines.
func machineIDs(field string, names []string, v *violations) []string {
	if len(names) > wire.MaxMachines {
		v.add(field, fmt.Sprintf("has %d entries, at most %d are allowed", len(names), wire.MaxMachines))
		return nil
	}
	out := make([]string, 0, len(names))
	for i, n := range names {
		out = append(out, machineID(fmt.Sprintf("%s[%d]", field, i), n, v))
	}
	return out
}

// text checks a free text for size and control characters.
func text(field, s string, v *violations) string {
	switch {
	case len(s) > maxText:
		v.add(field, fmt.Sprintf("has %d bytes, at most %d are allowed", len(s), maxText))
	case strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\ufffd' }):
		v.add(field, fmt.Sprintf("is %q, expected no control characters", cut(s)))
	}
	return s
}

// finite checks a number for being one, and for being within [low, high].
func finite(field string, x, low, high float64, v *violations) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) || x < low || x > high {
		v.add(field, fmt.Sprintf("is %g, expected %g to %g", x, low, high))
		return 0
	}
	return x
}

// whole checks an integer for being within [low, high].
func whole(field string, n, low, high int64, v *violations) int {
	if n < low || n > high {
		v.add(field, fmt.Sprintf("is %d, expected %d to %d", n, low, high))
		return 0
	}
	return int(n)
}

// instant reads a time; absent gives the zero time.
func instant(field string, ts *timestamppb.Timestamp, v *violations) time.Time {
	if ts == nil {
		return time.Time{}
	}
	t := ts.AsTime()
	if err := ts.CheckValid(); err != nil || t.Year() < 1970 || t.Year() > 2200 {
		v.add(field, "is not a time between 1970 and 2200")
		return time.Time{}
	}
	return t
}

// cut keeps a text short enough for a message.
func cut(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "..."
	}
	return s
}
