package web

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"turnwise/server/store"
)

// focused presses the tabulator until the element with the focus fits, as somebody without a mouse would.
func focused(t *testing.T, ctx context.Context, what, fits string) {
	t.Helper()
	for range 400 {
		if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
			t.Fatal(err)
		}
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`(e => `+fits+`)(document.activeElement)`))
		if err != nil {
			t.Fatal(err)
		}
		if ok {
			return
		}
	}
	t.Fatalf("the keyboard never comes to %s", what)
}

// TestSearchInBrowser: at a desk and on a phone, by the keyboard alone: begin a search, see it
// go on, stop it, see the plan and its reasons before it is kept, keep it, take it back.
func TestSearchInBrowser(t *testing.T) {
	ctx := browser(t)
	said := complaints(t, ctx)
	for _, width := range []int64{1440, 390} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			f, x, o := searchedMill(t)
			srv := serve(t, f, o)
			key := func(keys string) {
				t.Helper()
				if err := chromedp.Do(ctx, chromedp.KeyEvent(keys)); err != nil {
					t.Fatal(err)
				}
			}
			narrow := func(where string) {
				t.Helper()
				if wide, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](tooWide)); err != nil || len(wide) > 0 {
					t.Errorf("%s: %v reach over the edge, %v", where, wide, err)
				}
				if small, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](tooSmall)); err != nil || len(small) > 0 {
					t.Errorf("%s: %v are too small to press, %v", where, small, err)
				}
			}
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(srv.URL+"/loading")); err != nil {
				t.Fatal(err)
			}
			narrow("loading")
			focused(t, ctx, "the search", `e.textContent === "Search" && e.tagName === "BUTTON"`)
			key(kb.Enter)
			eventually(t, ctx, "the search is told", `document.querySelector("#search h1")?.textContent === "Searching a plan"`)
			narrow("search")
			focused(t, ctx, "the button that stops it", `e.textContent === "Take the best so far"`)
			first, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.querySelector(".sr-bar .s").textContent`))
			if err != nil {
				t.Fatal(err)
			}
			eventually(t, ctx, "it goes on", fmt.Sprintf(`document.querySelector(".sr-bar .s").textContent !== %q`, first))
			eventually(t, ctx, "the focus stays", `document.activeElement.textContent === "Take the best so far"`)
			key(kb.Enter)
			eventually(t, ctx, "the plan is shown", `location.pathname + location.search === "/loading?c=plan+12"`)
			narrow("plan")
			order := f.plans[12].Moves[0].Order
			eventually(t, ctx, "the reason is told", `document.querySelector(".moves")?.textContent.includes("against its due date") === true`)
			eventually(t, ctx, "it is drawn on K05, with what is there now above", fmt.Sprintf(`document.querySelector('[data-machine="k05"]').textContent.includes("→ %s") && document.querySelector('[data-machine="k05"] .ld-was') !== null`, order))
			if s := f.plans[12].State; s != store.PlanProposed {
				t.Fatalf("the plan is %s before anybody kept it", s)
			}
			focused(t, ctx, "the button that keeps it", `e.textContent === "Keep A"`)
			key(kb.Enter)
			eventually(t, ctx, "it is told as kept", `document.querySelector("main .state")?.textContent.includes("Plan 12 is in the book") === true`)
			if s := f.plans[12].State; s != store.PlanApplied {
				t.Errorf("the plan is %s, want applied", s)
			}
			focused(t, ctx, "the button that takes it back", `e.textContent === "Take it back"`)
			key(kb.Enter)
			eventually(t, ctx, "it is told as taken back", `document.querySelector("main .state")?.textContent.includes("taken back") === true`)
			if s := f.plans[12].State; s != store.PlanUndone {
				t.Errorf("the plan is %s, want undone", s)
			}
			if x.looks < 2 {
				t.Errorf("the search was looked at %d times", x.looks)
			}
		})
	}
	if got := said(); len(got) > 0 {
		t.Errorf("the console says %q", got)
	}
}

// TestMoveInBrowser: an order is moved by keys, and by dragging; both show the effect and
// write nothing.
func TestMoveInBrowser(t *testing.T) {
	ctx := browser(t)
	said := complaints(t, ctx)
	for _, width := range []int64{1440, 390} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			f, _, o := searchedMill(t)
			srv := serve(t, f, o)
			order := `document.querySelector("[data-move]").dataset.move`
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(srv.URL+"/loading")); err != nil {
				t.Fatal(err)
			}
			id, err := chromedp.Run(ctx, chromedp.Evaluate[string](order))
			if err != nil {
				t.Fatal(err)
			}
			focused(t, ctx, "the table", `e.tagName === "SUMMARY" && e.textContent.startsWith("The same as a table")`)
			if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Enter)); err != nil {
				t.Fatal(err)
			}
			focused(t, ctx, "an order that waits", `e.dataset.move !== undefined`)
			for _, k := range []string{kb.ArrowDown, kb.ArrowDown, kb.ArrowUp} {
				if err := chromedp.Do(ctx, chromedp.KeyEvent(k)); err != nil {
					t.Fatal(err)
				}
			}
			eventually(t, ctx, "the target is told", fmt.Sprintf(`document.getElementById("moving").textContent === %q`, id+" to K02: press Enter to see the effect"))
			if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Enter)); err != nil {
				t.Fatal(err)
			}
			eventually(t, ctx, "the effect is shown", fmt.Sprintf(`document.querySelector(".trials")?.textContent.includes(%q) === true`, id+" goes to K02"))

			// From its length on the line to another machine, by the pointer.
			eventually(t, ctx, "the script has seen the new page", `document.querySelector('[data-machine="k03"] .ld-hit') !== null`)
			type point struct{ X, Y, ToX, ToY float64 }
			at, err := chromedp.Run(ctx, chromedp.Evaluate[point](`(() => {
				const hit = [...document.querySelectorAll(".ld-hit")].filter(e => e.closest('[data-machine="k03"]'))[0];
				hit.scrollIntoView({block: "center"});
				const a = hit.getBoundingClientRect(), b = document.querySelector('[data-machine="k05"]').getBoundingClientRect();
				window.dragged = hit.dataset.order;
				return {X: Math.min(a.left + a.width/2, innerWidth - 5), Y: a.top + a.height/2, ToX: b.left + b.width/2, ToY: b.top + b.height/2};
			})()`))
			if err != nil {
				t.Fatal(err)
			}
			moved, err := chromedp.Run(ctx, chromedp.Evaluate[string](`window.dragged`))
			if err != nil {
				t.Fatal(err)
			}
			drag(t, ctx, at.X, at.Y, at.ToX, at.ToY)
			eventually(t, ctx, "the drag adds to the trial", fmt.Sprintf(`document.querySelector(".trials")?.textContent.toLowerCase().includes(%q) === true`, strings.ToLower(moved+" goes to K05")))
			if len(f.plans) > 0 {
				t.Errorf("a trial was written: %v", f.plans)
			}
		})
	}
	if got := said(); len(got) > 0 {
		t.Errorf("the console says %q", got)
	}
}

// drag presses at one point and lets go at another, with a stop on the way.
func drag(t *testing.T, ctx context.Context, x, y, toX, toY float64) {
	t.Helper()
	err := chromedp.Do(ctx,
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x, y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, (x+toX)/2, (y+toY)/2, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, toX, toY, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, toX, toY, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	if err != nil {
		t.Fatal(err)
	}
}
