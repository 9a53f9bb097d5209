package web

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// LoadingNow gives every machine of the invented mill a running job and one
// that waits; every fifth machine is free.
func (f *fakeFloor) LoadingNow(context.Context) (floor.LoadingPlan, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	p := floor.LoadingPlan{Origin: floor.OriginLive, Made: f.now}
	for i, m := range f.machines {
		l := floor.LoadingLine{Machine: m.ID}
		at := f.now
		for k := range 2 {
			if i%5 == 4 || len(f.orders) == 0 {
				break
			}
			j := floor.LoadingJob{Job: board.Job{Kind: board.JobOrder, Order: f.orders[(2*i+k)%len(f.orders)].ID, Kg: 700 + 130*float64((i*7+k)%11), SetupStart: at}}
			if k == 0 {
				j.Kind, j.Start = board.JobRunning, at
			} else {
				j.SetupMinutes, j.Start = 70, at.Add(70*time.Minute)
				j.Waits = i%2 == 0
				if j.Waits && i < 8 { // one of them is overdue
					j.Expected = f.now.Add(time.Duration(60*i-90) * time.Minute)
				}
			}
			j.End = j.Start.Add(time.Duration(20+(i*13+k*29)%50) * time.Hour)
			j.P10, j.P90 = j.End.Add(-time.Duration(2+k*3)*time.Hour), j.End.Add(time.Duration(4+k*5)*time.Hour)
			if i%6 == 3 && k == 1 {
				j.LateMinutes = 300
			}
			at = j.End
			l.Jobs = append(l.Jobs, j)
			if i%7 == 2 && k == 0 {
				c := floor.LoadingJob{Job: board.Job{Kind: board.JobCare, Order: "needles-" + m.ID, Care: "needles", Minutes: 240, SetupStart: at, Start: at, End: at.Add(4 * time.Hour)}}
				at = c.End
				l.Jobs = append(l.Jobs, c)
			}
		}
		p.Lines = append(p.Lines, l)
	}
	if len(f.machines) > 0 {
		p.Free = []board.FreeHours{{Diameter: 30, Gauge: 28, Machines: len(f.machines), Hours: 212}}
		p.Warnings = []string{"SO-1042 needs 800 kg of yarn ne30, lot L-411 is 62 kg short: get it before Tue 24 Nov 14:00, when it starts on K01."}
		p.Refused = []board.Refusal{{Order: "SO-1099", Why: "SO-1099 stands on no machine: 900 kg wait for a place."}}
	}
	return p, f.err
}

func (f *fakeFloor) Propose(ctx context.Context, changes ...outlook.Change) (floor.LoadingPlan, error) {
	p, err := f.LoadingNow(ctx)
	if len(f.orders) == 0 {
		return p, fmt.Errorf("no such order: %w", outlook.ErrRequest)
	}
	for _, c := range changes {
		if m, ok := c.(outlook.MoveOrder); ok {
			if m.Machine == "k99" {
				return p, fmt.Errorf("machine K99 is not in the book: %w", outlook.ErrRequest)
			}
			p.Moves = append(p.Moves, board.Move{Order: m.Order, ToMachine: []string{m.Machine}})
		}
		p.Effects = append(p.Effects, floor.LoadingEffect{Order: f.orders[0].ID, Promise: f.now.Add(90 * time.Hour), Before: f.now.Add(80 * time.Hour), After: f.now.Add(62 * time.Hour), Sentence: "earlier"})
	}
	p.Same = 9
	return p, err
}

func (f *fakeFloor) KeptPlan(_ context.Context, id int64) (floor.LoadingPlan, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	p, ok := f.plans[id]
	if !ok {
		return p, fmt.Errorf("plan %d: %w", id, store.ErrNotFound)
	}
	return p, nil
}

func (f *fakeFloor) KeptPlans(_ context.Context, _ int64, limit int) ([]floor.LoadingPlan, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []floor.LoadingPlan
	for _, id := range slices.Backward(slices.Sorted(maps.Keys(f.plans))) {
		if len(out) < limit {
			out = append(out, f.plans[id])
		}
	}
	return out, nil
}

// keep adds a kept plan in which an order goes from K01 to K05.
func (f *fakeFloor) keep(t *testing.T, id int64) {
	t.Helper()
	p, err := f.LoadingNow(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	from, to := &p.Lines[0], &p.Lines[4]
	j := from.Jobs[1]
	from.Jobs, to.Jobs = from.Jobs[:1], append(to.Jobs, j)
	p.ID, p.State, p.Origin, p.Same = id, store.PlanProposed, floor.OriginSolve, 11
	p.Moves = []board.Move{{Order: j.Order, FromMachine: []string{"k01"}, ToMachine: []string{"k05"}, FromStart: j.Start, ToStart: j.Start, FromEnd: j.End, ToEnd: j.End.Add(-9 * time.Hour),
		Rule: board.RuleDue, Sentence: j.Order + " goes to k05: on k01 it would end Thu 26 Nov 14:00, against its due date Thu 26 Nov 08:00."}}
	p.Effects = []floor.LoadingEffect{{Order: j.Order, Promise: f.now.Add(90 * time.Hour), Before: f.now.Add(80 * time.Hour), After: f.now.Add(62 * time.Hour)}}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.plans == nil {
		f.plans = map[int64]floor.LoadingPlan{}
	}
	f.plans[id] = p
}

// turn changes the state of a kept plan.
func (f *fakeFloor) turn(id int64, from, to string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	p := f.plans[id]
	if p.State != from {
		return fmt.Errorf("plan %d is %q: %w", id, p.State, store.ErrMoved)
	}
	p.State = to
	f.plans[id] = p
	return nil
}

// fakeSearch is one search that is done once it was stopped.
type fakeSearch struct {
	mu    sync.Mutex
	asked floor.SolveRequest
	told  floor.Search
	looks int
	done  func()
}

func (f *fakeSearch) Start(r floor.SolveRequest) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.told.State == floor.SearchRuns {
		return "", floor.ErrBusy
	}
	f.asked, f.looks = r, 0
	f.told = floor.Search{ID: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", State: floor.SearchRuns, For: r.For, Rounds: 100, Cost: 9000, Start: 12000, Bound: 600}
	return f.told.ID, nil
}

func (f *fakeSearch) Look(id string) (floor.Search, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.looks++; f.told.State == floor.SearchRuns {
		f.told.Rounds += 100
	}
	return f.told, id == f.told.ID && id != ""
}

func (f *fakeSearch) Stop(id string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if id != f.told.ID || id == "" {
		return false
	}
	if f.told.State == floor.SearchRuns {
		f.told.State, f.told.Plan = floor.SearchDone, 12
		f.done()
	}
	return true
}

// searchedMill has a search whose plan is number 12, and a book that plans change.
func searchedMill(t *testing.T) (*fakeFloor, *fakeSearch, Options) {
	f := mill()
	x := &fakeSearch{}
	x.done = func() { f.keep(t, 12) }
	o := millOptions(f)
	o.Searches = x
	o.ApplyPlan = func(_ context.Context, id int64) error { return f.turn(id, store.PlanProposed, store.PlanApplied) }
	o.UndoPlan = func(_ context.Context, id int64) error { return f.turn(id, store.PlanApplied, store.PlanUndone) }
	return f, x, o
}

// poster sends forms.
func poster(h http.Handler) func(path string, form url.Values) *httptest.ResponseRecorder {
	return func(path string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
}

// TestSearchWithoutScript: begin, look, stop, see the plan beside the present jobs with the
// sentence of each move, write it, take it back: all by plain forms.
func TestSearchWithoutScript(t *testing.T) {
	f, x, o := searchedMill(t)
	h := handler(t, f, o)
	post := poster(h)
	w := post("/loading/search", url.Values{"seconds": {"20"}, "frozen": {"0"}, "c": {"move SO-1052 K02"}})
	at := w.Header().Get("Location")
	if w.Code != http.StatusSeeOther || !strings.HasPrefix(at, "/loading/search/ABC") || x.asked.For != 20*time.Second || x.asked.Frozen >= 0 || x.asked.Seed != 2 {
		t.Fatalf("%d %s, asked %+v", w.Code, at, x.asked)
	}
	if w := post("/loading/search", url.Values{}); w.Code != http.StatusServiceUnavailable {
		t.Errorf("a search too many: %d", w.Code)
	}
	_, doc := get(t, h, at)
	page := text(doc)
	for _, want := range []string{"Searching a plan", "150.0", "200.0 h", "10.0 h", "Take the best so far", "Look again"} {
		if !strings.Contains(page, want) {
			t.Errorf("the search lacks %q", want)
		}
	}
	w = post("/loading/stop", url.Values{"search": {x.told.ID}, "c": {"move SO-1052 K02"}})
	r := httptest.NewRequest("GET", w.Header().Get("Location"), nil)
	w = httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if at = w.Header().Get("Location"); w.Code != http.StatusSeeOther || at != "/loading?c=move+SO-1052+K02&c2=plan+12" {
		t.Fatalf("a search that is done leads to %d %q", w.Code, at)
	}
	_, doc = get(t, h, at+"&show=B")
	page = text(doc)
	for _, want := range []string{"against its due date", "due date", "11 other orders stay", "Keep B", "Show A on the lines", "→ moved in trial B", "Late 0.0 h of weight 1, now 0.0 h"} {
		if !strings.Contains(page, want) {
			t.Errorf("the plan lacks %q", want)
		}
	}
	if w = post("/loading/keep", url.Values{"c": {"plan 12"}}); w.Header().Get("Location") != "/loading?kept=12" || f.plans[12].State != store.PlanApplied {
		t.Fatalf("kept: %d %q, %s", w.Code, w.Header().Get("Location"), f.plans[12].State)
	}
	if w = post("/loading/keep", url.Values{"c": {"plan 12"}}); w.Code != http.StatusConflict {
		t.Errorf("kept twice: %d", w.Code)
	}
	_, doc = get(t, h, "/loading?kept=12")
	if page = text(doc); !strings.Contains(page, "Plan 12 is in the book.") || !strings.Contains(page, "Take it back") || !strings.Contains(page, "applied") {
		t.Error("the page does not offer to take plan 12 back")
	}
	if w = post("/loading/undo", url.Values{"plan": {"12"}}); w.Code != http.StatusSeeOther || f.plans[12].State != store.PlanUndone {
		t.Errorf("undone: %d, %s", w.Code, f.plans[12].State)
	}
	_, doc = get(t, h, "/loading?c=plan+12&c2=plan+99")
	if page = text(doc); !strings.Contains(page, "Plan 12 is undone") || !strings.Contains(page, "There is no plan 99.") || strings.Contains(page, "Keep A") {
		t.Error("plans that cannot be kept are not told")
	}
}

func TestSearchRefuses(t *testing.T) {
	f, _, o := searchedMill(t)
	h := handler(t, f, o)
	post := poster(h)
	for name, tt := range map[string]struct {
		path string
		form url.Values
		code int
	}{
		"no number":     {"/loading/search", url.Values{"seconds": {"soon"}}, http.StatusBadRequest},
		"too long":      {"/loading/search", url.Values{"seconds": {"9000"}}, http.StatusBadRequest},
		"below zero":    {"/loading/search", url.Values{"frozen": {"-3"}}, http.StatusBadRequest},
		"not a number":  {"/loading/search", url.Values{"frozen": {"NaN"}}, http.StatusBadRequest},
		"a fourth":      {"/loading/search", url.Values{"c": {"plan 1"}, "c2": {"plan 2"}, "c3": {"plan 3"}}, http.StatusConflict},
		"stop nothing":  {"/loading/stop", url.Values{"search": {"NOBODYHASBEGUNTHISONEYET22"}}, http.StatusGone},
		"stop no token": {"/loading/stop", url.Values{"search": {"../x"}}, http.StatusGone},
	} {
		if w := post(tt.path, tt.form); w.Code != tt.code {
			t.Errorf("%s: %d, want %d", name, w.Code, tt.code)
		}
	}
	if w, _ := get(t, h, "/loading/search/NOBODYHASBEGUNTHISONEYET22"); w.Code != http.StatusNotFound {
		t.Errorf("a search that is not known: %d", w.Code)
	}
	if _, doc := get(t, handler(t, f, millOptions(f)), "/loading"); strings.Contains(text(doc), "Search a plan") {
		t.Error("a search is offered where none can be")
	}
}

func TestLoadingShowsEveryJob(t *testing.T) {
	f := mill()
	h := handler(t, f, millOptions(f))
	w, doc := get(t, h, "/loading")
	if w.Code != http.StatusOK {
		t.Fatal(w.Code)
	}
	plan, err := f.LoadingNow(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	page := text(doc)
	for _, l := range plan.Lines {
		for _, j := range l.Jobs {
			word := j.Order
			if j.Kind == board.JobCare {
				word = j.Care
			}
			if strings.Count(page, word) < 3 { // drawn, said, in the table
				t.Errorf("%s is not drawn, said and in the table", word)
			}
		}
	}
	for _, want := range []string{"212", "30″ E28", "62 kg short", "SO-1099 stands on no machine"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

func TestLoadingTrialsWriteNothing(t *testing.T) {
	f := mill()
	o := millOptions(f)
	kept, undone := "", int64(0)
	o.KeepPlan = func(_ context.Context, changes ...outlook.Change) (int64, error) {
		if kept = phrases(changes, time.UTC); kept == "move SO-1 K99" {
			return 0, errors.New("the jobs have changed since")
		}
		return 7, nil
	}
	o.UndoPlan = func(_ context.Context, id int64) error { undone = id; return nil }
	h := handler(t, f, o)
	_, doc := get(t, h, "/loading?c=move+SO-1052+K02&c2=split+SO-1041+K05+200&c3=move+SO-1+K99")
	page := text(doc)
	for _, want := range []string{"SO-1052 goes to K02", "200 kg of SO-1041 go to K05", "K99 is not in the book", "Keep A", "Keep B"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, "Keep C") || kept != "" {
		t.Errorf("a trial that cannot be may be kept, or was written: %q", kept)
	}
	if _, doc := get(t, h, "/loading?add=move&order=SO-1052&machine=k02"); !strings.Contains(text(doc), "SO-1052 goes to K02") {
		t.Error("the form tries nothing")
	}
	post := func(path, body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", path, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	if w := post("/loading/keep", "c="+url.QueryEscape("move SO-1052 K02")); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/loading?kept=7" || kept != "move SO-1052 K02" {
		t.Errorf("keep: %d to %s, kept %q", w.Code, w.Header().Get("Location"), kept)
	}
	if w := post("/loading/keep", "c="+url.QueryEscape("move SO-1 K99")); w.Code != http.StatusConflict {
		t.Errorf("a plan that cannot be: %d", w.Code)
	}
	if w := post("/loading/undo", "plan=7"); w.Code != http.StatusSeeOther || undone != 7 {
		t.Errorf("undo: %d, %d", w.Code, undone)
	}
}
