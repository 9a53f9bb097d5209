package floor

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"turnwise/planner/creel"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

const (
	// taskHorizon is how far ahead a task may be reported on: yarn in flat
	// creels lasts days.
	taskHorizon = 7 * 24 * time.Hour
	// stopReturns is when a machine that still stands is a task again, although
	// somebody told that it was done.
	stopReturns = 5 * time.Minute
	// mostOverNet is how much heavier than the yarn's a cone may be. A cone with
	// core and wrapping is heavier than that (common practice, no source).
	mostOverNet = 1.05
)

// creelBook is what people told of tasks and lots.
type creelBook struct {
	taps     map[string]store.TaskState
	moves    map[string]store.LotMoves
	releases []store.LotRelease
}

func (f *Floor) readCreel(ctx context.Context) (c creelBook, err error) {
	if f.c.Creel == nil {
		return c, nil
	}
	var err1, err2, err3 error
	c.taps, err1 = f.c.Creel.Taps(ctx, f.c.Now().Add(-taskHorizon))
	c.moves, err2 = f.c.Creel.LotMoves(ctx)
	c.releases, err3 = f.c.Creel.LotReleases(ctx)
	return c, errors.Join(err1, err2, err3)
}

// told puts the state of a task beside it, and says whether it is still to do.
func (b *book) told(t *TaskView, now time.Time) bool {
	t.State = b.creel.taps[t.ID]
	if t.State.State == "" {
		t.State.State = store.TaskDue
	}
	t.lapse(now)
	if t.State.State != store.TaskDone {
		return true
	}
	if t.Kind == TaskStop && now.Sub(t.State.Since) >= stopReturns {
		return true
	}
	return false
}

// Task finds a task by its id, whether it is done or not. ErrNotFound.
func (f *Floor) Task(ctx context.Context, id string) (TaskView, error) {
	all, err := f.allTasks(ctx, nil, taskHorizon)
	if err != nil {
		return TaskView{}, err
	}
	p, err := f.outlook(ctx)
	if err != nil {
		return TaskView{}, err
	}
	all = append(all, f.endings(p, nil, f.c.Now().Add(taskHorizon))...)
	if i := slices.IndexFunc(all, func(t TaskView) bool { return t.ID == id }); i >= 0 {
		return all[i], nil
	}
	return TaskView{}, fmt.Errorf("task %.100q: %w: it is over, or never was; read the list again", id, store.ErrNotFound)
}

// ErrNoTaps says that this server does not keep what people tell.
var ErrNoTaps = errors.New("what people tell of tasks and lots is not kept here")

// Told is what somebody says of the cones with a tap; zero values stand for what the task names.
type Told struct {
	Group, Lot string
	Cones      int
}

// ReadyTap checks what somebody does about a task, and adds the load that done and
// half of a creel bring: of the lot and the number of cones that the task names, unless
// the caller says others. A tap that was heard before is left as it is: it gets its
// first answer. Errors: [store.ErrNotFound], [store.ErrInvalid], [ErrLot].
func (f *Floor) ReadyTap(ctx context.Context, tap store.Tap, told Told) (store.Tap, error) {
	cones := told.Cones
	if f.c.Creel == nil {
		return tap, ErrNoTaps
	}
	heard, err := f.c.Creel.Heard(ctx, tap.RequestID)
	if err != nil {
		return tap, err
	}
	if !heard { // a repeat has been in time once, and gets its first answer for ever
		if err := tap.InTime(); err != nil {
			return tap, err
		}
	}
	f.mu.Lock()
	known, tapped := f.book.creel.taps[tap.Task]
	f.mu.Unlock()
	if tapped {
		tap.Machine = known.Machine
	}
	if heard {
		return tap, nil
	}
	task, err := f.Task(ctx, tap.Task)
	if errors.Is(err, store.ErrNotFound) && tapped && (known.State == store.TaskDone || tap.Act == store.ActUndo) {
		return tap, nil // it is over, and the record knows why
	}
	if err != nil {
		return tap, err
	}
	tap.Machine = task.Machine
	ranOut := task.Kind == TaskStop && tap.Act == store.ActDone && cones > 0
	if task.Kind != TaskCreel && !ranOut {
		if tap.Act == store.ActHalf || told.Lot != "" || cones != 0 {
			return tap, fmt.Errorf("task %s: %w: half, a lot and cones are for creels; say done", tap.Task, store.ErrInvalid)
		}
		if tap.Act == store.ActDone && task.State.State != store.TaskDone {
			tap.Begins = task.Begins
		}
		return tap, nil
	}
	if (tap.Act == store.ActDone || tap.Act == store.ActHalf) && task.State.State != store.TaskDone {
		load, err := f.loadOf(ctx, &task, tap, told)
		if err != nil {
			return tap, err
		}
		tap.Load = &load
	}
	return tap, nil
}

// loadOf is the load that a tap on a creel brings, or on a stop whose cones had run out.
func (f *Floor) loadOf(ctx context.Context, t *TaskView, tap store.Tap, told Told) (store.Load, error) {
	l := store.Load{Machine: t.Machine, Group: told.Group, Lot: told.Lot, Cones: told.Cones, At: tap.At}
	if t.Kind == TaskStop {
		l.Work, l.At = store.LoadOut, t.Since // it was drawn until the stop, whenever somebody came
		return f.CompleteLoad(ctx, l)
	}
	w := t.Window
	l.Group, l.Lot = w.Group, cmp.Or(told.Lot, w.Lot)
	if t.Tie {
		l.Work = store.LoadTie
	}
	if told.Cones < 0 || told.Cones > w.Cones {
		return l, fmt.Errorf("task %s: %d cones: %w: the task has %d; count again", t.ID, told.Cones, store.ErrInvalid, w.Cones)
	}
	switch {
	case told.Cones > 0:
	case tap.Act == store.ActHalf && w.Cones < 2:
		return l, fmt.Errorf("task %s: %w: one cone has no half; say done", t.ID, store.ErrInvalid)
	case tap.Act == store.ActHalf:
		l.Cones = w.Cones / 2
	default:
		l.Cones = w.Cones
	}
	if t.Unsaid { // nobody knows when; most likely as they ran out
		l.At = w.P50
	}
	if len(t.Positions) >= l.Cones {
		l.Positions = slices.Clone(t.Positions[:l.Cones])
	}
	return f.CompleteLoad(ctx, l)
}

// CompleteLoad checks a load against the card that the machine knits, and fills
// in places, the turns a cone lasts and, unless they are told, the machine's turns. Errors: [store.ErrNotFound], [store.ErrInvalid], [ErrLot].
func (f *Floor) CompleteLoad(ctx context.Context, l store.Load) (store.Load, error) {
	if l.Work == store.LoadOff {
		return f.completeOff(ctx, l)
	}
	group, places, err := f.FeedGroup(l.Machine, l.Group, l.At)
	if err != nil {
		return l, err
	}
	l.Group = group
	if l.Cones == 0 {
		l.Cones = places
	}
	if l.Cones < 1 || l.Cones > places {
		return l, fmt.Errorf("load of %s: %d cones: %w: feed group %s takes 1 to %d; count again", l.Machine, l.Cones, store.ErrInvalid, group, places)
	}
	if l.Lot != "" {
		if err := f.CheckLot(l.Machine, group, l.Lot, l.At); err != nil {
			return l, err
		}
	}
	if err := f.CheckCone(l.Machine, group, l.ConeKg, l.At); err != nil {
		return l, err
	}
	l.Places = places
	if len(l.Positions) > 0 {
		sorted := slices.Clone(l.Positions)
		slices.Sort(sorted)
		if len(sorted) != l.Cones || sorted[0] < 1 || sorted[len(sorted)-1] > places || len(slices.Compact(sorted)) != l.Cones {
			return l, fmt.Errorf("load of %s: positions %v for %d cones: %w: one for each cone, each once, of 1 to %d of feed group %s; count again", l.Machine, l.Positions, l.Cones, store.ErrInvalid, places, group)
		}
	}
	l.Turns = f.turnsOfCone(&l)
	if l.Revolutions == 0 {
		l.Revolutions, err = f.st.RevolutionsAt(ctx, l.Machine, l.At)
	}
	return l, err
}

// turnsOfCone is how many turns a cone of a load lasts, as calculated; 0 = not known.
func (f *Floor) turnsOfCone(l *store.Load) float64 {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	card := b.cards[b.at(l.Machine, l.At).Card]
	for i, g := range card.knit.Feeds {
		if g.ID != l.Group {
			continue
		}
		net, _ := b.cone(store.Cone{Lot: l.Lot, Kg: l.ConeKg}, card.Feeds[i].Yarn, f.c.Rule)
		if life, err := g.RevolutionsPerCone(unit.Kilograms(net)); err == nil && net > 0 {
			return float64(life)
		}
	}
	return 0
}

// CheckCone refuses a cone that is heavier than one of its yarn can be without core
// and wrapping. 0 = not weighed.
func (f *Floor) CheckCone(machine, group string, kg float64, at time.Time) error {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	for _, g := range b.cards[b.at(machine, at).Card].Feeds {
		net := b.yarns[g.Yarn].ConeNetKg
		if g.ID == group && (kg < 0 || net > 0 && kg > net*mostOverNet) {
			return fmt.Errorf("cone of %g kg on %s: %w: a cone of %s holds %g kg net; take core and wrapping off the scale's figure", kg, b.name(machine), store.ErrInvalid, g.Yarn, net)
		}
	}
	return nil
}

// otherLot says what is wrong with a lot of the right yarn, nil if nothing. The lot
// is that of the order, else of the card; neither means any.
func (b *book) otherLot(machine string, g store.FeedGroup, lot string, at time.Time) error {
	want := g.Lot
	if o := b.orders[b.at(machine, at).Order]; o.Lot != "" && b.lots[o.Lot].Yarn == g.Yarn {
		want = o.Lot
	}
	if want == "" || want == lot || slices.ContainsFunc(b.creel.releases, func(r store.LotRelease) bool { return r.Lot == lot && r.Machine == machine }) {
		return nil
	}
	return fmt.Errorf("lot %s on %s: %w: %s takes lot %s now; change the cones, or have the lot released for the machine with a role and a reason", lot, b.name(machine), ErrLot, g.ID, want)
}

// LotView is yarn of one lot.
type LotView struct {
	store.Lot        // as entered
	InStoreKg        float64
	AtMachinesKg     float64 // requisitioned and entered, what creels took since taken off
	OnCreelKg        float64
	Orders, Machines []string
	Releases         []store.LotRelease

	// Of LotBalances only.
	Covers          []creel.Cover // orders that need it, the first to be served in front
	FreeKg, ShortKg float64
	Draws           []LotDraw
}

// countBeside adds up what was requisitioned of each lot and is not on a creel yet, by machine.
func (b *book) countBeside(log []store.Load, rule CreelRule) {
	b.beside = map[string]map[string]float64{}
	for lot, m := range b.creel.moves {
		b.beside[lot] = maps.Clone(m.ByMachine)
	}
	for _, l := range log {
		since, moved := b.creel.moves[l.Lot].Since[l.Machine]
		if l.Work == store.LoadOff { // it stands beside then
			if b.beside[l.Lot] == nil {
				b.beside[l.Lot] = map[string]float64{}
			}
			b.beside[l.Lot][l.Machine] += float64(l.Cones) * l.ConeKg
			continue
		}
		if moved && !l.At.Before(since) {
			net, _ := b.cone(store.Cone{Lot: l.Lot, Kg: l.ConeKg}, "", rule)
			b.beside[l.Lot][l.Machine] -= float64(l.Cones) * net
		}
	}
	for _, by := range b.beside {
		for machine, kg := range by {
			by[machine] = max(kg, 0) // more was creeled than requisitioned: somebody fetched it without a word
		}
	}
}

// Lots returns every lot of the book, by id.
func (f *Floor) Lots() []LotView {
	f.mu.Lock()
	defer f.mu.Unlock()
	b := f.book
	out := make([]LotView, 0, len(b.Lots))
	onCreel := map[string][]creel.Remnant{}
	for _, m := range f.order {
		onCreel[m.id] = f.leftover(m, 0, f.c.Now())
	}
	for _, l := range b.Lots {
		m := b.creel.moves[l.ID]
		v := LotView{Lot: l, InStoreKg: max(l.StoreKg-m.OutKg, 0), AtMachinesKg: l.AtMachineKg}
		for _, kg := range b.beside[l.ID] {
			v.AtMachinesKg += kg
		}
		for _, o := range b.Orders {
			if o.Lot == l.ID {
				v.Orders = append(v.Orders, o.ID)
			}
		}
		for _, m := range f.order {
			for _, r := range onCreel[m.id] {
				if r.Lot == l.ID {
					v.OnCreelKg += float64(r.Mass)
					v.Machines = append(v.Machines, m.id)
				}
			}
		}
		for _, r := range b.creel.releases {
			if r.Lot == l.ID {
				v.Releases = append(v.Releases, r)
			}
		}
		out = append(out, v)
	}
	slices.SortFunc(out, func(x, y LotView) int { return strings.Compare(x.ID, y.ID) })
	return out
}
