// Package sender is what an agent says to its server and how it takes the
// answers: go-back-N on every stream, the live view, and patience. It is a
// machine of states: whoever holds it tells it the time, hands it what came,
// and carries what it sends, so that the same code runs over a broker and in a
// rehearsal with a network that lies. The one rule: only the server's own
// acknowledgement counts.
//
// It starts no goroutine, reads no clock and knows no connection. Its methods
// belong to one goroutine, except [Sender.ServerOffset].
package sender

import (
	"cmp"
	"log/slog"
	"math/rand/v2"
	"strings"
	"time"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// Options tunes a Sender. Site and Agent are required; the zero value of
// everything else works.
type Options struct {
	// Site and Agent are the ids in every topic.
	Site, Agent string
	// Version of the agent, shown in the live view.
	Version string
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
	// Live gives the newest look at each machine; nil means that the live
	// view shows the streams only. It is called once a second at most and
	// must not block.
	Live func() []*wirepb.MachineLive
	// Asking lists what the server is asked, again and again as long as it is
	// listed; nil means nothing. It must not block.
	Asking func() []Question
	// Resumed and Absent hear the server's answers, and when they came; nil means
	// nobody. They must not block.
	Resumed func(r *wirepb.Resume, at source.Instant)
	Absent  func(a *wirepb.Absence, at source.Instant)
	// Log; nil means slog.Default().
	Log *slog.Logger
	// Random is uniform in [0, 1), for the jitter; nil means math/rand.
	Random func() float64
}

// Question is what an agent wants to know of the server about a machine.
type Question struct {
	Machine string
	// Since is an instant on the server's wall clock (Unix ns), of which the
	// question is how long ago it was. Where it is 0, the agent has lost the state
	// of the machine, or it is new to it: where did its counter stand?
	Since int64
}

// Times of the live view.
const (
	stateEvery  = 10 * time.Second
	stateAtMost = time.Second
)

// Now is the time of a call: At for how long to wait, Clock for what is told.
type Now struct {
	At    time.Time
	Clock source.Instant
}

// Message goes to or comes from the broker, always at QoS 1.
type Message struct {
	Topic   string
	Payload []byte
	Retain  bool
	At      int64 // boottime of receipt, ns
}

// Sender sends a journal.
type Sender struct {
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

	unspoken string // why the server understands nothing of this agent
}

// New makes a Sender that has not begun.
func New(j *journal.Journal, o Options) *Sender {
	o.Group = cmp.Or(o.Group, 200*time.Millisecond)
	o.AckTimeout = cmp.Or(o.AckTimeout, 5*time.Second)
	o.Window = cmp.Or(o.Window, 4)
	o.CatchUp = cmp.Or(o.CatchUp, 20)
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Random == nil {
		o.Random = rand.Float64
	}
	if o.Asking == nil {
		o.Asking = func() []Question { return nil }
	}
	if o.Resumed == nil {
		o.Resumed = func(*wirepb.Resume, source.Instant) {}
	}
	if o.Absent == nil {
		o.Absent = func(*wirepb.Absence, source.Instant) {}
	}
	return &Sender{o: o, j: j, byID: map[[16]byte]*stream{}}
}

// Begin gives the next connection its number, durably, before it is dialled:
// the number is in the will.
func (u *Sender) Begin(clock source.Instant) (session uint64, err error) {
	u.j.Boot(clock.Boot) // durable with the session: its number is about to be sent
	if session, err = u.j.NextSession(); err != nil {
		return 0, err
	}
	u.session = session
	return session, nil
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// findStreams takes up channels that are new in the journal.
func (u *Sender) findStreams() {
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

// Restart begins anew on a fresh connection, with what the server is known to
// have, in the session that [Sender.Begin] gave a number.
func (u *Sender) Restart() {
	for _, s := range u.streams {
		s.restart(u.o.Window)
	}
	u.stateSent = time.Time{}
}

// Drained tells that the server has all that is durable and will take.
func (u *Sender) Drained() bool {
	for _, s := range u.streams {
		if s.frozen == "" && s.hold.IsZero() && s.acked < s.ch.Head() {
			return false
		}
	}
	return true
}

// registerCommand is what a person runs so that the server takes the agent.
func (u *Sender) registerCommand(machines ...string) string {
	return "planner units register " + u.o.Agent + " --machines " + strings.Join(machines, ",")
}
