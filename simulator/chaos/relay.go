package chaos

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"sync"
	"time"
)

// weather is what a relay does to a line.
type weather uint8

const (
	fair      weather = iota
	cut               // no connection
	delayed           // every piece half a second late
	slow              // 9600 bit/s, as an old radio link
	deaf              // nothing passes and nobody is told
	acksLost          // nothing passes towards the agent
	dataLost          // nothing passes towards the server
	lateClose         // the server's side stays open after the agent's has ended
	shuffled          // messages overtake each other
	repeated          // every message comes twice
	swallowed         // messages are acknowledged on the way and thrown away
)

const (
	lateBy   = 500 * time.Millisecond
	slowRate = 960 // bytes a second
	lingers  = 3 * time.Second
	holds    = 300 * time.Millisecond // what is to be overtaken waits so long
)

// relay stands between an agent and the broker.
type relay struct {
	ln    net.Listener
	to    string
	forge func(body []byte) []byte // of a PUBLISH to the server; nil = none

	mu      sync.Mutex
	now     weather
	changed chan struct{}
	pairs   map[*pair]bool
	ended   bool
	wg      sync.WaitGroup
}

// pair is one connection and its other half.
type pair struct {
	agent, server net.Conn
	once          sync.Once
	done          chan struct{}
	// Whole packets are written under them, by either pump.
	toAgent, toServer sync.Mutex
}

func (p *pair) close() {
	p.once.Do(func() {
		close(p.done)
		p.agent.Close()
		p.server.Close()
	})
}

func newRelay(to string, forge func([]byte) []byte) (*relay, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("chaos: listen for an agent: %w", err)
	}
	r := &relay{ln: ln, to: to, forge: forge, changed: make(chan struct{}), pairs: map[*pair]bool{}}
	r.wg.Go(r.accept)
	return r, nil
}

func (r *relay) close() {
	r.ln.Close()
	r.mu.Lock()
	r.ended = true
	for p := range r.pairs {
		p.close()
	}
	r.mu.Unlock()
	r.wg.Wait()
}

// set changes the weather.
func (r *relay) set(w weather) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.now = w
	close(r.changed)
	r.changed = make(chan struct{})
	if w == cut {
		for p := range r.pairs {
			p.close()
		}
	}
}

func (r *relay) state() (weather, chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.now, r.changed
}

// connected tells whether the agent has a connection.
func (r *relay) connected() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.pairs) > 0
}

func (r *relay) accept() {
	for {
		a, err := r.ln.Accept()
		if err != nil {
			return
		}
		if w, _ := r.state(); w == cut {
			a.Close()
			continue
		}
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		s, err := (&net.Dialer{}).DialContext(ctx, "tcp", r.to)
		cancel()
		if err != nil {
			a.Close()
			continue
		}
		p := &pair{agent: a, server: s, done: make(chan struct{})}
		r.mu.Lock()
		if r.ended {
			r.mu.Unlock()
			p.close()
			return
		}
		r.pairs[p] = true
		r.mu.Unlock()
		r.wg.Go(func() { r.carry(p) })
	}
}

// carry moves bytes both ways until one side ends.
func (r *relay) carry(p *pair) {
	var both sync.WaitGroup
	both.Go(func() {
		r.pump(p, p.agent, p.server, p.agent, true)
		if w, _ := r.state(); w == lateClose {
			p.agent.Close()
			pause(p.done, lingers)
		}
		p.close()
	})
	both.Go(func() {
		r.pump(p, p.server, p.agent, p.server, false)
		p.close()
	})
	both.Wait()
	r.mu.Lock()
	delete(r.pairs, p)
	r.mu.Unlock()
}

// pump moves whole MQTT packets one way.
func (r *relay) pump(p *pair, from io.Reader, to, back net.Conn, up bool) {
	coming := make(chan []byte)
	r.wg.Go(func() { // ends when from does: carry closes both sides
		defer close(coming)
		next := packets(from)
		for {
			b, err := next()
			if err != nil {
				return
			}
			select {
			case coming <- b:
			case <-p.done:
				return
			}
		}
	})
	var held []byte // a message that the next one overtakes
	release := func() bool {
		b := held
		held = nil
		return b == nil || p.write(to, b)
	}
	for {
		var late <-chan time.Time
		if held != nil {
			late = time.After(holds)
		}
		select {
		case <-p.done:
			return
		case <-late:
			if !release() {
				return
			}
		case b, ok := <-coming:
			if !ok {
				release()
				return
			}
			if !r.pass(p, up, len(b)) {
				return
			}
			if !r.deliver(p, r.alter(b, up), &held, to, back) {
				return
			}
		}
	}
}

// alter forges what is on its way to the server.
func (r *relay) alter(b []byte, up bool) []byte {
	if body := packetBody(b); up && r.forge != nil && isPublish(b) {
		return frame(b[0], r.forge(body))
	}
	return b
}

// deliver does to one packet what the weather wants; false = the pair ended.
func (r *relay) deliver(p *pair, b []byte, held *[]byte, to, back net.Conn) bool {
	w, _ := r.state()
	if !isPublish(b) {
		w = fair
	}
	switch w {
	case shuffled:
		if *held == nil {
			*held = b
			return true
		}
	case repeated:
		again := append([]byte(nil), b...)
		if qos(b) > 0 {
			again[0] |= 0x08 // DUP [MQTT-3.3.1-1]
		}
		if !p.write(to, b) {
			return false
		}
		b = again
	case swallowed:
		if id, ok := packetID(b); ok {
			return p.write(back, frame(0x40, []byte{byte(id >> 8), byte(id)})) // PUBACK
		}
		return true
	}
	if !p.write(to, b) {
		return false
	}
	b, *held = *held, nil
	return b == nil || p.write(to, b)
}

func (p *pair) write(to net.Conn, b []byte) bool {
	side := &p.toAgent
	if to == p.server {
		side = &p.toServer
	}
	side.Lock()
	defer side.Unlock()
	_, err := to.Write(b)
	return err == nil
}

// pass waits as long as the weather holds n bytes up; false = the pair ended.
func (r *relay) pass(p *pair, up bool, n int) bool {
	for {
		w, changed := r.state()
		wait := time.Duration(0)
		switch w {
		case delayed:
			wait = lateBy
		case slow:
			wait = time.Duration(n) * time.Second / slowRate
		case deaf, acksLost, dataLost:
			if w == deaf || up == (w == dataLost) {
				select {
				case <-changed:
					continue
				case <-p.done:
					return false
				}
			}
		}
		if wait == 0 {
			return true
		}
		return pause(p.done, wait)
	}
}

// maxPacket bounds an MQTT packet that is read whole.
const maxPacket = 1 << 20

// packets gives whole MQTT packets [MQTT-2.2.3: remaining length].
func packets(from io.Reader) func() ([]byte, error) {
	in := bufio.NewReader(from)
	return func() ([]byte, error) {
		head, err := in.ReadByte()
		if err != nil {
			return nil, err
		}
		n := 0
		for shift := 0; ; shift += 7 {
			b, err := in.ReadByte()
			if err != nil {
				return nil, err
			}
			n |= int(b&0x7f) << shift
			if n > maxPacket || shift > 21 {
				return nil, fmt.Errorf("chaos: MQTT packet of %d bytes, at most %d expected", n, maxPacket)
			}
			if b < 0x80 {
				break
			}
		}
		body := make([]byte, n)
		if _, err := io.ReadFull(in, body); err != nil {
			return nil, err
		}
		return frame(head, body), nil
	}
}

func frame(head byte, body []byte) []byte {
	out := []byte{head}
	for n := len(body); ; {
		b := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			b |= 0x80
		}
		out = append(out, b)
		if n == 0 {
			return append(out, body...)
		}
	}
}

func isPublish(b []byte) bool { return len(b) > 1 && b[0]>>4 == 3 }

func qos(b []byte) byte { return b[0] >> 1 & 3 }

// packetBody is what follows the remaining length.
func packetBody(b []byte) []byte {
	for i := 1; i < len(b); i++ {
		if b[i] < 0x80 {
			return b[i+1:]
		}
	}
	return nil
}

// packetID is that of a PUBLISH above QoS 0.
func packetID(b []byte) (uint16, bool) {
	body := packetBody(b)
	if len(body) < 2 || qos(b) == 0 {
		return 0, false
	}
	at := 2 + int(binary.BigEndian.Uint16(body))
	if at+2 > len(body) {
		return 0, false
	}
	return binary.BigEndian.Uint16(body[at:]), true
}
