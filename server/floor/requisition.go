package floor

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"turnwise/planner/creel"
	"turnwise/planner/outlook"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

// MostRequisition is how far ahead yarn can be asked for.
const MostRequisition = 14 * 24 * time.Hour

// RequisitionView is the yarn that creels will take until an instant.
type RequisitionView struct {
	At, Until time.Time
	Lines     []RequisitionLine // by lot, then yarn
	Warnings  []string          // what could not be foreseen
}

// RequisitionLine is yarn of one lot. Lot "" = any lot of the yarn.
type RequisitionLine struct {
	Lot, Yarn, Tip string
	Cones          int     // that will be put on
	NeedKg         float64 // of those
	AtMachineKg    float64 // there, and not on a creel
	FetchKg        float64 // what is missing at the machines
	StoreKg        float64
	ShortKg        float64 // of FetchKg, not in the store
	Shares         []RequisitionShare
}

// RequisitionShare is the part of one feed group of a machine for one order.
type RequisitionShare struct {
	Machine, Group, Order string
	Cones                 int
	NeedKg                float64
	AtMachineKg, FetchKg  float64
	First                 time.Time // when the first cone is put on
}

// Requisition says what the creels of machines (none = all) will take until an instant, less what
// stands at them: whole cones, each put on when its place is empty, while machines run as well
// as they do in 1 of 10 cases, so that 9 of 10 times it is enough. Errors: [store.ErrInvalid].
func (f *Floor) Requisition(ctx context.Context, machines []string, until time.Time) (RequisitionView, error) {
	now := f.c.Now()
	if !until.After(now) || until.Sub(now) > MostRequisition {
		return RequisitionView{}, fmt.Errorf("requisition until %s: %w: it is %s now, expected an instant within the next %d days", until.In(f.c.Zone).Format("2006-01-02 15:04"), store.ErrInvalid, now.In(f.c.Zone).Format("2006-01-02 15:04"), int(MostRequisition.Hours()/24))
	}
	p, err := f.outlook(ctx)
	if err != nil {
		return RequisitionView{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	r := requisition{f: f, b: f.book, p: p, v: RequisitionView{At: p.At, Until: until}, lines: map[[2]string]*RequisitionLine{}}
	for _, m := range f.order {
		if len(machines) == 0 || slices.Contains(machines, m.id) {
			r.machine(m)
		}
	}
	r.net()
	return r.v, nil
}

// requisition gathers; it needs f.mu.
type requisition struct {
	f     *Floor
	b     *book
	p     *plan
	v     RequisitionView
	lines map[[2]string]*RequisitionLine // by lot and yarn
}

func (r *requisition) warn(format string, args ...any) {
	r.v.Warnings = append(r.v.Warnings, fmt.Sprintf(format, args...))
}

// stock is what is left on the places of a feed group.
type stock struct {
	lot, yarn string
	left      []unit.Kilograms
}

// machine goes through the jobs of a machine, one after the other.
func (r *requisition) machine(m *machine) {
	at, name := r.p.At, r.b.name(m.id)
	stocks := r.standing(m)
	for i, job := range r.b.pending(m.id, r.p.At) {
		card := r.b.cards[job.Card]
		jobs := r.p.orders[job.Order].Jobs
		k := slices.IndexFunc(jobs, func(j outlook.JobOutlook) bool { return j.Machine == m.id })
		if !job.Planned && job.From.After(at) {
			at = job.From
		}
		switch {
		case !at.Before(r.v.Until):
			return
		case k < 0 || jobs[k].RemainingRevolutions <= 0:
			continue
		case card.grams == 0:
			r.warn("%s, order %s: card %q cannot be weighed; its yarn is not in the list", name, job.Order, job.Card)
			return
		case jobs[k].Finish.Refused != "" || jobs[k].Finish.P10.IsZero():
			r.warn("%s, order %s: %s; its yarn is not in the list", name, job.Order, cmp.Or(jobs[k].Finish.Refused, "no finish is foreseen"))
			return
		}
		run := evenly{from: at, end: jobs[k].Finish.P10, turns: float64(jobs[k].RemainingRevolutions), calendar: r.f.c.Calendar.Working}
		turns := run.until(r.v.Until)
		for _, g := range card.Feeds {
			s := stocks[g.ID]
			lot, yarn := r.b.lotFor(job, g), g.Yarn
			fits := len(s.left) == g.Feeders*max(g.Ends, 1) && s.yarn == yarn && (s.lot == lot || lot == "" || i == 0)
			if !fits {
				if i == 0 {
					r.warn("%s, %s: nobody told what stands in the creel; it is taken as empty", name, g.ID)
				}
				s.left = make([]unit.Kilograms, g.Feeders*max(g.Ends, 1))
			}
			s.lot, s.yarn = lot, yarn
			r.take(m, job, &card, g, &s, run, turns)
			stocks[g.ID] = s
		}
		if at = run.end; !at.Before(r.v.Until) {
			return
		}
	}
}

// standing is what is left on the places of a machine, by feed group.
func (r *requisition) standing(m *machine) map[string]stock {
	out := map[string]stock{}
	classes := r.b.classes(m.id, r.p.At, r.f.c.Rule)
	c := r.b.creelOf(m.id, m.state.Revolutions, classes, r.p.At)
	for _, p := range c.Positions {
		left, err := c.Left(p)
		if err != nil {
			left = 0
		}
		s := out[p.Group]
		s.lot, s.yarn = p.Running.Lot, r.b.yarnOf(m.id, p.Group, p.Running.Lot, r.p.At)
		s.left = append(s.left, left)
		out[p.Group] = s
	}
	return out
}

// lotFor is the lot that a feed group of a job takes: that of the order, else of the card; "" = any.
func (b *book) lotFor(job store.Assignment, g store.FeedGroup) string {
	if o := b.orders[job.Order]; o.Lot != "" && b.lots[o.Lot].Yarn == g.Yarn {
		return o.Lot
	}
	return g.Lot
}

// evenly is turns that are spread evenly over the working time of a job.
type evenly struct {
	from, end time.Time
	turns     float64
	calendar  func(from, to time.Time) time.Duration
}

func (s evenly) until(t time.Time) float64 {
	whole := s.calendar(s.from, s.end)
	if whole <= 0 || !t.Before(s.end) {
		return s.turns
	}
	return s.turns * min(1, float64(s.calendar(s.from, t))/float64(whole))
}

// take adds the cones of one feed group in so many turns, and leaves what is then on its places.
func (r *requisition) take(m *machine, job store.Assignment, card *card, g store.FeedGroup, s *stock, run evenly, turns float64) {
	i := slices.IndexFunc(card.Feeds, func(x store.FeedGroup) bool { return x.ID == g.ID })
	net, _ := r.b.cone(store.Cone{Lot: s.lot}, g.Yarn, r.f.c.Rule)
	per, err := card.knit.Feeds[i].MassPerEnd()
	if err != nil || net <= 0 {
		r.warn("%s, %s: the net mass of a cone of %s is not known; enter it with the yarn", r.b.name(m.id), g.ID, g.Yarn)
		return
	}
	perTurn := per.Kilograms()
	if ratio := r.b.biases.ratio(m.id, g.ID, s.lot); ratio > 0 {
		perTurn /= unit.Kilograms(ratio)
	}
	got, err := creel.Replace(s.left, unit.Kilograms(net), perTurn, unit.Revolutions(turns))
	if err != nil {
		r.warn("%s, %s: %v", r.b.name(m.id), g.ID, err)
		return
	}
	s.left = got.Left
	if got.Cones == 0 {
		return
	}
	key := [2]string{s.lot, g.Yarn}
	l := r.lines[key]
	if l == nil {
		l = &RequisitionLine{Lot: s.lot, Yarn: g.Yarn, Tip: r.b.lots[s.lot].Tip}
		r.lines[key] = l
	}
	share := RequisitionShare{Machine: m.id, Group: g.ID, Order: job.Order, Cones: got.Cones, NeedKg: float64(got.Cones) * net, First: run.from}
	if whole := run.calendar(run.from, run.end); whole > 0 && run.turns > 0 {
		if at, ok := r.f.c.Calendar.After(run.from, time.Duration(float64(whole)*float64(got.First)/run.turns)); ok {
			share.First = at.Round(time.Minute)
		}
	}
	l.Cones, l.NeedKg, l.Shares = l.Cones+share.Cones, l.NeedKg+share.NeedKg, append(l.Shares, share)
}

// net takes off what stands at the machines, each machine's own first, and compares with the store.
func (r *requisition) net() {
	inStore := map[string]float64{}
	for _, l := range r.b.Lots {
		inStore[l.ID] = max(l.StoreKg-r.b.creel.moves[l.ID].OutKg, 0)
	}
	for _, l := range r.lines {
		own := map[string]float64{}
		for m, kg := range r.b.beside[l.Lot] {
			own[m] = kg
		}
		for i := range l.Shares {
			s := &l.Shares[i]
			s.AtMachineKg = min(own[s.Machine], s.NeedKg)
			own[s.Machine] -= s.AtMachineKg
			s.FetchKg = s.NeedKg - s.AtMachineKg
			l.AtMachineKg, l.FetchKg = l.AtMachineKg+s.AtMachineKg, l.FetchKg+s.FetchKg
		}
		// What the book has at machines is at no one of them.
		common := min(r.b.lots[l.Lot].AtMachineKg, l.FetchKg)
		l.AtMachineKg, l.FetchKg = l.AtMachineKg+common, l.FetchKg-common
		if l.StoreKg = inStore[l.Lot]; l.Lot == "" {
			for _, x := range r.b.Lots {
				if x.Yarn == l.Yarn {
					l.StoreKg += inStore[x.ID]
				}
			}
		}
		l.ShortKg = max(0, l.FetchKg-l.StoreKg)
		slices.SortStableFunc(l.Shares, func(x, y RequisitionShare) int { return x.First.Compare(y.First) })
		r.v.Lines = append(r.v.Lines, *l)
	}
	slices.SortFunc(r.v.Lines, func(x, y RequisitionLine) int {
		return slices.Compare([]string{x.Lot, x.Yarn}, []string{y.Lot, y.Yarn})
	})
}
