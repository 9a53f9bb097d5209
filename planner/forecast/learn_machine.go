package forecast

import "slices"

// machine weighs a history against its group and fleet.
func (f *Fleet) machine(own seen) *Machine {
	m := &Machine{fleet: f, id: own.machine, own: own}
	if f.minutes < littleHistory {
		m.stops = []Stops{{
			Cause:     "",
			Rate:      Rate{(anyStopCount + float64(f.stops)) / (anyStopMinutes + f.minutes), anyStopCount + float64(f.stops)},
			Durations: f.pooled,
		}}
		return m
	}
	n := len(f.causes)
	prior := make([][]float64, n)
	for c := range prior {
		prior[c] = slices.Repeat([]float64{f.spread.machine}, n)
		prior[c][c] += f.spread.own[c]
	}
	past, now := f.tallies(own, own.lastNumber)
	orders := past
	if own.lastNumber >= 0 {
		orders = append(slices.Clone(past), now)
	}
	factor, rel := credit(prior, orders, f.spread.order)
	m.change = f.follow(f.orderSums(own, -1))
	m.change.apply(factor, rel)
	m.stops, m.common = f.predict(own, factor, rel, f.spread.order)
	if own.lastNumber < 0 || !(f.spread.order > 0) {
		return m
	}
	// The order that the machine is on: its factor and the machine's are told
	// together by its stops, the machine's apart by the orders before.
	factor, rel = credit(prior, past, f.spread.order)
	f.follow(f.orderSums(own, own.lastNumber)).apply(factor, rel)
	for c := range now.expected {
		now.expected[c] *= factor[c]
		for d := range rel[c] {
			rel[c][d] += f.spread.order
		}
	}
	now.known = false // its factor is part of what is sought
	more, rel := credit(rel, []tally{now}, 0)
	for c := range factor {
		factor[c] *= more[c]
	}
	current := &Machine{fleet: f, id: m.id, own: own}
	current.stops, current.common = f.predict(own, factor, rel, 0)
	m.current = current
	return m
}

// predict turns factors and what they may still be into rates: the covariance is
// given by a part of their own and one that all causes have in common.
func (f *Fleet) predict(own seen, factor []float64, rel [][]float64, order float64) (stops []Stops, common float64) {
	var minutes, spread []float64
	var picked []int
	for c, cause := range f.causes {
		if cause.planned {
			continue
		}
		law, doubt := f.durations(own, cause)
		rate := f.base(own.group, c) * factor[c] * f.tideNow()
		// Rate and mean duration multiply in the minutes lost, so what is not known
		// of the mean duration is counted with the rate. A doubt about the fleet's
		// rate weighs as far as the machine's own has not replaced it.
		left := rel[c][c] / (f.spread.machine + f.spread.own[c])
		picked = append(picked, c)
		minutes = append(minutes, rate*law.Mean())
		spread = append(spread, rel[c][c]+doubt+cause.doubt*min(left*left, 1))
		stops = append(stops, Stops{cause.cause, Rate{Mean: rate}, law})
	}
	var sum, squares, apart, together float64
	for i, c := range picked {
		sum += minutes[i]
		squares += minutes[i] * minutes[i]
		apart += minutes[i] * minutes[i] * spread[i]
		for j, d := range picked {
			if i != j {
				together += minutes[i] * minutes[j] * rel[c][d]
			}
		}
	}
	shared := 0.0
	if cross := sum*sum - squares; cross > 1e-9*sum*sum {
		shared = max(together/cross, 0)
	}
	// What is left to each cause gives the minutes lost the variance they have.
	rest := 1.0
	if apart > 0 {
		rest = max(apart+together-shared*sum*sum, 0.05*apart) / apart
	}
	for i := range stops {
		stops[i].Rate.Shape = 1 / max(spread[i]*rest, least)
	}
	if shared += order; shared > least {
		common = 1 / shared
	}
	return stops, common
}

// mix is the level of the running minutes told by class, against the usual.
func (f *Fleet) mix(classMinutes []float64) float64 {
	var sum, level float64
	for class, minutes := range classMinutes {
		if minutes > 0 {
			sum += minutes
			level += minutes * f.level(class, 0)
		}
	}
	if !(sum > 0 && level < 1e12) {
		return 1
	}
	return level / sum
}
