// Package record keeps forecasts as they were told and notes what became of
// them, so that a mill can check its own word and the next forecasts learn
// from the last.
//
// The one rule: what was told is never changed afterwards. It forecasts
// nothing and scores nothing; the planner does.
package record

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"strconv"
	"time"

	"turnwise/planner/calendar"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Floor is what the record asks of the live picture.
type Floor interface {
	Orders(ctx context.Context) ([]floor.OrderView, error)
	DoneAt(ctx context.Context, order string) (time.Time, bool, error)
}

// Options tunes a Record. The zero value works.
type Options struct {
	Calendar calendar.Calendar // no shifts = the mill always works
	Period   time.Duration     // of looking; 0 = a minute
	Log      *slog.Logger      // nil = silent
}

// points of a kept law.
const points = 100

// brackets are the shares of an order, in per cent, at which a forecast is
// kept: the first one told in each bracket.
var brackets = []int{90, 75, 50, 25, 0}

// sameKg is the share by which the kilos of an order may differ and still be
// the order that was forecast.
const sameKg = 0.005

// Record keeps forecasts.
type Record struct {
	floor Floor
	st    store.PromiseRecord
	o     Options
	known map[key]*store.Kept // nil until read
}

type key struct{ order, occasion string }

// New makes a Record. Nothing is read before Run.
func New(f Floor, st store.PromiseRecord, o Options) *Record {
	if o.Period <= 0 {
		o.Period = time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Record{floor: f, st: st, o: o}
}

// Run looks every period until ctx ends. It returns nil then.
func (r *Record) Run(ctx context.Context) error {
	tick := time.NewTicker(r.o.Period)
	defer tick.Stop()
	for broken := false; ; {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err := r.look(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil && !broken {
			r.o.Log.Error("forecasts are not kept", "err", err)
		}
		broken = err != nil
	}
}

// look keeps what is told for the first time, and settles what has ended.
func (r *Record) look(ctx context.Context) error {
	if r.known == nil {
		kept, err := r.st.KeptForecasts(ctx, store.KeptQuery{})
		if err != nil {
			return fmt.Errorf("record: %w", err)
		}
		r.known = make(map[key]*store.Kept, len(kept))
		for i := range kept {
			r.known[key{kept[i].Order, kept[i].Occasion}] = &kept[i]
		}
	}
	orders, err := r.floor.Orders(ctx)
	if err != nil {
		return fmt.Errorf("record: %w", err)
	}
	settled, err := r.settle(ctx, orders)
	if err != nil {
		return err
	}
	if len(settled) > 0 {
		if err := r.st.SettleForecasts(ctx, settled); err != nil {
			return fmt.Errorf("record: %w", err)
		}
		for _, s := range settled {
			r.known[key{s.Order, s.Occasion}].Settled = s
		}
	}
	var kept []store.Kept
	for i := range orders {
		for _, k := range forecasts(&orders[i]) {
			if r.known[key{k.Order, k.Occasion}] == nil {
				kept = append(kept, k)
			}
		}
	}
	if len(kept) == 0 {
		return nil
	}
	if err := r.st.KeepForecasts(ctx, kept); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	for i := range kept {
		r.known[key{kept[i].Order, kept[i].Occasion}] = &kept[i]
	}
	return nil
}

// forecasts are those of an order that are worth keeping now: one for the
// promise, if it has one, and one for the share that is done.
func forecasts(o *floor.OrderView) []store.Kept {
	if o.Outlook.Finish.Refused != "" || !(o.QuantityKg > 0) || !(o.Outlook.RemainingKg > 0) {
		return nil
	}
	k := store.Kept{
		Order: o.ID, Made: o.At, Article: o.Article, Structure: o.Structure, QuantityKg: o.QuantityKg, RemainingKg: o.Outlook.RemainingKg,
		Promise: o.Promise, MissChance: min(max(o.Outlook.Finish.MissChance, 0), 1), Machine: o.Outlook.Machine,
	}
	if k.Machine != "" {
		p, a := o.Outlook.Raw.Points(), o.Outlook.Ask
		k.Raw = store.KeptRaw{Least: p.Least, Atom: p.Atom, At: p.At, Stops: a.Stops, Level: a.Level, Pull: a.Pull, Begun: a.Begun, Class: a.Class}
	}
	for i := range points {
		m := max(o.Outlook.Law.Quantile((float64(i)+0.5)/points), 0)
		if n := len(k.Minutes); n > 0 {
			m = max(m, k.Minutes[n-1])
		}
		k.Minutes = append(k.Minutes, m)
	}
	done := 100 * (1 - o.Outlook.RemainingKg/o.QuantityKg)
	var out []store.Kept
	for _, b := range brackets {
		if done >= float64(b) {
			k.Occasion = strconv.Itoa(b) + " % done"
			out = append(out, k)
			break
		}
	}
	if !o.Promise.IsZero() {
		k.Occasion = "promised for " + o.Promise.UTC().Format(time.RFC3339)
		out = append(out, k)
	}
	return out
}

// settle tells what became of the open forecasts.
func (r *Record) settle(ctx context.Context, orders []floor.OrderView) ([]store.Settled, error) {
	byID := make(map[string]*floor.OrderView, len(orders))
	for i := range orders {
		byID[orders[i].ID] = &orders[i]
	}
	ended := map[string]time.Time{}
	var out []store.Settled
	for k, kept := range r.known {
		if !kept.Settled.Open() {
			continue
		}
		s := store.Settled{Order: k.order, Occasion: k.occasion}
		o := byID[k.order]
		switch {
		case o == nil:
			s.Void = "the order was taken out of the book"
		case math.Abs(o.QuantityKg-kept.QuantityKg) > sameKg*kept.QuantityKg:
			s.Void = fmt.Sprintf("the order was changed from %g to %g kg", kept.QuantityKg, o.QuantityKg)
		case o.Article != kept.Article:
			s.Void = fmt.Sprintf("the order was changed from article %s to %s", kept.Article, o.Article)
		case o.Outlook.RemainingKg > 0:
			continue
		default:
			at, seen := ended[k.order]
			if !seen {
				var ok bool
				var err error
				if at, ok, err = r.floor.DoneAt(ctx, k.order); err != nil {
					return nil, fmt.Errorf("record: when order %s was done: %w", k.order, err)
				} else if !ok {
					continue // the books are a moment behind the outlook
				}
				ended[k.order] = at
			}
			if at.Before(kept.Made) {
				s.Void = "the order was done before: its kilos came in late or were entered"
				break
			}
			s.Ended, s.Minutes = at, r.o.Calendar.Working(kept.Made, at).Minutes()
		}
		out = append(out, s)
	}
	return out, nil
}
