// Package board is the mill's card board: which order runs on which machine, when, and
// split how, from what each machine can knit, how fast, what it takes to set it up, when
// the yarn is there and when the cloth is due. It is pure: the instant, the seed and the
// budget come with the call, so the same call gives the same plan. The one rule: what
// runs, what is pinned and what starts within the frozen time is never moved.
package board

import (
	"errors"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// ErrProblem is inside every error about a problem as a whole: nothing is planned
// until it is repaired. An order that no machine can knit is no such fault; it is told in
// [Plan.Refused].
var ErrProblem = errors.New("nothing can be loaded")

// Any stands for every value in a row of a [SetupTable].
const Any = "*"

// Problem is what is to be loaded, as it is at one instant.
type Problem struct {
	Now      time.Time
	Machines []Machine
	Orders   []Order
	// Cylinders are those that machines take in turn.
	Cylinders []Cylinder
	Setups    SetupTable
	// Last is the plan that is in force; the zero plan when there is none. What is
	// running, pinned or starts within Frozen stays as it says.
	Last Plan
	// Frozen is the time from Now in which nothing is moved. Zero freezes nothing but
	// the running jobs.
	Frozen time.Duration
	// Steady is the time from Now in which moving an order costs ChangeCost.
	Steady time.Duration
	// ChangeCost is the price of an order that starts within Steady by the last plan and goes
	// to a machine it was not on, in the unit of the cost: weight 1 late by one minute. Later
	// ones cost a quarter of it. Zero takes half of an order's mean cost by the last plan, so
	// that a move must be worth it whatever the mill's load is; below zero moves cost nothing.
	ChangeCost float64
	// SetupCost is the price of one minute of set-up in the same unit.
	SetupCost float64
	// Horizon is how far from Now the free machine-hours are counted. Zero means a week.
	Horizon time.Duration
}

// Machine is one machine: what it can knit, its hours and what is on it now.
type Machine struct {
	ID         string
	Plate      knit.Machine
	Beds       int          // 1 = cylinder only, 2 = with dial; 0 = by the plate's dial needles
	Gauges     []unit.Gauge // of exchangeable cylinders besides the plate's
	Structures []string     // that its cams allow; empty = any
	Calendar   calendar.Calendar
	Closed     []calendar.Span // maintenance at a fixed time, strikes, machine away
	Care       []Care          // maintenance and needle changes to be placed
	Live       State           // what it is set up for now
	Running    *Running        // nil when no order runs
	// Share is the expected running share of working time, above 0 to 1. Zero means 1.
	Share float64
	// Stops is the machine's forecast, for the chance of dates; nil = dates as expected only.
	Stops *forecast.Machine
}

// Running is the order on the machine now. It goes on to its end.
type Running struct {
	Order string
	// Kg that are left of the part on this machine.
	Kg float64
	// Minutes of working time left. Zero means: by the order's card for the machine.
	Minutes float64
}

// Care is planned work on a machine that stands still for it. It changes nothing of
// what the machine is set up for.
type Care struct {
	ID               string
	Kind             string // "needles", "cleaning", "oil": any word of the mill
	Minutes          float64
	Earliest, Latest time.Time // Latest is a due date: later costs Weight a minute
	Weight           float64   // zero means 1
}

// State is what a machine is set up for. An empty field is not known and costs the
// row of [Any].
type State struct {
	Gauge     unit.Gauge // of the cylinder in the machine
	Structure string
	Yarn      string
	Lot       string
	Stitch    unit.Millimetres
}

// Order is what is still to be knitted and not yet running.
type Order struct {
	ID      string
	Article string
	Needs   Needs
	Makes   State // what a machine is set up for while it knits the order
	// Kg is what is left to load. It may be 0 when all of it runs.
	Kg     float64
	RollKg float64 // 0 = not told: the order is never split
	Due    time.Time
	Weight float64 // 0 means 1
	// YarnFrom is when the yarn is in the mill; zero = it is there.
	YarnFrom time.Time
	// YarnShort names yarn that nobody has ordered: the order is refused with it.
	YarnShort string
	// Parts is into how many the order may be split; 0 and 1 mean never. MinKg is the
	// least kilos of one part.
	Parts int
	MinKg float64
	// OneLot says that the cloth is dyed as one lot: all of it on one machine.
	OneLot bool
	Cards  []Card
	Pin    *Pin
}

// Needs is what a machine must have. Zero fields ask for nothing.
type Needs struct {
	Diameter  unit.Inches
	Gauge     unit.Gauge
	Feeds     int // at least
	Beds      int // at least
	Structure string
}

// Card is the order's article on a machine: its mass per turn and speed.
type Card struct {
	Machine  string // "" or Any = every machine without a card of its own
	Knit     knit.Card
	SpeedRPM unit.RPM
}

// Pin holds an order where the planner put it.
type Pin struct {
	Machine string
	// After names the order that must come earlier on the same machine; "" = none.
	After string
}

// SetupTable is the mill's table of set-up minutes. The minutes of all changes between two
// states add up. Of the rows that fit the one with the most exact words holds, then
// the earlier one; a change without a row is a hole and an error.
type SetupTable struct {
	Rows []SetupRow
}

// Kinds of a [SetupRow].
const (
	ChangeGauge     = "cylinder"
	ChangeStructure = "structure"
	ChangeYarn      = "yarn"
	ChangeLot       = "lot" // same yarn, another lot
	ChangeStitch    = "stitch length"
	ChangeAll       = "every job" // on every start of an order, From and To are not read
)

// SetupRow is one line of the table.
type SetupRow struct {
	Kind     string
	Machine  string // "" or Any = every machine
	From, To string // the words of the state; Any = every word
	Minutes  float64
}

// Options tunes [Solve]. The zero value makes the start and a short search.
type Options struct {
	Seed uint64
	// Iterations of the search; zero means 2000. With the same seed and a Continue
	// that never stops it, the same plan comes.
	Iterations int
	// Continue is asked often; the search ends with its best plan when it is false. Nil
	// never stops it.
	Continue func() bool
	// Progress hears of the start, of every better plan, and now and then that the search
	// goes on. It may be nil.
	Progress func(Progress)
	// Keep is how many of the last best plans are ranked anew by the chance of being
	// late; zero means none. Machines without Stops count as certain.
	Keep int
}

// Progress tells how far a search is.
type Progress struct {
	Iterations         int
	Cost, Start, Bound float64 // of the best so far, of the constructive start, and a lower bound
}
