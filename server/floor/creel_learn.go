package floor

import (
	"context"
	"errors"
	"math"
	"reflect"
	"slices"
	"time"

	"turnwise/planner/creel"
	"turnwise/server/store"
)

// What is believed of a feed group before anything is seen (planning.md names none: own
// choice): a bias of 3 %, and that it moves by half a thousandth with each cone.
var firstBias = creel.Bias{Mean: 0, SD: 0.03}

const (
	biasWalk = 0.0005
	// learnCreelFrom is how far back loads are read. What was learnt of older ones is kept.
	learnCreelFrom = 120 * 24 * time.Hour
)

// creelGroup is what a learner is of.
type creelGroup struct{ machine, group, lot string }

// biases are the learners of all creels.
type biases map[creelGroup]*learner

type learner struct {
	creel.Learner
	events int
	newest int64
	last   lesson2
	read   float64 // sum of the precisions of readings
}

// lesson2 is what the newest load told.
type lesson2 struct {
	ratio float64 // turns counted over calculated; 0 = nothing
	cones int
	out   bool
	apart bool
}

// of is what is known of a lot's cones at a feed group: nothing is no bias.
func (l biases) of(machine, group, lot string) creel.Bias {
	if x := l[creelGroup{machine, group, lot}]; x != nil && x.Seen > 0 {
		return creel.Bias{Mean: max(-0.4, min(x.Bias.Mean, 0.4)), SD: min(x.Bias.SD, 0.4)}
	}
	return creel.Bias{}
}

// ratio is how much longer a cone lasts than calculated; 0 = nothing was learnt.
func (l biases) ratio(machine, group, lot string) float64 {
	b := l.of(machine, group, lot)
	if b == (creel.Bias{}) {
		return 0
	}
	return math.Exp(b.Mean + b.SD*b.SD/2)
}

// learnCreels learns from loads and readings, by feed group and in order of their turns.
func learnCreels(log []store.Load, readings []store.Reading, rule CreelRule) biases {
	by := map[[2]string][]store.Load{}
	for _, l := range log {
		k := [2]string{l.Machine, l.Group}
		by[k] = append(by[k], l)
	}
	own := map[[2]string][]store.Reading{}
	for _, r := range readings {
		k := [2]string{r.Machine, r.Group}
		own[k] = append(own[k], r)
	}
	out := biases{}
	for k, loads := range by {
		out.learnGroup(k[0], k[1], loads, own[k], rule)
	}
	return out
}

// learnGroup learns from the loads and the readings of one feed group.
func (l biases) learnGroup(machine, group string, loads []store.Load, own []store.Reading, rule CreelRule) {
	_, ended := store.Stand(loads)
	at := map[int64]time.Time{}
	for _, x := range loads {
		at[x.ID] = x.At
	}
	for _, e := range ended {
		for len(own) > 0 && !own[0].At.After(at[e.Load]) {
			l.read(own[0], rule)
			own = own[1:]
		}
		l.ended(machine, group, e, rule)
	}
	for _, r := range own {
		l.read(r, rule)
	}
}

// learner finds a learner, or begins one from what its feed group's other lots taught.
func (l biases) learner(k creelGroup, rule CreelRule) *learner {
	if x := l[k]; x != nil {
		return x
	}
	var others []creel.Bias
	for o, x := range l {
		if o.machine == k.machine && o.group == k.group && x.Seen > 0 {
			others = append(others, x.Bias)
		}
	}
	slices.SortFunc(others, func(a, b creel.Bias) int { // a sum must not depend on the order of a map
		if a.Mean != b.Mean {
			if a.Mean < b.Mean {
				return -1
			}
			return 1
		}
		return 0
	})
	prior := creel.Pool(firstBias, others)
	prior.SD = min(max(prior.SD, 1e-3), 0.1)
	fresh, err := creel.NewLearner(prior, rule.ConeCV, biasWalk)
	if err != nil { // a rule that is checked when it is read
		fresh, _ = creel.NewLearner(firstBias, 0.02, biasWalk)
	}
	x := &learner{Learner: *fresh}
	l[k] = x
	return x
}

// ended takes in cones that were changed or had run out.
func (l biases) ended(machine, group string, e store.Ended, rule CreelRule) {
	x := l.learner(creelGroup{machine, group, e.Lot}, rule)
	y := math.Log(e.Counted / e.Turns)
	x.last = lesson2{ratio: e.Counted / e.Turns, cones: e.Cones, out: e.Out}
	x.events++
	x.newest = max(x.newest, e.Load)
	if !e.Out {
		x.last.apart = !x.Changed(y, e.Cones)
		return
	}
	for range e.Cones {
		if !x.RanOut(y) {
			x.last.apart = true
			break // all of them say the same
		}
	}
}

// read takes in rolls or a meter: more yarn a turn is fewer turns a cone.
func (l biases) read(r store.Reading, rule CreelRule) {
	x := l.learner(creelGroup{r.Machine, r.Group, r.Lot}, rule)
	x.last = lesson2{ratio: 1 / r.Ratio}
	x.events++
	x.last.apart = !x.Measured(-math.Log(r.Ratio), x.spreadOfNext(r.SD))
}

// spreadOfNext is what one more reading of a spread tells: all of them share [otherSD], so that
// many tell no more than one that is exact.
func (x *learner) spreadOfNext(sd float64) float64 {
	known := func(precision float64) float64 {
		if precision == 0 {
			return 0
		}
		return 1 / (otherSD*otherSD + 1/precision)
	}
	before := known(x.read)
	x.read += 1 / (sd * sd)
	return 1 / math.Sqrt(max(known(x.read)-before, 1e-9))
}

// keep turns the learners into what the store keeps, by machine, feed group and lot.
func (l biases) keep() []store.Learnt {
	out := make([]store.Learnt, 0, len(l))
	for k, x := range l {
		s := store.Learnt{
			Machine: k.machine, Group: k.group, Lot: k.lot, Mean: x.Bias.Mean, SD: x.Bias.SD, Noise: x.Noise, Walk: x.Walk, Weight: x.Weight,
			Seen: x.Seen, Events: x.events, Newest: x.newest, Outs: x.Outs, Late: x.Late,
		}
		for _, a := range x.Apart {
			s.Apart = append(s.Apart, store.Apart(a))
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b store.Learnt) int {
		return slices.Compare([]string{a.Machine, a.Group, a.Lot}, []string{b.Machine, b.Group, b.Lot})
	})
	return out
}

// recall adds what was learnt of loads that are no longer read.
func (l biases) recall(kept []store.Learnt) {
	for _, s := range kept {
		k := creelGroup{s.Machine, s.Group, s.Lot}
		if l[k] != nil {
			continue
		}
		x := &learner{Learner: creel.Learner{Bias: creel.Bias{Mean: s.Mean, SD: s.SD}, Noise: s.Noise, Walk: s.Walk, Weight: s.Weight, Seen: s.Seen, Outs: s.Outs, Late: s.Late}, events: s.Events, newest: s.Newest}
		for _, a := range s.Apart {
			x.Apart = append(x.Apart, creel.Apart(a))
		}
		l[k] = x
	}
}

// creelMemo is what was learnt, and the creels that it was learnt from.
type creelMemo struct {
	book      store.Book
	positions []store.Position
	version   store.ReadingsVersion
	readings  []store.Reading // since readingsFrom before they were read
	log       []store.Load
	learnt    biases
}

// readPositions reads what stands in the creels and what was measured into a book, and learns
// anew when that or a card has changed. It needs f.reading.
func (f *Floor) readPositions(ctx context.Context, b *book) error {
	var all []store.Position
	if f.c.Creel == nil {
		by := map[[2]string][]store.Load{}
		for _, l := range b.loads {
			k := [2]string{l.Machine, l.Group}
			by[k] = append(by[k], l)
		}
		for _, own := range by {
			p, _ := store.Stand(own)
			all = append(all, p...)
		}
		slices.SortFunc(all, func(a, b store.Position) int {
			if c := slices.Compare([]string{a.Machine, a.Group}, []string{b.Machine, b.Group}); c != 0 {
				return c
			}
			return a.Number - b.Number
		})
		b.positions = byMachine(all)
		return nil
	}
	all, err1 := f.c.Creel.Positions(ctx)
	version, err2 := f.c.Creel.ReadingsVersion(ctx)
	if err := errors.Join(err1, err2); err != nil {
		return err
	}
	k := &f.creels
	sameCards := reflect.DeepEqual(b.Cards, k.book.Cards) && reflect.DeepEqual(b.Assignments, k.book.Assignments) && reflect.DeepEqual(b.Yarns, k.book.Yarns)
	if k.learnt != nil && sameCards && version == k.version && reflect.DeepEqual(all, k.positions) {
		k.give(b)
		return nil
	}
	since := f.c.Now().Add(-learnCreelFrom)
	log, err1 := f.c.Creel.CreelLog(ctx, since)
	kept, err2 := f.c.Creel.Learnt(ctx)
	readings, err3 := f.c.Creel.Readings(ctx, f.c.Now().Add(-readingsFrom))
	if err := errors.Join(err1, err2, err3); err != nil {
		return err
	}
	learnt := learnCreels(log, b.feedReadings(readings, log), f.c.Rule)
	if len(log) > 0 { // of what is read again nothing is recalled: it may have been taken back
		kept = slices.DeleteFunc(kept, func(s store.Learnt) bool { return s.Newest >= log[0].ID })
	}
	learnt.recall(kept)
	f.creels = creelMemo{b.Book, all, version, readings, log, learnt}
	f.creels.give(b)
	return nil
}

// give puts what is known into a book.
func (k *creelMemo) give(b *book) {
	b.positions, b.biases, b.readings, b.version = byMachine(k.positions), k.learnt, k.readings, k.version
}

func byMachine(all []store.Position) map[string][]store.Position {
	out := map[string][]store.Position{}
	for _, p := range all {
		out[p.Machine] = append(out[p.Machine], p)
	}
	return out
}
