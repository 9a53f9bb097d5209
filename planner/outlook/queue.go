package outlook

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// Causes that the outlook treats by name. Doffs and set-ups are planned, and standing
// without an order is no stop of a running machine.
const (
	causeDoff    = "doff"
	causeSetup   = "setup"
	causeNoOrder = "noorder"
)

// Bounds of belief.
const (
	maxSpeed = 200.0 // turns per minute
	maxKg    = 1e7
	// slow is the share of card speed below which a machine is called slow.
	slow = 0.97
	// Relative standard deviation of the speed that a job will have: once measured
	// on the machine, and by its card only. An assumption, no source.
	measuredDoubt, cardDoubt = 0.01, 0.03
)

// desk holds one plan while it is made.
type desk struct {
	s      Snapshot
	now    time.Time
	clock  *calendar.Clock
	fleet  *forecast.Fleet
	past   lessons
	ahead  []shiftAhead
	queues []queue
	orders map[string]*Order
	lots   map[string]*Lot
}

// queue is one machine with its jobs in sequence.
type queue struct {
	m        *Machine
	forecast *forecast.Machine
	past     *lessons
	ahead    []shiftAhead
	due      []Due
	share    float64 // running share
	wait     float64 // mean working minutes until the stop in progress ends
	stop     *forecast.OpenStop
	care     []forecast.Pause
	jobs     []work
}

// work is a job with what it takes.
type work struct {
	job    *Job
	grams  unit.Grams // of one turn
	speed  unit.RPM
	doubt  float64 // relative standard deviation of speed
	fixed  bool    // its kilos are given, not shared
	kg     float64
	rollKg float64 // 0 = not told
	reason string  // why there is no forecast
	setup  bool    // another card than the job before
}

func newDesk(s Snapshot, now time.Time) (*desk, error) {
	if now.IsZero() || now.Year() < 1970 || now.Year() > 9000 {
		return nil, refuse("the instant to plan from is %v, expected one between 1970 and 9000; check the clock", now)
	}
	if err := s.Calendar.Validate(); err != nil {
		return nil, refuse("plan: %w", err)
	}
	d := &desk{s: s, now: now, clock: s.Calendar.From(now), orders: map[string]*Order{}, lots: map[string]*Lot{}}
	if s.Fleet != nil {
		d.fleet = s.Fleet.Share()
	} else {
		d.fleet = s.learn()
	}
	d.ahead = shiftsAhead(s.Calendar, now)
	d.past = lessonsOf(s.Past)
	for i := range s.Orders {
		d.orders[s.Orders[i].ID] = &s.Orders[i]
	}
	for i := range s.Lots {
		d.lots[s.Lots[i].ID] = &s.Lots[i]
	}
	for i := range s.Machines {
		d.queues = append(d.queues, d.queue(&s.Machines[i]))
	}
	d.share()
	return d, nil
}

func (d *desk) queue(m *Machine) queue {
	q := queue{m: m, forecast: d.fleet.Machine(m.ID), past: &d.past, ahead: d.ahead, due: d.s.Due}
	q.share = q.forecast.RunningShare()
	if m.State == Stopped {
		q.stop = &forecast.OpenStop{Cause: m.Cause}
		if !m.Since.IsZero() && m.Since.Before(d.now) {
			// A stop that outlasts a closed span did not last through it.
			since := m.Since
			if oldest := d.now.AddDate(0, 0, -30); since.Before(oldest) {
				since = oldest
			}
			q.stop.ElapsedMin = d.s.Calendar.Working(since, d.now).Minutes()
		}
		if law, err := q.forecast.Finish(forecast.Work{Stop: q.stop}); err == nil {
			q.wait = law.Mean()
		}
	}
	q.wait += held(m)
	q.care = d.care(m)
	for i := range m.Jobs {
		q.jobs = append(q.jobs, d.work(m, i))
	}
	return q
}

// held is the working time for which a machine is taken away.
func held(m *Machine) float64 {
	if m.HeldMin > 0 && m.HeldMin <= longestStop.Minutes() {
		return m.HeldMin
	}
	return 0
}

// work prepares a job and says what keeps it from a forecast.
func (d *desk) work(m *Machine, i int) work {
	job := &m.Jobs[i]
	w := work{job: job, fixed: job.QuantityKg > 0}
	// The first job pays a set-up only if the machine stands for one already; that
	// is the stop in progress.
	w.setup = i > 0 && job.Card.ID != m.Jobs[i-1].Card.ID
	w.grams, w.speed, w.reason = ability(m, job.Card)
	w.doubt = doubt(m)
	if o := d.orders[job.Order]; o != nil {
		w.rollKg = o.RollKg
	}
	if job.QuantityKg < 0 || math.IsNaN(job.QuantityKg) || math.IsInf(job.QuantityKg, 0) || !(job.CountedKg >= 0 && job.CountedKg < maxKg) {
		w.reason = fmt.Sprintf("Correct the kilos of %s on %s", job.Order, name(m.ID))
	}
	if w.fixed && w.reason == "" { // an order that the snapshot does not know still keeps the machine busy
		w.kg = min(max(job.QuantityKg-job.CountedKg, 0), maxKg)
	}
	return w
}

// doubt about the speed of a machine's jobs.
func doubt(m *Machine) float64 {
	if speedKnown(m.SpeedRPM) {
		return measuredDoubt
	}
	return cardDoubt
}

// ability is what a machine gives with a card: mass of a turn and speed, or the
// reason why that is not known.
func ability(m *Machine, c Card) (grams unit.Grams, speed unit.RPM, reason string) {
	if len(c.Knit.Feeds) == 0 {
		return 0, 0, fmt.Sprintf("Enter a knit card for %s", name(m.ID))
	}
	grams, err := c.Knit.MassPerRevolution()
	if err != nil {
		return 0, 0, fmt.Sprintf("Correct knit card %s: %s", c.ID, cardFault(err))
	}
	if speed = speedFor(m, c); speed <= 0 {
		return grams, 0, fmt.Sprintf("Enter a speed: neither %s nor its card tells one", name(m.ID))
	}
	return grams, speed, ""
}

// cardFault is the part of a card's error that a person needs.
func cardFault(err error) string {
	text := err.Error()
	if _, after, ok := strings.Cut(text, knit.ErrCard.Error()+": "); ok {
		text = after
	}
	return text
}

func speedKnown(rpm float64) bool { return rpm > 0 && rpm <= maxSpeed }

// speedFor is the speed that the machine will have with a card: the measured one
// with the running card; with another the card's, lessened as far as the
// machine is slow now. 0 = not known.
func speedFor(m *Machine, c Card) unit.RPM {
	measured := speedKnown(m.SpeedRPM)
	var running Card
	if len(m.Jobs) > 0 {
		running = m.Jobs[0].Card
	}
	switch {
	case measured && (c.ID == running.ID || !speedKnown(c.SpeedRPM)):
		return unit.RPM(m.SpeedRPM)
	case !speedKnown(c.SpeedRPM):
		return 0
	case measured && speedKnown(running.SpeedRPM) && m.SpeedRPM < slow*running.SpeedRPM:
		return unit.RPM(c.SpeedRPM * m.SpeedRPM / running.SpeedRPM)
	}
	return unit.RPM(c.SpeedRPM)
}

// rate is kilos per working minute, as expected.
func (q *queue) rate(w *work) float64 {
	return float64(w.grams.Kilograms()) * float64(w.speed) * q.share
}

// remaining kilos of an order, and whether its numbers can be believed.
func remaining(o *Order) (kg float64, ok bool) {
	kg = o.QuantityKg - o.DoneKg
	if math.IsNaN(kg) || math.IsInf(kg, 0) || o.QuantityKg < 0 || o.QuantityKg > maxKg || o.DoneKg < 0 {
		return 0, false
	}
	return max(kg, 0), true
}

// share gives every job its kilos. Given quantities come first; what is left of
// an order is shared between its other jobs by their rates, so that they end
// together. As a job waits for the jobs before it, which may be shared
// themselves, the sharing is repeated until it has settled.
func (d *desk) share() {
	const sweeps = 6
	for range sweeps {
		for i := range d.s.Orders {
			d.shareOrder(&d.s.Orders[i])
		}
	}
}

type part struct {
	q     *queue
	w     *work
	start float64 // working minutes until the job begins
	rate  float64
}

func (d *desk) shareOrder(o *Order) {
	left, ok := remaining(o)
	if !ok {
		return
	}
	var open []part
	given := 0.0
	d.parts(o.ID, func(q *queue, i int) {
		w := &q.jobs[i]
		switch {
		case w.reason != "":
		case w.fixed:
			w.kg = min(max(w.job.QuantityKg-w.job.CountedKg, 0), maxKg)
			given += w.kg
		default:
			open = append(open, part{q, w, q.start(i), q.rate(w)})
		}
	})
	if given > left { // more was given to machines than is left of the order
		d.parts(o.ID, func(q *queue, i int) {
			if w := &q.jobs[i]; w.fixed && w.reason == "" {
				w.kg *= left / given
			}
		})
		given = left
	}
	level(open, left-given)
}

// level shares kilos so that the parts that get any end at the same time.
func level(parts []part, kg float64) {
	slices.SortStableFunc(parts, func(a, b part) int {
		switch {
		case a.start < b.start:
			return -1
		case a.start > b.start:
			return 1
		}
		return 0
	})
	end, rates, begun := 0.0, 0.0, 0.0 // begun: sum of rate*start
	for i, p := range parts {
		if i > 0 && kg <= rates*p.start-begun {
			break // done before this one could begin
		}
		rates += p.rate
		begun += p.rate * p.start
		end = (kg + begun) / rates
	}
	for _, p := range parts {
		p.w.kg = max(end-p.start, 0) * p.rate
	}
}

func (d *desk) parts(order string, f func(q *queue, i int)) {
	for k := range d.queues {
		q := &d.queues[k]
		for i := range q.jobs {
			if q.jobs[i].job.Order == order {
				f(q, i)
			}
		}
	}
}

// start is the mean working time until job i begins.
func (q *queue) start(i int) float64 {
	minutes := q.wait
	for k := range i {
		if w := &q.jobs[k]; w.reason == "" && w.kg > 0 {
			minutes += w.kg / q.rate(w)
		}
	}
	return q.cared(minutes)
}

// errEarlier says that a job before the one in question cannot be forecast.
var errEarlier = errors.New("an earlier job has no forecast")

// until is all the work up to the end of the last of the jobs, which begin with the
// machine's first.
func (q *queue) until(jobs []work) (forecast.Work, error) {
	todo, _, err := q.account(jobs)
	return todo, err
}

// account is until, with the running minutes that are lost against the cards' speeds.
func (q *queue) account(jobs []work) (out forecast.Work, lost float64, err error) {
	out = forecast.Work{Stop: q.stop, FixedMinutes: held(q.m), Pauses: q.care}
	doffs, setups, planned := 0, 0, false
	out.Order, out.Orders = orders(jobs)
	for k := range jobs {
		w := &jobs[k]
		if w.reason != "" {
			return out, 0, errEarlier
		}
		turns := w.turns()
		minutes, _ := unit.Revolutions(turns).Minutes(w.speed)
		out.RunMinutes += minutes
		// The same machine stays too fast or too slow: the doubts of its jobs add up.
		out.RunSDMin += w.doubt * minutes
		if card := w.job.Card.SpeedRPM; speedKnown(card) && float64(w.speed) < slow*card {
			lost += minutes * (1 - float64(w.speed)/card)
		}
		if w.setup && turns > 0 {
			setups++
		}
		roll := w.rollTurns()
		if roll <= 0 || !q.forecast.Seen(causeDoff) {
			continue
		}
		planned = true
		onRoll := 0.0
		if k == 0 {
			onRoll = min(max(float64(q.m.SinceDoff), 0), roll)
		}
		// Beyond a million the forecast refuses; the number must only stay a number.
		doffs += int(min(before((turns+onRoll)/roll), 1e9))
	}
	if planned {
		out.Planned = append(out.Planned, forecast.Planned{Cause: causeDoff, Count: doffs})
	}
	if setups > 0 {
		out.Planned = append(out.Planned, forecast.Planned{Cause: causeSetup, Count: setups})
	}
	out.Planned = append(out.Planned, q.dues(jobs, out.RunMinutes)...)
	out.ClassMinutes = classMinutes(q.ahead, q.wait, q.wait+out.RunMinutes/q.share, out.RunMinutes)
	return out, lost, nil
}

// before is how often something comes that falls due each whole number up to x: what
// falls due with the last turn comes after it, whichever way x was rounded.
func before(x float64) float64 {
	const rounding = 1e-6
	return math.Max(math.Floor(x-rounding), 0)
}

// turns that the job's kilos take.
func (w *work) turns() float64 {
	if !(w.grams > 0) {
		return 0
	}
	return w.kg * 1000 / float64(w.grams)
}

// rollTurns is the turns of one roll; 0 = the mass of a roll is not told.
func (w *work) rollTurns() float64 {
	if !(w.rollKg > 0 && w.rollKg < maxKg && w.grams > 0) {
		return 0
	}
	return w.rollKg * 1000 / float64(w.grams)
}

// name of a machine in a sentence.
func name(id string) string { return strings.ToUpper(id) }
