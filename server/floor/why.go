package floor

import (
	"fmt"
	"slices"
	"time"
)

// A cause explains a thread only if it took at least this much of the time.
const (
	leastWhy      = 5 * time.Minute
	leastWhyShare = 0.03
	// Many stops are abnormal when they are this many and twice as many as
	// the middle machine had.
	manyStops = 5
)

// phrases are what people call the stops of well-known causes: one, several.
var phrases = map[string][2]string{
	"yarn":   {"yarn break", "yarn breaks"},
	"needle": {"needle stop", "needle stops"},
	"fabric": {"press-off", "press-offs"},
	"doff":   {"doff", "doffs"},
	"door":   {"guard stop", "guard stops"},
	"setup":  {"style change", "style changes"},
	"care":   {"maintenance", "maintenance stops"},
	"power":  {"power cut", "power cuts"},
	"short":  {"short stop", "short stops"},
}

// explain gives every thread the one sentence that explains most of it.
func explain(threads []drawn, zone *time.Location) {
	counts := make(map[string][]int)
	for _, d := range threads {
		for _, l := range d.losses {
			counts[l.cause.ID] = append(counts[l.cause.ID], l.count)
		}
	}
	middle := func(cause string) int {
		c := slices.Clone(counts[cause])
		// Machines without such a stop count as none.
		for len(c) < len(threads) {
			c = append(c, 0)
		}
		slices.Sort(c)
		return c[len(c)/2]
	}
	for i := range threads {
		d := &threads[i]
		d.Why, d.Abnormal = d.why(zone, middle)
	}
}

func (d *drawn) why(zone *time.Location, middle func(cause string) int) (sentence string, abnormal bool) {
	clock := func(t time.Time) string { return t.In(zone).Format("15:04") }
	switch {
	case d.Silent && !d.silentSince.IsZero():
		return "silent since " + clock(d.silentSince), true
	case d.Silent:
		return "never heard", true
	}
	least := max(leastWhy.Milliseconds(), int64(leastWhyShare*float64(d.RunMS+d.StopMS+d.UnknownMS)))
	top := d.slow
	for _, l := range d.losses {
		if l.ms > top.ms {
			top = l
		}
	}
	slow := top.count == 0
	switch {
	case d.UnknownMS >= max(least, top.ms):
		return fmt.Sprintf("no data for %d min", minutes(d.UnknownMS)), true
	case top.ms < least:
		return "", false
	case slow:
		return fmt.Sprintf("%.1f of %.0f rpm, %.1f kg of the loss", d.SpeedRPM, d.CardRPM, d.SlowKg), d.SpeedRPM < (1-slowBy)*d.CardRPM
	}
	many := top.count >= manyStops && top.count >= 2*middle(top.cause.ID)
	// A machine with only a lamp gives no causes: that is no sign of trouble.
	return d.whyStops(top, clock), many && top.cause.ID != doff && top.cause.Letter != notGiven.Letter
}

// whyStops tells what stops of one cause took.
func (d *drawn) whyStops(l loss, clock func(time.Time) string) string {
	end := time.UnixMilli(l.first.to)
	begin := time.UnixMilli(l.first.from)
	min := minutes(l.ms)
	switch {
	case l.cause.ID == noOrder && end.After(d.end()):
		return "no order since " + clock(begin)
	case l.cause.ID == noOrder && l.count == 1:
		return "no order until " + clock(end)
	case l.cause.Letter == notGiven.Letter && l.count == 1:
		return fmt.Sprintf("%d min at %s, cause not given", min, clock(begin))
	case l.cause.Letter == notGiven.Letter:
		return fmt.Sprintf("%d stops, %d min, cause not given", l.count, min)
	}
	p, ok := phrases[l.cause.ID]
	if !ok {
		p = [2]string{l.cause.Word, l.cause.Word + " stops"}
	}
	if l.count == 1 {
		return fmt.Sprintf("%s %d min", p[0], min)
	}
	return fmt.Sprintf("%d %s, %d min", l.count, p[1], min)
}

// end of the picture.
func (d *drawn) end() time.Time {
	if len(d.Segments) == 0 {
		return time.Time{}
	}
	return d.Segments[len(d.Segments)-1].To
}

func minutes(ms int64) int64 { return (ms + 30e3) / 60e3 }
