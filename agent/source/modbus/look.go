package modbus

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	mb "github.com/simonvetter/modbus"
)

// Value is one input, read by itself.
type Value struct {
	Input string // "revolution", "speed_rpm", "stops[0]"
	Kind  string // what was asked, for example "holding registers 40-41 u32be"
	Value string
	Err   error
}

// Each reads every input by a request of its own, so that it can be told
// which of them the device does not have.
func (s *Source) Each(ctx context.Context) []Value {
	out := []Value{s.one(ctx, "revolution", s.conf.Revolution)}
	if s.conf.Speed != nil {
		out = append(out, s.one(ctx, "speed_rpm", *s.conf.Speed))
	}
	for i, in := range s.conf.Stops {
		b := in.block()
		v := Value{Input: fmt.Sprintf("stops[%d]", i), Kind: b.String()}
		var a answer
		if a, v.Err = s.single(ctx, b); v.Err == nil {
			v.Value = onOff(a.bits[0])
		}
		out = append(out, v)
	}
	return out
}

func (s *Source) one(ctx context.Context, input string, r Register) Value {
	b := r.block()
	v := Value{Input: input, Kind: b.String() + " " + r.Type}
	a, err := s.single(ctx, b)
	if err != nil {
		v.Err = err
		return v
	}
	n := number([]answer{a}, place{typ: r.Type})
	v.Value = strconv.FormatUint(n, 10)
	if input != "revolution" {
		v.Value = strconv.FormatFloat(float64(n)*scaleOf(r), 'g', 6, 64)
	}
	return v
}

func (s *Source) single(ctx context.Context, b block) (answer, error) {
	var a answer
	err := s.with(ctx, 1, func(ctx context.Context, client client) error {
		var err error
		if a, err = client.ask(ctx, b); err != nil {
			return explain(s.conf, b, err)
		}
		return nil
	})
	if err != nil {
		return answer{}, err
	}
	return a, nil
}

func onOff(b bool) string {
	if b {
		return "on"
	}
	return "off"
}

// ProbeOptions says what to look at. It is read only, like all of this package.
type ProbeOptions struct {
	Address  string
	Unit     int
	Function int // 1 to 4; zero means 3
	From, To int // first and last address
	// Apart is the time between the two looks. Zero means 2 s.
	Apart   time.Duration
	Timeout time.Duration // of one request; zero means DefaultTimeout
}

// Seen is one address at the two looks.
type Seen struct {
	Address       int    `json:"address"`
	First, Second uint16 `json:"-"`
	Values        [2]int `json:"values"`
	// Moved is how far the value went forward, modulo its width.
	Moved int `json:"moved"`
	// Counts tells that it moved as a turn counter may.
	Counts bool `json:"counts"`
	// Pairs lists the 32-bit readings that moved as a turn counter may.
	Pairs []Pair `json:"pairs,omitempty"`
}

// Pair is a 32-bit reading of two registers.
type Pair struct {
	Register int    `json:"register"` // the first of the two
	Type     string `json:"type"`
	Value    uint64 `json:"value"`
	Moved    uint64 `json:"moved"`
}

// ProbeResult is what two looks showed.
type ProbeResult struct {
	Seen []Seen `json:"seen"`
	// Absent lists the addresses that the device refused.
	Absent []int         `json:"absent,omitempty"`
	Apart  time.Duration `json:"apart_ns"`
}

// maxProbe bounds the addresses of one probe.
const maxProbe = 10_000

// mostCounts in the time of a probe: a 1,000-count encoder at 60 rpm for 4 s.
const mostCounts = 4_000

// Probe looks twice at a range of addresses and tells which of them count.
func Probe(ctx context.Context, o ProbeOptions) (ProbeResult, error) {
	if o.Function == 0 {
		o.Function = 3
	}
	if o.Apart == 0 {
		o.Apart = 2 * time.Second
	}
	if o.Function < 1 || o.Function > 4 {
		return ProbeResult{}, fmt.Errorf("%w: function %d: %w: 1 to 4 expected", ErrConfig, o.Function, ErrWrites)
	}
	if o.From < 0 || o.To < o.From || o.To > 0xffff || o.To-o.From >= maxProbe {
		return ProbeResult{}, fmt.Errorf("%w: addresses %d-%d: a range of at most %d within 0-65535 expected, for example 0-99", ErrConfig, o.From, o.To, maxProbe)
	}
	s, err := Open(Config{Address: o.Address, Unit: o.Unit, Timeout: o.Timeout, Revolution: Register{Function: 3, Type: "u16"}})
	if err != nil {
		return ProbeResult{}, err
	}
	defer s.Close()
	first, err := s.sweep(ctx, o)
	if err != nil {
		return ProbeResult{}, err
	}
	began := time.Now()
	select {
	case <-ctx.Done():
		return ProbeResult{}, ctx.Err()
	case <-time.After(o.Apart):
	}
	second, err := s.sweep(ctx, o)
	if err != nil {
		return ProbeResult{}, err
	}
	out := compare(o, first, second)
	out.Apart = time.Since(began)
	return out, nil
}

// sweep reads the range in few requests; where the device refuses one it is
// halved, so that holes cost time but hide nothing.
func (s *Source) sweep(ctx context.Context, o ProbeOptions) (map[int]uint16, error) {
	out := map[int]uint16{}
	var read func(b block) error
	read = func(b block) error {
		a, err := s.single(ctx, b)
		switch {
		case err == nil:
			for i, w := range a.words {
				out[b.from+i] = w
			}
			for i, on := range a.bits {
				out[b.from+i] = map[bool]uint16{true: 1}[on]
			}
			return nil
		case !errors.Is(err, ErrException):
			return err
		case errors.Is(err, mb.ErrIllegalFunction), errors.Is(err, mb.ErrGWPathUnavailable), errors.Is(err, mb.ErrGWTargetFailedToRespond):
			return err // says nothing about addresses
		case b.n == 1:
			return nil
		}
		half := b.n / 2
		if err := read(block{b.function, b.from, half}); err != nil {
			return err
		}
		return read(block{b.function, b.from + half, b.n - half})
	}
	step := min(block{function: o.Function}.most(), 100)
	for from := o.From; from <= o.To; from += step {
		if err := read(block{o.Function, from, min(step, o.To-from+1)}); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func compare(o ProbeOptions, first, second map[int]uint16) ProbeResult {
	var r ProbeResult
	for a := o.From; a <= o.To; a++ {
		v, ok := first[a]
		w, ok2 := second[a]
		if !ok || !ok2 {
			r.Absent = append(r.Absent, a)
			continue
		}
		s := Seen{Address: a, First: v, Second: w, Values: [2]int{int(v), int(w)}, Moved: int(w - v)}
		if o.Function >= 3 {
			s.Counts = s.Moved > 0 && s.Moved <= mostCounts
			s.Pairs = pairs(a, first, second)
		}
		r.Seen = append(r.Seen, s)
	}
	return r
}

// pairs reads the registers a and a+1 both ways round.
func pairs(a int, first, second map[int]uint16) []Pair {
	v1, ok1 := first[a+1]
	w1, ok2 := second[a+1]
	v0, w0 := first[a], second[a]
	if !ok1 || !ok2 || v0 == w0 && v1 == w1 {
		return nil
	}
	var out []Pair
	for _, p := range []struct {
		typ            string
		vh, vl, wh, wl uint16
	}{{"u32be", v0, v1, w0, w1}, {"u32le", v1, v0, w1, w0}} {
		v, w := uint32(p.vh)<<16|uint32(p.vl), uint32(p.wh)<<16|uint32(p.wl)
		if moved := w - v; moved > 0 && moved <= mostCounts {
			out = append(out, Pair{a, p.typ, uint64(w), uint64(moved)})
		}
	}
	return out
}
