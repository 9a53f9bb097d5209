package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// The page of one order: when it is done, what that rests on and what would
// help.
type orderData struct {
	ID, Title, Machines string
	Top                 orderTop
	Goes                goes
	Chosen              *balanceData
	Told                []toldRow
	WhatIf              string
}

// orderTop is what changes with every look.
type orderTop struct {
	Date, Origin, Note string
	State              stateLine
	Axis, Beads        template.HTML
	Sentence           string
	Times              []timeRow
	Lateness           string
	Why                []string
	Closed             bool
}

// timeRow is a date and the chance to be done by it.
type timeRow struct{ Chance, By string }

// goes tells where the time until the finish goes.
type goes struct {
	Running string // of all working time
	Share   string
	Parts   []goesRow
	Levers  []string
	History string
	Waiting string // what is known of it
}

type goesRow struct {
	Word, Mean, P90, Share string
	Bar                    template.HTML
}

// toldRow is a forecast as it was told, and what became of it.
type toldRow struct {
	For, Made, P50, P90, Became string
	Late                        bool
}

func (s *site) order(ctx context.Context, q url.Values, now time.Time) (view, error) {
	orders, err := s.floor.Orders(ctx)
	if err != nil {
		return view{}, fmt.Errorf("web: orders: %w", err)
	}
	i := slices.IndexFunc(orders, func(o floor.OrderView) bool { return o.ID == q.Get("order") })
	if i < 0 {
		return view{}, errNoPage
	}
	o := orders[i]
	told, err := s.toldRows(ctx, o, now)
	if err != nil {
		return view{}, err
	}
	d := orderData{
		ID: o.ID, Title: orderTitle(o), Machines: strings.Join(o.Machines, " "), Top: s.orderTop(o, now), Goes: goesOf(o.Outlook.Finish),
		Chosen: s.balanceData(o, "90", now), Told: told, WhatIf: "/whatif",
	}
	v := view{Title: o.ID, Data: d}
	v.Parts = append(v.Parts, part{ID: "otop", Template: "order-top", Data: d.Top}, part{ID: "goes", Template: "order-goes", Data: d},
		part{ID: "order", Template: "promises-order", Data: d}, part{ID: "told", Template: "order-told", Data: d})
	return v, nil
}

func (s *site) orderTop(o floor.OrderView, now time.Time) orderTop {
	f := o.Outlook.Finish
	p := s.datePlot([]floor.OrderView{o}, now)
	t := orderTop{Axis: p.head(), Beads: p.row(f, o.Promise), Closed: len(p.closed) > 0, Why: sentences(o.Outlook.Why)}
	promised := "no promise"
	if !o.Promise.IsZero() {
		promised = "promised " + promiseTime(o.Promise, now, s.zone)
	}
	switch stand(o, now) {
	case knitted:
		t.Date, t.Origin, t.Note = wholeKilos(o.QuantityKg)+" kg", counted, "All knitted; "+promised
		t.Sentence = o.ID + " is knitted."
		return t
	case undated:
		t.Date, t.Origin, t.Note = "–", unknown, "no date; "+promised
		t.State = stateLine{Word: sentence(f.Refused), Look: true}
		t.Sentence = o.ID + " has no forecast: " + sentence(f.Refused)
		return t
	case missing:
		t.State = stateLine{Word: "In danger", Rest: fmt.Sprintf(": %d of 20 finishing times are after the promise", lateBeads(f.Beads[:], o.Promise)), Look: true}
	}
	if f.Refused != "" { // promised for a time that has passed, and no forecast
		t.Date, t.Origin, t.Note = "–", unknown, promised
		t.Sentence = o.ID + " has no forecast: " + sentence(f.Refused)
		return t
	}
	t.Date, t.Origin, t.Note = doneBy(f.P90, now, s.zone), forecasted, "done by then with 90 %; "+promised
	for _, r := range []struct {
		chance string
		at     time.Time
	}{{"10 %", f.P10}, {"50 %", f.P50}, {"80 %", f.P80}, {"90 %", f.P90}, {"95 %", f.P95}} {
		if !r.at.IsZero() {
			t.Times = append(t.Times, timeRow{r.chance, doneBy(r.at, now, s.zone)})
		}
	}
	if !o.Promise.IsZero() {
		t.Lateness = minutes(f.Lateness)
	}
	t.Sentence = fmt.Sprintf("%s: %d of 20 equally likely finishing times are late, half done by %s, nine in ten by %s.",
		o.ID, lateBeads(f.Beads[:], o.Promise), doneBy(f.P50, now, s.zone), doneBy(f.P90, now, s.zone))
	return t
}

// historyWords tell whose stops a forecast rests on.
var historyWords = map[string]string{
	"machine": "The machine's own stops.", "group": "Stops of machines like it; its own are few.",
	"fleet": "Stops of all machines; its own are few.", "assumed": "An assumption: nothing has been counted yet.",
}

// goesOf draws the parts on one scale, the running time aside: it is most of
// the time and nobody wants to shorten it.
func goesOf(f outlook.Finish) goes {
	g := goes{History: historyWords[f.History]}
	if f.Corrected > 0 {
		g.History = strings.TrimSpace(g.History + fmt.Sprintf(" Chances put right by %d past forecasts.", f.Corrected))
	}
	scale := 0.0
	for _, p := range f.Parts {
		if p.Kind != outlook.PartRunning {
			scale = max(scale, p.P90, p.Mean)
		}
	}
	for _, p := range f.Parts {
		if p.Kind == outlook.PartRunning {
			g.Running, g.Share = spent(p.Mean), wholeShare(p.Share)
			continue
		}
		row := goesRow{Word: p.Words(), Mean: spent(p.Mean), P90: spent(p.P90), Share: share(p.Share)}
		if scale > 0 {
			d := newDrawing("gbar", 18)
			class := "bc"
			if p.Kind == outlook.PartSlow || p.Kind == outlook.PartProgress || p.Kind == outlook.PartHeld {
				class = "bs"
			}
			d.line("base", 0, 17, 100, 17)
			d.rect(class, 0, 100*p.Mean/scale, 4, 10)
			d.line("tail", 100*p.Mean/scale, 9, 100*p.P90/scale, 9)
			d.tick("tail", 100*p.P90/scale, 5, 13)
			row.Bar = d.html()
		}
		g.Parts = append(g.Parts, row)
	}
	if len(g.Parts) > 0 && !slices.ContainsFunc(f.Parts, func(p outlook.Part) bool { return p.Kind == outlook.PartWaiting }) {
		g.Waiting = outlook.WaitingNotKnown
	}
	for _, l := range f.Levers {
		if l.Gain >= 1 && len(g.Levers) < 3 {
			g.Levers = append(g.Levers, fmt.Sprintf("%s: %s of work earlier.", capital(l.Words()), spent(l.Gain)))
		}
	}
	return g
}

// spent writes working minutes, in hours when they are many: working days have
// no one length.
func spent(min float64) string {
	if min >= 48*60 {
		return thousands(int64(min/60+0.5)) + " h"
	}
	return minutes(time.Duration(min * float64(time.Minute)))
}

// toldRows are the forecasts of an order as they were told, the newest first.
func (s *site) toldRows(ctx context.Context, o floor.OrderView, now time.Time) ([]toldRow, error) {
	c, err := s.floor.Calibration(ctx, floor.KeptQuery{Order: o.ID})
	if errors.Is(err, floor.ErrNoRecord) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("web: kept forecasts of %s: %w", o.ID, err)
	}
	var out []toldRow
	for _, k := range c.Outcomes {
		r := toldRow{For: keptFor(k, s.zone), Made: promiseTime(k.Made, now, s.zone), P50: s.toldBy(k, 0.5, now), P90: s.toldBy(k, 0.9, now), Became: "runs"}
		switch {
		case k.Settled.Void != "":
			r.Became = sentence(capital(k.Settled.Void))
		case !k.Settled.Ended.IsZero():
			r.Became = "done " + promiseTime(k.Settled.Ended, now, s.zone)
			r.Late = !k.Promise.IsZero() && k.Settled.Ended.After(k.Promise)
		}
		out = append(out, r)
	}
	return out, nil
}

// keptFor says why a forecast was kept.
func keptFor(k store.Kept, zone *time.Location) string {
	if at, ok := strings.CutPrefix(k.Occasion, "promised for "); ok {
		if t, err := time.Parse(time.RFC3339, at); err == nil {
			return "promise of " + t.In(zone).Format("Mon 2 Jan 15:04")
		}
	}
	return k.Occasion
}

// toldBy is the date that was told with a chance.
func (s *site) toldBy(k store.Kept, p float64, now time.Time) string {
	if len(k.Minutes) == 0 {
		return "–"
	}
	i := min(int(p*float64(len(k.Minutes))), len(k.Minutes)-1)
	at, ok := s.o.Calendar.After(k.Made, time.Duration(k.Minutes[i]*float64(time.Minute)))
	if !ok {
		return "–"
	}
	return doneBy(at, now, s.zone)
}
