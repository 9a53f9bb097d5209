// Package readers keeps the row of a machine's readers: which stream of records
// is believed, until when, which process may write it, and where the clocks of
// its boots stand. It is pure: a store calls it inside its transaction and
// writes down what changed.
//
// The one rule is that of two readers of one counter only one is believed at a
// time. Each stream is believed until the next one begins, and a journal that
// two processes write is believed no more.
//
// It counts nothing (package tally does) and sees no bytes of records.
package readers

import (
	"fmt"
	"slices"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// maxPastRuns is how many processes of an agent are remembered, to notice one
// that comes back from the dead.
const maxPastRuns = 256

// Row is what is known of all readers, as committed.
type Row struct {
	// Agents are the machines that each agent is registered for, with its
	// turn: the agent with the highest one holds the machine.
	Agents  map[string]map[string]int64
	Streams map[store.ID]*Stream
	// Boots are what to add to the time since a boot to get UTC, in ns.
	Boots map[BootKey]int64
}

// NewRow returns an empty row.
func NewRow() Row {
	return Row{Agents: map[string]map[string]int64{}, Streams: map[store.ID]*Stream{}, Boots: map[BootKey]int64{}}
}

// Stream is one stream as committed.
type Stream struct {
	Num            int64 // in the order in which the store met them
	ID             store.ID
	Agent, Machine string
	Acked, Horizon uint64
	Records        int64
	Run            Run
	Past           []store.ID // runs before, newest last
	Frozen         string     // why nothing more is taken; empty = it is
	Reach
	Boots   map[uint32]store.ID
	Places  tally.Places
	Booked  map[uint32]int64 // newest boottime booked, by boot index
	Touched []uint32         // of which that is not written yet
	Tail    Tail             // the newest record, where it is remembered
	Unread  int64            // records of a kind that was not known
	Asked   int              // how often a measurement of the clock was waited for
}

// Tail is the newest record of a stream. It is forgotten with the process.
type Tail struct {
	Seq    uint64
	CRC    uint32
	Coarse bool // its check sum may differ
}

// TailOf is the tail that a record makes.
func TailOf(r *store.Record) Tail { return Tail{r.Seq, r.CRC, r.Coarse} }

// Continues tells whether a batch begins right after the newest record of the
// stream, and that one is remembered or the agent told nothing of it. why is set
// when the agent has another record there: nothing that it holds is a
// continuation of what is in the store.
func (st *Stream) Continues(b *store.Batch) (ok bool, why string) {
	switch {
	case b.FirstSeq <= st.Acked:
		return false, ""
	case b.Before == nil || b.FirstSeq > st.Acked+1 || st.Acked == 0:
		return true, ""
	case st.Tail.Seq != st.Acked:
		return false, ""
	case !st.Tail.Coarse && st.Tail.CRC != *b.Before:
		return true, Changed(st.Acked, *b.Before, st.Tail.CRC)
	}
	return true, ""
}

// First is the number of the first record of which a batch tells a check sum.
func First(b *store.Batch) uint64 {
	if b.Before != nil && b.FirstSeq > 1 {
		return b.FirstSeq - 1
	}
	return b.FirstSeq
}

// Sum is the check sum that a batch tells of a record from [First] on; ok is
// false for one that it holds coarse.
func Sum(b *store.Batch, seq uint64) (crc uint32, ok bool) {
	if seq < b.FirstSeq {
		return *b.Before, true
	}
	r := &b.Records[seq-b.FirstSeq]
	return r.CRC, !r.Coarse
}

// Changed says why a stream is stopped of which a record is not the same.
func Changed(seq uint64, sent, kept uint32) string {
	return fmt.Sprintf("record %d was sent with check sum %08x and is stored with %08x: the journal was set back or copied; give the agent an empty journal", seq, sent, kept)
}

// NewStream returns a stream of which nothing is known.
func NewStream() *Stream {
	return &Stream{
		Boots: map[uint32]store.ID{}, Booked: map[uint32]int64{},
		Places: tally.Places{Offsets: map[uint32]int64{}, Lines: map[uint32][]tally.Line{}},
	}
}

// Run is one process of an agent and the clock with which it first spoke.
type Run struct {
	ID, Boot store.ID
	Boottime int64 // ns
}

// RunOf is the process that sends a batch.
func RunOf(b *store.Batch) Run { return Run{b.Run, b.Boots[b.Clock.Boot], b.Clock.Boottime} }

// BootKey names a boot of an agent's box.
type BootKey struct {
	Agent string
	ID    store.ID
}

// Changes is what was decided in one transaction, to be written down.
type Changes struct {
	Forgot  []*Stream        // never spoke, and are in the row no more
	New     []*Stream        // begun
	Streams map[*Stream]bool // changed
	Ended   []*Stream        // given a fence, or an earlier one
	Boots   []BootKey        // placed
	Placed  []Placed         // boots of streams
	Lines   []NewLine        // corrections of clocks
}

// Placed says that a stream has a boot.
type Placed struct {
	Stream *Stream
	Index  uint32
	Boot   store.ID
}

// NewLine is the nth correction of a boot of a stream.
type NewLine struct {
	Stream *Stream
	Index  uint32
	N      int
	tally.Line
}

// NewChanges returns an empty set of changes.
func NewChanges() *Changes { return &Changes{Streams: map[*Stream]bool{}} }

// Turn is the place of an agent among those that a machine was registered to;
// -1 where it is not. The highest one holds it.
func (r *Row) Turn(agent, machine string) int64 {
	if n, ok := r.Agents[agent][machine]; ok {
		return n
	}
	return -1
}

// Holder tells the agent that a machine is registered to now.
func (r *Row) Holder(machine string) (agent string, turn int64) {
	turn = -1
	for a, machines := range r.Agents {
		if n, ok := machines[machine]; ok && n > turn {
			agent, turn = a, n
		}
	}
	return agent, turn
}

// Begin adds a stream to the row.
func (r *Row) Begin(id store.ID, agent, machine string, run Run, c *Changes) *Stream {
	st := NewStream()
	st.ID, st.Agent, st.Machine, st.Run, st.Num = id, agent, machine, run, 1
	for _, other := range r.Streams {
		st.Num = max(st.Num, other.Num+1)
	}
	r.Streams[id] = st
	c.New = append(c.New, st)
	return st
}

// numbered finds a stream by its number.
func (r *Row) numbered(num int64) *Stream {
	for _, st := range r.Streams {
		if st.Num == num {
			return st
		}
	}
	return nil
}

// TakeRun notes which process speaks. It returns why the stream must freeze: a
// process that was followed by another one speaks again, so that two of them
// hold the same journal. What was sent before the other one began is only late.
func (st *Stream) TakeRun(b *store.Batch, c *Changes) (why string) {
	if b.Run == st.Run.ID {
		return ""
	}
	now := RunOf(b)
	if st.Run.ID == (store.ID{}) { // it said nothing yet, or was released
		st.Run = now
		c.Streams[st] = true
		return ""
	}
	late := now.Boot == st.Run.Boot && now.Boottime < st.Run.Boottime
	if !slices.Contains(st.Past, b.Run) {
		// The first word of a process may be overtaken by that of the next one.
		before, next := st.Run.ID, now
		if late {
			before, next = b.Run, st.Run
		}
		st.Past = append(st.Past, before)
		if len(st.Past) > maxPastRuns {
			st.Past = slices.Clone(st.Past[1:])
		}
		st.Run = next
		c.Streams[st] = true
		return ""
	}
	if late {
		return ""
	}
	return twoProcesses(st, b)
}

// Fresh returns the records after what is there, or that there is a gap before
// them. A tombstone may bridge a gap: the agent says that it no longer holds
// what came before.
func (st *Stream) Fresh(b *store.Batch) ([]store.Record, bool) {
	if b.FirstSeq > st.Acked+1 {
		t, ok := b.Records[0].Kind.(*store.Tombstone)
		return b.Records, ok && t.From <= st.Acked+1 && t.To >= b.FirstSeq-1
	}
	return b.Records[min(st.Acked+1-b.FirstSeq, uint64(len(b.Records))):], true
}

// Freeze lets a stream take nothing more. It returns false where it did not
// before either.
func (st *Stream) Freeze(why string, c *Changes) bool {
	if st.Frozen != "" {
		return false
	}
	st.Frozen = why
	c.Streams[st] = true
	return true
}

// Release lets a frozen stream go on with the process that speaks next.
func (st *Stream) Release(c *Changes) {
	st.Frozen, st.Run, st.Past = "", Run{}, nil
	c.Streams[st] = true
}
