// Package ingest takes batches from the broker into the store and answers the
// agents. The one rule: an acknowledgement leaves only after the COMMIT that
// made its records durable; on any doubt there is none, and the agent sends
// again. What waits is committed together, so that many agents share one sync
// of the disk; nobody waits for company, and what is new does not wait for the
// backlog of others.
//
// It does not judge counts (package tally does) and keeps nothing over a
// restart: what was queued is still in the agents' journals.
package ingest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// ErrBusy is inside the error for a message that found the queue full for too
// long. The broker refuses the message; its agent sends it again.
var ErrBusy = errors.New("ingest queue is full")

// Defaults of [Options].
const (
	DefaultQueue    = 1024
	DefaultGroupMax = 256
)

const (
	// patience is how long a message waits for room. Longer would hold up what
	// else the broker reads from that client, its pings among it.
	patience = 2 * time.Second
	// resumeEvery is how often, without anything to commit, streams that were
	// paused are let go.
	resumeEvery = 100 * time.Millisecond
)

// Options tunes an Ingest. The zero value works, but acknowledges to nobody.
type Options struct {
	// Site is the site in the topics. Batches of other sites do not come here.
	Site string
	// Ack sends acknowledgements to an agent. It must not block for long: all
	// agents wait meanwhile. Nil means that nobody is told.
	Ack func(agent string, acks *wirepb.Acks)
	// Committed hears the outcomes of every commit, before the agents do.
	Committed func([]store.Outcome)
	// Now is the server's clock. Nil means time.Now.
	Now func() time.Time
	// Log hears what goes wrong. Nil means slog.Default.
	Log *slog.Logger
	// Queue is how many messages may wait to be looked at, and again how many
	// for their turn; 0 means DefaultQueue.
	Queue int
	// GroupMax is how many batches share a commit; 0 means DefaultGroupMax.
	GroupMax int
}

func (o Options) withDefaults() Options {
	o.Queue = cmp.Or(max(o.Queue, 0), DefaultQueue)
	o.GroupMax = cmp.Or(max(o.GroupMax, 0), DefaultGroupMax)
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Ack == nil {
		o.Ack = func(string, *wirepb.Acks) {}
	}
	if o.Committed == nil {
		o.Committed = func([]store.Outcome) {}
	}
	return o
}

// Ingest takes batches into a store.
type Ingest struct {
	st    store.Store
	o     Options
	queue chan Message
	left  atomic.Int64 // taken from the queue, not committed yet
}

// New makes an Ingest; Run makes it work.
func New(st store.Store, o Options) *Ingest {
	o = o.withDefaults()
	return &Ingest{st: st, o: o, queue: make(chan Message, o.Queue)}
}

// Submit checks one message and queues it. Who sent it must be known from the
// connection, never from the payload. It blocks for at most two seconds; the
// error is then [ErrBusy] and nothing was kept. The payload may be reused
// afterwards. A message that cannot be read is no error: it is kept aside.
func (g *Ingest) Submit(ctx context.Context, agent, machine, topic string, payload []byte) error {
	m := Read(agent, machine, topic, payload, g.o.Now())
	select {
	case g.queue <- m:
		return nil
	default:
	}
	full := time.NewTimer(patience)
	defer full.Stop()
	select {
	case g.queue <- m:
		return nil
	case <-full.C:
		return fmt.Errorf("ingest: batch of machine %s from agent %s: %w: %d messages have waited for %v; the agent sends it again", machine, agent, ErrBusy, g.o.Queue, patience)
	case <-ctx.Done():
		return fmt.Errorf("ingest: batch of machine %s from agent %s: %w", machine, agent, context.Cause(ctx))
	}
}

// Run commits what is queued until ctx ends, and returns nil then. What waits
// at that moment is left to the agents. It is run once.
func (g *Ingest) Run(ctx context.Context) error {
	clerk, err := NewClerk(ctx, g.st, g.o)
	if err != nil {
		return err
	}
	var waiting []Message
	var held paused
	for {
		if len(waiting) == 0 {
			m, ok := g.wait(ctx, &held)
			if !ok {
				return nil
			}
			waiting = append(waiting, m)
		}
		for more := ctx.Err() == nil; more && len(waiting) < g.o.Queue; {
			select {
			case m := <-g.queue:
				waiting = append(waiting, m)
			default:
				more = false
			}
		}
		if ctx.Err() != nil {
			return nil
		}
		var group []Message
		group, waiting = pick(waiting, g.o.GroupMax)
		g.left.Store(int64(len(waiting)))
		g.commit(ctx, clerk, group, &held)
		g.resume(&held)
	}
}

// wait takes the next message, and lets paused streams go meanwhile. ok is
// false when ctx has ended.
func (g *Ingest) wait(ctx context.Context, held *paused) (m Message, ok bool) {
	for {
		var idle <-chan time.Time
		if len(*held) > 0 {
			idle = time.After(resumeEvery)
		}
		select {
		case <-ctx.Done():
			return Message{}, false
		case m := <-g.queue:
			return m, true
		case <-idle:
			g.resume(held)
		}
	}
}

// commit stores a group and tells the agents.
func (g *Ingest) commit(ctx context.Context, clerk *Clerk, group []Message, held *paused) {
	replies, err := clerk.Commit(ctx, group, g.credit)
	if err != nil {
		// Nobody is told anything: the agents send again.
		g.o.Log.Error("commit of batches", "batches", len(group), "error", err)
		if ctx.Err() == nil {
			g.pause(ctx)
		}
		return
	}
	held.note(replies)
	for _, r := range replies {
		g.o.Ack(r.Agent, r.Acks)
	}
}

// pause keeps a store that cannot write from being asked without end.
func (g *Ingest) pause(ctx context.Context) {
	t := time.NewTimer(200 * time.Millisecond)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
