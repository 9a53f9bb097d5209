// Package uplink carries an agent's journal to the server over MQTT. The one
// rule: only the server's own acknowledgement counts; what the broker says
// means nothing. It changes no record and never counts.
//
// What is said, and when, is decided by package sender; here are the broker,
// the clock and the goroutines. Any loss on the way ends in a resend, and the
// server skips what it has.
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
	"time"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink/sender"
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
	// Asking, Resumed and Absent are those of [sender.Options].
	Asking  func() []sender.Question
	Resumed func(r *wirepb.Resume, at source.Instant)
	Absent  func(a *wirepb.Absence, at source.Instant)
	// Log; nil means slog.Default().
	Log *slog.Logger

	dial dialer // nil means MQTT
}

// Uplink sends a journal.
type Uplink struct {
	o      Options
	j      *journal.Journal
	sender *sender.Sender
}

// New checks the options. It does not connect.
func New(j *journal.Journal, o Options) (*Uplink, error) {
	o.Keepalive = cmp.Or(o.Keepalive, 15*time.Second)
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
	return &Uplink{o: o, j: j, sender: sender.New(j, sender.Options{
		Site: o.Site, Agent: o.Agent, Version: o.Version,
		Group: o.Group, AckTimeout: o.AckTimeout, Window: o.Window, CatchUp: o.CatchUp, Live: o.Live, Asking: o.Asking, Resumed: o.Resumed, Absent: o.Absent, Log: o.Log,
	})}, nil
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
	session, err := u.sender.Begin(u.o.Clock())
	if err != nil {
		return err
	}
	c, err := u.o.dial(ctx, u.sender.Will())
	if err != nil {
		return err
	}
	u.o.Log.Info("connected to the broker", "broker", u.o.URL, "session", session)
	u.sender.Restart()
	err = u.serve(ctx, c)
	if ctx.Err() != nil {
		sayGoodbye(c, u.sender.Goodbye())
		return nil
	}
	c.close(0)
	return &lostError{err}
}

func (u *Uplink) now() sender.Now { return sender.Now{At: time.Now(), Clock: u.o.Clock()} }

// sayGoodbye sends the last message and ends the connection. When it does not
// get through in time the connection breaks off and the broker sends the will.
func sayGoodbye(c conn, last sender.Message) {
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
		now := u.now()
		wait := u.sender.Step(now, c.send, !until.IsZero()).Sub(now.At)
		if !until.IsZero() {
			left := until.Sub(now.At)
			if u.sender.Drained() || left <= 0 {
				return nil
			}
			wait = min(wait, left)
		}
		wake.Reset(max(wait, time.Millisecond))
		select {
		case <-ending:
			ending, until = nil, time.Now().Add(drainTime)
			if err := u.j.Sync(); err != nil && !errors.Is(err, journal.ErrClosed) {
				u.o.Log.Warn("journal not synced at the end", "error", err)
			}
		case <-c.done():
			return c.err()
		case m := <-c.received():
			u.sender.Receive(u.now(), m)
		case <-u.j.Changed():
		case <-c.room():
		case <-wake.C:
		}
	}
}

// ServerOffset is that of [sender.Sender]. It may be called from any goroutine.
func (u *Uplink) ServerOffset(boottime int64) (add, uncertainty time.Duration, ok bool) {
	return u.sender.ServerOffset(boottime)
}
