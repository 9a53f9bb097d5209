package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"turnwise/server/store"
)

const rollK03 = "k03-roll-113"

// TestWeighUnderGloves: the kilos that the scale shows are typed once, with a comma or a point; they show at once, can be
// taken back for ten seconds, wait for a line, and are refused in words.
func TestWeighUnderGloves(t *testing.T) {
	p := newPhone(t)
	said := complaints(t, p.ctx)
	at := "#" + domID("w", rollK03)
	p.see("the rolls of set A wait", fmt.Sprintf(`document.querySelectorAll("#weigh li").length === 2 && document.querySelector(%q).getBoundingClientRect().height >= 72`, at+" button"))
	weigh := func(kg string) {
		t.Helper()
		p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).value = ""`, at+" [name=kg]")), chromedp.SendKeys(chromedp.CSS(at+" [name=kg]"), kg+kb.Enter))
	}
	waits := func(what string, is bool) {
		t.Helper()
		p.see(what, fmt.Sprintf(`document.querySelector(%q).hidden === %v`, at, !is))
	}
	weigh("heavy")
	p.see("what is no number is said", `document.getElementById("said").textContent.startsWith("The weight must be kilos above 0")`)
	weigh("24,2")
	waits("it is told", false)
	p.see("the strip offers to take it back", `document.getElementById("bar-text").textContent === "K03, roll 113 weighed, 24.2 kg" && !document.getElementById("bar-undo").hidden && document.getElementById("bar-half").hidden`)
	p.press("#bar-undo")
	waits("it waits again", true)
	p.counted(rollK03+" weigh 24.2", rollK03+" undo")
	if _, taps := p.b.sent(); taps[1].Of != taps[0].RequestID {
		t.Errorf("the undo takes back %q, weighed was %q", taps[1].Of, taps[0].RequestID)
	}
	if got := said(); len(got) > 0 {
		t.Errorf("the console says %q", got)
	}
	p.offline(true)
	weigh("24.25")
	waits("kept without a line", false)
	p.see("and that is said", `document.getElementById("line").textContent.includes("1 tap kept")`)
	p.offline(false)
	p.counted(rollK03+" weigh 24.2", rollK03+" undo", rollK03+" weigh 24.25")
	p.see("the line is back", `document.getElementById("line").hidden`)
	p.b.refuses(func(t Tap) error {
		return fmt.Errorf("reading of K06: 31 kg in 2115 turns: %w: the card gives 25 kg; take tube, wrapping and trolley off", store.ErrInvalid)
	})
	other := "#" + domID("w", "k06-roll-115")
	p.do(chromedp.SendKeys(chromedp.CSS(other+" [name=kg]"), "31"+kb.Enter))
	p.see("a trolley is refused in words", `document.querySelector("#refused .strip")?.textContent.includes("take tube, wrapping and trolley off") === true`)
	p.see("and the roll waits", fmt.Sprintf(`!document.querySelector(%q).hidden`, other))
}

// Without script the same row is a form: pressed twice it counts once, and the strip takes it back.
func TestWeighWithoutScript(t *testing.T) {
	f, b := mill(), &record{}
	now := f.now
	o := millOptions(f)
	o.Now, o.Tap = func() time.Time { return now }, b.tap
	h := handler(t, f, o)
	_, doc := get(t, h, "/creel?set=A")
	to, form := formOf(t, doc, "Weighed K03, roll 113")
	form.Set("kg", "24,2")
	first, second := post(h, to, form, nil), post(h, to, form, nil)
	if first.Code != http.StatusSeeOther || first.Header().Get("Location") != second.Header().Get("Location") {
		t.Fatalf("status %d to %q and %q", first.Code, first.Header().Get("Location"), second.Header().Get("Location"))
	}
	_, doc = get(t, h, first.Header().Get("Location"))
	to, undo := formOf(t, doc, "Undo")
	if w := post(h, to, undo, nil); w.Code != http.StatusSeeOther {
		t.Fatalf("undo: status %d, %s", w.Code, w.Body)
	}
	if got := strings.Join(b.told(), ", "); got != rollK03+" weigh 24.2, "+rollK03+" undo" || b.taps[1].Of != b.taps[0].RequestID {
		t.Errorf("counted %s, the undo of %q", got, b.taps[1].Of)
	}
	for what, v := range map[string]url.Values{
		"no kilos": {"kg": {""}}, "negative": {"kg": {"-3"}}, "a number that is none": {"kg": {"NaN"}}, "without end": {"kg": {"Inf"}}, "a lorry": {"kg": {"20000"}},
		"of a task": {"kg": {"25"}, "task": {creelK01}}, "done": {"act": {"done"}}, "an undo of nothing": {"act": {"undo"}},
	} {
		bad := url.Values{"task": {rollK03}, "act": {ActWeigh}, "request": {"6f1c2a44-0d0e-4c3b-9a57-0242ac120002"}}
		for k := range v {
			bad.Set(k, v.Get(k))
		}
		if w := post(h, "/creel/tap", bad, nil); w.Code != http.StatusBadRequest {
			t.Errorf("%s: status %d", what, w.Code)
		}
	}
	if n := len(b.told()); n != 2 {
		t.Errorf("%d taps counted, want 2", n)
	}
	f.rolls = nil
	if _, doc := get(t, h, "/creel"); !strings.Contains(text(doc), "No doffed roll waits to be weighed.") {
		t.Error("an empty list says nothing")
	}
}
