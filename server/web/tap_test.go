package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/html"

	"turnwise/server/floor"
	"turnwise/server/store"
)

// record keeps taps as the store promises to: a request id counts once and a
// repeat gets the first answer.
type record struct {
	mu      sync.Mutex
	taps    []Tap // in the order in which they counted
	heard   int   // taps that came, repeats too
	answers map[string]Heard
	before  map[string][]string // states of a task, for undo
	err     error
	refuse  func(Tap) error
}

func (r *record) tap(_ context.Context, t Tap) (Heard, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.heard++
	if a, ok := r.answers[t.RequestID]; ok {
		return a, nil
	}
	if r.err != nil {
		return Heard{}, r.err
	}
	if r.refuse != nil {
		if err := r.refuse(t); err != nil {
			return Heard{}, err
		}
	}
	if r.answers == nil {
		r.answers, r.before = map[string]Heard{}, map[string][]string{}
	}
	was := r.before[t.Task]
	switch t.Act {
	case store.ActUndo:
		if len(was) == 0 {
			return Heard{}, fmt.Errorf("task %s is due: %w: nothing was told that could be taken back", t.Task, store.ErrTask)
		}
		was = was[:len(was)-1]
	case store.ActFixer:
		was = append(was, store.TaskDue)
	default:
		was = append(was, map[string]string{store.ActTake: store.TaskTaken, store.ActHalf: store.TaskHalf, store.ActDone: store.TaskDone, ActWeigh: store.TaskDone}[t.Act])
	}
	r.before[t.Task] = was
	a := store.TaskState{Task: t.Task, State: store.TaskDue, Since: t.At}
	if len(was) > 0 {
		a.State = was[len(was)-1]
	}
	if t.Act == store.ActFixer {
		a.Fixer = t.At
	}
	h := Heard{State: a}
	if t.Lot == "L-418" { // released, but not the lot of the order
		h.Warning = "lot L-418 on K01: ground takes lot L-417 now"
	}
	r.answers[t.RequestID] = h
	r.taps = append(r.taps, t)
	return h, nil
}

// refuses lets some taps be refused from now on.
func (r *record) refuses(why func(Tap) error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refuse = why
}

// sent is how many taps came, and those that counted.
func (r *record) sent() (heard int, counted []Tap) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.heard, slices.Clone(r.taps)
}

// told lists what counted as "task act".
func (r *record) told() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var list []string
	for _, t := range r.taps {
		s := t.Task + " " + t.Act
		if t.Cones > 0 {
			s += fmt.Sprint(" ", t.Cones)
		}
		if t.Kg > 0 {
			s += fmt.Sprint(" ", t.Kg)
		}
		list = append(list, s)
	}
	return list
}

// formOf reads the fields of the form with a button whose words begin so, as
// a press of it sends them.
func formOf(t *testing.T, doc *html.Node, word string) (string, url.Values) {
	t.Helper()
	for _, f := range all(doc, named("form")) {
		for _, b := range all(f, named("button")) {
			if !strings.HasPrefix(text(b), word) {
				continue
			}
			v := url.Values{}
			for _, in := range all(f, named("input")) {
				v.Set(attr(in, "name"), attr(in, "value"))
			}
			v.Set(attr(b, "name"), attr(b, "value"))
			return attr(f, "action"), v
		}
	}
	t.Fatalf("no button %q", word)
	return "", nil
}

func post(h http.Handler, to string, v url.Values, edit func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", to, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if edit != nil {
		edit(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

const (
	creelK01 = "creel/k01/ground/77"
	creelK02 = "creel/k02/ground/77"
)

// TestTapWithoutScript walks the tender's path: press twice, count once, take it back.
func TestTapWithoutScript(t *testing.T) {
	f, b := mill(), &record{}
	now := f.now
	o := millOptions(f)
	o.Now, o.Tap = func() time.Time { return now }, b.tap
	h := handler(t, f, o)
	_, doc := get(t, h, "/creel?set=A")
	to, form := formOf(t, doc, "All 90 changed")
	first, second := post(h, to, form, nil), post(h, to, form, nil)
	if first.Code != http.StatusSeeOther || second.Header().Get("Location") != first.Header().Get("Location") {
		t.Fatalf("status %d to %q and %q, want the same place twice", first.Code, first.Header().Get("Location"), second.Header().Get("Location"))
	}
	if got := b.told(); len(got) != 1 || got[0] != creelK01+" done" {
		t.Fatalf("counted %q, want one done", got)
	}
	if tap := b.taps[0]; !tap.At.Equal(now) || tap.Cones != 0 || tap.Lot != "" || !isUUID(tap.RequestID) {
		t.Errorf("recorded %+v", tap)
	}
	back := first.Header().Get("Location")
	if !strings.HasPrefix(back, "/creel?") || !strings.Contains(back, "set=A") {
		t.Errorf("sent to %q, want back to set A", back)
	}
	_, doc = get(t, h, back)
	if s := text(all(doc, classed("bar"))[0]); !strings.Contains(s, "K01 done, 90 cones") {
		t.Errorf("the strip says %q", s)
	}
	_, half := formOf(t, doc, "Half changed")
	half.Set("task", creelK02)
	half.Set("cones", "40")
	if w := post(h, "/creel/tap", half, nil); w.Code != http.StatusSeeOther || b.told()[1] != creelK02+" half 40" {
		t.Errorf("half: status %d, counted %q", w.Code, b.told())
	}
	_, undo := formOf(t, doc, "Undo")
	w := post(h, to, undo, nil)
	if w.Code != http.StatusSeeOther || b.told()[2] != creelK01+" undo" {
		t.Fatalf("undo: status %d, counted %q", w.Code, b.told())
	}
	if _, doc = get(t, h, w.Header().Get("Location")); !strings.Contains(text(doc), "K01 taken back") {
		t.Error("the page does not say that it was taken back")
	}
	now = now.Add(store.UndoFor + time.Second)
	if _, doc = get(t, h, back); strings.Contains(text(all(doc, classed("bar"))[0]), "K01") {
		t.Error("undo is offered after its time")
	}
}

// TestTapAnswers: a device that asks for JSON gets its request named, the
// state, and refusals in words with both lots.
func TestTapAnswers(t *testing.T) {
	const id = "6f1c2a44-0d0e-4c3b-9a57-0242ac120002"
	f, b := mill(), &record{}
	o := millOptions(f)
	o.Tap = b.tap
	h := handler(t, f, o)
	asks := func(r *http.Request) { r.Header.Set("Accept", "application/json") }
	press := func(v url.Values) (int, tapAnswer) {
		t.Helper()
		w := post(h, "/creel/tap", v, asks)
		var a tapAnswer
		if strings.Contains(w.Header().Get("Content-Type"), "json") {
			if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
				t.Fatal(err)
			}
		}
		return w.Code, a
	}
	at := f.now.Add(-3 * time.Hour)
	done := url.Values{"task": {creelK01}, "act": {"done"}, "request": {id}, "at": {fmt.Sprint(at.UnixMilli())}, "lot": {" L-417 "}}
	for range 2 {
		if status, a := press(done); status != http.StatusOK || a.Request != id || a.State != store.TaskDone || a.Refused != nil || a.Now != f.now.UnixMilli() {
			t.Errorf("done: status %d, answer %+v", status, a)
		}
	}
	if len(b.taps) != 1 || !b.taps[0].At.Equal(at) || b.taps[0].Lot != "L-417" {
		t.Errorf("counted %+v, want one of three hours ago", b.taps)
	}
	warned := url.Values{"task": {creelK02}, "act": {"done"}, "request": {"6f1c2a44-0d0e-4c3b-9a57-0242ac120009"}, "lot": {"L-418"}}
	if _, a := press(warned); a.State != store.TaskDone || a.Warning != "lot L-418 on K01: ground takes lot L-417 now" {
		t.Errorf("a lot that the mill's rule lets pass: %+v", a)
	}
	out := url.Values{"task": {stopK04}, "act": {"out"}, "request": {"6f1c2a44-0d0e-4c3b-9a57-0242ac120010"}}
	if _, a := press(out); a.State != store.TaskDone || b.taps[2].Act != store.ActDone || b.taps[2].Cones != 1 {
		t.Errorf("a cone that had run out: %+v, recorded %+v", a, b.taps)
	}
	out.Set("act", "out:loop")
	out.Set("request", "6f1c2a44-0d0e-4c3b-9a57-0242ac120011")
	if _, a := press(out); a.State != store.TaskDone || b.taps[3].Act != store.ActDone || b.taps[3].Group != "loop" || b.taps[3].Cones != 1 {
		t.Errorf("a cone of one of several feed groups: %+v, recorded %+v", a, b.taps)
	}
	b.taps = b.taps[:1]
	tests := []struct {
		name   string
		err    error
		status int
		want   refused
	}{
		{"another lot", fmt.Errorf("lot L-9 on K01: %w: ground takes lot L-417 now; change the cones", floor.ErrLot), 409,
			refused{"Wrong lot at K01", "Do not start. Take these cones off and fetch lot L-417. Only the shift supervisor can release lot L-9.", "L-9", "L-417"}},
		{"a lot that nobody knows", fmt.Errorf("lot \"L-9\": %w: apply it with the book first", store.ErrNotFound), 409,
			refused{"Lot not known at K01", "Do not start. Read the label again. Ask the shift supervisor to enter the lot if it is new.", "L-9", "L-417"}},
		{"done twice", fmt.Errorf("task x is done: %w: it was told before and counts once; go to the next one", store.ErrTask), 409,
			refused{Head: "Not recorded at K01", Text: "It was told before and counts once; go to the next one."}},
		{"yesterday", fmt.Errorf("tap: %w: it was tapped more than 24 hours ago; look at the creel", store.ErrInvalid), 409,
			refused{Head: "Not recorded at K01", Text: "It was tapped more than 24 hours ago; look at the creel."}},
		{"nothing kept here", fmt.Errorf("tap: %w", floor.ErrNoTaps), 501,
			refused{Head: "Not recorded at K01", Text: "This server does not keep what tenders tell. Tell the shift supervisor."}},
		{"disk full", errors.New("disk of /secret is full"), 503, refused{}},
	}
	for i, tt := range tests {
		b.err = tt.err
		v := url.Values{"task": {creelK01}, "act": {"done"}, "lot": {"L-9"}, "request": {fmt.Sprintf("6f1c2a44-0d0e-4c3b-9a57-0242ac12%04d", 100+i)}}
		status, a := press(v)
		if a.Refused == nil {
			a.Refused = &refused{}
		}
		if status != tt.status || *a.Refused != tt.want {
			t.Errorf("%s: status %d, refused %+v", tt.name, status, *a.Refused)
		}
		if w := post(h, "/creel/tap", v, nil); w.Code != tt.status || strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%s without script: status %d: %s", tt.name, w.Code, w.Body)
		}
	}
	b.err = nil
	if len(b.taps) != 1 {
		t.Errorf("counted %q", b.told())
	}
}

// TestBadTaps: what a page of ours would never send is refused in words, and
// nothing is recorded.
func TestBadTaps(t *testing.T) {
	f, b := mill(), &record{}
	o := millOptions(f)
	o.Tap = b.tap
	h := handler(t, f, o)
	_, doc := get(t, h, "/creel")
	to, good := formOf(t, doc, "Half changed")
	for field, value := range map[string]string{"cones": "-1", "task": "", "act": "start the machine", "page": "<x>", "lot": strings.Repeat("x", 300), "at": "yesterday", "request": "6f1c2a44-0d0e-4c3b-9a57"} {
		form := url.Values{}
		for k := range good {
			form.Set(k, good.Get(k))
		}
		form.Set(field, value)
		if w := post(h, to, form, nil); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "Not recorded") {
			t.Errorf("%s = %.10q: status %d, want 400 and a sentence", field, value, w.Code)
		}
	}
	good.Set("back", strings.Repeat("x", longestForm))
	if w := post(h, to, good, nil); w.Code != http.StatusBadRequest {
		t.Errorf("a form without end: status %d, want 400", w.Code)
	}
	if len(b.taps) != 0 {
		t.Errorf("counted %q", b.told())
	}
	good.Set("back", "//evil.example/&machines=k01")
	if w := post(h, to, good, nil); !strings.HasPrefix(w.Header().Get("Location"), "/creel?") {
		t.Errorf("sent to %q, want the creel round", w.Header().Get("Location"))
	}
	for _, edit := range []func(*http.Request){
		func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") },
	} {
		if w := post(h, to, good, edit); w.Code != http.StatusForbidden {
			t.Errorf("a form of another site: status %d, want 403", w.Code)
		}
	}
	if len(b.taps) != 1 {
		t.Error("a form of another site was recorded")
	}
}

func TestRecentTaps(t *testing.T) {
	var r recentTaps
	now := monday(10, 0)
	tok := r.add(recentTap{request: "first", at: now})
	if r.add(recentTap{request: "first", at: now}) != tok {
		t.Error("the same request has two tokens")
	}
	for i := range 2 * tapsKept {
		r.add(recentTap{request: string(rune('a' + i)), at: now})
	}
	if len(r.byTok) > tapsKept || len(r.order) > tapsKept {
		t.Errorf("%d taps kept, want at most %d", len(r.byTok), tapsKept)
	}
	if _, ok := r.get(tok, now); ok {
		t.Error("the oldest tap is still kept")
	}
}
