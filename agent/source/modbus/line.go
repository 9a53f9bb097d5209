package modbus

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	mb "github.com/simonvetter/modbus"
	"go.bug.st/serial"
)

// Serial says how the characters of a line look. The zero value is the
// default of Modbus over Serial Line V1.02, 2.5.1: 19200 baud, even parity,
// one stop bit.
type Serial struct {
	// Baud is the bits a second; zero means 19200.
	Baud int
	// Parity is even, odd or none; empty means even.
	Parity string
	// StopBits is 1 or 2; zero means 1, and 2 without parity, so that a
	// character has 11 bits in any case.
	StopBits int
}

func (s Serial) withDefaults() Serial {
	if s.Baud == 0 {
		s.Baud = 19200
	}
	if s.Parity == "" {
		s.Parity = "even"
	}
	if s.StopBits == 0 {
		s.StopBits = 1
		if s.Parity == "none" {
			s.StopBits = 2
		}
	}
	return s
}

func (s Serial) validate() error {
	var errs []error
	if s.Baud != 0 && (s.Baud < 300 || s.Baud > 1_000_000) {
		errs = append(errs, fmt.Errorf("%w: baud: found %d, 300 to 1000000 expected, for example 19200", ErrConfig, s.Baud))
	}
	switch s.Parity {
	case "", "even", "odd", "none":
	default:
		errs = append(errs, fmt.Errorf("%w: parity: found %q, even, odd or none expected", ErrConfig, s.Parity))
	}
	if s.StopBits < 0 || s.StopBits > 2 {
		errs = append(errs, fmt.Errorf("%w: stop_bits: found %d, 1 or 2 expected", ErrConfig, s.StopBits))
	}
	return errors.Join(errs...)
}

func (s Serial) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: s.Baud, DataBits: 8, Parity: serial.EvenParity, StopBits: serial.OneStopBit}
	switch s.Parity {
	case "odd":
		m.Parity = serial.OddParity
	case "none":
		m.Parity = serial.NoParity
	}
	if s.StopBits == 2 {
		m.StopBits = serial.TwoStopBits
	}
	return m
}

// chars is the time that n characters take on the line, 11 bits each.
func (s Serial) chars(n float64) time.Duration {
	return time.Duration(n * 11 / float64(s.Baud) * float64(time.Second))
}

// gap is the silence between two frames: 3.5 characters, and 1.75 ms above
// 19200 baud (Modbus over Serial Line V1.02, 2.5.1.1).
func (s Serial) gap() time.Duration {
	if s.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return s.chars(3.5)
}

// errPort is inside errors of the port itself, not of a device on the line.
var errPort = errors.New("serial port")

// lateAnswer bounds how long a line is left alone after an answer did not
// come: one that comes late could pass for that to the next question, for
// RTU does not number them.
const lateAnswer = 500 * time.Millisecond

// look is how often a wait for characters looks whether it was given up.
const look = 20 * time.Millisecond

// Line is one serial line. The machines on it are asked in turn, one question
// at a time. It opens its port with the first question and again after an
// error of the port, and closes it when its last source is closed.
type Line struct {
	address string
	serial  Serial
	users   atomic.Int32
	turn    chan struct{} // whoever has the token owns what follows

	port  serial.Port
	quiet time.Time // no question before
	dirty bool      // what stands in the input belongs to no question
}

// NewLine describes a line; it does not open it.
func NewLine(address string, s Serial) *Line {
	l := &Line{address: address, serial: s.withDefaults(), turn: make(chan struct{}, 1)}
	l.turn <- struct{}{}
	return l
}

// Open makes a source of one more machine on the line. Its configuration must
// name this line.
func (l *Line) Open(c Config) (*Source, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if c.Serial == nil || c.Address != l.address || c.Serial.withDefaults() != l.serial {
		return nil, fmt.Errorf("%w: unit %d at %s: all machines on one line need the same address, baud, parity and stop_bits; found %+v beside %+v",
			ErrConfig, c.Unit, c.Address, c.Serial, l.serial)
	}
	l.users.Add(1)
	return open(c, l)
}

// leave closes the port behind the last source. A question in progress closes
// it at its end.
func (l *Line) leave() {
	l.users.Add(-1)
	select {
	case <-l.turn:
		l.pass()
	default:
	}
}

// pass gives the token back. When it was the last source's, the port closes.
func (l *Line) pass() {
	if l.users.Load() == 0 {
		l.drop()
	}
	l.turn <- struct{}{}
}

func (l *Line) drop() {
	if l.port != nil {
		_ = l.port.Close() // a port that is given up has nothing to say
		l.port = nil
	}
}

// patience is the longest time of one reading, given the time that it would
// take alone: all others may be before it.
func (l *Line) patience(alone time.Duration, requests int) time.Duration {
	frames := l.serial.chars(float64(requests) * (8 + 256)) // a question and the longest answer
	return (alone + frames + lateAnswer) * time.Duration(max(l.users.Load(), 1))
}

// unit asks one device on a line.
type unit struct {
	line    *Line
	id      uint8
	timeout time.Duration
}

// Close has nothing to do: the line belongs to all.
func (u unit) Close() error { return nil }

func (u unit) ask(ctx context.Context, b block) (answer, error) {
	if b.function < 1 || b.function > 4 {
		return answer{}, fmt.Errorf("function %d: %w", b.function, ErrWrites)
	}
	l := u.line
	select {
	case <-ctx.Done():
		return answer{}, fmt.Errorf("waiting for the turn on the line: %w", context.Cause(ctx))
	case <-l.turn:
	}
	defer l.pass()
	return l.exchange(ctx, u, b)
}

// exchange puts one question and takes its answer. The caller has the token.
func (l *Line) exchange(ctx context.Context, u unit, b block) (answer, error) {
	if err := l.ready(ctx); err != nil {
		return answer{}, err
	}
	began := time.Now()
	question := appendCRC([]byte{u.id, byte(b.function), byte(b.from >> 8), byte(b.from), byte(b.n >> 8), byte(b.n)})
	if _, err := l.port.Write(question); err != nil {
		l.drop()
		return answer{}, fmt.Errorf("%w: write: %w", errPort, err)
	}
	sent := began.Add(l.serial.chars(float64(len(question))))
	limit := sent.Add(u.timeout + l.serial.chars(float64(answerBytes(b))))
	frame, err := l.frame(ctx, b, limit)
	var a answer
	if err == nil {
		a, err = parseAnswer(frame, u.id, b)
	}
	l.quiet = time.Now().Add(l.serial.gap())
	if err != nil && !isRefusal(err) {
		l.dirty = true
		l.quiet = time.Now().Add(min(u.timeout, lateAnswer))
		if errors.Is(err, errPort) {
			l.drop()
		}
	}
	return a, err
}

// ready opens the port where needed and waits until the line may be used.
func (l *Line) ready(ctx context.Context) error {
	wait := time.NewTimer(time.Until(l.quiet))
	defer wait.Stop()
	select {
	case <-ctx.Done():
		return fmt.Errorf("waiting for silence on the line: %w", context.Cause(ctx))
	case <-wait.C:
	}
	if l.port == nil {
		port, err := serial.Open(l.address, l.serial.mode())
		if err != nil {
			return fmt.Errorf("%w: open %s: %w", errPort, l.address, err)
		}
		l.port, l.dirty = port, true
	}
	if err := l.port.ResetInputBuffer(); err != nil {
		l.drop()
		return fmt.Errorf("%w: discard old input: %w", errPort, err)
	}
	if !l.dirty {
		return nil
	}
	// Something may still be talking: go on when it has been silent for a gap.
	var waste [256]byte
	for until := time.Now().Add(lateAnswer); ; {
		n, err := l.read(waste[:], max(l.serial.gap(), time.Millisecond))
		switch {
		case err != nil:
			l.drop()
			return err
		case n == 0:
			l.dirty = false
			return nil
		case ctx.Err() != nil:
			return fmt.Errorf("waiting for silence on the line: %w", context.Cause(ctx))
		case time.Now().After(until):
			return fmt.Errorf("%w: the line is not silent for %s", mb.ErrProtocolError, lateAnswer)
		}
	}
}

func (l *Line) read(b []byte, wait time.Duration) (int, error) {
	err := l.port.SetReadTimeout(wait)
	var n int
	if err == nil {
		n, err = l.port.Read(b)
	}
	if err != nil {
		return 0, fmt.Errorf("%w: read: %w", errPort, err)
	}
	return n, nil
}

// frame reads until the answer is as long as its own head says.
func (l *Line) frame(ctx context.Context, b block, limit time.Time) ([]byte, error) {
	var buf [256]byte // the longest frame
	have := 0
	for {
		want := wanted(buf[:have], b)
		if have >= want {
			return buf[:have], nil
		}
		left := time.Until(limit)
		switch {
		case ctx.Err() != nil:
			return nil, fmt.Errorf("given up: %w", context.Cause(ctx))
		case left <= 0 && have == 0:
			return nil, mb.ErrRequestTimedOut
		case left <= 0:
			return nil, fmt.Errorf("%d of %d bytes came: %w", have, want, mb.ErrRequestTimedOut)
		}
		n, err := l.read(buf[have:want], min(left, look)+time.Millisecond)
		if err != nil {
			return nil, err
		}
		have += n
	}
}

// lineKey names a line: machines with another speed are on another one.
type lineKey struct {
	address string
	serial  Serial
}

// Lines hands out the serial lines of one agent, so that machines with the
// same address share one. The zero value is ready.
type Lines struct {
	mu    sync.Mutex
	lines map[lineKey]*Line
}

// Open makes a source; machines on one serial line share it.
func (ls *Lines) Open(c Config) (*Source, error) {
	if c.Serial == nil {
		return Open(c)
	}
	ls.mu.Lock()
	key := lineKey{c.Address, c.Serial.withDefaults()}
	l := ls.lines[key]
	if l == nil {
		l = NewLine(c.Address, *c.Serial)
		if ls.lines == nil {
			ls.lines = map[lineKey]*Line{}
		}
		ls.lines[key] = l
	}
	ls.mu.Unlock()
	return l.Open(c)
}
