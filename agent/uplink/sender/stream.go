package sender

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

const (
	maxBackoff = time.Minute
	// liveRecords is how many waiting records still count as new, not as
	// backlog.
	liveRecords = 20
	// batchRoom is what the records and boots of a batch may take.
	batchRoom = wire.MaxBatchBytes - 256
)

// stream is the sending side of one channel.
type stream struct {
	ch    *journal.Channel
	topic string

	next        uint64 // cursor: the next record to send
	acked       uint64 // as the server last said; may be below the journal's after a restore
	incarnation [16]byte
	flight      []flight
	top         uint64 // newest record sent on this connection
	tail        tail   // the one before the cursor, where it is remembered
	credit      int    // batches that the server allows

	flushed  time.Time     // last send
	deadline time.Time     // when to stop waiting for an answer
	timeouts int           // in a row
	latency  time.Duration // of answers, slow to fall: a slow line needs patience
	rewound  int64         // boottime of the last rewind: older answers do not rewind again

	hold  time.Time // send nothing before; zero when nothing holds
	holds int       // in a row
	asked bool      // a batch went to see whether it still holds

	frozen       string // why the server stopped the stream
	problem      string // for the live view
	unregistered bool
	reported     bool // people were told to register it
	ill          bool // the journal could not be read
	beyond       bool // an acknowledgement beyond the head was logged
}

// flight is a batch on its way.
type flight struct{ first, last uint64 }

// tail is the check sum of a record; known unless it is coarse or not held.
type tail struct {
	seq   uint64
	crc   uint32
	known bool
}

func tailOf(seq uint64, r *wirepb.SealedRecord) tail { return tail{seq, r.GetCrc32C(), !r.GetCoarse()} }

// before is the check sum of the record before the cursor, for the batch that
// begins there; nil where there is none to tell.
func (s *stream) before() *uint32 {
	if s.next <= 1 {
		return nil
	}
	if s.tail.seq != s.next-1 {
		recs, _, err := s.ch.Read(s.next-1, 1, batchRoom)
		if err != nil || len(recs) == 0 {
			return nil // the batch itself is not read either, and people hear of that
		}
		s.tail = tailOf(s.next-1, recs[0])
	}
	if !s.tail.known {
		return nil
	}
	return proto.Uint32(s.tail.crc)
}

// restart begins with the newest record that the server has: its answer tells
// whether it still has it, so that a server which was restored is refilled by
// a machine that stands and has nothing new to tell.
func (s *stream) restart(window int) {
	s.next, s.flight, s.timeouts, s.rewound = max(s.acked, 1), nil, 0, 0
	s.credit = window
	s.top = 0
	s.ch.Sent(0) // what the last connection carried comes again
}

func (s *stream) rewind(to uint64, now source.Instant) {
	s.next, s.flight, s.rewound = to, nil, now.Boottime
}

// backoff is full jitter below a bound that doubles with n from one to a
// minute, never less than a tenth of it.
func (u *Sender) backoff(base time.Duration, n int) time.Duration {
	bound := min(maxBackoff, base<<min(n, 10))
	return bound/10 + time.Duration(u.o.Random()*float64(bound-bound/10))
}

// pause holds the stream, longer each time in a row.
func (u *Sender) pause(s *stream, now time.Time) {
	wait := u.o.AckTimeout
	if s.holds > 0 {
		wait = u.backoff(wait, s.holds)
	}
	s.hold, s.asked = now.Add(max(wait, time.Millisecond)), false
	s.holds++
}

// Step sends what may be sent now and returns when to look again at the
// latest. send hands a message to the connection; when it returns false the
// connection takes no more now, and Step is called again when it does. With
// hurry nothing waits to be grouped.
func (u *Sender) Step(now Now, send func(Message) bool, hurry bool) (due time.Time) {
	u.findStreams()
	due = now.At.Add(time.Minute)
	if at := u.publishState(now, send); !at.IsZero() {
		due = earlier(due, at)
	}
	if !u.registerAt.IsZero() {
		if !now.At.Before(u.registerAt) {
			u.reportUnregistered()
		} else {
			due = earlier(due, u.registerAt)
		}
	}
	u.fill(now.At)
	// New records of all machines first, then backlog in turn.
	for _, backlog := range []bool{false, true} {
		for sent := true; sent; {
			sent = false
			for i := range u.streams {
				s := u.streams[(u.turn+i)%len(u.streams)]
				at, ready := u.ready(s, now, backlog, hurry)
				if !at.IsZero() {
					due = earlier(due, at)
				}
				if !ready {
					continue
				}
				ok, more := u.sendBatch(s, now, send)
				if !more {
					return due // the connection takes no more now: it wakes us
				}
				if ok {
					sent = true
					if backlog {
						u.tokens--
					}
				}
				if !s.deadline.IsZero() {
					due = earlier(due, s.deadline)
				}
			}
			if len(u.streams) > 0 {
				u.turn = (u.turn + 1) % len(u.streams)
			}
		}
	}
	return due
}

func (u *Sender) fill(now time.Time) {
	burst := max(1, u.o.CatchUp/5)
	if u.filledAt.IsZero() {
		u.tokens = burst
	} else {
		u.tokens = min(burst, u.tokens+now.Sub(u.filledAt).Seconds()*u.o.CatchUp)
	}
	u.filledAt = now
}

// ready tells whether a batch of s may go now; otherwise at is when to look
// again, zero when only an event can change it.
func (u *Sender) ready(s *stream, now Now, backlog, hurry bool) (at time.Time, ready bool) {
	if s.frozen != "" {
		return time.Time{}, false
	}
	if len(s.flight) > 0 {
		if now.At.Before(s.deadline) {
			at = s.deadline
		} else {
			// No answer: from what the server has, one batch at a time.
			s.timeouts++
			s.rewind(s.acked+1, now.Clock)
		}
	}
	head := s.ch.Head()
	if s.next > head {
		return at, false
	}
	allowed := min(u.o.Window, s.credit)
	if s.timeouts > 0 {
		allowed = min(allowed, 1)
	}
	if !s.hold.IsZero() {
		if now.At.Before(s.hold) {
			return s.hold, false
		}
		allowed = 1 // try whether it still holds
	}
	if len(s.flight) >= allowed {
		return at, false
	}
	waiting := head - s.next + 1
	if (waiting > liveRecords) != backlog {
		return at, false
	}
	if backlog {
		if u.tokens < 1 {
			return now.At.Add(time.Duration((1 - u.tokens) / u.o.CatchUp * float64(time.Second))).Add(time.Millisecond), false
		}
		return at, true
	}
	if grouped := s.flushed.Add(u.o.Group); !hurry && now.At.Before(grouped) {
		return grouped, false
	}
	return at, true
}

// sendBatch sends the next batch of s. more is false when the connection took
// no more.
func (u *Sender) sendBatch(s *stream, now Now, send func(Message) bool) (ok, more bool) {
	recs, boots, err := s.ch.Read(s.next, wire.MaxRecords, batchRoom)
	if err != nil || len(recs) == 0 {
		if err != nil && !s.ill {
			u.o.Log.Error("journal not read, trying again", "machine", s.ch.Machine(), "error", err)
			s.problem = "journal not read"
		}
		s.ill = err != nil
		u.pause(s, now.At)
		return false, true
	}
	s.ill = false
	id, run := s.ch.StreamID(), u.j.RunID()
	at := now.Clock
	clock := u.agentClock(at)
	if !slices.ContainsFunc(boots, func(b *wirepb.Boot) bool { return b.GetIndex() == clock.GetBoot() }) {
		boots = append(boots, &wirepb.Boot{Index: clock.GetBoot(), BootId: at.Boot[:]})
	}
	b := &wirepb.Batch{
		StreamId: id[:], FirstSeq: s.next, BeforeCrc32C: s.before(), Records: recs, RunId: run[:], Boots: boots, HeadSeq: s.ch.Head(), Clock: clock,
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		panic(err) // bytes and integers only
	}
	if !send(Message{Topic: s.topic, Payload: payload}) {
		return false, false
	}
	last := s.next + uint64(len(recs)) - 1
	if len(s.flight) == 0 {
		u.startWaiting(s, now.At)
	}
	s.flight = append(s.flight, flight{s.next, last})
	s.top = max(s.top, last)
	s.ch.Sent(s.top)
	s.next, s.tail, s.flushed = last+1, tailOf(last, recs[len(recs)-1]), now.At
	if !s.hold.IsZero() {
		s.hold, s.asked = now.At.Add(u.backoff(u.o.AckTimeout, s.holds)), true // until it is answered
	}
	return true, true
}

func (u *Sender) startWaiting(s *stream, now time.Time) {
	timeout := u.o.AckTimeout
	wait := max(timeout, 2*s.latency)
	if s.timeouts > 0 {
		wait += u.backoff(timeout, s.timeouts)
	}
	s.deadline = now.Add(min(wait, max(maxBackoff, timeout)))
}

func (u *Sender) agentClock(at source.Instant) *wirepb.AgentClock {
	server := new(wirepb.ServerClock)
	if add, off, ok := u.ServerOffset(at.Boottime); ok {
		server = &wirepb.ServerClock{Measured: true, OffsetNs: int64(add), ErrorNs: int64(off)}
	}
	return &wirepb.AgentClock{Boot: u.j.Boot(at.Boot), BoottimeNs: at.Boottime, WallNs: at.Wall, Quality: quality(at.Quality), Server: server}
}

func quality(q source.Quality) wirepb.ClockQuality {
	switch q {
	case source.NTPSynced:
		return wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED
	case source.ServerSynced:
		return wirepb.ClockQuality_CLOCK_QUALITY_SERVER_SYNCED
	case source.Free:
		return wirepb.ClockQuality_CLOCK_QUALITY_FREE
	}
	return wirepb.ClockQuality_CLOCK_QUALITY_UNSET
}

// Receive takes a message that came from the server.
func (u *Sender) Receive(now Now, m Message) {
	if m.Topic == wire.Cmd(u.o.Site, u.o.Agent) {
		u.commanded(now, m)
		return
	}
	if m.Topic == wire.ServerState(u.o.Site) {
		u.heardServer(m.Payload)
		return
	}
	if m.Topic != wire.Ack(u.o.Site, u.o.Agent) {
		return // other words of the server are for others
	}
	acks, err := wire.DecodeAcks(m.Payload)
	if err != nil {
		u.o.Log.Warn("acknowledgement not read", "bytes", len(m.Payload), "error", err)
		return
	}
	for _, a := range acks {
		if s := u.byID[[16]byte(a.GetStreamId())]; s != nil {
			u.offset.measure(a.GetEchoBoottimeNs(), a.GetReceivedNs(), a.GetSentNs(), m.At)
			if took := time.Duration(m.At - a.GetEchoBoottimeNs()); a.GetEchoBoottimeNs() > 0 && took > 0 {
				s.latency = max(min(took, maxBackoff), s.latency-s.latency/8)
			}
			u.answered(s, a, now)
		}
	}
}

// answered takes the server's answer for one stream.
func (u *Sender) answered(s *stream, a *wirepb.Ack, now Now) {
	stale := a.GetEchoBoottimeNs() < s.rewound
	machine := s.ch.Machine()
	switch a.GetVerdict() {
	case wirepb.Verdict_VERDICT_OK, wirepb.Verdict_VERDICT_NEED_FROM:
		u.acknowledged(s, a, now, stale)
	case wirepb.Verdict_VERDICT_FROZEN:
		if s.frozen == "" {
			u.o.Log.Error("server stopped the stream: two agents write it or a record changed; find the second agent, then give this one a new journal folder",
				"machine", machine, "reason", a.GetReason())
		}
		s.frozen = "stopped by the server: " + a.GetReason()
		s.problem, s.flight = s.frozen, nil
	case wirepb.Verdict_VERDICT_UNREGISTERED:
		if !s.unregistered {
			s.unregistered = true
			s.problem = "not registered: run " + u.registerCommand(machine)
			if u.registerAt.IsZero() {
				u.registerAt = now.At.Add(time.Second) // one line for all machines
			}
		}
		u.refused(s, now, stale)
	case wirepb.Verdict_VERDICT_QUARANTINED:
		if !stale {
			u.o.Log.Error("server could not read a batch, its bytes are kept there; sending again later", "machine", machine, "from", s.acked+1, "reason", a.GetReason())
		}
		s.problem = "batch not read by the server: " + a.GetReason()
		u.refused(s, now, stale)
	default:
		u.o.Log.Warn("answer of the server not understood", "machine", machine, "verdict", int32(a.GetVerdict()))
	}
}

// refused begins again later at what the server has. Answers to batches from
// before that do not count as more refusals.
func (u *Sender) refused(s *stream, now Now, stale bool) {
	if stale {
		return
	}
	s.rewind(s.acked+1, now.Clock)
	s.rewound++ // this very batch is answered
	u.pause(s, now.At)
}

func (u *Sender) acknowledged(s *stream, a *wirepb.Ack, now Now, stale bool) {
	incarnation := s.incarnation
	if len(a.GetDbIncarnation()) == wire.IDLen {
		incarnation = [16]byte(a.GetDbIncarnation())
	}
	acked := a.GetAckedSeq()
	if err := s.ch.Ack(acked, a.GetBackupHorizon(), incarnation); err != nil {
		if errors.Is(err, journal.ErrBeyondHead) {
			if !s.beyond {
				u.o.Log.Error("server acknowledges records that this journal does not hold: it may be an older copy", "machine", s.ch.Machine(), "error", err)
			}
			s.beyond = true
			s.problem = fmt.Sprintf("server is ahead of the journal at record %d", acked)
			return
		}
		u.o.Log.Warn("acknowledgement not noted", "error", err) // it comes again
	}
	restored := incarnation != s.incarnation && s.incarnation != [16]byte{}
	s.incarnation = incarnation
	needed := a.GetVerdict() == wirepb.Verdict_VERDICT_NEED_FROM && !stale
	before := s.acked
	switch {
	case restored:
		u.o.Log.Warn("server's database is another one, sending from what it has", "machine", s.ch.Machine(), "from", acked+1)
		s.acked = acked
		s.rewind(acked+1, now.Clock)
	case needed:
		s.acked = acked
		s.rewind(acked+1, now.Clock)
	default:
		s.acked = max(s.acked, acked)
		s.next = max(s.next, s.acked+1)
	}
	if s.frozen != "" && a.GetEchoBoottimeNs() != 0 {
		return // an answer to what was sent before
	}
	done := func(f flight) bool { return f.last <= s.acked }
	s.flight = slices.DeleteFunc(s.flight, done)
	if s.acked > before || len(s.flight) == 0 && a.GetVerdict() == wirepb.Verdict_VERDICT_OK {
		// Progress: the server takes the stream.
		s.timeouts, s.problem, s.frozen, s.unregistered, s.reported, s.beyond = 0, "", "", false, false, false
		if len(s.flight) > 0 {
			u.startWaiting(s, now.At)
		}
	}
	s.credit = int(min(a.GetCredit(), 1<<10))
	if s.credit > 0 {
		s.hold, s.holds, s.asked = time.Time{}, 0, false
	} else if s.hold.IsZero() || s.asked {
		// Then one batch asks whether it still holds. The batches that were on
		// their way when the pause began say it again and prolong nothing.
		u.pause(s, now.At)
	}
}

// reportUnregistered tells people once what to do, for all machines at once.
func (u *Sender) reportUnregistered() {
	u.registerAt = time.Time{}
	var machines []string
	for _, s := range u.streams {
		if s.unregistered && !s.reported {
			s.reported = true
			machines = append(machines, s.ch.Machine())
		}
	}
	if len(machines) > 0 {
		u.o.Log.Error("server does not know this agent or its machines; everything is kept and sent when they are registered",
			"agent", u.o.Agent, "run", u.registerCommand(machines...))
	}
}
