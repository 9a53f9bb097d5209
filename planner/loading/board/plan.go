package board

import (
	"time"

	"turnwise/planner/unit"
)

// Plan is an answer: every machine's jobs in order.
type Plan struct {
	At       time.Time
	Machines []Line
	Refused  []Refusal
	Cost     Cost
	// Start is the cost of the plan that the search began with; Bound is a cost that
	// no plan can be below.
	Start, Bound float64
	Moves        []Move // against [Problem.Last], in order of the machines' ids
	Free         []FreeHours
	Iterations   int
	Proven       bool // the cost is the least there is, for orders loaded in these parts
}

// Line is the jobs of one machine, the running one first.
type Line struct {
	Machine string
	Jobs    []Job
}

// Kinds of a [Job].
const (
	JobRunning = "running"
	JobOrder   = "order"
	JobCare    = "care"
)

// Job is a part of an order, or a care, on a machine.
type Job struct {
	Kind        string
	Order       string // or the id of the care
	Care        string // kind of the care
	Part, Parts int    // counted from 1
	Kg          float64
	Rolls       int // whole rolls; 0 = not told
	// SetupStart to Start is set-up, waiting for yarn and closed time; Start to End is knitting.
	SetupStart, Start, End time.Time
	SetupMinutes, Minutes  float64 // working time
	Setup                  []SetupPart
	Cylinder               string        // shared one that it is knitted with
	CylinderMinutes        float64       // working time waited until another machine let it go
	Late                   time.Duration // of End against the due date, wall time
	LateMinutes            float64       // the same in working minutes of the machine, which the cost counts
	Tardiness              float64       // cost of being late
	Frozen, Pinned         bool
	MissChance             float64 // to end after the due date; -1 = not known
}

// SetupPart is one change of a set-up.
type SetupPart struct {
	Kind     string
	From, To string
	Minutes  float64
}

// Cost is what the search makes small. A unit is one order of weight 1 late by one
// working minute.
type Cost struct {
	Tardiness, Setup, Change float64
	// Risk is the mean tardiness with the machines' stops in mind; it is told when plans
	// were ranked by it and no part of Total.
	Risk float64
}

// Total of the cost.
func (c Cost) Total() float64 { return c.Tardiness + c.Setup + c.Change }

// Refusal is an order that is not loaded: no machine can knit it, or something is wrong
// with it.
type Refusal struct {
	Order   string
	Why     string   // one sentence that says what to do
	Reasons []Reason // of every machine
}

// Rules that bind. They are also the words of [Reason.Rule] and [Move.Rule].
const (
	RuleDiameter  = "diameter"
	RuleGauge     = "gauge"
	RuleFeeds     = "feeds"
	RuleBeds      = "beds"
	RuleStructure = "structure"
	RuleCard      = "knit card"
	RulePin       = "pin"
	RuleFrozen    = "frozen"
	RuleYarn      = "yarn arrival"
	RuleDue       = "due date"
	RuleSetup     = "set-up"
	RuleLot       = "dye lot"
	RuleCare      = "care"
	RuleHours     = "machine hours"
	RuleQuantity  = "quantity"
	RuleCylinder  = "cylinder"
)

// Reason says why a machine cannot knit an order.
type Reason struct {
	Machine  string
	Rule     string
	Sentence string
}

// Move is an order that stands elsewhere than in the last plan.
type Move struct {
	Order                  string
	FromMachine, ToMachine []string // empty: was not loaded, is not loaded
	FromStart, ToStart     time.Time
	FromEnd, ToEnd         time.Time
	Rule                   string
	Sentence               string
}

// FreeHours is the working time without a job within the horizon.
type FreeHours struct {
	Diameter unit.Inches
	Gauge    unit.Gauge
	Machines int
	Hours    unit.Hours
}
