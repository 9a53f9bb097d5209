package ingest

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

const (
	// credit is how many batches an agent may have outstanding on a stream.
	credit = 4
	// crowded is the credit while the queue is more than half full.
	crowded = 1
)

// allowance is the credit for the stream of a batch of so many records, with
// load messages waiting where two queues of size hold them. Backlog has to
// stop while one of the two is full, what is new only when there is hardly
// any room left: then an agent that goes on would find [ErrBusy].
func allowance(load, size, records int) uint32 {
	switch {
	case load > size+size*3/4, load > size && records > smallBatch:
		return 0
	case load > size/2:
		return crowded
	}
	return credit
}

// Waiting is how many messages wait to be stored.
func (g *Ingest) Waiting() int { return len(g.queue) + int(g.left.Load()) }

func (g *Ingest) credit(records int) uint32 { return allowance(g.Waiting(), cap(g.queue), records) }

// pausedStream is a stream that was told to stop, and the words that let it go on.
type pausedStream struct {
	agent string
	id    store.ID
	ack   *wirepb.Ack
}

// paused are the streams that wait for credit, the longest wait first. It
// belongs to the goroutine of Run and is forgotten with it: an agent that
// hears nothing asks after a time of its own.
type paused []pausedStream

// note takes what the agents are about to be told.
func (p *paused) note(replies []Reply) {
	for _, r := range replies {
		for _, a := range r.Acks.GetAcks() {
			id := store.ID(a.GetStreamId())
			i := slices.IndexFunc(*p, func(s pausedStream) bool { return s.id == id })
			taken := a.GetVerdict() == wirepb.Verdict_VERDICT_OK || a.GetVerdict() == wirepb.Verdict_VERDICT_NEED_FROM
			if !taken || a.GetCredit() > 0 {
				if i >= 0 {
					*p = slices.Delete(*p, i, i+1)
				}
				continue
			}
			again := proto.Clone(a).(*wirepb.Ack)
			// It answers no batch, and is no clock to anybody.
			again.Verdict, again.EchoBoottimeNs = wirepb.Verdict_VERDICT_OK, 0
			if i >= 0 {
				(*p)[i].ack = again
			} else {
				*p = append(*p, pausedStream{r.Agent, id, again})
			}
		}
	}
}

// release takes the streams that may go on with load messages waiting: as many
// as there is room for in half a queue, so that they do not fill it at once.
func (p *paused) release(load, size int) (out []pausedStream) {
	if load > size/2 {
		return nil
	}
	n := min(len(*p), max(1, (size/2-load)/credit))
	out = slices.Clone((*p)[:n])
	*p = slices.Delete(*p, 0, n)
	for _, s := range out {
		s.ack.Credit = credit
	}
	return out
}

// resume tells streams that were paused to go on when there is room.
func (g *Ingest) resume(p *paused) {
	for _, s := range p.release(g.Waiting(), cap(g.queue)) {
		s.ack.SentNs = g.o.Now().UnixNano()
		g.o.Ack(s.agent, &wirepb.Acks{Acks: []*wirepb.Ack{s.ack}})
	}
}
