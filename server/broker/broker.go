// Package broker is the MQTT broker inside the server: agents talk to it, and
// nobody else. One rule: a CONNECT that was read whole, from the identity it
// names, is the first thing the packet library sees; everything a connection
// holds is bounded. It keeps nothing: a message that is not accepted at once
// gets no PUBACK, and the agent's journal sends it again. PUBACK is no
// acknowledgement of counts; that is a message of the server's own.
package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// Bounds that no option moves.
const (
	maxConnectBytes = 16 << 10 // a CONNECT; a will is some hundred bytes
	maxUnsent       = 1 << 20  // bytes waiting for one agent that does not read
	maxStateBytes   = 128 << 10
	maxInflight     = 256             // messages unconfirmed by one agent
	maxReceive      = 64              // messages of one agent unanswered
	maxWritesQueued = 512             // messages waiting for the writer of one agent
	maxIdle         = 5 * time.Minute // silence of an agent that asked for no keepalive
	writeTimeout    = 10 * time.Second
	farewell        = time.Second // to send what is queued when a connection ends
)

// Options sets a broker up. Listen and Site are needed; the zero value of
// everything else works.
type Options struct {
	// Listen is the TCP address, "127.0.0.1:7883". Port 0 takes a free one.
	Listen string
	// TLS, when set, must ask for and verify client certificates; the client
	// id must then be the common name of the certificate. Nil is for loopback.
	TLS *tls.Config
	// Site is the id in every topic.
	Site string

	// Lamps is the topic below which tower lamps are told what waits; empty =
	// there are none. A client whose id is "lamp-" and a name may read the topic
	// of that name there, and nothing else.
	Lamps string

	// Admit decides about a CONNECT whose form is right. certName is empty
	// without TLS. Nil admits every well-formed id.
	Admit func(clientID, username, password, certName string) error
	// Batch takes the payload of an up topic; the slice may be kept. An error
	// means "not now": the message gets no PUBACK. ctx ends after BatchWait.
	Batch func(ctx context.Context, agent, machine, topic string, payload []byte) error
	// State takes an agent's live view or will, already checked against older
	// sessions. It must not block.
	State func(agent string, st *wirepb.AgentState)
	// Malformed takes what an agent sent below its own topics and nobody can
	// read; the message gets its PUBACK, so that it does not come for ever.
	Malformed func(agent, topic string, payload []byte, err error)

	// ConnectWait is how long a connection may take for TLS handshake and
	// CONNECT together. Zero means 10 s.
	ConnectWait time.Duration
	// BatchWait is how long Batch may block its agent's connection. Zero
	// means 2 s.
	BatchWait time.Duration
	// MaxClients is the number of agents connected. Zero means 1024.
	MaxClients int
	// PerAddress is the number of connections from one address. Zero means
	// 256, and MaxClients from loopback, where all agents have one address.
	PerAddress int
	// Log is where refusals and alarms go. Nil means nowhere.
	Log *slog.Logger
}

func (o *Options) defaults() {
	if o.ConnectWait == 0 {
		o.ConnectWait = 10 * time.Second
	}
	if o.BatchWait == 0 {
		o.BatchWait = 2 * time.Second
	}
	if o.MaxClients == 0 {
		o.MaxClients = 1024
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Admit == nil {
		o.Admit = func(_, _, _, _ string) error { return nil }
	}
	if o.Batch == nil {
		o.Batch = func(context.Context, string, string, string, []byte) error { return nil }
	}
	if o.State == nil {
		o.State = func(string, *wirepb.AgentState) {}
	}
	if o.Malformed == nil {
		o.Malformed = func(string, string, []byte, error) {}
	}
}

// Stats are counts since the start, for metrics.
type Stats struct {
	Connections int64 // open now, before and after their CONNECT
	Refused     int64 // connections ended before they were admitted
	Denied      int64 // publishes and subscriptions against the rules
	Rejected    int64 // batches answered with silence because ingest was full
	Malformed   int64
	Takeovers   int64
	// MessagesDropped and InflightDropped are messages to agents that were
	// thrown away because the agent did not read or did not confirm.
	MessagesDropped, InflightDropped int64
}

// Broker is a running broker. Its methods may be called from any goroutine.
type Broker struct {
	o   Options
	log *limited
	mq  *mqtt.Server
	l   *listener

	ctx    context.Context // ends when the broker stops; given to Batch
	cancel context.CancelFunc
	once   sync.Once
	down   chan struct{} // closed when everything of the broker has ended

	refused, denied, rejected, malformed, takeovers atomic.Int64
}

// New opens the address. Connections are answered once Run is called.
func New(o Options) (*Broker, error) {
	o.defaults()
	if !wire.ValidID(o.Site) {
		return nil, fmt.Errorf("broker: site %q is not an id: 1 to %d lower-case letters, digits, '-' and '_' are expected", o.Site, wire.MaxIDLen)
	}
	if o.TLS != nil && o.TLS.ClientAuth != tls.RequireAndVerifyClientCert {
		return nil, errors.New("broker: TLS without verified client certificates lets anybody in: set ClientAuth to RequireAndVerifyClientCert")
	}
	nl, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker: listen on %s: %w", o.Listen, err)
	}
	b := &Broker{o: o, log: &limited{log: o.Log}, down: make(chan struct{})}
	b.ctx, b.cancel = context.WithCancel(context.Background())
	b.l = newListener(b, nl)
	b.mq = mqtt.New(&mqtt.Options{
		Capabilities: capabilities(o.MaxClients),
		// The library logs whole packets, payload included; what matters is
		// logged here.
		Logger:                 slog.New(slog.DiscardHandler),
		SysTopicResendInterval: 3600, // $SYS is read by nobody
		InlineClient:           true,
	})
	err = b.mq.AddHook(&hook{b: b, newest: make(map[string]uint64)}, nil)
	if err == nil {
		err = b.mq.AddListener(b.l)
	}
	if err != nil {
		_ = nl.Close()
		return nil, fmt.Errorf("broker: set up: %w", err)
	}
	return b, nil
}

func capabilities(clients int) *mqtt.Capabilities {
	c := mqtt.NewDefaultServerCapabilities()
	c.MaximumClients = int64(clients)
	c.MaximumPacketSize = wire.MaxPacketBytes
	c.MaximumClientWritesPending = maxWritesQueued
	c.ReceiveMaximum = maxReceive
	c.MaximumInflight = maxInflight
	c.MinimumProtocolVersion = 4
	c.MaximumQos = 1
	c.TopicAliasMaximum = 0
	c.SharedSubAvailable = 0
	c.SubIDAvailable = 0
	c.MaximumSessionExpiryInterval = 0
	// Not the default day: the server's state is retained for as long as the
	// server runs.
	c.MaximumMessageExpiryInterval = 0
	return c
}

// Addr is the address listened on, with its real port.
func (b *Broker) Addr() string { return b.l.nl.Addr().String() }

// Publish sends a message to the agents that read the topic. It does not wait
// for anybody: what an agent cannot take is dropped and counted.
func (b *Broker) Publish(topic string, payload []byte, retain bool) error {
	if b.ctx.Err() != nil {
		return fmt.Errorf("broker: publish on %s: the broker has ended", topic)
	}
	if err := b.mq.Publish(topic, payload, retain, 1); err != nil {
		return fmt.Errorf("broker: publish %d bytes on %s: %w", len(payload), topic, err)
	}
	return nil
}

// Stats tells the counts so far.
func (b *Broker) Stats() Stats {
	return Stats{
		Connections:     b.l.open(),
		Refused:         b.refused.Load(),
		Denied:          b.denied.Load(),
		Rejected:        b.rejected.Load(),
		Malformed:       b.malformed.Load(),
		Takeovers:       b.takeovers.Load(),
		MessagesDropped: atomic.LoadInt64(&b.mq.Info.MessagesDropped),
		InflightDropped: atomic.LoadInt64(&b.mq.Info.InflightDropped),
	}
}

// Run answers connections until ctx ends, then closes every one of them,
// whole or half open, and returns nil. It starts no goroutine that outlives it.
func (b *Broker) Run(ctx context.Context) error {
	if err := b.mq.Serve(); err != nil {
		return errors.Join(fmt.Errorf("broker: start: %w", err), b.Close())
	}
	select {
	case <-ctx.Done():
	case <-b.ctx.Done(): // Close
	}
	return b.Close()
}

// Close ends the broker; a second call waits for the first.
func (b *Broker) Close() error {
	b.once.Do(func() {
		defer close(b.down)
		b.cancel()
		// All connections first: the library's Close waits for its clients,
		// and a silent one would hold it.
		b.l.kill()
		b.l.wg.Wait()
		_ = b.mq.Close() // once: a second call would panic
	})
	<-b.down
	return nil
}

// limited is a log that strangers cannot flood: one line a second for each
// message, and how many were left out.
type limited struct {
	log *slog.Logger
	mu  sync.Mutex
	at  map[string]*quota
}

type quota struct {
	next time.Time
	left int64
}

// Warn logs the constant message unless it was logged less than a second ago.
func (l *limited) Warn(msg string, args ...any) {
	now := time.Now()
	l.mu.Lock()
	if l.at == nil {
		l.at = make(map[string]*quota) // keys are the constant messages of this package
	}
	q := l.at[msg]
	if q == nil {
		q = new(quota)
		l.at[msg] = q
	}
	if now.Before(q.next) {
		q.left++
		l.mu.Unlock()
		return
	}
	left := q.left
	q.left, q.next = 0, now.Add(time.Second)
	l.mu.Unlock()
	if left > 0 {
		args = append(args, "left_out", left)
	}
	l.log.Warn(msg, args...)
}
