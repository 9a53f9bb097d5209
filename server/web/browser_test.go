package web

import (
	"context"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser starts a headless browser that talks to nobody but the test. Without
// one the test is skipped with a word; where CI is set it fails instead, so
// that nobody believes in checks that did not run.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("browser: left out by -short")
	}
	var found string
	for _, name := range []string{os.Getenv("TURNWISE_BROWSER"), "chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); name != "" && err == nil {
			found = p
			break
		}
	}
	if found == "" {
		if os.Getenv("CI") != "" {
			t.Fatal("browser: no chromium in the path; install it or name one in TURNWISE_BROWSER")
		}
		t.Skip("browser: no chromium in the path, pages were NOT looked at; install it or name one in TURNWISE_BROWSER")
	}
	dir := t.TempDir()
	ctx, cancel := chromedp.NewExecAllocator(t.Context(),
		chromedp.ExecPath(found), chromedp.UserDataDir(dir), chromedp.Flag("headless", true), chromedp.Flag("no-sandbox", true),
		chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-quic", true), chromedp.Flag("no-first-run", true),
		chromedp.Flag("no-default-browser-check", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true),
		chromedp.Flag("host-resolver-rules", "MAP *.test 127.0.0.1"))
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("browser: start %s: %v", found, err)
	}
	ctx, cancel = context.WithTimeout(ctx, 4*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// complaints collects what the browser's console says.
func complaints(t *testing.T, ctx context.Context) func() []string {
	t.Helper()
	var mu sync.Mutex
	var list []string
	add := func(s string) { mu.Lock(); list = append(list, s); mu.Unlock() }
	err := chromedp.Listen(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *log.EventEntryAdded:
			add(fmt.Sprintf("%s: %s %s", ev.Entry.Level, ev.Entry.Text, ev.Entry.URL))
		case *runtime.EventExceptionThrown:
			add("exception: " + ev.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			if ev.Type == runtime.ConsoleAPICalledTypeError || ev.Type == runtime.ConsoleAPICalledTypeWarning {
				add(fmt.Sprintf("console: %v", ev.Args))
			}
		}
	})
	if err != nil {
		t.Fatalf("browser: listen to its console: %v", err)
	}
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		got := list
		list = nil
		return got
	}
}

// serve starts the pages of a floor on loopback.
func serve(t *testing.T, f *fakeFloor, o Options) *httptest.Server {
	t.Helper()
	h, err := New(f, o)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(h)
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	return srv
}

func millOptions(f *fakeFloor) Options {
	return Options{Site: "Mill Fourteen", Zone: istanbul, Calendar: weekdays(), Now: func() time.Time { return f.now }, Calls: deskFor(f), Upkeep: upkeepOf(f),
		Tap: func(_ context.Context, t Tap) (Heard, error) {
			if t.Lot == "L-433" {
				return Heard{}, fmt.Errorf("lot %s: %w: another is expected", t.Lot, floor.ErrLot)
			}
			return Heard{State: store.TaskState{Task: t.Task, State: store.TaskDone}}, nil
		},
		KeepPlan: func(context.Context, ...outlook.Change) (int64, error) { return 7, nil },
		UndoPlan: func(context.Context, int64) error { return nil },
		BeginJob: func(context.Context, string, string) error { return nil }}
}

// tooWide names the elements that reach over the right edge of the screen and
// are not within something that scrolls by itself.
const tooWide = `(() => {
	const w = document.documentElement.clientWidth, list = [];
	if (document.documentElement.scrollWidth > w) list.push("page " + document.documentElement.scrollWidth + " of " + w);
	for (const e of document.querySelectorAll("main *, header *")) {
		const r = e.getBoundingClientRect();
		if (r.width > 0 && r.height > 1 && (r.right > w + 1 || r.left < -1) && !e.closest(".scroll") && !e.closest(".vh")) list.push(e.tagName + "." + e.getAttribute("class") + " " + Math.round(r.left) + ".." + Math.round(r.right));
	}
	return list;
})()`

// tooSmall names what can be pressed and is smaller than a fingertip: 24 px by
// WCAG 2.2 (links within a sentence are excepted there), 72 px for a tender.
const tooSmall = `(() => [...document.querySelectorAll("a, button, summary")].filter(e => {
	const r = e.getBoundingClientRect();
	if (r.width === 0 || e.classList.contains("skip")) return false;
	const least = e.closest(".rail, .bar") && !e.classList.contains("plain") ? 72 : 24;
	return r.height < least - .5 || r.width < 23.5;
}).map(e => e.tagName + " " + e.textContent.trim().slice(0, 30) + " " + JSON.stringify(e.getBoundingClientRect())))()`

// outOfLine names what hangs below the line of its row on a wide page: a machine
// beside its thread.
const outOfLine = `(() => innerWidth < 1100 ? [] : [...document.querySelectorAll(".threads .row")].filter(row => {
	const name = row.querySelector(".id a").getBoundingClientRect(), thread = row.querySelector(".th").getBoundingClientRect();
	return name.top < thread.top || name.bottom > thread.bottom + 1;
}).map(row => row.id))()`

// sideways names the tables that a phone must scroll to read, but for those that say
// again what the page says and are folded.
const sideways = `(() => innerWidth >= 700 ? [] : [...document.querySelectorAll(".scroll")].filter(e =>
	!e.closest("details") && e.clientWidth > 0 && e.scrollWidth > e.clientWidth + 1
).map(e => e.getAttribute("aria-label") + " " + e.scrollWidth + " in " + e.clientWidth))()`

// overprinted names the words of a picture that run into each other.
const overprinted = `(() => [...document.querySelectorAll("svg")].flatMap(svg => {
	const words = [...svg.querySelectorAll("text")].map(e => ({e, r: e.getBoundingClientRect()})).filter(w => w.r.width > 0 && w.e.textContent.trim() !== "");
	return words.flatMap((a, i) => words.slice(i + 1).filter(b =>
		Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left) > 2 && Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top) > 4
	).map(b => a.e.textContent + " and " + b.e.textContent));
}))()`

// TestBrowser looks at every page as a phone and as a desk.
func TestBrowser(t *testing.T) {
	ctx := browser(t)
	said := complaints(t, ctx)
	f, strange, none, late := mill(), strangeMill(), emptyMill(), lateMill()
	sites := map[string]string{"mill": serve(t, f, millOptions(f)).URL, "strange": serve(t, strange, millOptions(strange)).URL, "none": serve(t, none, millOptions(none)).URL, "late": serve(t, late, millOptions(late)).URL}
	for _, width := range []int64{320, 390, 900, 1440} {
		for name, base := range sites {
			pages := []string{"/runs", "/creel", "/promises", "/whatif", "/kept", "/alarms", "/loading"}
			switch name {
			case "mill":
				pages = append(pages, "/m/k04", "/creel?set=A", "/o/SO-1041", "/o/SO-1044", "/whatif?c=down+k04+6h,+slow+K03+27", "/whatif?c=down+k99+6h")
			case "late":
				pages = []string{"/creel"}
			case "strange":
				pages = append(pages, "/m/a%2Fb%20%3F%23&", "/m/new")
			}
			if name != "mill" && width != 390 && width != 1440 {
				continue
			}
			for _, url := range pages {
				err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+url))
				if err != nil {
					t.Fatalf("%s%s: %v", name, url, err)
				}
				for what, script := range map[string]string{"too wide": tooWide, "too small to press": tooSmall, "out of line": outOfLine, "overprinted": overprinted, "scrolls sideways": sideways} {
					list, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](script))
					if err != nil {
						t.Fatalf("%s%s: %v", name, url, err)
					}
					if len(list) > 0 {
						t.Errorf("%s%s at %d px: %s:\n\t%s", name, url, width, what, strings.Join(list[:min(5, len(list))], "\n\t"))
					}
				}
				if got := said(); len(got) > 0 {
					t.Errorf("%s%s at %d px: the console says %q", name, url, width, got)
				}
			}
		}
	}
}

// eventually waits for a script to become true.
func eventually(t *testing.T, ctx context.Context, what, script string) {
	t.Helper()
	for range 500 { // twenty seconds and more: a beat comes every ten
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](script))
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if ok {
			return
		}
		if err := chromedp.Do(ctx, chromedp.Sleep(40*time.Millisecond)); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	body, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`))
	t.Fatalf("never true: %s\n%s", what, body)
}

// TestLiveInBrowser: a change swaps its row, an open task and the focus stay,
// a list in use waits, and a lost stream is said.
func TestLiveInBrowser(t *testing.T) {
	ctx := browser(t)
	said := complaints(t, ctx)
	f := mill()
	srv := serve(t, f, millOptions(f))
	do := func(a ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, a...); err != nil {
			t.Fatal(err)
		}
	}
	run := func(script string) { t.Helper(); do(chromedp.Evaluate[chromedp.Void](script)) }

	do(chromedp.EmulateViewport(1440, 900), chromedp.Navigate(srv.URL+"/runs"))
	eventually(t, ctx, "the page is live", `document.getElementById("live").textContent === "live"`)
	run(`window.before = document.getElementById("r-k12")`)
	f.change(func() { f.shift.Threads[11].Why = "needle 14 min" })
	eventually(t, ctx, "the row of K12 is renewed", `document.getElementById("r-k12").textContent.includes("needle 14 min")`)
	eventually(t, ctx, "the row is another element", `document.getElementById("r-k12") !== window.before`)

	run(`document.querySelector("#r-k11 a").focus(); window.held = document.getElementById("r-k11")`)
	f.change(func() { f.shift.Threads[10].Why = "two doffs"; f.shift.Threads[9].Why = "slow" })
	eventually(t, ctx, "a row without the focus is renewed", `document.getElementById("r-k10").textContent.includes("slow")`)
	eventually(t, ctx, "the row with the focus stays", `document.getElementById("r-k11") === window.held && !window.held.textContent.includes("two doffs")`)
	run(`document.activeElement.blur()`)
	eventually(t, ctx, "the row is renewed when the focus leaves", `document.getElementById("r-k11").textContent.includes("two doffs")`)

	do(chromedp.EmulateViewport(390, 800), chromedp.Navigate(srv.URL+"/creel?set=A"))
	eventually(t, ctx, "the page is live", `document.getElementById("live").textContent === "live"`)
	panels := `document.querySelectorAll("#rail details.more")`
	first := `document.querySelector("#rail li:has(details[open])")`
	run(panels + `[2].querySelector("summary").click()`) // the reader opens K01
	eventually(t, ctx, "the task is open", first+` !== null`)
	run(`window.held = ` + first)
	f.change(func() {
		f.tasks[2].Due = f.now.Add(9 * time.Minute)
		f.tasks[2].Window.First = f.now.Add(9 * time.Minute)
	})
	eventually(t, ctx, "the minutes of the open task change", first+`.querySelector(".mn").textContent === "9"`)
	eventually(t, ctx, "the open task stays", first+` === window.held`)

	stop := f.tasks[0]
	stop.ID, stop.Machine, stop.Name = "stop/k05/9", "k05", "K05"
	f.change(func() { f.tasks = append(f.tasks, stop) })
	eventually(t, ctx, "a list in use waits and says so", `document.getElementById("waits").textContent.includes("The order has changed")`)
	run(`document.querySelector("#rail details[open] summary").click()`)
	eventually(t, ctx, "the new stop is there when the task is closed", `document.getElementById("`+domID("t", stop.ID)+`") !== null && document.getElementById("waits").textContent === ""`)

	if got := said(); len(got) > 0 {
		t.Errorf("the console says %q", got)
	}
	srv.CloseClientConnections()
	srv.Close()
	eventually(t, ctx, "a lost stream is said", `document.getElementById("live").textContent.startsWith("not live since 10:4")`)
}

// TestShots writes pictures of all pages for people to look at:
// TURNWISE_SHOTS=dir go test -run Shots ./server/web
func TestShots(t *testing.T) {
	dir := os.Getenv("TURNWISE_SHOTS")
	if dir == "" {
		t.Skip("set TURNWISE_SHOTS to a directory to have the pages drawn into it")
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	ctx := browser(t)
	f, search, o := searchedMill(t)
	f.keep(t, 12)
	if _, err := search.Start(floor.SolveRequest{For: 20 * time.Second}); err != nil {
		t.Fatal(err)
	}
	srv := serve(t, f, o)
	big, none := bigMill(50), emptyMill()
	srvBig, srvNone := serve(t, big, millOptions(big)), serve(t, none, millOptions(none))
	late := lateMill()
	srvLate := serve(t, late, millOptions(late))
	shots := []struct {
		name, url string
		width     int64
		media     string // "", "dark" or "print"
	}{
		{"runs-1440", srv.URL + "/runs", 1440, ""}, {"runs-390", srv.URL + "/runs", 390, ""},
		{"machine-1440", srv.URL + "/m/k04", 1440, ""}, {"machine-390", srv.URL + "/m/k01", 390, ""},
		{"creel-late-390", srvLate.URL + "/creel?set=A", 390, ""}, {"creel-late-1440", srvLate.URL + "/creel?set=A", 1440, ""}, {"creel-late-dark", srvLate.URL + "/creel?set=A", 390, "dark"}, {"creel-late-print", srvLate.URL + "/creel?set=A", 1050, "print"}, {"creel-late-stop-390", srvLate.URL + "/creel?set=A", 390, ""},
		{"creel-1440", srv.URL + "/creel?set=A", 1440, ""}, {"creel-sets-1440", srv.URL + "/creel?set=A,B", 1440, ""}, {"creel-open-390", srv.URL + "/creel?set=A", 390, ""}, {"creel-done-390", srv.URL + "/creel?set=A", 390, ""}, {"creel-stop-390", srv.URL + "/creel?set=A", 390, ""}, {"creel-lost-390", srv.URL + "/creel?set=A", 390, ""}, {"creel-mine-390", srv.URL + "/creel?machines=k01,k02,k05", 390, ""}, {"creel-none-390", srvNone.URL + "/creel", 390, ""}, {"creel-fifty-390", srvBig.URL + "/creel?machines=all", 390, ""}, {"creel-fifty-1440", srvBig.URL + "/creel?machines=all", 1440, ""}, {"creel-390", srv.URL + "/creel?set=A", 390, ""},
		{"promises-1440", srv.URL + "/promises", 1440, ""}, {"promises-390", srv.URL + "/promises", 390, ""},
		{"runs-dark", srv.URL + "/runs", 1440, "dark"}, {"promises-dark", srv.URL + "/promises", 1440, "dark"},
		{"runs-print", srv.URL + "/runs", 1050, "print"}, {"creel-print", srv.URL + "/creel", 1050, "print"}, {"promises-print", srv.URL + "/promises", 1050, "print"},
		{"runs50-1440", srvBig.URL + "/runs", 1440, ""}, {"none-390", srvNone.URL + "/creel", 390, ""}, {"none-1440", srvNone.URL + "/runs", 1440, ""},
		{"creel-dark", srv.URL + "/creel?set=A", 390, "dark"}, {"machine-dark", srv.URL + "/m/k09", 390, "dark"},
		{"order-1440", srv.URL + "/o/SO-1041", 1440, ""}, {"order-390", srv.URL + "/o/SO-1041", 390, ""}, {"order-print", srv.URL + "/o/SO-1041", 1050, "print"}, {"order-dark", srv.URL + "/o/SO-1041", 390, "dark"},
		{"whatif-1440", srv.URL + "/whatif?c=down+k04+30h,+slow+K03+27", 1440, ""}, {"whatif-390", srv.URL + "/whatif?c=down+k04+30h,+slow+K03+27", 390, ""}, {"whatif-none-390", srvNone.URL + "/whatif", 390, ""}, {"whatif-dark", srv.URL + "/whatif?c=down+k04+30h", 390, "dark"}, {"whatif-print", srv.URL + "/whatif?c=down+k04+30h,+slow+K03+27", 1050, "print"}, {"kept-dark", srv.URL + "/kept", 390, "dark"},
		{"kept-1440", srv.URL + "/kept", 1440, ""}, {"kept-390", srv.URL + "/kept", 390, ""}, {"kept-none-1440", srvNone.URL + "/kept", 1440, ""}, {"kept-print", srv.URL + "/kept", 1050, "print"},
		{"loading-1440", srv.URL + "/loading", 1440, ""}, {"loading-390", srv.URL + "/loading", 390, ""}, {"loading-print", srv.URL + "/loading", 1050, "print"}, {"loading-dark", srv.URL + "/loading", 1440, "dark"},
		{"loading-try-1440", srv.URL + "/loading?c=move+SO-1052+K02&c2=split+SO-1041+K05+200", 1440, ""}, {"loading-fifty-1440", srvBig.URL + "/loading", 1440, ""}, {"loading-none-390", srvNone.URL + "/loading", 390, ""},
		{"alarms-1440", srv.URL + "/alarms", 1440, ""}, {"alarms-390", srv.URL + "/alarms", 390, ""}, {"alarms-dark", srv.URL + "/alarms", 390, "dark"}, {"alarms-print", srv.URL + "/alarms", 1050, "print"}, {"alarms-none-390", srvNone.URL + "/alarms", 390, ""}, {"alarms-none-1440", srvNone.URL + "/alarms", 1440, ""}, {"alarms-fifty-1440", srvBig.URL + "/alarms", 1440, ""},
		{"records-1440", srv.URL + "/records", 1440, ""}, {"records-390", srv.URL + "/records", 390, ""}, {"records-dark", srv.URL + "/records", 390, "dark"}, {"records-print", srv.URL + "/records", 1050, "print"}, {"records-fifty-1440", srvBig.URL + "/records", 1440, "dark"}, {"records-none-390", srvNone.URL + "/records", 390, ""},
		{"loading-plan-1440", srv.URL + "/loading?c=plan+12&c2=move+SO-1052+K02", 1440, ""}, {"loading-plan-390", srv.URL + "/loading?c=plan+12&c2=move+SO-1052+K02", 390, ""}, {"loading-plan-dark", srv.URL + "/loading?c=plan+12", 1440, "dark"}, {"loading-plan-print", srv.URL + "/loading?c=plan+12", 1050, "print"},
		{"search-1440", srv.URL + "/loading/search/" + search.told.ID, 1440, ""}, {"search-390", srv.URL + "/loading/search/" + search.told.ID, 390, ""},
		{"promises-900", srv.URL + "/promises", 1100, ""}, {"runs-800", srv.URL + "/runs", 800, ""},
	}
	if url := os.Getenv("TURNWISE_SHOTS_URL"); url != "" { // the pages of a server that runs
		for i := range shots {
			shots[i].url = url + strings.TrimPrefix(strings.TrimPrefix(strings.TrimPrefix(shots[i].url, srv.URL), srvBig.URL), srvNone.URL)
		}
	}
	uses := map[string]string{ // what is pressed before the picture is taken
		"creel-open-390":      `document.querySelectorAll(".more")[2].open = true`,
		"creel-late-stop-390": `document.querySelector(".more").open = true`,
		"creel-done-390":      `document.querySelectorAll(".hit")[2].click()`,
		"creel-stop-390":      `for (const lot of document.querySelectorAll("[name=lot]")) { lot.value = "L-433"; lot.form.querySelector(".do").click(); break }`,
		"creel-lost-390":      `dispatchEvent(new Event("offline"))`,
		"creel-mine-390":      `document.querySelector(".mine").open = true`,
	}
	only := os.Getenv("TURNWISE_SHOT")
	for _, s := range shots {
		if only != "" && !strings.Contains(s.name, only) {
			continue
		}
		media := emulation.SetEmulatedMediaParams{}
		switch s.media {
		case "dark":
			media.Features = []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}
		case "print":
			media.Media = "print"
		}
		err := chromedp.Do(ctx, emulate(media), chromedp.EmulateViewport(s.width, 900), chromedp.Navigate(s.url), chromedp.Sleep(300*time.Millisecond),
			chromedp.Evaluate[chromedp.Void](uses[s.name]+";0"), chromedp.Sleep(200*time.Millisecond))
		if err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
		if err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		if err := os.WriteFile(filepath.Join(dir, s.name+".png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func emulate(media emulation.SetEmulatedMediaParams) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, media)
		return err
	})
}
