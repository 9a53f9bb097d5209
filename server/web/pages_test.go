package web

import (
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"turnwise/planner/calendar"
	"turnwise/server/floor"
)

// get fetches a page from a handler and parses it.
func get(t *testing.T, h http.Handler, url string) (*httptest.ResponseRecorder, *html.Node) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", url, nil))
	doc, err := html.Parse(strings.NewReader(w.Body.String()))
	if err != nil {
		t.Fatalf("%s: %v", url, err)
	}
	return w, doc
}

// all returns the elements for which pick is true.
func all(n *html.Node, pick func(*html.Node) bool) []*html.Node {
	var list []*html.Node
	for e := range n.Descendants() {
		if e.Type == html.ElementNode && pick(e) {
			list = append(list, e)
		}
	}
	return list
}

func named(name string) func(*html.Node) bool {
	return func(n *html.Node) bool { return n.Data == name }
}

func classed(class string) func(*html.Node) bool {
	return func(n *html.Node) bool {
		for _, c := range strings.Fields(attr(n, "class")) {
			if c == class {
				return true
			}
		}
		return false
	}
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	var b strings.Builder
	for e := range n.Descendants() {
		if e.Type == html.TextNode {
			b.WriteString(e.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func handler(t *testing.T, f *fakeFloor, o Options) http.Handler {
	t.Helper()
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	h, err := New(f, o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// strangeMill has everything that a page must stand: hostile names, no words,
// machines never heard, orders without forecast or promise.
func strangeMill() *fakeFloor {
	f := mill()
	evil := `<script>alert("x")</script>'"&\ ` + strings.Repeat("long", 30)
	m, th, task, order := &f.machines[0], &f.shift.Threads[0], &f.tasks[2], &f.orders[0]
	m.ID, m.Name, m.Label, m.Problem, m.Order, m.Card, m.Set = "a/b ?#&", evil, evil, evil, evil, evil, evil
	m.Entry.Structures = []string{evil}
	th.Machine, th.Name, th.Label, th.Why = m.ID, evil, evil, evil
	for i := range th.Segments {
		th.Segments[i].Cause.Letter, th.Segments[i].Cause.Word = "<b>", evil
	}
	f.shift.Groups[0].Letter = "<i>"
	f.shift.Name = evil
	task.ID, task.Machine, task.Name, task.YarnName = evil, m.ID, evil, evil
	task.Window.Lot, task.Window.Tip, task.Window.Group = evil, evil, evil
	order.ID, order.ArticleName, order.Outlook.Why = evil, evil, []string{evil}
	order.Outlook.Yarn[0].Lot = evil
	f.orders[1].Outlook.Finish.Refused = "no knit card on K07 " + evil
	f.orders[2].Promise = time.Time{}
	f.machines[1] = floor.MachineView{ID: "new"}
	f.shift.Threads[1] = floor.Thread{Machine: "new", RunShare: math.NaN(), LostKg: math.NaN()}
	f.tasks[3].Window, f.tasks[3].Machine = nil, "new"
	for i := range f.orders {
		for j, job := range f.orders[i].Outlook.Jobs {
			switch job.Machine {
			case "k01":
				f.orders[i].Outlook.Jobs[j].Machine = m.ID
			case "k02":
				f.orders[i].Outlook.Jobs[j].Machine = "new"
			}
		}
	}
	f.tasks[4].RollNumber, f.tasks[4].RollKg = 0, 0
	return f
}

// everyPage lists pages of a floor with their queries.
func everyPage(f *fakeFloor) []string {
	list := []string{"/runs", "/runs?sort=stops", "/runs?sort=number", "/runs?at=2026-11-22T10:00", "/runs?at=nonsense", "/creel", "/creel?set=A", "/creel?machines=K01,k02",
		"/creel?machines=nobody", "/creel?set=A,B", "/creel?set=A&set=B", "/creel?machines=k01&machines=k02", "/promises", "/promises?risk=80", "/promises?risk=50&order=SO-1044", "/promises?order=none",
		"/loading", "/loading?c=move+SO-1052+K02", "/loading?c=move+SO-1052+K02&c2=split+SO-1041+K05+200&c3=nonsense", "/loading?kept=7", "/alarms", "/records"}
	for _, m := range f.Machines() {
		list = append(list, "/m/"+strings.ReplaceAll(strings.ReplaceAll(strings.ReplaceAll(strings.ReplaceAll(m.ID, "/", "%2F"), " ", "%20"), "?", "%3F"), "#", "%23"))
	}
	return list
}

// TestStructure holds every page against the rules that all pages share.
func TestStructure(t *testing.T) {
	for name, f := range map[string]*fakeFloor{"mill": mill(), "fifty": bigMill(50), "none": emptyMill(), "strange": strangeMill()} {
		o := millOptions(f)
		if name == "none" {
			o = Options{Now: o.Now}
		}
		h := handler(t, f, o)
		for _, url := range everyPage(f) {
			t.Run(name+url, func(t *testing.T) {
				w, doc := get(t, h, url)
				if w.Code != http.StatusOK {
					t.Fatalf("status %d: %s", w.Code, w.Body)
				}
				checkHeaders(t, w)
				checkDocument(t, doc)
			})
		}
	}
}

func checkHeaders(t *testing.T, w *httptest.ResponseRecorder) {
	t.Helper()
	csp := w.Header().Get("Content-Security-Policy")
	if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
		t.Errorf("policy %q: want default-src 'none' and nothing unsafe", csp)
	}
	for k, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "no-store"} {
		if got := w.Header().Get(k); got != want {
			t.Errorf("%s is %q, want %q", k, got, want)
		}
	}
}

func checkDocument(t *testing.T, doc *html.Node) {
	t.Helper()
	for _, name := range []string{"h1", "main", "header"} {
		if n := len(all(doc, named(name))); n != 1 {
			t.Errorf("%d elements <%s>, want one", n, name)
		}
	}
	ids := map[string]bool{}
	for _, e := range all(doc, func(n *html.Node) bool { return attr(n, "id") != "" }) {
		if id := attr(e, "id"); ids[id] || strings.ContainsAny(id, " <>\"'/") {
			t.Errorf("id %q is doubled or unsafe", id)
		}
		ids[attr(e, "id")] = true
	}
	for _, e := range all(doc, func(*html.Node) bool { return true }) {
		for _, a := range e.Attr {
			if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
				t.Errorf("<%s> has the inline attribute %s", e.Data, a.Key)
			}
		}
		switch e.Data {
		case "script":
			if attr(e, "src") == "" || text(e) != "" {
				t.Errorf("inline script %q", text(e))
			}
		case "style", "b>", "i>":
			t.Errorf("element <%s> is not ours", e.Data)
		case "svg":
			named := attr(e, "role") == "img" && attr(e, "aria-labelledby") != ""
			if attr(e, "aria-hidden") != "true" && !named {
				t.Error("a picture is neither hidden from screen readers nor named for them")
			}
		case "table":
			if len(all(e, named("caption"))) != 1 {
				t.Errorf("table %.60q has no caption", text(e))
			}
		case "th":
			if attr(e, "scope") == "" {
				t.Errorf("head cell %q has no scope", text(e))
			}
		case "nav":
			if attr(e, "aria-label") == "" {
				t.Errorf("nav %q has no label", text(e))
			}
		case "a":
			if text(e) == "" {
				t.Errorf("link to %s has no words", attr(e, "href"))
			}
		}
	}
	skip := all(doc, classed("skip"))
	if len(skip) != 1 || !ids[strings.TrimPrefix(attr(skip[0], "href"), "#")] {
		t.Error("the skip link leads nowhere")
	}
	for _, class := range []string{"big", "lost", "rs", "kg", "pd"} {
		for _, e := range all(doc, classed(class)) {
			if e.Parent != nil && attr(e.Parent, "aria-hidden") == "true" {
				continue // the head of the columns
			}
			if len(all(e, classed("o"))) == 0 {
				t.Errorf("figure %q of class %s has no origin letter", text(e), class)
			}
		}
	}
	for _, e := range all(doc, named("dd")) {
		if s := text(e); s != "" && len(all(e, classed("o"))) == 0 && !regexp.MustCompile(`^[A-Z]?[a-z]* ?[0-9]{2}:[0-9]{2}$`).MatchString(s) {
			t.Errorf("figure %q has no origin letter", s)
		}
	}
}

// TestLinks follows every link of the mill's pages.
func TestLinks(t *testing.T) {
	f := strangeMill()
	h := handler(t, f, millOptions(f))
	// Alarms and plans of the fakes name what the strange mill does not have.
	seen := map[string]bool{"/m/k01": true, "/m/k02": true, "/o/SO-1041": true, "/o/SO-1052": true}
	for _, url := range everyPage(f) {
		_, doc := get(t, h, url)
		for _, e := range all(doc, func(n *html.Node) bool { return n.Data == "a" || n.Data == "link" || n.Data == "script" }) {
			to := attr(e, "href") + attr(e, "src")
			to, _, _ = strings.Cut(to, "#")
			if to == "" || seen[to] {
				continue
			}
			seen[to] = true
			if w, _ := get(t, h, to); w.Code != http.StatusOK {
				t.Errorf("%s links to %s: status %d", url, to, w.Code)
			}
		}
	}
	if len(seen) < 30 {
		t.Errorf("only %d links followed", len(seen))
	}
}

func TestAddresses(t *testing.T) {
	f := mill()
	h := handler(t, f, Options{Now: func() time.Time { return f.now }})
	tests := []struct {
		method, url string
		want        int
	}{
		{"GET", "/", http.StatusSeeOther},
		{"GET", "/healthz", http.StatusOK},
		{"GET", "/shift", http.StatusNotFound}, // not built, so not there
		{"GET", "/m/k99", http.StatusNotFound},
		{"GET", "/static/turnwise.css", http.StatusNotFound}, // only under its digest
		{"GET", "/events?page=books", http.StatusNotFound},
		{"POST", "/creel/tap", http.StatusNotFound}, // no hook, no address
	}
	for _, tt := range tests {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(tt.method, tt.url, nil))
		if w.Code != tt.want {
			t.Errorf("%s %s: status %d, want %d", tt.method, tt.url, w.Code, tt.want)
		}
	}
	if w, _ := get(t, h, "/creel"); strings.Contains(w.Body.String(), `name="act"`) {
		t.Errorf("buttons without a hook that records taps: %s", w.Body)
	}
	if w, _ := get(t, h, "/shift"); !strings.Contains(w.Body.String(), "There is no such page") {
		t.Errorf("the page for a wrong address does not say so: %s", w.Body)
	}
}

// TestTrouble: a fault behind a page is an id for people and a line in the log.
func TestTrouble(t *testing.T) {
	f := mill()
	f.err = fmt.Errorf("disk of /secret/place is full")
	var logged strings.Builder
	o := millOptions(f)
	o.Log = slog.New(slog.NewTextHandler(&logged, nil))
	h := handler(t, f, o)
	for _, url := range []string{"/runs", "/creel", "/promises", "/m/k01"} {
		w, doc := get(t, h, url)
		if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%s: status %d, body %q: want 500 without the cause", url, w.Code, text(doc))
		}
	}
	if n := strings.Count(logged.String(), "secret/place"); n != 4 {
		t.Errorf("the cause is %d times in the log, want 4:\n%s", n, logged.String())
	}
}

func TestStatic(t *testing.T) {
	f := emptyMill()
	h := handler(t, f, millOptions(f))
	_, doc := get(t, h, "/runs")
	css := attr(all(doc, named("link"))[0], "href")
	w, _ := get(t, h, css)
	if got := w.Header().Get("Cache-Control"); !strings.Contains(got, "immutable") {
		t.Errorf("%s: cache control %q, want immutable", css, got)
	}
	if got := w.Header().Get("Content-Type"); got != "text/css; charset=utf-8" {
		t.Errorf("%s: type %q", css, got)
	}
}

// TestContrast calculates the contrast of every pair of ink and ground that
// the style sheet uses for words, by the formula of WCAG 2.2 (relative
// luminance), in both modes. Words need 4.5, lines that tell something 3.
func TestContrast(t *testing.T) {
	css, err := staticFiles.ReadFile("static/turnwise.css")
	if err != nil {
		t.Fatal(err)
	}
	light, rest, _ := strings.Cut(string(css), "@media (prefers-color-scheme:dark)")
	dark, _, _ := strings.Cut(rest, "@media (prefers-contrast:more)")
	colours := func(s string) map[string]string {
		m := map[string]string{}
		for _, f := range regexp.MustCompile(`--([a-z0-9-]+):\s*(#[0-9a-f]{6})`).FindAllStringSubmatch(s, -1) {
			m[f[1]] = f[2]
		}
		return m
	}
	for mode, c := range map[string]map[string]string{"light": colours(light), "dark": colours(dark)} {
		for _, p := range []struct {
			ink, ground string
			least       float64
		}{
			{"ink", "paper", 7}, {"ink-2", "paper", 4.5}, {"ink", "sheet", 7}, {"ink-2", "sheet", 4.5}, {"on-blue", "blue", 4.5}, {"on-red", "red", 4.5},
			{"yellow-ink", "paper", 4.5}, {"edge", "paper", 3}, {"focus", "paper", 3}, {"blue", "paper", 3}, {"red", "paper", 3},
		} {
			if got := contrast(t, c[p.ink], c[p.ground]); got < p.least {
				t.Errorf("%s: %s %s on %s %s has a contrast of %.2f, want %.1f", mode, p.ink, c[p.ink], p.ground, c[p.ground], got, p.least)
			}
		}
	}
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	lum := func(s string) float64 {
		if len(s) != 7 {
			t.Fatalf("colour %q is not written as #rrggbb", s)
		}
		l := 0.0
		for i, w := range []float64{.2126, .7152, .0722} {
			v, err := strconv.ParseUint(s[1+2*i:3+2*i], 16, 8)
			if err != nil {
				t.Fatal(err)
			}
			x := float64(v) / 255
			if x <= .04045 {
				x /= 12.92
			} else {
				x = math.Pow((x+.055)/1.055, 2.4)
			}
			l += w * x
		}
		return l
	}
	x, y := lum(a), lum(b)
	return (max(x, y) + .05) / (min(x, y) + .05)
}

// TestSaysWhatItSees checks a few figures against the floor that was drawn.
func TestSaysWhatItSees(t *testing.T) {
	f := mill()
	h := handler(t, f, millOptions(f))
	_, doc := get(t, h, "/runs")
	want := fmt.Sprintf("%.1f%%", 100*f.shift.RunShare)
	if got := text(all(doc, classed("big"))[0]); !strings.HasPrefix(got, want) {
		t.Errorf("run share %q, want %s", got, want)
	}
	rows := all(doc, classed("row"))[1:]
	if len(rows) != 14 {
		t.Fatalf("%d threads, want 14", len(rows))
	}
	for _, r := range rows {
		s := text(r)
		if strings.HasPrefix(s, "K09") && (!strings.Contains(s, "alarm silent since 09:00") || !strings.Contains(s, "k+?")) {
			t.Errorf("a silent machine is not told: %q", s)
		}
	}
	_, doc = get(t, h, "/runs?sort=number")
	if first := text(all(doc, classed("row"))[1]); !strings.HasPrefix(first, "K01") {
		t.Errorf("by number %.10q comes first, want K01", first)
	}
	_, doc = get(t, h, "/creel?set=A")
	if n := len(all(doc, classed("act1"))); n != 1 {
		t.Errorf("%d rows in blue, want one", n)
	}
	if n := len(all(doc, classed("top"))); n != 4 { // the head of the page is one of them
		t.Errorf("%d large rows, want three", n-1)
	}
	if open := all(doc, func(n *html.Node) bool { return classed("more")(n) && hasAttr(n, "open") }); len(open) != 0 {
		t.Errorf("%d tasks open, want none: the row says it all", len(open))
	}
	_, doc = get(t, h, "/m/k09")
	if s := text(all(doc, classed("big"))[0]); !strings.Contains(s, "not known") {
		t.Errorf("the figure of a machine that is not heard reads %q", s)
	}
	if s := text(all(doc, classed("state"))[0]); !strings.Contains(s, "No data since 09:00") || strings.Contains(s, "Stopped") {
		t.Errorf("a machine that is not heard reads %q", s)
	}
}

func hasAttr(n *html.Node, key string) bool {
	for _, a := range n.Attr {
		if a.Key == key {
			return true
		}
	}
	return false
}

// BenchmarkRuns draws the page of fifty machines with all its parts, as every
// second at most for all who look at it.
func BenchmarkRuns(b *testing.B) {
	f := bigMill(50)
	s, err := open(f, millOptions(f))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		v, err := s.runs(b.Context(), nil, f.now)
		if err != nil {
			b.Fatal(err)
		}
		v.Name = "runs"
		if _, err := s.render(v, f.now); err != nil {
			b.Fatal(err)
		}
	}
}

// TestPast: a page of an earlier shift stands still.
func TestPast(t *testing.T) {
	f := mill()
	f.shift.From, f.shift.To, f.shift.Now = monday(-2, 0), monday(6, 0), monday(6, 0)
	h := handler(t, f, millOptions(f))
	_, doc := get(t, h, "/runs?at=2026-11-23T05:00")
	body := all(doc, named("body"))[0]
	if s := attr(body, "data-stream"); s != "" {
		t.Errorf("an earlier shift has the live stream %q", s)
	}
	if s := text(doc); !strings.Contains(s, "shift after") {
		t.Error("no way back from an earlier shift")
	}
}

func TestCalendarEmpty(t *testing.T) {
	f := mill()
	f.shift.Name = ""
	o := millOptions(f)
	o.Calendar = calendar.Calendar{Zone: istanbul}
	h := handler(t, f, o)
	if _, doc := get(t, h, "/promises"); len(all(doc, classed("sun"))) != 0 {
		t.Error("a mill without a calendar is drawn as closed")
	}
	if _, doc := get(t, h, "/runs"); !strings.Contains(text(doc), "Outside the calendar") {
		t.Error("time outside the calendar is not called that")
	}
}
