package outlook

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// balance fills in whether the lots cover what is left to knit. A lot that several
// orders draw is given to the earliest promise first.
func (d *desk) balance(orders []OrderOutlook) {
	free := map[string]float64{}
	stock := map[string]LotBalance{}
	for _, l := range d.s.Lots {
		b := LotBalance{Yarn: l.Yarn, Lot: l.ID, StoreKg: sanitized(l.StoreKg), AtMachine: sanitized(l.AtMachineKg), CreelKg: d.onCreels(l.ID)}
		stock[l.ID] = b
		free[l.ID] = b.StoreKg + b.AtMachine + b.CreelKg
	}
	turn := make([]int, len(orders))
	for i := range turn {
		turn[i] = i
	}
	slices.SortStableFunc(turn, func(a, b int) int {
		return d.orders[orders[a].Order].Promise.Compare(d.orders[orders[b].Order].Promise)
	})
	for _, i := range turn {
		o := &orders[i]
		needs, lots := d.needs(o.Order)
		for _, lot := range lots {
			b, ok := stock[lot]
			if !ok {
				continue
			}
			b.NeededKg = needs[lot]
			b.ShortKg = max(needs[lot]-free[lot], 0)
			free[lot] = max(free[lot]-needs[lot], 0)
			o.Yarn = append(o.Yarn, b)
		}
	}
}

func sanitized(kg float64) float64 {
	if kg > 0 && kg <= maxKg {
		return kg
	}
	return 0
}

// needs is the yarn of every lot for what is left of an order, waste included; lots
// in the order of the cards.
func (d *desk) needs(order string) (map[string]float64, []string) {
	needs := map[string]float64{}
	var lots []string
	waste := 0.0
	if o := d.orders[order]; o != nil && o.WasteRatio > 0 && o.WasteRatio < 1 {
		waste = o.WasteRatio
	}
	d.parts(order, func(q *queue, i int) {
		w := &q.jobs[i]
		if w.kg <= 0 {
			return
		}
		shares, err := w.job.Card.Knit.Shares()
		if err != nil {
			return
		}
		for k, f := range w.job.Card.Feeds {
			if k >= len(shares) || f.Lot == "" {
				continue
			}
			if _, seen := needs[f.Lot]; !seen {
				lots = append(lots, f.Lot)
			}
			needs[f.Lot] += w.kg * shares[k] * (1 + waste)
		}
	})
	return needs, lots
}

// onCreels is what is left of a lot on the cones of all machines, by the turns made
// since they were put on.
func (d *desk) onCreels(lot string) float64 {
	sum := 0.0
	for i := range d.queues {
		q := &d.queues[i]
		if len(q.jobs) == 0 {
			continue
		}
		for _, l := range q.m.Creel {
			if l.Lot != lot || l.Cones < 0 {
				continue
			}
			full := sanitized(l.ConeKg * float64(l.Cones))
			for _, g := range q.jobs[0].job.Card.Knit.Feeds {
				if g.ID != l.Group {
					continue
				}
				perEnd, err := g.MassPerEnd()
				if err != nil {
					continue
				}
				ends := min(l.Cones, g.Feeders*max(g.Ends, 1))
				drawn := float64(perEnd.Kilograms()) * float64(ends) * max(float64(q.m.Revolutions-l.AtRevolutions), 0)
				sum += max(full-drawn, 0)
			}
		}
	}
	return sum
}

// why tells what stands in the way of an order, the hardest first.
func (d *desk) why(o *OrderOutlook) []string {
	if o.RemainingKg <= 0 {
		return nil
	}
	var out []string
	add := func(format string, args ...any) {
		if s := fmt.Sprintf(format, args...); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	if o.Finish.Refused != "" {
		add("%s", o.Finish.Refused)
	}
	if p := d.orders[o.Order].Promise; !p.IsZero() && p.Before(d.now) {
		add("The promise passed with %s kg left", kilos(o.RemainingKg))
	}
	for _, y := range o.Yarn {
		if y.ShortKg >= 0.5 {
			add("Lot %s ends %s kg short", y.Lot, kilos(y.ShortKg))
		}
	}
	d.parts(o.Order, func(q *queue, i int) { d.whyMachine(q, i, add) })
	if given := assigned(o); len(o.Jobs) > 0 && o.RemainingKg-given > 1 {
		add("Assign %s kg; no machine has them", kilos(o.RemainingKg-given))
	}
	if cause, minutes, machine := d.biggestCause(o.Order); minutes >= 1 {
		add("Expect %s of %s on %s", inMinutes(minutes), stopsOf(cause), name(machine))
	}
	return out
}

func inMinutes(m float64) string {
	if m = math.Round(m); m == 1 {
		return "1 minute"
	}
	return fmt.Sprintf("%.0f minutes", m)
}

func assigned(o *OrderOutlook) float64 {
	sum := 0.0
	for _, j := range o.Jobs {
		sum += j.RemainingKg
	}
	return sum
}

func (d *desk) whyMachine(q *queue, i int, add func(string, ...any)) {
	w := &q.jobs[i]
	if w.reason != "" || w.kg <= 0 {
		return
	}
	card := w.job.Card.SpeedRPM
	if i == 0 && speedKnown(card) && float64(w.speed) < slow*card {
		add("%s runs %.0f rpm, the card says %.0f", name(q.m.ID), float64(w.speed), card)
	}
	if q.stop != nil && q.stop.ElapsedMin >= 1 {
		add("%s has stood %s: %s", name(q.m.ID), inMinutes(q.stop.ElapsedMin), stopWord(q.stop.Cause))
	}
	if q.m.State == Unknown {
		add("Nothing is heard from %s", name(q.m.ID))
	}
	if i > 0 {
		add("%s knits %s first", name(q.m.ID), q.jobs[0].job.Order)
	}
}

// biggestCause is the cause and machine with the most minutes expected until the
// order is done.
func (d *desk) biggestCause(order string) (cause string, minutes float64, machine string) {
	d.parts(order, func(q *queue, i int) {
		todo, err := q.until(q.jobs[:i+1])
		if err != nil || q.jobs[i].kg <= 0 {
			return
		}
		if causes := q.forecast.Expect(todo); len(causes) > 0 && causes[0].Minutes > minutes {
			cause, minutes, machine = causes[0].Cause, causes[0].Minutes, q.m.ID
		}
	})
	return cause, minutes, machine
}

func stopWord(cause string) string {
	if cause == "" {
		return "cause not given"
	}
	return strings.TrimSuffix(strings.TrimPrefix(wordsOf(cause)[1], "the "), " stop")
}

// kilos with a mark at thousands, to the whole kilo.
func kilos(kg float64) string {
	n := int64(math.Round(kg))
	if n < 1000 {
		return fmt.Sprint(n)
	}
	s := fmt.Sprintf("%03d", n%1000)
	for n /= 1000; n >= 1000; n /= 1000 {
		s = fmt.Sprintf("%03d,%s", n%1000, s)
	}
	return fmt.Sprintf("%d,%s", n, s)
}
