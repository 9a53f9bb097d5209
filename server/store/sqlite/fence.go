package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// reach is when a stream of a machine is believed: of several each until the
// next one begins, so that two readers of one counter cannot both be counted.
// Instants are Unix ms.
type reach struct {
	begun  bool  // begin is set: at the first record, or when it was handed the counter
	begin  int64 // see begun
	covers bool  // its first readings account for all that came before
	fenced bool
	fence  int64 // nothing later is believed
	closed bool  // nor are new counter lives
}

// restrict moves the fence of a stream to an earlier instant.
func (r *reach) restrict(at int64, closed bool) (moved bool) {
	was := *r
	if !r.fenced || at < r.fence {
		r.fenced, r.fence = true, at
	}
	r.closed = r.closed || closed
	return *r != was
}

// turn is the place of an agent in the row of those that a machine was
// registered to; the highest one holds it.
func (w *writer) turn(agent, machine string) int64 {
	if n, ok := w.agents[agent][machine]; ok {
		return n
	}
	return -1
}

// holder tells the agents that a machine is registered to now.
func (w *writer) holder(machine string) (agent string, turn int64) {
	turn = -1
	for a, machines := range w.agents {
		if n, ok := machines[machine]; ok && n > turn {
			agent, turn = a, n
		}
	}
	return agent, turn
}

// placing is how far off an instant of another host may be placed, in ms.
const placing = 5000

// after tells that stream a takes over from stream b. Of two that begin at the
// same time, as far as can be told, the one that the store knew first stays:
// late word of a box that was replaced must not stop its successor.
func (w *writer) after(a, b *stream) bool {
	if x, y := w.turn(a.agent, a.machine), w.turn(b.agent, b.machine); x != y {
		return x > y
	}
	if d := a.begin - b.begin; d > placing || d < -placing {
		return d > 0
	}
	return a.num < b.num
}

// order puts a stream that begins into the row of the machine's streams; one
// that was handed the counter is the newest.
func (k *work) order(st *stream, begin int64, handed bool) {
	st.begun, st.begin = true, begin
	k.streams[st] = true
	for _, other := range k.w.streams {
		if other == st || other.machine != st.machine || !other.begun {
			continue
		}
		st.covers = st.covers || other.records > 0
		if handed || k.w.after(st, other) {
			k.restrict(other, st.begin, true)
		} else {
			k.restrict(st, other.begin, other.covers)
		}
	}
}

func (k *work) restrict(st *stream, at int64, closed bool) {
	if st.restrict(at, closed) {
		k.streams[st] = true
		k.s.log.Warn("stream ends where another one begins", "agent", st.agent, "machine", st.machine, "stream", fmt.Sprintf("%x", st.id), "believed_until", ms(st.fence))
	}
}

// believed returns how many fresh records come before the fence of their
// stream, and why the rest does not count. It places the boots of those that
// it looks at.
func (k *work) believed(m *machine, st *stream, b *store.Batch, fresh []store.Record) (n int, why string, err error) {
	st.places.Lo, st.places.Hi = tally.Bound(b.Received)
	for i := range fresh {
		r := &fresh[i]
		if r.Boottime == 0 && r.Wall == 0 {
			continue // says nothing of time
		}
		if st.begun && !st.fenced {
			break
		}
		if err := k.placeBoot(m, st, b, r.Boot); err != nil {
			return 0, "", err
		}
		at := st.places.At(r.Boot, r.Boottime)
		if !st.begun {
			k.order(st, at, false)
		}
		if st.fenced && at > st.fence {
			return i, fmt.Sprintf("machine %s was handed over to another reader at %s, and what this one tells of later is not counted; "+
				"stop this agent, or take the machine out of its configuration; if it is the right one, register it again (planner units register %s --machines %s) and give it an empty journal",
				st.machine, ms(st.fence).UTC().Format(time.RFC3339), st.agent, st.machine), nil
		}
	}
	return len(fresh), "", nil
}

// strange tells why a record is not booked although its stream is believed.
//
// Of a closed stream that is a counter life which the hand-over did not know:
// the reader that took over accounts for all counts since the newest reading
// of then, and they would be counted twice. Of the stream that took over it is
// what the one before has told too, when its successor was not known yet.
func (w *writer) strange(m *machine, st *stream, r *store.Record) string {
	if !st.closed {
		return w.toldBefore(m, st, r)
	}
	var life store.ID
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		life = k.Life
	case *store.LifeLink:
		life = k.New
	default:
		return ""
	}
	if m.Knows(life) {
		return ""
	}
	return fmt.Sprintf("counter life %x was not known when the machine was handed over; the reader after it accounts for its counts", life[:4])
}

// toldBefore tells that another reader went on over its fence before this
// stream was known, and has told of the time of a record.
func (w *writer) toldBefore(m *machine, st *stream, r *store.Record) string {
	now := m.Lives[m.Current]
	if now == nil || now.Read.Stream == st.num {
		return ""
	}
	after := st.places.At(r.Boot, r.Boottime) > now.Read.At
	switch k := r.Kind.(type) {
	case *store.CountSpan: // also one that began before
		after = after && st.places.At(r.Boot, k.FromBoottime) >= now.Read.At
	case *store.StopBegin, *store.StopEnd, *store.StateGap, *store.LifeLink:
	default:
		return ""
	}
	if after {
		return ""
	}
	other := w.streamNum(now.Read.Stream)
	if other == nil || !other.fenced || now.Read.At <= other.fence {
		return ""
	}
	return fmt.Sprintf("agent %s, which this reader replaced at %s, has told of this time before this reader was known", other.agent, ms(other.fence).UTC().Format(time.RFC3339))
}

// streamNum finds a stream by its number.
func (w *writer) streamNum(num int64) *stream {
	for _, st := range w.streams {
		if st.num == num {
			return st
		}
	}
	return nil
}

// Resume hands the counter of a machine over to a stream.
func (s *Store) Resume(ctx context.Context, q store.ResumeQuery, at time.Time) (store.Resume, error) {
	var out store.Resume
	err := s.transact(ctx, "hand-over of machine "+q.Machine, func(ctx context.Context, w *writer) error {
		k := &work{s: s, w: w, ctx: ctx, machines: map[*machine]*tally.Changes{}, streams: map[*stream]bool{}, heard: map[store.ID]bool{}}
		var err error
		if out, err = k.resume(q, at); err != nil {
			return err
		}
		if len(k.streams) == 0 {
			return errRollback
		}
		_, err = k.flush()
		return err
	})
	if err != nil {
		return store.Resume{}, err
	}
	return out, nil
}

func (k *work) resume(q store.ResumeQuery, at time.Time) (store.Resume, error) {
	m := k.w.machines[q.Machine]
	if why := k.barred(m, q); why != "" {
		return store.Resume{Verdict: store.ResumeRefused, Reason: why}, nil
	}
	st := k.w.streams[q.Stream]
	if st == nil && q.Head > 0 || st != nil && st.acked < q.Head {
		return store.Resume{Verdict: store.ResumeLater}, nil
	}
	key, r, ok := m.Newest()
	if !ok {
		return store.Resume{Verdict: store.ResumeNothing}, nil
	}
	if st == nil {
		var err error
		if st, err = k.await(q, m); err != nil {
			return store.Resume{}, err
		}
	}
	if st.records == 0 && !st.begun {
		k.order(st, at.UnixMilli(), true)
	} else {
		for _, other := range k.w.streams {
			if other != st && other.machine == st.machine && other.begun && k.w.after(st, other) {
				k.restrict(other, at.UnixMilli(), true)
			}
		}
	}
	out := store.Resume{
		Verdict: store.ResumeContinue, Life: key.ID, PerRev: key.PerRev, Ext: r.Ext, Raw: r.Raw, RawBits: r.Bits,
		Boottime: r.Boottime, At: ms(r.At),
	}
	if m.Open != nil {
		out.Stop = m.Open.ID
	}
	if x := k.w.streamNum(r.Stream); x != nil {
		out.Boot = x.boots[r.Boot]
	}
	return out, nil
}

// barred tells why an agent may not have the counter of a machine.
func (k *work) barred(m *machine, q store.ResumeQuery) string {
	register := fmt.Sprintf("planner units register %s --machines %s", q.Agent, q.Machine)
	if m == nil || k.w.turn(q.Agent, q.Machine) < 0 {
		return fmt.Sprintf("agent %s is not registered for machine %s: %s", q.Agent, q.Machine, register)
	}
	if holder, turn := k.w.holder(q.Machine); turn > k.w.turn(q.Agent, q.Machine) {
		return fmt.Sprintf("machine %s was registered to agent %s since; if agent %s is the right one: %s", q.Machine, holder, q.Agent, register)
	}
	st := k.w.streams[q.Stream]
	switch {
	case st == nil:
		return ""
	case st.agent != q.Agent || st.machine != q.Machine:
		return fmt.Sprintf("stream %x belongs to machine %s of agent %s", st.id, st.machine, st.agent)
	case st.frozen != "":
		return st.frozen
	case st.fenced:
		return fmt.Sprintf("machine %s was handed over to another reader at %s; give this agent an empty journal if it is the right one", q.Machine, ms(st.fence).UTC().Format(time.RFC3339))
	}
	return ""
}

// await begins a stream that has said nothing yet. There is one at most of an
// agent and machine, so that asking again and again fills nothing. One that was
// handed over or stopped stays: its word must not be believed under a new row.
func (k *work) await(q store.ResumeQuery, m *machine) (*stream, error) {
	for id, st := range k.w.streams {
		if st.agent != q.Agent || st.machine != q.Machine || st.records > 0 || st.fenced || st.frozen != "" {
			continue
		}
		for _, forget := range []string{`DELETE FROM boot_line WHERE stream_num = ?`, `DELETE FROM stream_boot WHERE stream_num = ?`, `DELETE FROM stream WHERE num = ?`} {
			if _, err := k.w.exec(k.ctx, forget, st.num); err != nil {
				return nil, fmt.Errorf("forget stream %x that never spoke: %w", id, err)
			}
		}
		delete(k.w.streams, id)
		delete(k.streams, st)
	}
	return k.stream(&store.Batch{Agent: q.Agent, Machine: q.Machine, Stream: q.Stream}, m)
}

// Frozen lists the streams that take nothing more, by agent and machine.
func (s *Store) Frozen(ctx context.Context) ([]store.FrozenStream, error) {
	var list []store.FrozenStream
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var x store.FrozenStream
		var b []byte
		var acked int64
		if err := rows.Scan(&b, &x.Agent, &x.Machine, &acked, &x.Reason, &x.HandedOver); err != nil {
			return err
		}
		x.Stream, x.Acked = id(b), uint64(acked)
		list = append(list, x)
		return nil
	}, `SELECT s.id, s.agent, m.id, s.acked, s.frozen, s.fence_ms IS NOT NULL FROM stream s JOIN machine m ON m.num = s.machine_num
		WHERE s.frozen <> '' ORDER BY s.agent, m.id, s.num`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list frozen streams: %w", err)
	}
	return list, nil
}

// Release lets a frozen stream go on.
func (s *Store) Release(ctx context.Context, id store.ID) error {
	return s.transact(ctx, fmt.Sprintf("release of stream %x", id), func(ctx context.Context, w *writer) error {
		st := w.streams[id]
		switch {
		case st == nil:
			return fmt.Errorf("release stream %x: %w; list them with server streams", id, store.ErrNotFound)
		case st.fenced:
			return fmt.Errorf("release stream %x of machine %s of agent %s: %w: it was handed over to another reader; give the agent an empty journal, with it the agent goes on from the newest reading",
				id, st.machine, st.agent, store.ErrInvalid)
		case st.frozen == "":
			return errRollback
		}
		k := &work{s: s, w: w, ctx: ctx, streams: map[*stream]bool{st: true}, heard: map[store.ID]bool{}}
		// Whoever speaks next is the process that was kept.
		st.frozen, st.run, st.past = "", run{}, nil
		s.log.Warn("stream released", "agent", st.agent, "machine", st.machine, "stream", fmt.Sprintf("%x", id))
		_, err := k.flush()
		return err
	})
}
