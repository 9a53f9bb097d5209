package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/url"
	"time"

	"turnwise/server/floor"
	"turnwise/server/store"
)

const keptListed = 60 // rows of the table of outcomes

// The page of promised and happened: of dates given with 90 %, were 90 % kept?
type keptData struct {
	Empty    string
	Number   string // of forecasts whose order is done
	Note     string
	Groups   []keptGroup
	Outcomes []outcomeRow
	More     string
	Filter   string
}

type keptGroup struct {
	Name, Count string
	Levels      []keptLevel
	Places      template.HTML
	PlacesWords string
	Error       string
}

type keptLevel struct {
	Told, Share, Range string
	Picture            template.HTML
	Off                bool
}

type outcomeRow struct {
	Order, For, Made, Promise, Late, Became, Place string
}

func (s *site) kept(ctx context.Context, q url.Values, now time.Time) (view, error) {
	d := keptData{}
	c, err := s.floor.Calibration(ctx, floor.KeptQuery{Article: q.Get("article"), Structure: q.Get("structure")})
	switch {
	case errors.Is(err, floor.ErrNoRecord):
		d.Empty = "This server keeps no forecasts."
	case err != nil:
		return view{}, fmt.Errorf("web: kept forecasts: %w", err)
	case len(c.Outcomes) == 0:
		d.Empty = "No forecast has been kept yet. One is kept when a promise is entered, and at 0, 25, 50, 75 and 90 % of each order."
	case len(c.Groups) == 0:
		d.Empty = fmt.Sprintf("%d %s kept; no order of them is done yet.", len(c.Outcomes), plural(len(c.Outcomes), "forecast is", "forecasts are"))
	}
	for _, g := range c.Groups {
		d.Groups = append(d.Groups, keptGroupOf(g))
	}
	if len(c.Groups) > 0 {
		all := c.Groups[0]
		d.Number, d.Note = wholeShare(all.Levels[len(all.Levels)-1].Share), fmt.Sprintf("of %d %s by the date given with 90 %%", all.Count, plural(all.Count, "forecast, its order was done", "forecasts, their orders were done"))
	}
	for i, k := range c.Outcomes {
		if i == keptListed {
			d.More = fmt.Sprintf("%d older ones are left out; `planner kept --json` lists them.", len(c.Outcomes)-i)
			break
		}
		d.Outcomes = append(d.Outcomes, s.outcomeRow(k, c.Places[i], now))
	}
	return view{Title: "Promised and happened", Data: d, Still: true}, nil
}

func (s *site) outcomeRow(k store.Kept, place float64, now time.Time) outcomeRow {
	r := outcomeRow{Order: k.Order, For: keptFor(k, s.zone), Made: promiseTime(k.Made, now, s.zone), Promise: promiseTime(k.Promise, now, s.zone),
		Late: fmt.Sprintf("%.0f/20", 20*k.MissChance), Became: "runs", Place: "–"}
	if k.Promise.IsZero() {
		r.Late = "–"
	}
	switch {
	case k.Settled.Void != "":
		r.Became = sentence(capital(k.Settled.Void))
	case !k.Settled.Ended.IsZero():
		r.Became, r.Place = "done "+promiseTime(k.Settled.Ended, now, s.zone), wholeShare(place)+" %"
	}
	return r
}

// keptGroupOf draws each chance that was told against the share that was kept.
func keptGroupOf(g floor.CalibrationGroup) keptGroup {
	out := keptGroup{Name: capital(g.Name), Count: fmt.Sprint(g.Count), Error: spent(g.CRPS)}
	for _, l := range g.Levels {
		k := keptLevel{Told: wholeShare(l.Chance), Share: wholeShare(l.Share), Range: wholeShare(l.Low) + " to " + wholeShare(l.High), Off: l.Share < l.Low || l.Share > l.High}
		d := newDrawing("kbar", 24)
		d.line("base", 0, 18, 100, 18)
		d.rect("sun", 100*l.Low, 100*(l.High-l.Low), 4, 14)
		d.post("pr", 100*l.Chance, 3, 2, 16)
		class := "bd"
		if k.Off {
			class = "bd lt"
		}
		d.dot(class, 100*l.Share, 11, 4.2)
		k.Picture = d.html()
		out.Levels = append(out.Levels, k)
	}
	most := 1
	for _, n := range g.Tenths {
		most = max(most, n)
	}
	const tall = 44.0
	d := newDrawing("tenths", tall+14)
	for i, n := range g.Tenths {
		h := tall * float64(n) / float64(most)
		d.rect("bc", 10*float64(i)+1, 8, tall-h, h)
	}
	even := tall - tall*float64(g.Count)/10/float64(most)
	d.line("tie", 0, even, 100, even)
	d.line("base", 0, tall, 100, tall)
	d.text("ax", "start", 0, tall+13, "", "early")
	d.text("ax", "end", 100, tall+13, "", "late")
	out.Places = d.html()
	out.PlacesWords = fmt.Sprintf("Outcomes by tenths of their law, early to late: %d", g.Tenths)
	return out
}
