package knit

import (
	"fmt"
	"math"
	"strings"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// State is the state in which cloth is measured. Courses, wales, width, length and
// mass per area mean nothing without it.
type State uint8

// States, in the order in which cloth passes through them.
const (
	Unstated     State = iota
	OnMachine          // on the needles or the roll, under take-down
	GreyRelaxed        // off the machine, lain dry: dry relaxed
	WetRelaxed         // wetted out and dried flat
	FullyRelaxed       // washed and tumbled until it shrinks no more
	Finished
)

func (s State) String() string {
	return [...]string{"state not told", "on machine", "grey relaxed", "wet relaxed", "fully relaxed", "finished"}[min(s, Finished)]
}

// ParseState reads a state's name; "dry relaxed" is "grey relaxed".
func ParseState(text string) (State, error) {
	t := strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r == ' ' || r == '-' || r == '_' }), " ")
	if t == "dry relaxed" {
		return GreyRelaxed, nil
	}
	for s := OnMachine; s <= Finished; s++ {
		if t == s.String() {
			return s, nil
		}
	}
	return Unstated, bad(ErrQuantity, "cloth", "state", fmt.Sprintf("%q", clip(text)), "on machine, grey relaxed, wet relaxed, fully relaxed or finished", "tell how the cloth lay when it was measured")
}

// Density is courses and wales per centimetre in a state; of double cloths those of
// one face. The zero value says that nothing was counted.
type Density struct {
	Courses, Wales unit.PerCm
	State          State
	Origin         string // where from; "" means counted
}

func (d Density) from() string {
	if d.Origin != "" {
		return d.Origin
	}
	return derive.Counted + ", " + d.State.String()
}

// Bounds of courses and wales per cm, beyond any cloth of a circular machine.
const minDensity, maxDensity = 0.5, 100

// Validate tells the first thing that makes the density unusable.
func (d Density) Validate() error {
	for _, v := range [...]struct {
		name string
		n    unit.PerCm
	}{{"courses per cm", d.Courses}, {"wales per cm", d.Wales}} {
		if !within(float64(v.n), minDensity, maxDensity) {
			return bad(ErrQuantity, "cloth", v.name, float64(v.n), fmt.Sprintf("%g to %g", minDensity, float64(maxDensity)), "count them over 5 cm and divide; per inch over 2.54 is per cm")
		}
	}
	if d.State == Unstated || d.State > Finished {
		return bad(ErrQuantity, "cloth", "state", d.State.String(), "on machine, grey relaxed, wet relaxed, fully relaxed or finished", "tell how the cloth lay when it was counted")
	}
	return nil
}

// Relaxation holds Munden's constants of plain cloth of wool or cotton in a state:
// courses per cm are Kc over stitch length in cm, wales Kw over it.
type Relaxation struct {
	State  State
	Kc, Kw float64
	Source string
}

// Ks is stitches per area times the square of stitch length.
func (r Relaxation) Ks() float64 { return r.Kc * r.Kw }

// Shape is courses over wales.
func (r Relaxation) Shape() float64 { return r.Kc / r.Kw }

// Relaxations lists the constants known. They shift with tightness, twist, elastane
// and finish by 10 % and more: a first guess for a new article, no more.
func Relaxations() []Relaxation {
	return []Relaxation{
		{GreyRelaxed, 5.0, 3.8, "usual textbook figures, from memory"},
		{WetRelaxed, 5.3, 4.1, "usual textbook figures, from memory"},
		{FullyRelaxed, 5.5, 4.2, "GATE Textile Engineering & Fibre Science examination 2015, question 54 (textiletriangle.com)"},
	}
}

// Density of plain cloth with a stitch length.
func (r Relaxation) Density(stitch unit.Millimetres) (Density, error) {
	if !within(float64(stitch), 0.5, 20) {
		return Density{}, bad(ErrQuantity, "cloth", "stitch length in mm", float64(stitch), "0.5 to 20", "measure it: yarn of a course over its needles")
	}
	cm := float64(stitch) / 10
	return Density{Courses: unit.PerCm(r.Kc / cm), Wales: unit.PerCm(r.Kw / cm), State: r.State, Origin: "Munden's constants, " + r.State.String() + " (" + r.Source + ")"}, nil
}

// Munden guesses courses and wales of plain cloth of wool or cotton in a state.
// On the machine and finished there is no constant: count them.
func Munden(state State, stitch unit.Millimetres) (Density, error) {
	for _, r := range Relaxations() {
		if r.State == state {
			return r.Density(stitch)
		}
	}
	return Density{}, bad(ErrQuantity, "cloth", "state", state.String(), "grey relaxed, wet relaxed or fully relaxed", "take-down and finishing set the others: count courses and wales")
}

// Relaxed guesses courses and wales as [Munden] does, but only of a program that
// is plain cloth.
func (s Setup) Relaxed(state State) (Density, error) {
	if err := s.Validate(); err != nil {
		return Density{}, err
	}
	if !s.Program.Plain() {
		return Density{}, badProgram("program", clip(s.Program.String()), "plain cloth, every cylinder needle knitting at every feed", "Munden's constants are of plain cloth: count courses and wales of this one")
	}
	if s.elastic() {
		return Density{}, bad(ErrCard, "knit card", "draft", "that of elastane", "cloth without elastane", "elastane draws the cloth together far beyond Munden's constants: count courses and wales")
	}
	return Munden(state, s.StitchLength(s.Card.Feeds[0].ID))
}

// Plain says that one bed knits with every needle at every feed that is not idle,
// whatever the yarns.
func (p Program) Plain() bool {
	for _, f := range p.Feeds {
		if f.Dial != "" || !f.Idle() && f.Cylinder.share("K") < 1 {
			return false
		}
	}
	return len(p.Feeds) > 0
}

// Fabric is the cloth in one state.
type Fabric struct {
	State         State
	PerTurn       unit.Metres // length of cloth
	PerHour       unit.Metres // of time available
	OpenWidth     unit.Metres
	TubularWidth  unit.Metres // lying flat, half the open width
	GSM           unit.GSM
	GramsPerMetre float64 // of length, over the whole width
	MetresPerKilo float64
	Steps         derive.Derivation
}

// Fabric calculates the cloth from courses and wales that were counted in one state;
// all of its figures are of that state. Mass is of the yarn as in the card, so at
// the moisture that its counts are stated at.
func (s Setup) Fabric(d Density, r Running) (Fabric, error) {
	t, err := s.PerTurn()
	if err != nil {
		return Fabric{}, err
	}
	if err := r.Validate(); err != nil {
		return Fabric{}, err
	}
	perTurn, err := s.lengthPerTurn(t, d)
	if err != nil {
		return Fabric{}, err
	}
	f := Fabric{State: d.State, PerTurn: perTurn, PerHour: perTurn * unit.Metres(r.turnsPerHour()), Steps: t.Steps}
	f.OpenWidth = unit.Metres(float64(s.inWork()) / float64(d.Wales) / 100)
	f.TubularWidth = f.OpenWidth / 2
	f.GramsPerMetre = float64(t.Mass) / float64(perTurn)
	f.GSM = unit.GSM(f.GramsPerMetre / float64(f.OpenWidth))
	f.MetresPerKilo = 1000 / f.GramsPerMetre

	state := ", " + d.State.String()
	mass := derive.Input{Name: "mass per turn", Value: float64(t.Mass), Unit: "g/rev", From: derive.FromAbove}
	courses := derive.Input{Name: "courses per turn", Value: t.Courses, Unit: "courses/rev", From: derive.FromAbove}
	perCm := derive.Input{Name: "courses per cm", Value: float64(d.Courses), Unit: "1/cm", From: s.origin("courses per cm", d.from())}
	length := derive.Input{Name: "length per turn", Value: float64(perTurn), Unit: "m/rev", From: derive.FromAbove}
	width := derive.Input{Name: "open width", Value: float64(f.OpenWidth), Unit: "m", From: derive.FromAbove}
	f.Steps.Add(derive.Step{Result: "length per turn" + state, Formula: "courses per turn / courses per cm / 100", Value: float64(perTurn), Unit: "m/rev", Inputs: []derive.Input{courses, perCm}})
	f.Steps.Add(derive.Step{Result: "length per hour" + state, Formula: "length per turn × speed × 60 × efficiency", Value: float64(f.PerHour), Unit: "m/h", Inputs: append([]derive.Input{length}, r.inputs(s)...)})
	f.Steps.Add(derive.Step{Result: "open width" + state, Formula: "needles in work / wales per cm / 100", Value: float64(f.OpenWidth), Unit: "m", Inputs: []derive.Input{
		{Name: "needles in work", Value: float64(s.inWork()), Unit: "needles", From: s.origin("needles in work", derive.Plate)},
		{Name: "wales per cm", Value: float64(d.Wales), Unit: "1/cm", From: s.origin("wales per cm", d.from())}}})
	f.Steps.Add(derive.Step{Result: "mass per area" + state, Formula: "mass per turn / (length per turn × open width)", Value: float64(f.GSM), Unit: "g/m2", Inputs: []derive.Input{mass, length, width}})
	return f, nil
}

// lengthPerTurn of cloth; its state is that of d.
func (s Setup) lengthPerTurn(t Turn, d Density) (unit.Metres, error) {
	if err := d.Validate(); err != nil {
		return 0, err
	}
	if t.Courses == 0 {
		return 0, badProgram("program", "not told", "the feeds of a repeat", `name the structure or write the repeat, "K"`)
	}
	return unit.Metres(t.Courses / float64(d.Courses) / 100), nil
}

// TightnessPerCm is the root of tex over the stitch length in centimetres, ten
// times [Tightness]; about 13 to 17 for plain cloth.
func TightnessPerCm(yarn unit.Tex, stitch unit.Millimetres) unit.Tightness {
	return unit.Tightness(10 * Tightness(yarn, stitch))
}

// TightnessOf is the tightness factor of a group's own yarn, all its ends; 0
// without a program.
func (s Setup) TightnessOf(group string) unit.Tightness {
	stitch := s.StitchLength(group)
	if stitch == 0 {
		return 0
	}
	for _, g := range s.Card.Feeds {
		if g.ID == group {
			return TightnessPerCm(g.Count*unit.Tex(max(g.Ends, 1)), stitch)
		}
	}
	return 0
}

// StitchLengthFor is the stitch length at which a yarn has a tightness; 0 where one
// of them is not positive.
func StitchLengthFor(yarn unit.Tex, tightness unit.Tightness) unit.Millimetres {
	if !(yarn > 0) || !(tightness > 0) || math.IsInf(float64(tightness), 1) {
		return 0
	}
	return unit.Millimetres(10 * math.Sqrt(float64(yarn)) / float64(tightness))
}
