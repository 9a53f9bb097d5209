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
)

// The page of what-ifs: changes are gathered in the address, so that nothing
// is written anywhere and a what-if can be sent to somebody.
type whatifData struct {
	C        string // the phrases so far
	Phrases  []phrase
	Fault    string
	Warnings []string
	Effects  []effectRow
	Same     string
	Axis     template.HTML
	Closed   bool
	Machines []choice
	Orders   []string
	Day      string // for the fields of time
	Asked    bool
}

// phrase is one supposed change with the address without it.
type phrase struct{ Text, Without string }

type effectRow struct {
	Order, Machines string
	Now, Then       template.HTML
	Sentence, Words string
	LateNow, Late   string
	DateNow, Date   string
	Hot             bool
}

func (s *site) whatif(ctx context.Context, q url.Values, now time.Time) (view, error) {
	orders, err := s.floor.Orders(ctx)
	if err != nil {
		return view{}, fmt.Errorf("web: orders: %w", err)
	}
	d := whatifData{C: q.Get("c"), Day: now.In(s.zone).Format("2006-01-02T15:04")}
	for _, m := range s.floor.Machines() {
		d.Machines = append(d.Machines, choice{Word: nameOf(m), Href: m.ID})
	}
	slices.SortFunc(d.Machines, func(a, b choice) int { return natural(a.Word, b.Word) })
	for _, o := range orders {
		if stand(o, now) != knitted {
			d.Orders = append(d.Orders, o.ID)
		}
	}
	slices.SortFunc(d.Orders, natural)
	changes, fault := s.supposed(q, &d)
	if fault == nil && len(changes) > 0 {
		d.Asked = true
		var w floor.WhatIfView
		if w, err = s.floor.WhatIf(ctx, changes...); errors.Is(err, outlook.ErrRequest) {
			fault = err
		} else if err != nil {
			return view{}, fmt.Errorf("web: what if: %w", err)
		} else {
			d.Warnings = w.Warnings
			s.effects(&d, w, orders, now)
		}
	}
	if fault != nil {
		d.Asked = false
		d.Fault = sentence(capital(fault.Error()))
	}
	return view{Title: "What if", Data: d, Still: true}, nil
}

// supposed reads the changes of the address and the one of the form.
func (s *site) supposed(q url.Values, d *whatifData) ([]outlook.Change, error) {
	text := d.C
	if next := formPhrase(q); next != "" {
		text = strings.TrimPrefix(text+", "+next, ", ")
	}
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	changes, err := outlook.ParseChanges(text, s.zone)
	if err != nil {
		return nil, err
	}
	d.C = phrases(changes, s.zone)
	for i, c := range changes {
		rest := slices.Delete(slices.Clone(changes), i, i+1)
		d.Phrases = append(d.Phrases, phrase{outlook.Say(c, s.zone), "/whatif" + query("c", phrases(rest, s.zone))})
	}
	return changes, nil
}

func phrases(changes []outlook.Change, zone *time.Location) string {
	out := make([]string, len(changes))
	for i, c := range changes {
		out[i] = outlook.Phrase(c, zone)
	}
	return strings.Join(out, ", ")
}

// formPhrase is the change that a form asks for.
func formPhrase(q url.Values) string {
	field := func(name string) string { // one word: the parser says what is wrong with it
		return strings.ReplaceAll(strings.Join(strings.Fields(q.Get(name)), "_"), ",", ".")
	}
	var words []string
	switch verb := q.Get("add"); verb {
	case "slow":
		words = []string{verb, field("machine"), field("rpm")}
	case "down":
		words = []string{verb, field("machine"), field("time")}
	case "add":
		words = []string{verb, field("machine"), field("order")}
	case "open", "close":
		words = []string{verb, field("from"), field("to")}
	default:
		return ""
	}
	for i, w := range words {
		if w == "" {
			words[i] = "?"
		}
	}
	return strings.Join(words, " ")
}

// effects draws every order that moves, as it stands and as it would.
func (s *site) effects(d *whatifData, w floor.WhatIfView, orders []floor.OrderView, now time.Time) {
	var until []time.Time
	for _, e := range w.Effects {
		until = append(until, e.Promise)
		for _, f := range []outlook.Finish{e.Before, e.After} {
			if f.Refused == "" {
				until = append(until, f.Beads[19])
			}
		}
	}
	a := dateAxis(now, s.zone, until)
	p := datePlot{axis: a, now: now.Truncate(time.Hour), zone: s.zone, days: a.days(s.zone), closed: closedTimes(s.o.Calendar, a)}
	d.Axis, d.Closed = p.head(), len(p.closed) > 0
	for _, e := range w.Effects {
		r := effectRow{Order: e.Order, Sentence: sentence(e.Sentence), Now: p.row(e.Before, e.Promise), Then: p.row(e.After, e.Promise),
			Hot: e.After.Refused != "" || e.After.MissChance > missLimit && !e.Promise.IsZero()}
		if i := slices.IndexFunc(orders, func(o floor.OrderView) bool { return o.ID == e.Order }); i >= 0 {
			r.Machines = strings.Join(orders[i].Machines, " ")
		}
		r.LateNow, r.DateNow = beadWords(e.Before, e.Promise), s.dateOf(e.Before, now)
		r.Late, r.Date = beadWords(e.After, e.Promise), s.dateOf(e.After, now)
		r.Words = fmt.Sprintf("%s now: %s, 90 %% by %s. Then: %s, 90 %% by %s.", e.Order, r.LateNow, r.DateNow, r.Late, r.Date)
		d.Effects = append(d.Effects, r)
	}
	d.Same = fmt.Sprintf("%d %s as %s; everything else is taken as it is.", w.Same, plural(w.Same, "order stays", "orders stay"), plural(w.Same, "it is", "they are"))
}

func beadWords(f outlook.Finish, promise time.Time) string {
	switch {
	case f.Refused != "":
		return "no forecast"
	case promise.IsZero():
		return "no promise"
	}
	return fmt.Sprintf("%d/20 late", lateBeads(f.Beads[:], promise))
}

func (s *site) dateOf(f outlook.Finish, now time.Time) string {
	if f.Refused != "" {
		return "–"
	}
	return doneBy(f.P90, now, s.zone)
}
