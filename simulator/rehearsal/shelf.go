package rehearsal

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"iter"
	"maps"
	"reflect"
	"slices"
	"time"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// clone copies the books; what only grows is shared.
func (b *books) clone() *books {
	c := *b
	c.Boots, c.heads, c.agents = maps.Clone(b.Boots), maps.Clone(b.heads), maps.Clone(b.agents)
	c.Agents, c.Streams = map[string]map[string]int64{}, map[store.ID]*readers.Stream{}
	c.machines, c.pages = map[string]*account{}, map[store.ID]*page{}
	for agent, turns := range b.Agents {
		c.Agents[agent] = maps.Clone(turns)
	}
	for id, st := range b.Streams {
		c.Streams[id] = copyStream(st)
	}
	for id, p := range b.pages {
		c.pages[id] = &page{slices.Clip(p.crcs), slices.Clip(p.coarse)}
	}
	for id, a := range b.machines {
		x := *a
		x.Machine = copyAccount(a.Machine)
		x.causes, x.cells, x.counts, x.gaps = maps.Clone(a.causes), maps.Clone(a.cells), maps.Clone(a.counts), slices.Clip(a.gaps)
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
	return &c
}

func copyStream(st *readers.Stream) *readers.Stream {
	x := *st
	x.Past, x.Touched = slices.Clone(st.Past), slices.Clone(st.Touched)
	x.Boots, x.Booked = maps.Clone(st.Boots), maps.Clone(st.Booked)
	x.Places.Offsets, x.Places.Lines = maps.Clone(st.Places.Offsets), map[uint32][]tally.Line{}
	for boot, lines := range st.Places.Lines {
		x.Places.Lines[boot] = slices.Clip(lines)
	}
	return &x
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
	m.forget()
}

// backup keeps the books aside, verified, and lets agents forget what is in it.
func (m *memory) backup() {
	m.kept = append(m.kept, m.state.clone())
	for _, st := range m.state.Streams {
		st.Horizon = st.Acked
	}
	m.forget()
}

// restore puts the newest backup in place; false when there is none.
func (m *memory) restore() bool {
	if len(m.kept) == 0 {
		return false
	}
	m.state = m.kept[len(m.kept)-1].clone()
	m.state.incarnation = m.w.id()
	m.forget()
	return true
}

func (m *memory) books() (list []record) {
	for _, id := range sortedKeys(m.state.machines) {
		a := m.state.machines[id]
		r := record{
			machine: id, revolutions: a.Revolutions, stops: a.Stops, lostMin: a.LostMin, lostMax: a.LostMax,
			run: a.RunMS, stop: a.StopMS, unknown: a.UnknownMS, first: a.First, last: a.Last, lives: int64(len(a.Lives)), buried: a.buried,
		}
		if m.vague {
			r.lostMax += 100 * r.lives
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

// Agents lists who is registered.
func (m *memory) Agents(context.Context) (list []store.Agent, err error) {
	outstanding := m.outstanding()
	for _, id := range sortedKeys(m.state.agents) {
		list = append(list, store.Agent{ID: id, Machines: sortedKeys(m.state.Agents[id]), Registered: m.state.agents[id], Outstanding: outstanding[id]})
	}
	return list, nil
}

// outstanding is how many records are known to be at the agents only.
func (m *memory) outstanding() map[string]int64 {
	by := map[string]int64{}
	for id, h := range m.state.heads {
		acked := uint64(0)
		if st := m.state.Streams[id]; st != nil {
			acked = st.Acked
		}
		if h.seq > acked {
			by[h.agent] += int64(h.seq - acked)
		}
	}
	return by
}

// States returns every machine.
func (m *memory) States(context.Context) (list []store.MachineState, err error) {
	for _, id := range sortedKeys(m.state.machines) {
		list = append(list, m.state.machines[id].state(id))
	}
	return list, nil
}

func instant(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

func (a *account) state(machine string) store.MachineState {
	x := store.MachineState{
		Machine: machine, Revolutions: a.Revolutions, Inched: a.Inched, RunMS: a.RunMS, StopMS: a.StopMS, UnknownMS: a.UnknownMS,
		SpeedRPM: a.RPM(), DoffAt: a.DoffAt, Doffs: a.Doffs,
	}
	if a.Heard {
		x.First, x.Last, x.Since = instant(a.First), instant(a.Last), instant(a.Since)
	}
	if a.Open != nil {
		s := stopOf(machine, a.Open)
		x.Open = &s
	}
	return x
}

func stopOf(machine string, s *tally.Stop) store.Stop {
	x := store.Stop{ID: s.ID, Machine: machine, Cause: s.Cause, Side: s.Side, Input: s.Input, Revolutions: s.Revolutions}
	if s.Begun {
		x.Begin = instant(s.Begin)
	}
	if s.Ended {
		x.End = instant(s.End)
	}
	return x
}

func stopsOf(machine string, all iter.Seq[*tally.Stop]) (list []store.Stop) {
	for s := range all {
		list = append(list, stopOf(machine, s))
	}
	slices.SortFunc(list, func(a, b store.Stop) int {
		return cmp.Or(a.Begin.Compare(b.Begin), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return list
}

// Totals returns the books of every machine.
func (m *memory) Totals(context.Context) (list []store.Totals, drained bool, err error) {
	for _, id := range sortedKeys(m.state.machines) {
		a := m.state.machines[id]
		t := store.Totals{
			Machine: id, Revolutions: a.Revolutions, Inched: a.Inched, Stops: a.Stops, ByCause: maps.Clone(a.causes), OpenStop: a.Open != nil && a.Open.Input,
			LostMin: a.LostMin, LostMax: a.LostMax, RunMS: a.RunMS, StopMS: a.StopMS, UnknownMS: a.UnknownMS,
		}
		for _, from := range slices.Sorted(maps.Keys(a.counts)) {
			c := store.AssignmentCount{Machine: id, Revolutions: a.counts[from]}
			if from != tally.BeforeFirst {
				c.From = instant(from)
			}
			t.Counted = append(t.Counted, c)
		}
		list = append(list, t)
	}
	return list, len(m.outstanding()) == 0, nil
}

// of gives the machines that a query names.
func (m *memory) of(machine string) (ids []string) {
	for _, id := range sortedKeys(m.state.machines) {
		if machine == "" || machine == id {
			ids = append(ids, id)
		}
	}
	return ids
}

// Stops lists stops, newest first.
func (m *memory) Stops(_ context.Context, q store.StopQuery) (list []store.Stop, err error) {
	for _, id := range m.of(q.Machine) {
		for _, s := range m.state.machines[id].stops {
			x := stopOf(id, s)
			in := s.Begun && (q.To.IsZero() || x.Begin.Before(q.To)) && (q.From.IsZero() || x.End.IsZero() || x.End.After(q.From) || !x.Begin.Before(q.From))
			if !q.Before.IsZero() && !x.Begin.Before(q.Before) {
				in = in && x.Begin.Equal(q.Before) && bytes.Compare(x.ID[:], q.BeforeID[:]) < 0
			}
			if in {
				list = append(list, x)
			}
		}
	}
	slices.SortFunc(list, func(a, b store.Stop) int { return cmp.Or(b.Begin.Compare(a.Begin), bytes.Compare(b.ID[:], a.ID[:])) })
	if q.Limit > 0 && len(list) > q.Limit {
		list = list[:q.Limit]
	}
	return list, nil
}

// Rollups adds the fine cells up to those of a query.
func (m *memory) Rollups(_ context.Context, q store.RollupQuery) (list []store.Rollup, err error) {
	if q.Grain != store.Fine && q.Grain != store.Hour {
		return nil, fmt.Errorf("cells of %v: %w", time.Duration(q.Grain), store.ErrInvalid)
	}
	for _, id := range m.of(q.Machine) {
		cells := map[int64]tally.Cell{}
		for start, x := range m.state.machines[id].cells {
			at := tally.CellStart(start, int64(q.Grain)/1e6)
			cells[at] = plus(cells[at], x)
		}
		for _, start := range slices.Sorted(maps.Keys(cells)) {
			x, at := cells[start], instant(start)
			if at.Add(time.Duration(q.Grain)).After(q.From) && at.Before(q.To) {
				list = append(list, store.Rollup{Machine: id, Start: at, Revolutions: x.Revolutions, Inched: x.Inched, RunMS: x.RunMS, StopMS: x.StopMS, UnknownMS: x.UnknownMS, Stops: x.Stops})
			}
		}
	}
	return list, nil
}

// Gaps lists unknown times, oldest first.
func (m *memory) Gaps(_ context.Context, from, to time.Time) (list []store.Gap, err error) {
	for _, id := range m.of("") {
		for _, g := range m.state.machines[id].gaps {
			if x := (store.Gap{Machine: id, From: instant(g.From), To: instant(g.To), Reason: g.Reason}); x.From.Before(to) && x.To.After(from) {
				list = append(list, x)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b store.Gap) int { return a.From.Compare(b.From) })
	return list, nil
}

// RevolutionsAt adds whole cells up, and of the last one the share of its time.
func (m *memory) RevolutionsAt(_ context.Context, machine string, at time.Time) (n int64, err error) {
	a := m.state.machines[machine]
	if a == nil {
		return 0, fmt.Errorf("revolutions of machine %q: %w", machine, store.ErrNotFound)
	}
	t := at.UnixMilli()
	if !a.Heard || t >= a.Last {
		return a.Revolutions, nil
	}
	cell := tally.CellStart(t, tally.Fine)
	for start, x := range a.cells {
		switch {
		case start < cell:
			n += x.Revolutions
		case start == cell:
			n += int64(float64(x.Revolutions) * float64(t-cell) / float64(min(tally.Fine, a.Last-cell)))
		}
	}
	return n, nil
}

// Records tells how many records are kept.
func (m *memory) Records(context.Context) (n int64, err error) {
	for _, st := range m.state.Streams {
		n += st.Records
	}
	return n, nil
}
