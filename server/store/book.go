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
	Feeders         int
	MaxRPM          float64
	Structures      []string
	Year            int
	Set             string // tender's set
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
}

// Assignment says what a machine knits from an instant on.
type Assignment struct {
	Machine     string
	From        time.Time
	Order, Card string
	QuantityKg  float64
}
