package floor

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnwise/planner/knit/calibrate"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

// What a reading may be off, as standard deviations and shares (common practice, no source).
const (
	meterSD = 0.005
	rollsSD = 0.01 // of scale and moisture
	// otherSD is what neither rolls nor meter tell: the mass of the cones, and of a meter
	// the yarn's count. It is the same in all readings of a lot, however many there are.
	otherSD = 0.015
	// Measured over calculated beyond these is a slip: two rolls for one, a trolley on
	// the scale, another unit. A wrong card is not that wrong.
	leastRolls, mostRolls = 0.75, 1.33
	leastMeter, mostMeter = 0.5, 2.0
	// Rolls are looked for among the doffs of so long.
	rollsKept   = 14 * 24 * time.Hour
	doffsOfPage = 1000
	// readingsFrom is how far back readings are read.
	readingsFrom = 60 * 24 * time.Hour
)

// ReadYarn completes a reading: the feed group, for rolls without turns the turns between
// their doffs, and what the card gives. Errors: [store.ErrNotFound], [store.ErrInvalid].
func (f *Floor) ReadYarn(ctx context.Context, r store.Reading) (store.Reading, error) {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	name := b.name(r.Machine)
	if r.Kind == store.ReadRolls && r.Turns == 0 {
		var err error
		if r, err = f.rollsBetween(ctx, b, r); err != nil {
			return r, err
		}
	}
	group, err := f.groupOfReading(&r)
	if err != nil {
		return r, err
	}
	r.Group = group
	expected := b.calculated(&r)
	what, low, high := "kg", leastRolls, mostRolls
	if r.Kind == store.ReadMeter {
		what, low, high = "m", leastMeter, mostMeter
	}
	if !(expected > 0) || !(r.Measured > 0) || r.Turns < 1 {
		return r, fmt.Errorf("reading of %s: %g %s in %d turns: %w: both above 0 and a card that can be weighed are expected", name, r.Measured, what, r.Turns, store.ErrInvalid)
	}
	if r.Ratio = r.Measured / expected; !(r.Ratio >= low && r.Ratio <= high) {
		repair := "look at the unit, the feeds counted and the card"
		if r.Kind == store.ReadRolls {
			repair = "take tube, wrapping and trolley off, count the rolls, and look at the card"
		}
		return r, fmt.Errorf("reading of %s: %.4g %s in %d turns: %w: the card gives %.4g %s; %s", name, r.Measured, what, r.Turns, store.ErrInvalid, expected, what, repair)
	}
	if r.SD == 0 {
		r.SD = meterSD
		if r.Kind == store.ReadRolls {
			r.SD = rollsSD
		}
	}
	if r.Lot != "" && !f.KnowsLot(r.Lot) {
		return r, fmt.Errorf("reading of %s: %w: apply it with the book first", name, store.Unknown("lot", r.Lot))
	}
	if r.Lot == "" && r.Group != "" {
		r.Lot = b.lotOn(r.Machine, r.Group)
	}
	return r, nil
}

// groupOfReading is the feed group of a reading; rolls of a card with several tell of all.
func (f *Floor) groupOfReading(r *store.Reading) (string, error) {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	if r.Kind == store.ReadRolls && r.Group == "" && len(b.cards[b.at(r.Machine, r.At).Card].Feeds) > 1 {
		return "", nil
	}
	group, _, err := f.FeedGroup(r.Machine, r.Group, r.At)
	return group, err
}

// calculated is what the card gives for a reading: kilos of rolls, metres of a meter; 0 = not known.
func (b *book) calculated(r *store.Reading) float64 {
	card := b.cards[b.at(r.Machine, r.At).Card]
	if r.Kind == store.ReadRolls {
		return card.grams / 1000 * float64(r.Turns)
	}
	for _, g := range card.Feeds {
		if g.ID == r.Group {
			return g.CourseLengthM * float64(r.Turns)
		}
	}
	return 0
}

// measured is a reading over what the card as it is now gives, else over what the card of then gave.
func (b *book) measured(r *store.Reading) float64 {
	if c := b.calculated(r); c > 0 && r.Turns > 0 {
		return r.Measured / c
	}
	return r.Ratio
}

// doffed is one finished roll.
type doffed struct {
	number, turns int64
	at            time.Time
}

// doffs returns the newest finished doffs of a machine, newest first, down to a roll number
// and at most so many, as far as they are kept.
func (f *Floor) doffs(ctx context.Context, machine string, down int64, most int) ([]doffed, error) {
	now := f.c.Now()
	f.mu.Lock()
	m := f.machines[machine]
	if m == nil {
		f.mu.Unlock()
		return nil, store.Unknown("machine", machine)
	}
	number := m.state.Doffs
	f.mu.Unlock()
	var out []doffed
	q := store.StopQuery{Machine: machine, From: now.Add(-rollsKept), To: now.Add(time.Minute), Limit: doffsOfPage}
	for {
		page, err := f.st.Stops(ctx, q)
		if err != nil {
			return nil, fmt.Errorf("floor: read the doffs of %s: %w", machine, err)
		}
		for _, s := range page {
			if s.Cause != doff || !s.Input || s.End.IsZero() || number == 0 {
				continue
			}
			if out = append(out, doffed{number, s.Revolutions, s.Begin}); number <= down || len(out) == most {
				return out, nil
			}
			number--
		}
		if len(page) < q.Limit {
			return out, nil
		}
		last := page[len(page)-1]
		q.Before, q.BeforeID = last.Begin, last.ID
	}
}

// rollsBetween fills in turns, number and instant of rolls that were doffed one after the other.
func (f *Floor) rollsBetween(ctx context.Context, b *book, r store.Reading) (store.Reading, error) {
	name := b.name(r.Machine)
	bad := func(format string, args ...any) (store.Reading, error) {
		return r, fmt.Errorf("weight of %s: %w: %s", name, store.ErrInvalid, fmt.Sprintf(format, args...))
	}
	f.mu.Lock()
	if m := f.machines[r.Machine]; r.Roll == 0 && m != nil && m.state.Open != nil && m.state.Open.Cause == doff && !m.state.Open.Begin.After(r.At) {
		f.mu.Unlock()
		return bad("a doff goes on there, so that the roll that was doffed last is not sure; weigh when the machine knits again, or name the roll")
	}
	f.mu.Unlock()
	list, err := f.doffs(ctx, r.Machine, r.Roll-int64(r.Rolls), math.MaxInt)
	if err != nil {
		return r, err
	}
	last := slices.IndexFunc(list, func(d doffed) bool {
		return r.Roll == d.number || r.Roll == 0 && !d.at.After(r.At)
	})
	switch {
	case len(list) == 0:
		return bad("no doff is counted there in %d days; tell the turns of the rolls", int(rollsKept.Hours()/24))
	case last < 0 && r.Roll > list[0].number:
		return bad("roll %d is not doffed yet, the newest is %d; doff it first, or name another", r.Roll, list[0].number)
	case last < 0 || last+r.Rolls >= len(list):
		return bad("where %d rolls up to number %d begin is not known: the first doff that is kept ends roll %d; tell the turns of the rolls", r.Rolls, r.Roll, list[len(list)-1].number)
	}
	end, begin := list[last], list[last+r.Rolls]
	if a, z := b.at(r.Machine, begin.at.Add(time.Millisecond)), b.at(r.Machine, end.at); a.Card != z.Card {
		return bad("rolls %d to %d were begun with card %s and ended with %s; weigh those of one card by themselves", begin.number+1, end.number, cmp.Or(a.Card, "none"), cmp.Or(z.Card, "none"))
	}
	r.Roll, r.Turns, r.At = end.number, end.turns-begin.turns, end.at
	if r.Turns < 1 {
		return bad("no turn is counted between the doffs of roll %d and of the one before; tell the turns of the rolls", r.Roll)
	}
	return r, nil
}

// feedReadings turns readings into what they tell of single feed groups, oldest first. Rolls
// weigh all feed groups of a card together; what the others may be off stands in the spread.
func (b *book) feedReadings(all []store.Reading, log []store.Load) []store.Reading {
	loads := map[[2]string][]store.Load{} // of a feed group, oldest first
	for _, l := range log {
		loads[[2]string{l.Machine, l.Group}] = append(loads[[2]string{l.Machine, l.Group}], l)
	}
	for _, of := range loads {
		slices.SortStableFunc(of, func(x, y store.Load) int { return x.At.Compare(y.At) })
	}
	lotThen := func(machine, group string, at time.Time) string {
		of := loads[[2]string{machine, group}]
		n, _ := slices.BinarySearchFunc(of, at, func(l store.Load, at time.Time) int {
			if l.At.After(at) {
				return 1
			}
			return -1
		})
		if n == 0 {
			return ""
		}
		return of[n-1].Lot
	}
	var out []store.Reading
	for _, r := range all {
		r.Ratio = b.measured(&r)
		card := b.cards[b.at(r.Machine, r.At).Card]
		shares, err := card.knit.Shares()
		if r.Kind != store.ReadRolls || err != nil || len(shares) < 2 {
			if r.Group != "" {
				out = append(out, r)
			}
			continue
		}
		for i, g := range card.Feeds {
			if r.Group != "" && r.Group != g.ID {
				continue
			}
			others := 0.0
			for k, s := range shares {
				if k != i {
					others += s * s
				}
			}
			x := r
			x.Group, x.Ratio = g.ID, 1+(r.Ratio-1)/max(shares[i], 1e-6)
			x.SD = math.Sqrt(r.SD*r.SD+others*firstBias.SD*firstBias.SD) / max(shares[i], 1e-6)
			if x.SD > 0.5 || x.Ratio < 0.5 || x.Ratio > 2 { // too small a share to be heard in the whole
				continue
			}
			if x.Lot == "" {
				x.Lot = lotThen(r.Machine, g.ID, r.At)
			}
			out = append(out, x)
		}
	}
	return out
}

// RatioView compares the kilos of turns and card with those of the scale, of one article on
// one machine.
type RatioView struct {
	Machine, Name, Article string
	Running                bool // the machine knits it now
	Order                  string
	Rolls, Used            int     // weighed; of them those that the estimate rests on
	CountedKg, WeighedKg   float64 // of the used rolls
	Ratio, Low, High       float64 // counted over weighed, and the interval of 9 in 10
	Sentence               string  // what may be the matter; "" = within the limits
	Newest                 time.Time
	Each                   []float64 // counted over weighed of the newest readings, oldest first
}

// Limits of what the ratios are made of.
const (
	ratiosFrom = 28 * 24 * time.Hour
	ratioRows  = 100 // readings of one article on one machine
	ratioEach  = 20
)

// ratioMemo keeps the ratios of a book and its readings.
type ratioMemo struct {
	book *book
	from time.Time
	list []RatioView
}

// Ratios compares counted with weighed rolls by machine and article, the farthest from 1
// in front. The slices of the answer are shared: do not change them.
func (f *Floor) Ratios(context.Context) ([]RatioView, error) {
	now := f.c.Now()
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	f.ratios.mu.Lock()
	defer f.ratios.mu.Unlock()
	if k := f.ratios.kept; k.book != b || now.Sub(k.from) > 2*time.Minute {
		list, err := b.ratios(now, f.c.RatioLow, f.c.RatioHigh)
		if err != nil {
			return nil, fmt.Errorf("floor: counted against weighed: %w", err)
		}
		f.ratios.kept = ratioMemo{b, now, list}
	}
	return f.ratios.kept.list, nil
}

// RatioLimits are the limits of counted over weighed kilos.
func (f *Floor) RatioLimits() (low, high float64) { return f.c.RatioLow, f.c.RatioHigh }

// weights are the rolls of one article on one machine.
type weights struct {
	rows []store.Reading
	each []float64 // weighed over counted
}

func (b *book) ratios(now time.Time, low, high float64) ([]RatioView, error) {
	by := map[[2]string]*weights{}
	var keys [][2]string
	for _, r := range b.readings {
		card := b.cards[b.at(r.Machine, r.At).Card]
		counted := b.calculated(&r)
		if r.Kind != store.ReadRolls || !(counted > 0) || now.Sub(r.At) > ratiosFrom {
			continue
		}
		k := [2]string{r.Machine, card.Article}
		w := by[k]
		if w == nil {
			w = &weights{}
			by[k], keys = w, append(keys, k)
		}
		w.rows, w.each = append(w.rows, r), append(w.each, r.Measured/counted)
	}
	var rolls []calibrate.Roll
	for _, k := range keys {
		w := by[k]
		if over := len(w.rows) - ratioRows; over > 0 {
			w.rows, w.each = w.rows[over:], w.each[over:]
		}
		for _, r := range w.rows {
			roll := calibrate.Roll{ID: strconv.FormatInt(r.ID, 10), Machine: k[0], Article: k[1], Counted: unit.Kilograms(b.calculated(&r)), Weighed: unit.Kilograms(r.Measured)}
			if feeds := b.cards[b.at(r.Machine, r.At).Card].Feeds; len(feeds) == 1 {
				roll.CourseLength = unit.Metres(feeds[0].CourseLengthM)
			}
			rolls = append(rolls, roll)
		}
	}
	// There the ratio is weighed over counted.
	result, err := calibrate.Calibrate(rolls, calibrate.Options{Low: 1 / high, High: 1 / low})
	if err != nil {
		return nil, err
	}
	out := make([]RatioView, 0, len(result.Estimates))
	for i := range result.Estimates {
		out = append(out, b.ratioView(&result.Estimates[i], by, now))
	}
	slices.SortStableFunc(out, func(x, y RatioView) int {
		return cmp.Compare(math.Abs(math.Log(y.Ratio)), math.Abs(math.Log(x.Ratio)))
	})
	return out, nil
}

func (b *book) ratioView(e *calibrate.Estimate, by map[[2]string]*weights, now time.Time) RatioView {
	w, job := by[[2]string{e.Machine, e.Article}], b.at(e.Machine, now)
	v := RatioView{
		Machine: e.Machine, Name: b.name(e.Machine), Article: e.Article, Running: b.cards[job.Card].Article == e.Article, Order: job.Order,
		CountedKg: float64(e.Counted), WeighedKg: float64(e.Weighed), Ratio: 1 / e.Ratio, Low: 1 / e.High, High: 1 / e.Low,
		Newest: w.rows[len(w.rows)-1].At,
	}
	if !v.Running {
		v.Order = ""
	}
	used := e.Changed == nil
	for _, r := range w.rows {
		v.Rolls += r.Rolls
		id := strconv.FormatInt(r.ID, 10)
		used = used || e.Changed.Roll == id
		if used && !slices.ContainsFunc(e.Outliers, func(o calibrate.Outlier) bool { return o.Roll == id }) {
			v.Used += r.Rolls
		}
	}
	for _, x := range w.each[max(0, len(w.each)-ratioEach):] {
		v.Each = append(v.Each, 1/x)
	}
	if e.Finding.Text != "" {
		v.Sentence = fmt.Sprintf("Likely %s: weighed over counted is %s.", e.Finding.Reason, e.Finding.Text)
		if e.Finding.Reason == calibrate.Unknown {
			v.Sentence = fmt.Sprintf("Weighed over counted is %s.", e.Finding.Text)
		}
	}
	return v
}

// weighedBy is what was weighed of each order.
func (b *book) weighedBy() map[string]float64 {
	out := map[string]float64{}
	for _, r := range b.readings {
		if order := b.at(r.Machine, r.At).Order; r.Kind == store.ReadRolls && order != "" {
			out[order] += r.Measured
		}
	}
	return out
}

// ReadingView is a reading with what it is compared with.
type ReadingView struct {
	store.Reading
	Calculated     float64 // kg of rolls, m of a meter, by the card as it is now; 0 = not known
	Over           float64 // measured over calculated
	Order, Article string
}

// Readings returns what was measured on a machine ("" = all) in the last 60 days, newest first.
func (f *Floor) Readings(machine string) []ReadingView {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	var out []ReadingView
	for i := len(b.readings) - 1; i >= 0; i-- {
		if r := b.readings[i]; machine == "" || r.Machine == machine {
			out = append(out, b.readingView(r))
		}
	}
	return out
}

// viewReading is one reading as [Floor.Readings] shows it.
func (f *Floor) viewReading(r store.Reading) ReadingView {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.book.readingView(r)
}

// heardReading is the reading of a request id of a machine and a kind; false if there is none yet.
func (f *Floor) heardReading(requestID, machine, kind string) (ReadingView, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range slices.Backward(f.book.readings) {
		if r.RequestID == requestID && r.Machine == machine && r.Kind == kind {
			return f.book.readingView(r), true
		}
	}
	return ReadingView{}, false
}

func (b *book) readingView(r store.Reading) ReadingView {
	job := b.at(r.Machine, r.At)
	return ReadingView{Reading: r, Calculated: b.calculated(&r), Over: b.measured(&r), Order: job.Order, Article: b.cards[job.Card].Article}
}

// UndoReading takes a reading back. Errors: [ErrNoTaps], [store.ErrNotFound].
func (f *Floor) UndoReading(ctx context.Context, machine string, id int64) error {
	if f.c.Creel == nil {
		return ErrNoTaps
	}
	if err := f.c.Creel.UndoReading(ctx, machine, id, f.c.Now()); err != nil {
		return err
	}
	f.learnAnew(ctx, machine)
	return nil
}

// ReadingID reads the number of a reading's name, "machines/k05/readings/12" or "12". False if it is none.
func ReadingID(name string) (int64, bool) {
	n, err := strconv.ParseInt(name[strings.LastIndex(name, "/")+1:], 10, 64)
	return n, err == nil && n > 0
}
