package floor

import (
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
	"turnwise/server/store"
)

// book is the mill's register with its indexes. It does not change once made.
type book struct {
	store.Book
	loads     []store.Load                  // that may still have cones running
	beside    map[string]map[string]float64 // kilos of a lot at a machine and not on its creel, by lot and machine
	creel     creelBook
	positions map[string][]store.Position // by machine
	biases    biases
	readings  []store.Reading // oldest first
	version   store.ReadingsVersion
	agents    map[string]string // machine -> agent
	machines  map[string]store.Machine
	articles  map[string]store.Article
	yarns     map[string]store.Yarn
	lots      map[string]store.Lot
	orders    map[string]store.Order
	cards     map[string]card
	jobs      map[string][]store.Assignment // by machine, oldest first, without those planned
	planned   map[string][]store.Assignment // that wait for somebody's word, by machine, in their sequence
}

// card is a knit card ready to weigh.
type card struct {
	store.Card
	knit  knit.Card
	grams float64 // per revolution; 0 = the card cannot be weighed
	fault error   // why not
}

func newBook(b store.Book, agents []store.Agent) *book {
	nb := &book{
		Book:     b,
		agents:   make(map[string]string),
		machines: index(b.Machines, func(m store.Machine) string { return m.ID }),
		articles: index(b.Articles, func(a store.Article) string { return a.ID }),
		yarns:    index(b.Yarns, func(y store.Yarn) string { return y.ID }),
		lots:     index(b.Lots, func(l store.Lot) string { return l.ID }),
		orders:   index(b.Orders, func(o store.Order) string { return o.ID }),
		cards:    make(map[string]card, len(b.Cards)),
		jobs:     make(map[string][]store.Assignment),
		planned:  make(map[string][]store.Assignment),
	}
	for _, a := range b.Agents {
		for _, m := range a.Machines {
			nb.agents[m] = a.ID
		}
	}
	for _, a := range agents {
		for _, m := range a.Machines {
			nb.agents[m] = a.ID
		}
	}
	for _, c := range b.Cards {
		nb.cards[c.ID] = nb.weigh(c)
	}
	for _, a := range b.Assignments {
		if a.Planned {
			nb.planned[a.Machine] = append(nb.planned[a.Machine], a)
		} else {
			nb.jobs[a.Machine] = append(nb.jobs[a.Machine], a)
		}
	}
	for _, by := range []map[string][]store.Assignment{nb.jobs, nb.planned} {
		for _, jobs := range by {
			slices.SortStableFunc(jobs, byStart)
		}
	}
	return nb
}

func index[T any](list []T, id func(T) string) map[string]T {
	m := make(map[string]T, len(list))
	for _, v := range list {
		m[id(v)] = v
	}
	return m
}

func (b *book) equal(o *book) bool {
	return reflect.DeepEqual(b.Book, o.Book) && reflect.DeepEqual(b.loads, o.loads) && reflect.DeepEqual(b.beside, o.beside) && reflect.DeepEqual(b.positions, o.positions) && reflect.DeepEqual(b.biases, o.biases) && b.version == o.version && reflect.DeepEqual(b.creel, o.creel) && reflect.DeepEqual(b.agents, o.agents)
}

// weigh makes the planner's card of a card of the book.
func (b *book) weigh(c store.Card) card {
	out := card{Card: c}
	for _, g := range c.Feeds {
		count, err := unit.ParseCount(b.yarns[g.Yarn].Count)
		if err != nil {
			out.fault = err
			return out
		}
		out.knit.Feeds = append(out.knit.Feeds, knit.FeedGroup{
			ID: g.ID, Feeders: g.Feeders, CourseLength: unit.Metres(g.CourseLengthM),
			Count: count.Tex, Draft: g.Draft, Ends: g.Ends,
		})
	}
	grams, err := out.knit.MassPerRevolution()
	if err != nil {
		out.fault = err
		return out
	}
	out.grams = float64(grams)
	return out
}

// at tells what a machine is assigned to at an instant. The zero assignment
// has no order.
func (b *book) at(machine string, t time.Time) store.Assignment {
	jobs := b.jobs[machine]
	i, _ := slices.BinarySearchFunc(jobs, t, func(a store.Assignment, t time.Time) int {
		if a.From.After(t) {
			return 1
		}
		return -1
	})
	if i == 0 {
		return store.Assignment{}
	}
	return jobs[i-1]
}

func byStart(a, b store.Assignment) int { return a.From.Compare(b.From) }

// pending lists the assignments with an order that run at an instant or later,
// the running one first. What is planned has not begun, whatever the clock says.
func (b *book) pending(machine string, t time.Time) []store.Assignment {
	current := b.at(machine, t)
	var out []store.Assignment
	for _, a := range b.jobs[machine] {
		if !a.From.Before(current.From) && a != current {
			out = append(out, a)
		}
	}
	out = append(out, b.planned[machine]...)
	slices.SortStableFunc(out, byStart)
	out = append([]store.Assignment{current}, out...)
	return slices.DeleteFunc(out, func(a store.Assignment) bool { return a.Order == "" })
}

// next is the planned job that a machine begins when its present one ends; the zero
// assignment = none, or one that begins by the clock comes first.
func (b *book) next(machine string, t time.Time) store.Assignment {
	for _, a := range b.pending(machine, t) {
		switch {
		case a.Planned:
			return a
		case a.From.After(t):
			return store.Assignment{}
		}
	}
	return store.Assignment{}
}

// kilos weighs revolutions by the cards they were knitted with, and tells how
// many had none.
func (b *book) kilos(counted []store.AssignmentCount) (kilos float64, without int64) {
	for _, c := range counted {
		grams := b.cards[c.Card].grams
		if grams == 0 {
			without += c.Revolutions
			continue
		}
		kilos += float64(c.Revolutions) * grams / 1000
	}
	return kilos, without
}

// name of a machine for people.
func (b *book) name(id string) string {
	if n := b.machines[id].Name; n != "" {
		return n
	}
	return strings.ToUpper(id)
}

// label is the article in a few words.
func (b *book) label(cardID string) string {
	a, ok := b.articles[b.cards[cardID].Article]
	switch {
	case !ok:
		return ""
	case a.Name != "":
		return a.Name
	}
	return a.ID
}

// knownArticles lists articles for somebody who named one that is not there.
func (b *book) knownArticles() string {
	const most = 20
	ids := slices.Sorted(maps.Keys(b.articles))
	switch {
	case len(ids) == 0:
		return "the book has no articles; apply a book first"
	case len(ids) > most:
		return fmt.Sprintf("the book has %s and %d more", strings.Join(ids[:most], ", "), len(ids)-most)
	}
	return "the book has " + strings.Join(ids, ", ")
}

// FeedGroup completes a feed group of the card that a machine runs at an
// instant: an empty group means the only one. It returns how many cones the
// group takes. Errors: [store.ErrNotFound], [store.ErrInvalid].
func (f *Floor) FeedGroup(machine, group string, at time.Time) (id string, cones int, err error) {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	if _, ok := b.machines[machine]; !ok {
		return "", 0, store.Unknown("machine", machine)
	}
	c, ok := b.cards[b.at(machine, at).Card]
	if !ok {
		return "", 0, fmt.Errorf("machine %s has no knit card at %s: %w: assign an order with a card first", machine, at.In(f.c.Zone).Format("2006-01-02 15:04"), store.ErrInvalid)
	}
	var ids []string
	for _, g := range c.Feeds {
		if g.ID == group || group == "" && len(c.Feeds) == 1 {
			return g.ID, g.Feeders * max(g.Ends, 1), nil
		}
		ids = append(ids, g.ID)
	}
	if group == "" {
		return "", 0, fmt.Errorf("card %s on %s has several feed groups: %w: name one of %s", c.ID, machine, store.ErrInvalid, strings.Join(ids, ", "))
	}
	return "", 0, fmt.Errorf("feed group %q of card %s on %s: %w: it has %s", group, c.ID, machine, store.ErrNotFound, strings.Join(ids, ", "))
}

// groups are the feed groups of the card that a machine knits, if it has several.
func (b *book) groups(machine string, at time.Time) []string {
	feeds := b.cards[b.at(machine, at).Card].Feeds
	if len(feeds) < 2 {
		return nil
	}
	out := make([]string, len(feeds))
	for i, g := range feeds {
		out[i] = g.ID
	}
	return out
}

// KnowsLot tells whether a lot is in the book.
func (f *Floor) KnowsLot(id string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	_, ok := f.book.lots[id]
	return ok
}

// ErrLot is inside the error about cones of a yarn that the card does not take.
var ErrLot = errors.New("lot does not fit")

// LotWarning says what the mill's rule lets pass of a lot: it is not that of the order or the card.
// Empty = nothing.
func (f *Floor) LotWarning(machine, group, lot string, at time.Time) string {
	if !f.c.Rule.WarnLots || lot == "" {
		return ""
	}
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	for _, g := range b.cards[b.at(machine, at).Card].Feeds {
		if g.ID != group || g.Yarn != b.lots[lot].Yarn {
			continue
		}
		if err := b.otherLot(machine, g, lot, at); err != nil {
			return err.Error()
		}
	}
	return ""
}

// checkLot is [Floor.CheckLot] without the details.
func (f *Floor) checkLot(machine, group, lot string, at time.Time) error {
	f.mu.Lock()
	b := f.book
	f.mu.Unlock()
	l, ok := b.lots[lot]
	if !ok {
		return fmt.Errorf("%w: apply it with the book first", store.Unknown("lot", lot))
	}
	c := b.cards[b.at(machine, at).Card]
	for _, g := range c.Feeds {
		if g.ID != group {
			continue
		}
		if g.Yarn == l.Yarn {
			if f.c.Rule.WarnLots {
				return nil // LotWarning tells it
			}
			return b.otherLot(machine, g, lot, at)
		}
		takes := g.Yarn + " (" + b.yarns[g.Yarn].Count + ")"
		if g.Lot != "" {
			takes += " of lot " + g.Lot
		}
		return fmt.Errorf("lot %s is yarn %s (%s): %w: %s of card %s on %s takes %s; change the cones, or the card",
			lot, l.Yarn, b.yarns[l.Yarn].Count, ErrLot, group, c.ID, b.name(machine), takes)
	}
	return nil
}
