package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
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
