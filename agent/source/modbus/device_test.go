package modbus

import (
	"encoding/binary"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"turnwise/agent/source"
	"turnwise/agent/source/sourcetest"
)

// device is a machine on a raw TCP line, so that it can misbehave in ways that
// no library offers. It notes every function that it is asked for.
type device struct {
	t    testing.TB
	line net.Listener
	wg   sync.WaitGroup

	mu       sync.Mutex
	words    map[int]uint16 // by address, functions 3 and 4
	bits     map[int]bool   // by address, functions 1 and 2
	fault    sourcetest.Fault
	asked    []block
	conns    map[net.Conn]bool
	unit     byte
	exactErr byte           // exception code of Refuses
	step     map[int]uint16 // by how much a register moves when it was read
}

func newDevice(t testing.TB) *device {
	line, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := &device{t: t, line: line, words: map[int]uint16{}, bits: map[int]bool{}, conns: map[net.Conn]bool{}, unit: 1, exactErr: 2}
	d.wg.Go(func() {
		for {
			c, err := line.Accept()
			if err != nil {
				return
			}
			d.mu.Lock()
			d.conns[c] = true
			d.mu.Unlock()
			d.wg.Go(func() { d.serve(c) })
		}
	})
	t.Cleanup(func() {
		line.Close()
		d.mu.Lock()
		for c := range d.conns {
			c.Close()
		}
		d.mu.Unlock()
		d.wg.Wait()
	})
	return d
}

func (d *device) addr() string { return d.line.Addr().String() }

func (d *device) set(f func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f()
}

func (d *device) serve(c net.Conn) {
	defer func() {
		d.set(func() { delete(d.conns, c) })
		c.Close()
	}()
	for {
		var q [12]byte
		if _, err := io.ReadFull(c, q[:]); err != nil {
			return
		}
		head, function := q[:7], q[7]
		from, n := int(binary.BigEndian.Uint16(q[8:])), int(binary.BigEndian.Uint16(q[10:]))
		d.mu.Lock()
		d.asked = append(d.asked, block{int(function), from, n})
		body := d.body(function, from, n)
		fault, unit := d.fault, d.unit
		if fault == sourcetest.Refuses {
			body = []byte{function | 0x80, d.exactErr}
		}
		d.mu.Unlock()
		if !d.reply(c, head, unit, body, fault) {
			return
		}
	}
}

func (d *device) body(function byte, from, n int) []byte {
	switch function {
	case 1, 2:
		out := make([]byte, 2+(n+7)/8)
		out[0], out[1] = function, byte((n+7)/8)
		for i := range n {
			if on, ok := d.bits[from+i]; !ok {
				return []byte{function | 0x80, 2}
			} else if on {
				out[2+i/8] |= 1 << (i % 8)
			}
		}
		return out
	case 3, 4:
		out := []byte{function, byte(2 * n)}
		for i := range n {
			w, ok := d.words[from+i]
			if !ok {
				return []byte{function | 0x80, 2}
			}
			out = binary.BigEndian.AppendUint16(out, w)
		}
		for i := range n {
			d.words[from+i] += d.step[from+i]
		}
		return out
	}
	d.t.Errorf("the device was asked for function %d: the agent only reads", function)
	return []byte{function | 0x80, 1}
}

// reply sends an answer, right or wrong; false ends the connection.
func (d *device) reply(c net.Conn, head []byte, unit byte, body []byte, fault sourcetest.Fault) bool {
	switch fault {
	case sourcetest.Silent:
		return true
	case sourcetest.Other:
		unit ^= 0x55
	case sourcetest.Short:
		body = body[:len(body)-1]
	case sourcetest.Long:
		body = append(body, 0, 0)
	case sourcetest.Garbage:
		c.Write([]byte("HTTP/1.1 400 Bad Request\r\n\r\n"))
		return true
	}
	frame := append([]byte{}, head[:4]...)
	frame = binary.BigEndian.AppendUint16(frame, uint16(len(body)+1))
	frame = append(append(frame, unit), body...)
	switch fault {
	case sourcetest.HangsUp:
		c.Write(frame[:len(frame)-1])
		return false
	case sourcetest.Drips:
		drip := time.NewTicker(30 * time.Millisecond)
		defer drip.Stop()
		for _, b := range frame[:6] {
			if _, err := c.Write([]byte{b}); err != nil {
				return false
			}
			<-drip.C
		}
		return true
	}
	_, err := c.Write(frame)
	return err == nil
}

// bench is the device with a counter of one type and three stop inputs.
type bench struct {
	*device
	typ string
}

const patience = 200 * time.Millisecond // of one request

func (b bench) Open(t *testing.T) source.Source {
	s, err := Open(b.config())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (b bench) config() Config { return b.configAt(b.addr()) }

func (b bench) configAt(address string) Config {
	return Config{
		Address: address, Unit: 1, Timeout: patience,
		Revolution: Register{Function: 3, Register: 40, Type: b.typ},
		Speed:      &Register{Function: 3, Register: 42, Type: "u16", Scale: 0.1},
		Stops:      []Input{{2, 8}, {2, 9}, {2, 10}},
	}
}

func (b bench) Show(raw uint64, active ...int) {
	b.set(func() {
		b.words[40], b.words[41], b.words[42] = uint16(raw), 0, 225
		switch b.typ {
		case "u32be":
			b.words[40], b.words[41] = uint16(raw>>16), uint16(raw)
		case "u32le":
			b.words[41] = uint16(raw >> 16)
		}
		b.bits[8], b.bits[9], b.bits[10] = false, false, false
		for _, i := range active {
			b.bits[8+i] = true
		}
	})
}

func (b bench) Misbehave(f sourcetest.Fault) { b.set(func() { b.fault = f }) }

// Patience: connecting, two or three requests, and some room for a busy host.
func (b bench) Patience() time.Duration { return 6 * patience }
