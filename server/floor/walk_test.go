package floor

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"turnwise/planner/creel"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// hallBook has two sets of machines in two areas.
func hallBook() *book {
	return newBook(store.Book{
		Machines: []store.Machine{
			{ID: "k01", Area: "a", Set: "A"}, {ID: "k02", Area: "a", Set: "A"}, {ID: "k03", Area: "a", Set: "A"},
			{ID: "k04", Area: "b", Set: "B"}, {ID: "k05", Area: "b", Set: "B"},
		},
		Yarns: []store.Yarn{{ID: "y", Count: "Ne 30"}}, Lots: []store.Lot{{ID: "L-1", Yarn: "y", Tip: "green"}},
	}, nil)
}

func creelDue(machine string, in time.Duration, cones int) TaskView {
	return TaskView{
		ID: machine + "-creel-ground-1", Kind: TaskCreel, Machine: machine, Due: six.Add(in),
		Window: &outlook.CreelWindow{Machine: machine, Group: "ground", Yarn: "y", Lot: "L-1", Cones: cones, First: six.Add(in)},
	}
}

func doffDue(machine string, in time.Duration) TaskView {
	return TaskView{ID: machine + "-doff-7", Kind: TaskDoff, Machine: machine, Due: six.Add(in)}
}

func plan2(t *testing.T, b *book, tasks ...TaskView) RoundsView {
	t.Helper()
	v, err := DefaultHall.rounds(b, tasks, b.tenders(nil, six), six, true)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// A doff inside the time of the cones is done in the same go; a machine that stands
// comes first; what is due an hour later is another walk.
func TestWalksFoldAndPart(t *testing.T) {
	v := plan2(t, hallBook(),
		creelDue("k01", 25*time.Minute, 40), doffDue("k01", 20*time.Minute),
		TaskView{ID: "k02-stop-x", Kind: TaskStop, Machine: "k02", Due: six.Add(-time.Minute), Since: six.Add(-time.Minute)},
		creelDue("k03", 100*time.Minute, 10), creelDue("k04", 30*time.Minute, 20),
	)
	var got []string
	for _, w := range v.Walks {
		line := w.Set + ":"
		for _, s := range w.Stops {
			line += " " + s.Machine
			for _, x := range s.Tasks {
				line += fmt.Sprintf("(%d)", x.Kind)
			}
		}
		got = append(got, line)
	}
	want := []string{"A: k02(1)", "B: k04(3)", "A: k01(2)(3)", "A: k03(3)"}
	if !slices.Equal(got, want) {
		t.Errorf("walks %q, want %q", got, want)
	}
	// Within the hour: 40 of k01 and 20 of k04, one lot.
	if len(v.NextHour) != 1 || v.NextHour[0] != (FetchView{"L-1", "y", "Ne 30", "green", 60}) {
		t.Errorf("fetch %+v, want 60 cones of L-1", v.NextHour)
	}
	k01 := v.Walks[2].Stops[0]
	if k01.Start.Before(k01.Open) || k01.Start.After(k01.Latest) || !k01.Latest.Equal(six.Add(20*time.Minute)) {
		t.Errorf("k01 begins at %v in %v to %v, want inside, the latest at the doff", k01.Start, k01.Open, k01.Latest)
	}
	if want := six.Add(20 * time.Minute); v.Walks[2].LatestFrom.After(want) {
		t.Errorf("leave by %v, want not after %v", v.Walks[2].LatestFrom, want)
	}
}

// Two machines of one tender that stand at once, three minutes of work each: the second
// waits, and the other tender with nothing to do is offered one.
func TestBothWaitAndSplit(t *testing.T) {
	stop := func(m string) TaskView {
		return TaskView{ID: m + "-stop", Kind: TaskStop, Machine: m, Due: six}
	}
	v := plan2(t, hallBook(), stop("k01"), stop("k02"), stop("k03"))
	// By hand: 1.5 minutes each and 0.1 between neighbours; all three stand until the first is
	// cleared at 1.5, two until the second at 3.1.
	if v.BothMin < 3.09 || v.BothMin > 3.11 {
		t.Errorf("two machines wait for %.3f min, want 3.1", v.BothMin)
	}
	if v.Split == nil {
		t.Fatal("no other split is proposed")
	}
	sum := func(list []SetLoad) (late float64) {
		for _, s := range list {
			late += s.LateMin
		}
		return late
	}
	if sum(v.Split.Proposed) >= sum(v.Split.Now) || len(v.Split.Proposed[0].Machines)+len(v.Split.Proposed[1].Machines) != 5 {
		t.Errorf("split %+v is no better share of 5 machines", v.Split)
	}
	if v := plan2(t, hallBook(), stop("k01"), stop("k04")); v.Split != nil {
		t.Errorf("a split is proposed although nobody waits: %+v", v.Split)
	}
}

func TestTakenStaysWithItsTender(t *testing.T) {
	b := hallBook()
	taken := creelDue("k01", 50*time.Minute, 4)
	taken.State.State = store.TaskTaken
	v := plan2(t, b, taken, TaskView{ID: "k02-stop", Kind: TaskStop, Machine: "k02", Due: six})
	if s := v.Walks[0].Stops[0]; s.Machine != "k01" || !s.Start.Equal(six) {
		t.Errorf("first comes %s at %v, want k01 now: somebody goes there", s.Machine, s.Start)
	}
}

// A walk keeps its name while a task of it stays, whatever else comes and goes, and no
// two walks have one name.
func TestWalkNamesStay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(label string) []WalkView {
			var walks []WalkView
			for i, ids := range rapid.SliceOfN(rapid.SliceOfNDistinct(rapid.IntRange(0, 30), 1, 4, rapid.ID), 1, 5).Draw(t, label) {
				w := WalkView{Set: string(rune('A' + i))}
				for _, id := range ids {
					w.Stops = append(w.Stops, WalkStop{Tasks: []TaskView{{ID: fmt.Sprintf("t%d-%d", i, id)}}})
				}
				walks = append(walks, w)
			}
			return walks
		}
		before, after := draw("before"), draw("after")
		names := nameWalks(before, nil)
		nameWalks(after, names)
		seen := map[string]bool{}
		for _, w := range after {
			if w.ID == "" || seen[w.ID] {
				t.Fatalf("name %q is empty or given twice", w.ID)
			}
			seen[w.ID] = true
		}
		again := slices.Clone(before)
		for i := range again {
			again[i].ID = ""
		}
		nameWalks(again, names)
		for i := range again {
			if again[i].ID != before[i].ID {
				t.Fatalf("the same walk was %q and is %q", before[i].ID, again[i].ID)
			}
		}
	})
}

// A walk that begins with another task keeps the name of the task that it had.
func TestWalkNameOutlivesItsFirstTask(t *testing.T) {
	walk := func(ids ...string) []WalkView {
		w := WalkView{Set: "A"}
		for _, id := range ids {
			w.Stops = append(w.Stops, WalkStop{Tasks: []TaskView{{ID: id}}})
		}
		return []WalkView{w}
	}
	first := walk("a", "b")
	names := nameWalks(first, nil)
	next := walk("new", "b")
	nameWalks(next, names)
	if first[0].ID != "A-a" || next[0].ID != "A-a" {
		t.Errorf("names %q and %q, want A-a for both", first[0].ID, next[0].ID)
	}
}

func TestTenders(t *testing.T) {
	b := hallBook()
	b.creel.taps = map[string]store.TaskState{
		"x": {Machine: "k02", Since: six.Add(-5 * time.Minute)}, "y": {Machine: "k01", Since: six.Add(-time.Hour)},
	}
	for _, tt := range []struct {
		asked []string
		want  []creel.Tender
	}{
		{nil, []creel.Tender{{Name: "A", At: "k02", Machines: []string{"k01", "k02", "k03"}}, {Name: "B", Machines: []string{"k04", "k05"}}}},
		{[]string{"k04", "k05"}, []creel.Tender{{Name: "B", Machines: []string{"k04", "k05"}}}},
		{[]string{"k03", "k04"}, []creel.Tender{{Machines: []string{"k03", "k04"}}}},
	} {
		got := b.tenders(tt.asked, six)
		if fmt.Sprint(got) != fmt.Sprint(tt.want) {
			t.Errorf("tenders of %v: %+v, want %+v", tt.asked, got, tt.want)
		}
	}
}

// The floor's own walks: of the mill's tasks, an empty mill has none, and a job that ends
// within the horizon is part of them.
func TestRounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(minute(120)))
		m := busyMill(time.Now())
		m.loads = []store.Load{{ID: 1, Machine: "k01", Group: "ground", Cones: 100, Lot: "L-1", At: six, Revolutions: 21000}} // 20000 turns a cone
		m.book.Orders[0].QuantityKg = 1100
		f := newFloor(t, m, nil)
		v, err := f.Rounds(t.Context(), nil, 12*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		tasks, err := f.Tasks(t.Context(), nil, 12*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		in := map[string]int{}
		ends := 0
		for _, w := range v.Walks {
			for _, s := range w.Stops {
				for _, x := range s.Tasks {
					in[x.ID]++
					if x.Kind == TaskEnd || x.Kind == TaskStyle {
						ends++
						if _, err := f.Task(t.Context(), x.ID); err != nil {
							t.Errorf("%s stands in a walk, and cannot be told of: %v", x.ID, err)
						}
					}
				}
			}
		}
		for _, x := range tasks {
			if in[x.ID] != 1 {
				t.Errorf("task %s is in %d walks, want 1", x.ID, in[x.ID])
			}
		}
		if len(in) != len(tasks)+ends || len(tasks) == 0 || ends == 0 {
			t.Errorf("the walks have %d tasks, the list %d and %d jobs end", len(in), len(tasks), ends)
		}
		again, err := f.Rounds(t.Context(), nil, 12*time.Hour)
		if err != nil || len(again.Walks) != len(v.Walks) || &again.Walks[0] != &v.Walks[0] {
			t.Errorf("the walks were made anew although nothing moved, %v", err)
		}
		none, err := f.Rounds(t.Context(), []string{"k03"}, time.Hour)
		if err != nil || len(none.Walks) != 0 || none.NextHour != nil {
			t.Errorf("a machine without order has walks %+v, %v", none, err)
		}
		f2 := newFloor(t, &memory{}, nil)
		if v, err := f2.Rounds(context.Background(), nil, time.Hour); err != nil || len(v.Walks) != 0 {
			t.Errorf("an empty mill: %+v, %v", v, err)
		}
	})
}

// BenchmarkWalks plans two hours of a hall: 60 machines of six tenders.
func BenchmarkWalks(b *testing.B) {
	var sb store.Book
	var tasks []TaskView
	for i := range 60 {
		id := fmt.Sprintf("k%02d", i)
		sb.Machines = append(sb.Machines, store.Machine{ID: id, Area: "a", Set: string(rune('A' + i/10))})
		tasks = append(tasks, creelDue(id, time.Duration(i*7%120)*time.Minute, 30), doffDue(id, time.Duration(i*13%120)*time.Minute))
	}
	book := newBook(sb, nil)
	for b.Loop() {
		if _, err := DefaultHall.rounds(book, tasks, book.tenders(nil, six), six, true); err != nil {
			b.Fatal(err)
		}
	}
}
