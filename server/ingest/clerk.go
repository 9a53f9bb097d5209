package ingest

import (
	"context"
	"fmt"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/store"
)

// Message is a checked batch, or one that cannot be read.
type Message struct {
	batch  store.Batch
	stream store.ID
	bad    *store.Quarantined
}

// Reply is what an agent is to be told.
type Reply struct {
	Agent string
	Acks  *wirepb.Acks
}

// Read checks a message received at an instant. Who sent it must be known from
// the connection. The payload may be reused afterwards.
func Read(agent, machine, topic string, payload []byte, received time.Time) Message {
	b, err := wire.DecodeBatch(payload)
	if err == nil {
		return Message{batch: Batch(agent, machine, b, received)}
	}
	m := Message{bad: &store.Quarantined{
		Agent: agent, Topic: topic, Reason: err.Error(), Received: received, Payload: append([]byte(nil), payload...),
	}}
	m.batch.Agent, m.batch.Machine, m.batch.Received = agent, machine, received
	if b != nil && len(b.GetStreamId()) == wire.IDLen {
		copy(m.stream[:], b.GetStreamId())
		m.batch.Clock.Boottime = b.GetClock().GetBoottimeNs()
	}
	return m
}

// Clerk is the part of an Ingest that decides: messages go in, and what the
// agents are to be told comes out, when it is true. It starts no goroutine and
// waits for nothing but its store.
type Clerk struct {
	st          store.Store
	o           Options
	incarnation store.ID
}

// NewClerk makes a Clerk of the database as it is now; of the options it uses
// Committed, Now and Log.
func NewClerk(ctx context.Context, st store.Store, o Options) (*Clerk, error) {
	incarnation, err := st.Incarnation(ctx)
	if err != nil {
		return nil, fmt.Errorf("ingest: %w", err)
	}
	return &Clerk{st: st, o: o.withDefaults(), incarnation: incarnation}, nil
}

// Commit stores a group in one transaction, in order, and returns the replies
// that may be sent now. On an error nothing may be said to anybody: the
// outcome is not known. credit tells, after the store has answered a batch of so many
// records, how many of its stream may be outstanding; 0 makes it pause.
func (k *Clerk) Commit(ctx context.Context, group []Message, credit func(records int) uint32) ([]Reply, error) {
	acks := newAcks(k.incarnation)
	batches := make([]store.Batch, 0, len(group))
	for i := range group {
		if group[i].bad != nil {
			k.quarantine(ctx, &group[i], acks, credit)
			continue
		}
		batches = append(batches, group[i].batch)
	}
	if len(batches) > 0 {
		out, err := k.st.Commit(ctx, batches)
		if err != nil {
			return nil, err
		}
		k.o.Committed(out)
		for i := range out {
			acks.outcome(&batches[i], &out[i], credit(len(batches[i].Records)))
		}
	}
	return acks.replies(k.o.Now()), nil
}

// quarantine keeps the bytes of a message that cannot be read. Its agent is
// told when it is known which stream it was about.
func (k *Clerk) quarantine(ctx context.Context, m *Message, acks *acks, credit func(records int) uint32) {
	k.o.Log.Warn("batch cannot be read", "agent", m.bad.Agent, "topic", m.bad.Topic, "reason", m.bad.Reason)
	if err := k.st.Quarantine(ctx, *m.bad); err != nil {
		k.o.Log.Error("quarantine of a batch", "agent", m.bad.Agent, "error", err)
		return
	}
	if m.stream != (store.ID{}) {
		acks.quarantined(m, credit(0))
	}
}
