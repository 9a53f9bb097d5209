// Package modbus reads a machine over Modbus TCP, or Modbus RTU on a serial
// line. The one rule: it only reads;
// any function but 1 to 4 is refused before a connection is made. A value of
// two words comes from one request, and every answer that is not exactly what
// was asked for is an error, never a number. It does not judge counts.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"sync"
	"time"

	mb "github.com/simonvetter/modbus"

	"turnwise/agent/source"
)

// Sentinels inside the errors of this package.
var (
	ErrConfig      = errors.New("modbus configuration")
	ErrWrites      = errors.New("the agent only reads")
	ErrUnreachable = errors.New("no connection")
	ErrTimeout     = errors.New("no answer in time")
	ErrUnit        = errors.New("answer from another unit")
	ErrFrame       = errors.New("answer is not a Modbus answer to the question")
	ErrException   = errors.New("device refused the question")
	ErrClosed      = errors.New("source is closed")
)

// DefaultTimeout of one request.
const DefaultTimeout = time.Second

// Register is one number of the machine.
type Register struct {
	// Function is 3 (holding registers) or 4 (input registers).
	Function int
	// Register is the address as sent on the wire, from 0.
	Register int
	// Type is u16, u32be (high word first) or u32le (low word first).
	Type string
	// Scale turns the number into the quantity; zero means 1. It is not
	// applied to the counter, which stays in whole counts.
	Scale float64
}

// Input is one bit of the machine.
type Input struct {
	// Function is 1 (coils) or 2 (discrete inputs).
	Function int
	// Input is the address as sent on the wire, from 0.
	Input int
}

// Config says what to read where.
type Config struct {
	// Address is HOST:PORT, or the device of the serial line.
	Address string
	// Serial makes it Modbus RTU on a serial line; nil means Modbus TCP.
	Serial *Serial
	// Unit id, 0 to 255; 255 and 0 are usual for a device that is no gateway.
	// On a serial line 1 to 247.
	Unit int
	// Timeout of one request. Zero means DefaultTimeout.
	Timeout time.Duration
	// Revolution is the turn counter.
	Revolution Register
	// Speed is the machine's own speed in revolutions a minute; nil when it
	// has none.
	Speed *Register
	// Stops are the stop inputs, in the order of Reading.Active.
	Stops []Input
}

// Source reads one machine. At most one Read is in progress at a time.
type Source struct {
	conf   Config
	blocks []block
	rev    place
	speed  place
	stops  []place

	// line is shared by the machines on one serial line; nil for TCP.
	line *Line

	// turn holds one token; whoever has it owns client. The library has no
	// context, and its Close waits for the request in progress, so a Read that
	// is given up leaves the token to its goroutine, which ends with the
	// request time-out.
	turn   chan struct{}
	client client
	done   chan struct{}
	once   sync.Once
}

// client asks one unit. Every answer is what was asked for, or an error.
type client interface {
	ask(context.Context, block) (answer, error)
	Close() error
}

var _ source.Source = (*Source)(nil)

// Open checks the configuration and plans the requests. It does not connect.
// A serial line is its own then; see [Line.Open] for several machines on one.
func Open(c Config) (*Source, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if c.Serial != nil {
		return NewLine(c.Address, *c.Serial).Open(c)
	}
	return open(c, nil)
}

func open(c Config, line *Line) (*Source, error) {
	if c.Timeout == 0 {
		c.Timeout = DefaultTimeout
	}
	s := &Source{conf: c, line: line, turn: make(chan struct{}, 1), done: make(chan struct{})}
	s.plan()
	s.turn <- struct{}{}
	return s, nil
}

// Counter is 16 or 32.
func (s *Source) Counter() uint { return uint(16 * words(s.conf.Revolution.Type)) }

// Requests is the number of requests that one Read makes.
func (s *Source) Requests() int { return len(s.blocks) }

// Read takes one reading: all requests must succeed. It returns at the latest
// after one time-out for the connection and one for each request. An exception
// leaves the connection open; after any other error the next Read makes a new
// one.
func (s *Source) Read(ctx context.Context) (source.Reading, error) {
	answers := make([]answer, len(s.blocks))
	err := s.with(ctx, len(s.blocks), func(ctx context.Context, client client) error {
		for i, b := range s.blocks {
			var err error
			if answers[i], err = client.ask(ctx, b); err != nil {
				return explain(s.conf, b, err)
			}
		}
		return nil
	})
	if err != nil {
		return source.Reading{}, err
	}
	r := source.Reading{Raw: number(answers, s.rev), SpeedRPM: -1}
	if s.conf.Speed != nil {
		r.SpeedRPM = float64(number(answers, s.speed)) * scaleOf(*s.conf.Speed)
	}
	for i, p := range s.stops {
		if answers[p.block].bits[p.offset] {
			r.Active = append(r.Active, i)
		}
	}
	return r, nil
}

// Close frees the line. A Read in progress ends by itself.
func (s *Source) Close() error {
	s.once.Do(func() {
		close(s.done)
		if s.line != nil {
			s.line.leave()
		}
	})
	select {
	case <-s.turn:
		s.drop()
		s.turn <- struct{}{}
	default: // the goroutine of the Read in progress closes
	}
	return nil
}

// with runs f on a connection, for at most one time-out to connect and one
// for each request. f and what it writes are abandoned when with returns
// early; it must then not be looked at.
func (s *Source) with(ctx context.Context, requests int, f func(context.Context, client) error) error {
	caller := ctx
	ctx, cancel := context.WithTimeoutCause(ctx, s.patience(requests), ErrTimeout)
	defer cancel()
	select {
	case <-s.done:
		return fmt.Errorf("modbus: %s: %w", s.conf.Address, ErrClosed)
	case <-ctx.Done():
		return fmt.Errorf("modbus: %s: the request before is still waiting: %w", s.conf.Address, context.Cause(ctx))
	case <-s.turn:
	}
	result := make(chan error, 1)
	go func() {
		err := s.attempt(ctx, f)
		s.turn <- struct{}{}
		select {
		case <-s.done:
			_ = s.Close() // closed meanwhile
		default:
		}
		result <- err
	}()
	select {
	case err := <-result:
		if err == nil || caller.Err() == nil {
			return err
		} // else it may be no more than the end of the wait
	case <-ctx.Done():
	}
	return fmt.Errorf("modbus: %s: given up while waiting: %w", s.conf.Address, context.Cause(ctx))
}

// patience is the longest time that a number of requests may take. On a
// serial line every machine may have to wait for all the others.
func (s *Source) patience(requests int) time.Duration {
	d := s.conf.Timeout * time.Duration(requests+1)
	if s.line != nil {
		d = s.line.patience(d, requests)
	}
	return d
}

// attempt connects where needed and runs f. The caller has the token.
func (s *Source) attempt(ctx context.Context, f func(context.Context, client) error) error {
	if s.client == nil {
		client, err := s.dial()
		if err != nil {
			return err
		}
		s.client = client
	}
	err := f(ctx, s.client)
	if err != nil && !errors.Is(err, ErrException) {
		s.drop() // what comes next on this connection may belong to any question
	}
	return err
}

func (s *Source) drop() {
	if s.client != nil {
		_ = s.client.Close() // a connection that is given up has nothing to say
		s.client = nil
	}
}

func (s *Source) dial() (client, error) {
	c := s.conf
	if s.line != nil {
		return unit{s.line, uint8(c.Unit), c.Timeout}, nil
	}
	client, err := mb.NewClient(&mb.ClientConfiguration{
		URL: "tcp://" + c.Address, Timeout: c.Timeout,
		Logger: log.New(io.Discard, "", 0), // the library would write to stdout
	})
	if err == nil {
		err = client.SetUnitId(uint8(c.Unit))
	}
	if err != nil {
		return nil, fmt.Errorf("modbus: %s: %w: %w", c.Address, ErrConfig, err)
	}
	if err := client.Open(); err != nil {
		return nil, fmt.Errorf("modbus: connect to %s: %w: %w; is the machine on, the address right and the port open", c.Address, ErrUnreachable, err)
	}
	return network{client}, nil
}

// explain says what was asked, of whom, and what is wrong.
func explain(c Config, b block, err error) error {
	say := func(kind error, hint string) error {
		if kind == err {
			return fmt.Errorf("modbus: read %s of unit %d at %s: %w", b, c.Unit, c.Address, err)
		}
		return fmt.Errorf("modbus: read %s of unit %d at %s: %w: %w%s", b, c.Unit, c.Address, kind, err, hint)
	}
	var netErr net.Error
	switch {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded), errors.Is(err, ErrTimeout):
		return say(err, "")
	case errors.Is(err, mb.ErrRequestTimedOut), errors.As(err, &netErr) && netErr.Timeout():
		return say(ErrTimeout, fmt.Sprintf(" after %s; is unit %d there", c.Timeout, c.Unit))
	case errors.Is(err, mb.ErrBadUnitId):
		return say(ErrUnit, "; check `unit` and the gateway")
	case errors.Is(err, mb.ErrIllegalDataAddress):
		return say(ErrException, "; the device has no such address (some manuals count from 1, the wire from 0)")
	case errors.Is(err, mb.ErrIllegalFunction):
		return say(ErrException, fmt.Sprintf("; the device does not know function %d", b.function))
	case errors.Is(err, mb.ErrGWPathUnavailable), errors.Is(err, mb.ErrGWTargetFailedToRespond):
		return say(ErrException, fmt.Sprintf("; the gateway does not reach unit %d", c.Unit))
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return say(ErrFrame, "; the device closed the connection before the answer was whole")
	case errors.Is(err, errPort):
		return say(ErrUnreachable, "; is the adapter plugged in, and may this user open the device")
	case errors.Is(err, mb.ErrBadCRC), c.Serial != nil && errors.Is(err, mb.ErrProtocolError):
		return say(ErrFrame, "; check baud, parity and stop_bits, the two wires, and that no two devices have one unit number")
	case errors.Is(err, mb.ErrProtocolError), errors.Is(err, mb.ErrShortFrame), errors.Is(err, mb.ErrUnknownProtocolId):
		return say(ErrFrame, "; is a Modbus TCP device at this address")
	case isException(err):
		return say(ErrException, "")
	case errors.As(err, &netErr):
		return say(ErrUnreachable, "")
	}
	return say(ErrFrame, "")
}

func isException(err error) bool {
	for _, e := range []error{mb.ErrIllegalDataValue, mb.ErrServerDeviceFailure, mb.ErrAcknowledge, mb.ErrServerDeviceBusy,
		mb.ErrMemoryParityError, mb.ErrGWPathUnavailable, mb.ErrGWTargetFailedToRespond} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}
