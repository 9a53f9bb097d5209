package gpio

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/agent/source"
)

// board is a kernel with chips whose lines the test moves.
type board struct {
	t     *testing.T
	clock int64
	chips map[string]*bank
	asked []request
}

// bank is one chip, and what a request for its lines has got.
type bank struct {
	level  map[int]bool
	order  []int
	seq    map[int]uint32
	queue  []event
	buffer int
	gone   error
	open   bool
}

func newBoard(t *testing.T, chips ...string) *board {
	b := &board{t: t, clock: 1e9, chips: map[string]*bank{}}
	for _, c := range chips {
		b.chips[c] = &bank{level: map[int]bool{}}
	}
	return b
}

func (b *board) now() int64 { return b.clock }

func (b *board) request(chip string, want []request, buffer int) (lines, error) {
	c := b.chips[chip]
	if c == nil || c.gone != nil {
		return nil, fmt.Errorf("%w: %s is not there", ErrLine, chip)
	}
	if c.open {
		b.t.Errorf("%s was requested twice", chip)
	}
	c.open, c.order, c.seq, c.queue, c.buffer = true, nil, map[int]uint32{}, nil, buffer
	for _, r := range want {
		c.order = append(c.order, r.offset)
	}
	b.asked = append(b.asked, want...)
	return c, nil
}

func (c *bank) values() (bits uint64, err error) {
	for i, o := range c.order {
		if c.level[o] {
			bits |= 1 << i
		}
	}
	return bits, c.gone
}

func (c *bank) events(out []event) ([]event, error) {
	out = append(out, c.queue...)
	c.queue = nil
	return out, c.gone
}

func (c *bank) Close() error { c.open = false; return nil }

// set moves a line after some time. Like the kernel, the oldest events go
// when the buffer is full.
func (b *board) set(after time.Duration, chip string, offset int, active bool) {
	b.clock += int64(after)
	c := b.chips[chip]
	if c.level[offset] == active {
		return
	}
	c.level[offset] = active
	if !c.open || !slices.Contains(c.order, offset) {
		return
	}
	c.seq[offset]++
	c.queue = append(c.queue, event{b.clock, offset, active, c.seq[offset]})
	if len(c.queue) > c.buffer {
		c.queue = c.queue[1:]
	}
}

// teeth lets teeth pass the sensor of line 17, 300 ms each.
func (b *board) teeth(n int) {
	for range n {
		b.set(150*time.Millisecond, "gpiochip0", 17, true)
		b.set(150*time.Millisecond, "gpiochip0", 17, false)
	}
	b.clock += int64(50 * time.Millisecond)
}

func k13(b *board) Config {
	return Config{
		Revolution: Line{Chip: "gpiochip0", Offset: 17}, PulsesPerRevolution: 4, MaxRPM: 40, Debounce: 8 * time.Millisecond,
		Stops: []Line{{Chip: "gpiochip0", Offset: 27}, {Chip: "gpiochip1", Offset: 3, ActiveLow: true, Bias: "up"}}, kernel: b,
	}
}

func open(t *testing.T, c Config) *Source {
	t.Helper()
	s, err := Open(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func read(t *testing.T, s *Source) source.Reading {
	t.Helper()
	r, err := s.Read(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if r.SpeedRPM >= 0 || r.Err != nil || r.At != (source.Instant{}) {
		t.Errorf("reading %+v: no speed, no error and no instant expected", r)
	}
	return r
}

func TestCounts(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	b.chips["gpiochip0"].level[17] = true // it begins in a tooth, which is not counted
	s := open(t, k13(b))
	if s.Counter() != 0 {
		t.Errorf("a counter of %d bits, 0 expected: it is the agent's own", s.Counter())
	}
	s.GoOn(1000)
	if r := read(t, s); r.Raw != 1000 || len(r.Active) != 0 {
		t.Errorf("first reading %+v, want 1000 and no stop", r)
	}
	b.set(20*time.Millisecond, "gpiochip0", 17, false)
	b.teeth(40)
	r := read(t, s)
	if r.Raw != 1040 || len(r.Losses) != 0 || r.Note != "" {
		t.Errorf("after 40 teeth %+v, want 1040", r)
	}
	if r = read(t, s); r.Raw != 1040 {
		t.Errorf("nothing moved, read %d", r.Raw)
	}
	want := []request{{17, false, "", 2 * time.Millisecond}, {27, false, "", 5 * time.Millisecond}, {3, true, "up", 5 * time.Millisecond}}
	if !slices.Equal(b.asked, want) || b.chips["gpiochip0"].buffer != MaxBuffer {
		t.Errorf("asked the kernel for %+v with a buffer of %d, want %+v", b.asked, b.chips["gpiochip0"].buffer, want)
	}
}

func TestStopInputs(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	var changes []Change
	c := k13(b)
	c.Trace = func(ch Change) { changes = append(changes, ch) }
	s := open(t, c)
	b.chips["gpiochip1"].level[3] = true
	if r := read(t, s); !slices.Equal(r.Active, []int{1}) {
		t.Errorf("an input that is on at first: active %v, want 1", r.Active)
	}
	b.set(time.Millisecond, "gpiochip1", 3, false)
	// A lamp that flashes between two reads.
	b.set(100*time.Millisecond, "gpiochip0", 27, true)
	b.set(100*time.Millisecond, "gpiochip0", 27, false)
	if r := read(t, s); !slices.Equal(r.Active, []int{0}) {
		t.Errorf("a flash between two reads: active %v, want 0", r.Active)
	}
	if r := read(t, s); len(r.Active) != 0 {
		t.Errorf("dark since the flash: active %v", r.Active)
	}
	if len(changes) != 3 || changes[0].Stop != 0 || changes[1].At-changes[0].At != 100*time.Millisecond {
		t.Errorf("changes told: %+v", changes)
	}
}

// TestDroppedEventsAreTold: what the kernel dropped is a loss with a bound
// that holds, and the count goes on without a false tooth.
func TestDroppedEventsAreTold(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	c := k13(b)
	c.Buffer = 21
	s := open(t, c)
	read(t, s)
	b.teeth(50)
	r := read(t, s)
	if len(r.Losses) != 1 || r.Losses[0].Input != "revolution" || r.Losses[0].Events != 79 {
		t.Fatalf("100 events in a buffer of 21: losses %+v, want 79 events", r.Losses)
	}
	if missing := 50 - r.Raw; missing == 0 || missing > r.Losses[0].Counts || missing < 38 {
		t.Errorf("%d teeth are missing, at most %d are told", missing, r.Losses[0].Counts)
	}
	if got := s.Tally().Missed; got != 79 {
		t.Errorf("tally tells %d missed events", got)
	}
	before := r.Raw
	b.teeth(5)
	if r = read(t, s); r.Raw != before+5 || len(r.Losses) != 0 {
		t.Errorf("5 teeth later %d, %+v; want %d and no loss", r.Raw, r.Losses, before+5)
	}
	for range 40 {
		b.set(10*time.Millisecond, "gpiochip1", 3, true)
		b.set(10*time.Millisecond, "gpiochip1", 3, false)
	}
	if r = read(t, s); len(r.Losses) != 1 || r.Losses[0].Input != "stops[1]" || r.Losses[0].Counts != 0 {
		t.Errorf("a stop input that rings: %+v, want a loss without counts", r.Losses)
	}
}

func TestSecondSensor(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	c := k13(b)
	c.Second = &Line{Chip: "gpiochip0", Offset: 18}
	s := open(t, c)
	read(t, s)
	quarter := func(n int, first, second int) {
		for i := range n {
			b.set(40*time.Millisecond, "gpiochip0", []int{first, second}[i%2], i%4 < 2)
		}
	}
	quarter(44, 17, 18)
	for range 30 { // standing on an edge
		b.set(20*time.Millisecond, "gpiochip0", 17, true)
		b.set(20*time.Millisecond, "gpiochip0", 17, false)
	}
	if r := read(t, s); r.Raw != 11 {
		t.Errorf("11 teeth and trembling: read %d", r.Raw)
	}
	quarter(4*8, 18, 17)
	if r := read(t, s); r.Raw != 11 {
		t.Errorf("two turns back: read %d", r.Raw)
	}
	quarter(8, 18, 17)
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrBackward) || !strings.Contains(err.Error(), "exchange line and line_b") {
		t.Errorf("more than two turns back: %v, want ErrBackward with its repair", err)
	}
	quarter(4*10, 17, 18)
	if r := read(t, s); r.Raw != 11 || s.Tally().Backward == 0 {
		t.Errorf("forward again to the farthest place: read %d, tally %+v", r.Raw, s.Tally())
	}
	// Both lines lose events; the count begins anew without a false tooth.
	b.chips["gpiochip0"].buffer = 3
	quarter(40, 17, 18)
	r := read(t, s)
	var most uint64
	for _, l := range r.Losses {
		most += l.Counts
	}
	if r.Raw > 21 || r.Raw+most < 21 {
		t.Errorf("21 teeth passed, read %d with at most %d lost", r.Raw, most)
	}
}

// TestChipThatGoesAway: a failed read is an error, and what was not watched is
// bounded when it is back.
func TestChipThatGoesAway(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	s := open(t, k13(b))
	read(t, s)
	b.teeth(3)
	read(t, s)
	b.chips["gpiochip0"].gone = errors.New("no such device")
	for range 2 {
		if _, err := s.Read(t.Context()); !errors.Is(err, ErrLine) {
			t.Fatalf("without its chip: %v, want ErrLine", err)
		}
	}
	b.teeth(20)
	b.chips["gpiochip0"].gone = nil
	r := read(t, s)
	if r.Raw != 3 || len(r.Losses) != 1 || r.Losses[0].Counts < 20 || !strings.Contains(r.Losses[0].Evidence, "not watched for 6.05") {
		t.Errorf("back after 20 teeth: %+v; want 3 and a bound of at least 20", r)
	}
}

func TestTooFastIsTold(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	s := open(t, k13(b))
	read(t, s)
	for range 50 {
		b.set(20*time.Millisecond, "gpiochip0", 17, true)
		b.set(20*time.Millisecond, "gpiochip0", 17, false)
	}
	b.clock += int64(time.Second)
	r := read(t, s)
	if r.Raw != 1 || !strings.Contains(r.Note, "faster than 40 rpm") {
		t.Errorf("trembling: %+v; want one count and a word about it", r)
	}
	b.clock += noteFor
	if r = read(t, s); r.Note != "" {
		t.Errorf("the note stays: %q", r.Note)
	}
}

func TestClosedAndCancelled(t *testing.T) {
	b := newBoard(t, "gpiochip0", "gpiochip1")
	s := open(t, k13(b))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.Read(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Read after its context: %v", err)
	}
	read(t, s)
	if err := errors.Join(s.Close(), s.Close()); err != nil {
		t.Error(err)
	}
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("Read after Close: %v", err)
	}
	if b.chips["gpiochip0"].open || b.chips["gpiochip1"].open {
		t.Error("lines were not given back")
	}
}

func TestValidate(t *testing.T) {
	b := newBoard(t)
	if err := k13(b).Validate(); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name  string
		spoil func(*Config)
		words string
	}{
		{"chip", func(c *Config) { c.Revolution.Chip = "../mem" }, "CHIP/LINE expected"},
		{"line twice", func(c *Config) { c.Stops[0].Offset = 17 }, "stops[0]: line gpiochip0/17 is that of revolution already"},
		{"second sensor elsewhere", func(c *Config) { c.Second = &Line{Chip: "gpiochip1", Offset: 4} }, "must be on one chip"},
		{"direction of one sensor", func(c *Config) { c.Backward = true }, "add line_b"},
		{"no pulses", func(c *Config) { c.PulsesPerRevolution = 0 }, "prove it with `agent count`"},
		{"speed", func(c *Config) { c.MaxRPM = 0 }, "max_speed_rpm: found 0"},
		{"debounce", func(c *Config) { c.Debounce = 200 * time.Millisecond }, "a tooth may pass in 187.5ms"},
		{"default debounce", func(c *Config) { c.Debounce, c.PulsesPerRevolution = 0, 400 }, "its default of 5ms is too long"},
		{"buffer", func(c *Config) { c.Buffer = 5000 }, "1 to 1024"},
		{"bias", func(c *Config) { c.Stops[1].Bias = "left" }, "stops[1]: bias: found \"left\""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := k13(b)
			c.Stops = slices.Clone(c.Stops)
			tt.spoil(&c)
			if _, err := Open(c); !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), tt.words) {
				t.Errorf("got %v, want %q", err, tt.words)
			}
		})
	}
}

func TestParseLine(t *testing.T) {
	if l, err := ParseLine("gpiochip12/27"); err != nil || l != (Line{Chip: "gpiochip12", Offset: 27}) {
		t.Errorf("got %+v, %v", l, err)
	}
	for _, bad := range []string{"", "17", "gpiochip0", "gpiochip0/", "gpiochip0/-1", "gpiochip0/x", "/dev/gpiochip0/1", "gpiochip/1", "gpiochip0/99999"} {
		if l, err := ParseLine(bad); !errors.Is(err, ErrConfig) {
			t.Errorf("ParseLine(%q) gave %v, %v", bad, l, err)
		}
	}
}

// TestThisKernel asks a real chip for one line, where the host has one.
func TestThisKernel(t *testing.T) {
	found, _ := filepath.Glob("/dev/gpiochip*")
	if len(found) == 0 {
		t.Skip("this host has no /dev/gpiochip: the kernel's own answers are not tested here")
	}
	if _, err := os.Stat(found[0]); err != nil {
		t.Skipf("%s cannot be looked at: %v", found[0], err)
	}
	s := open(t, Config{Revolution: Line{Chip: filepath.Base(found[0]), Offset: 0}, PulsesPerRevolution: 1, MaxRPM: 40})
	if _, err := s.Read(t.Context()); err != nil && !errors.Is(err, ErrLine) {
		t.Errorf("Read of %s: %v", found[0], err)
	}
}
