package floor

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/store"
)

const (
	// pastCones is how far beyond the last cone's turn a creel must have run, as a share
	// of the cones' turns, until it is certain that somebody has seen to it without a word:
	// more than a course length may be off that nobody has corrected (common practice, no source).
	pastCones = 0.05
	// lookBack is how far behind now the beginning of a window is searched, and lookTo how
	// exactly: agents tell of turns every ten seconds.
	lookBack = 14 * 24 * time.Hour
	lookTo   = 10 * time.Second
)

// holds is how long a task is somebody's after he has said that he goes: twice the work
// and the way. Later than that nobody knows what became of it, and it is due again.
func (t *TaskView) holds() time.Duration {
	work := float64(endWork)
	switch t.Kind {
	case TaskStop:
		work = stopWork
	case TaskDoff:
		work = doffWork
	case TaskCreel:
		work = creelWork
		if t.Window != nil {
			work += coneWork * float64(t.Window.Cones)
		}
	}
	return store.TakenHolds + time.Duration(2*work*float64(time.Minute))
}

// lapse gives a task back that somebody took and did not finish in reason.
func (t *TaskView) lapse(now time.Time) {
	if s := &t.State; s.State == store.TaskTaken && now.Sub(s.Since) >= t.holds() {
		t.Lapsed, s.State = s.Since, store.TaskDue
	}
}

// passedAt finds when machines passed turns that lie behind them, so that a window which
// has begun keeps its beginning. It needs f.plan.one.
func (f *Floor) passedAt(ctx context.Context, p *plan) error {
	known := map[passedTurn]time.Time{}
	for i := range p.Creels {
		w := &p.Creels[i]
		for _, x := range []struct {
			turn float64
			at   *time.Time
		}{{w.FirstRevolutions, &w.First}, {w.P05Revolutions, &w.P05}, {w.P50Revolutions, &w.P50}, {w.P95Revolutions, &w.P95}, {w.LastRevolutions, &w.Last}} {
			if x.turn > p.turns[w.Machine] {
				continue
			}
			key := passedTurn{w.Machine, int64(x.turn)}
			at, ok := f.plan.passed[key]
			if !ok {
				var err error
				if at, err = f.whenAt(ctx, key, p.At); errors.Is(err, store.ErrNotFound) {
					continue // nothing of it is kept
				} else if err != nil {
					return err
				}
			}
			known[key], *x.at = at, at
		}
	}
	f.plan.passed = known
	return nil
}

// passedTurn is a turn of a machine.
type passedTurn struct {
	machine string
	turn    int64
}

// whenAt searches the instant at which a machine had made a turn, to ten seconds.
func (f *Floor) whenAt(ctx context.Context, k passedTurn, now time.Time) (time.Time, error) {
	before := func(at time.Time) (bool, error) {
		n, err := f.st.RevolutionsAt(ctx, k.machine, at)
		if err != nil {
			return false, fmt.Errorf("floor: when %s made turn %d: %w", k.machine, k.turn, err)
		}
		return n < k.turn, nil
	}
	from, to := now, now // the turn was made after from and not after to
	for back := time.Hour; ; back = min(4*back, lookBack) {
		from = now.Add(-back)
		if is, err := before(from); err != nil || is {
			if err != nil {
				return now, err
			}
			break
		}
		if to = from; back == lookBack {
			return from, nil
		}
	}
	for to.Sub(from) > lookTo {
		middle := from.Add(to.Sub(from) / 2)
		is, err := before(middle)
		if err != nil {
			return now, err
		}
		if is {
			from = middle
		} else {
			to = middle
		}
	}
	return to, nil
}

// overdue marks a creel whose window has begun, and one that has run so far beyond its
// cones that they cannot be the same ones.
func (t *TaskView) overdue(turns float64, now time.Time) {
	w := t.Window
	if w == nil || w.First.After(now) || w.FirstRevolutions > turns {
		return
	}
	t.Overdue = w.First
	t.Unsaid = unsaid(w, turns)
}

func unsaid(w *outlook.CreelWindow, turns float64) bool {
	return turns > w.LastRevolutions+pastCones*(w.LastRevolutions-float64(w.LoadedAtRevolutions))
}
