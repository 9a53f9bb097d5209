package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"turnwise/server/floor"
)

// TestOrderPage: the page of an order has its dates, parts and what was told.
func TestOrderPage(t *testing.T) {
	f := mill()
	h := handler(t, f, millOptions(f))
	w, doc := get(t, h, "/o/SO-1041")
	if w.Code != http.StatusOK {
		t.Fatalf("status %d", w.Code)
	}
	page := text(doc)
	for _, want := range []string{
		"In danger: 6 of 20 finishing times are after the promise", "yarn stops", "slower than the card", "87 h", "Without yarn stops: 9 h 00 min of work earlier.",
		"At the speed of the card: 2 h 10 min of work earlier.", "Chances put right by 120 past forecasts.", "25 % done", "promise of Mon 30 Nov 08:00",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(page, "SO-1033") {
		t.Error("the page tells of another order")
	}
	if w, _ := get(t, h, "/o/SO-9999"); w.Code != http.StatusNotFound {
		t.Errorf("an unknown order: status %d", w.Code)
	}
}

// Orders that are done, undated or without a record have a page too.
func TestOrderPageOfEveryStanding(t *testing.T) {
	f := strangeMill()
	f.orders[3].Outlook.RemainingKg = 0
	f.kept = floor.CalibrationView{}
	h := handler(t, f, millOptions(f))
	for i, want := range map[int]string{1: "no date; promised", 2: "no promise", 3: "All knitted; promised"} {
		w, doc := get(t, h, "/o/"+url.PathEscape(f.orders[i].ID))
		if page := text(doc); w.Code != http.StatusOK || !strings.Contains(page, want) || strings.Contains(page, "NaN") {
			t.Errorf("%s: status %d, want %q in %s", f.orders[i].ID, w.Code, want, page)
		}
	}
	if w, doc := get(t, h, "/o/"+url.PathEscape(f.orders[0].ID)); w.Code != http.StatusOK || len(all(doc, named("script"))) > 1 {
		t.Errorf("a hostile name: status %d, %d scripts", w.Code, len(all(doc, named("script"))))
	}
}

// TestWhatIfGathers: a form adds its change to the address, a link takes one out.
func TestWhatIfGathers(t *testing.T) {
	f := mill()
	h := handler(t, f, millOptions(f))
	_, doc := get(t, h, "/whatif?"+url.Values{"c": {"slow K03 27"}, "add": {"down"}, "machine": {"k04"}, "time": {"30h"}}.Encode())
	var hidden, out []string
	for _, n := range all(doc, named("input")) {
		if attr(n, "name") == "c" {
			hidden = append(hidden, attr(n, "value"))
		}
	}
	for _, n := range all(doc, func(n *html.Node) bool { return n.Data == "a" && strings.HasPrefix(text(n), "take out ") }) {
		out = append(out, attr(n, "href"))
	}
	if len(hidden) != 4 || hidden[0] != "slow K03 27, down K04 30h" {
		t.Errorf("the forms go on from %q", hidden)
	}
	if len(out) != 2 || out[0] != "/whatif?c=down+K04+30h" || out[1] != "/whatif?c=slow+K03+27" {
		t.Errorf("links out %q", out)
	}
	page := text(doc)
	for _, want := range []string{"SO-1041 now: 6/20 late", "12/20 late", "8 orders stay as they are"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestWhatIfFaults(t *testing.T) {
	f := mill()
	h := handler(t, f, millOptions(f))
	for query, want := range map[string]string{
		"":                                "Nothing is supposed yet.",
		"c=slow+K03+27":                   "No promise moves.",
		"c=down+k99+6h":                   `machine K99 is not in the book, expected one of K01`,
		"c=fly+K03+27":                    `"fly" is no change`,
		"add=down&machine=k04&time=":      `"?" is no time`,
		"add=slow&machine=k04&rpm=2,5":    "K04 turns at 2.5 rpm",
		"add=slow&machine=k04&rpm=a+lot":  `"a_lot" is no speed`,
		"add=open&from=2026-11-28T06:00":  `"?" is no time`,
		"c=%3Cscript%3E+a+b":              `"<script>" is no change`,
		"add=close&from=tomorrow&to=then": `"tomorrow" is no time`,
	} {
		w, doc := get(t, h, "/whatif?"+query)
		if page := text(doc); w.Code != http.StatusOK || !strings.Contains(page, want) {
			t.Errorf("%s: status %d, want %q in %s", query, w.Code, want, page)
		}
		if len(all(doc, named("script"))) > 0 {
			t.Errorf("%s: a script on a page that stands still", query)
		}
	}
}

func TestKeptPage(t *testing.T) {
	f := mill()
	h := handler(t, f, millOptions(f))
	_, doc := get(t, h, "/kept")
	page := text(doc)
	for _, want := range []string{"80%", "of 60 forecasts", "Structure pique", "82 to 97 is right", "75 %", "The order was changed from 900 to 1400 kg."} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if n := len(all(doc, classed("fl"))); n != 2 {
		t.Errorf("%d shares are marked as off, want those of all and of pique", n)
	}
	f.kept.Groups = nil
	if _, doc := get(t, handler(t, f, millOptions(f)), "/kept"); !strings.Contains(text(doc), "4 forecasts are kept; no order of them is done yet.") {
		t.Error("without ends the page does not say so")
	}
	none := emptyMill()
	if _, doc := get(t, handler(t, none, millOptions(none)), "/kept"); !strings.Contains(text(doc), "No forecast has been kept yet.") {
		t.Error("without a record the page does not say so")
	}
	none.err = floor.ErrNoRecord
	if _, doc := get(t, handler(t, none, millOptions(none)), "/kept"); !strings.Contains(text(doc), "This server keeps no forecasts.") {
		t.Error("a server without a record does not say so")
	}
}
