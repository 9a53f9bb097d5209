package edge

import (
	"context"
	"sync"
	"time"

	"turnwise/agent/edge/watch"
	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/agent/uplink/sender"
	"turnwise/proto/turnwisepb/wirepb"
)

// askFor is how long a machine without a state waits for the server to say
// where its counter stood. Its counts wait in the counter meanwhile; without
// an answer it begins a life of its own, which the server links later.
const askFor = 10 * time.Second

// patience is how long a machine waits for the server to say how long the box was
// off. After a power cut all over the mill the server comes back later than a box.
const patience = 3 * time.Minute

// asks are the machines that wait for a word of the server.
type asks struct {
	mu      sync.Mutex
	waiting map[string]question
}

// question is one of them: since when it asks, and where the answer goes.
type question struct {
	since  int64 // as in [sender.Question]
	answer chan answer
}

// answer is the server's word and when it came; one of the two is set.
type answer struct {
	resume  *wirepb.Resume
	absence *wirepb.Absence
	at      source.Instant
}

// questions lists them, for the uplink.
func (a *asks) questions() []sender.Question {
	a.mu.Lock()
	defer a.mu.Unlock()
	list := make([]sender.Question, 0, len(a.waiting))
	for m, q := range a.waiting {
		list = append(list, sender.Question{Machine: m, Since: q.since})
	}
	return list
}

// resumed and absent take the server's word on one of them.
func (a *asks) resumed(r *wirepb.Resume, at source.Instant) {
	a.answered(r.GetMachine(), 0, answer{resume: r, at: at})
}

func (a *asks) absent(x *wirepb.Absence, at source.Instant) {
	a.answered(x.GetMachine(), x.GetSinceNs(), answer{absence: x, at: at})
}

func (a *asks) answered(machine string, since int64, got answer) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if q, ok := a.waiting[machine]; ok && q.since == since {
		q.answer <- got
		delete(a.waiting, machine) // the first word counts
	}
}

// ask begins to ask about a machine; the answer comes once.
func (a *asks) ask(machine string, since int64) <-chan answer {
	c := make(chan answer, 1)
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.waiting == nil {
		a.waiting = map[string]question{}
	}
	a.waiting[machine] = question{since, c}
	return c
}

// drop asks no more about it.
func (a *asks) drop(machine string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.waiting, machine)
}

// wait asks where a counter stood and waits for the answer; ok is false without one.
func (a *asks) wait(ctx context.Context, machine string) (got answer, ok bool) {
	c := a.ask(machine, 0)
	defer a.drop(machine)
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

// away asks the server how long nobody watched, as long as the watch waits for
// that, and hands its word on.
func (m *machine) away() {
	st := m.scribe.State()
	since, waiting := st.Waiting()
	switch {
	case m.agent.asks == nil:
	case waiting && m.absent == nil:
		m.absent = m.agent.asks.ask(m.conf.ID, since)
		m.log.Info("the box was off, and no clock of its own tells for how long; waiting for the server to tell", "at_most", patience)
	case waiting:
		select {
		case got := <-m.absent:
			m.scribe.Begin(st.Away(got.absence, got.at))
			m.log.Info("the server's clock tells how long nobody watched", "for", time.Duration(got.absence.GetAgeNs()).Round(time.Second),
				"or_longer_by", time.Duration(got.absence.GetLongerAgoNs()).Round(time.Second))
		default:
		}
	case m.absent != nil:
		m.agent.asks.drop(m.conf.ID)
		m.absent = nil
		if st.Vague() {
			m.log.Warn("nobody told how long the box was off: what may be missing is told with wide bounds; give the box a time server, or see why the server does not answer")
		}
	}
}
