package web

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"turnwise/server/floor"
	"turnwise/server/store"
)

// line is what lies between a phone and the server.
type line struct {
	cut  atomic.Bool  // nothing passes
	deaf atomic.Int32 // so many taps reach the server whose answers are lost
	sick atomic.Bool  // the server is reached and cannot take a tap
}

func (l *line) through(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if l.cut.Load() {
			panic(http.ErrAbortHandler)
		}
		if r.Method == http.MethodPost && l.sick.Load() {
			http.Error(w, "the disk is full", http.StatusServiceUnavailable)
			return
		}
		if r.Method == http.MethodPost && l.deaf.Add(-1) >= 0 {
			next.ServeHTTP(httptest.NewRecorder(), r)
			panic(http.ErrAbortHandler)
		}
		next.ServeHTTP(w, r)
	})
}

// phone is a browser of 390 px on the creel round of set A.
type phone struct {
	t   *testing.T
	ctx context.Context
	f   *fakeFloor
	b   *record
	l   *line
	url string
}

func newPhone(t *testing.T) *phone {
	t.Helper()
	p := &phone{t: t, ctx: browser(t), f: mill(), b: &record{}, l: &line{}}
	p.f.shift.Threads = nil // the pages of a tender need none
	o := millOptions(p.f)
	o.Tap = p.b.tap
	h, err := New(p.f, o)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(p.l.through(h))
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	p.url = srv.URL + "/creel?set=A"
	p.do(chromedp.EmulateViewport(390, 800), chromedp.Navigate(p.url))
	p.see("the page is live", `document.getElementById("live").textContent === "live"`)
	return p
}

func (p *phone) do(a ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, a...); err != nil {
		p.t.Fatal(err)
	}
}

func (p *phone) see(what, script string) { p.t.Helper(); eventually(p.t, p.ctx, what, script) }

func (p *phone) text(script string) string {
	p.t.Helper()
	s, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](script))
	if err != nil {
		p.t.Fatal(err)
	}
	return s
}

// row selects the row of a task.
func row(task string) string { return "#" + domID("t", task) }

func (p *phone) press(selector string) {
	p.t.Helper()
	// To the middle first: at the lower edge the strip lies over it.
	p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).scrollIntoView({block: "center"})`, selector)), chromedp.Click(chromedp.CSS(selector)))
}

func (p *phone) state(task, want string) {
	p.t.Helper()
	p.see(task+" is shown as "+want, fmt.Sprintf(`(() => { const b = document.querySelector(%q); return b && b.dataset.state === %q && b.textContent.trim() === %[2]q })()`, row(task)+" .bx", want))
}

// counted waits until the server has counted these taps, in this order.
func (p *phone) counted(want ...string) {
	p.t.Helper()
	for range 200 {
		if len(p.b.told()) >= len(want) {
			break
		}
		p.do(chromedp.Sleep(50 * time.Millisecond))
	}
	if got := p.b.told(); !slices.Equal(got, want) {
		p.t.Fatalf("the server counted %q, want %q", got, want)
	}
}

// lineCut says it in the words of older browsers too: up to Chromium 148 at the least the
// command itself must tell whether there is a line, later each of its rules does.
type lineCut struct {
	network.EmulateNetworkConditionsByRuleParams
	Offline bool `json:"offline"`
}

var cutByRule = cdp.Command[lineCut, network.EmulateNetworkConditionsByRuleResult]{Method: network.EmulateNetworkConditionsByRule.Method}

// offline cuts the line, for the page and for its service worker.
func (p *phone) offline(is bool) {
	p.t.Helper()
	p.l.cut.Store(is)
	p.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, cutByRule, lineCut{network.EmulateNetworkConditionsByRuleParams{
			EmulateOfflineServiceWorker: &is,
			MatchedNetworkConditions:    []*network.Conditions{{Offline: is, DownloadThroughput: -1, UploadThroughput: -1}},
		}, is})
		if err != nil {
			return err
		}
		_, err = cdp.Call(ctx, t, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: is, DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
}

const (
	stopK04 = "stop/k04/1"
	doffK06 = "doff/k06/114"
	doffK05 = "doff/k05/62"
	creelK3 = "creel/k03/ground/77"
)

// TestGloves presses what a tender presses: the row, undo, only half, half with
// a count, take, the fixer.
func TestGloves(t *testing.T) {
	p := newPhone(t)
	said := complaints(t, p.ctx)
	p.press(row(doffK06) + " .hit")
	p.state(doffK06, store.TaskDone)
	p.see("the strip offers to take it back", `document.getElementById("bar-text").textContent === "K06 done" && document.getElementById("bar-half").hidden`)
	p.see("the device says so", `document.getElementById("said").textContent === "K06 done."`)
	p.press(row(doffK06) + " .hit") // a glove bounces
	p.press("#bar-undo")
	p.state(doffK06, store.TaskDue)
	p.see("the strip says that it was taken back", `document.getElementById("bar-text").textContent === "K06 taken back"`)
	p.counted(doffK06+" done", doffK06+" undo")

	p.press(row(creelK01) + " .hit")
	p.see("the strip tells the cones", `document.getElementById("bar-text").textContent === "K01 done, 90 cones"`)
	p.press("#bar-half")
	p.state(creelK01, store.TaskHalf)

	p.press(row(creelK02) + " summary")
	for range 2 {
		p.press(row(creelK02) + ` [data-step="-1"]`)
	}
	p.press(row(creelK02) + ` .open [value="half"]`)
	p.state(creelK02, store.TaskHalf)

	p.press(row(creelK3) + " summary")
	p.press(row(creelK3) + ` .open [value="take"]`)
	p.state(creelK3, store.TaskTaken)
	p.press(row(stopK04) + " summary")
	p.press(row(stopK04) + ` .open [value="fixer"]`)
	p.see("the row tells when the fixer was called", fmt.Sprintf(`document.querySelector(%q).textContent.includes("Fixer called 10:4")`, row(stopK04)+" .tx"))
	p.press(row(stopK04) + " summary")
	p.press(row(stopK04) + ` .open [value="fixer"]`) // the same call
	p.counted(doffK06+" done", doffK06+" undo", creelK01+" done", creelK01+" undo", creelK01+" half 45", creelK02+" half 43", creelK3+" take", stopK04+" fixer")
	heard, taps := p.b.sent()
	if heard != 8 {
		t.Errorf("%d taps were sent, want 8", heard)
	}
	for i, tap := range taps {
		if d := tap.At.Sub(p.f.now); d < -time.Minute || d > 3*time.Minute {
			t.Errorf("tap %d is of %v: the clock of the mill says %v", i, tap.At, p.f.now)
		}
		if i > 0 && tap.At.Before(taps[i-1].At) {
			t.Errorf("tap %d is of before the one before it", i)
		}
	}
	if got := said(); len(got) > 0 {
		t.Errorf("the console says %q", got)
	}
}

// TestWrongLot: cones of another lot stop the tender in words, with both lots,
// before the machine knits them; nothing is shown as done.
func TestWrongLot(t *testing.T) {
	p := newPhone(t)
	p.b.refuses(func(t Tap) error {
		if t.Lot != "" && t.Lot != "L-417" {
			return fmt.Errorf("lot %s on K01: %w: ground takes lot L-417 now; change the cones", t.Lot, floor.ErrLot)
		}
		return nil
	})
	p.press(row(creelK01) + " summary")
	p.do(chromedp.SendKeys(chromedp.CSS(row(creelK01)+` [name="lot"]`), "L-433"+kb.Enter)) // as a scanner types
	p.see("the whole screen says stop", `document.getElementById("stop").open && document.getElementById("stop").getBoundingClientRect().height > 780`)
	if got := p.text(`["stop-head", "stop-have", "stop-want", "stop-text"].map(id => document.getElementById(id).textContent).join("|")`); got !=
		"Wrong lot at K01|L-433|L-417|Do not start. Take these cones off and fetch lot L-417. Only the shift supervisor can release lot L-433." {
		t.Errorf("it says %q", got)
	}
	p.press("#stop-seen")
	p.state(creelK01, store.TaskDue)
	p.see("it stays written until it was seen", `document.querySelector("#refused .strip")?.textContent.includes("The machine takes: L-417") === true`)
	p.do(chromedp.Reload())
	p.see("also when the page is opened anew", `document.querySelectorAll("#refused .strip").length === 1`)
	p.press("#refused button")
	p.see("then it goes", `document.getElementById("refused").hidden`)
	p.press(row(creelK01) + " summary")
	p.do(chromedp.SetValue(chromedp.CSS(row(creelK01)+` [name="lot"]`), "l-417"))
	p.press(row(creelK01) + ` .open [value="done"]`)
	p.state(creelK01, store.TaskDone)
	p.counted(creelK01 + " done")
	if _, taps := p.b.sent(); taps[0].Lot != "L-417" {
		t.Errorf("recorded lot %q", taps[0].Lot)
	}
}

// TestLotWarning: where the mill's rule lets another lot pass, the tap counts and
// the page says to look.
func TestLotWarning(t *testing.T) {
	p := newPhone(t)
	p.press(row(creelK01) + " summary")
	p.do(chromedp.SendKeys(chromedp.CSS(row(creelK01)+` [name="lot"]`), "L-418"+kb.Enter))
	p.counted(creelK01 + " done")
	p.see("it says to look", `document.querySelector("#refused .strip")?.textContent.startsWith("Look at the lot at K01, done 10:4") === true`)
	p.state(creelK01, store.TaskDone)
	p.press(row(stopK04) + " summary")
	p.press(row(stopK04) + ` .open [value="out"]`)
	p.counted(creelK01+" done", stopK04+" done 1")
}

// TestWithoutLine: taps made without a line are kept, also when the page is
// opened anew, and reach the server once each and in their order, although an
// answer is lost on the way.
func TestWithoutLine(t *testing.T) {
	p := newPhone(t)
	p.see("the page is kept on the device", `document.getElementById("round").dataset.keeps === "yes"`)
	p.offline(true)
	p.press(row(doffK06) + " .hit")
	p.press(row(creelK02) + " summary")
	p.press(row(creelK02) + ` .open [value="half"]`)
	p.press(row(stopK04) + " summary")
	p.press(row(stopK04) + ` .open [value="fixer"]`)
	p.see("the strip tells since when and how many", `/^No line since 10:4\d\. 3 taps kept\.$/.test(document.getElementById("line").textContent)`)

	p.do(chromedp.Navigate("about:blank"), chromedp.Navigate(p.url)) // the phone closed the page
	p.see("the kept list is shown as kept", `document.body.hasAttribute("data-kept") && /^No line since 10:40\. 3 taps kept\.$/.test(document.getElementById("line").textContent)`)
	p.state(doffK06, store.TaskDone)
	p.state(creelK02, store.TaskHalf)
	p.press(row(doffK05) + " .hit")
	p.press("#bar-undo")
	p.press(row(creelK01) + " .hit")
	p.see("six taps are kept", `document.getElementById("line").textContent.endsWith("6 taps kept.")`)
	if n, _ := p.b.sent(); n != 0 {
		t.Fatalf("%d taps came through a line that is cut", n)
	}
	p.b.refuses(func(t Tap) error {
		if t.Task == creelK01 {
			return fmt.Errorf("task is done: %w: it was told before and counts once; go to the next one", store.ErrTask)
		}
		return nil
	})
	p.l.deaf.Store(2) // the first answers are lost
	p.offline(false)
	p.see("the strip goes when all is sent", `document.getElementById("line").hidden`)
	want := []string{doffK06 + " done", creelK02 + " half 45", stopK04 + " fixer", doffK05 + " done", doffK05 + " undo"}
	p.counted(want...)
	p.see("what was refused is told in words", `document.querySelector("#refused .strip")?.textContent.includes("Not recorded at K01, done 10:4") === true && document.querySelector("#refused .strip")?.textContent.includes("It was told before and counts once")`)
	heard, _ := p.b.sent()
	if heard != len(want)+3 { // a refusal, and twice one whose answer was lost
		t.Errorf("%d taps came, want %d", heard, len(want)+3)
	}
	p.do(chromedp.Reload())
	p.see("a refusal stays over a new start of the page, and nothing is sent again", `document.querySelectorAll("#refused .strip").length === 1 && document.getElementById("live").textContent === "live" && document.getElementById("line").hidden`)
	if n, _ := p.b.sent(); n != heard {
		t.Errorf("%d taps came after all were answered", n-heard)
	}
}

// TestServerCannot: a server that answers and cannot write is not a line that is cut.
func TestServerCannot(t *testing.T) {
	p := newPhone(t)
	p.l.sick.Store(true)
	p.press(row(doffK06) + " .hit")
	p.see("it says whose fault it is", `/^The server cannot take taps since 10:4\d\. 1 tap kept\.$/.test(document.getElementById("line").textContent)`)
	p.state(doffK06, store.TaskDone)
	p.l.sick.Store(false)
	p.counted(doffK06 + " done")
	p.see("the strip goes", `document.getElementById("line").hidden`)
}

// TestSentWithThePageClosed: the browser has the worker send what was kept, in order
// and once, and what was refused stands there when the page is opened again.
func TestSentWithThePageClosed(t *testing.T) {
	p := newPhone(t)
	registered := make(chan serviceworker.RegistrationID, 16)
	if err := chromedp.Listen(p.ctx, func(ev any) {
		if u, ok := ev.(*serviceworker.EventWorkerRegistrationUpdated); ok && len(u.Registrations) > 0 {
			select {
			case registered <- u.Registrations[0].RegistrationID:
			default:
			}
		}
	}); err != nil {
		t.Fatal(err)
	}
	p.see("the page is kept on the device, and says when taps are sent", `document.getElementById("round").dataset.keeps === "yes" && document.getElementById("lacks").textContent === "Works 24 hours without a line: list and taps stay on this device. They are sent as soon as there is a line, also with the page closed."`)
	p.do(chromedp.Func(func(ctx context.Context, c *chromedp.Target) error {
		_, err := cdp.Call(ctx, c, serviceworker.Enable, cdp.Empty{})
		return err
	}))
	p.offline(true)
	p.press(row(doffK06) + " .hit")
	p.press(row(creelK01) + " .hit")
	p.press(row(doffK05) + " .hit")
	p.see("three taps are kept", `document.getElementById("line").textContent.endsWith("3 taps kept.")`)
	p.do(chromedp.Navigate("about:blank")) // the page is closed
	p.b.refuses(func(t Tap) error {
		if t.Task == creelK01 {
			return fmt.Errorf("task is done: %w: it was told before and counts once; go to the next one", store.ErrTask)
		}
		return nil
	})
	p.l.deaf.Store(1) // the first answer is lost
	p.offline(false)
	origin := strings.TrimSuffix(p.url, "/creel?set=A") + "/"
	id := <-registered
	for range 2 { // the second call sends what the first could not
		p.do(chromedp.Func(func(ctx context.Context, c *chromedp.Target) error {
			_, err := cdp.Call(ctx, c, serviceworker.DispatchSyncEvent, serviceworker.DispatchSyncEventParams{Origin: origin, RegistrationID: id, Tag: "taps"})
			return err
		}))
	}
	p.counted(doffK06+" done", doffK05+" done")
	heard, _ := p.b.sent()
	p.do(chromedp.Navigate(p.url))
	p.see("what was refused meanwhile is told", `document.querySelector("#refused .strip")?.textContent.includes("Not recorded at K01, done 10:4") === true && document.getElementById("line").hidden`)
	if n, _ := p.b.sent(); n != heard || heard != 4 {
		t.Errorf("%d taps came with the page closed and %d after, want 4 and none", heard, n-heard)
	}
}

// TestLater: who changes cones early finds the task under the walks and tells it.
func TestLater(t *testing.T) {
	p := newPhone(t)
	const early = "creel/k02/ground/99"
	late := p.f.tasks[3]
	late.ID, late.Due = early, p.f.now.Add(9*time.Hour)
	p.f.change(func() { p.f.tasks = append(slices.Clone(p.f.tasks), late) })
	p.see("it is folded", fmt.Sprintf(`document.querySelector(%q) !== null && !document.querySelector("details.later").open`, "#rail-later "+row(early)))
	p.do(chromedp.Reload()) // what has just moved under the finger takes no press
	p.press("details.later > summary")
	p.press(row(early) + " .hit")
	p.state(early, store.TaskDone)
	p.counted(early + " done")
}

// TestWithoutTLS: an address that browsers hold for unsafe has no service worker;
// the page works and says what it lacks.
func TestWithoutTLS(t *testing.T) {
	p := newPhone(t)
	unsafe := strings.Replace(p.url, "127.0.0.1", "mill.test", 1) // browser() sends all of .test to this computer
	p.do(chromedp.Navigate(unsafe))
	p.see("the page is live", `document.getElementById("live").textContent === "live" && !window.isSecureContext`)
	p.see("it says what it lacks", `document.getElementById("lacks").textContent.startsWith("This address has no TLS: without a line the page cannot be opened anew.")`)
	p.press(row(doffK06) + " .hit")
	p.counted(doffK06 + " done")
	p.offline(true)
	p.press(row(doffK05) + " .hit")
	p.see("a tap is kept", `document.getElementById("line").textContent.endsWith("1 tap kept.")`)
	p.offline(false)
	p.counted(doffK06+" done", doffK05+" done")
}

// TestKeyboard walks the round without a mouse: to a row, done, undo, and
// into the panel of another one.
func TestKeyboard(t *testing.T) {
	p := newPhone(t)
	at := func() string {
		return p.text(`(document.activeElement.id || document.activeElement.value || "") + "|" + document.activeElement.textContent.trim().replace(/\s+/g, " ")`)
	}
	tabTo := func(what string, found func(string) bool) {
		t.Helper()
		var path []string
		for range 60 {
			p.do(chromedp.KeyEvent(kb.Tab))
			s := at()
			if path = append(path, s); found(s) {
				return
			}
		}
		t.Fatalf("the keyboard never comes to %s; it went %q", what, path)
	}
	p.do(chromedp.KeyEvent(kb.Tab))
	if s := at(); s != "|To the content" {
		t.Errorf("the first stop of the keyboard is %q, want the skip link", s)
	}
	tabTo("the row of K06", func(s string) bool { return strings.HasPrefix(s, "done|4K06") })
	if p.text(`getComputedStyle(document.activeElement).outlineStyle`) == "none" {
		t.Error("the focus cannot be seen")
	}
	p.do(chromedp.KeyEvent(kb.Enter))
	p.state(doffK06, store.TaskDone)
	tabTo("undo", func(s string) bool { return strings.HasPrefix(s, "bar-undo|") })
	p.do(chromedp.KeyEvent(kb.Enter))
	p.state(doffK06, store.TaskDue)
	p.see("the focus is back on the row when the strip goes", fmt.Sprintf(`document.getElementById("bar").hidden && document.activeElement === document.querySelector(%q)`, row(doffK06)+" .hit"))
	tabTo("the panel of K01", func(s string) bool { return s == "|More about K01, Creel" })
	p.do(chromedp.KeyEvent(" "))
	tabTo("I go there", func(s string) bool { return s == "take|I go there, to K01" })
	p.do(chromedp.KeyEvent(kb.Enter))
	p.state(creelK01, store.TaskTaken)
	p.counted(doffK06+" done", doffK06+" undo", creelK01+" take")
}

// TestQuiet: with nothing due the page is quiet, and a call that comes is told
// once to who asked for it, without a count.
func TestQuiet(t *testing.T) {
	p := newPhone(t)
	stop := p.f.tasks[0]
	p.press("#bell")
	p.see("the switch tells its state", `document.getElementById("bell").getAttribute("aria-pressed") === "true"`)
	p.f.change(func() { p.f.tasks = p.f.tasks[4:] })
	p.see("what is over goes", `document.querySelectorAll("#rail .tk-row").length === 2`)
	p.f.change(func() { p.f.tasks = nil })
	p.see("nothing is due", `document.getElementById("rail-quiet").textContent === "Nothing is due in the next 24 hours." && document.querySelectorAll("#rail li").length === 0`)
	if s := p.text(`document.getElementById("said").textContent`); s != "" {
		t.Errorf("going quiet was announced: %q", s)
	}
	stop.ID = "stop/k04/2"
	p.f.change(func() { p.f.tasks = []floor.TaskView{stop} })
	p.see("a new call is told once", `document.getElementById("said").textContent === "New: K04, Stopped 2 min." && document.getElementById("round").dataset.rang === "1"`)
	// A walk is one call: its second task, due later, does not ring again.
	first, second := p.f.tasks[0], p.f.tasks[0]
	first.ID, first.Kind, first.Machine, first.Name, first.Due = "doff/k01/9", floor.TaskDoff, "k01", "K01", p.f.now
	second.ID, second.Kind, second.Machine, second.Name, second.Due = "doff/k02/9", floor.TaskDoff, "k02", "K02", p.f.now.Add(5*time.Minute)
	p.f.change(func() { p.f.tasks = []floor.TaskView{first, second} })
	p.see("the walk is told", `document.getElementById("said").textContent.startsWith("New: K01, Doff") && document.getElementById("round").dataset.rang === "2"`)
	second.Due = p.f.now
	p.f.change(func() { p.f.tasks = []floor.TaskView{first, second} })
	p.see("its next task is due", fmt.Sprintf(`document.querySelector(%q).textContent === "now"`, row(second.ID)+" .mn"))
	if s := p.text(`document.getElementById("said").textContent + document.getElementById("round").dataset.rang`); !strings.HasPrefix(s, "New: K01") || !strings.HasSuffix(s, "2") {
		t.Errorf("one walk was told twice: %q", s)
	}
}
