package floor

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

const (
	// learnFrom is how far back stops are learnt from.
	learnFrom = 28 * 24 * time.Hour
	// A standstill longer than this, with no input to explain it, is taken for
	// a machine that nobody meant to run; it says nothing of future stops.
	longestStand = 2 * time.Hour
	// learnAnew is how long a history grows at its end before it is read again
	// as a whole. Running time that turns up further back, more than lateRun of
	// it, has it read at once.
	learnAnew = 6 * time.Hour
	lateRun   = 10 * time.Minute
)

// lesson is what one machine did since learnFrom, cut by order and shift. What
// is settled is not read again.
type lesson struct {
	pieces []lessonPiece      // oldest first
	jobs   []store.Assignment // that they were cut by
	anew   time.Time          // when it was last read as a whole
	before time.Duration      // running time before the first piece
}

// lessonPiece is a stretch of a machine's time under one order in one shift.
type lessonPiece struct {
	from, to time.Time
	told     forecast.Stretch
	run      time.Duration
	turns    float64            // in run
	after    map[string]float64 // share of the piece after its last stop of a cause
	stops    []forecast.Stop
}

// lessons are the histories of all machines, kept between plans.
type lessons map[string]*lesson

// reader is what histories are read from, and cut by.
type reader struct {
	st       store.Store
	book     *book
	calendar calendar.Calendar
	taps     map[string]store.TaskState // by task; nil = nobody's are kept
}

// bring reads what machines did since they were last read. It returns every
// history; those that had nothing new are the same as before.
func (l lessons) bring(ctx context.Context, r reader, states []store.MachineState, now time.Time) ([]forecast.History, error) {
	out := make([]forecast.History, 0, len(states))
	for i := range states {
		s := &states[i]
		if s.First.IsZero() {
			continue
		}
		own := l[s.Machine]
		if own == nil {
			own = &lesson{}
			l[s.Machine] = own
		}
		if err := own.bring(ctx, r, s, now); err != nil {
			return nil, fmt.Errorf("floor: read what machine %s did: %w", s.Machine, err)
		}
		h := forecast.History{Machine: s.Machine, Group: r.book.alike(s.Machine, now), Stretches: make([]forecast.Stretch, 0, len(own.pieces))}
		for _, p := range own.pieces {
			if p.run > 0 || len(p.told.Causes) > 0 {
				h.Stretches = append(h.Stretches, p.told)
			}
		}
		out = append(out, h)
	}
	return out, nil
}

// alike names the machines that a machine is like: by structure and gauge.
func (b *book) alike(machine string, now time.Time) string {
	m := b.machines[machine]
	structure := b.articles[b.cards[b.at(machine, now).Card].Article].Structure
	if structure == "" && len(m.Structures) > 0 {
		structure = m.Structures[0]
	}
	if structure == "" && m.GaugeNPI == 0 {
		return ""
	}
	return fmt.Sprintf("%s %g", structure, m.GaugeNPI)
}

func (l *lesson) bring(ctx context.Context, r reader, s *store.MachineState, now time.Time) error {
	c := r.calendar
	oldest := shiftStart(c, now.Add(-learnFrom))
	for len(l.pieces) > 0 && !l.pieces[0].to.After(oldest) {
		l.before += l.pieces[0].run
		l.pieces = l.pieces[1:]
	}
	jobs := r.book.jobs[s.Machine]
	if n := len(l.pieces); n > 0 && now.Sub(l.anew) < learnAnew && slices.EqualFunc(jobs, l.jobs, sameJob) {
		// The newest two shifts: a stop of the one before may have ended since.
		recent := shiftStart(c, shiftStart(c, l.pieces[n-1].from).Add(-time.Second))
		kept := slices.IndexFunc(l.pieces, func(p lessonPiece) bool { return p.to.After(recent) })
		grown, err := r.pieces(ctx, s.Machine, l.pieces[kept].from, s.Last)
		if err != nil {
			return err
		}
		whole := append(slices.Clone(l.pieces[:kept]), grown...)
		if late := time.Duration(s.RunMS)*time.Millisecond - l.before - running(whole); late.Abs() <= lateRun {
			l.pieces = whole
			return nil
		}
	}
	from := oldest
	if s.First.After(from) {
		from = s.First
	}
	pieces, err := r.pieces(ctx, s.Machine, from, s.Last)
	if err != nil {
		return err
	}
	l.pieces, l.jobs, l.anew = pieces, jobs, now
	l.before = time.Duration(s.RunMS)*time.Millisecond - running(pieces)
	return nil
}

func running(pieces []lessonPiece) (sum time.Duration) {
	for _, p := range pieces {
		sum += p.run
	}
	return sum
}

func sameJob(a, b store.Assignment) bool { return a.From.Equal(b.From) && a.Order == b.Order }

// Over this running time the speed of a machine is told: a minute's is off by a turn
// or two, which moves the end of a long order by hours.
const (
	steadyFrom  = 10 * time.Minute
	steadyOver  = time.Hour
	speedChange = 0.1
)

// speed is the steady speed of a machine with an order, given the newest one: that
// one where somebody has just changed it, or where the machine has hardly run.
func (l *lesson) speed(order string, newest float64) float64 {
	if l == nil {
		return newest
	}
	var run time.Duration
	turns := 0.0
	for _, p := range slices.Backward(l.pieces) {
		if p.told.Order != order || run >= steadyOver {
			break
		}
		run, turns = run+p.run, turns+p.turns
	}
	if run < steadyFrom || !(turns > 0) {
		return newest
	}
	steady := turns / run.Minutes()
	if newest > 0 && math.Abs(newest/steady-1) > speedChange {
		return newest
	}
	return steady
}

// since gives the running minutes since the last stop of each cause that is due.
func (l *lesson) since(causes []Cause) map[string]float64 {
	var out map[string]float64
	if l == nil {
		return nil
	}
	for _, c := range causes {
		if c.Comes == (Comes{}) {
			continue
		}
		ran := 0.0
		for _, p := range slices.Backward(l.pieces) {
			if share, ok := p.after[c.ID]; ok {
				if out == nil {
					out = make(map[string]float64)
				}
				out[c.ID] = ran + share*p.run.Minutes()
				break
			}
			ran += p.run.Minutes()
		}
	}
	return out
}

// shiftStart is where the shift of an instant began, the instant itself between shifts.
func shiftStart(c calendar.Calendar, t time.Time) time.Time {
	if s, _ := c.At(t); !s.From.IsZero() {
		return s.From
	}
	return t
}

// pieces reads what a machine did in [from, to).
func (r reader) pieces(ctx context.Context, machine string, from, to time.Time) ([]lessonPiece, error) {
	if !from.Before(to) {
		return nil, nil
	}
	pieces := cutPieces(r.book, r.calendar, machine, from, to)
	if err := readRunning(ctx, r.st, machine, pieces); err != nil {
		return nil, err
	}
	stops, err := readStops(ctx, r.st, machine, from, to)
	if err != nil {
		return nil, err
	}
	r.placeStops(pieces, stops)
	for i := range pieces {
		p := &pieces[i]
		p.told.RunMinutes = p.run.Minutes()
		p.told.Causes = gathered(forecast.Episodes(p.stops))
		p.stops = nil
	}
	return pieces, nil
}

// cutPieces cuts a machine's time at the beginnings of shifts and of assignments.
func cutPieces(b *book, c calendar.Calendar, machine string, from, to time.Time) []lessonPiece {
	borders := []time.Time{from}
	for _, s := range c.Spans(from, to) {
		borders = append(borders, s.From, s.To)
	}
	for _, a := range b.jobs[machine] {
		borders = append(borders, a.From)
	}
	borders = append(borders, to)
	slices.SortFunc(borders, time.Time.Compare)
	var out []lessonPiece
	for i := 1; i < len(borders); i++ {
		a, z := borders[i-1], borders[i]
		if a.Before(from) || z.After(to) || !a.Before(z) {
			continue
		}
		p := lessonPiece{from: a, to: z, told: forecast.Stretch{Order: b.at(machine, a).Order}}
		if s, works := c.At(a); works {
			p.told.Shift, p.told.Class = outlook.ShiftNumber(s), outlook.Class(c, s.Name)
		}
		out = append(out, p)
	}
	return out
}

// readRunning adds up the running time of the pieces: whole hours, and the fine
// cells of those that a border cuts. A cell that is cut is shared out by time.
func readRunning(ctx context.Context, st store.Store, machine string, pieces []lessonPiece) error {
	from, to := pieces[0].from, pieces[len(pieces)-1].to
	hours, err := st.Rollups(ctx, store.RollupQuery{Grain: store.Hour, Machine: machine, From: from, To: to})
	if err != nil {
		return err
	}
	at := func(t time.Time) int {
		i, _ := slices.BinarySearchFunc(pieces, t, func(p lessonPiece, t time.Time) int {
			if p.to.After(t) {
				return 1
			}
			return -1
		})
		return min(i, len(pieces)-1)
	}
	for _, h := range hours {
		end := h.Start.Add(time.Duration(store.Hour))
		if i := at(h.Start); !h.Start.Before(pieces[i].from) && (!end.After(pieces[i].to) || i == len(pieces)-1) {
			pieces[i].run += time.Duration(h.RunMS) * time.Millisecond
			pieces[i].turns += float64(h.Revolutions - h.Inched)
			continue
		}
		cells, err := st.Rollups(ctx, store.RollupQuery{Grain: store.Fine, Machine: machine, From: h.Start, To: end})
		if err != nil {
			return err
		}
		for _, cell := range cells {
			shareCell(pieces[at(cell.Start):], cell)
		}
	}
	return nil
}

// shareCell gives each piece its share of a cell's running time; the last piece
// has no end yet and what lies before the first is nobody's.
func shareCell(pieces []lessonPiece, cell store.Rollup) {
	start, end := cell.Start, cell.Start.Add(cell.Length(store.Fine))
	run := time.Duration(cell.RunMS) * time.Millisecond
	for i := range pieces {
		p := &pieces[i]
		a, z := p.from, p.to
		if !a.Before(end) {
			return
		}
		if a.Before(start) {
			a = start
		}
		if z.After(end) || i == len(pieces)-1 {
			z = end
		}
		share := float64(z.Sub(a)) / float64(end.Sub(start))
		p.run += time.Duration(float64(run) * share)
		p.turns += float64(cell.Revolutions-cell.Inched) * share
	}
}

// readStops gives the stops that begin in [from, to), oldest first.
func readStops(ctx context.Context, st store.Store, machine string, from, to time.Time) ([]store.Stop, error) {
	var out []store.Stop
	q := store.StopQuery{Machine: machine, From: from, To: to, Limit: stopsPage}
	for {
		page, err := st.Stops(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, s := range page {
			if !s.Begin.Before(from) {
				out = append(out, s)
			}
		}
		if len(page) < stopsPage {
			break
		}
		last := page[len(page)-1]
		q.Before, q.BeforeID = last.Begin, last.ID
	}
	slices.SortStableFunc(out, func(a, b store.Stop) int { return a.Begin.Compare(b.Begin) })
	return out, nil
}

// placeStops gives each piece the stops that begin in it, lasting as long as
// the mill worked meanwhile.
func (r reader) placeStops(pieces []lessonPiece, stops []store.Stop) {
	k, ran := 0, 0.0
	after := pieces[0].from
	for _, s := range stops {
		for k < len(pieces)-1 && !s.Begin.Before(pieces[k].to) {
			k++
		}
		p := &pieces[k]
		ran += max(s.Begin.Sub(after).Minutes(), 0)
		worked := func(to time.Time) float64 {
			if to.After(p.to) {
				return r.calendar.Working(s.Begin, to).Minutes()
			}
			return max(to.Sub(s.Begin).Minutes(), 0)
		}
		open := s.End.IsZero()
		end := s.End
		if after = s.End; open {
			after, end = s.Begin, pieces[len(pieces)-1].to
		}
		lasted, taken := worked(end), 0.0
		if t := r.taps[stopTaskID(s.Machine, s.ID)].Taken; !open && t.After(s.Begin) && !t.After(s.End) {
			taken = worked(t)
		}
		if !s.Input && (lasted > longestStand.Minutes()) {
			continue
		}
		if p.after == nil {
			p.after = make(map[string]float64)
		}
		p.after[s.Cause] = max(float64(p.to.Sub(after))/float64(p.to.Sub(p.from)), 0)
		p.stops = append(p.stops, forecast.Stop{Cause: s.Cause, AtRun: ran, Minutes: lasted, Open: open, Taken: taken})
	}
}

// gathered sums stops by cause.
func gathered(stops []forecast.Stop) []forecast.CauseHistory {
	out := forecast.Gather(stops)
	slices.SortFunc(out, func(a, b forecast.CauseHistory) int { return cmp.Compare(a.Cause, b.Cause) })
	return out
}
