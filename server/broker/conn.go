package broker

import (
	"bytes"
	"errors"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

var errSlow = errors.New("the agent does not read what is sent to it")

// conn is a connection as the packet library sees it. Writes never block: the
// library holds a lock while it writes that a publish to the same client
// needs, so one agent that does not read would stop the acknowledgements of
// all. What one agent does not read is bounded; beyond it the connection ends.
type conn struct {
	net.Conn
	first    *bytes.Reader // the CONNECT that was read ahead
	certName string
	id       string        // client id, once claimed; guarded by listener.mu
	refused  bool          // by the hook, which has counted and logged it
	gone     atomic.Bool   // the peer has left, or reading was ended
	done     chan struct{} // closed when the connection has ended and so has its session

	ready chan struct{} // something to write, or to close
	mu    sync.Mutex
	out   []byte
	ended bool
}

func (c *conn) Read(p []byte) (int, error) {
	if c.first.Len() > 0 {
		return c.first.Read(p)
	}
	n, err := c.Conn.Read(p)
	if err != nil {
		c.gone.Store(true)
	}
	return n, err
}

// Write queues p.
func (c *conn) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ended {
		return 0, net.ErrClosed
	}
	if len(c.out)+len(p) > maxUnsent {
		c.end()
		return 0, errSlow
	}
	c.out = append(c.out, p...)
	c.wake()
	return len(p), nil
}

// SetDeadline is what the library asks for after each packet: a deadline for
// the next one. A keepalive of zero or of hours is cut to maxIdle.
func (c *conn) SetDeadline(t time.Time) error {
	if latest := time.Now().Add(maxIdle); t.IsZero() || t.After(latest) {
		t = latest
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ended { // end has set the deadline that wakes the reader
		return net.ErrClosed
	}
	return c.Conn.SetReadDeadline(t)
}

// Close ends reading at once and the connection as soon as what is queued has
// been written, within the farewell.
func (c *conn) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.end()
	return nil
}

func (c *conn) end() {
	if c.ended {
		return
	}
	c.ended = true
	_ = c.Conn.SetReadDeadline(time.Unix(1, 0))
	_ = c.Conn.SetWriteDeadline(time.Now().Add(farewell))
	c.wake()
}

func (c *conn) wake() {
	select {
	case c.ready <- struct{}{}:
	default:
	}
}

// writeLoop owns the writing side and the closing.
func (c *conn) writeLoop() {
	var spare []byte
	for range c.ready {
		c.mu.Lock()
		p, ended := c.out, c.ended
		c.out = spare[:0]
		if !ended {
			_ = c.Conn.SetWriteDeadline(time.Now().Add(writeTimeout))
		}
		c.mu.Unlock()
		if _, err := c.Conn.Write(p); err != nil {
			_ = c.Close()
			ended = true
		}
		if ended {
			_ = c.Conn.Close()
			return
		}
		if spare = p; cap(spare) > 64<<10 {
			spare = nil
		}
	}
}
