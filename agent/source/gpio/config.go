package gpio

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"time"
)

const (
	// DefaultDebounce outlasts the bouncing of relay contacts (a few
	// milliseconds, common practice, no source).
	DefaultDebounce = 5 * time.Millisecond
	// MaxBuffer is the most events that the kernel keeps: 16 for each of the
	// 64 lines that one request can have (linux/gpio.h).
	MaxBuffer = 1024
	// MaxStops bounds the stop inputs of one machine.
	MaxStops = 60
	// MaxPulses bounds the pulses in one revolution.
	MaxPulses = 10_000
)

// Line is one line of a chip.
type Line struct {
	Chip   string // name of the device in /dev: "gpiochip0"
	Offset int
	// ActiveLow says that the line is active when the voltage is low.
	ActiveLow bool
	// Bias is up, down or off for the pull resistor of the chip; empty leaves
	// it as it is.
	Bias string
}

func (l Line) String() string { return fmt.Sprintf("%s/%d", l.Chip, l.Offset) }

func (l Line) at() Line { return Line{Chip: l.Chip, Offset: l.Offset} }

var chipName = regexp.MustCompile(`^gpiochip[0-9]{1,4}$`)

// ParseLine reads "gpiochip0/17".
func ParseLine(s string) (Line, error) {
	for i := range s {
		if s[i] != '/' {
			continue
		}
		n, err := strconv.ParseUint(s[i+1:], 10, 16)
		if err == nil && chipName.MatchString(s[:i]) {
			return Line{Chip: s[:i], Offset: int(n)}, nil
		}
		break
	}
	return Line{}, fmt.Errorf("%w: found %q, CHIP/LINE expected, for example gpiochip0/17", ErrConfig, s)
}

// Validate joins every fault of the configuration.
func (c Config) Validate() error {
	var errs []error
	fault := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%w: "+format, append([]any{ErrConfig}, args...)...))
	}
	seen := map[Line]string{}
	line := func(key string, l Line) {
		if !chipName.MatchString(l.Chip) || l.Offset < 0 || l.Offset > 0xffff {
			fault("%s: line: found %q, CHIP/LINE expected, for example gpiochip0/17", key, l)
			return
		}
		switch l.Bias {
		case "", "up", "down", "off":
		default:
			fault("%s: bias: found %q, up, down or off expected", key, l.Bias)
		}
		if other := seen[l.at()]; other != "" {
			fault("%s: line %s is that of %s already", key, l, other)
		}
		seen[l.at()] = key
	}
	line("revolution", c.Revolution)
	if c.Second != nil {
		line("revolution: line_b", *c.Second)
		if c.Second.Chip != c.Revolution.Chip {
			fault("revolution: line_b: found %s beside %s; the two sensors must be on one chip, which alone keeps their order", c.Second, c.Revolution)
		}
	} else if c.Backward {
		fault("revolution: direction: found backward; one sensor cannot see a direction, add line_b")
	}
	for i, l := range c.Stops {
		line(fmt.Sprintf("stops[%d]", i), l)
	}
	if len(c.Stops) > MaxStops {
		fault("stops: %d inputs, at most %d expected", len(c.Stops), MaxStops)
	}
	if c.PulsesPerRevolution < 1 || c.PulsesPerRevolution > MaxPulses {
		fault("revolution: pulses_per_revolution: found %d, 1 to %d expected; prove it with `agent count`", c.PulsesPerRevolution, MaxPulses)
	}
	if !(c.MaxRPM > 0 && c.MaxRPM <= 1000) {
		fault("max_speed_rpm: found %v, more than 0 and at most 1000 expected", c.MaxRPM)
	}
	if c.Buffer < 0 || c.Buffer > MaxBuffer {
		fault("event_buffer: found %d, 1 to %d expected", c.Buffer, MaxBuffer)
	}
	if len(errs) == 0 {
		// A tooth and the gap after it must each outlast the debounce time,
		// also where they are cut unevenly.
		if most := minApart(c.MaxRPM, c.PulsesPerRevolution) / 2; c.Debounce < 0 || c.Debounce > most {
			fault("revolution: debounce: found %s; at %v rpm and %d pulses per revolution a tooth may pass in %s, at most half of that expected",
				c.Debounce, c.MaxRPM, c.PulsesPerRevolution, 2*most)
		} else if c.Debounce == 0 && c.Second == nil && DefaultDebounce > most {
			fault("revolution: debounce: is not set, and its default of %s is too long for %d pulses per revolution; set at most %s, or use line_b",
				DefaultDebounce, c.PulsesPerRevolution, most)
		}
	}
	return errors.Join(errs...)
}
