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

	"golang.org/x/net/html"

	"turnwise/server/floor"
)

// book records what the pages tell it.
type book struct {
	loads   map[string]LoadRequest
	ids     map[string]int64
	undone  []int64
	fails   bool
	refuses error
}

func (b *book) load(_ context.Context, r LoadRequest) (int64, error) {
	if b.refuses != nil {
		return 0, b.refuses
	}
	if b.fails {
		return 0, errors.New("disk full")
	}
	if b.loads == nil {
		b.loads, b.ids = map[string]LoadRequest{}, map[string]int64{}
	}
	if id, ok := b.ids[r.RequestID]; ok {
		return id, nil
	}
	b.loads[r.RequestID], b.ids[r.RequestID] = r, int64(len(b.ids)+1)
	return b.ids[r.RequestID], nil
}

func (b *book) undo(_ context.Context, _ string, id int64) error {
	if b.fails {
		return errors.New("disk full")
	}
	b.undone = append(b.undone, id)
	return nil
}

// formOf reads the fields of the form whose button says word.
func formOf(t *testing.T, doc *html.Node, word string) (string, url.Values) {
	t.Helper()
	for _, f := range all(doc, named("form")) {
		if b := all(f, named("button")); len(b) == 1 && strings.HasPrefix(text(b[0]), word) {
			v := url.Values{}
			for _, in := range all(f, named("input")) {
				v.Set(attr(in, "name"), attr(in, "value"))
			}
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

// TestLoadAndUndo walks the tender's path: press twice, see it once, take it back.
func TestLoadAndUndo(t *testing.T) {
	f, b := mill(), &book{}
	now := f.now
	o := millOptions(f)
	o.Now, o.Load, o.Undo = func() time.Time { return now }, b.load, b.undo
	h := handler(t, f, o)
	_, doc := get(t, h, "/creel?set=A")
	to, form := formOf(t, doc, "All 90 changed")
	first, second := post(h, to, form, nil), post(h, to, form, nil)
	if first.Code != http.StatusSeeOther || second.Header().Get("Location") != first.Header().Get("Location") {
		t.Fatalf("status %d to %q and %q, want the same place twice", first.Code, first.Header().Get("Location"), second.Header().Get("Location"))
	}
	_, other := get(t, h, "/creel?machines=k99,k01") // another phone
	_, half := formOf(t, doc, "Half changed")
	post(h, to, half, nil) // the other button of the same task on the same page
	old := form
	old.Set("request", newToken()) // a phone that has not heard of it yet
	if w := post(h, to, old, nil); w.Header().Get("Location") != first.Header().Get("Location") {
		t.Errorf("a second phone is sent to %q", w.Header().Get("Location"))
	}
	if len(all(other, named("button"))) != 0 {
		t.Error("a page drawn after the load still has its buttons")
	}
	if len(b.loads) != 1 {
		t.Fatalf("%d loads recorded, want one", len(b.loads))
	}
	for _, l := range b.loads {
		if l.Machine != "k01" || l.Group != "ground" || l.Cones != 90 || l.Lot != "L-417" || !l.At.Equal(now) {
			t.Errorf("recorded %+v", l)
		}
	}
	back := first.Header().Get("Location")
	if !strings.HasPrefix(back, "/creel?") || !strings.Contains(back, "set=A") {
		t.Errorf("sent to %q, want back to set A", back)
	}
	_, doc = get(t, h, back)
	if s := text(all(doc, classed("bar"))[0]); !strings.Contains(s, "K01, 90 cones recorded") {
		t.Errorf("the strip says %q", s)
	}
	if row := all(doc, func(n *html.Node) bool { return attr(n, "id") == domID("t", "creel/k01/ground/77") })[0]; len(all(row, named("button"))) != 0 {
		t.Error("the task that was just recorded still has its buttons")
	}
	_, again := formOf(t, doc, "Half changed") // of the next creel, K02
	post(h, "/creel/load", again, nil)
	if len(b.loads) != 2 {
		t.Errorf("%d loads after a press on a new page, want two", len(b.loads))
	}
	to, undo := formOf(t, doc, "Undo")
	if w := post(h, to, undo, nil); w.Code != http.StatusSeeOther {
		t.Fatalf("undo: status %d", w.Code)
	}
	post(h, to, undo, nil)
	if len(b.undone) != 1 || b.undone[0] != 1 {
		t.Errorf("taken back %v, want load 1 once", b.undone)
	}
	if _, doc = get(t, h, back); !strings.Contains(text(doc), "90 cones taken back") {
		t.Error("the page does not say that it was taken back")
	}
	now = now.Add(undoFor + time.Second)
	if w := post(h, to, undo, nil); w.Code != http.StatusGone {
		t.Errorf("undo after its time: status %d, want 410", w.Code)
	}
	if _, doc = get(t, h, back); strings.Contains(text(doc), "Undo") {
		t.Error("undo is offered after its time")
	}
}

// TestBadForms: what a page of ours would never send is refused in words, and
// nothing is recorded.
func TestBadForms(t *testing.T) {
	f, b := mill(), &book{}
	o := millOptions(f)
	o.Load, o.Undo = b.load, b.undo
	h := handler(t, f, o)
	_, doc := get(t, h, "/creel")
	to, good := formOf(t, doc, "All 90 changed")
	for field, value := range map[string]string{"cones": "0", "machine": "k99", "group": "", "request": "<x>", "lot": strings.Repeat("x", 300)} {
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
	good.Set("back", "//evil.example/&machines=k01")
	if w := post(h, to, good, nil); !strings.HasPrefix(w.Header().Get("Location"), "/creel?") {
		t.Errorf("sent to %q, want the creel round", w.Header().Get("Location"))
	}
	n := len(b.loads)
	for _, edit := range []func(*http.Request){
		func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") },
	} {
		if w := post(h, to, good, edit); w.Code != http.StatusForbidden {
			t.Errorf("a form of another site: status %d, want 403", w.Code)
		}
	}
	if len(b.loads) != n {
		t.Error("a form of another site was recorded")
	}
	b.fails = true
	good.Set("task", "another")
	if w := post(h, to, good, nil); w.Code != http.StatusServiceUnavailable || strings.Contains(w.Body.String(), "disk") {
		t.Errorf("a book that fails: status %d, body %s", w.Code, w.Body)
	}
	b.refuses = fmt.Errorf("lot L-9 on K01: %w: ground takes lot L-411 now; change the cones", floor.ErrLot)
	if w := post(h, to, good, nil); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "ground takes lot L-411 now") {
		t.Errorf("cones of another lot: status %d, body %s", w.Code, w.Body)
	}
}

func TestRecentLoads(t *testing.T) {
	var r recentLoads
	now := monday(10, 0)
	tok := r.add(recentLoad{request: "first", at: now})
	if r.add(recentLoad{request: "first", at: now}) != tok {
		t.Error("the same request has two tokens")
	}
	for i := range 2 * undoKept {
		r.add(recentLoad{request: string(rune('a' + i)), at: now})
	}
	if len(r.byTok) > undoKept || len(r.order) > undoKept {
		t.Errorf("%d loads kept, want at most %d", len(r.byTok), undoKept)
	}
	if _, ok := r.get(tok, now); ok {
		t.Error("the oldest load is still kept")
	}
}
