package host

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"turnwise/proto/conf"
)

const (
	second = time.Second
	minute = time.Minute
	hour   = time.Hour
	day    = 24 * time.Hour
)

// Clock is a local wall time in minutes after midnight, "06:00" in text.
type Clock int

// String is the form that UnmarshalText reads.
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

// MarshalText gives "06:00".
func (c Clock) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads "06:00"; "24:00" is the end of the day.
func (c *Clock) UnmarshalText(text []byte) error {
	h, m, ok := strings.Cut(string(text), ":")
	hh, err1 := strconv.Atoi(h)
	mm, err2 := strconv.Atoi(m)
	if !ok || err1 != nil || err2 != nil || len(m) != 2 || len(h) > 2 || hh < 0 || hh > 24 || mm < 0 || mm > 59 || hh == 24 && mm != 0 {
		return fmt.Errorf("found %q, expected a wall time from \"00:00\" to \"24:00\"", text)
	}
	*c = Clock(hh*60 + mm)
	return nil
}

// Every is a time span between repetitions, 0 = never; "1d" or "off" in text.
type Every time.Duration

// String is the form that UnmarshalText reads.
func (e Every) String() string {
	if e == 0 {
		return Off
	}
	return conf.Duration(e).String()
}

// MarshalText gives "1d" or "off".
func (e Every) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText reads what [conf.Duration] reads, and "off".
func (e *Every) UnmarshalText(text []byte) error {
	if string(text) == Off {
		*e = 0
		return nil
	}
	var d conf.Duration
	if err := d.UnmarshalText(text); err != nil || d == 0 {
		return fmt.Errorf("found %q, expected a time span like \"1d\", or off", text)
	}
	*e = Every(d)
	return nil
}

// Days of the week by [time.Weekday]; "mon-sat" or "mon, wed, fri-sun" in text.
type Days [7]bool

var dayNames = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// String is the form that UnmarshalText reads, a day each.
func (d Days) String() string {
	var names []string
	for i := range 7 {
		if wd := (i + 1) % 7; d[wd] { // the week begins on Monday
			names = append(names, dayNames[wd])
		}
	}
	return strings.Join(names, ",")
}

// MarshalText gives the days, "mon,tue".
func (d Days) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads days and ranges of days.
func (d *Days) UnmarshalText(text []byte) error {
	*d = Days{}
	for part := range strings.SplitSeq(string(text), ",") {
		first, last, isRange := strings.Cut(strings.TrimSpace(part), "-")
		if !isRange {
			last = first
		}
		from, to := weekday(first), weekday(last)
		if from < 0 || to < 0 {
			return fmt.Errorf("found %q, expected days like \"mon-sat\" or \"mon,wed,fri\"", text)
		}
		for wd := from; ; wd = (wd + 1) % 7 {
			d[wd] = true
			if wd == to {
				break
			}
		}
	}
	return nil
}

func weekday(name string) int {
	for i, n := range dayNames {
		if strings.EqualFold(strings.TrimSpace(name), n) {
			return i
		}
	}
	return -1
}

// ShiftCount is a number of shifts, "5 shifts" in text.
type ShiftCount int

// String is the form that UnmarshalText reads.
func (s ShiftCount) String() string {
	if s == 1 {
		return "1 shift"
	}
	return strconv.Itoa(int(s)) + " shifts"
}

// MarshalText gives "5 shifts".
func (s ShiftCount) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads "5 shifts" or "5".
func (s *ShiftCount) UnmarshalText(text []byte) error {
	f := strings.Fields(string(text))
	if len(f) == 1 || len(f) == 2 && (f[1] == "shifts" || f[1] == "shift") {
		if n, err := strconv.Atoi(f[0]); err == nil && n >= 0 {
			*s = ShiftCount(n)
			return nil
		}
	}
	return fmt.Errorf("found %q, expected a number of shifts like \"5 shifts\"", text)
}
