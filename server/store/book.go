package store

import "time"

// Book is the mill's register: what people enter.
type Book struct {
	Machines    []Machine
	Agents      []BookAgent
	Yarns       []Yarn
	Lots        []Lot
	Articles    []Article
	Cards       []Card
	Orders      []Order
	Assignments []Assignment
	Setups      []Setup
	Care        []Care
	Cylinders   []Cylinder
}

// BookChange tells what ApplyBook did or would do.
type BookChange struct {
	Created, Updated, Same int
	Lines                  []string
}

// BookAgent binds an agent to the machines it speaks for.
type BookAgent struct {
	ID       string
	Machines []string
}

// Machine is what a machine is.
type Machine struct {
	ID              string
	Name            string // for people; empty = the id in capitals
	Area            string
	DiameterInch    float64
	GaugeNPI        float64 // needles per inch
	CylinderNeedles int
	DialNeedles     int
	Beds            int `json:",omitempty"` // needle beds; 0 = 2 with dial needles, else 1
	Feeders         int
	MaxRPM          float64
	Structures      []string
	Year            int
	Set             string // tender's set
}

// NeedleBeds is how many needle beds the machine has, by its word or its dial needles.
func (m Machine) NeedleBeds() int {
	switch {
	case m.Beds > 0:
		return m.Beds
	case m.DialNeedles > 0:
		return 2
	}
	return 1
}

// Yarn of the store.
type Yarn struct {
	ID        string
	Count     string // as ordered, "Ne 30/1"
	Fibre     string
	ConeNetKg float64
	ConeCV    float64 // 0 = 0.02
}

// Lot of a yarn.
type Lot struct {
	ID, Yarn, Tip string
	StoreKg       float64
	AtMachineKg   float64
}

// Article is a fabric.
type Article struct {
	ID, Name, Structure string
	RollKg              float64
	WasteRatio          float64
	// Of the machines that can knit it; 0 = any with a card.
	DiameterInch float64 `json:",omitempty"`
	GaugeNPI     float64 `json:",omitempty"`
	Beds         int     `json:",omitempty"`
}

// Card is an article on a machine.
type Card struct {
	ID, Article, Machine string
	SpeedRPM             float64
	Feeds                []FeedGroup
}

// FeedGroup is a group of feeds that take the same yarn alike.
type FeedGroup struct {
	ID, Yarn, Lot string
	Feeders       int
	CourseLengthM float64 // metres per revolution at one feed
	Draft         float64 // 0 = 1
	Ends          int     // 0 = 1
}

// Order of the book.
type Order struct {
	ID, Article  string
	QuantityKg   float64
	Promise      time.Time
	DoneBeforeKg float64
	// What the loading of machines goes by.
	Weight     float64   `json:",omitempty"` // of a late minute; 0 = 1
	YarnFrom   time.Time `json:",omitzero"`  // zero = the yarn is there
	Parts      int       `json:",omitempty"` // may be split into; 0 = 1
	OneLot     bool      `json:",omitempty"` // all of it on one machine
	Lot        string    `json:",omitempty"` // of yarn; empty = that of the card
	PinMachine string    `json:",omitempty"` // that the planner holds it on
	PinAfter   string    `json:",omitempty"` // order before it there
}

// Setup is one row of the mill's table of set-ups: minutes of work for a
// change between two jobs. Of the rows that fit the one with the most exact
// words holds.
type Setup struct {
	Kind     string // "cylinder", "structure", "yarn", "lot", "stitch length" or "every job"
	Machine  string // empty = every machine
	From, To string // "*" = any
	Minutes  float64
	Remove   bool `json:"-"` // take the row out
}

// SetupKinds are the kinds of changes between jobs.
var SetupKinds = []string{"cylinder", "structure", "yarn", "lot", "stitch length", "every job"}

// Care is work on a machine that the mill plans, such as needles changed. It
// is due every so many revolutions, or in a window of dates.
type Care struct {
	ID, Machine, Kind string
	Minutes           float64   // of working time
	EveryRevolutions  int64     `json:",omitempty"` // 0 = by the window
	Done              time.Time `json:",omitzero"`  // last time; zero = at first sight
	From, To          time.Time `json:",omitzero"`  // window; zero = open
	Weight            float64   `json:",omitempty"` // of a late minute; 0 = 1
	Remove            bool      `json:"-"`          // take it out
}

// Cylinder is an exchangeable cylinder that machines take in turn: it is in
// one of them at a time.
type Cylinder struct {
	ID           string
	DiameterInch float64 `json:",omitempty"`
	GaugeNPI     float64
	Machines     []string
	Remove       bool `json:"-"` // take it out
}

// Assignment says what a machine knits from an instant on.
type Assignment struct {
	Machine     string
	From        time.Time
	Order, Card string
	QuantityKg  float64
	// Planned says that it has not begun, whatever the clock says: From is when it
	// is expected. It begins with [PlanRecord.BeginJob].
	Planned bool `json:",omitempty"`
	// PlannedFrom is when it had been expected, of a job that was said to have
	// begun; zero = it began by the clock.
	PlannedFrom time.Time `json:",omitzero"`
}

// Ahead tells whether an assignment is still to come at an instant.
func (a Assignment) Ahead(at time.Time) bool { return a.Planned || a.From.After(at) }
