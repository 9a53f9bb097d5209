package sqlite

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
	"turnwise/proto/wire"
	"turnwise/server/store"
)

// Bounds of the book. They stop accidents, not large mills.
const (
	maxEntries = 20_000
	maxText    = 200
	maxList    = 256
)

// faults collects what is wrong, each with what was found and expected.
type faults []error

func (f *faults) add(format string, args ...any) {
	*f = append(*f, fmt.Errorf(format, args...))
}

// merge puts the entries of b over those of old, by id. Two entries of b with
// one id are a fault: nobody can tell which is meant.
func merge(old, b store.Book) (store.Book, *faults) {
	f := new(faults)
	return store.Book{
		Machines:    over(f, "machine", old.Machines, b.Machines, machineID),
		Agents:      over(f, "agent", old.Agents, b.Agents, agentID),
		Yarns:       over(f, "yarn", old.Yarns, b.Yarns, yarnID),
		Lots:        over(f, "lot", old.Lots, b.Lots, lotID),
		Articles:    over(f, "article", old.Articles, b.Articles, articleID),
		Cards:       over(f, "card", old.Cards, b.Cards, cardID),
		Orders:      over(f, "order", old.Orders, b.Orders, orderID),
		Assignments: over(f, "assignment", old.Assignments, b.Assignments, assignmentID),
		Setups:      over(f, "setup", old.Setups, b.Setups, setupID),
		Care:        over(f, "care", old.Care, b.Care, careID),
		Cylinders:   over(f, "cylinder", old.Cylinders, b.Cylinders, cylinderID),
	}, f
}

func over[T any](f *faults, kind string, old, b []T, id func(T) string) []T {
	if len(b) > maxEntries {
		f.add("%d entries of kind %s, at most %d are expected at once", len(b), kind, maxEntries)
		return old
	}
	seen := map[string]bool{}
	for _, x := range b {
		if seen[id(x)] {
			f.add("%s %s stands twice in the book; keep one entry", kind, id(x))
		}
		seen[id(x)] = true
	}
	all := slices.Clone(b)
	for _, x := range old {
		if !seen[id(x)] {
			all = append(all, x)
		}
	}
	return all
}

// checker looks entries of the merged book up by id.
type checker struct {
	*faults
	machines map[string]store.Machine
	yarns    map[string]store.Yarn
	lots     map[string]store.Lot
	articles map[string]store.Article
	cards    map[string]store.Card
	orders   map[string]store.Order
}

func index[T any](list []T, id func(T) string) map[string]T {
	m := make(map[string]T, len(list))
	for _, x := range list {
		m[id(x)] = x
	}
	return m
}

// check tells all faults of a book at once, with [store.ErrInvalid] inside.
func check(b store.Book, f *faults) error {
	c := &checker{
		f, index(b.Machines, machineID), index(b.Yarns, yarnID), index(b.Lots, lotID),
		index(b.Articles, articleID), index(b.Cards, cardID), index(b.Orders, orderID),
	}
	for _, x := range b.Machines {
		c.machine(x)
	}
	for _, x := range b.Agents {
		c.agent(x)
	}
	for _, x := range b.Yarns {
		c.yarn(x)
	}
	for _, x := range b.Lots {
		c.lot(x)
	}
	for _, x := range b.Articles {
		c.article(x)
	}
	for _, x := range b.Cards {
		c.card(x)
	}
	for _, x := range b.Orders {
		c.order(x)
	}
	for _, x := range b.Assignments {
		c.assignment(x)
	}
	for _, x := range b.Setups {
		c.setup(x)
	}
	for _, x := range b.Care {
		c.care(x)
	}
	for _, x := range b.Cylinders {
		c.cylinder(x)
	}
	c.pins(b.Orders)
	if len(*f) == 0 {
		return nil
	}
	return fmt.Errorf("the book has %d faults, nothing was written: %w:\n%w", len(*f), store.ErrInvalid, errors.Join(*f...))
}

// number demands a finite number from lo to hi.
func (c *checker) number(what, field string, x, lo, hi float64) {
	if !(x >= lo && x <= hi) { // NaN is not
		c.add("%s: %s is %g, %g to %g is expected", what, field, x, lo, hi)
	}
}

func (c *checker) whole(what, field string, x, hi int) {
	if x < 0 || x > hi {
		c.add("%s: %s is %d, 0 to %d is expected", what, field, x, hi)
	}
}

func (c *checker) texts(what string, texts ...string) {
	for _, t := range texts {
		if len(t) > maxText {
			c.add("%s: a text has %d bytes, at most %d are expected", what, len(t), maxText)
		}
	}
}

// entryID is wider than the ids of machines: orders have the numbers that
// people know them by.
func (c *checker) entryID(kind, id string) string {
	ok := id != "" && len(id) <= wire.MaxIDLen
	for _, r := range []byte(id) {
		ok = ok && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.')
	}
	if !ok {
		c.add("%s %q: an id has 1 to %d letters, digits, '-', '_' and '.'", kind, id, wire.MaxIDLen)
	}
	return kind + " " + id
}

func (c *checker) wireID(kind, id string) string {
	if !wire.ValidID(id) {
		c.add("%s %q: an id has 1 to %d lower-case letters, digits, '-' and '_' and begins with a letter or digit", kind, id, wire.MaxIDLen)
	}
	return kind + " " + id
}

func (c *checker) machine(x store.Machine) {
	w := c.wireID("machine", x.ID)
	c.texts(w, x.Name, x.Area, x.Set)
	c.texts(w, x.Structures...)
	if len(x.Structures) > maxList {
		c.add("%s: %d structures, at most %d are expected", w, len(x.Structures), maxList)
	}
	c.number(w, "diameter in inches", x.DiameterInch, 0, 200)
	c.whole(w, "needle beds", x.Beds, 2)
	c.number(w, "gauge in needles per inch", x.GaugeNPI, 0, 200)
	c.number(w, "greatest speed in rpm", x.MaxRPM, 0, 1000)
	c.whole(w, "cylinder needles", x.CylinderNeedles, 20_000)
	c.whole(w, "dial needles", x.DialNeedles, 20_000)
	c.whole(w, "feeders", x.Feeders, 1000)
	c.whole(w, "year", x.Year, 9999)
	if x.Beds == 1 && x.DialNeedles > 0 {
		c.add("%s: one needle bed and %d dial needles, expected two beds or no dial needles; correct one of them", w, x.DialNeedles)
	}
}

func (c *checker) agent(x store.BookAgent) {
	w := c.wireID("agent", x.ID)
	if len(x.Machines) > maxList {
		c.add("%s: %d machines, at most %d are expected", w, len(x.Machines), maxList)
	}
	seen := map[string]bool{}
	for _, m := range x.Machines {
		if _, ok := c.machines[m]; !ok {
			c.add("%s: machine %q is not in the book; enter it first or correct the id", w, m)
		}
		if seen[m] {
			c.add("%s: machine %s stands twice", w, m)
		}
		seen[m] = true
	}
}

func (c *checker) yarn(x store.Yarn) {
	w := c.entryID("yarn", x.ID)
	c.texts(w, x.Fibre)
	if _, err := unit.ParseCount(x.Count); err != nil {
		c.add("%s: %w", w, err)
	}
	c.number(w, "net mass of a cone in kg", x.ConeNetKg, 0, 100)
	c.number(w, "variation of cone mass", x.ConeCV, 0, 1)
}

func (c *checker) lot(x store.Lot) {
	w := c.entryID("lot", x.ID)
	c.texts(w, x.Tip)
	if _, ok := c.yarns[x.Yarn]; !ok {
		c.add("%s: yarn %q is not in the book; enter it first or correct the id", w, x.Yarn)
	}
	c.number(w, "kilos in store", x.StoreKg, 0, 1e7)
	c.number(w, "kilos at machines", x.AtMachineKg, 0, 1e7)
}

func (c *checker) article(x store.Article) {
	w := c.entryID("article", x.ID)
	c.texts(w, x.Name, x.Structure)
	c.number(w, "kilos of a roll", x.RollKg, 0, 1e4)
	c.number(w, "waste ratio", x.WasteRatio, 0, 0.99)
	c.number(w, "diameter in inches", x.DiameterInch, 0, 100)
	c.whole(w, "needle beds", x.Beds, 2)
	c.number(w, "gauge in needles an inch", x.GaugeNPI, 0, 100)
}

func (c *checker) card(x store.Card) {
	w := c.entryID("card", x.ID)
	if _, ok := c.articles[x.Article]; !ok {
		c.add("%s: article %q is not in the book; enter it first or correct the id", w, x.Article)
	}
	c.number(w, "speed in rpm", x.SpeedRPM, 0, 1000)
	if x.Machine != "" {
		if m, ok := c.machines[x.Machine]; !ok {
			c.add("%s: machine %q is not in the book; enter it first or correct the id", w, x.Machine)
		} else {
			c.fits(w, x, m)
		}
	}
	if n := len(x.Feeds); n == 0 || n > maxList {
		c.add("%s: %d feed groups, 1 to %d are expected", w, n, maxList)
		return
	}
	seen := map[string]bool{}
	for _, g := range x.Feeds {
		c.feedGroup(w+": feed group "+g.ID, g)
		if seen[g.ID] {
			c.add("%s: feed group %q stands twice; each needs an id of its own", w, g.ID)
		}
		seen[g.ID] = true
	}
}

func (c *checker) feedGroup(w string, g store.FeedGroup) {
	if g.ID == "" || len(g.ID) > maxText {
		c.add("%s: an id of 1 to %d bytes is expected", w, maxText)
	}
	yarn, ok := c.yarns[g.Yarn]
	if !ok {
		c.add("%s: yarn %q is not in the book; enter it first or correct the id", w, g.Yarn)
	}
	if lot, known := c.lots[g.Lot]; g.Lot != "" && !known {
		c.add("%s: lot %q is not in the book; enter it first or correct the id", w, g.Lot)
	} else if g.Lot != "" && lot.Yarn != g.Yarn {
		c.add("%s: lot %s is of yarn %s, not of %s", w, g.Lot, lot.Yarn, g.Yarn)
	}
	if !ok {
		return
	}
	group, err := feedGroup(g, yarn)
	if err != nil {
		return // told at the yarn
	}
	if err := group.Validate(); err != nil {
		c.add("%s: %w", w, err)
	}
}

// fits looks whether a machine has the feeders. Groups may share feeders
// (plating), so that their sum says nothing.
func (c *checker) fits(w string, x store.Card, m store.Machine) {
	for _, g := range x.Feeds {
		if m.Feeders > 0 && g.Feeders > m.Feeders {
			c.add("%s: feed group %s takes %d feeders, machine %s has %d", w, g.ID, g.Feeders, m.ID, m.Feeders)
		}
	}
	if need := c.articles[x.Article].Beds; need > m.NeedleBeds() {
		c.add("%s: article %s needs two needle beds, %s has one; correct bed_count of the article or of the machine", w, x.Article, m.ID)
	}
}

func (c *checker) order(x store.Order) {
	w := c.entryID("order", x.ID)
	if _, ok := c.articles[x.Article]; !ok {
		c.add("%s: article %q is not in the book; enter it first or correct the id", w, x.Article)
	}
	c.number(w, "quantity in kg", x.QuantityKg, 0, 1e8)
	c.number(w, "kilos done before", x.DoneBeforeKg, 0, 1e8)
	c.number(w, "weight", x.Weight, 0, 1000)
	c.number(w, "number of parts", float64(x.Parts), 0, 100)
	c.texts(w, x.Lot)
	if !x.YarnFrom.IsZero() && (x.YarnFrom.Year() < 2000 || x.YarnFrom.Year() > 9999) {
		c.add("%s: the yarn comes in the year %d, 2000 to 9999 is expected", w, x.YarnFrom.Year())
	}
	if _, ok := c.machines[x.PinMachine]; x.PinMachine != "" && !ok {
		c.add("%s: it is pinned to machine %q, which is not in the book; correct the id or take the pin off", w, x.PinMachine)
	}
	switch before, ok := c.orders[x.PinAfter]; {
	case x.PinAfter == "":
	case !ok:
		c.add("%s: it is pinned behind order %q, which is not in the book; correct the id or take the pin off", w, x.PinAfter)
	case x.PinMachine == "" || before.PinMachine != x.PinMachine:
		c.add("%s: it is pinned behind order %s, but not both to one machine; pin %s and %s to the same machine, or take the pin off", w, x.PinAfter, x.ID, x.PinAfter)
	}
}

// care checks planned work on a machine.
func (c *checker) care(x store.Care) {
	w := c.entryID("care", x.ID)
	if x.Remove {
		return
	}
	if _, ok := c.machines[x.Machine]; !ok {
		c.add("%s: machine %q is not in the book; enter it first or correct the id", w, x.Machine)
	}
	c.texts(w, x.Kind)
	c.number(w, "minutes", x.Minutes, 1, 30*24*60)
	c.number(w, "weight", x.Weight, 0, 1000)
	c.number(w, "revolutions from one to the next", float64(x.EveryRevolutions), 0, 2e9)
	for _, t := range []time.Time{x.Done, x.From, x.To} {
		if !t.IsZero() && (t.Year() < 2000 || t.Year() > 9999) {
			c.add("%s: the year %d, 2000 to 9999 is expected", w, t.Year())
		}
	}
	switch {
	case x.EveryRevolutions > 0 && !(x.From.IsZero() && x.To.IsZero()):
		c.add("%s: it has revolutions and a window of dates, one of them is expected; take one out", w)
	case !x.To.IsZero() && x.To.Before(x.From):
		c.add("%s: it must be done by %s and not before %s; exchange the dates", w, x.To.Format(time.DateOnly), x.From.Format(time.DateOnly))
	case !x.To.IsZero() && x.To.Sub(x.From) < time.Duration(x.Minutes*float64(time.Minute)):
		c.add("%s: its window from %s to %s is shorter than its %g minutes; widen it", w, x.From.Format(time.RFC3339), x.To.Format(time.RFC3339), x.Minutes)
	}
}

// cylinder checks an exchangeable cylinder.
func (c *checker) cylinder(x store.Cylinder) {
	w := c.entryID("cylinder", x.ID)
	if x.Remove {
		return
	}
	c.number(w, "gauge in needles an inch", x.GaugeNPI, 1, 100)
	c.number(w, "diameter in inches", x.DiameterInch, 0, 100)
	if n := len(x.Machines); n == 0 || n > maxList {
		c.add("%s: %d machines, 1 to %d that it fits are expected", w, n, maxList)
	}
	for i, id := range x.Machines {
		m, ok := c.machines[id]
		switch {
		case !ok:
			c.add("%s: machine %q is not in the book; enter it first or correct the id", w, id)
		case slices.Contains(x.Machines[:i], id):
			c.add("%s: machine %s stands twice", w, id)
		case x.DiameterInch > 0 && m.DiameterInch > 0 && m.DiameterInch != x.DiameterInch:
			c.add("%s: it has %g inches, machine %s has %g; take the machine out or correct the diameter", w, x.DiameterInch, id, m.DiameterInch)
		}
	}
}

// setup checks one row of the table of set-ups.
func (c *checker) setup(x store.Setup) {
	w := "setup " + setupID(x)
	if !slices.Contains(store.SetupKinds, x.Kind) {
		c.add("%s: kind %q, one of %s is expected", w, x.Kind, strings.Join(store.SetupKinds, ", "))
	}
	if _, ok := c.machines[x.Machine]; x.Machine != "" && !ok {
		c.add("%s: machine %q is not in the book; correct the id, or leave it empty for every machine", w, x.Machine)
	}
	if x.Kind != "every job" && (x.From == "" || x.To == "") {
		c.add("%s: from or to is empty, a word of the machine's state or * for any is expected", w)
	}
	c.texts(w, x.From, x.To)
	c.number(w, "minutes", x.Minutes, 0, 10*24*60)
}

// pins looks for orders that are each pinned behind the other.
func (c *checker) pins(orders []store.Order) {
	told := map[string]bool{}
	for _, o := range orders {
		path := []string{o.ID}
		for next := o.PinAfter; next != "" && !told[next]; next = c.orders[next].PinAfter {
			if i := slices.Index(path, next); i >= 0 {
				c.add("orders %s: each is pinned behind the one after it in this list and the last behind the first; take one pin off", strings.Join(path[i:], ", "))
				break
			}
			path = append(path, next)
		}
		for _, id := range path {
			told[id] = true
		}
	}
}

func (c *checker) assignment(x store.Assignment) {
	w := "assignment of machine " + assignmentID(x)
	m, ok := c.machines[x.Machine]
	if !ok {
		c.add("%s: the machine is not in the book; enter it first or correct the id", w)
	}
	if x.From.Before(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)) || x.From.Year() > 9999 {
		c.add("%s: an instant from the year 2000 on is expected", w)
	}
	c.number(w, "quantity in kg", x.QuantityKg, 0, 1e8)
	order, ok := c.orders[x.Order]
	if x.Order != "" && !ok {
		c.add("%s: order %q is not in the book; enter it first or correct the id", w, x.Order)
	}
	card, known := c.cards[x.Card]
	switch {
	case x.Card == "" && x.Order != "":
		c.add("%s: order %s needs a knit card, or its kilos cannot be counted", w, x.Order)
	case x.Card == "":
	case !known:
		c.add("%s: card %q is not in the book; enter it first or correct the id", w, x.Card)
	case card.Machine != "" && card.Machine != x.Machine:
		c.add("%s: card %s is for machine %s", w, x.Card, card.Machine)
	case ok && x.Order != "" && card.Article != order.Article:
		c.add("%s: card %s knits article %s, order %s is for %s", w, x.Card, card.Article, x.Order, order.Article)
	default:
		c.fits(w, card, m)
	}
}

// feedGroup is a feed group as the planner needs it.
func feedGroup(g store.FeedGroup, yarn store.Yarn) (knit.FeedGroup, error) {
	count, err := unit.ParseCount(yarn.Count)
	if err != nil {
		return knit.FeedGroup{}, err
	}
	return knit.FeedGroup{
		ID: g.ID, Feeders: g.Feeders, CourseLength: unit.Metres(g.CourseLengthM), Count: count.Tex, Draft: g.Draft, Ends: g.Ends,
	}, nil
}

// kgPerRevolution is the mass that a card knits in one revolution.
func kgPerRevolution(x store.Card, yarns map[string]store.Yarn) (float64, error) {
	var c knit.Card
	for _, g := range x.Feeds {
		group, err := feedGroup(g, yarns[g.Yarn])
		if err != nil {
			return 0, fmt.Errorf("card %s: feed group %s: %w", x.ID, g.ID, err)
		}
		c.Feeds = append(c.Feeds, group)
	}
	grams, err := c.MassPerRevolution()
	if err != nil {
		return 0, fmt.Errorf("card %s: %w", x.ID, err)
	}
	kg := float64(grams.Kilograms())
	if math.IsNaN(kg) || math.IsInf(kg, 0) {
		return 0, fmt.Errorf("card %s: %g kg in a revolution", x.ID, kg)
	}
	return kg, nil
}

// weighCards keeps the mass per revolution of every card, for the views. A
// changed yarn changes its cards.
func (w *writer) weighCards(ctx context.Context, b store.Book) error {
	yarns := index(b.Yarns, yarnID)
	for _, x := range b.Cards {
		kg, err := kgPerRevolution(x, yarns)
		if err != nil {
			return err
		}
		if _, err := w.exec(ctx, `INSERT INTO card (id, kg_per_revolution) VALUES (?, ?)
			ON CONFLICT DO UPDATE SET kg_per_revolution = excluded.kg_per_revolution WHERE kg_per_revolution <> excluded.kg_per_revolution`, x.ID, kg); err != nil {
			return err
		}
	}
	return nil
}
