package web

import (
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"turnwise/server/floor"
)

// The accessibility rules of axe-core 4.14.1 (MPL-2.0, whole and unchanged in
// testdata/axe, with its licence), run in the page by the test alone.
const (
	axeFile = "testdata/axe/axe-4.14.1.js.gz"
	axeSum  = "fd334aa2da229d401b8f58a11644cd1ae520d8a2418a74905988f2db940ffd4b"
)

func axeSource(t *testing.T) string {
	t.Helper()
	f, err := os.Open(axeFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatalf("%s: %v", axeFile, err)
	}
	src, err := io.ReadAll(z)
	if err != nil {
		t.Fatalf("%s: %v", axeFile, err)
	}
	if sum := sha256.Sum256(src); hex.EncodeToString(sum[:]) != axeSum {
		t.Fatalf("%s has the sum %x, want %s: restore the file as published", axeFile, sum, axeSum)
	}
	return string(src)
}

// axeRun runs every rule, those of good practice too, and lists what is violated
// and where.
const axeRun = `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations.flatMap(v =>
	v.nodes.map(n => v.id + ": " + v.help + ": " + n.target.join(" ") + ": " + n.failureSummary.replace(/\s+/g, " "))))`

// TestAxe: no page violates a rule, as a phone and as a desk, light and dark,
// at rest and in use.
func TestAxe(t *testing.T) {
	ctx := browser(t)
	src := axeSource(t)
	f, none, big := mill(), emptyMill(), bigMill(50)
	searched, search, o := searchedMill(t)
	searched.keep(t, 12)
	if _, err := search.Start(floor.SolveRequest{}); err != nil {
		t.Fatal(err)
	}
	plans := serve(t, searched, o).URL
	late := lateMill()
	overdue := serve(t, late, millOptions(late)).URL
	base, empty, fifty := serve(t, f, millOptions(f)).URL, serve(t, none, millOptions(none)).URL, serve(t, big, millOptions(big)).URL
	const openAll = `document.querySelectorAll("details").forEach(d => d.open = true)`
	type test struct{ name, url, use string }
	tests := []test{
		{"creel", base + "/creel?set=A", openAll}, {"two sets", base + "/creel?set=A,B", ""},
		{"overdue creels", overdue + "/creel?set=A", openAll}, {"creel with the strip", base + "/creel?set=A", `document.querySelector(".tk-row:nth-child(3) .hit").click()`},
		{"wrong lot", base + "/creel?set=A", `document.getElementById("stop-head").textContent = "Wrong lot"; document.getElementById("stop").showModal()`},
		{"runs", base + "/runs", openAll}, {"machine", base + "/m/k04", openAll}, {"promises", base + "/promises", openAll}, {"order", base + "/o/SO-1041", openAll},
		{"what if", base + "/whatif?c=down+k04+6h,+slow+K03+27", openAll}, {"kept", base + "/kept", openAll}, {"records", base + "/records", openAll}, {"plan beside", plans + "/loading?c=plan+12&c2=move+SO-1052+K02", openAll}, {"search", plans + "/loading/search/" + search.told.ID, ""}, {"loading tried", base + "/loading?c=move+SO-1052+K02", openAll},
	}
	phoneOnly := []test{
		{"no creel", empty + "/creel", ""}, {"fifty machines", fifty + "/creel?machines=all", ""}, {"silent machine", base + "/m/k09", ""},
		{"no runs", empty + "/runs", ""}, {"no promises", empty + "/promises", ""}, {"none kept", empty + "/kept", ""}, {"no records", empty + "/records", ""}, {"late backup", fifty + "/records", openAll},
		{"loading", base + "/loading", openAll}, {"no loading", empty + "/loading", ""}, {"no such page", base + "/nothing", ""},
	}
	for _, look := range []struct {
		width  int64
		scheme string
		tests  []test
	}{{390, "light", slices.Concat(tests, phoneOnly)}, {1440, "dark", tests}} {
		media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: look.scheme}}}
		if err := chromedp.Do(ctx, emulate(media), chromedp.EmulateViewport(look.width, 900)); err != nil {
			t.Fatal(err)
		}
		for _, tt := range look.tests {
			err := chromedp.Do(ctx, chromedp.Navigate(tt.url), chromedp.Evaluate[chromedp.Void](src), chromedp.Evaluate[chromedp.Void](tt.use+";0"))
			if err != nil {
				t.Fatalf("%s: %v", tt.name, err)
			}
			bad, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](axeRun, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatalf("%s: %v", tt.name, err)
			}
			if len(bad) > 0 {
				t.Errorf("%s at %d px, %s: %s", tt.name, look.width, look.scheme, fmt.Sprintf("%d violations:\n\t", len(bad))+strings.Join(bad[:min(len(bad), 8)], "\n\t"))
			}
		}
	}
}
