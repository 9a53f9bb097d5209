package main

import (
	"cmp"
	"fmt"
	"strings"

	"turnwise/planner/knit"
	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

type calcKilosCmd struct {
	setupFlags
	explainFlag
	Order string `help:"Kilos of cloth to knit; tells turns, hours and yarn." placeholder:"6000kg"`
	Waste string `help:"Share of the yarn that does not become cloth." placeholder:"2%"`
}

// Help has examples.
func (*calcKilosCmd) Help() string {
	return `Kilos come from course length and count of every feed; diameter and gauge only serve to doubt the needles.

Examples:
  planner calc kilos --diameter 30in --gauge 24 --needles 2260 --feeds 90 --rpm 26 --yarn "Ne 24/1" --loop 4mm --efficiency 0.85 --json
  planner calc kilos --feeds 90 --rpm 28 --yarn "Ne 30/1" --course 7.26m --explain
  planner calc kilos -f card.yaml --order 6000kg --waste 2%`
}

func (c *calcKilosCmd) Run(s *session) error {
	j, err := c.resolve(s)
	if err != nil {
		return err
	}
	var r reckoning
	if err := j.kilos(&r); err != nil {
		return err
	}
	if c.Order != "" {
		if err := j.order(&r, c.Order, c.Waste); err != nil {
			return err
		}
	} else if c.Waste != "" {
		return usage("--waste: found without --order, expected both; waste is of the yarn of an order")
	}
	return s.reckoned(&r, c.Explain)
}

// kilos puts what a turn and an hour make into the result.
func (j *job) kilos(r *reckoning) error {
	turn, err := j.setup.PerTurn()
	if err != nil {
		return j.refuse(err)
	}
	j.about(r)
	r.derivation = turn.Steps
	var hour knit.Hour
	if j.running.Speed != 0 {
		if hour, err = j.setup.PerHour(j.running); err != nil {
			return j.refuse(err)
		}
		r.derivation = hour.Steps
		j.rates(r, turn, hour)
	}
	r.figure("grams_per_revolution", "mass per turn", float64(turn.Mass), "g/rev")
	r.figure("kilos_per_revolution", "", float64(turn.Mass.Kilograms()), "kg/rev")
	r.reckon(r, "revolutions_per_kilo", "turns per kilo", 1000/float64(turn.Mass), "rev/kg", "1000 / mass per turn", above("mass per turn", float64(turn.Mass), "g/rev"))
	if turn.Courses > 0 {
		r.figure("courses_per_revolution", "courses per turn", turn.Courses, "courses/rev")
		r.figure("stitches_per_revolution", "stitches per turn", turn.Stitches, "stitches/rev")
		repeats := float64(j.feeds()) / float64(len(j.setup.Program.Feeds))
		r.reckon(r, "tucks_per_revolution", "tucks per turn", turn.Tucks, "tucks/rev", "repeats round the machine × tucks of a repeat",
			derive.Input{Name: "repeats round the machine", Value: repeats, From: "feeds in action over feeds of the repeat"},
			derive.Input{Name: "tucks of a repeat", Value: turn.Tucks / repeats, Unit: "tucks", From: "feed program and needles in work"})
		r.figure("loops_per_needle_per_revolution", "loops per needle and turn", turn.PerNeedle, "loops/rev")
		r.figure("needles", "needles in work", float64(j.inWork()), "needles")
	}
	r.figure("feeds", "feeds in action", float64(j.feeds()), "feeds")
	if len(turn.Yarns) == 1 { // one yarn is told without a list, too
		r.figure("tex", "", float64(j.setup.Card.Feeds[0].Count), "tex")
		r.figure("course_length_metres", "", float64(j.setup.Card.Feeds[0].CourseLength), "m/rev")
		if turn.Yarns[0].Stitch > 0 {
			r.figure("stitch_length_mm", "", float64(turn.Yarns[0].Stitch), "mm")
		}
	}
	r.groupsKey = "groups"
	for i := range turn.Yarns {
		g := j.group(i)
		j.draw(r, &g, i, turn, hour)
		r.groups = append(r.groups, g)
	}
	return j.doubt(r)
}

// rates are what an hour makes.
func (j *job) rates(r *reckoning, turn knit.Turn, hour knit.Hour) {
	speed := derive.Input{Name: "speed", Value: float64(j.running.Speed), Unit: "rev/min", From: j.setup.Origins["speed"]}
	share := derive.Input{Name: "efficiency", Value: j.running.Efficiency, From: j.setup.Origins["efficiency"]}
	mass := above("mass per turn", float64(turn.Mass), "g/rev")
	r.figure("kilos_per_hour", "kilos per hour", float64(hour.Kilos), "kg/h")
	r.reckon(r, "kilos_per_hour_theoretical", "kilos per hour, theoretical", float64(hour.Theoretical), "kg/h", "mass per turn × speed × 60 / 1000", mass, speed)
	r.reckon(r, "kilos_per_24_hours", "kilos in 24 hours", 24*float64(hour.Kilos), "kg", "kilos per hour × 24", above("kilos per hour", float64(hour.Kilos), "kg/h"))
	r.figure("efficiency_ratio", "efficiency", j.running.Efficiency, "")
	r.figure("speed_rpm", "speed", float64(j.running.Speed), "rev/min")
	r.figure("yarn_metres_per_hour", "yarn per hour", float64(hour.Yarn), "m/h")
	if turn.Courses > 0 {
		r.reckon(r, "courses_per_hour", "courses per hour", hour.Courses, "courses/h", "courses per turn × speed × 60 × efficiency", above("courses per turn", turn.Courses, "courses/rev"), speed, share)
	}
	d := j.setup.Machine.Diameter
	if d == 0 {
		return
	}
	diameter := derive.Input{Name: "diameter", Value: float64(d), Unit: "in", From: j.places["diameter_inch"]}
	r.reckon(r, "diameter_speed_inch_rpm", "diameter × speed", knit.DiameterSpeed(d, j.running.Speed), "in·rev/min", "diameter × speed", diameter, speed)
	r.reckon(r, "surface_metres_per_second", "surface speed", hour.Surface, "m/s", "π × diameter × 0.0254 × speed / 60", diameter, speed)
}

// draw is what one feed group takes.
func (j *job) draw(r, g *reckoning, i int, turn knit.Turn, hour knit.Hour) {
	d, feed := turn.Yarns[i], j.setup.Card.Feeds[i]
	g.figure("feeders", "feeders", float64(d.Feeders), "")
	g.figure("ends_per_feeder", "ends per feeder", float64(max(feed.Ends, 1)), "")
	g.figure("tex", "linear density", float64(feed.Count), "tex")
	g.figure("course_length_metres", "course length", float64(feed.CourseLength), "m/rev")
	if d.Stitch > 0 {
		length := j.lengthInput(i)
		needles := derive.Input{Name: "needles at a feed", Value: float64(feed.CourseLength) * 1000 / float64(d.Stitch), Unit: "needles", From: "plate and feed program"}
		r.reckon(g, "stitch_length_mm", "stitch length", float64(d.Stitch), "mm", length.Name+" × 1000 / needles at a feed", length, needles)
	}
	g.figure("grams_per_revolution", "mass per turn", float64(d.Mass), "g/rev")
	g.figure("share_percent", "share", 100*d.Share, "%")
	if j.running.Speed == 0 {
		return
	}
	h := hour.Yarns[i]
	speed := derive.Input{Name: "speed", Value: float64(j.running.Speed), Unit: "rev/min", From: j.setup.Origins["speed"]}
	share := above("share", d.Share, "")
	if len(turn.Yarns) == 1 {
		share.From = "the only yarn"
	}
	r.reckon(g, "yarn_kilos_per_hour", "yarn per hour", float64(h.Kilos), "kg/h", "kilos per hour × share", above("kilos per hour", float64(hour.Kilos), "kg/h"), share)
	length := j.lengthInput(i)
	r.reckon(g, "yarn_metres_per_hour", "yarn per hour", float64(h.Yarn), "m/h", length.Name+" × feeders × ends × speed × 60 × efficiency", length,
		derive.Input{Name: "feeders", Value: float64(d.Feeders), From: derive.FromAbove}, derive.Input{Name: "ends", Value: float64(max(feed.Ends, 1)), From: derive.Card},
		speed, derive.Input{Name: "efficiency", Value: j.running.Efficiency, From: j.setup.Origins["efficiency"]})
	r.reckon(g, "yarn_speed_metres_per_minute", "yarn speed", h.Run, "m/min", length.Name+" × speed", length, speed)
}

// lengthInput is the course length of a group as an input.
func (j *job) lengthInput(i int) derive.Input {
	feed := j.setup.Card.Feeds[i]
	name := "course length"
	if feed.ID != "" {
		name += " of " + feed.ID
	}
	from := j.places[fmt.Sprintf("feeds[%d].course_length_m", i)]
	if from == "" || len(j.card.Feeds) != len(j.setup.Card.Feeds) {
		from = derive.FromAbove
	}
	return derive.Input{Name: name, Value: float64(feed.CourseLength), Unit: "m/rev", From: from}
}

// about tells what is calculated.
func (j *job) about(r *reckoning) {
	if j.card.ID != "" {
		r.fact("card", "knit card", j.card.ID)
	}
	if j.card.Structure != "" {
		r.fact("structure", "structure", j.card.Structure)
	}
	if p := j.setup.Program; len(p.Feeds) > 0 {
		r.fact("repeat", "repeat", p.String())
	}
}

func (j *job) inWork() int {
	if j.card.InWork > 0 {
		return j.card.InWork
	}
	return j.setup.Machine.Needles
}

func (j *job) feeds() int {
	if j.card.InAction > 0 {
		return j.card.InAction
	}
	return j.card.Feeders
}

// group begins the line of a feed group.
func (j *job) group(i int) reckoning {
	var g reckoning
	id := j.setup.Card.Feeds[i].ID
	if id == "" {
		id = "yarn"
	}
	g.fact("group", "group", id)
	g.fact("yarn", "yarn", j.yarns[i])
	return g
}

// doubt adds what a technologist would ask about; nothing is corrected.
func (j *job) doubt(r *reckoning) error {
	var running knit.Running
	if j.running.Speed != 0 {
		running = j.running
	}
	findings, err := j.setup.Doubts(running)
	if err != nil {
		return j.refuse(err)
	}
	r.warnings = append(r.warnings, j.doubts...)
	for _, f := range findings {
		r.warnings = append(r.warnings, f.String())
	}
	return nil
}

// order adds what a mass of cloth takes.
func (j *job) order(r *reckoning, order, waste string) error {
	if err := j.needSpeed(); err != nil {
		return err
	}
	mass, err := unit.ParseMass(order)
	if err != nil {
		return usage("--order: %w", err)
	}
	share := unit.Share(j.card.WasteRatio)
	j.origin("waste", "waste_ratio")
	if waste != "" {
		if share, err = unit.ParseShare(waste); err != nil {
			return usage("--waste: %w", err)
		}
		j.setup.Origins["waste"] = "--waste"
	}
	j.setup.Origins["kilos ordered"] = "--order"
	o, err := j.setup.ForOrder(mass.Kilograms(), float64(share), j.running)
	if err != nil {
		return j.refuse(err)
	}
	r.figure("order_kilos", "order", float64(mass.Kilograms()), "kg")
	r.figure("order_revolutions", "turns of the order", float64(o.Turns), "rev")
	r.figure("order_hours", "hours of the order", float64(o.Hours), "h")
	r.figure("order_waste_ratio", "waste", float64(share), "")
	r.follow(o.Steps)
	total := 0.0
	for i, n := range o.Yarns {
		r.groups[i].figure("order_yarn_kilos", "yarn of the order", float64(n.Bought), "kg")
		total += float64(n.Bought)
	}
	r.reckon(r, "order_yarn_kilos", "yarn of the order, waste included", total, "kg", "kilos ordered / (1 − waste)",
		derive.Input{Name: "kilos ordered", Value: float64(mass.Kilograms()), Unit: "kg", From: "--order"}, derive.Input{Name: "waste", Value: float64(share), From: cmp.Or(j.setup.Origins["waste"], derive.Assumed+": none")})
	return nil
}

type calcConeCmd struct {
	setupFlags
	explainFlag
	Cone string `help:"Net mass of a full cone; none = cone_net_kg of the card." placeholder:"1.89kg"`
	Rest string `help:"What is left on the core at a change; none = nothing, as with a tail-tied creel." placeholder:"30g"`
}

// Help has examples.
func (*calcConeCmd) Help() string {
	return `Examples:
  planner calc cone --feeds 90 --rpm 28 --efficiency 0.88 --yarn "Ne 30/1" --course 7.26m --cone 1.89kg
  planner calc cone -f card.yaml --rest 30g --json`
}

func (c *calcConeCmd) Run(s *session) error {
	j, err := c.resolve(s)
	if err != nil {
		return err
	}
	if err := j.needSpeed(); err != nil {
		return err
	}
	var r reckoning
	j.about(&r)
	r.groupsKey = "groups"
	for i := range j.setup.Card.Feeds {
		r.groups = append(r.groups, j.group(i))
	}
	if err := j.cones(&r, c.Cone, c.Rest); err != nil {
		return err
	}
	if len(r.groups) == 1 { // one yarn is told without a list, too
		for _, f := range r.groups[0].figures {
			r.figure(f.key, "", f.value, f.unit)
		}
	}
	if err := j.doubt(&r); err != nil {
		return err
	}
	return s.reckoned(&r, c.Explain)
}

// cones adds the life of every group's cones, and the changes of them all.
func (j *job) cones(r *reckoning, cone, rest string) error {
	var left unit.Grams
	if rest != "" {
		var err error
		if left, err = unit.ParseMass(rest); err != nil {
			return usage("--rest: %w", err)
		}
	}
	j.setup.Origins["rest"] = "--rest"
	if rest == "" {
		j.setup.Origins["rest"] = "nothing was given: the cone runs empty"
	}
	perHour := 0.0
	var each []derive.Input
	var terms []string
	for i, g := range j.setup.Card.Feeds {
		net, from, err := j.coneMass(i, cone)
		if err != nil {
			return err
		}
		j.setup.Origins["net mass"] = from
		k, err := j.setup.ConesOf(g.ID, net, left.Kilograms(), j.running)
		if err != nil {
			return j.refuse(err)
		}
		out := &r.groups[i]
		out.figure("cone_net_kilos", "cone, net", float64(net), "kg")
		out.figure("revolutions_per_cone", "turns of a cone", float64(k.Turns), "rev")
		out.figure("hours_per_cone", "cone lasts", float64(k.Clock), "h")
		out.figure("cone_changes_per_hour", "cone changes per hour", k.PerHour, "1/h")
		perHour += k.PerHour
		name := "changes of " + cmp.Or(g.ID, "the yarn")
		each, terms = append(each, above(name, k.PerHour, "1/h")), append(terms, name)
		for _, step := range k.Steps {
			if len(r.groups) > 1 && strings.Contains(step.Result, "cone") {
				step.Result += " of " + g.ID
			}
			r.follow(derive.Derivation{step})
		}
		turns, length := above("turns of a cone", float64(k.Turns), "rev"), j.lengthInput(i)
		r.reckon(out, "metres_per_cone", "length of a cone", float64(k.Length), "m", "turns of a cone × "+length.Name, turns, length)
		r.reckon(out, "running_hours_per_cone", "cone lasts, turning", float64(k.Running), "h", "turns of a cone / speed / 60", turns,
			derive.Input{Name: "speed", Value: float64(j.running.Speed), Unit: "rev/min", From: j.setup.Origins["speed"]})
		r.reckon(out, "minutes_between_cone_changes", "a cone change every", 60/k.PerHour, "min", "60 / cone changes per hour", above("cone changes per hour", k.PerHour, "1/h"))
	}
	if len(r.groups) > 1 || len(r.figures) > 0 {
		r.reckon(r, "cone_changes_per_hour", "cone changes per hour, all yarns", perHour, "1/h", strings.Join(terms, " + "), each...)
		r.reckon(r, "minutes_between_cone_changes", "a cone change every", 60/perHour, "min", "60 / cone changes per hour", above("cone changes per hour", perHour, "1/h"))
	}
	return nil
}

func (j *job) coneMass(i int, cone string) (unit.Kilograms, string, error) {
	if cone != "" {
		m, err := unit.ParseMass(cone)
		if err != nil {
			return 0, "", usage("--cone: %w", err)
		}
		return m.Kilograms(), "--cone", nil
	}
	if i < len(j.card.Feeds) && len(j.card.Feeds) == len(j.setup.Card.Feeds) && j.card.Feeds[i].ConeNetKg != 0 {
		return unit.Kilograms(j.card.Feeds[i].ConeNetKg), j.places[fmt.Sprintf("feeds[%d].cone_net_kg", i)], nil
	}
	return 0, "", usage("the cone's mass is missing, expected its net mass; give --cone 1.89kg, or cone_net_kg in every feed group of the card")
}

type calcRollCmd struct {
	setupFlags
	explainFlag
	densityFlags
	Roll   string `help:"Mass of a full roll; none = roll_kg of the card." placeholder:"25kg"`
	Length string `help:"Length of cloth in place of a mass; needs courses and wales." placeholder:"100m"`
}

// Help has examples.
func (*calcRollCmd) Help() string {
	return `Examples:
  planner calc roll --feeds 90 --rpm 28 --efficiency 0.88 --yarn "Ne 30/1" --course 7.26m --roll 25kg
  planner calc roll -f card.yaml --courses "19.5 /cm" --wales "14 /cm" --state "on machine"`
}

func (c *calcRollCmd) Run(s *session) error {
	j, err := c.resolve(s)
	if err != nil {
		return err
	}
	if err := j.needSpeed(); err != nil {
		return err
	}
	d, err := c.density(j)
	if err != nil {
		return err
	}
	var r reckoning
	j.about(&r)
	if err := j.roll(&r, c.Roll, c.Length, d); err != nil {
		return err
	}
	if err := j.doubt(&r); err != nil {
		return err
	}
	return s.reckoned(&r, c.Explain)
}

// roll adds the turns of a roll of a mass, or of a length.
func (j *job) roll(r *reckoning, roll, length string, d knit.Density) error {
	mass := unit.Kilograms(j.card.RollKg)
	j.origin("roll", "roll_kg")
	switch {
	case roll != "" && length != "":
		return usage("--roll and --length: found both, expected one of them")
	case roll != "":
		g, err := unit.ParseMass(roll)
		if err != nil {
			return usage("--roll: %w", err)
		}
		mass, j.setup.Origins["roll"] = g.Kilograms(), "--roll"
	case length != "":
		m, err := unit.ParseLength(length)
		if err != nil {
			return usage("--length: %w", err)
		}
		turns, err := j.setup.TurnsOfLength(m, d)
		if err != nil {
			return j.refuse(err)
		}
		if mass, err = j.setup.Card.Kilos(turns); err != nil {
			return j.refuse(err)
		}
		j.setup.Origins["roll"] = fmt.Sprintf("--length %s in the state %s", length, d.State)
	case mass == 0:
		return usage("the roll is missing, expected its mass; give --roll 25kg, or roll_kg in the card")
	}
	o, err := j.setup.RollOf(mass, d, j.running)
	if err != nil {
		return j.refuse(err)
	}
	r.figure("roll_kilos", "roll", float64(mass), "kg")
	r.figure("revolutions_per_roll", "turns of a roll", float64(o.Turns), "rev")
	r.follow(o.Steps)
	hours := above("hours of a roll", float64(o.Clock), "h")
	r.reckon(r, "minutes_per_roll", "minutes of a roll", 60*float64(o.Clock), "min", "hours of a roll × 60", hours)
	r.reckon(r, "rolls_per_24_hours", "rolls in 24 hours", 24/float64(o.Clock), "", "24 / hours of a roll", hours)
	if o.Length > 0 {
		r.fact("length_state", "state of the length", o.State.String())
		r.figure("metres_per_roll", "length of a roll", float64(o.Length), "m")
	}
	return nil
}
