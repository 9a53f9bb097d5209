package plc

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"turnwise/simulator/machine"
)

func start(t *testing.T, o Options) *Server {
	t.Helper()
	s, err := Listen("127.0.0.1:0", o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return s
}

// TestLibraryClientReads lets an independent implementation read a machine.
func TestLibraryClientReads(t *testing.T) {
	look := func() Look { return Look{Turns: 0x12345678, RPM: 27.5, Inputs: []int{0, 5}} }
	s := start(t, Options{Register: machine.U32BE, Look: look})
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + s.Addr(), Timeout: 2 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if n, err := c.ReadUint32(CounterRegister, modbus.HOLDING_REGISTER); err != nil || n != 0x12345678 {
		t.Errorf("counter %#x, %v, want 0x12345678", n, err)
	}
	if n, err := c.ReadRegister(SpeedRegister, modbus.HOLDING_REGISTER); err != nil || n != 275 {
		t.Errorf("speed %d, %v, want 275", n, err)
	}
	on, err := c.ReadDiscreteInputs(FirstInput, 9)
	if err != nil || !on[0] || on[1] || !on[5] || on[8] {
		t.Errorf("inputs %v, %v, want the first and the sixth on", on, err)
	}
	if err := c.WriteRegister(CounterRegister, 0); !errors.Is(err, modbus.ErrIllegalFunction) {
		t.Errorf("write answered %v, want illegal function", err)
	}
	if _, err := c.ReadRegisters(60, 10, modbus.HOLDING_REGISTER); !errors.Is(err, modbus.ErrIllegalDataAddress) {
		t.Errorf("read behind the last register answered %v, want illegal data address", err)
	}
}

// TestFrames checks bytes against frames written by hand from the Modbus
// application protocol V1.1b3 and messaging guide V1.0b.
func TestFrames(t *testing.T) {
	look := func() Look { return Look{Turns: 0x00010203, RPM: 28, Inputs: []int{1}} }
	s := start(t, Options{Register: machine.U32LE, Look: look})
	const counter = "00010000000601 03 0028 0002"
	for _, tt := range []struct {
		name, send, want string
		fault            Fault
	}{
		{"counter, low word first", counter, "00010000000701 03 04 0203 0001", None},
		{"inputs 8 to 17", "00020000000601 02 0008 000a", "00020000000501 02 02 0200", None},
		{"device failure", counter, "00010000000301 83 04", Exception},
		{"other unit answers", counter, "00010000000702 03 04 0203 0001", WrongUnit},
		{"cut", counter, "00010000000501 03 04 0203", Short},
		{"words swapped", counter, "00010000000701 03 04 0001 0203", SwapWords},
		{"1000 lower", counter, "00010000000701 03 04 fe1b 0000", CounterBack},
		{"unit 9 is not here", "00030000000609 03 0028 0002", "00030000000309 83 0b", None},
		{"no registers asked", "00030000000601 03 0028 0000", "00030000000301 83 03", None},
		{"coil write", "00030000000601 05 0028 ff00", "00030000000301 85 01", None},
		{"request too short", "00030000000401 03 0028", "00030000000301 83 03", None},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s.SetFault(tt.fault)
			defer s.SetFault(None)
			c := dial(t, s)
			send(t, c, tt.send)
			want := unhex(t, tt.want)
			got := make([]byte, len(want))
			if _, err := io.ReadFull(c, got); err != nil || string(got) != string(want) {
				t.Errorf("answer % x, %v, want % x", got, err, want)
			}
		})
	}
}

func TestSilenceHangupAndNoise(t *testing.T) {
	s := start(t, Options{Look: func() Look { return Look{} }})
	c := dial(t, s)
	s.SetFault(Silence)
	send(t, c, "00010000000601 03 0028 0002")
	if err := c.SetReadDeadline(time.Now().Add(50 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if n, err := c.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("silent machine sent %d bytes, %v", n, err)
	}
	s.SetFault(Hangup)
	c = dial(t, s)
	send(t, c, "00010000000601 03 0028 0002")
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Errorf("machine that hangs up gave %v, want EOF", err)
	}
	s.SetFault(Noise)
	c = dial(t, s)
	send(t, c, "00010000000601 03 0028 0002")
	header := make([]byte, 7)
	if _, err := io.ReadFull(c, header); err != nil {
		t.Fatal(err)
	}
	if protocol := binary.BigEndian.Uint16(header[2:]); protocol == 0 {
		t.Errorf("noise % x passes for the header of an answer", header)
	}
	s.SetFault(None)
	for _, noise := range []string{"0001000100060103", "00010000ffff01", "00010000000101"} {
		c = dial(t, s)
		send(t, c, noise)
		if n, err := c.Read(make([]byte, 1)); err == nil {
			t.Errorf("noise %s was answered with %d bytes", noise, n)
		}
	}
}

func dial(t *testing.T, s *Server) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return c
}

func send(t *testing.T, c net.Conn, text string) {
	t.Helper()
	if _, err := c.Write(unhex(t, text)); err != nil {
		t.Fatal(err)
	}
}

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}
