// Package scribe writes down what the watch says of one machine. The one rule:
// a reading and the state it led to are one write; where the journal refuses
// it, the reading has not been, and a later one tells the same counts over a
// longer time. It reads no machine and no clock.
package scribe

import (
	"time"

	"turnwise/agent/edge/watch"
	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// aliveEvery is how often a state is journalled when there is nothing to say:
// after a crash the machine is known to have been watched until then.
const aliveEvery = 10 * time.Second

// Scribe keeps one machine's channel. It belongs to one goroutine.
type Scribe struct {
	channel *journal.Channel
	watch   *watch.Watch
	st      watch.State
	written source.Instant // of the state that was journalled last
}

// New goes on from the state in the channel; the error is [watch.ErrState]
// where it cannot be read.
func New(c *journal.Channel, w *watch.Watch) (*Scribe, error) {
	s := &Scribe{channel: c, watch: w}
	if b := c.State(); b != nil {
		if err := s.st.UnmarshalBinary(b); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Begin replaces what is known of the machine, before the first reading.
func (s *Scribe) Begin(st watch.State) { s.st = st }

// State is all that is known of the machine.
func (s *Scribe) State() watch.State { return s.st }

// Take lets the watch decide about a reading and journals what it says. wrote
// tells whether the journal was asked; with an error the state is as before.
func (s *Scribe) Take(r source.Reading, past bool) (wrote bool, err error) {
	next, recs := s.watch.Step(s.st, r, past)
	if wrote = len(recs) > 0 || !past && s.due(next); wrote {
		if err := s.write(next, recs); err != nil {
			return true, err
		}
	}
	s.st = next
	return wrote, nil
}

// Finish journals what was counted and how far the machine was watched. told
// says that records were written.
func (s *Scribe) Finish() (wrote, told bool, err error) {
	next, recs := s.watch.Finish(s.st)
	if len(recs) == 0 {
		wrote, err = s.Mark()
		return wrote, false, err
	}
	if err := s.write(next, recs); err != nil {
		return true, false, err
	}
	s.st = next
	return true, true, nil
}

// Mark journals how far the machine was watched, if that is not there yet.
func (s *Scribe) Mark() (wrote bool, err error) {
	if !s.st.Known || s.st.Last == s.written {
		return false, nil
	}
	return true, s.write(s.st, nil)
}

// due tells that the state was not journalled for a while.
func (s *Scribe) due(st watch.State) bool {
	return st.Known && (st.Last.Boot != s.written.Boot || st.Last.Boottime-s.written.Boottime >= int64(aliveEvery))
}

// write journals a state and the records before it in one piece.
func (s *Scribe) write(st watch.State, recs []*wirepb.Record) error {
	b, err := st.AppendBinary(nil)
	if err != nil {
		return err
	}
	if len(recs) == 0 {
		err = s.channel.Tick(b)
	} else {
		err = s.channel.Append(b, recs...)
	}
	if err == nil {
		s.written = st.Last
	}
	return err
}
