// Package mill is the invented commission knitter Mill Fourteen: fourteen
// circular machines, their yarns, orders and five days of history, on the
// same path that a real mill takes: Modbus, agents, MQTT, server. The one
// rule: nothing is put into the server that a user or an agent could not put
// there. All names and figures are made up.
package mill

import (
	"turnwise/planner/unit"
	"turnwise/simulator/machine"
	"turnwise/simulator/stops"
)

// yarn of the store, as the truth weighs it and as the book writes it.
type yarn struct {
	id, count, fibre string
	tex              unit.Tex
	coneKg           float64
}

var yarns = []yarn{
	{"ne30-combed", "Ne 30/1", "cotton combed", machine.FromEnglish(30), 1.89},
	{"ne24-carded", "Ne 24/1", "cotton carded", machine.FromEnglish(24), 1.89},
	{"ne40-combed", "Ne 40/1", "cotton combed", machine.FromEnglish(40), 1.89},
	{"ne26-combed", "Ne 26/1", "cotton combed", machine.FromEnglish(26), 1.89},
	{"ne28-combed", "Ne 28/1", "cotton combed", machine.FromEnglish(28), 1.89},
	{"ne12-carded", "Ne 12/1", "cotton carded", machine.FromEnglish(12), 1.89},
	{"pes-84", "84 dtex", "polyester", machine.FromDecitex(84), 3.0},
	{"pes-83", "83 dtex", "polyester", machine.FromDecitex(83), 3.0},
	{"el-22", "22 dtex", "elastane", machine.FromDecitex(22), 0.5},
	{"el-44", "44 dtex", "elastane", machine.FromDecitex(44), 0.5},
}

func yarnOf(id string) yarn {
	for _, y := range yarns {
		if y.id == id {
			return y
		}
	}
	panic("mill: no yarn " + id)
}

// lot of a yarn with the kilos in the store and boxed at the machines.
type lot struct {
	id, yarn, tip      string
	storeKg, machineKg float64
}

var lots = []lot{
	{"L-417", "ne30-combed", "green", 3530, 180},
	{"L-421", "ne30-combed", "white", 3400, 0},
	{"L-408", "ne24-carded", "red", 4100, 120},
	{"L-430", "ne40-combed", "blue", 5200, 300},
	{"L-402", "ne26-combed", "yellow", 1900, 90},
	{"L-433", "ne26-combed", "yellow", 1600, 60},
	{"L-411", "ne28-combed", "violet", 250, 40},
	{"L-390", "ne12-carded", "brown", 2600, 100},
	{"P-77", "pes-84", "", 900, 60},
	{"P-81", "pes-83", "", 700, 40},
	{"E-12", "el-22", "", 120, 8},
	{"E-15", "el-44", "", 160, 8},
}

// feed is a feed group of an article, of one machine.
type feed struct {
	id, yarn, lot string
	feeds         int
	loop          unit.Millimetres
	draft         float64
}

// card is an article on one machine; needles take yarn at each feed.
type card struct {
	id, article string
	structure   stops.Structure
	needles     int
	speed       unit.RPM
	feeds       []feed
}

// article in the book.
type article struct {
	id, name string
	form     stops.Structure
}

const rollKg = 25

var articles = []article{
	{"sj28-ne30", "single jersey 30x28 Ne 30", stops.Jersey},
	{"sj28w-ne30", "single jersey 34x28 Ne 30", stops.Jersey},
	{"sj24-ne24", "single jersey 30x24 Ne 24", stops.Jersey},
	{"ej28-ne40", "elastane jersey 5 %", stops.Elastane},
	{"pq24-ne26", "pique Ne 26", stops.Pique},
	{"rib18-ne28", "rib 1x1 Ne 28", stops.Rib},
	{"ribe18-ne30", "rib 1x1 elastane", stops.RibPlated},
	{"il24-ne40", "interlock Ne 40", stops.Interlock},
	{"il28-pes", "interlock polyester", stops.Interlock},
	{"fl20-ne26", "three-thread fleece", stops.Fleece},
}

func jersey(feeds int, yarn, lot string, loop unit.Millimetres) []feed {
	return []feed{{id: "ground", yarn: yarn, lot: lot, feeds: feeds, loop: loop}}
}

var (
	elastaneFeeds = []feed{
		{id: "ground", yarn: "ne40-combed", lot: "L-430", feeds: 96, loop: 3.0},
		{id: "elastane", yarn: "el-22", lot: "E-12", feeds: 96, loop: 3.0, draft: 2.8},
	}
	// The tuck feeds take less yarn than the knit feeds; 2.65 mm is the mean.
	piqueFeeds = []feed{
		{id: "knit", yarn: "ne26-combed", lot: "L-402", feeds: 45, loop: 2.90},
		{id: "tuck", yarn: "ne26-combed", lot: "L-402", feeds: 45, loop: 2.40},
	}
	fleeceFeeds = []feed{
		{id: "face", yarn: "ne26-combed", lot: "L-402", feeds: 30, loop: 4.2},
		{id: "tie-in", yarn: "pes-83", lot: "P-81", feeds: 30, loop: 3.2},
		{id: "fleece", yarn: "ne12-carded", lot: "L-390", feeds: 30, loop: 1.7},
	}
)

// plate is what a machine is and what it is set up for. Needle counts are
// assumed plate values.
type plate struct {
	id             string
	inch, gauge    float64
	cylinder, dial int
	feeders        int
	maxRPM         float64
	year           int
	set, agent     string
	register       machine.Register
	lamp           bool // shows only that it stands
	card           card
}

var plates = []plate{
	{"k01", 30, 28, 2640, 0, 90, 36, 2019, "A", "u-01", machine.U32BE, false,
		card{"k01-sj28-ne30", "sj28-ne30", stops.Jersey, 2640, 28, jersey(90, "ne30-combed", "L-417", 2.75)}},
	{"k02", 30, 28, 2640, 0, 90, 36, 2019, "A", "u-01", machine.U32BE, false,
		card{"k02-sj28-ne30", "sj28-ne30", stops.Jersey, 2640, 28, jersey(90, "ne30-combed", "L-417", 2.75)}},
	{"k03", 30, 24, 2256, 0, 90, 36, 2008, "A", "u-01", machine.U16, false,
		card{"k03-sj24-ne24", "sj24-ne24", stops.Jersey, 2256, 30, jersey(90, "ne24-carded", "L-408", 3.00)}},
	{"k04", 34, 28, 2976, 0, 102, 32, 2021, "A", "u-02", machine.U32LE, false,
		card{"k04-sj28w-ne30", "sj28w-ne30", stops.Jersey, 2976, 25, jersey(102, "ne30-combed", "L-421", 2.75)}},
	{"k05", 30, 28, 2640, 0, 96, 36, 2018, "A", "u-02", machine.U32BE, false,
		card{"k05-ej28-ne40", "ej28-ne40", stops.Elastane, 2640, 27, elastaneFeeds}},
	{"k06", 30, 28, 2640, 0, 96, 36, 2012, "A", "u-02", machine.U32LE, false,
		card{"k06-ej28-ne40", "ej28-ne40", stops.Elastane, 2640, 27, elastaneFeeds}},
	{"k07", 30, 24, 2256, 0, 90, 32, 2006, "B", "u-03", machine.U16, false,
		card{"k07-pq24-ne26", "pq24-ne26", stops.Pique, 2256, 26, piqueFeeds}},
	{"k08", 30, 24, 2256, 0, 90, 32, 2006, "B", "u-03", machine.U32BE, false,
		card{"k08-pq24-ne26", "pq24-ne26", stops.Pique, 2256, 26, piqueFeeds}},
	{"k09", 30, 18, 1696, 1696, 60, 30, 2010, "B", "u-05", machine.U32BE, false,
		card{"k09-rib18-ne28", "rib18-ne28", stops.Rib, 3392, 24, jersey(60, "ne28-combed", "L-411", 2.75)}},
	{"k10", 34, 18, 1920, 1920, 66, 26, 2014, "B", "u-04", machine.U32LE, false,
		card{"k10-ribe18-ne30", "ribe18-ne30", stops.RibPlated, 3840, 20, []feed{
			{id: "ground", yarn: "ne30-combed", lot: "L-421", feeds: 66, loop: 2.75},
			{id: "elastane", yarn: "el-44", lot: "E-15", feeds: 66, loop: 2.75, draft: 2.7}}}},
	{"k11", 30, 24, 2256, 2256, 84, 32, 2011, "B", "u-04", machine.U16, false,
		card{"k11-il24-ne40", "il24-ne40", stops.Interlock, 2256, 26, jersey(84, "ne40-combed", "L-430", 3.10)}},
	{"k12", 30, 28, 2640, 2640, 84, 32, 2020, "B", "u-04", machine.U32BE, false,
		card{"k12-il28-pes", "il28-pes", stops.Interlock, 2640, 25, jersey(84, "pes-84", "P-77", 2.70)}},
	{"k13", 30, 20, 1884, 0, 90, 28, 1998, "B", "u-06", machine.U32BE, true,
		card{"k13-fl20-ne26", "fl20-ne26", stops.Fleece, 1884, 22, fleeceFeeds}},
	{"k14", 30, 20, 1884, 0, 90, 28, 1998, "B", "u-06", machine.U16, true,
		card{"k14-fl20-ne26", "fl20-ne26", stops.Fleece, 1884, 22, fleeceFeeds}},
}

// before is what K05 knits until its style change.
var before = card{"k05-sj28-ne30", "sj28-ne30", stops.Jersey, 2640, 27, jersey(96, "ne30-combed", "L-417", 2.75)}

// agents are the boxes and the machines that each reads.
func agentIDs() []string { return []string{"u-01", "u-02", "u-03", "u-04", "u-05", "u-06"} }

func (p plate) cards() []card {
	if p.id == "k05" {
		return []card{p.card, before}
	}
	return []card{p.card}
}

// group is a feed of the card as the truth weighs it.
func (c card) group(f feed) machine.Group {
	return machine.Group{ID: f.id, Feeds: f.feeds, Needles: c.needles, Loop: f.loop, Yarn: yarnOf(f.yarn).tex, Draft: f.draft}
}

// truth is the card as the truth weighs it.
func (c card) truth() machine.Article {
	a := machine.Article{ID: c.article, Speed: c.speed, RollKg: rollKg}
	for _, f := range c.feeds {
		a.Groups = append(a.Groups, c.group(f))
	}
	return a
}

// work is the card as it makes the machine stop. used is the part of the
// cones of each group that is gone.
func (c card) work(used func(group string) float64) stops.Work {
	a := c.truth()
	w := stops.Work{Structure: c.structure, Period: machine.Period(c.speed), RollTurns: a.TurnsPerRoll()}
	for i, f := range c.feeds {
		g := a.Groups[i]
		w.Creels = append(w.Creels, stops.Creel{Group: f.id, Cones: g.Cones(), ConeTurns: g.ConeTurns(yarnOf(f.yarn).coneKg), Lot: f.lot, Used: used(f.id)})
	}
	return w
}
