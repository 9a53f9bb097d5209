package outlook

import "turnwise/planner/forecast"

// corrected is the number of orders whose forecasts have put chances right.
func (d *desk) corrected() int {
	orders := map[string]bool{}
	for _, k := range d.s.Past {
		orders[k.Order] = true
	}
	return min(len(orders), forecast.KeptOrders)
}
