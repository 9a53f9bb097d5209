package modbus

import (
	"encoding/binary"
	"io"
	"log"
	"net"
	"slices"
	"strings"
	"testing"

	mb "github.com/simonvetter/modbus"
)

// FuzzAnswerTCP sends bytes as a device on the network does that was asked for
// some values. A right answer gives its values, anything else an error that
// names the device; the bytes come in one connection that then ends.
func FuzzAnswerTCP(f *testing.F) {
	f.Add([]byte{0, 0, 0, 7, 1, 3, 4, 0, 1, 0, 2}, byte(2), byte(1))
	f.Add([]byte{0, 0, 0, 4, 1, 2, 1, 5}, byte(1), byte(2))
	f.Add([]byte{0, 0, 0, 3, 1, 0x83, 6}, byte(2), byte(0))
	f.Add([]byte{0, 0, 0xff, 0xff, 1, 3}, byte(2), byte(0))
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { ln.Close() })
	answers := make(chan []byte, 1)
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			var q [12]byte
			if _, err := io.ReadFull(c, q[:]); err == nil {
				// The transaction is that of the question, or nothing would be read.
				_, _ = c.Write(append([]byte{q[0], q[1]}, <-answers...))
			}
			c.Close()
		}
	}()
	conf := Config{Address: ln.Addr().String(), Unit: 1, Timeout: patience}
	f.Fuzz(func(t *testing.T, frame []byte, function, n byte) {
		b := block{int(function%4) + 1, 0, int(n%100) + 1}
		client, err := mb.NewClient(&mb.ClientConfiguration{URL: "tcp://" + conf.Address, Timeout: patience, Logger: log.New(io.Discard, "", 0)})
		if err != nil {
			t.Fatal(err)
		}
		if err := client.Open(); err != nil {
			t.Fatal(err)
		}
		answers <- frame
		a, err := network{client}.ask(t.Context(), b)
		client.Close()
		right := len(frame) == 7+dataBytes(b) && frame[0] == 0 && frame[1] == 0 && int(binary.BigEndian.Uint16(frame[2:])) == 3+dataBytes(b) &&
			frame[4] == 1 && frame[5] == byte(b.function) && int(frame[6]) == dataBytes(b)
		if err != nil {
			if right {
				t.Errorf("a right answer gave %v", err)
			}
			if e := explain(conf, b, err).Error(); !strings.HasPrefix(e, "modbus: read ") || !strings.Contains(e, conf.Address) {
				t.Errorf("the error does not name the question and the device: %s", e)
			}
			return
		}
		if len(a.bits)+len(a.words) < b.n || len(a.words) > 125 || len(a.bits) > 2000 {
			t.Fatalf("%d values from %x, %d asked for", len(a.bits)+len(a.words), frame, b.n)
		}
		if want := b.values(frame[min(7, len(frame)):]); right && (!slices.Equal(a.words, want.words) || !slices.Equal(a.bits[:len(want.bits)], want.bits)) {
			t.Errorf("%v, want %v", a, want)
		}
	})
}
