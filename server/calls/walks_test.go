package calls

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"turnwise/server/floor"
	"turnwise/server/store"
)

// A person is called to a walk once, with all its tasks; again for a walk that must
// be left sooner, after somebody has set out, for a task that came back, and never
// for a creel that was seen to without a word.
func TestCallsAreWalks(t *testing.T) {
	h := newHall()
	file := filepath.Join(t.TempDir(), "mill.db")
	d := openDesk(t, h, file, Options{WarnBefore: 15 * time.Minute})
	task := func(id string, machine int, in time.Duration) floor.TaskView {
		return floor.TaskView{ID: id, Machine: fmt.Sprintf("k%02d", machine), Due: six.Add(in), State: store.TaskState{State: store.TaskDue}}
	}
	walk := func(id string, tasks ...floor.TaskView) floor.WalkView {
		w := floor.WalkView{ID: id, Set: "A"}
		for _, x := range tasks {
			w.Stops = append(w.Stops, floor.WalkStop{Machine: x.Machine, Tasks: []floor.TaskView{x}})
		}
		return w
	}
	show := func(walks ...floor.WalkView) {
		h.walks, h.tasks = walks, nil
		for _, w := range walks {
			for _, s := range w.Stops {
				h.tasks = append(h.tasks, s.Tasks...)
			}
		}
	}
	expect := func(when string, calls, tasks int) {
		t.Helper()
		if err := d.Look(t.Context()); err != nil {
			t.Fatal(err)
		}
		l, err := d.Load(t.Context(), six.Add(-time.Hour), h.now.Add(time.Second))
		if err != nil {
			t.Fatal(err)
		}
		if p := l.Persons[len(l.Persons)-1]; p.Calls != calls || p.Tasks != tasks {
			t.Errorf("%s: %d calls of %d tasks, want %d of %d", when, p.Calls, p.Tasks, calls, tasks)
		}
	}
	doff, creel, late := task("doff", 1, 10*time.Minute), task("creel", 2, 14*time.Minute), task("late", 3, 40*time.Minute)
	show(walk("w1", doff, creel, late))
	expect("a walk of three machines", 1, 2)
	h.pass(time.Minute)
	more := task("more", 4, 12*time.Minute)
	show(walk("w1", doff, more, creel, late))
	expect("one more on the way, before anybody set out", 1, 3)
	stop := task("stop", 5, time.Minute)
	show(walk("w1", stop, doff, more, creel, late))
	expect("a machine stands: it must be left sooner", 2, 4)

	if err := d.st.Close(); err != nil { // the calls of before are known to a new server
		t.Fatal(err)
	}
	d = openDesk(t, h, file, Options{WarnBefore: 15 * time.Minute})
	t.Cleanup(func() { d.st.Close() })
	expect("after a restart", 2, 4)
	doff.State.State = store.TaskTaken
	show(walk("w1", stop, doff, more, creel, late))
	h.pass(26 * time.Minute)
	expect("it is due now, and nobody has gone to the machine that stands", 2, 5)
	other, then := task("other", 6, 28*time.Minute), task("then", 3, 80*time.Minute)
	show(walk("w1", doff, creel, other, then))
	expect("a new task after somebody set out", 3, 6)
	other.State.State = store.TaskTaken
	show(walk("w1", doff, creel, other, then))
	h.pass(40 * time.Minute)
	expect("what was told with the walk falls due on the way", 3, 7)
	other.Lapsed, other.State.State = h.now, store.TaskDue
	show(walk("w1", other, then))
	h.pass(time.Minute)
	expect("it came back", 4, 8)
	seen := task("seen", 1, 20*time.Minute)
	seen.Unsaid = true
	show(walk("w2", seen))
	expect("a creel that was seen to without a word", 4, 8)
	alone := task("alone", 2, 20*time.Minute)
	show()
	h.tasks = []floor.TaskView{alone}
	expect("a task of no walk", 5, 9)
}
