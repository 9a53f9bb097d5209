package conf

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Duration is a time span in a configuration file: "500ms", "1h30m", "7d".
type Duration time.Duration

// Std returns the span as the standard library's type.
func (d Duration) Std() time.Duration { return time.Duration(d) }

// String prints whole days as days.
func (d Duration) String() string {
	const day = 24 * time.Hour
	if t := time.Duration(d); t != 0 && t%day == 0 {
		return strconv.FormatInt(int64(t/day), 10) + "d"
	}
	return time.Duration(d).String()
}

// MarshalText is the form of String.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what [time.ParseDuration] reads, and whole or broken
// days: "7d", "1.5d". Negative spans are refused.
func (d *Duration) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	v, err := parseDuration(s)
	if err != nil || v < 0 {
		return fmt.Errorf("found %q, a time span is expected, for example 500ms, 30s, 10m, 8h or 7d", s)
	}
	*d = Duration(v)
	return nil
}

func parseDuration(s string) (time.Duration, error) {
	if n, ok := strings.CutSuffix(s, "d"); ok {
		f, err := strconv.ParseFloat(n, 64)
		if err != nil {
			return 0, err
		}
		ns := f * 24 * float64(time.Hour)
		if !(math.Abs(ns) < math.MaxInt64) {
			return 0, strconv.ErrRange
		}
		return time.Duration(ns), nil
	}
	return time.ParseDuration(s)
}

// Bytes is a size in a configuration file: "512MiB", "64KiB", "1GB".
type Bytes int64

var byteUnits = []struct {
	name string
	n    int64
}{{"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}, {"B", 1}, {"", 1}}

// String prints the largest unit that divides the size.
func (b Bytes) String() string {
	for _, u := range byteUnits[:3] {
		if b != 0 && int64(b)%u.n == 0 {
			return strconv.FormatInt(int64(b)/u.n, 10) + u.name
		}
	}
	return strconv.FormatInt(int64(b), 10) + "B"
}

// MarshalText is the form of String.
func (b Bytes) MarshalText() ([]byte, error) { return []byte(b.String()), nil }

// UnmarshalText reads a whole number with a unit: B, kB, MB, GB, KiB, MiB, GiB.
func (b *Bytes) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	for _, u := range byteUnits {
		num, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		n, err := strconv.ParseInt(strings.TrimSpace(num), 10, 64)
		if err != nil || n < 0 || n > math.MaxInt64/u.n {
			continue
		}
		*b = Bytes(n * u.n)
		return nil
	}
	return fmt.Errorf("found %q, a size is expected, for example 64KiB, 512MiB or 1GB", s)
}
