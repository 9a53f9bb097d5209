package rehearsal

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/uplink/sender"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
)

// database is a store whose power can be cut, that makes backups and can be
// set back to one.
type database interface {
	store.Store
	register(agent string, machines ...string)
	// reopen is what a server does after a crash or an unknown outcome.
	reopen()
	backup()
	restore() bool
	books() []record
}

// server is broker and server: what they are told is gone when the power is,
// except what was committed.
type server struct {
	w     *world
	mill  *mill
	st    database
	clerk *ingest.Clerk
	up    bool
	life  int
	clock time.Duration // off by
	ahead time.Duration // the most that it was off by, forward
	setAt time.Duration // when it was set
	full  bool          // its disk

	queue      []ingest.Message
	committing bool

	crash string // where to crash at the next commit
}

func (s *server) now() time.Time { return time.Unix(0, epoch+int64(s.w.now+s.clock)) }

// set sets the clock.
func (s *server) set(off time.Duration) {
	s.clock, s.ahead, s.setAt = off, max(s.ahead, off), s.w.now
}

func (s *server) start() {
	s.st.reopen()
	clerk, err := ingest.NewClerk(background, s.st, ingest.Options{Site: site, Now: s.now, Log: quiet})
	if err != nil {
		s.w.fail("server does not start: %v", err)
		return
	}
	s.clerk, s.up = clerk, true
	s.w.note("server started")
}

// stop is the end of the process or of its power: all is forgotten.
func (s *server) stop() {
	if !s.up {
		return
	}
	s.up, s.queue, s.committing = false, nil, false
	s.life++
	for len(s.mill.net.links) > 0 {
		s.mill.net.links[0].end()
	}
	life := s.life
	s.w.after(s.w.between(100*time.Millisecond, 8*time.Second), func() {
		if s.life == life {
			s.start()
		}
	})
}

// arrive takes a message from the broker.
func (s *server) arrive(agent string, m sender.Message) {
	if !s.up {
		return
	}
	t, err := wire.ParseTopic(m.Topic)
	if err != nil || t.Agent != agent {
		s.w.fail("message of %s on %s: %v", agent, m.Topic, err)
		return
	}
	if t.Kind == "state" {
		s.asked(agent, m.Payload)
	}
	if t.Kind != "up" {
		return
	}
	s.queue = append(s.queue, ingest.Read(agent, t.Machine, m.Topic, m.Payload, s.now()))
	if !s.committing {
		s.committing = true
		life := s.life
		s.w.after(s.w.between(time.Millisecond, 30*time.Millisecond), func() {
			if s.life == life {
				s.commit()
			}
		})
	}
}

// asked answers an agent that does not know where a counter stood.
func (s *server) asked(agent string, payload []byte) {
	st := new(wirepb.AgentState)
	if err := proto.Unmarshal(payload, st); err != nil {
		s.w.fail("state of %s: %v", agent, err)
		return
	}
	inc, err := s.st.Incarnation(background)
	if err != nil || s.full {
		return // it asks again
	}
	for _, q := range st.GetAbsences() {
		longer, err := s.st.LongerAgo(background, time.Unix(0, q.GetSinceNs()), s.now())
		if err != nil {
			s.w.fail("question of %s for how long it was off: %v", agent, err)
			return
		}
		s.command(agent, &wirepb.Command{Absences: []*wirepb.Absence{ingest.AbsenceAnswer(q, longer, s.now())}})
	}
	for _, q := range st.GetResumes() {
		stream := store.ID(q.GetStreamId())
		got, err := s.st.Resume(background, store.ResumeQuery{Agent: agent, Machine: q.GetMachine(), Stream: stream, Head: q.GetHeadSeq()}, s.now())
		if err != nil {
			s.w.fail("hand-over of %s to %s: %v", q.GetMachine(), agent, err)
			return
		}
		s.w.note(fmt.Sprintf("%s asks for the counter of %s, verdict %d", agent, q.GetMachine(), got.Verdict), got.Ext)
		if got.Verdict == store.ResumeLater {
			continue
		}
		s.command(agent, &wirepb.Command{Resumes: []*wirepb.Resume{ingest.ResumeAnswer(q.GetMachine(), stream, got, inc, s.now())}})
	}
}

func (s *server) command(agent string, c *wirepb.Command) {
	b, err := proto.Marshal(c)
	if err != nil {
		panic(err)
	}
	s.mill.net.speak(agent, sender.Message{Topic: wire.Cmd(site, agent), Payload: b})
}

// credit is now and then none, as of a server that is asked too much.
func (s *server) credit(int) uint32 {
	if p := s.mill.o.Pauses; p > 0 && s.w.chance(p) {
		s.w.fault("server: credit 0")
		return 0
	}
	return 4
}

// commit is one turn of the ingest.
func (s *server) commit() {
	s.committing = false
	group := s.queue
	s.queue = nil
	crash := s.crash
	s.crash = ""
	if crash == "before COMMIT" {
		s.w.fault("server: crash before COMMIT")
		s.stop()
		return
	}
	if s.full {
		s.w.fault("server: disk full")
		return
	}
	replies, err := s.clerk.Commit(background, group, s.credit)
	if err != nil {
		s.w.fail("commit: %v", err)
		return
	}
	s.w.note("commit", uint64(len(group)))
	s.mill.oracle.committed()
	switch crash {
	case "outcome unknown":
		s.w.fault("server: outcome of COMMIT unknown")
		s.st.reopen()
		return
	case "before the acknowledgement":
		s.w.fault("server: crash before the acknowledgement")
		s.stop()
		return
	}
	for i, r := range replies {
		if crash == "amid the acknowledgements" && i == len(replies)/2 {
			s.w.fault("server: crash amid the acknowledgements")
			s.stop()
			return
		}
		s.tell(r)
	}
}

func (s *server) tell(r ingest.Reply) {
	s.mill.oracle.acknowledged(r.Agent, r.Acks)
	payload, err := proto.Marshal(r.Acks)
	if err != nil {
		panic(err)
	}
	s.mill.net.speak(r.Agent, sender.Message{Topic: wire.Ack(site, r.Agent), Payload: payload})
}

// record is what the books say of a machine.
type record struct {
	machine            string
	revolutions, stops int64
	lostMin, lostMax   int64
	run, stop, unknown int64
	first, last        int64
	lives, buried      int64
}
