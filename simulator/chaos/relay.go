package chaos

import (
	"bufio"
	"context"
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
)

const (
	lateBy   = 500 * time.Millisecond
	slowRate = 960 // bytes a second
	lingers  = 3 * time.Second
)

// relay stands between an agent and the broker.
type relay struct {
	ln    net.Listener
	to    string
	forge func(packet []byte) []byte // nil = bytes go as they are

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
		r.pump(p, p.agent, p.server, true)
		if w, _ := r.state(); w == lateClose {
			p.agent.Close()
			pause(p.done, lingers)
		}
		p.close()
	})
	both.Go(func() {
		r.pump(p, p.server, p.agent, false)
		p.close()
	})
	both.Wait()
	r.mu.Lock()
	delete(r.pairs, p)
	r.mu.Unlock()
}

func (r *relay) pump(p *pair, from io.Reader, to io.Writer, up bool) {
	next := pieces(from)
	if up && r.forge != nil {
		next = packets(from, r.forge)
	}
	for {
		b, err := next()
		if len(b) > 0 && (!r.pass(p, up, len(b)) || !written(to, b)) {
			return
		}
		if err != nil {
			return
		}
	}
}

func written(to io.Writer, b []byte) bool {
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

// pieces gives the bytes as they come.
func pieces(from io.Reader) func() ([]byte, error) {
	buf := make([]byte, 4096)
	return func() ([]byte, error) {
		n, err := from.Read(buf)
		return buf[:n], err
	}
}

// maxPacket bounds an MQTT packet that is read whole.
const maxPacket = 1 << 20

// packets gives whole MQTT packets, forged [MQTT-2.2.3: remaining length].
func packets(from io.Reader, forge func([]byte) []byte) func() ([]byte, error) {
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
		if head>>4 == 3 { // PUBLISH
			body = forge(body)
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
