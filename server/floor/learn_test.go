package floor

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"turnwise/planner/forecast"
	"turnwise/server/store"
)

// told finds the stretches of an order in a shift.
func told(list []forecast.Stretch, order string, shift time.Time) (run float64, count int, lasted []float64) {
	for _, s := range list {
		if s.Order == order && s.Shift == int(shift.Unix()/3600) {
			run += s.RunMinutes
			for _, c := range s.Causes {
				count += c.Count
				lasted = append(lasted, c.DurationsMin...)
			}
		}
	}
	return run, count, lasted
}

// A machine changes its order in the middle of the morning, and of a cell.
func TestHistoryIsCutByOrderAndShift(t *testing.T) {
	book := millBook()
	book.Orders = append(book.Orders, store.Order{ID: "SO-2", Article: "SJ", QuantityKg: 100})
	book.Assignments = append(book.Assignments, store.Assignment{Machine: "k01", From: minute(102), Order: "SO-2", Card: "sj-k01"})
	friday, saturday := six.AddDate(0, 0, -3), six.AddDate(0, 0, -2)
	night := saturday.Add(16 * time.Hour) // the last shift before the Sunday
	m := &memory{
		cells: slices.Concat(cells("k01", -3*1440, -3*1440+480, 28), cells("k01", 0, 600, 28)),
		stops: []store.Stop{
			stop("k01", "yarn", -3*1440+10, -3*1440+14), // Friday morning
			// From a minute before the mill closes on Sunday to one after it opens.
			stop("k01", "needle", -1440-1, 1),
			stop("k01", "yarn", 20, 22), stop("k01", "yarn", 24, 27), // comes back at once: one episode
			stop("k01", "yarn", 101.9, 104.9), // begins under the first order
			stop("k01", "yarn", 300, 301),
			stop("k01", "", 400, 530), // stood for no told reason, two hours and more
			stop("k01", "yarn", 590, 0),
		},
	}
	var run int64
	for _, c := range m.cells {
		run += c.RunMS
	}
	state := store.MachineState{Machine: "k01", First: friday, Last: minute(600), RunMS: run}
	got, err := make(lessons).bring(t.Context(), reader{st: m, book: newBook(book, nil), calendar: weekdays()}, []store.MachineState{state}, minute(600))
	if err != nil || len(got) != 1 {
		t.Fatalf("%d histories, %v", len(got), err)
	}
	all := got[0].Stretches
	sum := 0.0
	for _, s := range all {
		sum += s.RunMinutes
	}
	if math.Abs(sum-float64(run)/60e3) > 1e-6 {
		t.Errorf("%g min of running in all, the books have %g", sum, float64(run)/60e3)
	}
	evening := six.Add(8 * time.Hour)
	for _, tt := range []struct {
		order  string
		shift  time.Time
		run    float64
		count  int
		lasted []float64
	}{
		// On Friday the machine had no order yet: its assignment begins on Sunday.
		{"", friday, 480, 1, []float64{4}},
		// Saturday's night shift works until 06:00 on Sunday; the stop lasts its last
		// minute and Monday's first.
		{"", night, 0, 1, []float64{2}},
		{"SO-1", six, 102, 2, []float64{5, 3}},
		{"SO-2", six, 480 - 102, 1, []float64{1}},
		{"SO-2", evening, 120, 1, nil}, // open
	} {
		run, count, lasted := told(all, tt.order, tt.shift)
		if math.Abs(run-tt.run) > 1e-6 || count != tt.count || !slices.EqualFunc(lasted, tt.lasted, func(a, b float64) bool { return math.Abs(a-b) < 1e-6 }) {
			t.Errorf("%q in the shift of %v: %g min, %d stops of %v; want %g, %d, %v", tt.order, tt.shift, run, count, lasted, tt.run, tt.count, tt.lasted)
		}
	}
	for _, s := range all {
		if want := map[int]int{6: 1, 14: 2, 22: 3}[s.Shift%24]; s.Shift > 0 && s.Class != want {
			t.Errorf("the shift that begins at %d h has class %d, want %d", s.Shift%24, s.Class, want)
		}
	}
}

// A stop that somebody took up parts into waiting and work; one that goes on is told as
// open, as long as it is.
func TestTakenAndOpenStops(t *testing.T) {
	stops := []store.Stop{stop("k01", "yarn", 20, 30), stop("k01", "yarn", 60, 66), stop("k01", "yarn", 90, 92), stop("k01", "needle", 110, 0)}
	for i := range stops {
		stops[i].ID, stops[i].Input = store.ID{byte(i + 1)}, true
	}
	m := &memory{cells: cells("k01", 0, 120, 28), stops: stops}
	state := store.MachineState{Machine: "k01", First: six, Last: minute(117), RunMS: 120 * 60e3}
	r := reader{st: m, book: newBook(millBook(), nil), calendar: weekdays(), taps: map[string]store.TaskState{
		stopTaskID("k01", stops[0].ID): {State: store.TaskTaken, Taken: minute(24)},
		stopTaskID("k01", stops[1].ID): {State: store.TaskDone},                     // never taken
		stopTaskID("k01", stops[2].ID): {State: store.TaskTaken, Taken: minute(95)}, // after it was over
		stopTaskID("k01", stops[3].ID): {State: store.TaskTaken, Taken: minute(112)},
	}}
	got, err := make(lessons).bring(t.Context(), r, []store.MachineState{state}, minute(117))
	if err != nil || len(got) != 1 || len(got[0].Stretches) != 1 {
		t.Fatalf("%+v, %v", got, err)
	}
	want := []forecast.CauseHistory{
		{Cause: "needle", Count: 1, OpenMin: []float64{7}},
		{Cause: "yarn", Count: 3, DurationsMin: []float64{10, 6, 2}, Taken: []forecast.Taken{{Waited: 4, Worked: 6}}},
	}
	if causes := got[0].Stretches[0].Causes; !reflect.DeepEqual(causes, want) {
		t.Errorf("%+v, want %+v", causes, want)
	}
}

// The newest minute is believed only where it tells of a change.
func TestSpeedIsSteady(t *testing.T) {
	piece := func(order string, minutes, rpm float64) lessonPiece {
		return lessonPiece{told: forecast.Stretch{Order: order}, run: time.Duration(minutes * float64(time.Minute)), turns: minutes * rpm}
	}
	for _, tt := range []struct {
		name         string
		pieces       []lessonPiece
		newest, want float64
	}{
		{"a turn too many in the last minute", []lessonPiece{piece("SO-1", 300, 28)}, 29, 28},
		{"a young shift and the one before", []lessonPiece{piece("SO-1", 90, 28), piece("SO-1", 30, 24)}, 26, (90*28 + 30*24) / 120.0},
		{"another order before", []lessonPiece{piece("SO-0", 300, 20), piece("SO-1", 30, 28)}, 29, 28},
		{"hardly run", []lessonPiece{piece("SO-0", 300, 20), piece("SO-1", 5, 28)}, 29, 29},
		{"slowed down just now", []lessonPiece{piece("SO-1", 300, 28)}, 22, 22},
		{"stands", []lessonPiece{piece("SO-1", 300, 28)}, 0, 28},
		{"nothing known", nil, 27, 27},
	} {
		if got := (&lesson{pieces: tt.pieces}).speed("SO-1", tt.newest); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("%s: %g rpm, want %g", tt.name, got, tt.want)
		}
	}
	if got := (*lesson)(nil).speed("SO-1", 27); got != 27 {
		t.Errorf("a machine never heard: %g rpm", got)
	}
}

// Read bit by bit, with late records, changed jobs and a window that moves on, a
// history is the same as read at once.
func TestHistoryReadBitByBit(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 9))
	b := newBook(millBook(), nil)
	m := &memory{}
	kept := make(lessons)
	state := store.MachineState{Machine: "k01", First: six}
	at := 0
	grow := func(minutes int) {
		more := cells("k01", at, at+minutes, 28)
		m.cells = append(m.cells, more...)
		for range rng.IntN(6) {
			begin := float64(at) + rng.Float64()*float64(minutes-2)
			m.stops = append(m.stops, stop("k01", []string{"yarn", "needle", ""}[rng.IntN(3)], begin, begin+1+rng.Float64()))
		}
		at += minutes
		state.Last = minute(float64(at))
		state.RunMS += int64(len(more)) * 300e3
	}
	asked := 0
	for i := range 400 {
		grow(5 * (1 + rng.IntN(40)))
		if i == 100 { // records of the third day come late
			m.cells = append(cells("k01", -600, -300, 28), m.cells...)
			state.First, state.RunMS = minute(-600), state.RunMS+60*300e3
		}
		if i == 200 {
			book := millBook()
			book.Assignments = append(book.Assignments, store.Assignment{Machine: "k01", From: minute(float64(at - 4000)), Order: "SO-2", Card: "sj-k01"})
			b = newBook(book, nil)
		}
		before := m.asked
		got, err := kept.bring(t.Context(), reader{st: m, book: b, calendar: weekdays()}, []store.MachineState{state}, state.Last)
		if err != nil {
			t.Fatal(err)
		}
		asked += m.asked - before
		want, err := make(lessons).bring(t.Context(), reader{st: m, book: b, calendar: weekdays()}, []store.MachineState{state}, state.Last)
		if err != nil {
			t.Fatal(err)
		}
		if !alikeHistories(got[0], want[0]) {
			t.Fatalf("step %d, minute %d: %v", i, at, describe(got[0], want[0]))
		}
	}
	if asked > 4*400 {
		t.Errorf("%d readings of rollups in 400 steps: it is read as a whole too often", asked)
	}
}

// alikeHistories compares but for time between shifts where the window begins: what
// is kept there may reach back further.
func alikeHistories(a, b forecast.History) bool {
	for _, h := range []*forecast.History{&a, &b} {
		if len(h.Stretches) > 0 && h.Stretches[0].Shift == 0 {
			h.Stretches = h.Stretches[1:]
		}
	}
	return a.Machine == b.Machine && a.Group == b.Group && slices.EqualFunc(a.Stretches, b.Stretches, func(x, y forecast.Stretch) bool {
		near := math.Abs(x.RunMinutes-y.RunMinutes) < 1e-6
		x.RunMinutes = y.RunMinutes
		return near && reflect.DeepEqual(x, y)
	})
}

func describe(got, want forecast.History) string {
	for i := range min(len(got.Stretches), len(want.Stretches)) {
		if !reflect.DeepEqual(got.Stretches[i], want.Stretches[i]) {
			return fmt.Sprintf("stretch %d is %+v, want %+v", i, got.Stretches[i], want.Stretches[i])
		}
	}
	return fmt.Sprintf("%d stretches, want %d", len(got.Stretches), len(want.Stretches))
}

// A cause that the mill plans is dated by the machine's running since its last stop.
func TestSinceTheLastPlannedStop(t *testing.T) {
	m := &memory{
		cells: cells("k01", 0, 1200, 28),
		stops: []store.Stop{stop("k01", "care", 100, 120), stop("k01", "care", 600, 630), stop("k01", "yarn", 700, 701)},
	}
	state := store.MachineState{Machine: "k01", First: six, Last: minute(1200), RunMS: 1200 * 60e3}
	all := make(lessons)
	if _, err := all.bring(t.Context(), reader{st: m, book: newBook(millBook(), nil), calendar: weekdays()}, []store.MachineState{state}, minute(1200)); err != nil {
		t.Fatal(err)
	}
	causes := []Cause{{ID: "yarn"}, {ID: "care", Comes: Comes{EveryRun: 8 * time.Hour}}, {ID: "needles", Comes: Comes{EveryTurns: 1e6}}}
	got := all["k01"].since(causes)
	// The evening ends at 960, and 240 min of the night follow.
	if want := 960.0 - 630 + 240; len(got) != 1 || math.Abs(got["care"]-want) > 1 {
		t.Errorf("since the last stop %v, want %g min for care alone", got, want)
	}
	if got := (*lesson)(nil).since(causes); got != nil {
		t.Errorf("a machine never heard: %v", got)
	}
}
