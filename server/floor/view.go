package floor

import (
	"time"

	"turnwise/planner/creel"
	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// State of a machine as people should see it.
type State uint8

// States. Unknown is never to be shown as stopped.
const (
	Unknown State = iota
	Running
	Stopped  // a stop input is active
	Standing // does not turn, no input says why
)

// Cause is one entry of the list of causes.
type Cause struct {
	ID      string
	Letter  string // knot letter
	Word    string // for people, "yarn"
	Element string // ISO 22400 time element
	Comes   Comes  // by the mill's plan
	Group   Group  // many machines at once are one event
}

// Group says how many machines that stop for a cause within how long are one event;
// the zero value is for causes that never are.
type Group struct {
	Machines int
	Within   time.Duration
}

// Comes says when stops of a cause are due by the mill's plan; the zero value is
// for causes that come as they please.
type Comes struct {
	EveryTurns int64
	EveryRun   time.Duration // of running
	WithCones  bool          // whenever a feed group's cones run out
	Takes      time.Duration // as a rule; 0 = not known
}

// MachineView is the live picture of one machine.
type MachineView struct {
	ID, Name    string // "k01", "K01"
	Area, Set   string
	Agent       string
	Label       string // article in a few words, "SJ 30x28"
	Structure   string // of the article, as entered
	State       State
	Since       time.Time
	Cause       Cause
	Heard       time.Time // newest committed or live word
	SpeedRPM    float64
	CardRPM     float64
	Order       string
	Card        string
	GramsPerRev float64 // 0 = no card
	Problem     string  // of the source, as the agent tells it

	Revolutions  int64 // committed
	Inched       int64 // of them: by hand or by the inching button
	KilosCounted float64
	SinceDoff    int64
	ToDoff       int64 // revolutions; 0 with RollKg 0 = not known
	RollKg       float64
	RollNumber   int64
	DoffDue      time.Time // zero = not known

	Entry MachineEntry // what the machine is
}

// MachineEntry is the plate of a machine.
type MachineEntry struct {
	DiameterInch, GaugeNPI                float64
	CylinderNeedles, DialNeedles, Feeders int
	Beds                                  int // needle beds
	MaxRPM                                float64
	Structures                            []string
	Year                                  int
}

// ShiftView is one shift so far, for the page of threads.
type ShiftView struct {
	Name                     string // "morning"; "" = outside the calendar
	From, To                 time.Time
	Now                      time.Time // end of the picture, at most To
	RunShare                 float64   // run / (run + stop), of the time heard; NaN = nothing heard
	RunMS, StopMS, UnknownMS int64
	Lost                     []CauseMinutes // most first
	Threads                  []Thread       // most kilos lost first
	Groups                   []GroupEvent
}

// CauseMinutes is time lost to one cause.
type CauseMinutes struct {
	Cause Cause
	MS    int64
	Count int
}

// SegmentKind of a thread.
type SegmentKind uint8

// Segment kinds.
const (
	Run SegmentKind = iota + 1
	Stop
	NoData
	Off // outside the calendar
)

// Segment is one stretch of a thread.
type Segment struct {
	Kind     SegmentKind
	From, To time.Time
	Ratio    float64 // speed / card speed while running; 0 = no card speed
	Cause    Cause   // of a stop; Letter "." below 30 s
	Grouped  bool    // part of a group event
	StopID   string
}

// Thread is one machine along a shift.
type Thread struct {
	Machine, Name, Label            string
	Segments                        []Segment
	RunMS, StopMS, UnknownMS, OffMS int64
	RunShare                        float64 // NaN = nothing heard
	LostKg                          float64 // to stops and slow running, against card speed
	SlowKg                          float64 // of it, to slow running
	SpeedRPM, CardRPM               float64 // mean while running
	StopsBy                         []CauseMinutes
	Why                             string // the one thing that explains most
	Abnormal                        bool   // Why deserves the sign
	Silent                          bool   // no data now
}

// GroupEvent is several machines stopping together.
type GroupEvent struct {
	Letter   string
	Word     string // of the cause; empty = known by its letter
	At       time.Time
	Machines []string
	Lasted   time.Duration // median
}

// OrderView is one order of the promises page.
type OrderView struct {
	ID, Article, ArticleName string
	Machines                 []string // names
	QuantityKg               float64
	DoneBeforeKg             float64
	CountedKg                float64 // since counting began
	WeighedKg                float64
	Structure                string // of the article
	Promise                  time.Time
	Outlook                  outlook.OrderOutlook
	At                       time.Time // of Outlook
	// By machine id: the card its job runs with, and the kilos of the order
	// counted on it.
	Cards     map[string]string
	CountedBy map[string]float64
	Entry     OrderEntry
}

// OrderEntry is what people said of an order for the loading of machines.
type OrderEntry struct {
	Weight     float64 // 0 = 1
	YarnFrom   time.Time
	Parts      int
	OneLot     bool
	Lot        string
	PinMachine string
	PinAfter   string
}

// TaskKind of the rail.
type TaskKind uint8

// Task kinds.
const (
	TaskStop TaskKind = iota + 1
	TaskDoff
	TaskCreel
	TaskStyle // the job ends and another article follows; in walks only
	TaskEnd   // the job ends, and nothing or more of the same follows, or a planned one begins where none ran; in walks only
)

// TaskView is one row of the rail.
type TaskView struct {
	ID            string // stable while the task is the same
	Kind          TaskKind
	Machine, Name string
	Due           time.Time // when the loss begins
	Since         time.Time // of a stop
	Groups        []string  // feed groups of a machine that stands, if its card has several
	Cause         Cause
	Window        *outlook.CreelWindow // of a creel task
	YarnName      string
	Order         string
	RollNumber    int64
	RollKg        float64
	State         store.TaskState // what people told of it
	// Lapsed is when somebody took it and did not finish in reason: it is due again.
	Lapsed time.Time

	// Of a creel task.
	Tie          bool      // the cones go on with a tied reserve: the next one is to be tied
	Open, Latest time.Time // from when it is of use, and the latest visit; zero = not known
	Positions    []int     // places of the creel, from 1; none = not told one by one
	Overdue      time.Time // the window began then; zero = it is still to come
	Unsaid       bool      // the machine has run so far past its cones that somebody has changed them without a word
	// Of a style change or the end of a job.
	NextOrder, NextArticle string
	Begins                 string          // planned order that begins when somebody says done; empty = none
	Remnants               []creel.Remnant // expected on the cones then; of a lot's end too
}

// TotalsView is the books of one machine with kilos.
type TotalsView struct {
	Machine                  string
	Revolutions, Inched      int64 // Inched are among the revolutions
	Stops                    int64
	ByCause                  map[string]int64
	OpenStop                 bool
	LostMin, LostMax         int64
	Kilos                    float64
	WithoutCard              int64
	RunMS, StopMS, UnknownMS int64
}

// QuoteView is the finish of an order that is not in the book.
type QuoteView struct {
	Promise     time.Time // finished by then with the chosen certainty
	Finish      outlook.Finish
	Jobs        []outlook.JobOutlook
	Assumptions []string // one sentence each
}

// WhatIfView is what supposed changes do.
type WhatIfView struct {
	Effects     []outlook.Effect
	Same        int // orders that stay as they are
	Assumptions []string
	Warnings    []string // what would be refused or warned of as a plan
}

// AgentView is one agent as registered and as last heard.
type AgentView struct {
	ID           string
	Machines     []string
	Registered   time.Time
	Online       bool
	Heard        time.Time     // newest live word; zero = never since the server started
	ClockOffset  time.Duration // agent's wall clock minus the server's, at the newest word
	Version      string
	JournalBytes int64
	Outstanding  int64 // records known to be at the agent only
}
