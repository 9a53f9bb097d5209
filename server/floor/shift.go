package floor

import (
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/planner/calendar"
	"turnwise/server/store"
)

// stopsPage is how many stops are asked of the store at a time.
const stopsPage = 2000

// maxWindow bounds a thread; a longer one could not be read.
const maxWindow = 31 * 24 * time.Hour

// ErrWindow is inside the error about a window that cannot be drawn.
var ErrWindow = errors.New("window cannot be drawn")

// shiftMemo lets readers of the same moment share one drawing.
type shiftMemo struct {
	one  sync.Mutex
	view ShiftView
	span calendar.Span
	seq  uint64
	at   time.Time
}

// Shift draws the shift that contains an instant, up to now. Outside the
// calendar it is the last shift before; without a calendar, the 24 h before.
func (f *Floor) Shift(ctx context.Context, at time.Time) (ShiftView, error) {
	span := f.shiftAt(at)
	f.shifts.one.Lock()
	defer f.shifts.one.Unlock()
	now := f.c.Now()
	f.mu.Lock()
	seq := f.seq
	f.mu.Unlock()
	memo := &f.shifts
	if memo.span.From.Equal(span.From) && memo.span.To.Equal(span.To) && memo.seq == seq && now.Sub(memo.at) < time.Second && !now.Before(memo.at) {
		return memo.view, nil
	}
	view, err := f.drawShift(ctx, span, now)
	if err != nil {
		return ShiftView{}, err
	}
	memo.view, memo.span, memo.seq, memo.at = view, span, seq, now
	return view, nil
}

// shiftAt finds the shift to show.
func (f *Floor) shiftAt(at time.Time) calendar.Span {
	if len(f.c.Calendar.Shifts) > 0 {
		s, working := f.c.Calendar.At(at)
		if working || !s.From.IsZero() && f.c.Calendar.Working(s.From, at) > 0 {
			return s
		}
		const longestBreak = 15 * 24 * time.Hour
		if before := f.c.Calendar.Spans(at.Add(-longestBreak), at); len(before) > 0 {
			whole, _ := f.c.Calendar.At(before[len(before)-1].To.Add(-time.Millisecond))
			return whole
		}
	}
	return calendar.Span{From: at.Add(-24 * time.Hour), To: at}
}

func (f *Floor) drawShift(ctx context.Context, span calendar.Span, now time.Time) (ShiftView, error) {
	v := ShiftView{Name: span.Name, From: span.From, To: span.To, Now: span.To}
	if now.Before(span.To) {
		v.Now = now.Truncate(time.Millisecond)
	}
	if v.Now.Before(v.From) {
		v.Now = v.From
	}
	drawn, groups, err := f.drawThreads(ctx, "", v.From, v.Now, now)
	if err != nil {
		return ShiftView{}, err
	}
	v.Groups = groups
	explain(drawn, f.c.Zone)
	sums := make(map[string]int)
	for _, d := range drawn {
		v.RunMS += d.RunMS
		v.StopMS += d.StopMS
		v.UnknownMS += d.UnknownMS
		v.Threads = append(v.Threads, d.Thread)
		for _, c := range d.StopsBy {
			key := c.Cause.ID + c.Cause.Letter
			i, ok := sums[key]
			if !ok {
				i = len(v.Lost)
				sums[key] = i
				v.Lost = append(v.Lost, CauseMinutes{Cause: c.Cause})
			}
			v.Lost[i].MS += c.MS
			v.Lost[i].Count += c.Count
		}
	}
	v.RunShare = share(v.RunMS, v.StopMS)
	slices.SortStableFunc(v.Lost, func(a, b CauseMinutes) int { return int(b.MS - a.MS) })
	slices.SortStableFunc(v.Threads, func(a, b Thread) int {
		switch {
		case a.LostKg > b.LostKg:
			return -1
		case a.LostKg < b.LostKg:
			return 1
		}
		return strings.Compare(a.Machine, b.Machine)
	})
	return v, nil
}

// MachineThread draws one machine over any window of up to 31 days, at most
// until now.
func (f *Floor) MachineThread(ctx context.Context, id string, from, to time.Time) (Thread, error) {
	if _, err := f.Machine(id); err != nil {
		return Thread{}, err
	}
	now := f.c.Now()
	if to.After(now) {
		to = now
	}
	if !from.Before(to) || to.Sub(from) > maxWindow {
		return Thread{}, fmt.Errorf("thread of %s from %s to %s: %w: expected a beginning before the end and now, and at most 31 days",
			id, from.Format(time.RFC3339), to.Format(time.RFC3339), ErrWindow)
	}
	drawn, _, err := f.drawThreads(ctx, id, from, to, now)
	if err != nil {
		return Thread{}, err
	}
	explain(drawn, f.c.Zone)
	return drawn[0].Thread, nil
}

// known is what the store tells of a window, by machine.
type known struct {
	stops map[string][]store.Stop // oldest first
	gaps  map[string][]store.Gap
	cells map[string][]store.Rollup
}

func (f *Floor) drawThreads(ctx context.Context, id string, from, to, now time.Time) ([]drawn, []GroupEvent, error) {
	// The machines are looked at before the store is read: what is committed
	// in between lies after the end of what is watched, and is not drawn.
	f.mu.Lock()
	b := f.book
	var machines []machine
	for _, m := range f.order {
		if id == "" || m.id == id {
			machines = append(machines, *m)
		}
	}
	f.mu.Unlock()
	k, err := f.read(ctx, id, from, to)
	if err != nil {
		return nil, nil, err
	}
	groups, grouped := groupEvents(k.stops, f.c.Causes, b, from, to, now)
	working := f.working(from, to)
	out := make([]drawn, 0, len(machines))
	for i := range machines {
		m := &machines[i]
		s := strand{from: from.UnixMilli(), to: to.UnixMilli(), working: working, jobs: b.strandJobs(m.id)}
		s.watched(m, now)
		for _, stop := range k.stops[m.id] {
			s.stops = append(s.stops, f.knot(stop, now, grouped))
		}
		for _, g := range k.gaps[m.id] {
			s.gaps = append(s.gaps, stretch{g.From.UnixMilli(), g.To.UnixMilli()})
		}
		s.levels = levels(k.cells[m.id], s.cardAt, m.state.SpeedRPM)
		d := s.draw()
		d.Machine, d.Name = m.id, b.name(m.id)
		d.Label = b.label(b.at(m.id, to).Card)
		d.Silent = m.view.State == Unknown && !to.Before(now.Truncate(time.Millisecond))
		if d.Silent && !m.view.Heard.IsZero() {
			d.silentSince = m.view.Heard
		}
		out = append(out, d)
	}
	return out, groups, nil
}

// read asks the store for everything in a window.
func (f *Floor) read(ctx context.Context, machine string, from, to time.Time) (known, error) {
	k := known{make(map[string][]store.Stop), make(map[string][]store.Gap), make(map[string][]store.Rollup)}
	q := store.StopQuery{Machine: machine, From: from, To: to, Limit: stopsPage}
	for {
		stops, err := f.st.Stops(ctx, q)
		if err != nil {
			return k, fmt.Errorf("floor: read stops: %w", err)
		}
		for _, s := range stops {
			k.stops[s.Machine] = append(k.stops[s.Machine], s)
		}
		if len(stops) < stopsPage {
			break
		}
		last := stops[len(stops)-1]
		q.Before, q.BeforeID = last.Begin, last.ID
	}
	for _, list := range k.stops {
		slices.SortFunc(list, func(a, b store.Stop) int { return a.Begin.Compare(b.Begin) })
	}
	gaps, err := f.st.Gaps(ctx, from, to)
	if err != nil {
		return k, fmt.Errorf("floor: read gaps: %w", err)
	}
	for _, g := range gaps {
		k.gaps[g.Machine] = append(k.gaps[g.Machine], g)
	}
	cells, err := f.st.Rollups(ctx, store.RollupQuery{Grain: store.Fine, Machine: machine, From: from, To: to})
	if err != nil {
		return k, fmt.Errorf("floor: read rollups: %w", err)
	}
	for _, c := range cells {
		k.cells[c.Machine] = append(k.cells[c.Machine], c)
	}
	for _, list := range k.cells {
		slices.SortFunc(list, func(a, b store.Rollup) int { return a.Start.Compare(b.Start) })
	}
	return k, nil
}

// watched sets the time in which the machine was watched. A machine that is
// heard now goes on as it was committed: counts arrive some seconds late.
func (s *strand) watched(m *machine, now time.Time) {
	if m.state.First.IsZero() {
		return
	}
	s.first, s.last = m.state.First.UnixMilli(), m.state.Last.UnixMilli()
	if m.view.State != Unknown && now.Sub(m.state.Last) < 2*time.Minute {
		s.last = max(s.last, now.UnixMilli())
	}
}

// knot makes a stop ready to draw. One that is open lasts until now.
func (f *Floor) knot(s store.Stop, now time.Time, grouped map[store.ID]bool) knot {
	end := s.End
	if end.IsZero() {
		end = now.Add(time.Millisecond)
	}
	k := knot{stretch: stretch{s.Begin.UnixMilli(), end.UnixMilli()}, id: hex.EncodeToString(s.ID[:]), cause: f.CauseOf(s), grouped: grouped[s.ID]}
	if end.Sub(s.Begin) < shortStop && !s.End.IsZero() {
		k.cause.Letter = short.Letter
	}
	return k
}

// CauseOf tells the cause of a stop as people should read it: a standstill
// without an order has a cause of its own.
func (f *Floor) CauseOf(s store.Stop) Cause {
	if s.Input {
		return f.cause(s.Cause)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.standing(s.Machine, s.Begin)
}

// working lists the calendar's working time in a window.
func (f *Floor) working(from, to time.Time) []stretch {
	var out []stretch
	for _, s := range f.c.Calendar.Spans(from, to) {
		out = append(out, stretch{s.From.UnixMilli(), s.To.UnixMilli()})
	}
	return out
}

// strandJobs lists the cards of a machine; the first is for the time before
// any assignment.
func (b *book) strandJobs(machine string) []job {
	out := []job{{}}
	for _, a := range b.jobs[machine] {
		c := b.cards[a.Card]
		out = append(out, job{from: a.From.UnixMilli(), rpm: c.SpeedRPM, kgPerRev: c.grams / 1000, order: a.Order, label: b.label(a.Card)})
	}
	return out
}

// cardAt tells the card's speed at an instant.
func (s *strand) cardAt(ms int64) float64 {
	rpm := 0.0
	for _, j := range s.jobs {
		if j.from <= ms {
			rpm = j.rpm
		}
	}
	return rpm
}

// groupEvents finds machines that stopped together, for each cause that has a rule.
func groupEvents(stops map[string][]store.Stop, causes []Cause, b *book, from, to, now time.Time) ([]GroupEvent, map[store.ID]bool) {
	var groups []GroupEvent
	grouped := make(map[store.ID]bool)
	for _, c := range causes {
		if c.Group.Machines <= 1 {
			continue
		}
		var cuts []store.Stop
		for _, list := range stops {
			for _, s := range list {
				if s.Cause == c.ID && s.Input {
					cuts = append(cuts, s)
				}
			}
		}
		slices.SortFunc(cuts, func(a, b store.Stop) int {
			return cmp.Or(a.Begin.Compare(b.Begin), strings.Compare(a.Machine, b.Machine))
		})
		for _, e := range b.together(cuts, c, now, grouped) {
			if !e.At.Before(from) && e.At.Before(to) {
				groups = append(groups, e)
			}
		}
	}
	slices.SortStableFunc(groups, func(a, b GroupEvent) int { return a.At.Compare(b.At) })
	return groups, grouped
}

// together finds the events among the stops of one cause, the earliest first, and
// marks their stops.
func (b *book) together(cuts []store.Stop, c Cause, now time.Time, grouped map[store.ID]bool) []GroupEvent {
	var out []GroupEvent
	for i := 0; i < len(cuts); {
		j := i
		var names []string
		var lasted []time.Duration
		for ; j < len(cuts) && cuts[j].Begin.Sub(cuts[i].Begin) <= c.Group.Within; j++ {
			if name := b.name(cuts[j].Machine); !slices.Contains(names, name) {
				names = append(names, name)
			}
			end := cuts[j].End
			if end.IsZero() {
				end = now
			}
			lasted = append(lasted, end.Sub(cuts[j].Begin))
		}
		if len(names) < c.Group.Machines {
			i++
			continue
		}
		for _, s := range cuts[i:j] {
			grouped[s.ID] = true
		}
		slices.Sort(names)
		slices.Sort(lasted)
		out = append(out, GroupEvent{Letter: c.Letter, Word: c.Word, At: cuts[i].Begin, Machines: names, Lasted: lasted[len(lasted)/2]})
		i = j
	}
	return out
}
