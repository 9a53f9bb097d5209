package backtest

import (
	"cmp"
	"fmt"
	"slices"
)

// Result of a run; shares are 0 to 1.
type Result struct {
	Seed   uint64 `json:"seed"`
	Fleets int    `json:"fleets"`
	Cells  []Cell `json:"cells"`
	// StepRecoveryOrders is how many orders begun after a step of all rates pass until
	// a hundred orders of each fleet keep all levels again; -1 = not within the run, or
	// not judged.
	StepRecoveryOrders int `json:"step_recovery_orders"`
}

// Cell is a world with a length of history and of orders. Its figures are of the
// forecasts at the beginning of the judged orders.
type Cell struct {
	World      string     `json:"world"`
	HistoryMin float64    `json:"history_min"`
	HorizonMin float64    `json:"horizon_min"`
	Orders     int        `json:"orders"`
	P80        float64    `json:"p80"`
	P90        float64    `json:"p90"`
	P95        float64    `json:"p95"`
	P90ByThird [3]float64 `json:"p90_by_third"` // machines by true stop rate, least first
	CRPS       float64    `json:"crps"`
	CRPSRatio  float64    `json:"crps_ratio"` // to the best simple method
	// P90Raw is of the laws before they are recalibrated.
	P90Raw float64 `json:"p90_raw"`
	// P90Error is the standard error of p90 by the spread between fleets.
	P90Error float64 `json:"p90_error"`
	// Scores of the simple methods, and in the plain world of who knows the rates.
	PlugIn  float64  `json:"crps_plug_in"`
	Pooled  float64  `json:"crps_pooled"`
	Habit   float64  `json:"crps_habit"`
	Insider *float64 `json:"crps_insider,omitempty"`
	Pinball float64  `json:"pinball"`
	Width   float64  `json:"p90_minus_p10"`
	PIT     [10]int  `json:"pit"`
	ChiSq   float64  `json:"pit_chi_square"`
	// Parts are forecasts during the order. Short remainders may end without a stop,
	// so levels are counted by the randomised PIT.
	Parts []Part `json:"parts"`
	// Split are the split orders alone; only in a world that has them.
	Split *Levels `json:"split,omitempty"`
	// Struck are the orders of machines that a step of their own struck, by how many
	// they have begun since; only in such a world.
	Struck []Struck `json:"struck,omitempty"`
}

// Struck are orders of machines after a step of their own, counted from the first begun
// after it.
type Struck struct {
	From int `json:"from"`
	To   int `json:"to"`
	Levels
}

// Levels are how often dates of some of the orders were kept.
type Levels struct {
	Orders int     `json:"orders"`
	P80    float64 `json:"p80"`
	P90    float64 `json:"p90"`
	P95    float64 `json:"p95"`
	CRPS   float64 `json:"crps"`
}

// Part is the forecasts made when a share of the order was done.
type Part struct {
	Done float64 `json:"done"`
	P80  float64 `json:"p80"`
	P90  float64 `json:"p90"`
	P95  float64 `json:"p95"`
}

func share(n, of float64) float64 {
	if of == 0 {
		return 0
	}
	return n / of
}

func count(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func summarise(t task, fleets [][]mark) Cell {
	c := Cell{World: t.world.Name, HistoryMin: t.history, HorizonMin: t.horizon}
	var n, insider float64
	var thirds [3]float64
	var byFleet []float64
	for _, marks := range fleets {
		var hit, all float64
		for _, m := range marks {
			if m.part != 0 {
				continue
			}
			n++
			all++
			hit += count(m.kept90)
			c.P80 += count(m.kept80)
			c.P90 += count(m.kept90)
			c.P95 += count(m.kept95)
			c.P90Raw += count(m.raw90)
			thirds[m.third]++
			c.P90ByThird[m.third] += count(m.kept90)
			c.CRPS += m.crps
			c.PlugIn += m.rivals[0]
			c.Pooled += m.rivals[1]
			c.Habit += m.rivals[2]
			insider += m.insider
			c.Pinball += m.pinball
			c.Width += m.width
			c.PIT[min(int(m.pit*10), 9)]++
		}
		byFleet = append(byFleet, share(hit, all))
	}
	c.Orders = int(n)
	for _, x := range []*float64{&c.P80, &c.P90, &c.P95, &c.P90Raw, &c.CRPS, &c.PlugIn, &c.Pooled, &c.Habit, &c.Pinball, &c.Width, &insider} {
		*x = share(*x, n)
	}
	for i := range thirds {
		c.P90ByThird[i] = share(c.P90ByThird[i], thirds[i])
	}
	if insider > 0 {
		c.Insider = &insider
	}
	c.CRPSRatio = share(c.CRPS, min(c.PlugIn, c.Pooled, c.Habit))
	c.ChiSq = chiSquare(c.PIT[:])
	c.P90Error = standardError(byFleet)
	for _, done := range parts {
		c.Parts = append(c.Parts, partOf(done, fleets))
	}
	if t.world.Split > 0 {
		split := levelsOf(fleets, func(m mark) bool { return m.split })
		c.Split = &split
	}
	if t.world.Alone > 0 {
		for _, s := range [][2]int{{0, 0}, {1, 2}, {3, 5}, {6, 14}} {
			c.Struck = append(c.Struck, Struck{s[0], s[1], levelsOf(fleets, func(m mark) bool { return m.struck >= s[0] && m.struck <= s[1] })})
		}
	}
	return c
}

func (l Levels) String() string {
	return fmt.Sprintf("%d, P80 %.3f P90 %.3f P95 %.3f, CRPS %.2f", l.Orders, l.P80, l.P90, l.P95, l.CRPS)
}

func levelsOf(fleets [][]mark, of func(mark) bool) (l Levels) {
	for _, marks := range fleets {
		for _, m := range marks {
			if m.part != 0 || !of(m) {
				continue
			}
			l.Orders++
			l.P80 += count(m.kept80)
			l.P90 += count(m.kept90)
			l.P95 += count(m.kept95)
			l.CRPS += m.crps
		}
	}
	for _, x := range []*float64{&l.P80, &l.P90, &l.P95, &l.CRPS} {
		*x = share(*x, float64(l.Orders))
	}
	return l
}

func partOf(done float64, fleets [][]mark) Part {
	p := Part{Done: done}
	var n float64
	for _, marks := range fleets {
		for _, m := range marks {
			if m.part != done {
				continue
			}
			n++
			p.P80 += count(m.pit <= 0.8)
			p.P90 += count(m.pit <= 0.9)
			p.P95 += count(m.pit <= 0.95)
		}
	}
	for _, x := range []*float64{&p.P80, &p.P90, &p.P95} {
		*x = share(*x, n)
	}
	return p
}

// line is a cell for people.
func (c Cell) line() string {
	s := fmt.Sprintf("%-12s history %5.0f work %4.0f: %d orders, P80 %.3f P90 %.3f (se %.3f, raw %.3f) P95 %.3f, P90 by third %.3f %.3f %.3f, CRPS %.2f, ratio %.3f (plug-in %.2f pooled %.2f habit %.2f)",
		c.World, c.HistoryMin, c.HorizonMin, c.Orders, c.P80, c.P90, c.P90Error, c.P90Raw, c.P95, c.P90ByThird[0], c.P90ByThird[1], c.P90ByThird[2], c.CRPS, c.CRPSRatio, c.PlugIn, c.Pooled, c.Habit)
	if c.Insider != nil {
		s += fmt.Sprintf(", knowing the rates %.2f", *c.Insider)
	}
	if c.Split != nil {
		s += fmt.Sprintf("; split orders: %s", *c.Split)
	}
	for _, k := range c.Struck {
		s += fmt.Sprintf("; orders %d-%d after a step of its own: %s", k.From, k.To, k.Levels)
	}
	return s
}

const (
	recoveryStep, recoverySpan = 20, 100
)

// recovery counts the orders of a fleet until all levels are kept again.
func recovery(fleets [][]mark) int {
	var after []mark
	last := 0
	for _, marks := range fleets {
		for _, m := range marks {
			if m.part == 0 && m.afterStep >= 0 {
				after = append(after, m)
				last = max(last, m.afterStep)
			}
		}
	}
	slices.SortStableFunc(after, func(a, b mark) int { return cmp.Compare(a.afterStep, b.afterStep) })
	for from := 0; from+recoverySpan <= last+1; from += recoveryStep {
		var n, k80, k90, k95 float64
		for _, m := range after {
			if m.afterStep >= from && m.afterStep < from+recoverySpan {
				n++
				k80, k90, k95 = k80+count(m.kept80), k90+count(m.kept90), k95+count(m.kept95)
			}
		}
		within := func(k, lo, hi float64) bool { return k/n >= lo && k/n <= hi }
		if n > 0 && within(k80, 0.78, 0.82) && within(k90, 0.88, 0.92) && within(k95, 0.935, 0.965) {
			return from
		}
	}
	return -1
}
