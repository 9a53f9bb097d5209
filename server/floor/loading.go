package floor

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// ErrNoPlans: the store keeps no loading plans.
var ErrNoPlans = errors.New("loading plans are not kept here")

// Prices are what plans go by. A price is in late minutes of an order of
// weight 1; the zero value is [UsualPrices].
type Prices struct {
	Frozen  time.Duration // nothing that starts within is moved; below 0 = only what runs stays
	Steady  time.Duration // a move of what starts within costs Change, of later ones a quarter
	Setup   float64       // of a minute of set-up; below 0 = nothing
	Change  float64       // of one moved order; below 0 = nothing
	Undated float64       // weight of an order without a promised date
}

// UsualPrices hold when nobody says otherwise. Assumptions, no source.
var UsualPrices = Prices{Frozen: 8 * time.Hour, Steady: 24 * time.Hour, Setup: 2, Change: 240, Undated: 0.1}

const crumbKg = 0.5 // nobody knits that

// usual fills what is not told.
func (p Prices) usual() Prices {
	return Prices{
		Frozen: cmp.Or(p.Frozen, UsualPrices.Frozen), Steady: cmp.Or(p.Steady, UsualPrices.Steady),
		Setup: cmp.Or(p.Setup, UsualPrices.Setup), Change: cmp.Or(p.Change, UsualPrices.Change), Undated: cmp.Or(p.Undated, UsualPrices.Undated),
	}
}

// Origins of a LoadingPlan.
const (
	OriginSolve = "solve"
	OriginHand  = "hand"
	OriginLive  = "live" // the jobs as they stand; it is not kept
)

// LoadingPlan is one version of the loading, or the jobs as they stand.
type LoadingPlan struct {
	ID                    int64     `json:"-"` // 0 = not kept
	State                 string    `json:"-"`
	Made, Applied, Undone time.Time `json:"-"`
	Origin                string
	Base                  int64 // plan in force when it was made; 0 = none
	Lines                 []LoadingLine
	Moves                 []board.Move
	Refused               []board.Refusal
	Cost                  board.Cost
	Start, Bound          float64
	Free                  []board.FreeHours
	Assumptions, Warnings []string
	// Effects on the promises, the largest worsening first; Same stay.
	Effects []LoadingEffect
	Same    int
}

// LoadingLine is the jobs of one machine.
type LoadingLine struct {
	Machine string
	Jobs    []LoadingJob
}

// LoadingJob is a job with its card and the spread of its end.
type LoadingJob struct {
	board.Job
	Card     string
	P10, P90 time.Time // zero = not known
	Waits    bool      `json:",omitempty"` // it begins when somebody says so
	Expected time.Time `json:",omitzero"`  // when it was to begin, of the jobs as they stand
}

// LoadingEffect is what a plan does to one order.
type LoadingEffect struct {
	Order         string
	Promise       time.Time
	Before, After time.Time // done with 80 %; zero = no forecast
	Sentence      string
}

// SolveRequest asks for a search.
type SolveRequest struct {
	Seed     uint64
	Rounds   int           // 0 = as the time allows
	For      time.Duration // 0 = no bound
	Frozen   time.Duration // 0 = as usual; below 0 = only what runs
	Continue func() bool   // nil = never stopped
	Progress func(board.Progress)
}

// mostRounds is a search without an end of its own.
const mostRounds = 1 << 30

// Solve searches a loading of all orders and keeps nothing. Errors hold
// [board.ErrProblem] for a table of set-ups with holes, circular pins and the
// like.
func (f *Floor) Solve(ctx context.Context, r SolveRequest) (LoadingPlan, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return LoadingPlan{}, err
	}
	problem, told, err := f.problem(ctx, p)
	if err != nil {
		return LoadingPlan{}, err
	}
	switch {
	case r.Frozen > 0:
		problem.Frozen = r.Frozen
	case r.Frozen < 0:
		problem.Frozen = 0
	}
	end := time.Time{}
	if r.For > 0 {
		end = f.c.Now().Add(r.For)
	}
	o := board.Options{Seed: r.Seed, Iterations: r.Rounds, Keep: 20, Progress: r.Progress, Continue: func() bool {
		return ctx.Err() == nil && (end.IsZero() || f.c.Now().Before(end)) && (r.Continue == nil || r.Continue())
	}}
	if r.Rounds <= 0 && r.For > 0 {
		o.Iterations = mostRounds
	}
	solved, err := board.Solve(problem, o)
	if err != nil {
		return LoadingPlan{}, err // it is for the person who asked
	}
	if err := ctx.Err(); err != nil {
		return LoadingPlan{}, err
	}
	out, err := f.dress(p, solved, OriginSolve)
	out.Assumptions = append(told, out.Assumptions...)
	return out, err
}

// Propose makes a plan of the jobs as they stand with changes made by hand.
// Only moves, splits and machines added can be kept. Errors hold
// [outlook.ErrRequest].
func (f *Floor) Propose(ctx context.Context, changes ...outlook.Change) (LoadingPlan, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return LoadingPlan{}, err
	}
	supposed, err := p.suppose(changes)
	if err != nil {
		return LoadingPlan{}, err
	}
	problem, told, err := f.problem(ctx, p)
	if err != nil {
		return LoadingPlan{}, err
	}
	warnings, err := f.handRules(p, problem, supposed)
	if err != nil {
		return LoadingPlan{}, err
	}
	laid, err := f.retime(p, problem, f.queues(p, supposed))
	if err != nil {
		return LoadingPlan{}, err
	}
	before, err := f.retime(p, problem, f.queues(p, p.snapshot))
	if err != nil {
		return LoadingPlan{}, err
	}
	laid.Moves = board.Diff(before, laid)
	for i := range laid.Moves {
		laid.Moves[i].Rule = cmp.Or(laid.Moves[i].Rule, "by hand")
		laid.Moves[i].Sentence = cmp.Or(laid.Moves[i].Sentence, f.movedWords(laid.Moves[i]))
	}
	out, err := f.dress(p, laid, OriginHand)
	out.Assumptions = append(told, out.Assumptions...)
	out.Warnings = append(out.Warnings, warnings...)
	return out, err
}

// LoadingNow is the jobs as they stand, with their times.
func (f *Floor) LoadingNow(ctx context.Context) (LoadingPlan, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return LoadingPlan{}, err
	}
	problem, told, err := f.problem(ctx, p)
	if err != nil {
		return LoadingPlan{}, err
	}
	laid, err := f.retime(p, problem, f.queues(p, p.snapshot))
	if err != nil {
		return LoadingPlan{}, err
	}
	laid.Moves = nil
	out, err := f.dress(p, laid, OriginLive)
	if err != nil {
		return out, err
	}
	on := map[string]bool{}
	for _, l := range out.Lines {
		for k := range l.Jobs {
			j := &l.Jobs[k]
			on[j.Order] = true
			j.Frozen = j.Kind != board.JobCare && j.SetupStart.Before(p.At.Add(f.c.Prices.Frozen))
		}
	}
	for _, o := range problem.Orders {
		if !on[o.ID] && o.Kg > 0 {
			out.Refused = append(out.Refused, board.Refusal{Order: o.ID, Why: fmt.Sprintf("%s stands on no machine: %.0f kg wait for a place.", o.ID, o.Kg)})
		}
	}
	out.Assumptions = append(told, out.Assumptions...)
	return out, nil
}

// retime gives lines their times without moving a job: orders that the lines
// do not have are left out.
func (f *Floor) retime(p *plan, problem board.Problem, lines []board.Line) (board.Plan, error) {
	kg := map[string]float64{}
	parts := map[string]int{}
	for _, l := range lines {
		for _, j := range l.Jobs {
			if j.Kind == board.JobOrder {
				kg[j.Order] += j.Kg
				parts[j.Order]++
			}
		}
	}
	for _, m := range problem.Machines {
		if m.Running != nil {
			kg[m.Running.Order] += 0
		}
	}
	orders := problem.Orders
	problem.Orders = nil
	for _, o := range orders {
		if _, ok := kg[o.ID]; ok {
			o.Kg, o.Pin, o.OneLot = kg[o.ID], nil, false
			o.Parts, o.MinKg = max(parts[o.ID], 1), 0
			if parts[o.ID] > 1 && o.RollKg == 0 {
				o.RollKg = 1
			}
			problem.Orders = append(problem.Orders, o)
		}
	}
	// Everything stays where the lines have it.
	problem.Last, problem.Frozen = board.Plan{At: p.At, Machines: lines}, farAhead
	return board.Retime(problem)
}

// farAhead freezes everything.
const farAhead = 20 * 365 * 24 * time.Hour

// queues are the jobs of a snapshot that have not begun, as lines without times.
func (f *Floor) queues(p *plan, s outlook.Snapshot) []board.Line {
	kilos := f.waitingKilos(p, s)
	var out []board.Line
	for i := range s.Machines {
		m := &s.Machines[i]
		line := board.Line{Machine: m.ID}
		at := p.At
		for k, j := range m.Jobs {
			kg := kilos[[2]string{m.ID, j.Order}]
			if k == 0 && !m.Waits || kg < crumbKg {
				continue
			}
			at = at.Add(time.Second) // only the sequence counts
			line.Jobs = append(line.Jobs, board.Job{Kind: board.JobOrder, Order: j.Order, Part: 1, Parts: 1, Kg: kg, Rolls: f.rollsOf(p, j.Order, kg), SetupStart: at, Start: at, End: at})
		}
		out = append(out, line)
	}
	return out
}

// rollsOf is how many whole rolls kilos of an order are; without a roll mass
// a roll is a kilo.
func (f *Floor) rollsOf(p *plan, order string, kg float64) int {
	roll := p.book.articles[p.book.orders[order].Article].RollKg
	if roll <= 0 {
		roll = 1
	}
	return max(int(math.Round(kg/roll)), 1)
}

// waitingKilos are the kilos of the jobs of a snapshot, by machine and order.
func (f *Floor) waitingKilos(p *plan, s outlook.Snapshot) map[[2]string]float64 {
	out := map[[2]string]float64{}
	after := p.Outlook
	if !slices.EqualFunc(s.Machines, p.snapshot.Machines, func(a, b outlook.Machine) bool {
		return slices.EqualFunc(a.Jobs, b.Jobs, func(x, y outlook.Job) bool {
			return x.Order == y.Order && x.QuantityKg == y.QuantityKg && x.CountedKg == y.CountedKg
		})
	}) {
		if again, err := outlook.Plan(s, p.At); err == nil {
			after = again
		}
	}
	for _, o := range after.Orders {
		for _, j := range o.Jobs {
			out[[2]string{j.Machine, o.Order}] += j.RemainingKg
		}
	}
	return out
}

// dress adds to a plan what people ask of it: cards, spreads, effects on the
// promises and yarn that is missing.
func (f *Floor) dress(p *plan, b board.Plan, origin string) (LoadingPlan, error) {
	out := LoadingPlan{
		Origin: origin, State: store.PlanProposed, Made: p.At, Moves: b.Moves, Refused: b.Refused, Cost: b.Cost, Start: b.Start, Bound: b.Bound, Free: b.Free,
	}
	s := p.snapshot
	s.Machines = slices.Clone(s.Machines)
	lines := index(b.Machines, func(l board.Line) string { return l.Machine })
	for i := range s.Machines {
		m := &s.Machines[i]
		line := LoadingLine{Machine: m.ID}
		jobs := slices.Clone(m.Jobs[:min(len(m.Jobs), map[bool]int{true: 0, false: 1}[m.Waits])])
		for _, j := range lines[m.ID].Jobs {
			lj := LoadingJob{Job: j}
			switch j.Kind {
			case board.JobOrder:
				card := f.cardOf(p, m, j.Order)
				lj.Card, lj.Waits = card.ID, !f.c.ByClock
				if origin == OriginLive {
					k := slices.IndexFunc(p.book.planned[m.ID], func(a store.Assignment) bool { return a.Order == j.Order })
					if lj.Waits = k >= 0; lj.Waits {
						lj.Expected = p.book.planned[m.ID][k].From
					}
				}
				jobs = append(jobs, outlook.Job{Order: j.Order, Card: card, QuantityKg: j.Kg})
			case board.JobRunning:
				if len(m.Jobs) > 0 {
					lj.Card = m.Jobs[0].Card.ID
				}
			}
			line.Jobs = append(line.Jobs, lj)
		}
		m.Jobs = jobs
		out.Lines = append(out.Lines, line)
	}
	after := p.Outlook
	if origin != OriginLive {
		var err error
		if after, err = outlook.Plan(s, p.At); err != nil {
			return out, fmt.Errorf("floor: look ahead from a plan: %w", err)
		}
		f.effects(p, after, &out)
	}
	spread(&out, after)
	f.warnYarn(p, after, &out)
	p.book.nameMachines(&out)
	return out, nil
}

// nameMachines writes machines in the sentences of a plan as people call them.
func (b *book) nameMachines(l *LoadingPlan) {
	for i := range l.Moves {
		l.Moves[i].Sentence = b.named(l.Moves[i].Sentence)
	}
	for i := range l.Refused {
		r := &l.Refused[i]
		r.Why = b.named(r.Why)
		r.Reasons = slices.Clone(r.Reasons)
		for k := range r.Reasons {
			r.Reasons[k].Sentence = b.named(r.Reasons[k].Sentence)
		}
	}
}

// named writes machines as people call them.
func (b *book) named(s string) string {
	return machineWord.ReplaceAllStringFunc(s, func(w string) string {
		if _, ok := b.machines[w]; ok {
			return b.name(w)
		}
		return w
	})
}

// machineWord is a word that may be the id of a machine.
var machineWord = regexp.MustCompile(`[a-z0-9_-]*[a-z][a-z0-9_-]*`)

// cardOf is the card that a machine has for an order: of its job, then of its cards.
func (f *Floor) cardOf(p *plan, m *outlook.Machine, order string) outlook.Card {
	for _, j := range m.Jobs {
		if j.Order == order {
			return j.Card
		}
	}
	article := p.book.orders[order].Article
	var general outlook.Card
	for _, c := range m.Cards {
		if c.Article == article {
			if p.book.cards[c.ID].Machine != "" {
				return c
			}
			general = c
		}
	}
	return general
}

// spread puts the forecast's spread around the end of each job.
func spread(l *LoadingPlan, o outlook.Outlook) {
	finish := map[[2]string]outlook.Finish{}
	for _, order := range o.Orders {
		for _, j := range order.Jobs {
			finish[[2]string{j.Machine, order.Order}] = j.Finish
		}
	}
	for i := range l.Lines {
		for k := range l.Lines[i].Jobs {
			j := &l.Lines[i].Jobs[k]
			if fin, ok := finish[[2]string{l.Lines[i].Machine, j.Order}]; ok && fin.Refused == "" && !fin.P50.IsZero() {
				// The plan's end has the table's set-ups; the law has the stops.
				j.P10, j.P90 = j.End.Add(fin.P10.Sub(fin.P50)), j.End.Add(fin.P90.Sub(fin.P50))
			}
		}
	}
}

func (f *Floor) effects(p *plan, after outlook.Outlook, out *LoadingPlan) {
	effects, same := outlook.Effects(p.snapshot, p.Outlook, after)
	out.Same = same
	at := func(fin outlook.Finish) time.Time {
		if fin.Refused != "" {
			return time.Time{}
		}
		return fin.P80.Round(time.Minute)
	}
	for _, e := range effects {
		out.Effects = append(out.Effects, LoadingEffect{e.Order, e.Promise, at(e.Before), at(e.After), e.Sentence})
	}
}

// warnYarn names yarn that is missing before a job starts.
func (f *Floor) warnYarn(p *plan, o outlook.Outlook, out *LoadingPlan) {
	starts := map[string]LoadingJob{}
	where := map[string]string{}
	for _, l := range out.Lines {
		for _, j := range l.Jobs {
			if first, ok := starts[j.Order]; j.Kind == board.JobOrder && (!ok || j.Start.Before(first.Start)) {
				starts[j.Order], where[j.Order] = j, l.Machine
			}
		}
	}
	for _, order := range o.Orders {
		j, ok := starts[order.Order]
		if !ok {
			continue
		}
		for _, y := range order.Yarn {
			if y.ShortKg < crumbKg {
				continue
			}
			out.Warnings = append(out.Warnings, fmt.Sprintf("%s needs %.0f kg of yarn %s, lot %s is %.0f kg short: get it before %s, when it starts on %s.",
				order.Order, y.NeededKg, y.Yarn, y.Lot, y.ShortKg, j.Start.In(f.c.Zone).Format("Mon 2 Jan 15:04"), p.book.name(where[order.Order])))
		}
	}
	slices.Sort(out.Warnings)
}
