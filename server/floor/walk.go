package floor

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/planner/creel"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// What a tender's work takes (common practice, no source).
const (
	stopWork  = 1.5  // minutes to clear a stop
	doffWork  = 2    // to cut a roll and start the next
	creelWork = 1    // to begin at a creel
	coneWork  = 0.25 // for each cone: set it up, tie, cut the tail
	endWork   = 5    // to cut the last roll and take the cones off
	// doffEarly and creelEarly are how long before the machine would stand the work
	// can be done.
	doffEarly  = 2 * time.Minute
	creelEarly = 20 * time.Minute
	// lookWithin is by when somebody should look at a creel that was seen to without a word.
	lookWithin = time.Hour
	// A tender who would wait longer than this at a machine goes back in between:
	// then it is another walk.
	walkPause = 8 * time.Minute
	// nextHour is how far the list of cones to fetch looks.
	nextHour = time.Hour
	// atMachine is for how long the newest tap tells where the tender is.
	atMachine = 15 * time.Minute
)

// Hall is how far machines are apart. The zero value means [DefaultHall].
type Hall struct {
	StepMin float64 // minutes from a machine to the next of its area, by id
	AreaMin float64 // more to another area
	// WalkCost of a minute of walking, where a standing minute of a machine costs 1.
	WalkCost float64
}

// DefaultHall has machines some 6 m apart (common practice, no source).
var DefaultHall = Hall{StepMin: 0.1, AreaMin: 2, WalkCost: 0.1}

// RoundsView is the work of the next hours as walks.
type RoundsView struct {
	At       time.Time
	Walks    []WalkView  // soonest first
	NextHour []FetchView // cones of the walks that begin within an hour
	// BothMin is the minutes within the horizon in which two or more machines stand
	// for one person.
	BothMin float64
	Split   *SplitView // a better share of the machines; nil = the present one will do
}

// WalkView is one way of one tender through the hall.
type WalkView struct {
	ID          string // stays while one of its tasks stays
	Set         string // of machines that it serves; "" = those without a set, or those asked for
	From, To    time.Time
	LatestFrom  time.Time // by when to leave, so that no machine stands that need not
	Stops       []WalkStop
	WalkingMin  float64
	WorkMin     float64
	LateMin     float64 // that machines stand for want of the tender
	Fetch       []FetchView
	cost, reach float64
}

// WalkStop is one machine of a walk with all that is done there in one go.
type WalkStop struct {
	Machine, Name string
	WalkMin       float64 // from the stop before
	Start, End    time.Time
	Open, Latest  time.Time // of all its tasks together
	LateMin       float64
	Tasks         []TaskView // soonest first
	Fetch         []FetchView
}

// FetchView is cones of one lot to bring.
type FetchView struct {
	Lot, Yarn, YarnName, Tip string
	Cones                    int
}

// SetLoad is what a set of machines asks of its tender.
type SetLoad struct {
	Set                          string
	Machines                     []string
	WalkingMin, LateMin, BothMin float64
}

// SplitView is a better share of the machines among the tenders.
type SplitView struct{ Now, Proposed []SetLoad }

// walkMemo keeps the walks of a few askers while nothing moves, and the names of
// walks by their tasks.
type walkMemo struct {
	mu   sync.Mutex
	kept map[string]*keptWalks
}

type keptWalks struct {
	plan  *plan
	book  *book
	until time.Time
	view  RoundsView
	share time.Time         // when the share of the machines is looked at again
	names map[string]string // by task
}

// Limits of the memo: askers that it knows, and how long an answer holds although
// the clock goes on.
const (
	keptAskers = 64
	keptFor    = 5 * time.Second
	shareFor   = 5 * time.Minute // half a second of one core for 60 machines
)

// Rounds returns the walks of the tenders of the given machines (none = all, each set
// a tender) within the horizon. The slices of the answer are shared: do not change them.
func (f *Floor) Rounds(ctx context.Context, machines []string, horizon time.Duration) (RoundsView, error) {
	p, err := f.outlook(ctx)
	if err != nil {
		return RoundsView{}, err
	}
	now := f.c.Now()
	key := strings.Join(machines, " ") + " " + horizon.String()
	f.walks.mu.Lock()
	defer f.walks.mu.Unlock()
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	k := f.walks.kept[key]
	if k != nil && k.plan == p && k.book == b && now.Before(k.until) {
		return k.view, nil
	}
	tasks, err := f.allTasks(ctx, machines, horizon)
	if err != nil {
		return RoundsView{}, err
	}
	tasks = append(tasks, f.endings(p, machines, now.Add(horizon))...)
	tasks = slices.DeleteFunc(tasks, func(t TaskView) bool { return !b.told(&t, now) })
	share := k == nil || !now.Before(k.share)
	view, err := f.c.Hall.rounds(b, tasks, b.tenders(machines, now), now, share)
	if err != nil {
		return RoundsView{}, fmt.Errorf("floor: walks: %w", err)
	}
	if k == nil {
		if f.walks.kept == nil || len(f.walks.kept) >= keptAskers {
			f.walks.kept = map[string]*keptWalks{}
		}
		k = &keptWalks{}
		f.walks.kept[key] = k
	}
	if share {
		k.share = now.Add(shareFor)
	} else {
		view.Split = k.view.Split
	}
	view.At = now.In(f.c.Zone)
	k.names = nameWalks(view.Walks, k.names)
	k.plan, k.book, k.until, k.view = p, b, now.Add(keptFor), view
	return view, nil
}

// nameWalks gives each walk the name that most of its tasks had, else one of its
// own, and returns the names by task.
func nameWalks(walks []WalkView, before map[string]string) map[string]string {
	names, used := map[string]string{}, map[string]bool{}
	for i := range walks {
		w := &walks[i]
		votes := map[string]int{}
		first := ""
		for _, s := range w.Stops {
			for _, t := range s.Tasks {
				first = cmp.Or(first, t.ID)
				if n := before[t.ID]; n != "" && !used[n] {
					votes[n]++
					if w.ID == "" || votes[n] > votes[w.ID] {
						w.ID = n
					}
				}
			}
		}
		if w.ID == "" {
			w.ID = strings.TrimPrefix(w.Set+"-"+first, "-")
		}
		used[w.ID] = true
		for _, s := range w.Stops {
			for _, t := range s.Tasks {
				names[t.ID] = w.ID
			}
		}
	}
	return names
}

// tenders are the people of the machines: one for each set, or one alone for
// the machines that somebody asks for.
func (b *book) tenders(asked []string, now time.Time) []creel.Tender {
	sets := map[string][]string{}
	for _, m := range b.Machines {
		if len(asked) == 0 {
			sets[m.Set] = append(sets[m.Set], m.ID)
		} else if slices.Contains(asked, m.ID) {
			sets[""] = append(sets[""], m.ID)
		}
	}
	if own := sets[""]; len(asked) > 0 && len(own) > 0 {
		set := b.machines[own[0]].Set
		if !slices.ContainsFunc(own, func(m string) bool { return b.machines[m].Set != set }) {
			sets = map[string][]string{set: own}
		}
	}
	var out []creel.Tender
	for set, machines := range sets {
		t := creel.Tender{Name: set, Machines: machines}
		var newest time.Time
		for _, s := range b.creel.taps {
			if slices.Contains(machines, s.Machine) && s.Since.After(newest) && now.Sub(s.Since) < atMachine {
				newest, t.At = s.Since, s.Machine
			}
		}
		out = append(out, t)
	}
	slices.SortFunc(out, func(x, y creel.Tender) int { return strings.Compare(x.Name, y.Name) })
	return out
}

// endings are the jobs that end until an instant, as tasks.
func (f *Floor) endings(p *plan, machines []string, until time.Time) []TaskView {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []TaskView
	for _, m := range f.order {
		jobs := p.book.pending(m.id, p.At)
		if len(machines) > 0 && !slices.Contains(machines, m.id) || len(jobs) == 0 {
			continue
		}
		if j := jobs[0]; j.Ahead(p.At) {
			if j.Planned && !j.From.After(until) {
				t := TaskView{ID: fmt.Sprintf("%s-begin-%s", m.id, j.Order), Kind: TaskEnd, Machine: m.id, Name: m.view.Name, Due: later(j.From, p.At), NextOrder: j.Order, Begins: j.Order}
				f.book.told(&t, f.c.Now())
				out = append(out, t)
			}
			continue
		}
		jo := p.orders[jobs[0].Order].Jobs
		i := slices.IndexFunc(jo, func(j outlook.JobOutlook) bool { return j.Machine == m.id })
		next := p.book.next(m.id, p.At)
		// A machine that has its kilos knits on until somebody says that the next job began.
		over := next.Order != "" && (i < 0 || jo[i].RemainingKg < crumbKg)
		var end outlook.JobOutlook
		switch {
		case over:
			end.Finish.P50 = p.At
		case i < 0 || jo[i].Finish.Refused != "" || jo[i].Finish.P50.IsZero() || jo[i].Finish.P50.After(until):
			continue
		default:
			end = jo[i]
		}
		t := TaskView{
			ID: fmt.Sprintf("%s-end-%s", m.id, jobs[0].Order), Kind: TaskEnd, Machine: m.id, Name: m.view.Name,
			Due: end.Finish.P50, Begins: next.Order, Order: jobs[0].Order, RollNumber: m.view.RollNumber,
			Remnants: f.leftover(m, p.turns[m.id]+float64(end.RemainingRevolutions), f.c.Now()),
		}
		if len(jobs) > 1 {
			t.NextOrder = jobs[1].Order
			if a := p.book.cards[jobs[1].Card].Article; a != p.book.cards[jobs[0].Card].Article {
				t.Kind, t.NextArticle = TaskStyle, a
			}
		}
		f.book.told(&t, f.c.Now())
		out = append(out, t)
	}
	return out
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// minutes between two machines.
func (h Hall) minutes(b *book) func(from, to string) float64 {
	place := map[string]int{}
	count := map[string]int{}
	for _, m := range b.Machines {
		place[m.ID] = count[m.Area]
		count[m.Area]++
	}
	return func(from, to string) float64 {
		d := h.StepMin * math.Abs(float64(place[from]-place[to]))
		if b.machines[from].Area != b.machines[to].Area {
			d += h.AreaMin
		}
		return d
	}
}

// rounds plans the walks for the tasks, and looks for a better share of the machines
// if it is asked to.
func (h Hall) rounds(b *book, tasks []TaskView, tenders []creel.Tender, now time.Time, share bool) (RoundsView, error) {
	v := RoundsView{At: now}
	byID := make(map[string]*TaskView, len(tasks))
	calls := make([]creel.Call, 0, len(tasks))
	for i := range tasks {
		byID[tasks[i].ID] = &tasks[i]
		calls = append(calls, b.call(&tasks[i], tenders, now))
	}
	calls = creel.Fold(calls)
	if len(calls) == 0 {
		return v, nil
	}
	hall := creel.Floor{Walk: h.minutes(b), WalkCost: h.WalkCost}
	routes, _, err := creel.Routes(calls, tenders, hall)
	if err != nil {
		return v, err
	}
	at := func(min float64) time.Time {
		return now.Add(time.Duration(min * float64(time.Minute))).Round(time.Second)
	}
	for _, r := range routes {
		v.BothMin += r.Both
		v.Walks = append(v.Walks, b.cut(r, calls, byID, at)...)
	}
	slices.SortStableFunc(v.Walks, func(x, y WalkView) int { return x.From.Compare(y.From) })
	v.NextHour = b.fetch(creel.FetchList(calls, routes, nextHour.Minutes()))
	if share && len(tenders) > 1 {
		sets, before, after, err := creel.Split(calls, tenders, hall)
		if err != nil {
			return v, err
		}
		v.Split = splitView(tenders, sets, before, after)
	}
	return v, nil
}

// splitView is nil where the proposal gains less than a minute in which machines stand.
func splitView(tenders []creel.Tender, sets [][]string, before, after []creel.Route) *SplitView {
	var s SplitView
	gain := 0.0
	for i, t := range tenders {
		a, z := before[i], after[i]
		gain += a.Late - z.Late
		s.Now = append(s.Now, SetLoad{t.Name, t.Machines, a.Walking, a.Late, a.Both})
		s.Proposed = append(s.Proposed, SetLoad{t.Name, sets[i], z.Walking, z.Late, z.Both})
	}
	if gain < 1 {
		return nil
	}
	return &s
}

// call is a task as the search for walks sees it.
func (b *book) call(t *TaskView, tenders []creel.Tender, now time.Time) creel.Call {
	in := func(x time.Time) float64 { return x.Sub(now).Minutes() }
	c := creel.Call{ID: t.ID, Machine: t.Machine, LateCost: 1, Latest: in(t.Due)}
	switch t.Kind {
	case TaskStop:
		c.Work, c.Latest = stopWork, 0
	case TaskDoff:
		c.Work, c.Open = doffWork, in(t.Due.Add(-doffEarly))
	case TaskCreel:
		w := t.Window
		if !t.Latest.IsZero() {
			c.Latest = in(t.Latest)
		}
		c.Work, c.Open = creelWork+coneWork*float64(w.Cones), c.Latest-creelEarly.Minutes()
		if !t.Open.IsZero() {
			c.Open = min(in(t.Open), c.Latest)
		}
		if t.Unsaid { // to look what is there; nobody need bring cones or hurry
			c.Work, c.Open, c.Latest = creelWork, 0, lookWithin.Minutes()
			break
		}
		c.Fetch = []creel.Fetch{{Lot: w.Lot + "\x00" + w.Yarn, Cones: w.Cones}}
	default:
		c.Work, c.Open = endWork, c.Latest
		c.LateCost = 0.3 // it knits on, more than was ordered
	}
	c.Open, c.Latest = max(c.Open, 0), max(c.Latest, 0)
	if t.State.State == store.TaskTaken {
		c.Open = 0 // somebody goes now
		for _, p := range tenders {
			if slices.Contains(p.Machines, t.Machine) {
				c.Taken = p.Name
			}
		}
	}
	return c
}

// cut parts a route into walks, where the tender would stand about.
func (b *book) cut(r creel.Route, calls []creel.Call, byID map[string]*TaskView, at func(float64) time.Time) []WalkView {
	var out []WalkView
	before := 0.0 // end of the stop before
	for i, s := range r.Stops {
		c := &calls[s.Call]
		walked := s.Arrive - before
		if i == 0 || s.Start-s.Arrive > walkPause.Minutes() {
			out = append(out, WalkView{Set: r.Tender, From: at(max(0, s.Start-walked)), reach: math.Inf(1)})
		}
		w := &out[len(out)-1]
		w.WalkingMin += walked
		w.WorkMin += c.Work
		w.LateMin += s.Late
		w.To = at(s.End)
		// He must leave before the latest of this stop, less all walking and work before it.
		w.reach = min(w.reach, c.Latest-w.cost-walked)
		w.cost += walked + c.Work
		w.LatestFrom = at(max(w.reach, 0))
		w.Fetch = b.addFetch(w.Fetch, c.Fetch)
		before = s.End
		stop := WalkStop{
			Machine: c.Machine, Name: b.name(c.Machine), WalkMin: walked, Start: at(s.Start), End: at(s.End),
			Open: at(c.Open), Latest: at(c.Latest), LateMin: s.Late, Fetch: b.fetch(c.Fetch),
		}
		for _, id := range c.Parts {
			stop.Tasks = append(stop.Tasks, *byID[id])
		}
		if n := len(w.Stops) - 1; n >= 0 && w.Stops[n].Machine == c.Machine && !stop.Start.After(w.Stops[n].End) {
			w.Stops[n].join(stop, b)
			continue
		}
		w.Stops = append(w.Stops, stop)
	}
	return out
}

// join takes another call at the same machine that follows at once.
func (s *WalkStop) join(o WalkStop, b *book) {
	s.End = o.End
	s.LateMin += o.LateMin
	s.Tasks = append(s.Tasks, o.Tasks...)
	if o.Latest.Before(s.Latest) {
		s.Latest = o.Latest
	}
	for _, f := range o.Fetch {
		s.Fetch = b.addFetch(s.Fetch, []creel.Fetch{{Lot: f.Lot + "\x00" + f.Yarn, Cones: f.Cones}})
	}
}

// fetch says what to bring; the search knows lot and yarn as one word.
func (b *book) fetch(list []creel.Fetch) []FetchView { return b.addFetch(nil, list) }

func (b *book) addFetch(to []FetchView, list []creel.Fetch) []FetchView {
	for _, x := range list {
		lot, yarn, _ := strings.Cut(x.Lot, "\x00")
		if i := slices.IndexFunc(to, func(f FetchView) bool { return f.Lot == lot && f.Yarn == yarn }); i >= 0 {
			to[i].Cones += x.Cones
			continue
		}
		to = append(to, FetchView{lot, yarn, b.yarnName(yarn), b.lots[lot].Tip, x.Cones})
	}
	slices.SortFunc(to, func(x, y FetchView) int {
		return cmp.Or(strings.Compare(x.Yarn, y.Yarn), strings.Compare(x.Lot, y.Lot))
	})
	return to
}
