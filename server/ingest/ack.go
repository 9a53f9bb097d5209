package ingest

import (
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// acks collects what to tell the agents after one commit, in the order in
// which they are to hear it.
type acks struct {
	incarnation store.ID
	agents      []string
	byAgent     map[string]*wirepb.Acks
}

// maxAcks keeps a message to an agent far below the packet limit.
const maxAcks = 200

func newAcks(incarnation store.ID) *acks {
	return &acks{incarnation: incarnation, byAgent: map[string]*wirepb.Acks{}}
}

func (a *acks) add(agent string, ack *wirepb.Ack) {
	all := a.byAgent[agent]
	if all == nil {
		all = new(wirepb.Acks)
		a.byAgent[agent] = all
		a.agents = append(a.agents, agent)
	}
	all.Acks = append(all.Acks, ack)
}

var verdicts = map[store.Verdict]wirepb.Verdict{
	store.OK:           wirepb.Verdict_VERDICT_OK,
	store.NeedFrom:     wirepb.Verdict_VERDICT_NEED_FROM,
	store.Frozen:       wirepb.Verdict_VERDICT_FROZEN,
	store.Unregistered: wirepb.Verdict_VERDICT_UNREGISTERED,
}

// outcome answers a batch.
func (a *acks) outcome(b *store.Batch, o *store.Outcome, credit uint32) {
	a.add(b.Agent, &wirepb.Ack{
		StreamId: b.Stream[:], AckedSeq: o.Acked, BackupHorizon: o.Horizon, DbIncarnation: a.incarnation[:], Credit: credit,
		Verdict: verdicts[o.Verdict], Reason: o.Reason, EchoBoottimeNs: b.Clock.Boottime, ReceivedNs: b.Received.UnixNano(), Machine: b.Machine,
	})
}

// quarantined answers a message that could not be read.
func (a *acks) quarantined(m *Message, credit uint32) {
	a.add(m.bad.Agent, &wirepb.Ack{
		StreamId: m.stream[:], DbIncarnation: a.incarnation[:], Credit: credit,
		Verdict: wirepb.Verdict_VERDICT_QUARANTINED, Reason: m.bad.Reason, EchoBoottimeNs: m.batch.Clock.Boottime,
		ReceivedNs: m.bad.Received.UnixNano(), Machine: m.batch.Machine,
	})
}

// replies are for every agent as few messages as the limits allow, sent at an
// instant.
func (a *acks) replies(now time.Time) (list []Reply) {
	for _, agent := range a.agents {
		all := a.byAgent[agent].Acks
		for len(all) > 0 {
			n := min(len(all), maxAcks)
			for _, ack := range all[:n] {
				ack.SentNs = now.UnixNano()
			}
			list = append(list, Reply{agent, &wirepb.Acks{Acks: all[:n:n]}})
			all = all[n:]
		}
	}
	return list
}
