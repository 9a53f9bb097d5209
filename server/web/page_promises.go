package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
)

// missLimit is the chance to miss from which an order is in danger.
const missLimit = 0.20

// The page of promises: which dates can I give, which are in danger?
type promisesData struct {
	Head    promisesHead
	Axis    template.HTML
	Danger  []orderRow
	Safe    []orderRow
	Done    []orderRow
	Risk    string
	Risks   []choice
	Chosen  *balanceData
	Twin    []orderTwin
	Empty   string
	Closed  bool
	NoShift string
}

type promisesHead struct {
	Number, Note, Origin string
}

type orderRow struct {
	ID, Order, Machines, Article, Href string
	Kg                                 string
	Picture                            template.HTML
	Sentence                           string
	Late, Of                           string
	Hot, Refused, Knitted              bool
	Date, DateOrigin                   string
	Why                                []string
	Current                            bool
}

type orderTwin struct {
	Order, Machines, Kg, Promise, Late, P10, P50, P80, P90, Why string
}

type balanceData struct {
	Order, Title string
	Picture      template.HTML
	Fabric       []balanceFigure
	Yarn         []balanceLot
	Basis        []string
	Jobs         []jobRow
}

type balanceFigure struct {
	Class, Word, Kg, Origin string
}

type balanceLot struct {
	Name    string
	Figures []balanceFigure
}

type jobRow struct {
	Machine, Name, Kg, Revolutions, By string
}

func (s *site) promises(ctx context.Context, q url.Values, now time.Time) (view, error) {
	orders, err := s.floor.Orders(ctx)
	if err != nil {
		return view{}, fmt.Errorf("web: orders: %w", err)
	}
	risk := q.Get("risk")
	if risk != "80" && risk != "50" {
		risk = "90"
	}
	sortOrders(orders, now)
	p := s.datePlot(orders, now)
	d := promisesData{Axis: p.head(), Risk: risk, Closed: len(p.closed) > 0}
	for _, r := range []string{"90", "80", "50"} {
		c := choice{Word: r + " %", Current: r == risk, Href: "/promises" + query("risk", r, "order", q.Get("order"))}
		d.Risks = append(d.Risks, c)
	}
	danger, refused := 0, 0
	chosen := pickOrder(orders, q.Get("order"))
	v := view{Title: "Promises"}
	lists := []list{{"danger", []string{}}, {"safe", []string{}}, {"done", []string{}}}
	for i, o := range orders {
		row := s.orderRow(o, p, risk, now)
		row.Current = i == chosen
		in, at := &d.Safe, 1
		switch stand(o, now) {
		case missing:
			danger++
			in, at = &d.Danger, 0
		case undated:
			refused++
		case knitted:
			in, at = &d.Done, 2
		}
		*in = append(*in, row)
		lists[at].IDs = append(lists[at].IDs, row.ID)
		v.Parts = append(v.Parts, part{ID: row.ID, Template: "order-row", Data: row})
		d.Twin = append(d.Twin, s.orderTwin(o, now))
	}
	d.Head = promisesNumber(danger, refused, len(d.Danger)+len(d.Safe), len(d.Done))
	if len(orders) == 0 {
		d.Empty = "No order is in the book yet."
	}
	if chosen >= 0 {
		d.Chosen = s.balanceData(orders[chosen], risk, now)
	}
	v.Data = d
	v.Parts = append(v.Parts, part{ID: "sum", Template: "promises-head", Data: d.Head}, part{ID: "axis", Template: "promises-axis", Data: d},
		part{ID: "order", Template: "promises-order", Data: d}, part{ID: "twin", Template: "promises-twin", Data: d})
	v.Lists = lists
	return v, nil
}

func promisesNumber(danger, refused, open, done int) promisesHead {
	h := promisesHead{Number: fmt.Sprint(danger), Origin: forecasted}
	h.Note = fmt.Sprintf("of %d open %s %s more than a 20 %% chance to miss", open, plural(open, "order", "orders"), plural(danger, "has", "have"))
	if refused > 0 {
		h.Note += fmt.Sprintf("; %d %s no forecast", refused, plural(refused, "has", "have"))
	}
	if open == 0 {
		h.Number, h.Origin, h.Note = "–", unknown, "no open orders to promise"
		if done > 0 {
			h.Number, h.Origin = "0", counted
		}
	}
	return h
}

// standing of an order, in the order of the page.
type standing uint8

const (
	missing standing = iota // its promise, with more than the tolerated chance or for certain
	undated                 // no forecast
	keeping
	knitted
)

// stand tells how an order stands. A promise that has passed with kilos left
// is missed whatever the forecast says.
func stand(o floor.OrderView, now time.Time) standing {
	const crumb = 0.5 // kg; nobody knits that
	f := o.Outlook.Finish
	passed := !o.Promise.IsZero() && o.Promise.Before(now)
	switch {
	case o.Outlook.RemainingKg < crumb:
		return knitted
	case passed, f.Refused == "" && !o.Promise.IsZero() && f.MissChance > missLimit:
		return missing
	case f.Refused != "":
		return undated
	}
	return keeping
}

// sortOrders puts the most endangered first, then by promise.
func sortOrders(orders []floor.OrderView, now time.Time) {
	chance := func(o floor.OrderView) float64 {
		if o.Outlook.Finish.Refused != "" {
			return 1
		}
		return o.Outlook.Finish.MissChance
	}
	slices.SortStableFunc(orders, func(a, b floor.OrderView) int {
		return cmp.Or(cmp.Compare(stand(a, now), stand(b, now)), cmp.Compare(chance(b), chance(a)), a.Promise.Compare(b.Promise), natural(a.ID, b.ID))
	})
}

// pickOrder finds the order whose balance line is drawn: the one asked for,
// else the most endangered one.
func pickOrder(orders []floor.OrderView, id string) int {
	if i := slices.IndexFunc(orders, func(o floor.OrderView) bool { return o.ID == id }); i >= 0 {
		return i
	}
	if len(orders) > 0 && id == "" {
		return 0
	}
	return -1
}

func (s *site) datePlot(orders []floor.OrderView, now time.Time) datePlot {
	var until []time.Time
	for _, o := range orders {
		until = append(until, o.Promise)
		if o.Outlook.Finish.Refused == "" {
			until = append(until, o.Outlook.Finish.Beads[19])
		}
	}
	a := dateAxis(now, s.zone, until)
	return datePlot{axis: a, now: now.Truncate(time.Hour), zone: s.zone, days: a.days(s.zone), closed: closedTimes(s.o.Calendar, a)}
}

func (s *site) orderRow(o floor.OrderView, p datePlot, risk string, now time.Time) orderRow {
	f := o.Outlook.Finish
	row := orderRow{
		ID: domID("o", o.ID), Order: o.ID, Machines: strings.Join(o.Machines, " "), Article: o.ArticleName,
		Href: "/promises" + query("risk", riskQuery(risk), "order", o.ID) + "#order",
		Kg:   wholeKilos(o.Outlook.RemainingKg), Picture: p.row(f, o.Promise), Why: sentences(o.Outlook.Why),
		DateOrigin: forecasted,
	}
	if row.Article == "" {
		row.Article = o.Article
	}
	row.Hot = stand(o, now) == missing
	if stand(o, now) == knitted {
		row.Knitted, row.Kg = true, wholeKilos(o.QuantityKg)
		return row
	}
	if f.Refused != "" {
		row.Refused, row.Date, row.DateOrigin = true, "–", unknown
		row.Why = append([]string{sentence("No date: " + f.Refused)}, row.Why...)
		row.Sentence = o.ID + ": no forecast, " + f.Refused
		return row
	}
	late := lateBeads(f.Beads[:], o.Promise)
	row.Late, row.Of = fmt.Sprint(late), "/20 late"
	if o.Promise.IsZero() {
		row.Late, row.Of = "", "no promise"
	}
	row.Date = doneBy(atRisk(f, risk), now, s.zone)
	row.Sentence = fmt.Sprintf("%s: promised %s, %d of 20 finishing times are late, half done by %s, nine in ten by %s.",
		o.ID, promiseTime(o.Promise, now, s.zone), late, doneBy(f.P50, now, s.zone), doneBy(f.P90, now, s.zone))
	return row
}

// sentence ends a text with a full stop.
func sentence(s string) string {
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") {
		return s
	}
	return s + "."
}

func sentences(list []string) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = sentence(s)
	}
	return out
}

func riskQuery(risk string) string {
	if risk == "90" {
		return ""
	}
	return risk
}

func atRisk(f outlook.Finish, risk string) time.Time {
	switch risk {
	case "80":
		return f.P80
	case "50":
		return f.P50
	}
	return f.P90
}

func (s *site) orderTwin(o floor.OrderView, now time.Time) orderTwin {
	f := o.Outlook.Finish
	t := orderTwin{Order: o.ID, Machines: strings.Join(o.Machines, " "), Kg: wholeKilos(o.Outlook.RemainingKg),
		Promise: promiseTime(o.Promise, now, s.zone), Why: strings.Join(sentences(o.Outlook.Why), " ")}
	if stand(o, now) == knitted {
		t.Late, t.P10, t.P50, t.P80, t.P90, t.Why = "–", "–", "–", "–", "–", "All knitted."
		return t
	}
	if f.Refused != "" {
		t.Late, t.P10, t.P50, t.P80, t.P90 = "–", "–", "–", "–", "–"
		t.Why = strings.TrimSpace(sentence("No date: "+f.Refused) + " " + t.Why)
		return t
	}
	t.Late = fmt.Sprintf("%d/20", lateBeads(f.Beads[:], o.Promise))
	t.P10, t.P50 = doneBy(f.P10, now, s.zone), doneBy(f.P50, now, s.zone)
	t.P80, t.P90 = doneBy(f.P80, now, s.zone), doneBy(f.P90, now, s.zone)
	return t
}

func (s *site) balanceData(o floor.OrderView, risk string, now time.Time) *balanceData {
	b := newBalance(o)
	d := &balanceData{Order: b.Order, Title: b.Title, Picture: b.Picture, Basis: o.Outlook.Finish.Basis}
	for _, l := range b.Fabric {
		d.Fabric = append(d.Fabric, balanceFigure{l.Class, l.Word, wholeKilos(l.Kg), l.Origin})
	}
	for _, y := range b.Yarn {
		lot := balanceLot{Name: strings.Join(nonEmpty(y.Lot, y.Yarn), ", ")}
		for _, l := range y.Lengths {
			lot.Figures = append(lot.Figures, balanceFigure{l.Class, l.Word, wholeKilos(l.Kg), l.Origin})
		}
		d.Yarn = append(d.Yarn, lot)
	}
	for _, j := range o.Outlook.Jobs {
		row := jobRow{Machine: j.Machine, Name: s.machineName(j.Machine), Kg: wholeKilos(j.RemainingKg), Revolutions: thousands(int64(j.RemainingRevolutions)), By: "–"}
		if j.Finish.Refused == "" {
			row.By = doneBy(atRisk(j.Finish, risk), now, s.zone)
		}
		d.Jobs = append(d.Jobs, row)
	}
	return d
}

func nonEmpty(parts ...string) []string {
	return slices.DeleteFunc(parts, func(s string) bool { return s == "" })
}
