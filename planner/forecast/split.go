package forecast

import (
	"fmt"
	"math"
	"slices"
)

// Part is the work of one machine on an order that several machines knit.
type Part struct {
	Machine *Machine
	Work    Work
	// Weight above 0 says that the part shares its kilos with the other parts of a
	// weight: whoever runs knits them. It is the machine's kilos in a running minute,
	// in any unit that is the same for all. 0 = its kilos are its own.
	Weight float64
}

// leastShared is the squared spread of the common factor below which parts are taken for
// independent: their latest moves by less than a hundredth of its spread.
const leastShared = 0.002

// Split is the law of the working minutes until an order of several parts is done. All
// parts have the order's yarn in common, so they have good and bad days together.
//
// Parts with kilos of their own: the order is done when the last of them is. Parts
// that share kilos all run to the end, t. Of t each of them stands a part s, and so
//
//	kilos = sum of weight*(t - s),   t = mean by weight of (kilos/weight + s)
//
// which is the mean, not the latest, of what each part takes with the kilos it would
// knit as expected. A stop that outlasts the order counts here for its whole length,
// so for the very last hours of an order t is a little late.
func Split(parts ...Part) (Law, error) {
	if len(parts) == 0 {
		return Law{}, nil
	}
	if len(parts) == 1 {
		return parts[0].Machine.Finish(parts[0].Work)
	}
	for _, p := range parts {
		if _, err := p.Machine.Finish(Work{FixedMinutes: p.Work.FixedMinutes, Pauses: p.Work.Pauses}); err != nil {
			return Law{}, err
		}
		if !(p.Weight >= 0) || math.IsInf(p.Weight, 1) {
			return Law{}, fmt.Errorf("%w: the weight of a part is %g, expected 0 or more", ErrInput, p.Weight)
		}
	}
	shared := sharedSpread(parts)
	sums, stands, err := sumsOf(parts, shared)
	if err != nil {
		return Law{}, err
	}
	fleet := parts[0].Machine.fleet
	if len(sums) == 1 {
		if v := spreadOf(sums[0].Common) + shared; v > least {
			sums[0].Common = 1 / v
		}
		law, err := sums[0].law(&fleet.cache)
		stands[0].into(&law)
		return law, err
	}
	if shared < leastShared {
		shared = 0
	}
	nodes := []factorNode{{1, 1}}
	if shared > 0 {
		nodes = factorNodes(1/shared, splitNodes)
	}
	given := make([]Law, len(nodes))
	for i, n := range nodes {
		laws := make([]Law, len(sums))
		for k, s := range sums {
			own := s.Common
			s = s.given(n.factor)
			s.Common = own
			if laws[k], err = s.law(&fleet.cache); err != nil {
				return Law{}, err
			}
			stands[k].into(&laws[k])
		}
		given[i] = Max(laws...)
	}
	return combine(given, func(x float64) float64 {
		f := 0.0
		for i, n := range nodes {
			f += n.weight * given[i].CDF(x)
		}
		return min(f, 1)
	}, math.Min), nil
}

// splitNodes of the common factor: fewer than [Together] takes, as the laws between are
// wide.
const splitNodes = 12

// stand is the standing known in advance.
type stand struct {
	fixed  float64
	pauses []Pause
}

func (s stand) into(l *Law) {
	l.shift(s.fixed)
	l.pause(s.pauses)
}

// sumsOf makes the sums of the parts, those that share kilos as one, with the standing
// known in advance beside them. Their Common is what is left when the shared
// factor is taken out.
func sumsOf(parts []Part, shared float64) (sums []Sum, stands []stand, err error) {
	var group []Sum
	var weights []float64
	total := 0.0
	var held stand
	for _, p := range parts {
		s := p.Machine.of(p.Work)
		if s.Repeats, err = p.Machine.repeats(p.Work); err != nil {
			return nil, nil, err
		}
		if _, err = s.moments(); err != nil {
			return nil, nil, err
		}
		s.Common = shapeOf((spreadOf(s.Common) - shared) / (1 + shared))
		if p.Weight == 0 {
			sums, stands = append(sums, s), append(stands, stand{p.Work.FixedMinutes, p.Work.Pauses})
			continue
		}
		group, weights = append(group, s), append(weights, p.Weight)
		total += p.Weight
		held.fixed += p.Weight * p.Work.FixedMinutes
		held.pauses = append(held.pauses, weighPauses(p.Work.Pauses, p.Weight)...)
	}
	if len(group) > 0 {
		for i := range weights {
			weights[i] /= total
		}
		held.fixed, held.pauses = held.fixed/total, weighPauses(held.pauses, 1/total)
		sums, stands = append(sums, meanOf(group, weights)), append(stands, held)
	}
	return sums, stands, nil
}

// spreadOf is the squared spread of a gamma factor of a shape, shapeOf the shape.
func spreadOf(shape float64) float64 {
	if shape > 0 {
		return 1 / shape
	}
	return 0
}

func shapeOf(spread float64) float64 {
	if spread > least {
		return 1 / spread
	}
	return 0
}

// meanOf is the sum of independent sums, each by its weight: their standing is
// shortened, their stops are counted as they come.
func meanOf(group []Sum, weights []float64) Sum {
	var out Sum
	var square, standing, apart float64
	for i, s := range group {
		out.Run += weights[i] * s.Run
		square += weights[i] * weights[i] * s.RunSD * s.RunSD
	}
	out.RunSD = math.Sqrt(square)
	for i, s := range group {
		own := 0.0
		for _, c := range s.Stops {
			own += weights[i] * c.Rate.Mean * s.Run * c.Durations.Mean()
			c.Rate.Mean *= s.Run / max(out.Run, math.SmallestNonzeroFloat64)
			c.Durations = scale(c.Durations, weights[i])
			out.Stops = append(out.Stops, c)
		}
		for _, r := range s.Repeats {
			out.Repeats = append(out.Repeats, Repeat{r.Count, scale(r.Durations, weights[i])})
		}
		standing += own
		apart += own * own * spreadOf(s.Common)
	}
	if standing > 0 {
		out.Common = shapeOf(apart / (standing * standing))
	}
	return out
}

// sharedSpread is the squared spread of what the order still brings to all parts alike,
// as far as the stops of it do not tell yet.
func sharedSpread(parts []Part) float64 {
	f := parts[0].Machine.fleet
	seen, orders := 0.0, 1
	for _, p := range parts {
		m := p.Machine
		orders = max(orders, p.Work.Orders)
		if m.current == nil || p.Work.Order == "" || p.Work.Order != m.own.last {
			continue
		}
		_, now := f.tallies(m.own, m.own.lastNumber)
		for _, e := range now.expected {
			seen += e
		}
	}
	v := f.spread.order
	return v / (1 + v*seen) / float64(orders*orders)
}

// AskOf tells what a forecast of all parts together is.
func AskOf(parts ...Part) Ask {
	var out Ask
	stops := 0.0
	for i, p := range parts {
		a := p.Machine.Ask(p.Work)
		out.Stops += a.Stops
		out.Level += a.Level * a.Stops
		out.Pull += a.Pull * a.Stops
		stops += a.Stops
		out.Begun = a.Begun && (i == 0 || out.Begun)
		if i == 0 {
			out.Class = a.Class
		}
	}
	if stops > 0 {
		out.Level, out.Pull = out.Level/stops, out.Pull/stops
	}
	return out
}

// scale gives durations by times as long. What is transformed once for all stays apart
// from the rest.
func scale(d Durations, by float64) Durations {
	switch d := d.(type) {
	case kept:
		return kept{scale(d.Durations, by), fmt.Sprintf("%s by %.12g", d.key, by)}
	case binned:
		return d.scale(by)
	case Sample:
		out := Sample{sorted: slices.Clone(d.sorted), shares: d.shares}
		for i := range out.sorted {
			out.sorted[i] *= by
		}
		if len(out.sorted) > 0 {
			out.sum()
		}
		return out
	case Mixture:
		out := slices.Clone(d)
		for i := range out {
			out[i].Law = scale(out[i].Law, by)
		}
		return out
	}
	return scaled{d, by}
}
