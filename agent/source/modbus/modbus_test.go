package modbus

import (
	"errors"
	"fmt"
	"io"
	"log"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mb "github.com/simonvetter/modbus"

	"turnwise/agent/source/sourcetest"
)

func TestConformance(t *testing.T) {
	for _, typ := range []string{"u16", "u32be", "u32le"} {
		t.Run(typ, func(t *testing.T) {
			t.Parallel()
			sourcetest.Run(t, func(t *testing.T) sourcetest.Bench {
				b := bench{newDevice(t), typ}
				b.Show(0)
				return b
			})
		})
	}
}

func TestErrorsSayWhatIsWrong(t *testing.T) {
	tests := []struct {
		fault sourcetest.Fault
		code  byte
		want  error
		words string
	}{
		{sourcetest.Refuses, 2, ErrException, "no such address"},
		{sourcetest.Refuses, 1, ErrException, "does not know function 3"},
		{sourcetest.Refuses, 6, ErrException, "busy"},
		{sourcetest.Silent, 0, ErrTimeout, "is unit 1 there"},
		{sourcetest.Drips, 0, ErrTimeout, "200ms"},
		{sourcetest.Other, 0, ErrUnit, "check `unit`"},
		{sourcetest.Short, 0, ErrFrame, "holding registers 40-42 of unit 1"},
		{sourcetest.HangsUp, 0, ErrFrame, "closed the connection"},
		{sourcetest.Garbage, 0, ErrFrame, "is a Modbus TCP device"},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.fault, tt.code), func(t *testing.T) {
			b := bench{newDevice(t), "u32be"}
			b.Show(7)
			b.set(func() { b.fault, b.exactErr = tt.fault, tt.code })
			s := b.Open(t)
			defer s.Close()
			_, err := s.Read(t.Context())
			if !errors.Is(err, tt.want) || !strings.Contains(fmt.Sprint(err), tt.words) {
				t.Errorf("got %v; want %v with %q", err, tt.want, tt.words)
			}
		})
	}
}

func TestUnreachable(t *testing.T) {
	line, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := line.Addr().String()
	line.Close()
	s, err := Open(Config{Address: addr, Revolution: Register{Function: 4, Type: "u16"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrUnreachable) || !strings.Contains(err.Error(), addr) {
		t.Errorf("got %v, want ErrUnreachable with the address", err)
	}
}

// TestFewRequests: both words of a counter come from one request, and what
// touches is asked for at once.
func TestFewRequests(t *testing.T) {
	tests := []struct {
		name  string
		rev   Register
		speed *Register
		stops []Input
		want  []block
	}{
		{"counter alone", Register{Function: 3, Register: 40, Type: "u32be"}, nil, nil, []block{{3, 40, 2}}},
		{"speed follows the counter", Register{Function: 3, Register: 40, Type: "u32be"}, &Register{Function: 3, Register: 42, Type: "u16"},
			[]Input{{2, 12}, {2, 8}, {2, 9}, {2, 10}, {2, 11}}, []block{{3, 40, 3}, {2, 8, 5}}},
		{"a hole is not read over", Register{Function: 3, Register: 40, Type: "u16"}, &Register{Function: 3, Register: 50, Type: "u16"},
			[]Input{{2, 8}, {2, 10}}, []block{{3, 40, 1}, {3, 50, 1}, {2, 8, 1}, {2, 10, 1}}},
		{"functions apart", Register{Function: 4, Register: 0, Type: "u16"}, &Register{Function: 3, Register: 1, Type: "u16"},
			[]Input{{1, 0}, {2, 1}, {1, 1}}, []block{{4, 0, 1}, {3, 1, 1}, {2, 1, 1}, {1, 0, 2}}},
		{"one input twice", Register{Function: 3, Register: 0, Type: "u16"}, nil, []Input{{2, 5}, {2, 5}}, []block{{3, 0, 1}, {2, 5, 1}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d := newDevice(t)
			for i := range 64 {
				d.words[i], d.bits[i] = uint16(i), i%2 == 1
			}
			s, err := Open(Config{Address: d.addr(), Unit: 1, Revolution: tt.rev, Speed: tt.speed, Stops: tt.stops})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			r, err := s.Read(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(d.asked, tt.want) || s.Requests() != len(tt.want) {
				t.Errorf("asked for %v, want %v", d.asked, tt.want)
			}
			for i, in := range tt.stops {
				if got, want := slices.Contains(r.Active, i), in.Input%2 == 1; got != want {
					t.Errorf("input %d is %v, want %v", in.Input, got, want)
				}
			}
			if tt.speed == nil && r.SpeedRPM >= 0 || tt.speed != nil && r.SpeedRPM != float64(tt.speed.Register) {
				t.Errorf("speed %v rpm", r.SpeedRPM)
			}
		})
	}
}

func TestMergeKeepsWithinOneRequest(t *testing.T) {
	var wanted []block
	for i := range 200 {
		wanted = append(wanted, block{3, 2 * i, 2})
	}
	got := merge(wanted)
	for _, b := range got {
		if b.n > maxRegisters || b.n%2 != 0 {
			t.Errorf("request %v: more than %d registers, or half a counter", b, maxRegisters)
		}
	}
	if len(got) != 4 {
		t.Errorf("%d requests for 400 registers, want 4 of at most 124", len(got))
	}
}

func TestValidate(t *testing.T) {
	good := Config{Address: "192.0.2.11:502", Unit: 1, Revolution: Register{Function: 3, Register: 40, Type: "u32be"}, Stops: []Input{{2, 8}}}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name  string
		spoil func(*Config)
		want  []error
		words string
	}{
		{"writing function", func(c *Config) { c.Revolution.Function = 16 }, []error{ErrConfig, ErrWrites}, "the agent only reads"},
		{"writing a coil", func(c *Config) { c.Stops[0].Function = 5 }, []error{ErrConfig, ErrWrites}, "stops[0]: function: found 5"},
		{"bits as registers", func(c *Config) { c.Revolution.Function = 2 }, []error{ErrConfig}, "does not read registers"},
		{"registers as bits", func(c *Config) { c.Stops[0].Function = 3 }, []error{ErrConfig}, "does not read inputs"},
		{"type", func(c *Config) { c.Revolution.Type = "float" }, []error{ErrConfig}, "u16, u32be or u32le"},
		{"second word beyond the end", func(c *Config) { c.Revolution.Register = 65535 }, []error{ErrConfig}, "0 to 65534"},
		{"address", func(c *Config) { c.Address = "192.0.2.11" }, []error{ErrConfig}, "HOST:PORT"},
		{"unit", func(c *Config) { c.Unit = 256 }, []error{ErrConfig}, "0 to 255"},
		{"input", func(c *Config) { c.Stops[0].Input = -1 }, []error{ErrConfig}, "0 to 65535"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := good
			c.Stops = slices.Clone(good.Stops)
			tt.spoil(&c)
			_, err := Open(c)
			for _, want := range tt.want {
				if !errors.Is(err, want) {
					t.Errorf("%v is no %v", err, want)
				}
			}
			if !strings.Contains(fmt.Sprint(err), tt.words) {
				t.Errorf("%v does not say %q", err, tt.words)
			}
		})
	}
}

// library serves with the server of the Modbus library, another reading of
// the protocol than our raw device.
type library struct {
	mu    sync.Mutex
	words [64]uint16
	bits  [64]bool
	t     *testing.T
}

func (l *library) HandleCoils(r *mb.CoilsRequest) ([]bool, error) {
	if r.IsWrite {
		l.t.Error("a coil was written")
	}
	return l.HandleDiscreteInputs(&mb.DiscreteInputsRequest{Addr: r.Addr, Quantity: r.Quantity})
}

func (l *library) HandleDiscreteInputs(r *mb.DiscreteInputsRequest) ([]bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if int(r.Addr)+int(r.Quantity) > len(l.bits) {
		return nil, mb.ErrIllegalDataAddress
	}
	return slices.Clone(l.bits[r.Addr:][:r.Quantity]), nil
}

func (l *library) HandleHoldingRegisters(r *mb.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		l.t.Error("a register was written")
	}
	return l.HandleInputRegisters(&mb.InputRegistersRequest{Addr: r.Addr, Quantity: r.Quantity})
}

func (l *library) HandleInputRegisters(r *mb.InputRegistersRequest) ([]uint16, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if int(r.Addr)+int(r.Quantity) > len(l.words) {
		return nil, mb.ErrIllegalDataAddress
	}
	return slices.Clone(l.words[r.Addr:][:r.Quantity]), nil
}

func TestAgainstLibraryServer(t *testing.T) {
	line, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := line.Addr().String()
	line.Close()
	l := &library{t: t}
	l.words[40], l.words[41], l.words[42] = 1, 2, 305
	l.bits[9] = true
	srv, err := mb.NewServer(&mb.ServerConfiguration{URL: "tcp://" + addr, Logger: log.New(io.Discard, "", 0)}, l)
	if err != nil {
		t.Fatal(err)
	}
	if err := srv.Start(); err != nil {
		t.Fatal(err)
	}
	defer srv.Stop()

	c := Config{Address: addr, Unit: 1, Revolution: Register{Function: 4, Register: 40, Type: "u32be"},
		Speed: &Register{Function: 3, Register: 42, Type: "u16", Scale: 0.1}, Stops: []Input{{1, 8}, {2, 9}}}
	s, err := Open(c)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	r, err := s.Read(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if r.Raw != 1<<16+2 || r.SpeedRPM < 30.4 || r.SpeedRPM > 30.6 || !slices.Equal(r.Active, []int{1}) {
		t.Errorf("read %+v", r)
	}

	c.Stops = append(c.Stops, Input{2, 63}, Input{2, 64})
	s2, err := Open(c)
	if err != nil {
		t.Fatal(err)
	}
	defer s2.Close()
	var bad []string
	for _, v := range s2.Each(t.Context()) {
		if v.Err != nil {
			bad = append(bad, v.Input)
		}
	}
	if !slices.Equal(bad, []string{"stops[3]"}) {
		t.Errorf("unreadable: %v, want stops[3] alone", bad)
	}
}

func TestProbe(t *testing.T) {
	d := newDevice(t)
	for i := range 60 {
		d.words[i] = uint16(1000 + i)
	}
	delete(d.words, 33)
	d.words[40], d.words[41] = 3, 100
	d.step = map[int]uint16{41: 3, 50: 1, 20: 30_000}
	got, err := Probe(t.Context(), ProbeOptions{Address: d.addr(), Unit: 1, From: 0, To: 59, Apart: time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Absent, []int{33}) {
		t.Errorf("absent: %v, want 33", got.Absent)
	}
	var counts []int
	pairs := map[int][]string{}
	for _, s := range got.Seen {
		if s.Counts {
			counts = append(counts, s.Address)
		}
		for _, p := range s.Pairs {
			pairs[s.Address] = append(pairs[s.Address], p.Type)
		}
	}
	if !slices.Equal(counts, []int{41, 50}) {
		t.Errorf("counting: %v, want 41 and 50; 20 moved by 30,000", counts)
	}
	want := map[int][]string{40: {"u32be"}, 41: {"u32le"}, 49: {"u32be"}, 50: {"u32le"}}
	for a := range 60 {
		if !slices.Equal(pairs[a], want[a]) {
			t.Errorf("pair at %d counts as %v, want %v", a, pairs[a], want[a])
		}
	}
}

func TestSweepFindsHoles(t *testing.T) {
	d := newDevice(t)
	for _, a := range []int{0, 1, 2, 5, 6, 90} {
		d.words[a] = uint16(a)
	}
	s, err := Open(Config{Address: d.addr(), Unit: 1, Revolution: Register{Function: 3, Type: "u16"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	got, err := s.sweep(t.Context(), ProbeOptions{Function: 3, From: 0, To: 99})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 6 || got[90] != 90 || got[5] != 5 {
		t.Errorf("sweep found %v, want the six registers that exist", got)
	}
}

// A gateway that does not reach the unit says nothing about addresses.
func TestProbeBehindAGateway(t *testing.T) {
	d := newDevice(t)
	d.set(func() { d.unit, d.fault, d.exactErr = 77, sourcetest.Refuses, 0x0b })
	_, err := Probe(t.Context(), ProbeOptions{Address: d.addr(), Unit: 77, From: 0, To: 99, Apart: time.Millisecond})
	if !errors.Is(err, ErrException) || !strings.Contains(err.Error(), "does not reach unit 77") {
		t.Errorf("got %v, want the gateway's refusal", err)
	}
	if len(d.asked) != 1 {
		t.Errorf("asked %d times, once is enough", len(d.asked))
	}
}

func TestProbeRefusesToWrite(t *testing.T) {
	if _, err := Probe(t.Context(), ProbeOptions{Address: "127.0.0.1:502", Function: 6, To: 9}); !errors.Is(err, ErrWrites) {
		t.Errorf("got %v, want ErrWrites", err)
	}
}

// TestHostileBytes: whatever comes back, a Read gives an error or a reading
// and the program goes on.
func TestHostileBytes(t *testing.T) {
	line, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(7, 7))
	var wg sync.WaitGroup
	defer wg.Wait()
	defer line.Close()
	wg.Go(func() {
		for {
			c, err := line.Accept()
			if err != nil {
				return
			}
			var q [12]byte
			if _, err := io.ReadFull(c, q[:]); err == nil {
				answer := make([]byte, rnd.IntN(300))
				for i := range answer {
					answer[i] = byte(rnd.Uint32())
				}
				// Most bytes of the head are made right, so that the rest is read.
				copy(answer, q[:rnd.IntN(9)])
				if len(answer) > 6 && rnd.IntN(2) == 0 {
					answer[4], answer[5] = 0, byte(rnd.IntN(255))
				}
				c.Write(answer)
			}
			c.Close()
		}
	})
	s, err := Open(Config{Address: line.Addr().String(), Unit: 1, Timeout: patience, Revolution: Register{Function: 3, Register: 40, Type: "u32be"}, Stops: []Input{{2, 8}}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	errs := 0
	for range 1000 {
		if _, err := s.Read(t.Context()); err != nil {
			errs++
		}
	}
	if errs != 1000 {
		t.Errorf("%d of 1000 random answers gave a reading", 1000-errs)
	}
}
