package knit

import (
	"fmt"
	"slices"
	"strings"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// Turn is what one turn of the cylinder makes.
type Turn struct {
	Mass  unit.Grams
	Yarns []Draw // in the order of the card
	// Courses, Stitches (loops cast off), Tucks and PerNeedle (loops that the busiest
	// needle takes, knits and tucks, plated yarns as one) are 0 without a program.
	Courses, Stitches, Tucks, PerNeedle float64
	Steps                               derive.Derivation
}

// Draw is what one feed group takes in a turn.
type Draw struct {
	Group   string
	Feeders int
	Length  unit.Metres // as it lies in the loops, all feeders and ends
	Mass    unit.Grams
	Share   float64 // of the mass of the turn
	// Stitch is the mean yarn per needle that takes it (at an inlay: per needle in
	// work); 0 without a program.
	Stitch unit.Millimetres
}

// PerTurn calculates what one turn makes.
func (s Setup) PerTurn() (Turn, error) {
	if err := s.Validate(); err != nil {
		return Turn{}, err
	}
	t := Turn{Steps: slices.Clone(s.Prior)}
	for _, g := range s.Card.Feeds {
		d := Draw{Group: g.ID, Feeders: g.Feeders, Mass: g.perEnd() * unit.Grams(g.Feeders*max(g.Ends, 1)),
			Length: g.CourseLength * unit.Metres(g.Feeders*max(g.Ends, 1))}
		if len(s.Program.Feeds) > 0 {
			needles, _, _ := s.needlesOf(s.groupID(g))
			d.Stitch = (g.CourseLength / unit.Metres(needles)).Millimetres()
		}
		t.Mass += d.Mass
		t.Yarns = append(t.Yarns, d)
		t.Steps.Add(s.massStep(g, d.Mass))
	}
	for i := range t.Yarns {
		t.Yarns[i].Share = float64(t.Yarns[i].Mass / t.Mass)
	}
	t.addTotal()
	if len(s.Program.Feeds) > 0 {
		s.addLoops(&t)
	}
	return t, nil
}

// massStep derives the mass of one group.
func (s Setup) massStep(g FeedGroup, mass unit.Grams) derive.Step {
	step := derive.Step{Result: of("mass per turn", g.ID), Value: float64(mass), Unit: "g/rev"}
	var factors []string
	put := func(name string, v float64, u string) string {
		name = of(name, g.ID)
		step.Inputs = append(step.Inputs, derive.Input{Name: name, Value: v, Unit: u, From: s.origin(name, derive.Card)})
		return name
	}
	factors = append(factors, put("course length", float64(g.CourseLength), "m/rev"), put("count", float64(g.Count), "tex"), put("feeders", float64(g.Feeders), ""))
	if g.Ends > 1 {
		factors = append(factors, put("ends", float64(g.Ends), "ends"))
	}
	step.Formula = strings.Join(factors, " × ")
	if g.Draft > 1 {
		step.Formula += " / " + put("draft", g.Draft, "")
	}
	step.Formula += " / 1000"
	return step
}

// addTotal derives the sum and the shares of several yarns.
func (t *Turn) addTotal() {
	if len(t.Yarns) == 1 && t.Yarns[0].Group == "" {
		return // the group's step has given it already
	}
	total := derive.Step{Result: "mass per turn", Value: float64(t.Mass), Unit: "g/rev"}
	var terms []string
	for _, d := range t.Yarns {
		name := of("mass per turn", d.Group)
		terms = append(terms, name)
		total.Inputs = append(total.Inputs, derive.Input{Name: name, Value: float64(d.Mass), Unit: "g/rev", From: derive.FromAbove})
	}
	total.Formula = strings.Join(terms, " + ")
	t.Steps.Add(total)
	if len(t.Yarns) == 1 {
		return
	}
	for _, d := range t.Yarns {
		name := of("mass per turn", d.Group)
		t.Steps.Add(derive.Step{
			Result: of("share", d.Group), Formula: name + " / mass per turn × 100", Value: 100 * d.Share, Unit: "%",
			Inputs: []derive.Input{
				{Name: name, Value: float64(d.Mass), Unit: "g/rev", From: derive.FromAbove},
				{Name: "mass per turn", Value: float64(t.Mass), Unit: "g/rev", From: derive.FromAbove},
			},
		})
	}
}

// addLoops derives courses and loops from the program.
func (s Setup) addLoops(t *Turn) {
	p, repeats := s.Program, s.repeats()
	feeds := derive.Input{Name: "feeds in action", Value: float64(s.feeds()), Unit: "feeds", From: s.origin("feeds in action", derive.Plate)}
	repeat := derive.Input{Name: "feeds of the repeat", Value: float64(len(p.Feeds)), Unit: "feeds", From: "feed program " + clip(p.String())}
	courses := derive.Input{Name: "courses of the repeat", Value: p.CoursesPerRepeat(), Unit: "courses", From: "feed program: loops that the busiest needle casts off"}
	if p.Courses > 0 {
		courses.From = "feed program, as stated"
	}
	t.Courses = repeats * p.CoursesPerRepeat()
	t.Steps.Add(derive.Step{Result: "courses per turn", Formula: "feeds in action / feeds of the repeat × courses of the repeat", Value: t.Courses, Unit: "courses/rev", Inputs: []derive.Input{feeds, repeat, courses}})

	var knit, tuck [2]float64 // cylinder, dial: loops of a mean needle in a repeat
	for _, f := range p.Feeds {
		for bed, b := range [...]Bed{f.Cylinder, f.Dial} {
			knit[bed] += b.share("K")
			tuck[bed] += b.share("T")
		}
	}
	cylinder, dial := float64(s.inWork()), float64(s.dialInWork())
	t.Stitches = repeats * (knit[0]*cylinder + knit[1]*dial)
	t.Tucks = repeats * (tuck[0]*cylinder + tuck[1]*dial)
	step := derive.Step{
		Result: "stitches per turn", Value: t.Stitches, Unit: "stitches/rev",
		Formula: "feeds in action / feeds of the repeat × needles in work × knits of a needle in the repeat",
		Inputs: []derive.Input{feeds, repeat,
			{Name: "needles in work", Value: cylinder, Unit: "needles", From: s.origin("needles in work", derive.Plate)},
			{Name: "knits of a needle in the repeat", Value: knit[0], Unit: "stitches", From: "feed program, mean of the cylinder"}},
	}
	if p.DoubleBed() {
		step.Formula = "feeds in action / feeds of the repeat × (needles in work × knits of a needle in the repeat + dial needles in work × knits of a dial needle in the repeat)"
		step.Inputs = append(step.Inputs,
			derive.Input{Name: "dial needles in work", Value: dial, Unit: "needles", From: s.origin("dial needles in work", derive.Plate)},
			derive.Input{Name: "knits of a dial needle in the repeat", Value: knit[1], Unit: "stitches", From: "feed program, mean of the dial"})
	}
	t.Steps.Add(step)
	t.PerNeedle = repeats * float64(p.taken())
	t.Steps.Add(derive.Step{
		Result: "loops per needle and turn", Formula: "feeds in action / feeds of the repeat × loops of the busiest needle", Value: t.PerNeedle, Unit: "loops/needle/rev",
		Inputs: []derive.Input{feeds, repeat, {Name: "loops of the busiest needle", Value: float64(p.taken()), Unit: "loops", From: "feed program: knits and tucks"}},
	})
}

// taken is how often the busiest needle takes yarn in a repeat.
func (p Program) taken() int {
	most := 0
	for i := range p.Width() {
		cylinder, dial := 0, 0
		for _, f := range p.Feeds {
			if f.Cylinder.At(i) != 'M' {
				cylinder++
			}
			if f.Dial.At(i) != 'M' {
				dial++
			}
		}
		most = max(most, cylinder, dial)
	}
	return most
}

// Running is how the machine turns.
type Running struct {
	Speed unit.RPM
	// Efficiency is running time over time available, above 0 to 1; 1 gives the
	// theoretical rate.
	Efficiency float64
}

const maxSpeed = 500 // turns a minute; nothing of more than a sock's diameter comes near

// Validate tells the first thing that makes the running unusable.
func (r Running) Validate() error {
	switch {
	case !(r.Speed > 0 && r.Speed <= maxSpeed):
		return bad(ErrQuantity, "running", "speed", float64(r.Speed), fmt.Sprintf("turns per minute above 0, at most %d", maxSpeed), "enter the cylinder's turns per minute")
	case !(r.Efficiency > 0 && r.Efficiency <= 1):
		return bad(ErrQuantity, "running", "efficiency", r.Efficiency, "above 0, at most 1", "enter running time over time available, 0.85 for 85 %; 1 gives the theoretical rate")
	}
	return nil
}

// turnsPerHour of time available.
func (r Running) turnsPerHour() float64 { return float64(r.Speed) * 60 * r.Efficiency }

func (r Running) inputs(s Setup) []derive.Input {
	return []derive.Input{
		{Name: "speed", Value: float64(r.Speed), Unit: "rev/min", From: s.origin("speed", derive.Card)},
		{Name: "efficiency", Value: r.Efficiency, From: s.origin("efficiency", derive.Given)},
	}
}

// Hour is what an hour of time available makes.
type Hour struct {
	Kilos       unit.Kilograms // efficiency included
	Theoretical unit.Kilograms // at efficiency 1
	Yarn        unit.Metres    // of all feeds, as it lies in the loops
	Courses     float64        // 0 without a program
	Yarns       []HourDraw     // in the order of the card
	// Surface is the speed of the cylinder's circumference in metres per second; 0
	// without a diameter.
	Surface float64
	Steps   derive.Derivation
}

// HourDraw is what one feed group takes in an hour of time available.
type HourDraw struct {
	Group string
	Kilos unit.Kilograms
	Yarn  unit.Metres // all feeders and ends
	// Run is the speed of one end into the feed in metres per minute of turning.
	Run float64
}

// PerHour calculates what an hour makes; Steps begin with those of the turn.
func (s Setup) PerHour(r Running) (Hour, error) {
	t, err := s.PerTurn()
	if err != nil {
		return Hour{}, err
	}
	if err := r.Validate(); err != nil {
		return Hour{}, err
	}
	turns := r.turnsPerHour()
	h := Hour{
		Kilos:       t.Mass.Kilograms() * unit.Kilograms(turns),
		Theoretical: t.Mass.Kilograms() * unit.Kilograms(float64(r.Speed)*60),
		Courses:     t.Courses * turns,
		Surface:     SurfaceSpeed(s.Machine.Diameter, r.Speed),
		Steps:       t.Steps,
	}
	lengths := 0.0
	for i, d := range t.Yarns {
		h.Yarns = append(h.Yarns, HourDraw{Group: d.Group, Kilos: d.Mass.Kilograms() * unit.Kilograms(turns),
			Yarn: d.Length * unit.Metres(turns), Run: float64(s.Card.Feeds[i].CourseLength) * float64(r.Speed)})
		lengths += float64(d.Length)
	}
	h.Yarn = unit.Metres(lengths * turns)
	mass := derive.Input{Name: "mass per turn", Value: float64(t.Mass), Unit: "g/rev", From: derive.FromAbove}
	h.Steps.Add(derive.Step{Result: "kilos per hour", Formula: "mass per turn × speed × 60 × efficiency / 1000", Value: float64(h.Kilos), Unit: "kg/h", Inputs: append([]derive.Input{mass}, r.inputs(s)...)})
	length := derive.Input{Name: "yarn per turn", Value: lengths, Unit: "m/rev", From: "course lengths × feeders × ends of the card"}
	h.Steps.Add(derive.Step{Result: "yarn per hour", Formula: "yarn per turn × speed × 60 × efficiency", Value: float64(h.Yarn), Unit: "m/h", Inputs: append([]derive.Input{length}, r.inputs(s)...)})
	return h, nil
}
