package outlook

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Phrases of a what-if, as people write them.
const (
	verbSlow, verbDown, verbAdd, verbOpen, verbClose = "slow", "down", "add", "open", "close"
	verbMove, verbSplit                              = "move", "split"
)

// ParseChanges reads phrases separated by commas: `slow K03 27, down K04 6h, add K05
// SO-1041, move SO-1052 K02, split SO-1041 K05 800, open 2026-11-28T06:00
// 2026-11-28T14:00, close 2026-11-30 2026-12-01`. Behind move may stand the order that it
// comes behind, behind split the kilos.
// Wall times without a zone are in zone. Errors hold [ErrRequest] and the phrase;
// whether a change can be is told by [Suppose].
func ParseChanges(text string, zone *time.Location) ([]Change, error) {
	var out []Change
	for phrase := range strings.SplitSeq(text, ",") {
		phrase = strings.TrimSpace(phrase)
		words := strings.Fields(phrase)
		if c, ok, err := parseMove(words); err != nil {
			return nil, refuse("change %q: %w", phrase, err)
		} else if ok {
			out = append(out, c)
			continue
		}
		if len(words) != 3 {
			return nil, refuse("change %q has %d words, expected three, for example slow K03 27 or down K04 6h; put a comma between changes", phrase, len(words))
		}
		c, err := parseChange(words[0], words[1], words[2], zone)
		if err != nil {
			return nil, refuse("change %q: %w", phrase, err)
		}
		if out = append(out, c); len(out) > mostChanges {
			return nil, refuse("more than %d changes; ask in parts", mostChanges)
		}
	}
	return out, nil
}

// parseMove reads what moves orders; these may have a fourth word.
func parseMove(words []string) (c Change, ok bool, err error) {
	if len(words) < 3 || len(words) > 4 || words[0] != verbMove && words[0] != verbSplit {
		return nil, false, nil
	}
	order, machine, more := words[1], strings.ToLower(words[2]), ""
	if len(words) == 4 {
		more = words[3]
	}
	if words[0] == verbMove {
		return MoveOrder{order, machine, more}, true, nil
	}
	kg := 0.0
	if more != "" {
		if kg, err = strconv.ParseFloat(more, 64); err == nil && kg < 0 {
			return nil, true, fmt.Errorf("%s kilos are not possible, expected above 0, for example 800", more)
		}
		if err != nil || !(kg > 0 && kg <= maxKg) {
			return nil, true, fmt.Errorf("%q are no kilos, expected for example 800", more)
		}
	}
	return SplitOrder{order, machine, kg}, true, nil
}

func parseChange(verb, a, b string, zone *time.Location) (Change, error) {
	machine := strings.ToLower(a)
	switch verb {
	case verbSlow:
		rpm, err := strconv.ParseFloat(b, 64)
		if err != nil {
			return nil, fmt.Errorf("%q is no speed, expected turns a minute, for example 27", b)
		}
		if !(rpm > 0) {
			return nil, fmt.Errorf("a speed of %g turns a minute is not possible, expected above 0 to %g; to let it stand say %s %s 6h", rpm, maxSpeed, verbDown, a)
		}
		return SlowMachine{machine, rpm}, nil
	case verbDown:
		d, err := parseSpan(b)
		return StopMachine{machine, d}, err
	case verbAdd:
		return AddMachine{Order: b, Machine: machine}, nil
	case verbOpen, verbClose:
		from, err := parseInstant(a, zone)
		if err != nil {
			return nil, err
		}
		to, err := parseInstant(b, zone)
		if verb == verbOpen {
			return OpenTime{from, to}, err
		}
		return CloseTime{from, to}, err
	}
	return nil, fmt.Errorf("%q is no change, expected %s, %s, %s, %s, %s, %s or %s", verb, verbSlow, verbDown, verbAdd, verbMove, verbSplit, verbOpen, verbClose)
}

// parseSpan reads a duration as people write it: 90m, 6h, 2d.
func parseSpan(text string) (time.Duration, error) {
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, err := strconv.ParseFloat(days, 64)
		if err == nil && n > 0 && n <= longestStop.Hours()/24 {
			return time.Duration(n * 24 * float64(time.Hour)), nil
		}
	} else if d, err := time.ParseDuration(text); err == nil && d > 0 {
		return d, nil
	}
	if strings.HasPrefix(text, "-") {
		return 0, fmt.Errorf("a time of %s is not possible, expected above 0, for example 90m, 6h or 2d", text)
	}
	return 0, fmt.Errorf("%q is no time, expected for example 90m, 6h or 2d", text)
}

func parseInstant(text string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time, expected for example 2026-11-28T06:00", text)
}

// Phrase is a change as [ParseChanges] reads it, with wall times in zone.
func Phrase(c Change, zone *time.Location) string {
	wall := func(t time.Time) string { return t.In(zone).Format("2006-01-02T15:04") }
	switch c := c.(type) {
	case SlowMachine:
		return fmt.Sprintf("%s %s %g", verbSlow, name(c.Machine), c.SpeedRPM)
	case StopMachine:
		return fmt.Sprintf("%s %s %s", verbDown, name(c.Machine), shortSpan(c.For))
	case AddMachine:
		return fmt.Sprintf("%s %s %s", verbAdd, name(c.Machine), c.Order)
	case MoveOrder:
		return strings.TrimSpace(fmt.Sprintf("%s %s %s %s", verbMove, c.Order, name(c.Machine), c.After))
	case SplitOrder:
		if c.Kg == 0 {
			return fmt.Sprintf("%s %s %s", verbSplit, c.Order, name(c.Machine))
		}
		return fmt.Sprintf("%s %s %s %g", verbSplit, c.Order, name(c.Machine), c.Kg)
	case OpenTime:
		return fmt.Sprintf("%s %s %s", verbOpen, wall(c.From), wall(c.To))
	case CloseTime:
		return fmt.Sprintf("%s %s %s", verbClose, wall(c.From), wall(c.To))
	}
	return ""
}

// Say is a change as one tells it, with wall times in zone.
func Say(c Change, zone *time.Location) string {
	wall := func(t time.Time) string { return t.In(zone).Format("Mon 2 Jan 15:04") }
	switch c := c.(type) {
	case SlowMachine:
		return fmt.Sprintf("%s turns at %g rpm", name(c.Machine), c.SpeedRPM)
	case StopMachine:
		return fmt.Sprintf("%s stands for %s of work", name(c.Machine), shortSpan(c.For))
	case AddMachine:
		return fmt.Sprintf("%s works on %s too", name(c.Machine), c.Order)
	case MoveOrder:
		if c.After != "" {
			return fmt.Sprintf("%s goes to %s behind %s", c.Order, name(c.Machine), c.After)
		}
		return fmt.Sprintf("%s goes to %s", c.Order, name(c.Machine))
	case SplitOrder:
		if c.Kg == 0 {
			return fmt.Sprintf("half of %s goes to %s", c.Order, name(c.Machine))
		}
		return fmt.Sprintf("%g kg of %s go to %s", c.Kg, c.Order, name(c.Machine))
	case OpenTime:
		return fmt.Sprintf("%s to %s is worked", wall(c.From), wall(c.To))
	case CloseTime:
		return fmt.Sprintf("%s to %s is not worked", wall(c.From), wall(c.To))
	}
	return ""
}

// shortSpan writes 6h0m0s as 6h and 90m0s as 1h30m.
func shortSpan(d time.Duration) string {
	s := strings.TrimSuffix(d.String(), "0s")
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	if s == "" {
		return "0s"
	}
	return s
}
