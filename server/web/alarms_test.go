package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/chromedp/chromedp"

	"turnwise/planner/alarm"
	"turnwise/server/calls"
)

// deskOf is a desk that lists what a test put in and remembers the answers.
type deskOf struct {
	mu    sync.Mutex
	list  []calls.Alarm
	asked []calls.Request
	err   error
	heard chan struct{} // told of every answer, when not nil
	subs  []chan struct{}
}

func (d *deskOf) Subscribe(ctx context.Context) <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	sub := make(chan struct{}, 1)
	d.subs = append(d.subs, sub)
	return sub
}

// raise puts an alarm on top and tells those who look.
func (d *deskOf) raise(a calls.Alarm) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.list = append([]calls.Alarm{a}, d.list...)
	for _, sub := range d.subs {
		select {
		case sub <- struct{}{}:
		default:
		}
	}
}

func (d *deskOf) List(bool) []calls.Alarm {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.list)
}

func (d *deskOf) Load(_ context.Context, from, to time.Time) (calls.Load, error) {
	if len(d.List(false)) == 0 {
		return calls.Load{From: from, To: to, Aim: 1, Persons: []calls.PersonLoad{{Person: "all"}}}, nil
	}
	one := func(p string, tasks, alarms, most int) calls.PersonLoad {
		return calls.PersonLoad{Person: p, Load: alarm.Load{Calls: tasks * 2 / 3, Tasks: tasks, Alarms: alarms, MeanCalls: float64(tasks*2/3) / 144, MeanTasks: float64(tasks) / 144, MeanAlarms: float64(alarms) / 144, Worst: most, WorstAt: to.Add(-3 * time.Hour)}}
	}
	l := calls.Load{From: from, To: to, Aim: 1, Persons: []calls.PersonLoad{one("planning", 0, 2, 1), one("set A", 212, 9, 6), one("set B", 301, 163, 14), one("all", 513, 174, 17)}, Standing: []string{"promise-SO-1041"}}
	l.Persons[2].Floods = []alarm.Flood{{From: to.Add(-3 * time.Hour), To: to.Add(-170 * time.Minute), Alarms: 12}}
	return l, nil
}

func (d *deskOf) Do(_ context.Context, r calls.Request) (calls.Alarm, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked = append(d.asked, r)
	if d.heard != nil {
		d.heard <- struct{}{}
	}
	if d.err != nil {
		return calls.Alarm{}, d.err
	}
	for i := range d.list {
		if d.list[i].ID == r.Alarm && r.Kind == alarm.Ack {
			d.list[i].Owed = false
			d.list[i].Acked = d.list[i].Raised.Add(time.Minute)
			return d.list[i], nil
		}
	}
	return calls.Alarm{}, nil
}

// deskAt has one alarm of every state a page shows.
func deskAt(now time.Time) *deskOf {
	make := func(id string, class alarm.Class, ago time.Duration, said string, events ...alarm.Event) calls.Alarm {
		a := calls.Alarm{ID: id, Class: class, Sentence: said, Begin: now.Add(-ago - 10*time.Minute), Asked: []string{"set A"}, Machines: []string{id[strings.LastIndex(id, "-")+1:]}}
		for _, e := range append([]alarm.Event{{Kind: alarm.Rise, At: now.Add(-ago)}}, events...) {
			var err error
			if a.Point, err = a.Point.Apply(e, alarm.DefaultLimits()); err != nil {
				panic(err)
			}
		}
		return a
	}
	ack := func(ago time.Duration) alarm.Event {
		return alarm.Event{Kind: alarm.Ack, At: now.Add(-ago), Role: "planner"}
	}
	lot := make("other-lot-k07", alarm.OtherLot, 4*time.Minute, "Cones of lot L-433 came to K07, knit, and do not belong there. Take them off before they knit; cones that do, or a release by a role with a reason, end this.")
	lot.Asked, lot.Begin = []string{"set B"}, lot.Raised
	event := make("not-attended-event-k01", alarm.NotAttended, 31*time.Minute, "8 machines stopped together at 10:02; K01, K02, K03, K04, K05, K06, K07, K08: nobody is said to be there. Look for one cause: power, air, climate.", alarm.Event{Kind: alarm.Clear, At: now.Add(-9 * time.Minute)})
	event.Asked, event.Machines = []string{"set A", "set B"}, []string{"k01", "k02", "k03", "k04", "k05", "k06", "k07", "k08"}
	promise := make("promise-SO-1041", alarm.Promise, 26*time.Hour, "The promise of SO-1041 for Mon 30 Nov 08:00 is kept with less than 90 %. Look at its causes, and tell the customer or move the job.", ack(5*time.Hour))
	promise.Asked, promise.Machines, promise.Order = []string{"planning"}, nil, "SO-1041"
	return &deskOf{list: []calls.Alarm{
		lot, event,
		make("not-attended-k04", alarm.NotAttended, 47*time.Minute, "K04 stands since 09:43, needle, and nobody said that somebody is there. Send somebody, or take the task.", ack(40*time.Minute)), promise,
		make("silent-k13", alarm.Silent, 3*time.Hour, "K13 is not heard since 07:38: nobody knows whether it runs. Look at the agent u-06 and its network.", alarm.Event{Kind: alarm.Shelve, At: now.Add(-150 * time.Minute), For: 4 * time.Hour, Reason: "power supply on order", Role: "engineer"}),
		make("not-attended-k09", alarm.NotAttended, 20*time.Minute, "K09 stands since 10:10, not given, and nobody said that somebody is there.", alarm.Event{Kind: alarm.Suppress, At: now.Add(-19 * time.Minute), Reason: "no order"}),
	}}
}

// deskFor is a desk that goes with a floor: an empty mill has no alarms, and
// one of fifty machines more than a page shows.
func deskFor(f *fakeFloor) *deskOf {
	d := deskAt(f.now)
	switch n := len(f.machines); {
	case n == 0:
		d.list = nil
	case n >= 50:
		for i, m := range f.machines {
			a := d.list[2]
			a.ID, a.Machines, a.Sentence = "not-attended-"+m.ID, []string{m.ID}, m.Name+" stands since 10:12, yarn, and nobody said that somebody is there. Send somebody, or take the task."
			a.Owed, a.Acked, a.Raised, a.Begin = i%3 == 0, time.Time{}, f.now.Add(-time.Duration(i)*9*time.Minute), f.now.Add(-time.Duration(i)*9*time.Minute-10*time.Minute)
			d.list = append(d.list, a)
		}
	}
	return d
}

func TestAlarmsPage(t *testing.T) {
	f := mill()
	o := millOptions(f)
	desk := deskAt(f.now)
	o.Calls = desk
	h, err := New(f, o)
	if err != nil {
		t.Fatal(err)
	}
	w, _ := get(t, h, "/alarms")
	text := w.Body.String()
	for _, want := range []string{
		`<p class="big">2`, "alarms wait to be seen", `<b class="fl r">alarm</b>Cones of lot L-433`, "Nobody has seen it for 4 min.", "nobody has seen it.",
		"by a planner, it still holds", "2 hidden", "power supply on order", "Hidden by rule: no order", `href="/o/SO-1041"`, `href="/m/k04"`, "1 alarm holds for more than a day", `name="act" value="seen"`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not have %q", want)
		}
	}
	if n := strings.Count(text, `class="fl r"`); n != 1 {
		t.Errorf("%d red signs, want that of the lot alone", n)
	}
	post := func(form url.Values) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		r := httptest.NewRequest("POST", "/alarms", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		h.ServeHTTP(w, r)
		return w
	}
	if w := post(url.Values{"alarm": {"not-attended-k04"}, "request": {"page-1"}, "act": {"aside"}, "reason": {"needle on order"}, "for": {"240"}, "role": {"fixer"}}); w.Code != http.StatusSeeOther {
		t.Errorf("shelve: %d", w.Code)
	}
	want := calls.Request{Alarm: "not-attended-k04", Kind: alarm.Shelve, For: 4 * time.Hour, Reason: "needle on order", Role: "fixer", RequestID: "page-1-aside"}
	if got := desk.asked[len(desk.asked)-1]; got != want {
		t.Errorf("asked %+v, want %+v", got, want)
	}
	for what, form := range map[string]url.Values{
		"no act":        {"alarm": {"x"}},
		"a name":        {"alarm": {"x"}, "act": {"seen"}, "role": {"Ayşe"}},
		"a long reason": {"alarm": {"x"}, "act": {"aside"}, "reason": {strings.Repeat("x", 201)}},
	} {
		if w := post(form); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", what, w.Code)
		}
	}
	for err, code := range map[error]int{
		calls.ErrAlarm: http.StatusConflict, fmt.Errorf("x: %w", alarm.ErrState): http.StatusConflict, alarm.ErrRequest: http.StatusBadRequest, errors.New("disk"): http.StatusInternalServerError,
	} {
		desk.err = err
		if w := post(url.Values{"alarm": {"silent-k13"}, "request": {"r"}, "act": {"show"}}); w.Code != code {
			t.Errorf("%v: %d, want %d", err, w.Code, code)
		}
	}

	o.Calls = nil
	if h, err = New(f, o); err != nil {
		t.Fatal(err)
	}
	if w, _ := get(t, h, "/alarms"); !strings.Contains(w.Body.String(), "This server keeps no alarms.") {
		t.Error("a server without alarms does not say so")
	}
}

// An alarm is on an open page within two seconds, although no machine of the mill
// says anything, and although somebody else looked at the page just before.
func TestAlarmsAreToldAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := mill()
		o := millOptions(f)
		desk := deskAt(f.now)
		o.Calls = desk
		s := newSite(t, f, o)
		begin := time.Now()
		w := &eventLog{begin: begin}
		ctx, cancel := context.WithTimeout(t.Context(), 9*time.Second)
		defer cancel()
		st := stream{w: w, rc: http.NewResponseController(w), rid: newToken(), sent: map[string]string{}}
		changed, called := f.Subscribe(ctx), desk.Subscribe(ctx)
		var g sync.WaitGroup
		g.Go(func() {
			if err := s.follow(ctx, &st, "alarms", url.Values{}, changed, called); err != nil {
				t.Error(err)
			}
		})
		time.Sleep(4500 * time.Millisecond) // of the bubble
		if _, err := s.look(ctx, "alarms", url.Values{}); err != nil {
			t.Error(err)
		}
		time.Sleep(100 * time.Millisecond)
		raised := time.Since(begin)
		a := desk.List(false)[0]
		a.ID, a.Sentence = "silent-k12", "K12 is not heard since 10:37."
		desk.raise(a)
		g.Wait()
		for i, u := range w.got {
			if strings.Contains(fmt.Sprint(u), a.Sentence) {
				if after := w.at[i] - raised; after < 0 || after > 2*time.Second {
					t.Errorf("the alarm came %s after it was raised, want within 2 s", after)
				}
				return
			}
		}
		t.Error("the alarm never came")
	})
}

// Somebody presses Seen, in a real browser, and the alarm is seen.
func TestAlarmsInABrowser(t *testing.T) {
	ctx := browser(t)
	f := mill()
	o := millOptions(f)
	desk := deskAt(f.now)
	desk.heard = make(chan struct{}, 8)
	o.Calls = desk
	srv := serve(t, f, o)
	for _, width := range []int64{390, 1440} {
		var wide, small []string
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(srv.URL+"/alarms")); err != nil {
			t.Fatal(err)
		}
		var err error
		if wide, err = chromedp.Run(ctx, chromedp.Evaluate[[]string](tooWide)); err != nil || len(wide) > 0 {
			t.Errorf("%d px: too wide: %q, %v", width, wide, err)
		}
		if small, err = chromedp.Run(ctx, chromedp.Evaluate[[]string](tooSmall)); err != nil || len(small) > 0 {
			t.Errorf("%d px: too small: %q, %v", width, small, err)
		}
	}
	if err := chromedp.Do(ctx, chromedp.Click(`#needs button[value="seen"]`)); err != nil {
		t.Fatal(err)
	}
	select {
	case <-desk.heard:
	case <-ctx.Done():
		t.Fatal("the answer never came")
	}
	desk.mu.Lock()
	defer desk.mu.Unlock()
	if len(desk.asked) != 1 || desk.asked[0].Alarm != "other-lot-k07" || desk.asked[0].Kind != alarm.Ack || desk.asked[0].RequestID == "" {
		t.Errorf("asked %+v", desk.asked)
	}
}
