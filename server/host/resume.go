package host

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
)

// maxAsked bounds the questions that wait; an agent asks again each second.
const maxAsked = 4096

// resumes answers agents that ask where a machine's counter stood, or how long a
// box was off, without making a connection wait for the disk.
type resumes struct {
	st   store.Store
	log  *slog.Logger
	now  func() time.Time
	tell func(agent string, c *wirepb.Command)
	wake chan struct{}

	mu    sync.Mutex
	asked map[asked]uint64 // newest record of the stream
	away  map[asked]*wirepb.AbsenceRequest
	told  map[asked]string // refusals that people heard of
}

type asked struct {
	agent, machine string
	stream         store.ID
}

func newResumes(st store.Store, log *slog.Logger, now func() time.Time, tell func(string, *wirepb.Command)) *resumes {
	return &resumes{st: st, log: log, now: now, tell: tell, wake: make(chan struct{}, 1), asked: map[asked]uint64{}, away: map[asked]*wirepb.AbsenceRequest{}, told: map[asked]string{}}
}

// saw takes the questions in an agent's state.
func (r *resumes) saw(agent string, st *wirepb.AgentState) {
	if !st.GetOnline() || len(st.GetResumes())+len(st.GetAbsences()) == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, q := range st.GetAbsences() {
		if wire.ValidID(q.GetMachine()) && len(q.GetStreamId()) == wire.IDLen && len(r.away) < maxAsked {
			r.away[asked{agent, q.GetMachine(), store.ID(q.GetStreamId())}] = q
		}
	}
	for _, q := range st.GetResumes() {
		if wire.ValidID(q.GetMachine()) && len(q.GetStreamId()) == wire.IDLen && len(r.asked) < maxAsked {
			r.asked[asked{agent, q.GetMachine(), store.ID(q.GetStreamId())}] = q.GetHeadSeq()
		}
	}
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// run answers until ctx ends.
func (r *resumes) run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.wake:
		}
		r.answer(ctx)
		r.answerAway(ctx)
	}
}

// answerAway tells how long boxes were off.
func (r *resumes) answerAway(ctx context.Context) {
	r.mu.Lock()
	waiting := r.away
	r.away = map[asked]*wirepb.AbsenceRequest{}
	r.mu.Unlock()
	for q, x := range waiting {
		now := r.now()
		longer, err := r.st.LongerAgo(ctx, time.Unix(0, x.GetSinceNs()), now)
		if err != nil {
			r.log.Warn("question for how long a box was off not answered", "agent", q.agent, "machine", q.machine, "error", err) // it asks again
			continue
		}
		r.tell(q.agent, &wirepb.Command{Absences: []*wirepb.Absence{ingest.AbsenceAnswer(x, longer, now)}})
	}
}

// answer answers what was asked so far.
func (r *resumes) answer(ctx context.Context) {
	r.mu.Lock()
	waiting := r.asked
	r.asked = map[asked]uint64{}
	r.mu.Unlock()
	if len(waiting) == 0 {
		return
	}
	incarnation, err := r.st.Incarnation(ctx)
	if err != nil {
		r.log.Warn("hand-over not answered", "error", err) // the agents ask again
		return
	}
	for q, head := range waiting {
		got, err := r.st.Resume(ctx, store.ResumeQuery{Agent: q.agent, Machine: q.machine, Stream: q.stream, Head: head}, r.now())
		if err != nil {
			r.log.Warn("hand-over not answered", "agent", q.agent, "machine", q.machine, "error", err)
			continue
		}
		if got.Verdict == store.ResumeLater {
			continue
		}
		r.note(q, got)
		r.tell(q.agent, &wirepb.Command{Resumes: []*wirepb.Resume{ingest.ResumeAnswer(q.machine, q.stream, got, incarnation, r.now())}})
	}
}

// note tells people, once for each question.
func (r *resumes) note(q asked, got store.Resume) {
	what := fmt.Sprint(got.Verdict, got.Reason)
	if len(r.told) >= maxAsked {
		clear(r.told)
	}
	if r.told[q] == what {
		return
	}
	r.told[q] = what
	switch got.Verdict {
	case store.ResumeContinue:
		r.log.Info("counter handed over", "agent", q.agent, "machine", q.machine, "raw", got.Raw, "read", got.At)
		if got.Longer > 0 {
			r.log.Warn("the clock of this host was set since the reading that is handed over; the bounds of what nobody counted allow for it; see to the time service of the host",
				"agent", q.agent, "machine", q.machine, "read", got.At, "longer_ago_by_up_to", got.Longer)
		}
	case store.ResumeRefused:
		r.log.Error("counter not handed over", "agent", q.agent, "machine", q.machine, "reason", got.Reason)
	}
}

// command sends commands to an agent. One that is away asks again.
func (h *Host) command(agent string, c *wirepb.Command) {
	if h.broker == nil {
		return
	}
	payload, err := proto.Marshal(c)
	if err == nil {
		err = h.broker.Publish(wire.Cmd(h.c.Site.ID, agent), payload, false)
	}
	if err != nil {
		h.o.Log.Debug("command not sent", "agent", agent, "error", err)
	}
}
