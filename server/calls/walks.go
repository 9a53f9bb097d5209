package calls

import (
	"context"
	"fmt"
	"maps"
	"time"

	"turnwise/server/floor"
	"turnwise/server/store"
)

const (
	// walksAhead is how far the walks look of which people are told, as on the page.
	walksAhead = 2 * time.Hour
	// sooner is how much earlier a walk must be left than people were told, so that
	// they are called again.
	sooner = time.Minute
)

// called is when a task was called, and with which call.
type called struct {
	at   time.Time
	walk string
}

// callKey names a task among calls. One that comes back since nobody finished it is
// called again.
func callKey(t *floor.TaskView) string {
	if t.Lapsed.IsZero() {
		return t.ID
	}
	return t.ID + " lapsed " + t.Lapsed.UTC().Format("20060102T150405")
}

// keepCalls notes tasks that fell due, each once, and with which call: a person is
// called to a walk, not to each of its tasks.
func (d *Desk) keepCalls(ctx context.Context, machines []floor.Attention, now time.Time) error {
	tasks, err := d.floor.Tasks(ctx, nil, d.o.WarnBefore)
	if err != nil {
		return fmt.Errorf("calls: tasks: %w", err)
	}
	fresh := d.notCalled(tasks)
	if len(fresh) == 0 {
		return nil
	}
	rounds, err := d.floor.Rounds(ctx, nil, walksAhead)
	if err != nil {
		return fmt.Errorf("calls: walks: %w", err)
	}
	person := map[string]string{}
	for _, m := range machines {
		person[m.ID] = personOf(m.Set)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	w := d.walksOf(rounds, tasks, now)
	var calls []store.TaskCall
	for _, t := range fresh {
		c := store.TaskCall{Task: callKey(t), Machine: t.Machine, Person: person[t.Machine], At: now, Walk: w.call(t)}
		w.called[c.Task] = called{c.At, c.Walk}
		calls = append(calls, c)
	}
	if err := d.rec.KeepCalls(ctx, calls); err != nil {
		return err
	}
	d.called, d.told = w.called, w.told
	maps.DeleteFunc(d.called, func(_ string, c called) bool { return now.Sub(c.at) > callsRemembered })
	return nil
}

// notCalled are the tasks of which nobody was called yet. A creel that somebody has
// seen to without a word calls nobody.
func (d *Desk) notCalled(tasks []floor.TaskView) []*floor.TaskView {
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []*floor.TaskView
	for i := range tasks {
		t := &tasks[i]
		if _, known := d.called[callKey(t)]; !known && t.ID != "" && !t.Unsaid {
			out = append(out, t)
		}
	}
	return out
}

// walks are the walks of now beside what was called.
type walks struct {
	now    time.Time
	called map[string]called
	told   map[string]string
	of     map[string]*floor.WalkView // by task
	due    map[string]bool            // tasks that nobody has begun
}

// walksOf prepares copies, so that nothing has changed if the store refuses. It needs d.mu.
func (d *Desk) walksOf(v floor.RoundsView, tasks []floor.TaskView, now time.Time) *walks {
	w := &walks{now: now, called: maps.Clone(d.called), told: map[string]string{}, of: map[string]*floor.WalkView{}, due: map[string]bool{}}
	note := func(t *floor.TaskView) {
		if t.State.State == store.TaskDue || t.State.State == "" {
			w.due[callKey(t)] = true
		}
	}
	for i := range tasks {
		note(&tasks[i])
	}
	for i := range v.Walks {
		walk := &v.Walks[i]
		for j := range walk.Stops {
			for k := range walk.Stops[j].Tasks {
				t := &walk.Stops[j].Tasks[k]
				key := callKey(t)
				if w.of[key] = walk; d.told[key] != "" {
					w.told[key] = d.told[key]
				}
				note(t)
			}
		}
	}
	return w
}

// call is the call that a task belongs to: one that was told with its walk, or one
// that nobody has set out for yet and that need not begin sooner for it; else a new
// one, with which the whole walk is told. A task of no walk is a call of its own.
func (w *walks) call(t *floor.TaskView) string {
	key := callKey(t)
	if c := w.told[key]; c != "" {
		return c
	}
	walk := w.of[key]
	if walk == nil {
		return ""
	}
	first := map[string]time.Time{} // of the calls of this walk
	w.each(walk, func(key string, o *floor.TaskView) {
		c := w.called[key].walk
		if at, known := first[c]; c != "" && (!known || o.Due.Before(at)) {
			first[c] = o.Due
		}
	})
	id := ""
	for c, at := range first {
		late := at.After(w.now) && t.Due.Before(at.Add(-sooner))
		if !late && !w.begun(c) && (id == "" || c < id) {
			id = c
		}
	}
	if id == "" {
		id = walk.ID + "@" + w.now.UTC().Format("20060102T150405.000")
	}
	w.each(walk, func(key string, _ *floor.TaskView) {
		if _, known := w.called[key]; !known {
			w.told[key] = id
		}
	})
	return id
}

// begun tells whether somebody has set out: one of the tasks of the call is taken or over.
func (w *walks) begun(call string) bool {
	for key, c := range w.called {
		if c.walk == call && !w.due[key] {
			return true
		}
	}
	return false
}

func (w *walks) each(walk *floor.WalkView, f func(key string, t *floor.TaskView)) {
	for i := range walk.Stops {
		for j := range walk.Stops[i].Tasks {
			t := &walk.Stops[i].Tasks[j]
			f(callKey(t), t)
		}
	}
}
