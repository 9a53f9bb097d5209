package knit

import (
	"fmt"
	"math"
	"slices"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// NeedlePitch is the distance of two needles on the circumference; 0 for a gauge
// that is not a positive number.
func NeedlePitch(gauge float64) unit.Millimetres {
	if !(gauge > 0) || math.IsInf(gauge, 1) {
		return 0
	}
	return unit.Millimetres(25.4 / gauge)
}

// SurfaceSpeed of the cylinder's circumference in metres per second.
func SurfaceSpeed(diameter unit.Inches, speed unit.RPM) float64 {
	return math.Pi * float64(diameter.Metres()) * float64(speed) / 60
}

// DiameterSpeed is diameter times speed in inch-turns per minute, by which machines
// are compared. Some texts call courses per minute by the same trade name, speed
// factor; that is [CoursesPerMinute].
func DiameterSpeed(diameter unit.Inches, speed unit.RPM) float64 {
	return float64(diameter) * float64(speed)
}

// SpeedOf is the speed that a cylinder of the diameter has at a [DiameterSpeed]; 0
// for a diameter that is not a positive number.
func SpeedOf(diameterSpeed float64, diameter unit.Inches) unit.RPM {
	if !(diameter > 0) || math.IsInf(float64(diameter), 1) {
		return 0
	}
	return unit.RPM(diameterSpeed / float64(diameter))
}

// CoursesPerMinute of turning: feeds over feeds per course times speed. NaN where
// feeds per course are not a positive number.
func CoursesPerMinute(feeds int, feedsPerCourse float64, speed unit.RPM) float64 {
	if !(feedsPerCourse > 0) {
		return math.NaN()
	}
	return float64(feeds) / feedsPerCourse * float64(speed)
}

// Order is what a mass of cloth takes.
type Order struct {
	Turns unit.Revolutions
	Hours unit.Hours // of time available
	Yarns []Need     // in the order of the card
	Steps derive.Derivation
}

// Need is the yarn of one feed group for an order.
type Need struct {
	Group  string
	Knit   unit.Kilograms // in the cloth
	Bought unit.Kilograms // waste included
}

// ForOrder calculates turns, hours and yarn of a mass of cloth. Waste is the share
// of the yarn bought that does not become cloth, 0 to below 1.
func (s Setup) ForOrder(kilos unit.Kilograms, waste float64, r Running) (Order, error) {
	t, err := s.PerTurn()
	if err != nil {
		return Order{}, err
	}
	if err := r.Validate(); err != nil {
		return Order{}, err
	}
	if !within(float64(kilos), 1e-6, maxKilos) {
		return Order{}, bad(ErrQuantity, "order", "kilos", float64(kilos), fmt.Sprintf("above 0, at most %g", float64(maxKilos)), "enter kilos of cloth")
	}
	if !(waste >= 0 && waste < 1) {
		return Order{}, bad(ErrQuantity, "order", "waste", waste, "0 to below 1", "enter the share of the yarn bought, 0.02 for 2 %")
	}
	o := Order{Turns: unit.Revolutions(kilos.Grams() / t.Mass), Steps: t.Steps}
	o.Hours = unit.Hours(float64(o.Turns) / r.turnsPerHour())
	ordered := derive.Input{Name: "kilos ordered", Value: float64(kilos), Unit: "kg", From: s.origin("kilos ordered", derive.Given)}
	o.Steps.Add(derive.Step{Result: "turns of the order", Formula: "kilos ordered × 1000 / mass per turn", Value: float64(o.Turns), Unit: "rev",
		Inputs: []derive.Input{ordered, {Name: "mass per turn", Value: float64(t.Mass), Unit: "g/rev", From: derive.FromAbove}}})
	o.Steps.Add(derive.Step{Result: "hours of the order", Formula: "turns of the order / (speed × 60 × efficiency)", Value: float64(o.Hours), Unit: "h",
		Inputs: append([]derive.Input{{Name: "turns of the order", Value: float64(o.Turns), Unit: "rev", From: derive.FromAbove}}, r.inputs(s)...)})
	for _, d := range t.Yarns {
		n := Need{Group: d.Group, Knit: kilos * unit.Kilograms(d.Share)}
		n.Bought = n.Knit / unit.Kilograms(1-waste)
		o.Yarns = append(o.Yarns, n)
		o.Steps.Add(derive.Step{Result: of("yarn to buy", d.Group), Formula: "kilos ordered × share / (1 − waste)", Value: float64(n.Bought), Unit: "kg",
			Inputs: []derive.Input{ordered, {Name: "share", Value: d.Share, From: derive.FromAbove}, {Name: "waste", Value: waste, From: s.origin("waste", derive.Given)}}})
	}
	return o, nil
}

const maxKilos = 1e7 // an order, a roll or a cone of ten thousand tonnes is a slip of the pen

// Cones is how the cones of one feed group run out.
type Cones struct {
	Length  unit.Metres      // of yarn on the cone that is used
	Turns   unit.Revolutions // of one cone
	Running unit.Hours       // of turning
	Clock   unit.Hours       // of time available
	// PerHour is the cones that the group's feeders empty in an hour of time
	// available, when their run-outs are spread.
	PerHour float64
	Steps   derive.Derivation
}

// ConesOf calculates the life of the group's cones of a net mass, of which rest
// stays on the core. With a magazine creel, whose next cone is tied to the running
// one's tail, rest is 0.
func (s Setup) ConesOf(group string, net, rest unit.Kilograms, r Running) (Cones, error) {
	t, err := s.PerTurn()
	if err != nil {
		return Cones{}, err
	}
	if err := r.Validate(); err != nil {
		return Cones{}, err
	}
	i := slices.IndexFunc(s.Card.Feeds, func(g FeedGroup) bool { return g.ID == group })
	if i < 0 {
		return Cones{}, bad(ErrCard, "cone", "feed group", fmt.Sprintf("%q", clip(group)), "a group of the card", "correct the name")
	}
	if !within(float64(net), 1e-3, 1000) {
		return Cones{}, bad(ErrQuantity, "cone", "net mass in kg", float64(net), "0.001 to 1000", "weigh a full cone and take the core off")
	}
	if !(rest >= 0 && rest < net) {
		return Cones{}, bad(ErrQuantity, "cone", "rest in kg", float64(rest), fmt.Sprintf("0 to below the net %g", float64(net)), "enter what is left on the core at a change")
	}
	g := s.Card.Feeds[i]
	used := net - rest
	c := Cones{Turns: unit.Revolutions(used.Grams() / g.perEnd()), Steps: t.Steps}
	c.Length = unit.Metres(float64(c.Turns) * float64(g.CourseLength))
	c.Running = unit.Hours(float64(c.Turns) / float64(r.Speed) / 60)
	c.Clock = c.Running / unit.Hours(r.Efficiency)
	ends := float64(g.Feeders * max(g.Ends, 1))
	c.PerHour = ends / float64(c.Clock)
	c.Steps.Add(derive.Step{Result: "turns of a cone", Formula: "(net mass − rest) × 1000 / mass of an end per turn", Value: float64(c.Turns), Unit: "rev",
		Inputs: []derive.Input{
			{Name: "net mass", Value: float64(net), Unit: "kg", From: s.origin("net mass", derive.Given)},
			{Name: "rest", Value: float64(rest), Unit: "kg", From: s.origin("rest", derive.Given)},
			{Name: "mass of an end per turn", Value: float64(g.perEnd()), Unit: "g/rev", From: "course length, count and draft of the card"}}})
	c.Steps.Add(derive.Step{Result: "hours of a cone", Formula: "turns of a cone / (speed × 60 × efficiency)", Value: float64(c.Clock), Unit: "h",
		Inputs: append([]derive.Input{{Name: "turns of a cone", Value: float64(c.Turns), Unit: "rev", From: derive.FromAbove}}, r.inputs(s)...)})
	c.Steps.Add(derive.Step{Result: "cone changes per hour", Formula: "ends / hours of a cone", Value: c.PerHour, Unit: "1/h",
		Inputs: []derive.Input{{Name: "ends", Value: ends, Unit: "ends", From: derive.Card}, {Name: "hours of a cone", Value: float64(c.Clock), Unit: "h", From: derive.FromAbove}}})
	return c, nil
}

// Roll is what a roll of cloth takes.
type Roll struct {
	Turns  unit.Revolutions
	Clock  unit.Hours // of time available
	Length unit.Metres
	State  State // of Length; Unstated where no courses were counted
	Steps  derive.Derivation
}

// RollOf calculates the turns of a roll of the mass. With courses per cm counted in
// a state it tells the length too; the zero Density leaves it out.
func (s Setup) RollOf(mass unit.Kilograms, d Density, r Running) (Roll, error) {
	t, err := s.PerTurn()
	if err != nil {
		return Roll{}, err
	}
	if err := r.Validate(); err != nil {
		return Roll{}, err
	}
	if !within(float64(mass), 1e-6, maxKilos) {
		return Roll{}, bad(ErrQuantity, "roll", "mass in kg", float64(mass), fmt.Sprintf("above 0, at most %g", float64(maxKilos)), "enter the mass at which the roll is doffed")
	}
	o := Roll{Turns: unit.Revolutions(mass.Grams() / t.Mass), Steps: t.Steps}
	o.Clock = unit.Hours(float64(o.Turns) / r.turnsPerHour())
	o.Steps.Add(derive.Step{Result: "turns of a roll", Formula: "roll × 1000 / mass per turn", Value: float64(o.Turns), Unit: "rev",
		Inputs: []derive.Input{
			{Name: "roll", Value: float64(mass), Unit: "kg", From: s.origin("roll", derive.Given)},
			{Name: "mass per turn", Value: float64(t.Mass), Unit: "g/rev", From: derive.FromAbove}}})
	o.Steps.Add(derive.Step{Result: "hours of a roll", Formula: "turns of a roll / (speed × 60 × efficiency)", Value: float64(o.Clock), Unit: "h",
		Inputs: append([]derive.Input{{Name: "turns of a roll", Value: float64(o.Turns), Unit: "rev", From: derive.FromAbove}}, r.inputs(s)...)})
	if d == (Density{}) {
		return o, nil
	}
	perTurn, err := s.lengthPerTurn(t, d)
	if err != nil {
		return Roll{}, err
	}
	o.Length, o.State = unit.Metres(float64(o.Turns)*float64(perTurn)), d.State
	o.Steps.Add(derive.Step{Result: "length of a roll, " + d.State.String(), Formula: "turns of a roll × courses per turn / courses per cm / 100", Value: float64(o.Length), Unit: "m",
		Inputs: []derive.Input{
			{Name: "turns of a roll", Value: float64(o.Turns), Unit: "rev", From: derive.FromAbove},
			{Name: "courses per turn", Value: t.Courses, Unit: "courses/rev", From: derive.FromAbove},
			{Name: "courses per cm", Value: float64(d.Courses), Unit: "1/cm", From: s.origin("courses per cm", d.from())}}})
	return o, nil
}

// TurnsOfLength is the turns that a length of cloth takes, its courses counted in
// the same state as the length is measured.
func (s Setup) TurnsOfLength(length unit.Metres, d Density) (unit.Revolutions, error) {
	t, err := s.PerTurn()
	if err != nil {
		return 0, err
	}
	if !within(float64(length), 1e-3, 1e7) {
		return 0, bad(ErrQuantity, "roll", "length in m", float64(length), "0.001 to 10000000", "enter metres of cloth")
	}
	perTurn, err := s.lengthPerTurn(t, d)
	return unit.Revolutions(length / max(perTurn, 1e-9)), err
}
