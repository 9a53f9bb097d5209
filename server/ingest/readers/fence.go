package readers

import (
	"fmt"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// Reach is when a stream of a machine is believed: of several each until the
// next one begins, so that two readers of one counter cannot both be counted.
// Instants are Unix ms.
type Reach struct {
	Begun  bool  // Begin is set: at the first record, or when it was handed the counter
	Begin  int64 // see Begun
	Covers bool  // its first readings account for all that came before
	Fenced bool
	Fence  int64 // nothing later is believed
	Closed bool  // nor are new counter lives
	// Met is when it first spoke, by the server's clock; 0 = not known.
	Met int64
	// Vague says that Begin is by a clock that nobody had checked.
	Vague bool
	// Back is by how much, in ms, the server's clock was set back between the
	// newest reading of the machine and when this stream first spoke: it is vague
	// then, as no instant of before can be compared with its begin.
	Back int64
	// Late says that a stream which takes over from it was known before it.
	Late bool
}

// restrict moves the fence of a stream to an earlier instant.
func (r *Reach) restrict(at int64, closed bool) (moved bool) {
	was := *r
	if !r.Fenced || at < r.Fence {
		r.Fenced, r.Fence = true, at
	}
	r.Closed = r.Closed || closed
	return *r != was
}

// placing is how far off an instant of another host may be placed, in ms.
const placing = 5000

// after tells that stream a takes over from stream b.
func (r *Row) after(a, b *Stream) bool {
	if x, y := r.Turn(a.Agent, a.Machine), r.Turn(b.Agent, b.Machine); x != y {
		return x > y
	}
	if a.Num < b.Num {
		return !b.follows(a)
	}
	return a.follows(b)
}

// follows tells that a stream takes over from one that the store met before it.
// That is so unless it surely began earlier: then it is late word of a box that
// was replaced, and must not stop its successor. Of two that begin at the same
// time, as far as can be told, the one that was met first stays. A clock that
// nobody had checked, or that was set back since, says nothing of what is
// earlier: what came last is the newest then.
func (r *Reach) follows(before *Stream) bool {
	unsure := r.Vague || before.Vague || r.Met != 0 && before.Begin > r.Met+placing
	return unsure || r.Begin > before.Begin+placing
}

// order puts a stream that begins into the row of the machine's streams; one
// that was handed the counter is the newest.
func (r *Row) order(st *Stream, begin int64, handed bool, c *Changes) {
	st.Begun, st.Begin = true, begin
	c.Streams[st] = true
	for _, other := range r.Streams {
		if other == st || other.Machine != st.Machine || !other.Begun {
			continue
		}
		st.Covers = st.Covers || other.Records > 0
		if handed || r.after(st, other) {
			restrict(other, st.Begin, true, c)
		} else {
			st.Late = true
			restrict(st, other.Begin, other.Covers, c)
		}
	}
}

func restrict(st *Stream, at int64, closed bool, c *Changes) {
	if st.restrict(at, closed) {
		c.Streams[st] = true
		c.Ended = append(c.Ended, st)
	}
}

// Latest is when the stream began at the latest where its begin is vague, else 0;
// by the clock that placed the newest reading of then.
func (r *Reach) Latest() int64 {
	if r.Vague {
		return r.Met + r.Back
	}
	return 0
}

// Believed returns how many fresh records come before the fence of their
// stream, and why the rest does not count. It places the boots of those that
// it looks at.
func (r *Row) Believed(m *tally.Machine, st *Stream, b *store.Batch, fresh []store.Record, c *Changes) (n int, why string) {
	st.Places.Lo, st.Places.Hi = tally.Bound(b.Received)
	if st.Met == 0 && st.Records == 0 {
		st.Met = b.Received.UnixMilli()
		c.Streams[st] = true
	}
	for i := range fresh {
		x := &fresh[i]
		if x.Boottime == 0 && x.Wall == 0 {
			continue // says nothing of time
		}
		if st.Begun && !st.Fenced {
			break
		}
		r.placeBoot(m, st, b, x.Boot, c)
		at := st.Places.At(x.Boot, x.Boottime)
		if !st.Begun {
			if _, read, ok := m.Newest(); ok && st.Met != 0 {
				if back := r.SetBack(read.At); back > placing {
					st.Back = back
				}
			}
			st.Vague = x.Boot != b.Clock.Boot && !x.Synced || st.Back > 0
			r.order(st, at, false, c)
			m.Come(st.Num, st.Late, st.Latest())
		}
		if st.Fenced && (at > st.Fence || st.Fence > b.Received.UnixMilli()+placing) {
			// Where the fence is not yet, the server's clock was set back since, and
			// where on its scale this was cannot be told. Nothing is counted twice
			// then: who took over accounts for what was counted before.
			return i, handedOver(st)
		}
	}
	return len(fresh), ""
}

// Strange tells why a record is not booked although its stream is believed.
//
// Of a closed stream that is a counter life which the hand-over did not know:
// the reader that took over accounts for all counts since the newest reading
// of then, and they would be counted twice. Of the stream that took over it is
// what the one before has told too, when its successor was not known yet.
func (r *Row) Strange(m *tally.Machine, st *Stream, x *store.Record, received time.Time) (why string, how Refusal) {
	if !st.Closed {
		return r.toldBefore(m, st, x, received.UnixMilli())
	}
	var life store.ID
	switch k := x.Kind.(type) {
	case *store.CountSpan:
		life = k.Life
	case *store.LifeLink:
		life = k.New
	default:
		return "", Untrue
	}
	if m.Knows(life) {
		return "", Untrue
	}
	return fmt.Sprintf("counter life %x was not known when the machine was handed over; the reader after it accounts for its counts", life[:4]), Told
}

// Refusal says why a record is not booked. Its numbers are stored.
type Refusal int64

// Refusals.
const (
	Untrue  Refusal = iota // it cannot be
	Told                   // another reader tells of it
	Doubted                // as Told, but nobody can tell of how much of it: its counts are bounds
)

// toldBefore tells that another reader went on over its fence before this
// stream was known, and has told of the time of a record.
//
// What the other one told was read before this one was met: it cannot have told
// of any time after that, whatever its clock shows. A record that seems to be from
// after its own receipt is on the scale of a server's clock that was set back
// since, and so is that: then the two are compared as they are. What goes on from
// the newest reading is of after it, whatever any clock says.
func (r *Row) toldBefore(m *tally.Machine, st *Stream, x *store.Record, received int64) (why string, how Refusal) {
	now := m.Lives[m.Current]
	if now == nil || now.Read.Stream == st.Num || m.GoesOn(x) {
		return "", Untrue
	}
	at, told, ahead := st.Places.At(x.Boot, x.Boottime), now.Read.At, false
	if st.Met != 0 && told > st.Met && at <= received+placing {
		told, ahead = st.Met, told > st.Met+placing
	}
	after := at > told
	how = Told
	switch k := x.Kind.(type) {
	case *store.CountSpan: // also one that began before, or whose counts may have
		after = after && st.Places.At(x.Boot, k.FromBoottime) >= told && (!k.TimeUnknown || m.Knows(k.Life))
		if k.RawBits == 0 {
			how = Doubted
		}
	case *store.LifeLink:
		// A clock was set, so that it is not known how long nobody counted. The
		// next reading of a counter will tell; of pulses this link bounds it.
		after = after || ahead && k.RawBits == 0
	case *store.StopBegin, *store.StopEnd, *store.StateGap:
	default:
		return "", Untrue
	}
	if after {
		return "", Untrue
	}
	other := r.numbered(now.Read.Stream)
	if other == nil || !other.Fenced || now.Read.At <= other.Fence {
		return "", Untrue
	}
	return fmt.Sprintf("agent %s, which this reader replaced at %s, has told of this time before this reader was known", other.Agent, instant(other.Fence)), how
}

func handedOver(st *Stream) string {
	return fmt.Sprintf("machine %s was handed over to another reader at %s, and what this one tells of later is not counted; "+
		"stop this agent, or take the machine out of its configuration; if it is the right one, register it again (%s) and give it an empty journal",
		st.Machine, instant(st.Fence), register(st.Agent, st.Machine))
}

func twoProcesses(st *Stream, b *store.Batch) string {
	return fmt.Sprintf("processes %x and %x of agent %s both write this stream: its journal was copied; keep one agent, and give the other an empty journal", b.Run[:4], st.Run.ID[:4], st.Agent)
}

// register is what a person runs so that the server takes an agent.
func register(agent, machine string) string {
	return fmt.Sprintf("planner units register %s --machines %s", agent, machine)
}

func instant(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }

// Unregistered says why a batch of an agent is not taken.
func Unregistered(agent, machine string) string {
	return fmt.Sprintf("agent %s is not registered for machine %s: %s", agent, machine, register(agent, machine))
}
