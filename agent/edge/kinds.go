package edge

import (
	"fmt"
	"iter"
	"strings"
	"time"

	"turnwise/agent/count"
	"turnwise/agent/source"
	"turnwise/agent/source/gpio"
	"turnwise/agent/source/modbus"
	"turnwise/agent/source/replay"
)

// Kinds of sources.
const (
	kindTCP    = "modbus-tcp"
	kindRTU    = "modbus-rtu"
	kindGPIO   = "gpio"
	kindReplay = "replay"
)

var sourceKinds = []string{kindTCP, kindRTU, kindGPIO, kindReplay}

// perRevolution is the number of counts in one revolution.
func (s Source) perRevolution() (uint32, error) {
	if s.Kind == kindGPIO {
		return uint32(max(s.Revolution.PulsesPerRevolution, 1)), nil
	}
	return count.PerRevolution(s.Revolution.Scale)
}

// opener makes sources. Machines on one serial line share it.
type opener struct{ lines modbus.Lines }

func (o *opener) open(s Source) (source.Source, error) {
	switch s.Kind {
	case kindGPIO:
		c, err := gpioConfig(s)
		if err != nil {
			return nil, err
		}
		return gpio.Open(c)
	case kindReplay:
		return replay.Open(replay.Config{File: s.File, Bits: counterBits(s)})
	}
	return o.lines.Open(modbusConfig(s))
}

// onLine is the number of machines at an address.
func (c Config) onLine(address string) (n int) {
	for _, m := range c.Machines {
		if m.Source.Address == address {
			n++
		}
	}
	return n
}

// OpenSource opens the source of one machine alone, for people who set it up.
// changed is told the changes of stop inputs with their instants on a clock
// that never goes back; exact tells whether the source does so, and does not
// only show them in its readings.
func OpenSource(s Source, changed func(stop int, at time.Duration, active bool)) (src source.Source, exact bool, err error) {
	if s.Kind != kindGPIO || changed == nil {
		src, err = new(opener).open(s)
		return src, false, err
	}
	c, err := gpioConfig(s)
	if err != nil {
		return nil, false, err
	}
	c.Trace = func(ch gpio.Change) { changed(ch.Stop, ch.At, ch.Active) }
	src, err = gpio.Open(c)
	return src, true, err
}

// PerRevolution is the number of counts in one revolution of the cylinder.
func (s Source) PerRevolution() (uint32, error) { return s.perRevolution() }

// recorded is a source whose readings have instants of their own.
type recorded interface {
	Past() iter.Seq[source.Reading]
}

// reader checks the part of a configuration that only its reader understands.
func (s Source) reader() error {
	switch s.Kind {
	case kindGPIO:
		c, err := gpioConfig(s)
		if err != nil {
			return err
		}
		return c.Validate()
	case kindReplay:
		if s.File == "" {
			return fmt.Errorf("%w: file: is empty, the file of a recording expected", replay.ErrRecording)
		}
		switch s.Revolution.Type {
		case "", "u16", "u32be", "u32le":
			return nil
		}
		return fmt.Errorf("%w: revolution: type: found %q, u16, u32be or u32le expected", replay.ErrRecording, s.Revolution.Type)
	}
	return modbusConfig(s).Validate()
}

// gpioConfig is the part of a source that the pulse counter needs.
func gpioConfig(s Source) (gpio.Config, error) {
	r := s.Revolution
	c := gpio.Config{
		PulsesPerRevolution: r.PulsesPerRevolution, MaxRPM: s.MaxSpeedRPM, Debounce: r.Debounce.Std(), Buffer: s.EventBuffer,
		Backward: s.direction() == "backward",
	}
	var err error
	if c.Revolution, err = gpio.ParseLine(r.Line); err != nil {
		return c, under("revolution: line", err)
	}
	c.Revolution.ActiveLow, c.Revolution.Bias = r.Edge == "falling", r.Bias
	if r.LineB != "" {
		b, err := gpio.ParseLine(r.LineB)
		if err != nil {
			return c, under("revolution: line_b", err)
		}
		b.ActiveLow, b.Bias = c.Revolution.ActiveLow, r.Bias
		c.Second = &b
	}
	for i, st := range s.Stops {
		l, err := gpio.ParseLine(st.Line)
		if err != nil {
			return c, under(fmt.Sprintf("stops[%d]: line", i), err)
		}
		l.ActiveLow, l.Bias = st.Active == "low", st.Bias
		c.Stops = append(c.Stops, l)
	}
	return c, nil
}

// under puts the key of a line before what is wrong with it.
func under(key string, err error) error {
	text := strings.TrimPrefix(err.Error(), gpio.ErrConfig.Error()+": ")
	return fmt.Errorf("%w: %s: %s", gpio.ErrConfig, key, text)
}

// direction is that of the cylinder, wherever it is written.
func (s Source) direction() string {
	if s.Direction != "" {
		return s.Direction
	}
	return s.Revolution.Direction
}

// belongs says which kinds a key is for.
type belongs struct {
	key   string
	set   bool
	kinds []string
}

// keys lists the keys of a source that not every kind has.
func (s Source) keys() []belongs {
	r := s.Revolution
	modbus, rtu, pulse, recording := []string{kindTCP, kindRTU}, []string{kindRTU}, []string{kindGPIO}, []string{kindReplay}
	numbers := []string{kindTCP, kindRTU, kindReplay}
	out := []belongs{
		{"address", s.Address != "", modbus}, {"unit", s.Unit != 0, modbus}, {"speed_rpm", s.SpeedRPM != nil, modbus},
		{"baud", s.Baud != 0, rtu}, {"parity", s.Parity != "", rtu}, {"stop_bits", s.StopBits != 0, rtu},
		{"event_buffer", s.EventBuffer != 0, pulse}, {"file", s.File != "", recording},
		{"revolution.function", r.Function != 0, modbus}, {"revolution.register", r.Register != 0, modbus},
		{"revolution.type", r.Type != "", numbers}, {"revolution.scale", r.Scale != 1, numbers},
		{"revolution.line", r.Line != "", pulse}, {"revolution.line_b", r.LineB != "", pulse}, {"revolution.edge", r.Edge != "", pulse},
		{"revolution.bias", r.Bias != "", pulse}, {"revolution.pulses_per_revolution", r.PulsesPerRevolution != 0, pulse},
		{"revolution.debounce", r.Debounce != 0, pulse},
	}
	for i, st := range s.Stops {
		key := fmt.Sprintf("stops[%d].", i)
		out = append(out, belongs{key + "function", st.Function != 0, modbus}, belongs{key + "input", st.Input != 0, modbus},
			belongs{key + "line", st.Line != "", pulse}, belongs{key + "active", st.Active != "", pulse}, belongs{key + "bias", st.Bias != "", pulse})
	}
	return out
}
