package outlook

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"turnwise/planner/unit"
)

// QuoteRequest asks for a date for a new order.
type QuoteRequest struct {
	Article    string
	QuantityKg float64
	// Risk is the accepted chance to be late, 0.01 to 0.5; 0 means 0.1.
	Risk float64
	// Machines to use; empty means the best of those with a card for the article.
	Machines []string
}

// QuoteResult is the answer to a QuoteRequest.
type QuoteResult struct {
	// Promise is the date that is missed with the accepted chance; zero when
	// Finish.Refused says why there is none.
	Promise     time.Time
	Finish      Finish
	Jobs        []JobOutlook
	Assumptions []string // what was taken for granted, one sentence each
}

const (
	usualRisk = 0.1
	// A machine more must bring the date forward by so much working time, or the
	// order keeps to fewer machines.
	worthwhile   = 24 * 60 // minutes
	mostMachines = 8
)

// candidate is a machine that could knit the new order behind its present jobs.
type candidate struct {
	q     *queue
	w     work
	start float64
	card  Card
}

// Quote gives a date for a new order behind the present jobs of the machines. It
// takes the machine that would be done first, and one more as long as that brings
// the date a working day forward.
func Quote(s Snapshot, now time.Time, r QuoteRequest) (QuoteResult, error) {
	risk := r.Risk
	if risk == 0 {
		risk = usualRisk
	}
	if !(risk >= 0.01 && risk <= 0.5) {
		return QuoteResult{}, refuse("quote: risk is %g, expected 0.01 to 0.5, for example 0.1 for one date in ten late", r.Risk)
	}
	if !(r.QuantityKg > 0 && r.QuantityKg <= maxKg) {
		return QuoteResult{}, refuse("quote: quantity is %g kg, expected above 0 to %g", r.QuantityKg, maxKg)
	}
	d, err := newDesk(s, now)
	if err != nil {
		return QuoteResult{}, err
	}
	all, left, reason := d.candidates(r)
	if reason != "" {
		return QuoteResult{Finish: Finish{Refused: reason}, Assumptions: left}, nil
	}
	chosen := all
	if len(r.Machines) == 0 {
		chosen = choose(all, r.QuantityKg)
	}
	spread(chosen, r.QuantityKg)
	return d.answer(chosen, left, r, risk), nil
}

// candidates gives the machines that may knit the article, sentences about those
// left out, or the reason why there is none.
func (d *desk) candidates(r QuoteRequest) (all []*candidate, left []string, reason string) {
	rollKg := 0.0
	for _, o := range d.s.Orders {
		if o.Article == r.Article && o.RollKg > 0 {
			rollKg = o.RollKg
			break
		}
	}
	for i := range d.queues {
		q := &d.queues[i]
		if len(r.Machines) > 0 && !slices.Contains(r.Machines, q.m.ID) {
			continue
		}
		card, ok := d.cardFor(q.m, r.Article)
		if !ok {
			if len(r.Machines) > 0 {
				return nil, nil, fmt.Sprintf("Enter a card for %s on %s", r.Article, name(q.m.ID))
			}
			continue
		}
		c := &candidate{q: q, card: card}
		c.w = work{job: &Job{Card: card}, rollKg: rollKg}
		c.w.grams, c.w.speed, c.w.reason = ability(q.m, card)
		c.w.doubt = doubt(q.m)
		n := len(q.jobs)
		c.w.setup = n == 0 || q.jobs[n-1].job.Card.ID != card.ID
		if why := cmp.Or(c.w.reason, q.blocked()); why != "" {
			left = append(left, fmt.Sprintf("Leave out %s: %s", name(q.m.ID), why))
			continue
		}
		c.start = q.start(n)
		all = append(all, c)
	}
	if len(all) > 0 {
		return all, left, ""
	}
	if len(left) > 0 {
		return nil, left, "No machine with a card for it can be forecast"
	}
	return nil, nil, fmt.Sprintf("Enter a knit card for %s; no machine has one", r.Article)
}

// blocked is the first reason why a job of the queue has no forecast.
func (q *queue) blocked() string {
	for _, w := range q.jobs {
		if w.reason != "" {
			return w.reason
		}
	}
	return ""
}

// cardFor is a machine's card for an article: of its jobs first, as that needs no
// change, then of its other cards.
func (d *desk) cardFor(m *Machine, article string) (Card, bool) {
	for _, j := range slices.Backward(m.Jobs) {
		if o := d.orders[j.Order]; j.Card.Article == article || o != nil && o.Article == article {
			return j.Card, true
		}
	}
	for _, c := range m.Cards {
		if c.Article == article {
			return c, true
		}
	}
	return Card{}, false
}

// choose adds machines while each one makes the expected end a working day sooner.
func choose(all []*candidate, kg float64) []*candidate {
	var chosen []*candidate
	end := math.Inf(1)
	for len(chosen) < mostMachines {
		var best *candidate
		bestEnd := end
		for _, c := range all {
			if slices.Contains(chosen, c) {
				continue
			}
			if e := spread(append(slices.Clone(chosen), c), kg); e < bestEnd {
				best, bestEnd = c, e
			}
		}
		if best == nil || len(chosen) > 0 && end-bestEnd < worthwhile {
			break
		}
		chosen, end = append(chosen, best), bestEnd
	}
	return chosen
}

// spread shares the kilos so that all end together, and gives the expected end.
func spread(cs []*candidate, kg float64) (end float64) {
	parts := make([]part, len(cs))
	for i, c := range cs {
		parts[i] = part{c.q, &c.w, c.start, c.q.rate(&c.w)}
	}
	level(parts, kg)
	for _, p := range parts {
		if p.w.kg > 0 {
			end = max(end, p.start+p.w.kg/p.rate)
		}
	}
	return end
}

func (d *desk) answer(chosen []*candidate, left []string, r QuoteRequest, risk float64) QuoteResult {
	var out QuoteResult
	var stretches []stretch
	var names, basis []string
	for _, c := range chosen {
		if c.w.kg <= 0 {
			continue
		}
		todo, err := c.q.stretch(append(slices.Clone(c.q.jobs), c.w))
		if err != nil {
			out.Finish.Refused = fmt.Sprintf("Ask for less, or other machines: %s: %v", name(c.q.m.ID), err)
			return out
		}
		stretches = append(stretches, todo)
		job := JobOutlook{Machine: c.q.m.ID, RemainingKg: c.w.kg, RemainingRevolutions: unit.Revolutions(c.w.turns()), Finish: d.finish(todo.law, time.Time{})}
		job.Finish.Basis = append(c.q.basis(), d.fleet.Basis()...)
		out.Jobs = append(out.Jobs, job)
		names = append(names, name(c.q.m.ID))
		basis = append(basis, c.q.basis()...)
	}
	law, _, err := told(stretches)
	if err != nil {
		out.Finish.Refused = fmt.Sprintf("Ask for less, or other machines: %v", err)
		return out
	}
	out.Finish = d.finish(law, time.Time{})
	out.Finish.goes(stretches, law)
	d.together(out.Jobs, stretches, law, time.Time{})
	out.Finish.Corrected = d.past.corrected(stretches)
	out.Finish.Basis = append(basis, d.fleet.Basis()...)
	if out.Finish.Refused == "" {
		out.Promise, _ = d.clock.After(minutes(law.Quantile(1 - risk)))
		out.Finish.MissChance = risk
	}
	out.Assumptions = append(d.assumptions(chosen, names, r), left...)
	return out
}

// assumptions says what the date rests on beside the history of stops.
func (d *desk) assumptions(chosen []*candidate, names []string, r QuoteRequest) []string {
	out := []string{fmt.Sprintf("Knit on %s, behind the present jobs", strings.Join(names, ", "))}
	for _, c := range chosen {
		if c.w.kg <= 0 {
			continue
		}
		out = append(out, fmt.Sprintf("Run %s at %.1f rpm, knit %s kg there", name(c.q.m.ID), float64(c.w.speed), kilos(c.w.kg)))
		if c.w.setup {
			out = append(out, fmt.Sprintf("Change %s to card %s first", name(c.q.m.ID), c.card.ID))
		}
	}
	out = append(out, d.yarnFor(chosen, r)...)
	switch {
	case len(d.s.Calendar.Shifts) == 0:
		out = append(out, "Work round the clock; no shifts are entered")
	default:
		var shifts []string
		for _, s := range d.s.Calendar.Shifts {
			if s.Name != "" && !slices.Contains(shifts, s.Name) {
				shifts = append(shifts, s.Name)
			}
		}
		out = append(out, "Work the shifts of the calendar: "+strings.Join(shifts, ", "))
	}
	return out
}

// yarnFor tells whether the cards' lots cover the new order after all others.
func (d *desk) yarnFor(chosen []*candidate, r QuoteRequest) []string {
	free := map[string]float64{}
	for _, l := range d.s.Lots {
		free[l.ID] = sanitized(l.StoreKg) + sanitized(l.AtMachineKg) + d.onCreels(l.ID)
	}
	for i := range d.s.Orders {
		needs, _ := d.needs(d.s.Orders[i].ID)
		for lot, kg := range needs {
			free[lot] -= kg
		}
	}
	waste := 0.0
	for _, o := range d.s.Orders {
		if o.Article == r.Article && o.WasteRatio > 0 && o.WasteRatio < 1 {
			waste = o.WasteRatio
			break
		}
	}
	need := map[string]float64{}
	var lots []string
	for _, c := range chosen {
		shares, err := c.card.Knit.Shares()
		if err != nil {
			continue
		}
		for k, f := range c.card.Feeds {
			if k >= len(shares) || f.Lot == "" {
				continue
			}
			if _, seen := need[f.Lot]; !seen {
				lots = append(lots, f.Lot)
			}
			need[f.Lot] += c.w.kg * shares[k] * (1 + waste)
		}
	}
	var out []string
	for _, lot := range lots {
		if _, known := d.lots[lot]; !known {
			out = append(out, fmt.Sprintf("Have %s kg of lot %s; its stock is not entered", kilos(need[lot]), lot))
		} else if short := need[lot] - max(free[lot], 0); short >= 0.5 {
			out = append(out, fmt.Sprintf("Get %s kg more of lot %s, or another lot", kilos(short), lot))
		} else {
			out = append(out, fmt.Sprintf("Lot %s covers it after all other orders", lot))
		}
	}
	if len(lots) == 0 {
		out = append(out, "Have the yarn in store; the cards name no lots")
	}
	return out
}
