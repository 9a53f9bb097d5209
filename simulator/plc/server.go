// Package plc answers for simulated machines on Modbus TCP, each on a port of
// its own, as the controller of a real machine would: revolution counter,
// speed and stop inputs can be read, nothing can be written. Frames are made
// here and not with a library, so that a reader's mistake is not answered
// with the same mistake. It does not know what the registers mean for a mill.
package plc

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"turnwise/simulator/machine"
)

// Register map of every machine.
const (
	CounterRegister = 40 // one or two holding registers
	SpeedRegister   = 42 // turns a minute, scale 0.1
	FirstInput      = 8  // discrete inputs
	registers       = 64
	inputs          = 64
)

// Limits of the protocol and of a machine's small controller.
const (
	maxRegisters   = 125
	maxBits        = 2000
	maxConnections = 8
	idleTimeout    = 2 * time.Minute
)

// Look is one instant of a machine.
type Look struct {
	Turns  int64
	RPM    float64
	Inputs []int // that are on, from 0; shown from FirstInput on
}

// Fault is something that goes wrong between a machine and its reader.
type Fault uint8

// Faults.
const (
	None        Fault = iota
	Exception         // answers "device failure" (code 4)
	Silence           // takes the request and never answers
	WrongUnit         // answers in the name of another unit
	Short             // answers with a frame cut in the middle of its data
	CounterBack       // shows the counter 1,000 turns lower
	SwapWords         // shows the two counter words in the other order
	Hangup            // closes the connection at every request
	Noise             // answers with bytes that are no frame
)

// Options of a Server. Look is needed, the zero value of the rest works.
type Options struct {
	Unit     byte             // 0 means 1
	Register machine.Register // "" means u32be
	Look     func() Look
}

// Server is the controller of one machine.
type Server struct {
	o     Options
	ln    net.Listener
	fault atomic.Uint32
	asked atomic.Int64

	mu    sync.Mutex
	conns map[net.Conn]bool
}

// Listen opens the port of one machine; port 0 takes a free one.
func Listen(address string, o Options) (*Server, error) {
	if o.Unit == 0 {
		o.Unit = 1
	}
	if o.Register == "" {
		o.Register = machine.U32BE
	}
	ln, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("plc: listen for Modbus on %s: %w", address, err)
	}
	return &Server{o: o, ln: ln, conns: map[net.Conn]bool{}}, nil
}

// Addr is HOST:PORT.
func (s *Server) Addr() string { return s.ln.Addr().String() }

// SetFault breaks the machine's answers from now on; None repairs them.
func (s *Server) SetFault(f Fault) { s.fault.Store(uint32(f)) }

// Requests is how many requests were taken so far.
func (s *Server) Requests() int64 { return s.asked.Load() }

// Run answers until ctx ends, then closes every connection and returns nil.
func (s *Server) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	stop := context.AfterFunc(ctx, func() {
		s.ln.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		for c := range s.conns {
			c.Close()
		}
	})
	defer stop()
	for {
		c, err := s.ln.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("plc: accept on %s: %w", s.Addr(), err)
		}
		if !s.admit(ctx, c) {
			c.Close()
			continue
		}
		wg.Go(func() {
			defer s.leave(c)
			s.serve(ctx, c)
		})
	}
}

// Close frees the port of a server that was never run.
func (s *Server) Close() error { return s.ln.Close() }

func (s *Server) admit(ctx context.Context, c net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if ctx.Err() != nil || len(s.conns) >= maxConnections {
		return false
	}
	s.conns[c] = true
	return true
}

func (s *Server) leave(c net.Conn) {
	s.mu.Lock()
	delete(s.conns, c)
	s.mu.Unlock()
	c.Close()
}

// serve answers one connection until it fails; the other side sees why.
func (s *Server) serve(ctx context.Context, c net.Conn) {
	const header = 7 // transaction, protocol, length, unit
	var buf [260]byte
	for {
		if err := c.SetDeadline(time.Now().Add(idleTimeout)); err != nil {
			return
		}
		if _, err := io.ReadFull(c, buf[:header]); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(buf[4:]))
		if binary.BigEndian.Uint16(buf[2:]) != 0 || n < 2 || n > 254 {
			return // not Modbus: the next frame cannot be found either
		}
		pdu := buf[header : header+n-1]
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		s.asked.Add(1)
		fault := Fault(s.fault.Load())
		switch fault {
		case Silence:
			continue
		case Hangup:
			return
		case Noise:
			if _, err := c.Write(noise); err != nil {
				return
			}
			continue
		}
		if _, err := c.Write(s.answer(buf[:header], pdu, fault)); err != nil {
			return
		}
	}
}

// noise is what a line full of sparks brings: no length in it can be true.
var noise = []byte{0x55, 0xaa, 0xff, 0xff, 0xff, 0xff, 0x00, 0x55, 0xaa, 0x00, 0xff, 0x13, 0x80}

// answer is the whole frame that a request gets.
func (s *Server) answer(header, pdu []byte, fault Fault) []byte {
	data, err := s.read(header[6], pdu, fault)
	if e, ok := errors.AsType[exception](err); ok {
		data = []byte{pdu[0] | 0x80, byte(e)}
	}
	unit := header[6]
	if fault == WrongUnit {
		unit++
	}
	out := binary.BigEndian.AppendUint16(nil, binary.BigEndian.Uint16(header))
	out = append(out, 0, 0)
	if fault == Short && len(data) > 3 {
		data = data[:len(data)-2]
	}
	out = binary.BigEndian.AppendUint16(out, uint16(len(data)+1))
	return append(append(out, unit), data...)
}

// exception is a Modbus exception code.
type exception byte

func (e exception) Error() string { return fmt.Sprintf("modbus exception %d", byte(e)) }

// Exception codes of the Modbus application protocol, section 7.
const (
	illegalFunction exception = 1
	illegalAddress  exception = 2
	illegalValue    exception = 3
	deviceFailure   exception = 4
	targetMissing   exception = 11
)

// read makes the data of the answer to one request.
func (s *Server) read(unit byte, pdu []byte, fault Fault) ([]byte, error) {
	const readCoils, readInputs, readHolding, readInputRegisters = 1, 2, 3, 4
	f := pdu[0]
	switch {
	case unit != s.o.Unit:
		return nil, targetMissing
	case fault == Exception:
		return nil, deviceFailure
	case f < readCoils || f > readInputRegisters:
		return nil, illegalFunction // nothing can be written
	case len(pdu) != 5:
		return nil, illegalValue
	}
	from, n := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	look := s.o.Look()
	if f <= readInputs {
		if n < 1 || n > maxBits {
			return nil, illegalValue
		}
		if from+n > inputs {
			return nil, illegalAddress
		}
		out := append([]byte{f, byte((n + 7) / 8)}, make([]byte, (n+7)/8)...)
		for _, i := range look.Inputs {
			if b := i + FirstInput - from; b >= 0 && b < n {
				out[2+b/8] |= 1 << (b % 8)
			}
		}
		return out, nil
	}
	if n < 1 || n > maxRegisters {
		return nil, illegalValue
	}
	if from+n > registers {
		return nil, illegalAddress
	}
	words := s.words(look, fault)
	out := []byte{f, byte(2 * n)}
	for _, w := range words[from : from+n] {
		out = binary.BigEndian.AppendUint16(out, w)
	}
	return out, nil
}

// words are all holding registers at one instant.
func (s *Server) words(look Look, fault Fault) [registers]uint16 {
	var w [registers]uint16
	if fault == CounterBack {
		look.Turns = max(0, look.Turns-1000)
	}
	counter := s.o.Register.Words(look.Turns)
	if fault == SwapWords && len(counter) == 2 {
		counter[0], counter[1] = counter[1], counter[0]
	}
	copy(w[CounterRegister:], counter)
	w[SpeedRegister] = uint16(look.RPM*10 + 0.5)
	return w
}
