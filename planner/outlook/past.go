package outlook

import (
	"strings"

	"turnwise/planner/forecast"
)

// between stands between the machines of a split order in [forecast.Kept].
const between = "+"

// lessons are what past forecasts teach. Orders on one machine and split orders err in
// their own ways, so they are learnt from apart; nil = no forecast was kept to its end.
type lessons struct {
	single, split   *forecast.Recalibration
	singles, splits int // orders that they rest on
}

// leastSplits is the number of split orders below which split orders are put right as
// those on one machine are.
const leastSplits = 20

func lessonsOf(past []forecast.Kept) lessons {
	var single, split []forecast.Kept
	one, several := map[string]bool{}, map[string]bool{}
	for _, k := range past {
		if strings.Contains(k.Machine, between) {
			split, several[k.Order] = append(split, k), true
		} else {
			single, one[k.Order] = append(single, k), true
		}
	}
	l := lessons{singles: min(len(one), forecast.KeptOrders), splits: min(len(several), forecast.KeptOrders)}
	if len(single) > 0 {
		l.single = forecast.Recalibrate(single)
	}
	if l.splits >= leastSplits {
		l.split = forecast.Recalibrate(split)
	}
	return l
}

// of gives what teaches about an order of these stretches, and the name that its record
// has there.
func (l *lessons) of(all []stretch) (*forecast.Recalibration, string) {
	name := machinesOf(all)
	if len(all) > 1 && l.split != nil {
		return l.split, name
	}
	return l.single, name
}

// corrected is the number of orders whose forecasts have put the chances right.
func (l *lessons) corrected(all []stretch) int {
	if len(all) > 1 && l.split != nil {
		return l.splits
	}
	return l.singles
}
