package floor

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// What planned work on machines goes by. Assumptions, no source.
const (
	careEarly  = 0.9                 // of the revolutions: not done sooner
	careAhead  = 21 * 24 * time.Hour // what cannot begin by then is not placed yet
	careReread = time.Hour           // counts of an agent that was away may have come
	careTimes  = 50                  // of one care, until careAhead
)

// CareView is planned work on a machine and how far it is from being due.
type CareView struct {
	store.Care
	Machine          string // its name
	Revolutions      int64  // counted since it was done last; only with EveryRevolutions
	Earliest, Latest time.Time
	Over             bool      // done, and it does not come again
	Start, End       time.Time // where it stands among the jobs; zero = nowhere
	again            []careWindow
}

// careWindow is when a care is due once more, if it was done in time before.
type careWindow struct{ earliest, latest time.Time }

// times are the windows in which the care comes until careAhead, the next one first.
func (c *CareView) times() []careWindow {
	return append([]careWindow{{c.Earliest, c.Latest}}, c.again...)
}

// careMarks remember how many revolutions a machine had when a care was done.
type careMarks struct {
	mu   sync.Mutex
	mark map[string]careMark // by care
}

type careMark struct {
	done, read  time.Time
	revolutions int64
}

// Care lists the planned work of the book, what is due first in front.
func (f *Floor) Care(ctx context.Context) ([]CareView, error) {
	l, err := f.LoadingNow(ctx)
	if err != nil {
		return nil, err
	}
	p, err := f.outlook(ctx)
	if err != nil {
		return nil, err
	}
	list, err := f.careViews(ctx, p)
	if err != nil {
		return nil, err
	}
	for i := range list {
		c := &list[i]
		for _, line := range l.Lines {
			for _, j := range line.Jobs {
				if j.Kind == board.JobCare && j.Order == c.ID && line.Machine == c.Care.Machine {
					c.Start, c.End = j.Start, j.End
				}
			}
		}
	}
	slices.SortStableFunc(list, func(a, b CareView) int {
		switch {
		case a.Over != b.Over:
			return map[bool]int{true: 1, false: -1}[a.Over]
		case a.Latest.IsZero() != b.Latest.IsZero():
			return map[bool]int{true: 1, false: -1}[a.Latest.IsZero()]
		}
		return a.Latest.Compare(b.Latest)
	})
	return list, nil
}

// careAgain stands between the id of a care and its number, from the second time on.
const careAgain = " #"

// careForPlan tells the outlook of the care to come, by machine.
func (f *Floor) careForPlan(ctx context.Context, p *plan) error {
	care, _, err := f.boardCare(ctx, p)
	if err != nil {
		return err
	}
	for i := range p.snapshot.Machines {
		m := &p.snapshot.Machines[i]
		for _, c := range care[m.ID] {
			m.Care = append(m.Care, outlook.Care{Kind: c.Kind, Minutes: c.Minutes, Earliest: c.Earliest, Latest: c.Latest})
		}
	}
	return nil
}

// boardCare is the care to be placed, by machine, and what was taken for granted.
func (f *Floor) boardCare(ctx context.Context, p *plan) (map[string][]board.Care, []string, error) {
	list, err := f.careViews(ctx, p)
	if err != nil || len(list) == 0 {
		return nil, nil, err
	}
	out := map[string][]board.Care{}
	var slow []string
	counted := false
	for _, c := range list {
		switch {
		case c.Over || c.Earliest.After(p.At.Add(careAhead)):
			continue
		case c.EveryRevolutions > 0 && c.Latest.IsZero():
			slow = append(slow, c.ID)
			continue
		}
		counted = counted || c.EveryRevolutions > 0
		for k, w := range c.times() {
			id := c.ID
			if k > 0 {
				id += fmt.Sprintf("%s%d", careAgain, k+1)
			}
			out[c.Care.Machine] = append(out[c.Care.Machine], board.Care{ID: id, Kind: c.Kind, Minutes: c.Minutes, Earliest: w.earliest, Latest: w.latest, Weight: c.Weight})
		}
	}
	var told []string
	if counted {
		told = append(told, "Care by revolutions is done in the last tenth of them, reckoned for a machine that is never without work")
	}
	if len(slow) > 0 {
		told = append(told, fmt.Sprintf("Care %s is not placed: no speed is known for its machine", strings.Join(slow, ", ")))
	}
	return out, told, nil
}

// careViews tells of every care of the book how far it is from being due.
func (f *Floor) careViews(ctx context.Context, p *plan) ([]CareView, error) {
	machines := map[string]*outlook.Machine{}
	for i := range p.snapshot.Machines {
		machines[p.snapshot.Machines[i].ID] = &p.snapshot.Machines[i]
	}
	var out []CareView
	for _, c := range p.book.Book.Care {
		m := machines[c.Machine]
		if m == nil {
			continue
		}
		v := CareView{Care: c, Machine: p.book.name(c.Machine), Earliest: c.From, Latest: c.To}
		if c.EveryRevolutions == 0 {
			v.Over = !c.Done.IsZero() && !c.Done.Before(c.From)
			out = append(out, v)
			continue
		}
		at, err := f.revolutionsAt(ctx, c, m.Revolutions, p.At)
		if err != nil {
			return nil, err
		}
		v.Revolutions = max(m.Revolutions-at, 0)
		if rate := f.turnRate(p, m); rate > 0 {
			v.Earliest, v.Latest = p.At, p.At
			after := func(turns float64) time.Time {
				if left := turns - float64(v.Revolutions); left > 0 {
					// A care further off than that is not placed; the bound keeps the arithmetic sound.
					const most = 10 * 365 * 24 * 60
					if t, ok := f.c.Calendar.After(p.At, time.Duration(min(left/rate, most)*float64(time.Minute))); ok {
						return t
					}
				}
				return p.At
			}
			every := float64(c.EveryRevolutions)
			v.Earliest, v.Latest = after(careEarly*every), after(every)
			// What is overdue is done now. Between one and the next there are never more
			// turns than every, nor less than four fifths of it.
			over := max(float64(v.Revolutions)-every, 0)
			for k := 1.0; k < careTimes; k++ {
				w := careWindow{after(over + careEarly*(k+1)*every), after(over + (careEarly*k+1)*every)}
				if w.earliest.After(p.At.Add(careAhead)) {
					break
				}
				v.again = append(v.again, w)
			}
		}
		out = append(out, v)
	}
	return out, nil
}

// turnRate is the revolutions that a machine makes in a minute of working time, its stops
// counted in; 0 = not known.
func (f *Floor) turnRate(p *plan, m *outlook.Machine) float64 {
	rpm := m.SpeedRPM
	if rpm <= 0 && len(m.Jobs) > 0 {
		rpm = m.Jobs[0].Card.SpeedRPM
	}
	if rpm <= 0 {
		rpm = p.book.machines[m.ID].MaxRPM
	}
	if p.snapshot.Fleet != nil {
		rpm *= shareOf(p.snapshot.Fleet.Share().Machine(m.ID))
	}
	return rpm
}

// revolutionsAt is how many revolutions a machine had when a care was done last.
func (f *Floor) revolutionsAt(ctx context.Context, c store.Care, now int64, at time.Time) (int64, error) {
	if c.Done.IsZero() {
		return 0, nil
	}
	k := &f.plan.careMarks
	k.mu.Lock()
	defer k.mu.Unlock()
	key := c.Machine + "\x00" + c.ID
	if m, ok := k.mark[key]; ok && m.done.Equal(c.Done) && at.Sub(m.read) < careReread {
		return m.revolutions, nil
	}
	// Fine cells up to the next whole hour, then hours.
	hour := c.Done.Truncate(time.Hour).Add(time.Hour)
	fine, err := f.st.Rollups(ctx, store.RollupQuery{Grain: store.Fine, Machine: c.Machine, From: c.Done, To: hour})
	if err != nil {
		return 0, fmt.Errorf("floor: count revolutions since care %s: %w", c.ID, err)
	}
	whole, err := f.st.Rollups(ctx, store.RollupQuery{Grain: store.Hour, Machine: c.Machine, From: hour, To: at.Add(time.Hour)})
	if err != nil {
		return 0, fmt.Errorf("floor: count revolutions since care %s: %w", c.ID, err)
	}
	since := int64(0)
	for _, cell := range fine {
		if !cell.Start.Before(c.Done) { // the cell of the deed itself counts before it
			since += cell.Revolutions
		}
	}
	for _, cell := range whole {
		if !cell.Start.Before(hour) {
			since += cell.Revolutions
		}
	}
	if k.mark == nil {
		k.mark = map[string]careMark{}
	}
	k.mark[key] = careMark{c.Done, at, now - since}
	return now - since, nil
}
