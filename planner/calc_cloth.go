package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"turnwise/planner/knit"
	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// densityFlags say how the cloth was counted.
type densityFlags struct {
	Courses string `help:"Courses counted, with their unit." placeholder:"'18 /cm'"`
	Wales   string `help:"Wales counted, of double cloth on one face." placeholder:"'13 /cm'"`
	State   string `help:"State in which they were counted: on machine, grey relaxed, wet relaxed, fully relaxed or finished." placeholder:"'grey relaxed'"`
}

// density puts flags and card together; the zero value when nothing was counted.
func (f *densityFlags) density(j *job) (knit.Density, error) {
	d := knit.Density{Courses: unit.PerCm(j.card.CoursesPerCm), Wales: unit.PerCm(j.card.WalesPerCm)}
	state, where := j.card.StitchesState, j.before("stitches_state")
	j.origin("courses per cm", "courses_per_cm")
	j.origin("wales per cm", "wales_per_cm")
	var err error
	if f.Courses != "" {
		if d.Courses, err = unit.ParsePerCm(f.Courses); err != nil {
			return d, usage("--courses: %w", err)
		}
		j.setup.Origins["courses per cm"] = "--courses"
	}
	if f.Wales != "" {
		if d.Wales, err = unit.ParsePerCm(f.Wales); err != nil {
			return d, usage("--wales: %w", err)
		}
		j.setup.Origins["wales per cm"] = "--wales"
	}
	if f.State != "" {
		state, where = f.State, "--state: "
	}
	if state != "" {
		if d.State, err = knit.ParseState(state); err != nil {
			return d, usage("%s%w", where, err)
		}
	}
	if d == (knit.Density{}) {
		return d, nil
	}
	if err := d.Validate(); err != nil {
		return d, j.refuse(err)
	}
	return d, nil
}

type calcFabricCmd struct {
	setupFlags
	explainFlag
	densityFlags
}

// Help has examples.
func (*calcFabricCmd) Help() string {
	return `Every figure is of the state in which courses and wales were counted. Where nothing was counted, plain cloth is guessed
from its stitch length with Munden's constants, for the three states that have them; expect 10 % either way.

Examples:
  planner calc fabric --needles 2640 --feeds 96 --yarn "Ne 30/1" --loop 2.75mm
  planner calc fabric -f card.yaml --courses "19.5 /cm" --wales "14 /cm" --state finished --json`
}

func (c *calcFabricCmd) Run(s *session) error {
	j, err := c.resolve(s)
	if err != nil {
		return err
	}
	d, err := c.density(j)
	if err != nil {
		return err
	}
	var r reckoning
	j.about(&r)
	if len(j.setup.Program.Feeds) == 0 {
		return usage("the structure is missing, expected its name or repeat: cloth needs courses; give --structure, or structure in the card")
	}
	if d != (knit.Density{}) {
		if err := j.fabric(&r, &r, d); err != nil {
			return err
		}
	} else if err := j.relaxed(&r); err != nil {
		return err
	}
	j.tightness(&r)
	if err := j.doubt(&r); err != nil {
		return err
	}
	return s.reckoned(&r, c.Explain)
}

// fabric adds the cloth in one state to out, its steps to r.
func (j *job) fabric(r, out *reckoning, d knit.Density) error {
	running, still := j.running, j.running.Speed == 0
	if still {
		running.Speed = 1 // only the length of an hour rests on it, which is left out
	}
	f, err := j.setup.Fabric(d, running)
	if err != nil {
		return j.refuse(err)
	}
	out.fact("state", "state", f.State.String())
	out.figure("courses_per_cm", "courses", float64(d.Courses), "/cm")
	out.figure("wales_per_cm", "wales", float64(d.Wales), "/cm")
	out.figure("grams_per_square_metre", "mass per area", float64(f.GSM), "g/m2")
	out.figure("open_width_metres", "open width", float64(f.OpenWidth), "m")
	out.figure("millimetres_per_revolution", "length per turn", 1000*float64(f.PerTurn), "mm/rev")
	if !still {
		out.figure("metres_per_hour", "length per hour", float64(f.PerHour), "m/h")
	}
	for _, step := range f.Steps {
		if still && strings.HasPrefix(step.Result, "length per hour") {
			continue
		}
		r.follow(derive.Derivation{step})
	}
	j.area(r, out, f)
	return nil
}

// area adds other ways to say mass per area and width.
func (j *job) area(r, out *reckoning, f knit.Fabric) {
	ounce := float64(f.GSM) / f.GSM.OuncesPerSquareYard()
	gsm, width, length := above("mass per area", float64(f.GSM), "g/m2"), above("open width", float64(f.OpenWidth), "m"), above("mass per length", float64(f.GramsPerMetre), "g/m")
	r.reckon(out, "ounces_per_square_yard", "mass per area", f.GSM.OuncesPerSquareYard(), "oz/yd2", "mass per area / ounce per square yard", gsm,
		derive.Input{Name: "ounce per square yard", Value: ounce, Unit: "g/m2", From: derive.Exact})
	r.reckon(out, "tubular_width_metres", "tubular width", float64(f.TubularWidth), "m", "open width / 2", width)
	r.reckon(out, "grams_per_running_metre", "mass per length", float64(f.GramsPerMetre), "g/m", "mass per area × open width", gsm, width)
	r.reckon(out, "metres_per_kilo", "yield", float64(f.MetresPerKilo), "m/kg", "1000 / mass per length", length)
}

// relaxed guesses plain cloth in every state that has constants.
func (j *job) relaxed(r *reckoning) error {
	r.groupsKey = "states"
	for _, constants := range knit.Relaxations() {
		d, err := j.setup.Relaxed(constants.State)
		if err != nil {
			return &exitError{exitUsage, fmt.Errorf("%w: give --courses, --wales and --state", err)}
		}
		var g reckoning
		if err := j.fabric(r, &g, d); err != nil {
			return err
		}
		r.groups = append(r.groups, g)
		r.warnings = append(r.warnings, fmt.Sprintf("%s is guessed with Kc %g and Kw %g (%s), expected within 10 %% for plain cloth of wool or cotton; count courses and wales", constants.State, constants.Kc, constants.Kw, constants.Source))
	}
	return nil
}

// tightness adds stitch length and tightness of the yarns that have one of their
// own: no inlay, which lies between the loops, and no drafted elastane.
func (j *job) tightness(r *reckoning) {
	for i, g := range j.setup.Card.Feeds {
		k, stitch := float64(j.setup.TightnessOf(g.ID)), float64(j.setup.StitchLength(g.ID))
		if k == 0 || g.Draft > 1 || j.inlaid(g.ID) {
			continue
		}
		out, prefix := r, ""
		if len(j.setup.Card.Feeds) > 1 && r.groupsKey == "groups" && i < len(r.groups) {
			out = &r.groups[i]
		} else if len(j.setup.Card.Feeds) > 1 {
			prefix = g.ID + " "
		}
		key := strings.NewReplacer(" ", "_", "-", "_").Replace(prefix)
		if out == r && math.IsNaN(r.value(key+"stitch_length_mm")) {
			length := j.lengthInput(i)
			needles := derive.Input{Name: "needles at a feed", Value: float64(g.CourseLength) * 1000 / stitch, Unit: "needles", From: "plate and feed program"}
			r.reckon(out, key+"stitch_length_mm", prefix+"stitch length", stitch, "mm", length.Name+" × 1000 / needles at a feed", length, needles)
		}
		tex := above("tex", float64(g.Count)*float64(max(g.Ends, 1)), "tex")
		r.reckon(out, key+"tightness_root_tex_per_cm", prefix+"tightness", k, "tex^0.5/cm", "10 × √tex / stitch length", tex, above("stitch length", stitch, "mm"))
		r.reckon(out, key+"tightness_root_tex_per_mm", prefix+"tightness", k/10, "tex^0.5/mm", "√tex / stitch length", tex, above("stitch length", stitch, "mm"))
	}
}

// inlaid says that a feed of the group is knitted by no needle.
func (j *job) inlaid(group string) bool {
	return slices.ContainsFunc(j.setup.Program.Feeds, func(f knit.Feed) bool { return f.Inlay() && slices.Contains(f.Groups, group) })
}

type calcNeedlesCmd struct {
	explainFlag
	Diameter string `required:"" help:"Cylinder, with its unit." placeholder:"30in"`
	Gauge    string `required:"" help:"Needles per inch." placeholder:"24"`
	Needles  string `help:"Needles that the plate tells; tells whether to doubt them." placeholder:"2260"`
	Multiple string `help:"Repeat of the cylinder: the nearest whole number of it is told." placeholder:"12"`
}

// Help has examples.
func (*calcNeedlesCmd) Help() string {
	return `Needles are read from the plate; pi × diameter × gauge only serves to doubt them: over 1 % ask again, over 5 % refuse.

Examples:
  planner calc needles --diameter 30in --gauge 24
  planner calc needles --diameter 762mm --gauge E28 --needles 2640 --json`
}

func (c *calcNeedlesCmd) Run(s *session) error {
	d, err := unit.ParseDiameter(c.Diameter)
	if err != nil {
		return usage("--diameter: %w", err)
	}
	gauge, err := bare(unit.ParseGauge, "npi")(c.Gauge)
	if err != nil {
		return usage("--gauge: %w", err)
	}
	estimate := knit.EstimateNeedles(d, gauge)
	inputs := []derive.Input{{Name: "diameter", Value: float64(d), Unit: "in", From: "--diameter"}, {Name: "gauge", Value: gauge, Unit: "needles/in", From: "--gauge"}}
	var r reckoning
	r.derivation.Add(derive.Step{Result: "needles, estimated", Formula: "π × diameter × gauge", Value: estimate, Unit: "needles", Inputs: inputs})
	r.figure("needles_estimated", "needles, estimated", estimate, "needles")
	if c.Multiple != "" {
		n, err := readWhole(c.Multiple)
		if err != nil {
			return usage("--multiple: %w", err)
		}
		r.reckon(&r, "needles_nearest_multiple", "nearest multiple of "+c.Multiple, n*math.Round(estimate/n), "needles", "repeat × whole number nearest to (estimate / repeat)",
			above("estimate", estimate, "needles"), derive.Input{Name: "repeat", Value: n, Unit: "needles", From: "--multiple"})
	}
	pitch := knit.NeedlePitch(gauge)
	r.derivation.Add(derive.Step{Result: "needle pitch", Formula: "25.4 / gauge", Value: float64(pitch), Unit: "mm", Inputs: inputs[1:]})
	r.figure("needle_pitch_mm", "needle pitch", float64(pitch), "mm")
	if c.Needles == "" {
		return s.reckoned(&r, c.Explain)
	}
	n, err := readWhole(c.Needles)
	if err != nil {
		return usage("--needles: %w", err)
	}
	off := 100 * (n/estimate - 1)
	r.derivation.Add(derive.Step{Result: "off the estimate", Formula: "(needles / estimate − 1) × 100", Value: off, Unit: "%",
		Inputs: []derive.Input{{Name: "needles", Value: n, Unit: "needles", From: "--needles"}, {Name: "estimate", Value: estimate, Unit: "needles", From: derive.FromAbove}}})
	r.figure("needles", "needles of the plate", n, "needles")
	r.figure("off_estimate_percent", "off the estimate", off, "%")
	says := fmt.Sprintf("%s needles are %.2f %% off %.0f", strconv.Itoa(int(n)), math.Abs(off), estimate)
	switch knit.DoubtNeedles(int(n), d, gauge) {
	case knit.Absurd:
		r.fact("verdict", "verdict", "absurd")
		if err := s.reckoned(&r, c.Explain); err != nil {
			return err
		}
		return &exitError{exitRefused, fmt.Errorf("%s, expected within 5 %%; read needles, diameter and gauge from the plate again", says)}
	case knit.Unusual:
		r.fact("verdict", "verdict", "unusual")
		r.warnings = append(r.warnings, says+", expected within 1 %; read needles, diameter and gauge from the plate again")
	default:
		r.fact("verdict", "verdict", "plausible")
	}
	return s.reckoned(&r, c.Explain)
}
