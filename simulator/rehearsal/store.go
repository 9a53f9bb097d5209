package rehearsal

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"turnwise/proto/wire"
	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// memory is a database in memory, fast enough for a million faults. It keeps
// every promise of store.Store about what agents say, by the same packages as
// store/sqlite, and passes the same suite. The order book and the loads of
// creels are not kept: to ask for them panics.
type memory struct {
	store.Store
	w     *world
	state *books

	kept []*books // verified backups, the newest last

	// Negative controls. doubles: what comes again is added again. hasty: what
	// was committed last is not durable yet when it is acknowledged. copies: two
	// processes may write a stream, and nobody looks whether records that come
	// again, or were there before, are the same. vague: a hundred turns more are
	// told as lost for every life of a counter.
	doubles, hasty, copies, vague bool
	durable                       *books

	truth   func(machine string) int64 // for the log
	refused func(format string, args ...any)
}

// books are the content of the database.
type books struct {
	incarnation store.ID
	readers.Row
	machines map[string]*account
	pages    map[store.ID]*page // of each stream
	heads    map[store.ID]head
	agents   map[string]time.Time // since when they are registered
	unread   int                  // messages that could not be read
}

// page is what is kept of the records of a stream.
type page struct {
	crcs   []uint32 // of record i+1
	coarse []bool
}

// head is the newest record that an agent told of.
type head struct {
	agent string
	seq   uint64
}

// account is what is kept of one machine.
type account struct {
	tally.Machine
	stops  map[store.ID]*tally.Stop
	causes map[string]int64
	cells  map[int64]tally.Cell
	counts map[int64]int64
	gaps   []tally.Gap
	summed int64 // counts, for the negative control
	buried int64 // records that came as tombstones
}

func newMemory(w *world) *memory {
	return &memory{w: w, refused: w.fail, state: &books{
		incarnation: w.id(), Row: readers.NewRow(), machines: map[string]*account{}, pages: map[store.ID]*page{},
		heads: map[store.ID]head{}, agents: map[string]time.Time{},
	}}
}

func newAccount() *account {
	return &account{stops: map[store.ID]*tally.Stop{}, causes: map[string]int64{}, cells: map[int64]tally.Cell{}, counts: map[int64]int64{}}
}

// Incarnation was stamped when the books were begun or set back.
func (m *memory) Incarnation(context.Context) (store.ID, error) { return m.state.incarnation, nil }

// Close keeps everything: it is in memory.
func (m *memory) Close() error { return nil }

func (m *memory) register(agent string, machines ...string) {
	if _, err := m.RegisterAgent(background, agent, machines, time.Unix(0, epoch+int64(m.w.now)), false); err != nil {
		m.w.fail("register: %v", err)
	}
}

// RegisterAgent lets an agent in for machines.
func (m *memory) RegisterAgent(_ context.Context, agent string, machines []string, at time.Time, dryRun bool) (created []string, err error) {
	for _, id := range append([]string{agent}, machines...) {
		if !wire.ValidID(id) {
			return nil, fmt.Errorf("register %q: %w id", id, store.ErrInvalid)
		}
	}
	for _, id := range machines {
		if m.state.machines[id] == nil {
			created = append(created, id)
		}
	}
	if dryRun {
		return created, nil
	}
	if _, known := m.state.agents[agent]; !known {
		m.state.agents[agent], m.state.Agents[agent] = at, map[string]int64{}
	}
	for _, id := range machines {
		if m.state.machines[id] == nil {
			m.state.machines[id] = newAccount()
		}
		if who, most := m.state.Holder(id); who != agent {
			m.state.Agents[agent][id] = max(most, 0) + 1
		}
	}
	m.forget()
	return created, nil
}

// forget is what is not remembered when the books are read again.
func (m *memory) forget() {
	for _, st := range m.state.Streams {
		st.Asked = 0
	}
}

// Quarantine keeps a message that could not be read: here only that there was one.
func (m *memory) Quarantine(context.Context, store.Quarantined) error {
	m.state.unread++
	return nil
}

// SawHead notes the newest records that an agent told of.
func (m *memory) SawHead(_ context.Context, agent string, heads map[store.ID]uint64) error {
	for id, seq := range heads {
		if h := m.state.heads[id]; seq > h.seq && (h.agent == "" || h.agent == agent) {
			m.state.heads[id] = head{agent, seq}
		}
	}
	return nil
}

// Commit applies batches in order. It happens at once: the world decides
// before or after it what the power did.
func (m *memory) Commit(ctx context.Context, batches []store.Batch) ([]store.Outcome, error) {
	if m.hasty {
		m.durable = m.state.clone()
	}
	out := make([]store.Outcome, len(batches))
	last := map[string]int{}
	changed := map[string]*tally.Changes{}
	c := readers.NewChanges()
	for i := range batches {
		b := &batches[i]
		done, err := m.batch(b, &out[i], c, changed)
		if err != nil {
			return nil, err
		}
		if done {
			last[b.Machine] = i
		}
	}
	for i := range batches {
		b := &batches[i]
		a := m.state.machines[b.Machine]
		if a == nil {
			continue
		}
		out[i].State = a.state(b.Machine)
		if st := m.state.Streams[b.Stream]; st != nil && st.Agent == b.Agent && st.Machine == b.Machine {
			out[i].Acked, out[i].Horizon = st.Acked, st.Horizon
		}
		if l, ok := last[b.Machine]; ok && l == i {
			out[i].Stops = stopsOf(b.Machine, maps.Values(changed[b.Machine].Stops))
		}
	}
	for machine, changes := range changed {
		m.state.machines[machine].keep(changes)
	}
	return out, nil
}

// batch applies one batch; done says that it had records that are new.
func (m *memory) batch(b *store.Batch, out *store.Outcome, c *readers.Changes, changed map[string]*tally.Changes) (done bool, err error) {
	a, row := m.state.machines[b.Machine], &m.state.Row
	if a == nil || row.Turn(b.Agent, b.Machine) < 0 {
		out.Verdict, out.Reason = store.Unregistered, readers.Unregistered(b.Agent, b.Machine)
		return false, nil
	}
	if len(b.Records) == 0 || b.FirstSeq == 0 {
		return false, fmt.Errorf("batch of stream %x without records or sequence number", b.Stream)
	}
	st := row.Streams[b.Stream]
	if st == nil {
		st = row.Begin(b.Stream, b.Agent, b.Machine, readers.RunOf(b), c)
		m.state.pages[b.Stream] = &page{}
	}
	if st.Agent != b.Agent || st.Machine != b.Machine {
		out.Verdict, out.Reason = store.Frozen, "stream of somebody else"
		return false, nil
	}
	if err := m.SawHead(background, b.Agent, map[store.ID]uint64{b.Stream: b.HeadSeq}); err != nil {
		return false, err
	}
	p := m.page(b.Stream)
	why := st.Frozen
	if why == "" && !m.copies {
		why = st.TakeRun(b, c)
	}
	if why == "" && !m.copies {
		why = p.compare(st, b)
	}
	if why != "" {
		st.Freeze(why, c)
		out.Verdict, out.Reason = store.Frozen, why
		return false, nil
	}
	if m.doubles {
		for i := range b.Records {
			if k, ok := b.Records[i].Kind.(*store.CountSpan); ok {
				a.summed += int64(k.To - k.From)
			}
		}
	}
	fresh, ok := st.Fresh(b)
	if !ok || len(fresh) > 0 && row.Unmeasured(st, b) {
		out.Verdict = store.NeedFrom
		return false, nil
	}
	if len(fresh) > 0 {
		st.FollowClock(b, c)
	}
	n, why := row.Believed(&a.Machine, st, b, fresh, c)
	out.Verdict, out.Applied = store.OK, n
	if why != "" {
		st.Freeze(why, c)
		out.Verdict, out.Reason = store.Frozen, why
	}
	if n > 0 {
		if changed[b.Machine] == nil {
			changed[b.Machine] = tally.NewChanges(func(id store.ID) *tally.Stop { return a.stops[id] })
		}
		m.apply(a, st, p, b, fresh[:n], c, changed[b.Machine])
	}
	return n > 0, nil
}

func (m *memory) apply(a *account, st *readers.Stream, p *page, b *store.Batch, fresh []store.Record, c *readers.Changes, changes *tally.Changes) {
	st.Places.Lo, st.Places.Hi = tally.Bound(b.Received)
	for i := range fresh {
		r := &fresh[i]
		m.state.Place(&a.Machine, st, b, r, c)
		if m.w.log != nil {
			m.w.say(fmt.Sprintf("book %s of stream %d, record %d: %T %+v; %d counts made", st.Machine, st.Num, r.Seq, r.Kind, r.Kind, m.truth(st.Machine)))
		}
		st.Book(r)
		if why, how := m.state.Strange(&a.Machine, st, r, b.Received); why != "" {
			m.w.note("not booked: " + why)
			if how == readers.Doubted {
				a.Doubt(r, changes)
			}
		} else if why := a.Apply(st.Num, r, st.Places, changes); why != "" {
			m.refused("the server refuses record %d of machine %s: %s", r.Seq, st.Machine, why)
		}
		if _, ok := r.Kind.(*store.Tombstone); ok {
			a.buried++
		}
		for uint64(len(p.crcs)) < r.Seq-1 { // a tombstone stands for them
			p.crcs, p.coarse = append(p.crcs, 0), append(p.coarse, true)
		}
		p.crcs, p.coarse = append(p.crcs, r.CRC), append(p.coarse, r.Coarse)
		st.Acked, st.Tail = r.Seq, readers.TailOf(r)
	}
	st.Records += int64(len(fresh))
}

// page of a stream; one that was handed a counter begins without it.
func (m *memory) page(id store.ID) *page {
	p := m.state.pages[id]
	if p == nil {
		p = &page{}
		m.state.pages[id] = p
	}
	return p
}

// compare looks whether records that come again are the same.
func (p *page) compare(st *readers.Stream, b *store.Batch) string {
	if ok, why := st.Continues(b); ok {
		return why
	}
	last := min(st.Acked, b.FirstSeq+uint64(len(b.Records))-1)
	for seq := readers.First(b); seq <= last; seq++ {
		if sent, ok := readers.Sum(b, seq); ok && !p.coarse[seq-1] && p.crcs[seq-1] != sent {
			return readers.Changed(seq, sent, p.crcs[seq-1])
		}
	}
	return ""
}

// keep adds what records have changed.
func (a *account) keep(c *tally.Changes) {
	maps.Copy(a.stops, c.Stops)
	a.gaps = append(a.gaps, c.Gaps...)
	for cause, n := range c.Causes {
		a.causes[cause] += n
	}
	for from, n := range c.Counts {
		a.counts[from] += n
	}
	for start, x := range c.Cells {
		a.cells[start] = plus(a.cells[start], *x)
	}
}

func plus(a, b tally.Cell) tally.Cell {
	return tally.Cell{Revolutions: a.Revolutions + b.Revolutions, Inched: a.Inched + b.Inched, RunMS: a.RunMS + b.RunMS, StopMS: a.StopMS + b.StopMS,
		UnknownMS: a.UnknownMS + b.UnknownMS, Stops: a.Stops + b.Stops}
}

// Resume hands the counter of a machine over.
func (m *memory) Resume(_ context.Context, q store.ResumeQuery, at time.Time) (store.Resume, error) {
	var a *tally.Machine
	if x := m.state.machines[q.Machine]; x != nil {
		a = &x.Machine
	}
	return m.state.Row.Resume(a, q, at, readers.NewChanges()), nil
}

// LongerAgo tells by how much the clock was set back.
func (m *memory) LongerAgo(_ context.Context, since, at time.Time) (time.Duration, error) {
	return m.state.Row.LongerAgo(since, at), nil
}

// Frozen lists the streams that take nothing more.
func (m *memory) Frozen(context.Context) (list []store.FrozenStream, err error) {
	for _, st := range m.streams() {
		if st.Frozen != "" {
			list = append(list, store.FrozenStream{Stream: st.ID, Agent: st.Agent, Machine: st.Machine, Acked: st.Acked, Reason: st.Frozen, HandedOver: st.Fenced})
		}
	}
	return list, nil
}

// Release lets a frozen stream go on.
func (m *memory) Release(_ context.Context, id store.ID) error {
	st := m.state.Streams[id]
	switch {
	case st == nil:
		return fmt.Errorf("release stream %x: %w", id, store.ErrNotFound)
	case st.Fenced:
		return fmt.Errorf("release stream %x: %w: it was handed over", id, store.ErrInvalid)
	case st.Frozen != "":
		st.Release(readers.NewChanges())
	}
	return nil
}

// streams in the order in which they were met.
func (m *memory) streams() []*readers.Stream {
	return slices.SortedFunc(maps.Values(m.state.Streams), func(a, b *readers.Stream) int { return int(a.Num - b.Num) })
}
