package uplink

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"turnwise/agent/uplink/sender"
	"turnwise/proto/wire"
)

// dialer makes a connection that is subscribed to what the server sends. will
// is published by the broker when the connection ends without a goodbye.
type dialer func(ctx context.Context, will sender.Message) (conn, error)

// conn is one connection to the broker. It never comes back: after its end a
// new one is dialled, so nothing of an old one can stay stuck.
type conn interface {
	// send hands a message over without waiting. It returns false when the
	// connection takes no more now; room wakes when it does again.
	send(m sender.Message) bool
	room() <-chan struct{}
	received() <-chan sender.Message
	// done is closed when the connection has ended; err says why.
	done() <-chan struct{}
	err() error
	// close lets what was handed over go out, for wait at most, and ends with
	// a goodbye when all of it did; otherwise it breaks off.
	close(wait time.Duration)
}

const (
	connectTimeout = 10 * time.Second
	// writeTimeout is long for slow lines: 32 KiB take 27 s at 9600 bit/s.
	writeTimeout = 40 * time.Second
	sendQueue    = 16
	// unconfirmed bounds what the client holds in memory.
	unconfirmed  = 64
	receiveQueue = 1024
	quitTime     = 250 // ms
	// Return codes of a CONNACK [MQTT-3.2.2.3].
	refusedName, refusedAgent = 4, 5
)

var errStalled = errors.New("the broker confirms nothing any more")

// mqttConn is a connection with the MQTT client library. The library neither
// reconnects nor retries here: a fresh client object for every connection is
// free of the dead ends that an old one can get into, and each CONNECT gets
// its own session number into the will.
type mqttConn struct {
	client mqtt.Client
	stall  time.Duration

	out    chan sender.Message
	in     chan sender.Message
	wake   chan struct{}
	quit   chan struct{} // closed to end the pump when out is empty
	ended  chan struct{} // closed at the end of the connection
	pumped chan struct{} // closed when the pump has ended

	once  sync.Once
	cause error

	mu  sync.Mutex
	net net.Conn
}

func mqttDialer(o Options, address string, secure bool) dialer {
	return func(ctx context.Context, will sender.Message) (conn, error) {
		c := &mqttConn{
			stall: 3 * o.Keepalive,
			out:   make(chan sender.Message, sendQueue), in: make(chan sender.Message, receiveQueue), wake: make(chan struct{}, 1),
			quit: make(chan struct{}), ended: make(chan struct{}), pumped: make(chan struct{}),
		}
		take := func(_ mqtt.Client, m mqtt.Message) {
			if len(m.Payload()) > wire.MaxPacketBytes {
				return
			}
			select {
			case c.in <- sender.Message{Topic: m.Topic(), Payload: m.Payload(), At: o.Clock().Boottime}:
			default: // a lost acknowledgement costs a resend; blocking here costs the connection
			}
		}
		po := mqtt.NewClientOptions().
			AddBroker("tcp://"+address). // only named: open makes the connection
			SetClientID(o.Agent).SetUsername(o.Username).SetPassword(o.Password).
			SetProtocolVersion(4).SetCleanSession(true).SetStore(mqtt.NewMemoryStore()).
			SetOrderMatters(false).SetDefaultPublishHandler(take).
			SetKeepAlive(o.Keepalive).SetPingTimeout(min(o.Keepalive, 10*time.Second)).
			SetConnectTimeout(connectTimeout).SetWriteTimeout(writeTimeout).
			SetAutoReconnect(false).SetConnectRetry(false).
			SetBinaryWill(will.Topic, will.Payload, 1, true).
			SetConnectionLostHandler(func(_ mqtt.Client, err error) { c.end(err) }).
			SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
				return c.open(ctx, address, secure, o.TLS)
			})
		c.client = mqtt.NewClient(po)
		if err := c.establish(ctx, o.Agent, wire.Down(o.Site, o.Agent), wire.ServerState(o.Site)); err != nil {
			c.end(err)
			c.hangUp()
			return nil, fmt.Errorf("uplink: connect agent %s to %s: %w", o.Agent, address, err)
		}
		go c.pump()
		return c, nil
	}
}

func (c *mqttConn) open(ctx context.Context, address string, secure bool, conf *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	var n net.Conn
	var err error
	if secure {
		n, err = (&tls.Dialer{Config: conf}).DialContext(ctx, "tcp", address)
	} else {
		n, err = (&net.Dialer{}).DialContext(ctx, "tcp", address)
	}
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	select {
	case <-c.ended: // given up meanwhile
		n.Close()
		return nil, net.ErrClosed
	default:
	}
	c.net = n
	return n, nil
}

func (c *mqttConn) establish(ctx context.Context, agent string, filters ...string) error {
	login := c.client.Connect()
	if err := c.await(ctx, login, 2*connectTimeout); err != nil {
		if refused(login) {
			return fmt.Errorf("%w: not admitted by the broker; check user name, password and certificate, or register: planner units register %s --machines M", err, agent)
		}
		return err
	}
	for _, filter := range filters {
		if err := c.subscribe(ctx, filter); err != nil {
			return err
		}
	}
	return nil
}

func (c *mqttConn) subscribe(ctx context.Context, filter string) error {
	// The library holds the call itself, up to its write limit, when the line has gone
	// since the login; whoever ends must not wait for that.
	asked := make(chan mqtt.Token, 1)
	go func() { asked <- c.client.Subscribe(filter, 1, nil) }()
	var t mqtt.Token
	select {
	case t = <-asked:
	case <-ctx.Done():
		return fmt.Errorf("subscribe to %s: %w", filter, ctx.Err())
	case <-c.ended:
		return fmt.Errorf("subscribe to %s: %w", filter, c.cause)
	}
	if err := c.await(ctx, t, connectTimeout); err != nil {
		return fmt.Errorf("subscribe to %s: %w", filter, err)
	}
	if st, ok := t.(*mqtt.SubscribeToken); ok && st.Result()[filter] == 0x80 {
		return fmt.Errorf("subscribe to %s: refused by the broker; check the rights of this agent there", filter)
	}
	return nil
}

// refused tells whether the broker answered that it does not want this agent.
// The library writes the answer without a lock, so that it may be read only
// from a token that is complete.
func refused(login mqtt.Token) bool {
	select {
	case <-login.Done():
	default:
		return false
	}
	t, ok := login.(*mqtt.ConnectToken)
	return ok && (t.ReturnCode() == refusedName || t.ReturnCode() == refusedAgent)
}

// await waits for a token, which by itself may never complete.
func (c *mqttConn) await(ctx context.Context, t mqtt.Token, limit time.Duration) error {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-c.ended:
		return c.cause
	case <-timer.C:
		return fmt.Errorf("no answer within %v", limit)
	}
}

func (c *mqttConn) send(m sender.Message) bool {
	select {
	case <-c.ended:
		return false
	default:
	}
	select {
	case c.out <- m:
		return true
	default:
		return false
	}
}

func (c *mqttConn) room() <-chan struct{}           { return c.wake }
func (c *mqttConn) received() <-chan sender.Message { return c.in }
func (c *mqttConn) done() <-chan struct{}           { return c.ended }

func (c *mqttConn) err() error {
	<-c.ended
	return c.cause
}

func (c *mqttConn) end(err error) {
	if err == nil {
		err = errors.New("connection ended")
	}
	c.once.Do(func() {
		c.cause = err
		close(c.ended)
	})
}

// pump publishes what was handed over. A publish token says nothing about the
// server; here it only shows that the connection lives: when none completes
// for three keepalives the connection is dropped.
func (c *mqttConn) pump() {
	defer close(c.pumped)
	var waiting []mqtt.Token
	stall := time.NewTimer(c.stall)
	defer stall.Stop()
	quit, quitting := c.quit, false
	for {
		out, first := c.out, (<-chan struct{})(nil)
		if len(waiting) >= unconfirmed {
			out = nil
		}
		if len(waiting) > 0 {
			first = waiting[0].Done()
		} else {
			stall.Reset(c.stall)
		}
		if quitting && len(waiting) == 0 && len(c.out) == 0 {
			return
		}
		select {
		case <-c.ended:
			return
		case <-quit:
			quit, quitting = nil, true
		case m := <-out:
			select {
			case c.wake <- struct{}{}:
			default:
			}
			// It blocks for writeTimeout at most.
			waiting = append(waiting, c.client.Publish(m.Topic, 1, m.Retain, m.Payload))
		case <-first:
			if err := waiting[0].Error(); err != nil {
				c.end(err)
				return
			}
			waiting = waiting[1:]
			stall.Reset(c.stall)
		case <-stall.C:
			c.end(errStalled)
			return
		}
	}
}

func (c *mqttConn) close(wait time.Duration) {
	close(c.quit)
	if wait > 0 {
		timer := time.NewTimer(wait)
		defer timer.Stop()
		select {
		case <-c.pumped:
			select {
			case <-c.ended:
			default:
				c.client.Disconnect(quitTime) // a goodbye: the broker drops the will
			}
		case <-timer.C:
		}
	}
	c.end(net.ErrClosed)
	c.hangUp()
	// A publish that met the end of the connection half-way is let go by the
	// library after writeTimeout; the pump then ends by itself.
	timer := time.NewTimer(goodbyeTime)
	defer timer.Stop()
	select {
	case <-c.pumped:
	case <-timer.C:
	}
}

// hangUp closes the network connection under the library, which ends all its
// goroutines whatever they wait for.
func (c *mqttConn) hangUp() {
	c.mu.Lock()
	if c.net != nil {
		c.net.Close()
	}
	c.mu.Unlock()
	c.client.Disconnect(0)
}
