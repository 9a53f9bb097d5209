// Package uplink carries an agent's journal to the server over MQTT. The one
// rule: only the server's own acknowledgement counts; what the broker says
// means nothing. It changes no record and never counts.
//
// Each stream is sent go-back-N with a small window. The cursor lives in
// memory and begins after what the journal knows to be acknowledged, so any
// loss on the way ends in a resend, and the server skips what it has.
package uplink

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// Options tunes an Uplink. URL, Site, Agent and Clock are required; the zero
// value of everything else works.
type Options struct {
	// URL of the broker: mqtt://HOST:PORT on this host, mqtts://HOST:PORT
	// anywhere. The ports are 1883 and 8883 when left out.
	URL string
	// Site and Agent are the ids in every topic; Agent is the MQTT client id.
	Site, Agent string
	// Version of the agent, shown in the live view.
	Version string
	// TLS for mqtts; nil means the roots of the system and no certificate.
	TLS *tls.Config
	// Username and Password; empty means none.
	Username, Password string
	// Keepalive of the MQTT connection, whole seconds. Zero means 15 s: a
	// line that died without a word is noticed within half a minute.
	Keepalive time.Duration
	// Group is the shortest time between two flushes of new records of one
	// machine; the first after a rest goes at once. Zero means 200 ms.
	Group time.Duration
	// AckTimeout is how long to wait for the server before sending again.
	// Zero means 5 s; it grows to a minute while there is no answer.
	AckTimeout time.Duration
	// Window is the number of batches outstanding on a stream. Zero means 4.
	Window int
	// CatchUp is the rate of backlog batches a second of the whole agent, so
	// that many agents coming back do not starve new records. Zero means 20.
	CatchUp float64
	// Clock reads the agent's clocks.
	Clock func() source.Instant
	// Live gives the newest look at each machine; nil means that the live
	// view shows the streams only. It is called once a second at most and
	// must not block.
	Live func() []*wirepb.MachineLive
	// Log; nil means slog.Default().
	Log *slog.Logger

	dial dialer // nil means MQTT
}

// Uplink sends a journal.
type Uplink struct {
	o       Options
	j       *journal.Journal
	streams []*stream
	byID    map[[16]byte]*stream
	turn    int // whose turn it is

	tokens   float64 // backlog batches that may go now
	filledAt time.Time

	stateSent   time.Time
	stateDigest []byte
	session     uint64

	registerAt time.Time // when to tell people about unregistered machines

	offset offset
}

// New checks the options. It does not connect.
func New(j *journal.Journal, o Options) (*Uplink, error) {
	o.Keepalive = cmp.Or(o.Keepalive, 15*time.Second)
	o.Group = cmp.Or(o.Group, 200*time.Millisecond)
	o.AckTimeout = cmp.Or(o.AckTimeout, 5*time.Second)
	o.Window = cmp.Or(o.Window, 4)
	o.CatchUp = cmp.Or(o.CatchUp, 20)
	if o.Log == nil {
		o.Log = slog.Default()
	}
	var errs []error
	for _, id := range []struct{ key, value string }{{"site", o.Site}, {"agent", o.Agent}} {
		if !wire.ValidID(id.value) {
			errs = append(errs, fmt.Errorf("uplink: %s %q is not an id: 1 to %d lower-case letters, digits, '-' and '_' expected", id.key, id.value, wire.MaxIDLen))
		}
	}
	if o.Clock == nil {
		errs = append(errs, errors.New("uplink: no clock given"))
	}
	if o.Keepalive < time.Second || o.Group < 0 || o.AckTimeout < 0 || o.Window < 0 || o.CatchUp < 0 {
		errs = append(errs, fmt.Errorf("uplink: keepalive %v, group %v, acknowledgement time-out %v, window %d, catch-up %g: a keepalive of 1 s or more and nothing negative expected",
			o.Keepalive, o.Group, o.AckTimeout, o.Window, o.CatchUp))
	}
	address, secure, err := parseURL(o.URL)
	if err != nil {
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	if o.dial == nil {
		o.dial = mqttDialer(o, address, secure)
	}
	return &Uplink{o: o, j: j, byID: map[[16]byte]*stream{}}, nil
}

// parseURL reads the address of the broker. Without TLS only this host will
// do: a name and a password, and every count, would be open to the network.
func parseURL(s string) (address string, secure bool, err error) {
	fail := func(why string) (string, bool, error) {
		return "", false, fmt.Errorf("uplink: broker %q: %s; mqtts://HOST:PORT, or mqtt://127.0.0.1:PORT on this host, expected", s, why)
	}
	u, err := url.Parse(s)
	if err != nil || u.Hostname() == "" {
		return fail("not an address")
	}
	if u.User != nil {
		return "", false, errors.New("uplink: broker: a name or password stands in the address, where it gets into logs; set user name and password on their own")
	}
	if u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" {
		return fail("more than host and port")
	}
	port := u.Port()
	switch u.Scheme {
	case "mqtts":
		return net.JoinHostPort(u.Hostname(), cmp.Or(port, "8883")), true, nil
	case "mqtt":
		ip := net.ParseIP(u.Hostname())
		if u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return fail("no TLS to another host")
		}
		return net.JoinHostPort(u.Hostname(), cmp.Or(port, "1883")), false, nil
	}
	return fail("unknown scheme")
}

// Times of the connection.
const (
	maxReconnect = 30 * time.Second
	drainTime    = 2 * time.Second
	goodbyeTime  = 500 * time.Millisecond
	stateEvery   = 10 * time.Second
	stateAtMost  = time.Second
)

// Run connects and sends until ctx ends. Then it tries for about two seconds
// to bring the durable records to the server, says that it is offline, and
// returns nil.
func (u *Uplink) Run(ctx context.Context) error {
	attempt, told := 0, ""
	var shortLived []time.Time
	for ctx.Err() == nil {
		began := time.Now()
		err := u.connectAndSend(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if lived := time.Since(began); lived > maxReconnect {
			attempt = 0
		}
		var lost *lostError
		if errors.As(err, &lost) {
			told = "" // the next refusal is news
			u.o.Log.Warn("connection to the broker lost", "broker", u.o.URL, "error", lost)
			shortLived = u.noteTakeover(shortLived, began)
		} else if err != nil && err.Error() != told {
			told = err.Error()
			u.o.Log.Warn("broker not reached, trying again", "broker", u.o.URL, "error", err)
		}
		// Full jitter: many agents that lost one broker do not come back as one.
		wait := time.Duration(rand.Float64() * float64(min(maxReconnect, time.Second<<min(attempt, 10))))
		attempt++
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
	return nil
}

// noteTakeover warns when connections end soon after they began, again and
// again: two agents with one id throw each other out for ever.
func (u *Uplink) noteTakeover(ends []time.Time, began time.Time) []time.Time {
	now := time.Now()
	if now.Sub(began) > 20*time.Second {
		return nil
	}
	for len(ends) > 0 && now.Sub(ends[0]) > time.Minute {
		ends = ends[1:]
	}
	if ends = append(ends, now); len(ends) == 4 {
		u.o.Log.Error("connection ended 4 times in a minute: another agent may use the same id; give every agent an id of its own", "agent", u.o.Agent)
	}
	return ends
}

// lostError says that a connection that stood has ended.
type lostError struct{ cause error }

func (e *lostError) Error() string { return e.cause.Error() }
func (e *lostError) Unwrap() error { return e.cause }

func (u *Uplink) connectAndSend(ctx context.Context) error {
	u.j.Boot(u.o.Clock().Boot) // durable with the session: its number is about to be sent
	session, err := u.j.NextSession()
	if err != nil {
		return err
	}
	u.session = session
	will, err := proto.Marshal(u.offlineState())
	if err != nil {
		return fmt.Errorf("uplink: will: %w", err)
	}
	c, err := u.o.dial(ctx, message{topic: wire.State(u.o.Site, u.o.Agent), payload: will})
	if err != nil {
		return err
	}
	u.o.Log.Info("connected to the broker", "broker", u.o.URL, "session", session)
	u.restart()
	err = u.serve(ctx, c)
	if ctx.Err() != nil {
		last := will
		st := u.offlineState()
		st.Machines = u.machines() // unlike a will it knows how the streams stand
		if b, err := proto.Marshal(st); err == nil {
			last = b
		}
		sayGoodbye(c, message{topic: wire.State(u.o.Site, u.o.Agent), payload: last, retain: true})
		return nil
	}
	c.close(0)
	return &lostError{err}
}

// sayGoodbye sends the last message and ends the connection. When it does not
// get through in time the connection breaks off and the broker sends the will.
func sayGoodbye(c conn, last message) {
	timer := time.NewTimer(goodbyeTime)
	defer timer.Stop()
	for !c.send(last) {
		select {
		case <-c.room():
		case <-c.done():
			c.close(0)
			return
		case <-timer.C:
			c.close(0)
			return
		}
	}
	c.close(goodbyeTime)
}

// serve sends on one connection until it ends or ctx does and what is durable
// has been acknowledged.
func (u *Uplink) serve(ctx context.Context, c conn) error {
	wake := time.NewTimer(0)
	defer wake.Stop()
	ending := ctx.Done()
	var until time.Time // end of draining
	for {
		now := time.Now()
		u.findStreams()
		due := u.step(now, c, !until.IsZero())
		if !until.IsZero() {
			if u.drained() || !now.Before(until) {
				return nil
			}
			due = earlier(due, until)
		}
		wake.Reset(max(due.Sub(now), time.Millisecond))
		select {
		case <-ending:
			ending, until = nil, time.Now().Add(drainTime)
			if err := u.j.Sync(); err != nil && !errors.Is(err, journal.ErrClosed) {
				u.o.Log.Warn("journal not synced at the end", "error", err)
			}
		case <-c.done():
			return c.err()
		case m := <-c.received():
			u.receive(m)
		case <-u.j.Changed():
		case <-c.room():
		case <-wake.C:
		}
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// findStreams takes up channels that are new in the journal.
func (u *Uplink) findStreams() {
	channels := u.j.Channels()
	if len(channels) == len(u.streams) {
		return
	}
	for _, ch := range channels {
		if _, known := u.byID[ch.StreamID()]; known {
			continue
		}
		s := &stream{ch: ch, topic: wire.Up(u.o.Site, u.o.Agent, ch.Machine()), incarnation: ch.Incarnation(), acked: ch.Acked()}
		s.restart(u.o.Window)
		u.byID[ch.StreamID()] = s
		u.streams = append(u.streams, s)
	}
}

func (u *Uplink) restart() {
	for _, s := range u.streams {
		s.restart(u.o.Window)
	}
	u.stateSent = time.Time{}
}

func (u *Uplink) drained() bool {
	for _, s := range u.streams {
		if s.frozen == "" && s.hold.IsZero() && s.acked < s.ch.Head() {
			return false
		}
	}
	return true
}

// ServerOffset is what must be added to the agent's CLOCK_BOOTTIME to get the
// server's wall clock, and how far off that can be. ok is false before the
// first acknowledgement.
func (u *Uplink) ServerOffset() (add, uncertainty time.Duration, ok bool) {
	return u.offset.get(u.o.Clock().Boottime)
}

// offset is the best of the measurements by four time stamps.
type offset struct {
	mu   sync.Mutex
	ok   bool
	add  int64 // ns
	half int64 // half of the round trip, ns
	at   int64 // boottime
}

// drift is what a free clock may go wrong, 100 parts in a million: common
// for crystals over the temperatures of a mill, from memory.
const drift = 1e-4

func (o *offset) measure(sent, received, answered, back int64) {
	trip := (back - sent) - (answered - received)
	if sent <= 0 || received <= 0 || answered < received || trip < 0 {
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.ok && trip/2 > o.half+int64(drift*float64(back-o.at)) {
		return
	}
	o.ok, o.half, o.at = true, trip/2, back
	o.add = (received - sent + answered - back) / 2
}

func (o *offset) get(now int64) (add, uncertainty time.Duration, ok bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.ok {
		return 0, 0, false
	}
	return time.Duration(o.add), time.Duration(o.half + int64(drift*float64(max(now-o.at, 0)))), true
}

// registerCommand is what a person runs so that the server takes the agent.
func (u *Uplink) registerCommand(machines ...string) string {
	return "planner units register " + u.o.Agent + " --machines " + strings.Join(machines, ",")
}
