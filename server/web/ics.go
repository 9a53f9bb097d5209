package web

import (
	"cmp"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	ics "github.com/arran4/golang-ical"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
)

// Events of the feed move when the finish with 80 % does by this much: dates
// that creep would else fill the calendars of others with news.
const feedMoves = 30 * time.Minute

// feed remembers what it told, so that an event changes in place and only
// when there is something to tell.
type feed struct {
	mu   sync.Mutex
	told map[string]toldEvent // by order
}

type toldEvent struct {
	at      time.Time
	refused string
	chance  int // in twentieths
	promise time.Time
	text    string // of the description, as first told
	summary string
	changed time.Time
}

// calendarFeed serves the orders as iCalendar (RFC 5545, 7986): one event an
// order at the finish that is kept with 80 %, under the same UID for ever.
func (s *site) calendarFeed(w http.ResponseWriter, r *http.Request) {
	orders, err := s.floor.Orders(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	now := s.now()
	cal := ics.NewCalendar()
	cal.SetProductId("-//Turnwise//orders//EN")
	cal.SetMethod(ics.MethodPublish)
	name := strings.TrimSpace(s.o.Site + " orders")
	cal.SetName(name)
	cal.SetXWRCalName(name)
	// Written with its T: "P1H" is no duration.
	cal.SetRefreshInterval("PT1H")
	slices.SortFunc(orders, func(a, b floor.OrderView) int { return cmp.Compare(a.ID, b.ID) })
	for i := range orders {
		if stand(orders[i], now) != knitted {
			s.addEvent(cal, &orders[i], now)
		}
	}
	w.Header().Set("Content-Type", "text/calendar; charset=utf-8")
	w.Header().Set("Content-Disposition", `inline; filename="orders.ics"`)
	w.Header().Set("Cache-Control", "no-store")
	fmt.Fprint(w, cal.Serialize(ics.WithNewLineWindows)) // a reader that went away needs no answer
}

// addEvent tells one order; without a forecast or a promise there is nothing to tell.
func (s *site) addEvent(cal *ics.Calendar, o *floor.OrderView, now time.Time) {
	e := s.event(o, now)
	if e.at.IsZero() {
		return
	}
	v := cal.AddEvent(domID("order", o.ID) + "@" + domID("turnwise", s.o.Site))
	v.SetDtStampTime(e.changed)
	v.SetLastModifiedAt(e.changed)
	// Rises with every change, over restarts too, and fits 31 bits for 4,000 years.
	v.SetSequence(int(e.changed.Unix() / 60))
	v.SetStartAt(e.at)
	v.SetTimeTransparency(ics.TransparencyTransparent)
	v.SetSummary(e.summary)
	v.SetDescription(e.text)
}

// event is what is told of an order: as the last time, unless it moved.
func (s *site) event(o *floor.OrderView, now time.Time) toldEvent {
	f := &o.Outlook.Finish
	e := toldEvent{refused: f.Refused, promise: o.Promise, changed: now.Truncate(time.Second)}
	if f.Refused == "" {
		e.at, e.chance = f.P80.Round(5*time.Minute), int(math.Round(20*f.MissChance))
	} else {
		e.at = o.Promise
	}
	s.feed.mu.Lock()
	defer s.feed.mu.Unlock()
	if was, ok := s.feed.told[o.ID]; ok && was.refused == e.refused && was.chance == e.chance && was.promise.Equal(e.promise) && was.at.Sub(e.at).Abs() < feedMoves {
		return was
	}
	e.summary, e.text = s.eventText(o, f)
	if s.feed.told == nil {
		s.feed.told = map[string]toldEvent{}
	}
	s.feed.told[o.ID] = e
	return e
}

func (s *site) eventText(o *floor.OrderView, f *outlook.Finish) (summary, text string) {
	day := func(t time.Time) string { return t.In(s.zone).Format("Mon 2 Jan 15:04") }
	what := fmt.Sprintf("%s, %s kg of %s", o.ID, kilos(o.QuantityKg), cmp.Or(o.ArticleName, o.Article))
	if f.Refused != "" {
		return o.ID + " promised, no forecast", what + "\nNo forecast: " + f.Refused
	}
	lines := []string{what, fmt.Sprintf("Done with 50 %% by %s, 80 %% by %s, 90 %% by %s", day(f.P50), day(f.P80), day(f.P90))}
	if !o.Promise.IsZero() {
		lines = append(lines, fmt.Sprintf("Promised for %s, %.0f in 20 to miss it", day(o.Promise), 20*f.MissChance))
	}
	if len(o.Machines) > 0 {
		lines = append(lines, "On "+strings.Join(o.Machines, ", "))
	}
	return o.ID + " ready with 80 %", strings.Join(lines, "\n")
}
