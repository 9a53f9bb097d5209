package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnwise/agent/source"
	"turnwise/agent/source/sourcetest"
)

// wire is a pseudo-terminal: what is written to its one end comes out of the
// other, as on a serial line. Its name stays when the pair is made anew.
type wire struct {
	*device
	name string
	ids  map[byte]uint16 // units on the line; each adds this to its registers
	at   []time.Time     // when questions came
	ends []time.Time     // when answers went out

	ttyMu         sync.Mutex
	master, slave *os.File
	ended         bool
}

func newWire(t testing.TB) *wire {
	w := &wire{
		device: &device{t: t, words: map[int]uint16{}, bits: map[int]bool{}, unit: 1, exactErr: 2},
		name:   filepath.Join(t.TempDir(), "line"), ids: map[byte]uint16{1: 0},
	}
	if err := w.plug(); err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	t.Cleanup(func() {
		w.unplug(true)
		w.wg.Wait()
	})
	return w
}

// plug makes a pair and serves its far end, unless the test has ended.
func (w *wire) plug() error {
	w.ttyMu.Lock()
	defer w.ttyMu.Unlock()
	if w.ended {
		return nil
	}
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return err
	}
	raw, err := master.SyscallConn()
	if err != nil {
		return err
	}
	var n int
	if cerr := raw.Control(func(fd uintptr) {
		if err = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); err == nil {
			n, err = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	}); cerr != nil || err != nil {
		return errors.Join(cerr, err)
	}
	tty := fmt.Sprintf("/dev/pts/%d", n)
	slave, err := os.OpenFile(tty, os.O_RDWR|unix.O_NOCTTY, 0) // so that the master never reads from nobody
	if err != nil {
		return err
	}
	_ = os.Remove(w.name)
	if err := os.Symlink(tty, w.name); err != nil {
		return err
	}
	w.master, w.slave = master, slave
	w.wg.Go(func() { w.listen(master) })
	return nil
}

func (w *wire) unplug(ended bool) {
	w.ttyMu.Lock()
	defer w.ttyMu.Unlock()
	w.ended = w.ended || ended
	w.slave.Close()
	w.master.Close()
}

// listen answers questions of 8 bytes with a good check sum.
func (w *wire) listen(master *os.File) {
	var have []byte
	buf := make([]byte, 256)
	for {
		n, err := master.Read(buf)
		if err != nil {
			return
		}
		have = append(have, buf[:n]...)
		for len(have) >= 8 {
			q := have[:8]
			if crc16(q[:6]) != binary.LittleEndian.Uint16(q[6:]) {
				have = have[1:]
				continue
			}
			w.answer(master, q)
			have = have[8:]
		}
	}
}

func (w *wire) answer(master *os.File, q []byte) {
	from, n := int(binary.BigEndian.Uint16(q[2:])), int(binary.BigEndian.Uint16(q[4:]))
	w.mu.Lock()
	w.at = append(w.at, time.Now())
	add, known := w.ids[q[0]]
	w.asked = append(w.asked, block{int(q[1]), from, n})
	body := w.body(q[1], from, n)
	if len(body) == 4 && q[1] >= 3 {
		binary.BigEndian.PutUint16(body[2:], binary.BigEndian.Uint16(body[2:])+add)
	}
	fault := w.fault
	if fault == sourcetest.Refuses {
		body = []byte{q[1] | 0x80, w.exactErr}
	}
	w.mu.Unlock()
	if !known {
		return
	}
	frame := append([]byte{q[0]}, body...)
	switch fault {
	case sourcetest.Silent:
		return
	case sourcetest.Other:
		frame[0] ^= 0x55
	case sourcetest.Short:
		frame = frame[:len(frame)-1]
	case sourcetest.Long:
		frame = append(frame, 0, 0)
	}
	frame = appendCRC(frame)
	switch fault {
	case sourcetest.Garbage:
		frame = []byte("\xff\x00 no frame at all \xff\xfe")
	case sourcetest.HangsUp:
		master.Write(frame[:2])
		w.unplug(false)
		if err := w.plug(); err != nil {
			w.t.Errorf("plug the line in again: %v", err)
		}
		return
	case sourcetest.Drips:
		drip := time.NewTicker(60 * time.Millisecond)
		defer drip.Stop()
		for _, b := range frame[:4] {
			if _, err := master.Write([]byte{b}); err != nil {
				return
			}
			<-drip.C
		}
		return
	}
	w.set(func() { w.ends = append(w.ends, time.Now()) }) // before: a busy host may stop us after it
	_, _ = master.Write(frame)
}

// serialBench is the machine of the suite on a serial line.
type serialBench struct {
	*wire
	typ string
}

func (b serialBench) config() Config {
	c := bench{b.device, b.typ}.configAt(b.name)
	c.Serial = &Serial{Baud: 115200}
	return c
}

func (b serialBench) Open(t *testing.T) source.Source {
	s, err := Open(b.config())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (b serialBench) Show(raw uint64, active ...int) { bench{b.device, b.typ}.Show(raw, active...) }
func (b serialBench) Misbehave(f sourcetest.Fault)   { b.set(func() { b.fault = f }) }
func (b serialBench) Patience() time.Duration        { return 10 * patience }

func TestSerialConformance(t *testing.T) {
	sourcetest.Run(t, func(t *testing.T) sourcetest.Bench {
		b := serialBench{newWire(t), "u32be"}
		b.Show(0)
		return b
	})
}

func TestSerialErrorsSayWhatIsWrong(t *testing.T) {
	tests := []struct {
		fault sourcetest.Fault
		code  byte
		want  error
		words string
	}{
		{sourcetest.Refuses, 2, ErrException, "no such address"},
		{sourcetest.Refuses, 6, ErrException, "busy"},
		{sourcetest.Refuses, 99, ErrException, "code 99"},
		{sourcetest.Silent, 0, ErrTimeout, "is unit 1 there"},
		{sourcetest.Drips, 0, ErrTimeout, "of 11 bytes came"},
		{sourcetest.Other, 0, ErrUnit, "check `unit`"},
		{sourcetest.Short, 0, ErrTimeout, "of 11 bytes came"},
		{sourcetest.Long, 0, ErrFrame, "check baud, parity and stop_bits"},
		{sourcetest.Garbage, 0, ErrFrame, "check baud, parity and stop_bits"},
		{sourcetest.HangsUp, 0, ErrUnreachable, "is the adapter plugged in"},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.fault, tt.code), func(t *testing.T) {
			b := serialBench{newWire(t), "u32be"}
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

func TestSerialDeviceThatIsNotThere(t *testing.T) {
	s, err := Open(Config{Address: filepath.Join(t.TempDir(), "tty"), Serial: &Serial{}, Unit: 1, Revolution: Register{Function: 3, Type: "u16"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrUnreachable) || !strings.Contains(err.Error(), "tty") {
		t.Errorf("got %v, want ErrUnreachable with the device", err)
	}
}

// TestOneLineManyMachines: they are asked in turn, none hears another's
// answer, and between two frames the line is silent.
func TestOneLineManyMachines(t *testing.T) {
	w := newWire(t)
	const units, rounds = 5, 8
	w.set(func() {
		w.words[0] = 100
		for u := range units {
			w.ids[byte(u+1)] = uint16(u)
		}
	})
	var lines Lines
	slow := Serial{Baud: 9600}
	var wg sync.WaitGroup
	for u := range units {
		s, err := lines.Open(Config{Address: w.name, Serial: &slow, Unit: u + 1, Timeout: 2 * time.Second, Revolution: Register{Function: 3, Type: "u16"}})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		wg.Go(func() {
			for range rounds {
				r, err := s.Read(t.Context())
				if err != nil || r.Raw != uint64(100+u) {
					t.Errorf("unit %d shows %d; read %d, %v", u+1, 100+u, r.Raw, err)
				}
			}
		})
	}
	wg.Wait()
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.at) != units*rounds {
		t.Errorf("%d questions for %d readings", len(w.at), units*rounds)
	}
	gap := slow.withDefaults().gap()
	if gap < 4*time.Millisecond {
		t.Errorf("3.5 characters of 11 bits at 9600 baud are %s, 4.01 ms expected", gap)
	}
	for i := 1; i < len(w.at); i++ {
		if d := w.at[i].Sub(w.ends[i-1]); d < gap-time.Millisecond/2 {
			t.Errorf("question %d came %s after the answer before it, %s of silence expected", i, d, gap)
		}
	}
}

// TestADeadUnitDoesNotSilenceTheLine: the others are read, only later.
func TestADeadUnitDoesNotSilenceTheLine(t *testing.T) {
	w := newWire(t)
	w.set(func() { w.words[0] = 7 })
	var lines Lines
	open := func(unit int) *Source {
		s, err := lines.Open(Config{Address: w.name, Serial: &Serial{}, Unit: unit, Timeout: patience / 2, Revolution: Register{Function: 4, Type: "u16"}})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	well, dead := open(1), open(9)
	defer well.Close()
	for range 3 {
		if _, err := dead.Read(t.Context()); !errors.Is(err, ErrTimeout) {
			t.Errorf("unit 9 is not there; got %v", err)
		}
		if r, err := well.Read(t.Context()); err != nil || r.Raw != 7 {
			t.Errorf("unit 1 beside a dead one: %d, %v", r.Raw, err)
		}
	}
	if err := dead.Close(); err != nil {
		t.Error(err)
	}
	if _, err := well.Read(t.Context()); err != nil {
		t.Errorf("after its neighbour was closed: %v", err)
	}
}

func TestSerialSettingsMustAgree(t *testing.T) {
	l := NewLine("/dev/ttyS9", Serial{})
	c := Config{Address: "/dev/ttyS9", Serial: &Serial{Baud: 9600}, Unit: 1, Revolution: Register{Function: 3, Type: "u16"}}
	if _, err := l.Open(c); !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), "same address, baud") {
		t.Errorf("got %v", err)
	}
	tests := []struct {
		spoil func(*Config)
		words string
	}{
		{func(c *Config) { c.Serial = &Serial{Baud: 7} }, "baud: found 7"},
		{func(c *Config) { c.Serial = &Serial{Parity: "mark"} }, "parity: found \"mark\""},
		{func(c *Config) { c.Serial = &Serial{StopBits: 3} }, "stop_bits: found 3"},
		{func(c *Config) { c.Unit = 0 }, "1 to 247"},
		{func(c *Config) { c.Address = "" }, "/dev/ttyUSB0"},
		{func(c *Config) { c.Revolution.Function = 6 }, "the agent only reads"},
	}
	for _, tt := range tests {
		bad := c
		tt.spoil(&bad)
		if _, err := Open(bad); !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), tt.words) {
			t.Errorf("got %v, want %q", err, tt.words)
		}
	}
}

func TestCRC16(t *testing.T) {
	tests := []struct {
		frame  string
		want   uint16
		source string
	}{
		{"123456789", 0x4B37, "check value of CRC-16/MODBUS, from memory"},
		{"\x02\x07", 0x1241, "Modbus over Serial Line V1.02, appendix B, example (sent as 41 12), from memory"},
	}
	for _, tt := range tests {
		if got := crc16([]byte(tt.frame)); got != tt.want {
			t.Errorf("crc16(%q) = %04x, want %04x (%s)", tt.frame, got, tt.want, tt.source)
		}
	}
}

// FuzzParseAnswer: no bytes make it panic, and a reading comes only from a
// frame that checks.
func FuzzParseAnswer(f *testing.F) {
	f.Add(appendCRC([]byte{1, 3, 4, 0, 1, 0, 2}), byte(3), byte(2))
	f.Add(appendCRC([]byte{1, 0x83, 2}), byte(3), byte(1))
	f.Add([]byte{1, 2}, byte(2), byte(9))
	f.Fuzz(func(t *testing.T, frame []byte, function, n byte) {
		b := block{int(function%4) + 1, 0, int(n%100) + 1}
		if w := wanted(frame, b); w < 3 || w > 256 {
			t.Fatalf("wants %d bytes", w)
		}
		a, err := parseAnswer(frame, 1, b)
		if err == nil && (len(a.bits)+len(a.words) != b.n || len(frame) != answerBytes(b)) {
			t.Fatalf("%d values from %x, %d asked for", len(a.bits)+len(a.words), frame, b.n)
		}
	})
}
