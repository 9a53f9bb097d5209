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
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true))
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
	return Options{Site: "Mill Fourteen", Zone: istanbul, Calendar: weekdays(), Now: func() time.Time { return f.now },
		Load: func(context.Context, LoadRequest) (int64, error) { return 1, nil },
		Undo: func(context.Context, string, int64) error { return nil }}
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
	f := mill()
	srv := serve(t, f, millOptions(f))
	big, none := bigMill(50), emptyMill()
	srvBig, srvNone := serve(t, big, millOptions(big)), serve(t, none, millOptions(none))
	shots := []struct {
		name, url string
		width     int64
		media     string // "", "dark" or "print"
	}{
		{"runs-1440", srv.URL + "/runs", 1440, ""}, {"runs-390", srv.URL + "/runs", 390, ""},
		{"machine-1440", srv.URL + "/m/k04", 1440, ""}, {"machine-390", srv.URL + "/m/k01", 390, ""},
		{"creel-1440", srv.URL + "/creel?set=A", 1440, ""}, {"creel-390", srv.URL + "/creel?set=A", 390, ""},
		{"promises-1440", srv.URL + "/promises", 1440, ""}, {"promises-390", srv.URL + "/promises", 390, ""},
		{"runs-dark", srv.URL + "/runs", 1440, "dark"}, {"promises-dark", srv.URL + "/promises", 1440, "dark"},
		{"runs-print", srv.URL + "/runs", 1050, "print"}, {"creel-print", srv.URL + "/creel", 1050, "print"}, {"promises-print", srv.URL + "/promises", 1050, "print"},
		{"runs50-1440", srvBig.URL + "/runs", 1440, ""}, {"none-390", srvNone.URL + "/creel", 390, ""}, {"none-1440", srvNone.URL + "/runs", 1440, ""},
		{"promises-900", srv.URL + "/promises", 1100, ""}, {"runs-800", srv.URL + "/runs", 800, ""},
	}
	if url := os.Getenv("TURNWISE_SHOTS_URL"); url != "" { // the pages of a server that runs
		for i := range shots {
			shots[i].url = url + strings.TrimPrefix(strings.TrimPrefix(strings.TrimPrefix(shots[i].url, srv.URL), srvBig.URL), srvNone.URL)
		}
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
		err := chromedp.Do(ctx, emulate(media), chromedp.EmulateViewport(s.width, 900), chromedp.Navigate(s.url), chromedp.Sleep(300*time.Millisecond))
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
