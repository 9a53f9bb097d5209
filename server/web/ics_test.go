package web

import (
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"
)

func TestCalendarFeed(t *testing.T) {
	f := mill()
	h := handler(t, f, Options{Site: "Mill Fourteen", Zone: istanbul, Now: func() time.Time { return f.now }})
	read := func() (map[string]*ics.VEvent, string) {
		t.Helper()
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "/orders.ics", nil))
		body := w.Body.String()
		if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/calendar") {
			t.Fatalf("status %d, %v", w.Code, w.Header())
		}
		for line := range strings.SplitSeq(body, "\r\n") {
			if len(line) > 75 { // RFC 5545, 3.1
				t.Errorf("a line of %d octets: %s", len(line), line)
			}
		}
		if strings.Count(body, "\n") != strings.Count(body, "\r\n") {
			t.Error("a line does not end in CRLF")
		}
		cal, err := ics.ParseCalendar(strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]*ics.VEvent{}
		for _, e := range cal.Events() {
			if out[e.Id()] != nil {
				t.Errorf("UID %s stands twice", e.Id())
			}
			out[e.Id()] = e
		}
		return out, body
	}
	value := func(e *ics.VEvent, p ics.ComponentProperty) string {
		if e == nil || e.GetProperty(p) == nil {
			return ""
		}
		return e.GetProperty(p).Value
	}
	first, body := read()
	if !strings.Contains(body, "REFRESH-INTERVAL;VALUE=DURATION:PT1H") {
		t.Errorf("no refresh interval as RFC 7986, 5.7 has it in %s", body)
	}
	const id = "order-SO-1041@turnwise-Mill_20Fourteen"
	if value(first[id], ics.ComponentPropertySummary) != "SO-1041 ready with 80 %" || !strings.HasSuffix(value(first[id], ics.ComponentPropertyDtStart), "Z") {
		t.Fatalf("events %v", body)
	}
	// A minute is no news; two hours are, in the same event.
	f.change(func() { f.now = f.now.Add(time.Minute); shift(f, time.Minute) })
	if _, again := read(); again != body {
		t.Error("the feed changed with a date that moved by a minute")
	}
	f.change(func() { f.now = f.now.Add(2 * time.Minute); shift(f, 2*time.Hour) })
	later, _ := read()
	if len(later) != len(first) || value(later[id], ics.ComponentPropertySequence) <= value(first[id], ics.ComponentPropertySequence) ||
		value(later[id], ics.ComponentPropertyDtStart) == value(first[id], ics.ComponentPropertyDtStart) {
		t.Errorf("the event did not move in place: %v", later[id])
	}
}

// shift moves the finish of every order.
func shift(f *fakeFloor, by time.Duration) {
	for i := range f.orders {
		p := &f.orders[i].Outlook.Finish
		p.P50, p.P80, p.P90 = p.P50.Add(by), p.P80.Add(by), p.P90.Add(by)
	}
}

func TestCalendarFeedOfStrangeMills(t *testing.T) {
	for name, f := range map[string]*fakeFloor{"empty": emptyMill(), "strange": strangeMill(), "big": bigMill(50)} {
		w := httptest.NewRecorder()
		handler(t, f, Options{Site: "a;b,c\nBEGIN:VEVENT"}).ServeHTTP(w, httptest.NewRequest("GET", "/orders.ics", nil))
		if _, err := ics.ParseCalendar(strings.NewReader(w.Body.String())); err != nil || w.Code != 200 {
			t.Errorf("%s: status %d, %v", name, w.Code, err)
		}
		if strings.Contains(w.Body.String(), "\nBEGIN:VEVENT\\n") || strings.Count(w.Body.String(), "BEGIN:VCALENDAR") != 1 {
			t.Errorf("%s: text became structure: %s", name, w.Body.String())
		}
	}
}
