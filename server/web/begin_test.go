package web

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"turnwise/server/store"
)

// The page of loading lists planned jobs that are to begin, and a press says that one does;
// it can be taken back, and what cannot be is told in words.
func TestBeginOnThePage(t *testing.T) {
	f := mill()
	o := millOptions(f)
	var asked []string
	o.BeginJob = func(_ context.Context, machine, order string) error {
		asked = append(asked, machine+" "+order)
		if order == "SO-X" {
			return fmt.Errorf("order SO-X is not planned on machine k01: %w; planned there: nothing", store.ErrNotFound)
		}
		return nil
	}
	h, err := New(f, o)
	if err != nil {
		t.Fatal(err)
	}
	get := func(path string) string {
		t.Helper()
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, w.Code)
		}
		return w.Body.String()
	}
	page := get("/loading")
	if n := strings.Count(page, `action="/loading/begin"`); n == 0 || n > mostBegins || !strings.Contains(page, "not told yet") {
		t.Fatalf("%d jobs to begin, or none overdue", n)
	}
	if strings.Contains(get("/loading?c=move+SO-1052+K02"), "/loading/begin") {
		t.Error("a trial offers to begin jobs")
	}
	post := poster(h)
	w := post("/loading/begin", url.Values{"machine": {"k01"}, "order": {"SO-1052"}})
	if w.Code != http.StatusSeeOther || len(asked) != 1 || asked[0] != "k01 SO-1052" {
		t.Fatalf("%d, asked %v", w.Code, asked)
	}
	if told := get(w.Header().Get("Location")); !strings.Contains(told, "SO-1052 begins on K01") || !strings.Contains(told, `action="/loading/wait"`) {
		t.Error("what was written is not told, or cannot be taken back")
	}
	if w = post("/loading/wait", url.Values{"machine": {"k01"}}); w.Code != http.StatusSeeOther || asked[1] != "k01 " {
		t.Errorf("taken back: %d, asked %v", w.Code, asked)
	}
	if w = post("/loading/begin", url.Values{"machine": {"k01"}, "order": {"SO-X"}}); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "not planned on machine k01") {
		t.Errorf("a job that is not planned: %d %s", w.Code, w.Body)
	}
	o.BeginJob = nil
	if h, err = New(f, o); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(get("/loading"), "/loading/begin") {
		t.Error("buttons without anybody who writes")
	}
}
