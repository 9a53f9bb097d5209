package edge

import (
	"context"
	"sync"
	"time"

	"turnwise/agent/edge/watch"
	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// askFor is how long a machine without a state waits for the server to say
// where its counter stood. Its counts wait in the counter meanwhile; without
// an answer it begins a life of its own, which the server links later.
const askFor = 10 * time.Second

// asks are the machines that wait for a word of the server.
type asks struct {
	mu      sync.Mutex
	waiting map[string]chan answer
}

// answer is the server's word and when it came.
type answer struct {
	resume *wirepb.Resume
	at     source.Instant
}

// machines lists them, for the uplink.
func (a *asks) machines() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	list := make([]string, 0, len(a.waiting))
	for m := range a.waiting {
		list = append(list, m)
	}
	return list
}

// answered takes the server's word on one of them.
func (a *asks) answered(r *wirepb.Resume, at source.Instant) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if c := a.waiting[r.GetMachine()]; c != nil {
		c <- answer{r, at}
		delete(a.waiting, r.GetMachine()) // the first word counts
	}
}

// wait asks for a machine and waits for the answer; ok is false without one.
func (a *asks) wait(ctx context.Context, machine string) (got answer, ok bool) {
	c := make(chan answer, 1)
	a.mu.Lock()
	if a.waiting == nil {
		a.waiting = map[string]chan answer{}
	}
	a.waiting[machine] = c
	a.mu.Unlock()
	defer func() {
		a.mu.Lock()
		delete(a.waiting, machine)
		a.mu.Unlock()
	}()
	t := time.NewTimer(askFor)
	defer t.Stop()
	select {
	case got = <-c:
		return got, true
	case <-t.C:
	case <-ctx.Done():
	}
	return answer{}, false
}

// remember makes sure of what is known of the machine before its first record.
// A state that never was, or that was lost with bytes of the journal, is asked
// of the server. A lost one is not gone on from: a later counter life may
// already be with the server, and its counts would be told twice.
func (m *machine) remember(ctx context.Context) {
	memory := m.channel.Memory()
	if memory == journal.MemoryKept {
		return
	}
	if memory == journal.MemoryLost {
		m.scribe.Begin(watch.State{})
	}
	if m.agent.asks == nil {
		return
	}
	got, ok := m.agent.asks.wait(ctx, m.conf.ID)
	switch r := got.resume; {
	case !ok:
		if ctx.Err() == nil {
			m.log.Info("server did not say where the counter stood; a counter life begins, the server links it later")
		}
	case r.GetVerdict() == wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE:
		m.scribe.Begin(m.watch.Resume(watch.Answer(r, got.at)))
		m.log.Info("counter goes on from the server's reading", "raw", r.GetRaw(), "age", time.Duration(r.GetSentNs()-r.GetReadingNs()).Round(time.Second), "or_longer_by", time.Duration(r.GetLongerAgoNs()).Round(time.Second))
	case r.GetVerdict() == wirepb.ResumeVerdict_RESUME_VERDICT_REFUSED:
		m.log.Error("server does not hand the counter over", "reason", r.GetReason())
	}
}
