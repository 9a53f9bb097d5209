package broker

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"runtime/debug"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// listener accepts connections, and hands one to the packet library only when
// its TLS handshake is done and its CONNECT has been read whole, in time.
type listener struct {
	b  *Broker
	nl net.Listener
	wg sync.WaitGroup // accept loop and connections

	mu     sync.Mutex
	killed bool
	conns  map[net.Conn]*conn // nil before the CONNECT
	byAddr map[netip.Addr]int
	held   map[string]*conn // client id -> its one connection
}

func newListener(b *Broker, nl net.Listener) *listener {
	return &listener{b: b, nl: nl, conns: make(map[net.Conn]*conn), byAddr: make(map[netip.Addr]int), held: make(map[string]*conn)}
}

// The interface of the packet library.

func (l *listener) Init(*slog.Logger) error { return nil }
func (l *listener) ID() string              { return "agents" }
func (l *listener) Address() string         { return l.nl.Addr().String() }
func (l *listener) Protocol() string        { return "mqtt" }

// Close is called by the library's own Close, after kill.
func (l *listener) Close(listeners.CloseFn) {}

// Serve accepts until the listener is killed.
func (l *listener) Serve(establish listeners.EstablishFn) {
	if !l.enter() {
		return
	}
	defer l.wg.Done()
	pause := time.Duration(0)
	for {
		nc, err := l.nl.Accept()
		switch {
		case errors.Is(err, net.ErrClosed):
			return
		case err != nil: // out of file descriptors, or the peer was gone already
			pause = min(max(2*pause, 5*time.Millisecond), time.Second)
			l.b.log.Warn("accept", "error", err, "again_in", pause)
			select {
			case <-time.After(pause):
			case <-l.b.ctx.Done():
				return
			}
			continue
		}
		pause = 0
		addr := peer(nc)
		if err := l.admit(nc, addr); err != nil {
			l.b.refused.Add(1)
			l.b.log.Warn("connection refused", "remote", nc.RemoteAddr().String(), "error", err)
			_ = nc.Close()
			continue
		}
		go func() {
			defer l.wg.Done()
			defer l.release(nc, addr)
			l.serve(nc, establish)
		}()
	}
}

// enter counts a goroutine of the listener; false when it has been killed.
func (l *listener) enter() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.killed {
		return false
	}
	l.wg.Add(1)
	return true
}

// admit counts a connection in, against the limits.
func (l *listener) admit(nc net.Conn, addr netip.Addr) error {
	limit := l.b.o.PerAddress
	if limit == 0 {
		if limit = 256; addr.IsLoopback() {
			limit = l.b.o.MaxClients
		}
	}
	// Room for as many that have not sent their CONNECT yet.
	total := 2 * l.b.o.MaxClients
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.killed:
		return net.ErrClosed
	case len(l.conns) >= total:
		return fmt.Errorf("%d connections are open, that is the limit", total)
	case l.byAddr[addr] >= limit:
		return fmt.Errorf("%d connections from this address are open, that is the limit", limit)
	}
	l.conns[nc] = nil
	l.byAddr[addr]++
	l.wg.Add(1)
	return nil
}

func (l *listener) release(nc net.Conn, addr netip.Addr) {
	_ = nc.Close()
	l.mu.Lock()
	defer l.mu.Unlock()
	if c := l.conns[nc]; c != nil && c.id != "" && l.held[c.id] == c {
		delete(l.held, c.id)
	}
	delete(l.conns, nc)
	if l.byAddr[addr]--; l.byAddr[addr] <= 0 {
		delete(l.byAddr, addr)
	}
}

// serve sees one connection through.
func (l *listener) serve(nc net.Conn, establish listeners.EstablishFn) {
	c, err := l.greet(nc)
	if err != nil {
		if l.b.ctx.Err() == nil {
			l.b.refused.Add(1)
			l.b.log.Warn("no CONNECT", "remote", nc.RemoteAddr().String(), "error", err)
		}
		return
	}
	if !l.admitted(nc, c) {
		return
	}
	writer := make(chan struct{})
	go func() { defer close(writer); c.writeLoop() }()
	defer func() {
		if p := recover(); p != nil {
			l.b.log.Warn("panic on a connection", "remote", c.RemoteAddr().String(), "agent", c.id, "panic", p, "stack", string(debug.Stack()))
		}
		_ = c.Close()
		<-writer
		close(c.done)
	}()
	if err := establish(l.ID(), c); err != nil && c.id == "" && !c.refused && l.b.ctx.Err() == nil {
		l.b.refused.Add(1)
		l.b.log.Warn("CONNECT refused", "remote", c.RemoteAddr().String(), "error", err)
	}
}

func (l *listener) admitted(nc net.Conn, c *conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.killed {
		return false
	}
	l.conns[nc] = c
	return true
}

// greet does the TLS handshake and reads the CONNECT packet, all before one
// deadline.
func (l *listener) greet(nc net.Conn) (*conn, error) {
	if err := nc.SetDeadline(time.Now().Add(l.b.o.ConnectWait)); err != nil {
		return nil, err
	}
	c := &conn{Conn: nc, ready: make(chan struct{}, 1), done: make(chan struct{})}
	if l.b.o.TLS != nil {
		tc := tls.Server(nc, l.b.o.TLS)
		if err := tc.HandshakeContext(l.b.ctx); err != nil {
			return nil, fmt.Errorf("TLS handshake: %w", err)
		}
		c.Conn, c.certName = tc, certName(tc.ConnectionState())
		if c.certName == "" {
			return nil, errors.New("TLS handshake: the certificate names nobody: a common name or one DNS name is expected")
		}
	}
	first, err := readConnect(c.Conn)
	if err != nil {
		return nil, err
	}
	c.first = bytes.NewReader(first)
	return c, nil
}

// certName is the identity in a verified client certificate.
func certName(s tls.ConnectionState) string {
	if len(s.VerifiedChains) == 0 {
		return ""
	}
	leaf := s.PeerCertificates[0]
	if leaf.Subject.CommonName == "" && len(leaf.DNSNames) == 1 {
		return leaf.DNSNames[0]
	}
	return leaf.Subject.CommonName
}

// readConnect reads one CONNECT of MQTT 3.1.1 and not a byte more.
func readConnect(rw io.ReadWriter) ([]byte, error) {
	head := make([]byte, 2, 5)
	if _, err := io.ReadFull(rw, head); err != nil {
		return nil, fmt.Errorf("CONNECT: %w", err)
	}
	if head[0] != 0x10 { // [MQTT-3.1.0-1], flags are reserved [MQTT-2.2.2-1]
		return nil, fmt.Errorf("CONNECT: first byte is %#02x, 0x10 expected", head[0])
	}
	for head[len(head)-1]&0x80 != 0 {
		if len(head) == 5 {
			return nil, errors.New("CONNECT: its length has more than four bytes")
		}
		head = head[:len(head)+1]
		if _, err := io.ReadFull(rw, head[len(head)-1:]); err != nil {
			return nil, fmt.Errorf("CONNECT: %w", err)
		}
	}
	n := 0
	for i, b := range head[1:] {
		n |= int(b&0x7f) << (7 * i)
	}
	// Before anything is allocated for a stranger.
	if n < 10 || n > maxConnectBytes {
		return nil, fmt.Errorf("CONNECT: %d bytes announced, 10 to %d expected", n, maxConnectBytes)
	}
	p := make([]byte, len(head)+n)
	copy(p, head)
	body := p[len(head):]
	if _, err := io.ReadFull(rw, body); err != nil {
		return nil, fmt.Errorf("CONNECT: %w", err)
	}
	if !bytes.Equal(body[:6], []byte{0, 4, 'M', 'Q', 'T', 'T'}) {
		return nil, fmt.Errorf("CONNECT: protocol name %q, \"MQTT\" expected", body[2:6])
	}
	if body[6] != 4 {
		_, _ = rw.Write([]byte{0x20, 2, 0, 1}) // [MQTT-3.1.2-2]; the deadline is still set
		return nil, fmt.Errorf("CONNECT: protocol level %d, 4 (MQTT 3.1.1) expected", body[6])
	}
	return p, nil
}

// claim gives a client id to a connection. A connection that has the id is
// ended first, wholly: its will is sent before the new session begins, and
// the library never sees two sessions of one id, which it would mix up.
func (l *listener) claim(ctx context.Context, id string, c *conn) (took bool, err error) {
	for {
		l.mu.Lock()
		old := l.held[id]
		if old == nil {
			c.id = id
			l.held[id] = c
			l.mu.Unlock()
			return took, nil
		}
		l.mu.Unlock()
		if old == c {
			return took, errors.New("a second CONNECT")
		}
		took = took || !old.gone.Load() // else it is ending by itself
		_ = old.Close()
		select {
		case <-old.done:
			l.forget(id, old)
		case <-ctx.Done():
			return took, fmt.Errorf("the connection that has the id does not end: %w", ctx.Err())
		}
	}
}

func (l *listener) forget(id string, c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.held[id] == c {
		delete(l.held, id)
	}
}

// kill closes the listener and every connection, half open or not.
func (l *listener) kill() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.killed = true
	_ = l.nl.Close()
	for nc, c := range l.conns {
		if c == nil {
			_ = nc.Close()
		} else {
			_ = c.Close()
		}
	}
}

func (l *listener) open() int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return int64(len(l.conns))
}

// peer is the address without its port; the zero address for a pipe.
func peer(nc net.Conn) netip.Addr {
	ap, err := netip.ParseAddrPort(nc.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}
