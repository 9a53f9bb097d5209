package modbus

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"

	mb "github.com/simonvetter/modbus"
)

// Most values that one request can ask for, Modbus Application Protocol
// V1.1b3, 6.1 to 6.4.
const (
	maxRegisters = 125
	maxBits      = 2000
)

// MaxStops bounds the stop inputs of one machine.
const MaxStops = 64

// Validate joins every fault of the configuration.
func (c Config) Validate() error {
	var errs []error
	fault := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%w: "+format, append([]any{ErrConfig}, args...)...))
	}
	host, port, err := net.SplitHostPort(c.Address)
	switch {
	case c.Serial != nil:
		errs = append(errs, c.Serial.validate())
		if c.Address == "" {
			fault("address: is empty, the device of the serial line expected, for example /dev/ttyUSB0")
		}
		// Modbus over Serial Line V1.02, 2.2: 0 is for all, 248 to 255 are reserved.
		if c.Unit < 1 || c.Unit > 247 {
			fault("unit: found %d, 1 to 247 expected on a serial line", c.Unit)
		}
	case err != nil || host == "" || !validPort(port):
		fault("address: found %q, HOST:PORT expected, for example 192.0.2.11:502", c.Address)
	}
	if c.Unit < 0 || c.Unit > 255 {
		fault("unit: found %d, 0 to 255 expected", c.Unit)
	}
	if c.Timeout < 0 {
		fault("timeout: found %s, a positive time expected", c.Timeout)
	}
	errs = append(errs, c.Revolution.validate("revolution"))
	if c.Speed != nil {
		errs = append(errs, c.Speed.validate("speed_rpm"))
		if c.Speed.Scale < 0 {
			fault("speed_rpm: scale: found %v, a positive number expected", c.Speed.Scale)
		}
	}
	if len(c.Stops) > MaxStops {
		fault("stops: %d inputs, at most %d expected", len(c.Stops), MaxStops)
	}
	for i, s := range c.Stops {
		errs = append(errs, s.validate(fmt.Sprintf("stops[%d]", i)))
	}
	return errors.Join(errs...)
}

func (r Register) validate(key string) error {
	if err := function(key, r.Function, 3, 4, "registers"); err != nil {
		return err
	}
	n := words(r.Type)
	if n == 0 {
		return fmt.Errorf("%w: %s: type: found %q, u16, u32be or u32le expected", ErrConfig, key, r.Type)
	}
	if r.Register < 0 || r.Register+n-1 > 0xffff {
		return fmt.Errorf("%w: %s: register: found %d, 0 to %d expected", ErrConfig, key, r.Register, 0x10000-n)
	}
	return nil
}

func (i Input) validate(key string) error {
	if err := function(key, i.Function, 1, 2, "inputs"); err != nil {
		return err
	}
	if i.Input < 0 || i.Input > 0xffff {
		return fmt.Errorf("%w: %s: input: found %d, 0 to 65535 expected", ErrConfig, key, i.Input)
	}
	return nil
}

func function(key string, got, a, b int, what string) error {
	if got == a || got == b {
		return nil
	}
	if got < 1 || got > 4 {
		return fmt.Errorf("%w: %s: function: found %d: %w: %d or %d expected", ErrConfig, key, got, ErrWrites, a, b)
	}
	return fmt.Errorf("%w: %s: function: found %d, which does not read %s; %d or %d expected", ErrConfig, key, got, what, a, b)
}

func validPort(s string) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return err == nil && n > 0
}

// words of a type, 0 for an unknown one.
func words(typ string) int {
	switch typ {
	case "u16":
		return 1
	case "u32be", "u32le":
		return 2
	}
	return 0
}

func scaleOf(r Register) float64 {
	if r.Scale == 0 {
		return 1
	}
	return r.Scale
}

// block is one request.
type block struct{ function, from, n int }

func (b block) String() string {
	name := map[int]string{1: "coils", 2: "discrete inputs", 3: "holding registers", 4: "input registers"}[b.function]
	if b.n == 1 {
		return fmt.Sprintf("%s %d", name, b.from)
	}
	return fmt.Sprintf("%s %d-%d", name, b.from, b.from+b.n-1)
}

func (b block) most() int {
	if b.function <= 2 {
		return maxBits
	}
	return maxRegisters
}

// place is where a value stands in the answers.
type place struct {
	block, offset int
	typ           string
}

// plan merges what touches into one request. Holes are not read over: an
// address that the device does not have would spoil the whole answer.
func (s *Source) plan() {
	wanted := []block{s.conf.Revolution.block()}
	if s.conf.Speed != nil {
		wanted = append(wanted, s.conf.Speed.block())
	}
	for _, i := range s.conf.Stops {
		wanted = append(wanted, i.block())
	}
	// Registers first: the inputs are then never older than the count.
	s.blocks = merge(wanted)
	s.rev = s.place(s.conf.Revolution.block(), s.conf.Revolution.Type)
	if s.conf.Speed != nil {
		s.speed = s.place(s.conf.Speed.block(), s.conf.Speed.Type)
	}
	for _, i := range s.conf.Stops {
		s.stops = append(s.stops, s.place(i.block(), ""))
	}
}

func (r Register) block() block { return block{r.Function, r.Register, words(r.Type)} }
func (i Input) block() block    { return block{i.Function, i.Input, 1} }

func merge(wanted []block) []block {
	wanted = slices.Clone(wanted)
	slices.SortFunc(wanted, func(a, b block) int {
		return cmp.Or(cmp.Compare(b.function, a.function), cmp.Compare(a.from, b.from), cmp.Compare(a.n, b.n))
	})
	var out []block
	for _, w := range wanted {
		if len(out) > 0 {
			last := &out[len(out)-1]
			end := max(last.from+last.n, w.from+w.n)
			if last.function == w.function && w.from <= last.from+last.n && end-last.from <= last.most() {
				last.n = end - last.from
				continue
			}
		}
		out = append(out, w)
	}
	return out
}

func (s *Source) place(w block, typ string) place {
	for i, b := range s.blocks {
		if b.function == w.function && b.from <= w.from && w.from+w.n <= b.from+b.n {
			return place{i, w.from - b.from, typ}
		}
	}
	panic("modbus: a value is in no request: merge is wrong")
}

// answer holds what one request gave.
type answer struct {
	words []uint16
	bits  []bool
}

// network asks a unit over TCP.
type network struct{ *mb.ModbusClient }

func (client network) ask(_ context.Context, b block) (a answer, err error) {
	from, n := uint16(b.from), uint16(b.n)
	switch b.function {
	case 1:
		a.bits, err = client.ReadCoils(from, n)
	case 2:
		a.bits, err = client.ReadDiscreteInputs(from, n)
	case 3:
		a.words, err = client.ReadRegisters(from, n, mb.HOLDING_REGISTER)
	case 4:
		a.words, err = client.ReadRegisters(from, n, mb.INPUT_REGISTER)
	default:
		return a, fmt.Errorf("function %d: %w", b.function, ErrWrites)
	}
	if err == nil && len(a.bits)+len(a.words) < b.n {
		err = fmt.Errorf("%d values for %d: %w", len(a.bits)+len(a.words), b.n, mb.ErrProtocolError)
	}
	return a, err
}

func number(answers []answer, p place) uint64 {
	w := answers[p.block].words[p.offset:]
	switch p.typ {
	case "u32be":
		return uint64(w[0])<<16 | uint64(w[1])
	case "u32le":
		return uint64(w[1])<<16 | uint64(w[0])
	}
	return uint64(w[0])
}
