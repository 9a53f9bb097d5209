package floor

import (
	"context"
	"fmt"
	"hash/fnv"
	"time"

	"turnwise/planner/forecast"
	"turnwise/server/store"
)

// pastOrders bounds the kept forecasts that are read to learn from: five
// brackets and a promise of as many orders as the planner looks at.
const pastOrders = 6 * forecast.KeptOrders

// pastForecasts are the forecasts of orders that have ended.
func (f *Floor) pastForecasts(ctx context.Context) ([]forecast.Kept, error) {
	if f.c.Promises == nil {
		return nil, nil
	}
	kept, err := f.c.Promises.KeptForecasts(ctx, store.KeptQuery{Ended: true, Limit: pastOrders})
	if err != nil {
		return nil, fmt.Errorf("floor: read kept forecasts: %w", err)
	}
	var out []forecast.Kept
	for _, k := range kept {
		if k.Machine == "" {
			continue // it was kept before split orders were learnt from
		}
		law := forecast.Points{Least: k.Raw.Least, Atom: k.Raw.Atom, At: k.Raw.At}
		out = append(out, forecast.Kept{
			Order: k.Order, Machine: k.Machine, Made: sinceEpoch(k.Made), Ended: sinceEpoch(k.Settled.Ended), PIT: law.PIT(k.Settled.Minutes, lot(k)),
			Ask: forecast.Ask{Stops: k.Raw.Stops, Level: k.Raw.Level, Pull: k.Raw.Pull, Begun: k.Raw.Begun, Class: k.Raw.Class},
		})
	}
	return out, nil
}

func sinceEpoch(t time.Time) float64 { return float64(t.UnixMilli()) / 60e3 }

// lot draws a number from 0 to 1 for a forecast, always the same one, so that
// two plans from the same record are the same.
func lot(k store.Kept) float64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s\n%s", k.Order, k.Occasion)
	return float64(h.Sum64()>>11) / (1 << 53)
}
