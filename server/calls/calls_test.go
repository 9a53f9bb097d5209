package calls

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/planner/alarm"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

var six = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)

// hall is a floor that shows what a test put in.
type hall struct {
	now      time.Time
	machines []floor.Attention
	orders   []floor.OrderView
	tasks    []floor.TaskView
	walks    []floor.WalkView
	settled  bool
	ratios   []floor.RatioView
}

func (h *hall) Attention() []floor.Attention                      { return slices.Clone(h.machines) }
func (h *hall) Orders(context.Context) ([]floor.OrderView, error) { return h.orders, nil }
func (h *hall) Ratios(context.Context) ([]floor.RatioView, error) { return h.ratios, nil }
func (h *hall) LotSettled(string, string, string, time.Time) bool { return h.settled }
func (h *hall) Rounds(context.Context, []string, time.Duration) (floor.RoundsView, error) {
	return floor.RoundsView{Walks: h.walks}, nil
}
func (h *hall) Tasks(_ context.Context, _ []string, within time.Duration) ([]floor.TaskView, error) {
	var out []floor.TaskView
	for _, t := range h.tasks {
		if !t.Due.After(h.now.Add(within)) {
			out = append(out, t)
		}
	}
	return out, nil
}

// newHall has machines k01 to k14 that run: six of set A, the others of B,
// two or three to an agent.
func newHall() *hall {
	h := &hall{now: six}
	for i := 1; i <= 14; i++ {
		set := "A"
		if i > 6 {
			set = "B"
		}
		id := fmt.Sprintf("k%02d", i)
		h.machines = append(h.machines, floor.Attention{MachineView: floor.MachineView{ID: id, Name: strings.ToUpper(id), Set: set,
			Agent: fmt.Sprintf("u-%02d", (i+2)/3), State: floor.Running, Heard: six, Order: "SO-1"}})
	}
	return h
}

// pass lets time go by, everything heard and every stop waiting.
func (h *hall) pass(d time.Duration) {
	h.now = h.now.Add(d)
	for i := range h.machines {
		m := &h.machines[i]
		if m.State != floor.Unknown {
			m.Heard = h.now
		}
		if m.Waits {
			m.Waited += d
		}
	}
}

func (h *hall) stop(at time.Duration, cause string, ids ...int) {
	for _, i := range ids {
		m := &h.machines[i-1]
		m.State, m.Since, m.Waits, m.Waited = floor.Stopped, h.now.Add(at), true, 0
		m.Cause = floor.Cause{ID: cause, Word: cause, Element: "ADET"}
	}
}

func (h *hall) run(ids ...int) {
	for _, i := range ids {
		m := &h.machines[i-1]
		m.State, m.Waits, m.Waited, m.Heard = floor.Running, false, 0, h.now
	}
}

func (h *hall) silence(ids ...int) {
	for _, i := range ids {
		h.machines[i-1].State = floor.Unknown
	}
}

// desk on a database of its own, or on that of another desk.
type desk struct {
	*Desk
	h  *hall
	st *sqlite.Store
}

func openDesk(t *testing.T, h *hall, file string, o Options) *desk {
	t.Helper()
	st, err := sqlite.Open(t.Context(), file, sqlite.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	o.Now = func() time.Time { return h.now }
	d, err := New(t.Context(), h, st, o)
	if err != nil {
		t.Fatal(err)
	}
	return &desk{d, h, st}
}

func newDesk(t *testing.T, h *hall, o Options) *desk {
	d := openDesk(t, h, filepath.Join(t.TempDir(), "mill.db"), o)
	t.Cleanup(func() { d.st.Close() })
	return d
}

// go on for a time, looking each two seconds.
func (d *desk) goOn(t *testing.T, for_ time.Duration) {
	t.Helper()
	for end := d.h.now.Add(for_); d.h.now.Before(end); {
		d.h.pass(2 * time.Second)
		if err := d.Look(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

// expect compares the list with "id STATE" words.
func (d *desk) expect(t *testing.T, when string, want ...string) {
	t.Helper()
	var got []string
	for _, a := range d.List(false) {
		got = append(got, a.ID+" "+a.State().String())
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n got %q\nwant %q", when, got, want)
	}
}

// told counts how often people were told since the beginning.
func (d *desk) told(t *testing.T) int {
	t.Helper()
	l, err := d.Load(t.Context(), six.Add(-time.Hour), d.h.now.Add(time.Second))
	if err != nil {
		t.Fatal(err)
	}
	return l.Persons[len(l.Persons)-1].Alarms
}

func TestNotAttended(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	h.stop(0, "yarn", 3)
	d.goOn(t, 10*time.Minute)
	d.expect(t, "after ten minutes")
	d.goOn(t, 2*time.Second)
	d.expect(t, "and two seconds", "not-attended-k03 UNACK")
	if a := d.List(false)[0]; a.Sentence != "K03 stands since 06:00, yarn, and nobody said that somebody is there. Send somebody, or take the task." || !slices.Equal(a.Asked, []string{"set A"}) {
		t.Errorf("it says %q to %v", a.Sentence, a.Asked)
	}
	h.machines[2].Waited = 0 // somebody took the task
	d.goOn(t, 2*time.Second)
	d.expect(t, "taken before anybody saw the alarm", "not-attended-k03 RTN_UNACK")
	a, err := d.Do(t.Context(), Request{Alarm: "not-attended-k03", Kind: alarm.Ack, Role: "shift supervisor", RequestID: "1"})
	if err != nil || a.State() != alarm.Normal {
		t.Errorf("acknowledged: %v, %v", a.State(), err)
	}
	d.expect(t, "seen")
	h.run(3)
	h.machines[4].Rule = floor.RuleNoOrder
	h.stop(0, "unspecified", 5)
	d.goOn(t, 11*time.Minute)
	d.expect(t, "a machine without an order", "not-attended-k05 SUPPRESSED")
	h.machines[4].Rule = ""
	d.goOn(t, 2*time.Second)
	d.expect(t, "it gets one and still stands", "not-attended-k05 UNACK")
	if n := d.told(t); n != 2 {
		t.Errorf("people were told %d times, want 2", n)
	}
}

// A power cut of eight machines is one alarm, while they come back and after,
// and it asks the tenders of both sets.
func TestPowerCutIsOneAlarm(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	h.stop(0, "power", 1, 2, 3, 4)
	h.stop(2*time.Second, "power", 5, 6, 7, 8)
	d.goOn(t, 10*time.Minute+10*time.Second)
	event := "not-attended-event-20261123T060000"
	members := func(state string, ids ...int) (out []string) {
		for _, i := range ids {
			out = append(out, fmt.Sprintf("not-attended-k%02d %s", i, state))
		}
		return out
	}
	d.expect(t, "ten minutes after the cut", append(members("SUPPRESSED", 1, 2, 3, 4, 5, 6, 7, 8), event+" UNACK")...)
	if n := d.told(t); n != 1 {
		t.Errorf("people were told %d times of one cut", n)
	}
	a := d.List(false)[0]
	if a.ID != event || !slices.Equal(a.Asked, []string{"set A", "set B"}) || !strings.HasPrefix(a.Sentence, "8 machines stopped together at 06:00; K01, K02, ") {
		t.Errorf("the event: %s asks %v: %q", a.ID, a.Asked, a.Sentence)
	}
	h.run(1, 2, 3, 4, 5)
	d.goOn(t, time.Minute)
	d.expect(t, "three are left: still the one event", append(members("SUPPRESSED", 6, 7, 8), event+" UNACK")...)
	h.run(6, 7, 8)
	d.goOn(t, time.Minute)
	d.expect(t, "all run", event+" RTN_UNACK")
	h.stop(0, "yarn", 1)
	d.goOn(t, 11*time.Minute)
	d.expect(t, "a stop of its own", event+" RTN_UNACK", "not-attended-k01 UNACK")
	if n := d.told(t); n != 2 {
		t.Errorf("people were told %d times, want 2", n)
	}
}

// A cause with a group rule of its own makes one alarm of its stops, fewer and
// further apart than the rule for all; other causes are left out of it, and a
// cause without a rule is not grouped.
func TestStopsOfOneCauseAreOneAlarm(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	air := func(at time.Duration, ids ...int) {
		h.stop(at, "air", ids...)
		for _, i := range ids {
			h.machines[i-1].Cause.Word = "compressed air"
			h.machines[i-1].Cause.Group = floor.Group{Machines: 3, Within: 40 * time.Second}
		}
	}
	air(0, 1)
	air(20*time.Second, 2)
	air(38*time.Second, 7)
	h.stop(10*time.Second, "yarn", 3, 4, 5)
	air(90*time.Second, 9) // too late for the event: an alarm of its own
	d.goOn(t, 10*time.Minute+40*time.Second)
	event := "not-attended-event-20261123T060000-air"
	d.expect(t, "ten minutes after the air fell", event+" UNACK", "not-attended-k01 SUPPRESSED", "not-attended-k02 SUPPRESSED", "not-attended-k07 SUPPRESSED",
		"not-attended-k03 UNACK", "not-attended-k04 UNACK", "not-attended-k05 UNACK", "not-attended-k09 UNACK")
	i := slices.IndexFunc(d.List(false), func(a Alarm) bool { return a.ID == event })
	if a := d.List(false)[max(i, 0)]; a.Sentence != "3 machines stopped together at 06:00; K01, K02, K07: nobody is said to be there. All tell compressed air: look for one reason." || !slices.Equal(a.Asked, []string{"set A", "set B"}) {
		t.Errorf("the event asks %v: %q", a.Asked, a.Sentence)
	}
	h.run(1, 3, 4, 5)
	d.goOn(t, 20*time.Second)
	d.expect(t, "two are left: still the event", event+" UNACK", "not-attended-k02 SUPPRESSED", "not-attended-k07 SUPPRESSED",
		"not-attended-k03 RTN_UNACK", "not-attended-k04 RTN_UNACK", "not-attended-k05 RTN_UNACK", "not-attended-k09 UNACK")
}

func TestSilent(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	h.silence(9)
	d.goOn(t, 2*time.Minute)
	d.expect(t, "two minutes")
	d.goOn(t, 2*time.Second)
	d.expect(t, "two minutes and two seconds", "silent-k09 UNACK")
	h.run(9)
	// The box u-01 of k01 to k03: their last words are seconds apart.
	h.silence(1)
	d.goOn(t, 6*time.Second)
	h.silence(2, 3)
	d.goOn(t, 3*time.Minute)
	d.expect(t, "an agent falls silent", "silent-k09 RTN_UNACK", "silent-event-20261123T060202-u-01 UNACK", "silent-k01 SUPPRESSED", "silent-k02 SUPPRESSED", "silent-k03 SUPPRESSED")
	for i := range h.machines {
		h.machines[i].Rule = floor.RuleClosed
	}
	h.silence(13)
	d.goOn(t, 3*time.Minute)
	d.expect(t, "and the mill closes", "silent-k09 RTN_UNACK", "silent-event-20261123T060202-u-01 SUPPRESSED", "silent-k01 SUPPRESSED", "silent-k02 SUPPRESSED", "silent-k03 SUPPRESSED", "silent-k13 SUPPRESSED")
	if n := d.told(t); n != 2 {
		t.Errorf("people were told %d times, want 2", n)
	}
}

// A server that comes back has not heard anybody for hours, which is no alarm.
func TestSilentWhileTheServerWasOff(t *testing.T) {
	h := newHall()
	h.now = six.Add(9 * time.Hour)
	for i := range h.machines {
		h.silence(i + 1)
	}
	h.machines[13].Heard = time.Time{} // never heard: not put into service yet
	d := newDesk(t, h, Options{})
	d.goOn(t, 2*time.Minute)
	d.expect(t, "two minutes after the start")
	h.run(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12)
	d.goOn(t, 10*time.Second)
	d.expect(t, "one did not come back", "silent-k13 UNACK")
}

func TestOtherLot(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	refused := func() {
		t.Helper()
		err := fmt.Errorf("api: %w", &floor.LotRefused{Machine: "k07", Group: "knit", Lot: "L-433", At: h.now, Err: floor.ErrLot})
		if err := d.Refused(t.Context(), err); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Refused(t.Context(), store.ErrInvalid); err != nil {
		t.Error(err)
	}
	d.expect(t, "an error of another kind")
	refused()
	d.expect(t, "at once", "other-lot-k07-knit UNACK")
	d.goOn(t, 10*time.Second)
	d.expect(t, "as long as no right cones come", "other-lot-k07-knit UNACK")
	h.settled = true
	d.goOn(t, 2*time.Second)
	d.expect(t, "they came", "other-lot-k07-knit RTN_UNACK")
	for range 4 { // somebody tries again and again within a minute
		h.settled = false
		refused()
		h.settled = true
		d.goOn(t, 4*time.Second)
	}
	if n := d.told(t); n != 2 {
		t.Errorf("five mistakes within a minute were told %d times, want 2: the third and later are chatter", n)
	}
	d.expect(t, "chatter holds", "other-lot-k07-knit UNACK")
	d.goOn(t, time.Minute)
	d.expect(t, "and ends", "other-lot-k07-knit RTN_UNACK")
}

func TestPromise(t *testing.T) {
	h := newHall()
	order := floor.OrderView{ID: "SO-1", Promise: six.Add(72 * time.Hour)}
	order.Outlook.RemainingKg = 100
	h.orders = []floor.OrderView{order}
	d := newDesk(t, h, Options{})
	for _, s := range []struct {
		miss float64
		want []string
	}{
		{0.10, nil}, // at the limit
		{0.11, []string{"promise-SO-1 UNACK"}},
		{0.085, []string{"promise-SO-1 UNACK"}}, // not calm yet
		{0.08, []string{"promise-SO-1 RTN_UNACK"}},
	} {
		h.orders[0].Outlook.Finish = outlook.Finish{MissChance: s.miss}
		d.goOn(t, promiseHolds+20*time.Second)
		d.expect(t, fmt.Sprintf("miss %g", s.miss), s.want...)
	}
}

// A machine's ratio is an alarm when its whole interval is outside the limits, and over only well
// inside; rolls about a limit neither raise it again and again nor end it.
func TestRatio(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	for _, s := range []struct {
		what                   string
		ratio, low, high, used float64
		running                bool
		want                   []string
	}{
		{"at the limit", 1.02, 1.015, 1.025, 40, true, nil},
		{"outside, and not sure of it", 1.025, 1.019, 1.031, 40, true, nil},
		{"too few rolls", 1.034, 1.03, 1.038, 4, true, nil},
		{"of what it knitted before", 1.034, 1.03, 1.038, 40, false, nil},
		{"outside", 1.034, 1.021, 1.047, 5, true, []string{"ratio-k02 UNACK"}},
		{"about the limit", 1.019, 1.016, 1.022, 40, true, []string{"ratio-k02 UNACK"}},
		{"outside again", 1.025, 1.021, 1.029, 40, true, []string{"ratio-k02 UNACK"}},
		{"a change, and few rolls since", 1.000, 0.99, 1.01, 4, true, []string{"ratio-k02 UNACK"}},
		{"well inside", 1.015, 1.011, 1.019, 9, true, []string{"ratio-k02 RTN_UNACK"}},
		{"about the limit, from within", 1.021, 1.017, 1.025, 9, true, []string{"ratio-k02 RTN_UNACK"}},
		{"too little counted", 0.97, 0.965, 0.975, 9, true, []string{"ratio-k02 UNACK"}},
		{"another article", 0.97, 0.965, 0.975, 9, false, []string{"ratio-k02 RTN_UNACK"}},
	} {
		h.ratios = []floor.RatioView{{Machine: "k02", Name: "K02", Ratio: s.ratio, Low: s.low, High: s.high, Used: int(s.used), Running: s.running}}
		d.goOn(t, 20*time.Second)
		d.expect(t, s.what, s.want...)
	}
	if n := d.told(t); n != 2 {
		t.Errorf("told %d times, want 2: once too much, once too little", n)
	}
}

// A forecast that is unsure for a moment, as while records of a lost hour come
// in, is no alarm.
func TestPromiseMustBeUnsureForAWhile(t *testing.T) {
	h := newHall()
	order := floor.OrderView{ID: "SO-1", Promise: six.Add(72 * time.Hour)}
	order.Outlook.RemainingKg = 100
	h.orders = []floor.OrderView{order}
	d := newDesk(t, h, Options{})
	for range 3 {
		h.orders[0].Outlook.Finish = outlook.Finish{MissChance: 1}
		d.goOn(t, promiseHolds-20*time.Second)
		h.orders[0].Outlook.Finish = outlook.Finish{MissChance: 0.05}
		d.goOn(t, 20*time.Second)
	}
	d.expect(t, "unsure for less than five minutes")
	h.orders[0].Outlook.Finish = outlook.Finish{MissChance: 0.11}
	d.goOn(t, promiseHolds+20*time.Second)
	d.expect(t, "and for longer", "promise-SO-1 UNACK")
}

// What was raised, seen and shelved is as it was after a restart, and a
// repeated request gets its first answer then too.
func TestRestart(t *testing.T) {
	file := filepath.Join(t.TempDir(), "mill.db")
	h := newHall()
	d := openDesk(t, h, file, Options{})
	h.tasks = []floor.TaskView{{ID: "k01-stop-1", Machine: "k01", Due: six}}
	h.stop(0, "yarn", 1)
	h.stop(30*time.Second, "needle", 2)
	h.stop(60*time.Second, "fabric", 9)
	d.goOn(t, 12*time.Minute)
	do := func(r Request) Alarm {
		t.Helper()
		a, err := d.Do(t.Context(), r)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	do(Request{Alarm: "not-attended-k01", Kind: alarm.Ack, Role: "shift supervisor", RequestID: "a"})
	shelved := do(Request{Alarm: "not-attended-k02", Kind: alarm.Shelve, For: time.Hour, Reason: "needles on their way", Role: "fixer", RequestID: "b"})
	want := []string{"not-attended-k01 ACKED", "not-attended-k02 SHELVED", "not-attended-k09 UNACK"}
	d.expect(t, "before", want...)
	before := d.told(t)
	if err := d.st.Close(); err != nil {
		t.Fatal(err)
	}
	d = openDesk(t, h, file, Options{})
	defer d.st.Close()
	d.expect(t, "after", want...)
	d.goOn(t, time.Minute)
	d.expect(t, "and looked at", want...)
	if n := d.told(t); n != before {
		t.Errorf("told %d times, %d before the restart", n, before)
	}
	again := do(Request{Alarm: "not-attended-k02", Kind: alarm.Shelve, For: time.Hour, Reason: "needles on their way", Role: "fixer", RequestID: "b"})
	if again.Shelf == nil || !again.Shelf.Until.Equal(shelved.Shelf.Until) {
		t.Errorf("the repeated request: until %v, first %v", again.Shelf, shelved.Shelf)
	}
	d.goOn(t, time.Hour)
	d.expect(t, "an hour later", "not-attended-k01 ACKED", "not-attended-k02 UNACK", "not-attended-k09 UNACK")
	l, err := d.Load(t.Context(), six, h.now)
	if err != nil {
		t.Fatal(err)
	}
	a, b, all := l.Persons[0], l.Persons[1], l.Persons[2]
	if a.Person != "set A" || a.Alarms != 3 || a.Calls != 1 || b.Alarms != 1 || all.Alarms != 4 || all.Calls != 1 {
		t.Errorf("load: %+v", l.Persons)
	}
}

func TestBadRequests(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	h.stop(0, "yarn", 1)
	d.goOn(t, 11*time.Minute)
	for i, tt := range []struct {
		name string
		r    Request
		err  error
		says string
	}{
		{"unknown alarm", Request{Alarm: "not-attended-k99", Kind: alarm.Ack}, ErrAlarm, "list the alarms again"},
		{"a machine that nothing is wrong with", Request{Alarm: "silent-k02", Kind: alarm.Ack}, ErrAlarm, "never was"},
		{"shelved beyond eight hours", Request{Alarm: "not-attended-k01", Kind: alarm.Shelve, For: 9 * time.Hour, Reason: "r"}, alarm.ErrRequest, "at most 8 h"},
		{"shelved without a reason", Request{Alarm: "not-attended-k01", Kind: alarm.Shelve, For: time.Hour}, alarm.ErrRequest, "a reason is expected"},
		{"out of service without a reason", Request{Alarm: "silent-k02", Kind: alarm.TakeOut}, alarm.ErrRequest, "a reason is expected"},
		{"unshelved though it is shown", Request{Alarm: "not-attended-k01", Kind: alarm.Unshelve}, alarm.ErrState, "not shelved"},
		{"put back though it is in service", Request{Alarm: "not-attended-k01", Kind: alarm.PutBack}, alarm.ErrState, "in service"},
	} {
		tt.r.RequestID = fmt.Sprint("bad-", i)
		before := d.List(true)
		if _, err := d.Do(t.Context(), tt.r); !errors.Is(err, tt.err) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want %v that says %q", tt.name, err, tt.err, tt.says)
		}
		if after := d.List(true); len(after) != len(before) || after[0].State() != before[0].State() {
			t.Errorf("%s: the list changed", tt.name)
		}
	}
	if _, err := d.Do(t.Context(), Request{Alarm: "not-attended-k01", Kind: alarm.Ack}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("no request id: %v", err)
	}
	ack := Request{Alarm: "not-attended-k01", Kind: alarm.Ack, RequestID: "x", DryRun: true}
	if a, err := d.Do(t.Context(), ack); err != nil || a.State() != alarm.Acked {
		t.Errorf("dry run: %v, %v", a.State(), err)
	}
	d.expect(t, "after a dry run", "not-attended-k01 UNACK")
	ack.DryRun = false
	first, err := d.Do(t.Context(), ack)
	if err != nil {
		t.Fatal(err)
	}
	h.pass(time.Minute)
	ack.RequestID = "y"
	if a, err := d.Do(t.Context(), ack); err != nil || !a.Acked.Equal(first.Acked) {
		t.Errorf("acknowledged twice: %v, %v; the first instant %v stays", a.Acked, err, first.Acked)
	}
	ack.Kind = alarm.Unshelve
	if _, err := d.Do(t.Context(), ack); !errors.Is(err, store.ErrInvalid) || !strings.Contains(err.Error(), "make a new one") {
		t.Errorf("the id of another request: %v", err)
	}
	// Before anything is wrong: a machine that is taken apart.
	if a, err := d.Do(t.Context(), Request{Alarm: "silent-k02", Kind: alarm.TakeOut, Reason: "taken apart", RequestID: "z"}); err != nil || a.State() != alarm.OutOfService {
		t.Errorf("out of service in advance: %v, %v", a.State(), err)
	}
	h.silence(2)
	d.goOn(t, 3*time.Minute)
	d.expect(t, "silent then", "not-attended-k01 ACKED", "silent-k02 OUT_OF_SERVICE")
}

// forgetful is a record that cannot write.
type forgetful struct{ store.AlarmRecord }

func (forgetful) KeepAlarms(context.Context, []store.Alarm, []store.AlarmAct) error {
	return errors.New("disk full")
}

// What is not in the store is told to nobody, and comes when the store is back.
func TestNothingIsToldThatIsNotKept(t *testing.T) {
	h := newHall()
	d := newDesk(t, h, Options{})
	h.stop(0, "yarn", 1)
	h.pass(11 * time.Minute)
	good := d.rec
	d.rec = forgetful{good}
	if err := d.Look(t.Context()); err == nil {
		t.Error("a store that cannot write is no error")
	}
	d.expect(t, "while the store is away")
	d.rec = good
	d.goOn(t, 2*time.Second)
	d.expect(t, "when it is back", "not-attended-k01 UNACK")
}

func TestLamps(t *testing.T) {
	h := newHall()
	for i := range h.machines {
		h.machines[i].Area = "Hall 1"
	}
	h.machines[13].Area = ""
	d := newDesk(t, h, Options{})
	show := func(when, name string, want Lamp) {
		t.Helper()
		lamps, err := d.Lamps(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if got := lamps[name]; got != want {
			t.Errorf("%s: %s shows %+v, want %+v", when, name, got, want)
		}
		if len(lamps) != 15 {
			t.Errorf("%s: %d lamps, want those of 14 machines and one hall", when, len(lamps))
		}
	}
	show("quiet", "hall-1", Lamp{State: LampDark})
	h.tasks = []floor.TaskView{{ID: "a", Machine: "k03", Due: six.Add(-time.Minute)}, {ID: "b", Machine: "k14", Due: six.Add(-time.Hour)}, {ID: "c", Machine: "k03", Due: six.Add(time.Minute)}}
	show("a task is due", "k03", Lamp{State: LampCall, Calls: 1, Since: six.Add(-time.Minute)})
	show("a machine in no hall", "hall-1", Lamp{State: LampCall, Calls: 1, Since: six.Add(-time.Minute)})
	show("a machine in no hall", "k14", Lamp{State: LampCall, Calls: 1, Since: six.Add(-time.Hour)})
	h.tasks[0].State.State = store.TaskTaken
	show("somebody goes", "k03", Lamp{State: LampDark})
	h.tasks = nil
	h.stop(0, "power", 1, 2, 3, 4, 5, 6)
	d.goOn(t, 11*time.Minute)
	a := d.List(false)[0]
	show("one event of six machines", "hall-1", Lamp{State: LampAlarm, Alarms: 1, Since: a.Raised})
	show("one event of six machines", "k06", Lamp{State: LampAlarm, Alarms: 1, Since: a.Raised})
	if _, err := d.Do(t.Context(), Request{Alarm: a.ID, Kind: alarm.Ack, RequestID: "1"}); err != nil {
		t.Fatal(err)
	}
	show("seen", "hall-1", Lamp{State: LampDark})
}

func TestLampName(t *testing.T) {
	for area, want := range map[string]string{"hall-1": "hall-1", "Hall 1": "hall-1", "Örme/Ω": "rme", "": "", "/#+": ""} {
		if got := LampName(area); got != want {
			t.Errorf("LampName(%q) = %q, want %q", area, got, want)
		}
	}
}
