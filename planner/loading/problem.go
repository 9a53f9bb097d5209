// Package loading decides which order is knitted on which machine and in which
// sequence. Machines differ in speed and in what they can knit, what one order
// leaves on a machine decides how long the next takes to set up, and every order
// has a weight, a due minute and a minute before which its yarn is not there.
//
// The package is pure: the caller gives a seed and says when to stop, and the same
// seed with the same number of steps gives the same plan.
package loading

import (
	"errors"
	"fmt"
	"math"
)

// ErrProblem is inside every error about a problem that cannot be solved as told.
var ErrProblem = errors.New("loading problem is not usable")

// Never marks an order that a machine cannot knit, in Problem.Time.
const Never = int64(-1)

const (
	maxJobs     = 20000
	maxMachines = 2000
	maxMinutes  = int64(1) << 40
	maxWeight   = int64(1) << 20
)

// Goal is what a plan is measured by.
type Goal int

const (
	// Tardiness is the sum of weight times minutes late, and SetupCost times the
	// minutes of set-up.
	Tardiness Goal = iota
	// LastEnd is the minute at which the last machine is done.
	LastEnd
)

// Problem is what has to be loaded. Times are whole units (minutes in a mill) from one zero.
type Problem struct {
	Goal Goal
	// Time [machine][job] is what the job takes there, or Never.
	Time [][]int64
	// Setup [machine][1+before][job] is what comes before a job; row 0 is for the first
	// job of the machine, from what is on it now.
	Setup     [][][]int64
	Free      []int64 // [machine] when it becomes free
	Release   []int64 // [job] no knitting before
	Due       []int64
	Weight    []int64
	SetupCost int64 // of a unit of set-up time, beside tardiness
	// From [job] is the machine that had the job in the plan before, or -1, and Move
	// what taking it elsewhere costs: it keeps a plan from flickering. Both may be nil.
	From []int
	Move []int64
}

// Jobs and Machines count.
func (p *Problem) Jobs() int     { return len(p.Due) }
func (p *Problem) Machines() int { return len(p.Time) }

// Validate finds the first thing that does not fit.
func (p *Problem) Validate() error {
	n, m := p.Jobs(), p.Machines()
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s", ErrProblem, fmt.Sprintf(format, args...))
	}
	switch {
	case n > maxJobs || m > maxMachines:
		return bad("%d orders on %d machines, expected up to %d and %d", n, m, maxJobs, maxMachines)
	case n > 0 && m == 0:
		return bad("%d orders and no machine, expected one at least", n)
	case len(p.Setup) != m || len(p.Free) != m:
		return bad("set-ups for %d and free times for %d of %d machines", len(p.Setup), len(p.Free), m)
	case len(p.Release) != n || len(p.Weight) != n:
		return bad("releases for %d and weights for %d of %d orders", len(p.Release), len(p.Weight), n)
	case p.From != nil && (len(p.From) != n || len(p.Move) != n):
		return bad("earlier machines for %d and their costs for %d of %d orders", len(p.From), len(p.Move), n)
	case p.SetupCost < 0 || p.SetupCost > maxWeight:
		return bad("a minute of set-up costs %d, expected 0 to %d", p.SetupCost, maxWeight)
	}
	fits := func(v int64) bool { return v >= 0 && v < maxMinutes }
	for j := range n {
		if !fits(p.Release[j]) || p.Due[j] <= -maxMinutes || p.Due[j] >= maxMinutes || p.Weight[j] < 0 || p.Weight[j] > maxWeight {
			return bad("order %d: release %d, due %d, weight %d, expected minutes below %d and a weight of 0 to %d", j, p.Release[j], p.Due[j], p.Weight[j], maxMinutes, maxWeight)
		}
		able := false
		for i := range m {
			able = able || j < len(p.Time[i]) && p.Time[i][j] != Never
		}
		if !able {
			return bad("order %d: no machine can knit it; take it out or make a machine able", j)
		}
	}
	for i := range m {
		if len(p.Time[i]) != n || len(p.Setup[i]) != n+1 || !fits(p.Free[i]) {
			return bad("machine %d: %d times, %d set-up rows, free at %d, expected %d, %d and 0 or later", i, len(p.Time[i]), len(p.Setup[i]), p.Free[i], n, n+1)
		}
		for j, t := range p.Time[i] {
			if t != Never && !fits(t) {
				return bad("machine %d, order %d: takes %d, expected 0 or more, or %d for never", i, j, t, Never)
			}
		}
		for b, row := range p.Setup[i] {
			if len(row) != n {
				return bad("machine %d: set-up after order %d has %d values, expected %d", i, b-1, len(row), n)
			}
			for j, s := range row {
				if !fits(s) {
					return bad("machine %d: set-up from order %d to %d is %d, expected 0 or more", i, b-1, j, s)
				}
			}
		}
	}
	return nil
}

// Plan is the sequence of jobs of every machine.
type Plan [][]int

// Clone copies a plan.
func (p Plan) Clone() Plan {
	out := make(Plan, len(p))
	for i, q := range p {
		out[i] = append(make([]int, 0, len(q)), q...)
	}
	return out
}

// Slot is one job in its place.
type Slot struct {
	Job, Machine      int
	Setup, Start, End int64 // when set-up begins, when knitting begins, when it ends
	Changeover, Late  int64 // minutes of set-up; minutes after due, 0 or more
	Waits             int64 // minutes that the machine stands for yarn
	Tardy, Pay        int64 // weight times late; all it adds to the cost
	Before            int   // the job before, or -1
}

// Score is what a plan costs, part by part.
type Score struct {
	Cost      int64 // by the problem's goal
	Tardiness int64 // weighted
	Setup     int64 // minutes
	Moved     int64 // cost of jobs on other machines than before
	LastEnd   int64
	Slots     []Slot // by machine, then in sequence
}

// Evaluate walks a plan: the one definition of what a plan costs, which every
// search is tested against. A job begins at max(end of the one before + set-up,
// its release). It refuses a plan that leaves a job out, has one twice or on a
// machine that cannot knit it.
func (p *Problem) Evaluate(plan Plan) (Score, error) {
	var s Score
	if len(plan) != p.Machines() {
		return s, fmt.Errorf("%w: a plan for %d of %d machines", ErrProblem, len(plan), p.Machines())
	}
	seen := make([]bool, p.Jobs())
	for i, jobs := range plan {
		at, before := p.Free[i], -1
		for _, j := range jobs {
			switch {
			case j < 0 || j >= p.Jobs() || seen[j]:
				return s, fmt.Errorf("%w: machine %d has order %d, which is unknown or planned twice", ErrProblem, i, j)
			case p.Time[i][j] == Never:
				return s, fmt.Errorf("%w: machine %d cannot knit order %d", ErrProblem, i, j)
			}
			seen[j] = true
			slot := Slot{Job: j, Machine: i, Before: before, Setup: at, Changeover: p.Setup[i][before+1][j]}
			slot.Start = max(at+slot.Changeover, p.Release[j])
			slot.Waits = slot.Start - at - slot.Changeover
			slot.End = slot.Start + p.Time[i][j]
			slot.Late = max(slot.End-p.Due[j], 0)
			slot.Tardy = p.Weight[j] * slot.Late
			slot.Pay = slot.Tardy + p.SetupCost*slot.Changeover + p.moved(j, i)
			s.Tardiness += slot.Tardy
			s.Setup += slot.Changeover
			s.Moved += p.moved(j, i)
			s.LastEnd = max(s.LastEnd, slot.End)
			s.Slots = append(s.Slots, slot)
			at, before = slot.End, j
		}
	}
	for j, ok := range seen {
		if !ok {
			return s, fmt.Errorf("%w: order %d is on no machine", ErrProblem, j)
		}
	}
	s.Cost = s.Tardiness + p.SetupCost*s.Setup + s.Moved
	if p.Goal == LastEnd {
		s.Cost = s.LastEnd
	}
	return s, nil
}

func (p *Problem) moved(j, machine int) int64 {
	if p.From == nil || p.From[j] < 0 || p.From[j] == machine {
		return 0
	}
	return p.Move[j]
}

// Bound is a cost that no plan can go below: every job alone on the machine where
// it is cheapest. It is 0 for many problems and proves only easy ones.
func (p *Problem) Bound() int64 {
	var sum, last int64
	for j := range p.Jobs() {
		best, end := int64(math.MaxInt64), int64(math.MaxInt64)
		for i := range p.Machines() {
			if p.Time[i][j] == Never {
				continue
			}
			least := p.Setup[i][0][j]
			for b := range p.Jobs() {
				if b != j {
					least = min(least, p.Setup[i][b+1][j])
				}
			}
			done := max(p.Free[i]+least, p.Release[j]) + p.Time[i][j]
			best = min(best, p.Weight[j]*max(done-p.Due[j], 0)+p.SetupCost*least+p.moved(j, i))
			end = min(end, done)
		}
		sum += best
		last = max(last, end)
	}
	if p.Goal == LastEnd {
		return last
	}
	return sum
}
