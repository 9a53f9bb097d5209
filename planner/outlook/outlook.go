// Package outlook answers the mill's three questions from one snapshot of the
// floor: how many kilos are left, when each order is done with what certainty,
// and which creel needs cones when. It is pure: the instant comes with the
// call, and nothing is read, logged or remembered.
package outlook

import (
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/forecast"
	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// Snapshot is what the planner knows about the floor at one instant.
type Snapshot struct {
	Calendar calendar.Calendar
	Machines []Machine
	Orders   []Order
	Lots     []Lot
	// Due are the stops that the mill plans beside doffs and set-ups.
	Due []Due
	// Past are forecasts of orders that have ended; may be empty.
	Past []forecast.Kept
	// Fleet is what [Learn] made of the machines' histories, so that plans of the same
	// histories need not learn again; nil = they are learnt from. It is only read.
	Fleet *forecast.Fleet
}

// Machine is one machine with its history, its jobs and its creel.
type Machine struct {
	ID string
	// State at the instant of the snapshot.
	State State
	Cause string    // of the stop in progress
	Since time.Time // of State
	// SpeedRPM is the speed of the recent running time; 0 = not known.
	SpeedRPM float64
	// Revolutions since first sight and since the last doff.
	Revolutions int64
	SinceDoff   int64
	HeldMin     float64 // working minutes for which it stands from now, whatever it does
	Care        []Care  // that the mill plans on it
	// SinceMin are running minutes since the last stop of a cause that is due; a cause
	// that its history does not have is missing.
	SinceMin map[string]float64
	// History is what it did; its Machine is not looked at, the ID counts.
	History forecast.History
	Jobs    []Job // the running job first
	Waits   bool  // no job runs: the first one has not begun
	Creel   []Load
	Marks   []float64 // turns of the machine of which the time is asked
	// Cards are those that the machine has for articles, whether or not it has a
	// job with them now; a quote picks machines by them.
	Cards []Card
}

// Care is work on a machine that the mill plans, such as needles changed. It is done as
// late as it may, and delays what is not done by then.
type Care struct {
	Kind     string
	Minutes  float64 // of working time
	Earliest time.Time
	Latest   time.Time // it is done by then; zero = at any time, which delays nothing
}

// Due is a stop that comes by plan: cleaning, needles changed, cones put on. One of the
// three says when; the first that is set counts.
type Due struct {
	Cause       string
	EveryTurns  float64
	EveryRunMin float64 // running minutes
	WithCones   bool    // whenever a feed group's cones run out
	UsualMin    float64 // how long it lasts, for a cause that was never seen; 0 = not known
}

// State of a machine.
type State uint8

// States.
const (
	Unknown State = iota
	Running
	Stopped
)

// Job is the part of an order on a machine.
type Job struct {
	Order string
	Card  Card
	// QuantityKg is the part of the order; 0 = shared between the machines of
	// the order so that they end together.
	QuantityKg float64
	CountedKg  float64
}

// Card is a knit card as the outlook needs it.
type Card struct {
	ID string
	// Article of the card; may be empty for the card of a job, whose order tells it.
	Article  string
	SpeedRPM float64
	Knit     knit.Card
	Feeds    []Feed // in the order of Knit.Feeds
}

// Feed says which yarn and lot a feed group of the card takes.
type Feed struct {
	Yarn string
	Lot  string
}

// Order is one order of the book.
type Order struct {
	ID         string
	Article    string
	QuantityKg float64
	DoneKg     float64 // before counting began, and counted since
	Promise    time.Time
	RollKg     float64
	WasteRatio float64 // kilos of yarn lost per kilo of cloth
}

// Load is one set of cones on one feed group.
type Load struct {
	ID            string // of the caller; its window bears it
	Group         string
	Yarn, Lot     string
	Tip           string
	Cones         int
	ConeKg        float64
	ConeCV        float64
	AtRevolutions int64 // machine's revolutions when the cones were put on
	At            time.Time
	// LifeRatio is what was learnt: turns that a cone lasts over those calculated; 0 = 1.
	LifeRatio float64
}

// lasting is the mass that would last as long as the cone does, were nothing learnt.
func (l Load) lasting() float64 {
	if l.LifeRatio > 0 {
		return l.ConeKg * l.LifeRatio
	}
	return l.ConeKg
}

// Lot is the yarn of one lot.
type Lot struct {
	ID, Yarn    string
	StoreKg     float64
	AtMachineKg float64
}

// Outlook is the answer.
type Outlook struct {
	At     time.Time
	Orders []OrderOutlook
	Creels []CreelWindow
	Doffs  []Doff
	Marks  []Mark
}

// Mark is when a machine is expected to reach a turn with its running job.
type Mark struct {
	Machine string
	Turn    float64
	At      time.Time
}

// Finish is a distribution of finishing times.
type Finish struct {
	P10, P50, P80, P90, P95 time.Time
	Beads                   [20]time.Time // equally likely, earliest first
	MissChance              float64       // to finish after the promise
	Lateness                time.Duration // mean time by which the promise is missed, 0 when it is kept
	Refused                 string        // why there is no forecast; the rest is then void
	Basis                   []string
	// History says whose stops it rests on: "machine", "group", "fleet" or
	// "assumed"; Corrected by how many past forecasts its chances were put right.
	History   string
	Corrected int
	Parts     []Part  // where the working time goes, the largest first
	Levers    []Lever // what would help most, the largest gain first
}

// Kinds of a [Part].
const (
	PartRunning  = "running"  // turning at the speed it has
	PartStop     = "stop"     // random stops of a cause
	PartPlanned  = "planned"  // doffs, set-ups and the like, of a cause
	PartSlow     = "slow"     // turning slower than the card says
	PartWaiting  = "waiting"  // stops that wait for a person
	PartProgress = "progress" // the stop in progress
	PartHeld     = "held"     // the machine is taken away
	PartCare     = "care"     // work on the machine that the mill plans
)

// Part is working time until the finish that goes to one thing, in minutes of
// machine time. The means of all parts add up to that of the machines.
type Part struct {
	Kind, Cause string
	Mean, P90   float64 // minutes
	Share       float64 // of the mean of all parts
}

// Lever says how much earlier the date given with 90 % would be, in working
// minutes, if something did not happen.
type Lever struct {
	Kind, Cause string
	Gain        float64
}

// OrderOutlook is one order's future.
type OrderOutlook struct {
	Order       string
	RemainingKg float64
	Finish      Finish
	Jobs        []JobOutlook
	Why         []string // what stands in the way, one sentence each
	Yarn        []LotBalance
	// Law of the working minutes from Outlook.At to the finish; the zero law
	// when Finish is refused.
	Law forecast.Law
	// Machine, or machines with a + between them, the law before past forecasts put its
	// chances right, and what it was asked for: what the next forecasts learn from.
	Machine string
	Raw     forecast.Law
	Ask     forecast.Ask
}

// JobOutlook is the part of an order on one machine.
type JobOutlook struct {
	Machine              string
	RemainingKg          float64
	RemainingRevolutions unit.Revolutions
	Finish               Finish
	CareMin              float64 // of the mean working time until Finish, what goes to planned care
}

// LotBalance says whether a lot covers what is left to knit.
type LotBalance struct {
	Yarn, Lot                   string
	StoreKg, CreelKg, AtMachine float64
	NeededKg, ShortKg           float64
}

// CreelWindow says when the cones of one feed group run out. An instant whose turn
// is behind the machine is that of the outlook.
type CreelWindow struct {
	ID                   string // of the load
	Machine, Group       string
	Yarn, Lot, Tip       string
	Cones                int
	First, P05, P50, P95 time.Time
	Last                 time.Time
	FirstRevolutions     float64
	P05Revolutions       float64
	P50Revolutions       float64
	P95Revolutions       float64
	LastRevolutions      float64
	LoadedAtRevolutions  int64
}

// Doff says when the roll on a machine reaches its mass.
type Doff struct {
	Machine  string
	At       time.Time
	RollKg   float64
	RevsLeft int64
}
