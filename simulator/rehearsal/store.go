package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// memory is a database in memory that keeps the promises of store.Store as far
// as an ingest needs them, fast enough for a million faults. The rules of
// streams are those of store/sqlite, in the same order; the comparison of both
// is a test. Whatever else is asked of it panics.
type memory struct {
	store.Store
	w     *world
	state *books

	kept []*books // verified backups, the newest last

	// Negative controls. doubles: what comes again is added again. hasty: what
	// was committed last is not durable yet when it is acknowledged.
	doubles, hasty bool
	durable        *books

	truth func(machine string) int64 // for the log
}

// books are the content of the database.
type books struct {
	incarnation store.ID
	turns       map[seatKey]int64 // place of an agent in the row of a machine's
	machines    map[string]*account
	streams     map[store.ID]*stream
	order       []store.ID // of the streams
	boots       map[bootKey]int64
}

type seatKey struct{ agent, machine string }

type bootKey struct {
	agent string
	boot  store.ID
}

type account struct {
	tally.Machine
	stops  map[store.ID]*tally.Stop
	summed int64 // counts, for the negative control
	buried int64 // records that came as tombstones
}

type stream struct {
	num            int64
	agent, machine string
	acked, horizon uint64
	crcs           []uint32 // of record i+1
	coarse         []bool
	run            run
	past           []store.ID
	frozen         string
	places         tally.Places
	booked         map[uint32]int64 // newest instant booked, by boot
	asked          int              // for a measurement; forgotten by a restart
	reach
}

type run struct {
	id, boot store.ID
	boottime int64
}

func newMemory(w *world) *memory {
	return &memory{w: w, state: &books{
		incarnation: w.id(), turns: map[seatKey]int64{}, machines: map[string]*account{},
		streams: map[store.ID]*stream{}, boots: map[bootKey]int64{},
	}}
}

// clone copies the books; what only grows is shared.
func (b *books) clone() *books {
	c := *b
	c.turns, c.boots, c.order = maps.Clone(b.turns), maps.Clone(b.boots), slices.Clone(b.order)
	c.machines, c.streams = map[string]*account{}, map[store.ID]*stream{}
	for id, a := range b.machines {
		x := *a
		x.Machine = copyAccount(a.Machine)
		x.stops = map[store.ID]*tally.Stop{}
		for id, s := range a.stops {
			t := *s
			x.stops[id] = &t
		}
		if a.Open != nil {
			x.Open = x.stops[a.Open.ID]
		}
		c.machines[id] = &x
	}
	for id, s := range b.streams {
		x := *s
		x.crcs, x.coarse = slices.Clip(s.crcs), slices.Clip(s.coarse)
		x.past = slices.Clone(s.past)
		x.places.Offsets, x.places.Lines, x.booked = maps.Clone(s.places.Offsets), maps.Clone(s.places.Lines), maps.Clone(s.booked)
		c.streams[id] = &x
	}
	return &c
}

// copyAccount copies what an account exports; the rest is derived from it.
func copyAccount(m tally.Machine) (c tally.Machine) {
	from, to := reflect.ValueOf(m), reflect.ValueOf(&c).Elem()
	for i := range from.NumField() {
		if !from.Type().Field(i).IsExported() {
			continue
		}
		v := from.Field(i)
		if v.Kind() == reflect.Map && !v.IsNil() {
			fresh := reflect.MakeMapWithSize(v.Type(), v.Len())
			for k, x := range v.Seq2() {
				if x.Kind() == reflect.Pointer {
					p := reflect.New(x.Type().Elem())
					p.Elem().Set(x.Elem())
					x = p
				}
				fresh.SetMapIndex(k, x)
			}
			v = fresh
		}
		to.Field(i).Set(v)
	}
	return c
}

// reopen is what a server does after a crash, or when it does not know what
// became of a COMMIT: it looks.
func (m *memory) reopen() {
	if m.hasty && m.durable != nil {
		m.state, m.durable = m.durable, nil
	}
	for _, s := range m.state.streams {
		s.asked = 0
	}
}

// backup keeps the books aside, verified, and lets agents forget what is in it.
func (m *memory) backup() {
	m.kept = append(m.kept, m.state.clone())
	for _, id := range m.state.order {
		s := m.state.streams[id]
		s.horizon = s.acked
	}
}

// restore puts the newest backup in place; false when there is none.
func (m *memory) restore() bool {
	if len(m.kept) == 0 {
		return false
	}
	m.state = m.kept[len(m.kept)-1].clone()
	m.state.incarnation = m.w.id()
	return true
}

func (m *memory) books() (list []record) {
	for _, id := range slices.Sorted(maps.Keys(m.state.machines)) {
		a := m.state.machines[id]
		r := record{
			machine: id, revolutions: a.Revolutions, stops: a.Stops, lostMin: a.LostMin, lostMax: a.LostMax,
			run: a.RunMS, stop: a.StopMS, unknown: a.UnknownMS, first: a.First, last: a.Last, lives: int64(len(a.Lives)), buried: a.buried,
		}
		if m.doubles {
			for k := range a.Lives {
				r.revolutions = a.summed / int64(k.PerRev)
			}
		}
		list = append(list, r)
	}
	return list
}

func (m *memory) Incarnation(context.Context) (store.ID, error) { return m.state.incarnation, nil }

func (m *memory) register(agent string, machines ...string) {
	for _, id := range machines {
		most, who := int64(0), ""
		for k, n := range m.state.turns {
			if k.machine == id && n > most {
				most, who = n, k.agent
			}
		}
		if who != agent {
			m.state.turns[seatKey{agent, id}] = most + 1
		}
		if m.state.machines[id] == nil {
			m.state.machines[id] = &account{stops: map[store.ID]*tally.Stop{}}
		}
	}
}

func (m *memory) Quarantine(context.Context, store.Quarantined) error {
	return errors.New("rehearsal: nothing unreadable was sent")
}

// Commit applies batches in order. It happens at once: the world decides
// before or after it what the power did.
func (m *memory) Commit(_ context.Context, batches []store.Batch) ([]store.Outcome, error) {
	if m.hasty {
		m.durable = m.state.clone()
	}
	out := make([]store.Outcome, len(batches))
	for i := range batches {
		if err := m.batch(&batches[i], &out[i]); err != nil {
			return nil, err
		}
	}
	for i := range batches {
		b := &batches[i]
		if s := m.state.streams[b.Stream]; s != nil && s.agent == b.Agent && s.machine == b.Machine {
			out[i].Acked, out[i].Horizon = s.acked, s.horizon
		}
	}
	return out, nil
}

func (m *memory) batch(b *store.Batch, out *store.Outcome) error {
	a := m.state.machines[b.Machine]
	if a == nil || m.state.turns[seatKey{b.Agent, b.Machine}] == 0 {
		out.Verdict, out.Reason = store.Unregistered, "not registered"
		return nil
	}
	if len(b.Records) == 0 || b.FirstSeq == 0 {
		return errors.New("rehearsal: batch without records or sequence number")
	}
	s := m.state.streams[b.Stream]
	if s == nil {
		s = &stream{num: int64(len(m.state.order) + 1), agent: b.Agent, machine: b.Machine, run: runOf(b), booked: map[uint32]int64{},
			places: tally.Places{Offsets: map[uint32]int64{}, Lines: map[uint32][]tally.Line{}}}
		m.state.streams[b.Stream] = s
		m.state.order = append(m.state.order, b.Stream)
	}
	if s.agent != b.Agent || s.machine != b.Machine {
		out.Verdict, out.Reason = store.Frozen, "stream of somebody else"
		return nil
	}
	why := s.frozen
	if why == "" {
		why = s.takeRun(b)
	}
	if why == "" {
		why = s.compare(b)
	}
	if why != "" {
		s.frozen = why
		out.Verdict, out.Reason = store.Frozen, why
		return nil
	}
	if m.doubles {
		for i := range b.Records {
			if k, ok := b.Records[i].Kind.(*store.CountSpan); ok {
				a.summed += int64(k.To - k.From)
			}
		}
	}
	fresh, ok := s.afresh(b)
	if !ok {
		out.Verdict = store.NeedFrom
		return nil
	}
	if len(fresh) > 0 {
		if m.unmeasured(s, b) {
			out.Verdict = store.NeedFrom
			return nil
		}
		s.followClock(b)
	}
	n, why := m.believed(a, s, b, fresh)
	out.Verdict, out.Applied = store.OK, n
	if why != "" {
		s.frozen = why
		out.Verdict, out.Reason = store.Frozen, why
	}
	return m.apply(a, s, b, fresh[:n])
}

func runOf(b *store.Batch) run { return run{b.Run, b.Boots[b.Clock.Boot], b.Clock.Boottime} }

// takeRun notes which process speaks: one that was followed by another may
// only come late.
func (s *stream) takeRun(b *store.Batch) string {
	if b.Run == s.run.id {
		return ""
	}
	now := runOf(b)
	late := now.boot == s.run.boot && now.boottime < s.run.boottime
	if !slices.Contains(s.past, b.Run) {
		if late {
			s.past = append(s.past, b.Run)
			return ""
		}
		s.past = append(s.past, s.run.id)
		s.run = now
		return ""
	}
	if late {
		return ""
	}
	return "two processes write this stream"
}

// compare looks whether records that come again are the same.
func (s *stream) compare(b *store.Batch) string {
	for i := range b.Records {
		seq := b.FirstSeq + uint64(i)
		if seq > s.acked {
			break
		}
		if r := &b.Records[i]; !s.coarse[seq-1] && !r.Coarse && s.crcs[seq-1] != r.CRC {
			return fmt.Sprintf("record %d changed", seq)
		}
	}
	return ""
}

func (s *stream) afresh(b *store.Batch) ([]store.Record, bool) {
	if b.FirstSeq > s.acked+1 {
		t, ok := b.Records[0].Kind.(*store.Tombstone)
		return b.Records, ok && t.From <= s.acked+1 && t.To >= b.FirstSeq-1
	}
	return b.Records[min(s.acked+1-b.FirstSeq, uint64(len(b.Records))):], true
}

func (m *memory) apply(a *account, s *stream, b *store.Batch, fresh []store.Record) error {
	c := tally.NewChanges(func(id store.ID) *tally.Stop { return a.stops[id] })
	s.places.Lo, s.places.Hi = tally.Bound(b.Received)
	for i := range fresh {
		r := &fresh[i]
		m.place(a, s, b, r)
		if m.w.log != nil {
			m.w.say(fmt.Sprintf("book %s of stream %d, record %d: %T %+v; %d counts made", s.machine, s.num, r.Seq, r.Kind, r.Kind, m.truth(s.machine)))
		}
		s.book(r)
		if a.strange(s, r) {
			m.w.note("a life that began after a hand-over is not booked")
		} else if refused := a.Apply(s.num, r, s.places, c); refused != "" {
			m.w.fail("the server refuses record %d of machine %s: %s", r.Seq, s.machine, refused)
		}
		if _, ok := r.Kind.(*store.Tombstone); ok {
			a.buried++
		}
		for uint64(len(s.crcs)) < r.Seq-1 { // a tombstone stands for them
			s.crcs, s.coarse = append(s.crcs, 0), append(s.coarse, true)
		}
		s.crcs, s.coarse = append(s.crcs, r.CRC), append(s.coarse, r.Coarse)
		s.acked = r.Seq
	}
	for id, stop := range c.Stops {
		a.stops[id] = stop
	}
	return nil
}
