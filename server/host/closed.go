package host

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"turnwise/planner/calendar"
)

// Bounds of an iCalendar file of closed days.
const (
	maxClosedBytes = 1 << 20
	maxClosed      = 2000
)

// readClosed reads the events of an iCalendar file (RFC 5545) as closed time.
// It reads dates and times written out; it does not compute repetitions.
func readClosed(file string, zone *time.Location) ([]calendar.Span, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("%w; give an iCalendar file or remove the key", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxClosedBytes+1))
	if err != nil {
		return nil, err
	}
	if len(text) > maxClosedBytes {
		return nil, fmt.Errorf("%s has more than %d bytes", file, maxClosedBytes)
	}
	spans, err := parseClosed(string(text), zone)
	if err != nil {
		return nil, fmt.Errorf("%s:%w", file, err)
	}
	return spans, nil
}

// line of an iCalendar file, unfolded.
type icsLine struct {
	at          int // number of its first line
	name, param string
	value       string
}

// parseClosed reads the text of a calendar. Errors begin with the line.
func parseClosed(text string, zone *time.Location) ([]calendar.Span, error) {
	lines := unfold(text)
	if len(lines) == 0 || lines[0].name != "BEGIN" || lines[0].value != "VCALENDAR" {
		return nil, errors.New("1: not an iCalendar file: it does not begin with BEGIN:VCALENDAR")
	}
	var spans []calendar.Span
	var event *calendar.Span
	begun, wholeDay := 0, false
	for _, l := range lines {
		bad := func(format string, args ...any) error {
			return fmt.Errorf("%d: %s", l.at, fmt.Sprintf(format, args...))
		}
		switch {
		case l.name == "BEGIN" && l.value == "VEVENT":
			event, begun, wholeDay = new(calendar.Span), l.at, false
		case event == nil:
		case l.name == "END" && l.value == "VEVENT":
			if event.From.IsZero() {
				return nil, fmt.Errorf("%d: the event has no DTSTART", begun)
			}
			if event.To.IsZero() && wholeDay { // RFC 5545 3.6.1: one day
				event.To = event.From.AddDate(0, 0, 1)
			}
			if !event.To.After(event.From) {
				return nil, fmt.Errorf("%d: the event does not end after it begins; write a later DTEND", begun)
			}
			if len(spans) == maxClosed {
				return nil, fmt.Errorf("%d: more than %d events; remove old ones", begun, maxClosed)
			}
			spans, event = append(spans, *event), nil
		case l.name == "DTSTART" || l.name == "DTEND":
			t, date, err := icsTime(l, zone)
			if err != nil {
				return nil, bad("%s: %v", l.name, err)
			}
			if l.name == "DTSTART" {
				event.From, wholeDay = t, date
			} else {
				event.To = t
			}
		case l.name == "SUMMARY":
			event.Name = strings.NewReplacer(`\,`, ",", `\;`, ";", `\n`, " ", `\\`, `\`).Replace(l.value)
		case l.name == "RRULE" || l.name == "RDATE" || l.name == "DURATION":
			return nil, bad("%s is not read; write each closed time as an event of its own with DTSTART and DTEND", l.name)
		}
	}
	if event != nil {
		return nil, fmt.Errorf("%d: the event has no END:VEVENT", begun)
	}
	slices.SortFunc(spans, func(a, b calendar.Span) int { return a.From.Compare(b.From) })
	return spans, nil
}

// unfold joins continued lines and splits names, parameters and values.
func unfold(text string) []icsLine {
	var out []icsLine
	n := 0
	for raw := range strings.SplitSeq(strings.TrimPrefix(text, "\ufeff"), "\n") {
		n++
		raw = strings.TrimSuffix(raw, "\r")
		if len(out) > 0 && (strings.HasPrefix(raw, " ") || strings.HasPrefix(raw, "\t")) {
			out[len(out)-1].value += raw[1:]
			continue
		}
		head, value, ok := strings.Cut(raw, ":")
		if !ok {
			continue
		}
		name, param, _ := strings.Cut(head, ";")
		out = append(out, icsLine{at: n, name: strings.ToUpper(name), param: param, value: value})
	}
	return out
}

// icsTime reads a date or date-time; date tells that it was a date.
func icsTime(l icsLine, zone *time.Location) (t time.Time, date bool, err error) {
	for p := range strings.SplitSeq(l.param, ";") {
		if name, ok := strings.CutPrefix(p, "TZID="); ok {
			if zone, err = time.LoadLocation(strings.Trim(name, `"`)); err != nil {
				return t, false, fmt.Errorf("zone %q is not in the IANA time zone database", name)
			}
		}
	}
	if strings.HasSuffix(l.value, "Z") {
		t, err = time.Parse("20060102T150405Z", l.value)
	} else if len(l.value) == len("20060102") {
		date = true
		t, err = time.ParseInLocation("20060102", l.value, zone)
	} else {
		t, err = time.ParseInLocation("20060102T150405", l.value, zone)
	}
	if err != nil {
		return t, false, fmt.Errorf("found %q, expected a date 20261029 or a time 20261029T060000", l.value)
	}
	return t, date, nil
}
