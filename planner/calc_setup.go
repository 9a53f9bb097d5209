package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"turnwise/planner/knit"
	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// setupFlags say what machine and card to calculate. What is flagged goes before
// what the card says.
type setupFlags struct {
	File       string `short:"f" help:"Knit card as YAML; - = standard input. Flags go before what it says." placeholder:"CARD.yaml"`
	Structure  string `help:"Structure by name, or its repeat in knit, tuck and miss notation." placeholder:"'KM/MK MK/KM'"`
	Diameter   string `help:"Cylinder, with its unit." placeholder:"30in"`
	Gauge      string `help:"Needles per inch." placeholder:"24"`
	Needles    string `help:"Needles of the cylinder, from the plate." placeholder:"2260"`
	Dial       string `help:"Needles of the dial." placeholder:"2260"`
	InWork     string `help:"Needles of the cylinder in work; none = all." placeholder:"2256"`
	Feeds      string `help:"Feeds in action." placeholder:"90"`
	Rpm        string `name:"rpm" help:"Turns of the cylinder per minute." placeholder:"26"`
	Efficiency string `help:"Running time over time available; none = 1, the theoretical rate." placeholder:"0.85"`
	Yarn       string `help:"Count as ordered; several ends with +." placeholder:"'Ne 24/1'"`
	Loop       string `help:"Stitch length, with its unit." placeholder:"4mm"`
	Course     string `help:"Course length, with its unit: yarn of one feed in one turn. Goes before --loop." placeholder:"9.04m"`
	Draft      string `help:"Stretch of elastane before the feed." placeholder:"2.8"`
	Ends       string `help:"Ends of this yarn together at every feed." placeholder:"2"`
}

// job is a setup ready to be calculated.
type job struct {
	setup   knit.Setup
	running knit.Running // without speed where none was told
	card    cardFile
	places  map[string]string
	yarns   []string // count as ordered, by group
	doubts  []string // what was assumed
}

// resolve puts card and flags together.
func (f *setupFlags) resolve(s *session) (*job, error) {
	j := &job{places: map[string]string{}}
	if f.File != "" {
		var err error
		if j.card, j.places, err = readCard(s, f.File); err != nil {
			return nil, err
		}
	}
	if err := f.over(j); err != nil {
		return nil, &exitError{exitUsage, err}
	}
	if err := j.build(); err != nil {
		return nil, &exitError{exitUsage, err}
	}
	return j, nil
}

// over lays the flags over the card.
func (f *setupFlags) over(j *job) error {
	c := &j.card
	if f.Structure != "" {
		c.Structure, c.Repeat = f.Structure, ""
		j.places["structure"] = "--structure"
	}
	var errs []error
	put := func(flag, key, text string, read func(string) (float64, error), into *float64) {
		if text == "" {
			return
		}
		v, err := read(text)
		if err != nil {
			errs = append(errs, fmt.Errorf("--%s: %w", flag, err))
			return
		}
		*into, j.places[key] = v, "--"+flag
	}
	whole := func(flag, key, text string, into *int) {
		var v float64
		put(flag, key, text, readWhole, &v)
		if text != "" {
			*into = int(v)
		}
	}
	put("diameter", "diameter_inch", f.Diameter, quantity(unit.ParseDiameter), &c.DiameterInch)
	put("gauge", "gauge_npi", f.Gauge, bare(unit.ParseGauge, "npi"), &c.GaugeNPI)
	whole("needles", "cylinder_needle_count", f.Needles, &c.Cylinder)
	whole("dial", "dial_needle_count", f.Dial, &c.Dial)
	whole("in-work", "needles_in_work", f.InWork, &c.InWork)
	whole("feeds", "feeds_in_action", f.Feeds, &c.InAction)
	put("rpm", "speed_rpm", f.Rpm, bare(unit.ParseSpeed, "rpm"), &c.SpeedRPM)
	put("efficiency", "efficiency", f.Efficiency, quantity(unit.ParseShare), &c.Efficiency)

	if f.Yarn+f.Loop+f.Course+f.Draft+f.Ends != "" || len(c.Feeds) == 0 {
		switch {
		case len(c.Feeds) > 1:
			errs = append(errs, fmt.Errorf("--yarn, --loop, --course, --draft and --ends: the card has %d feed groups, expected one; change them in the card", len(c.Feeds)))
			return errors.Join(errs...)
		case len(c.Feeds) == 0:
			c.Feeds = []cardFeed{{}}
		}
		g := &c.Feeds[0]
		if f.Yarn != "" {
			g.Yarn, j.places["feeds[0].yarn"] = f.Yarn, "--yarn"
		}
		if f.Loop != "" {
			g.CourseLength = 0
		}
		put("loop", "feeds[0].stitch_length_mm", f.Loop, quantity(unit.ParseStitchLength), &g.StitchLength)
		put("course", "feeds[0].course_length_m", f.Course, quantity(unit.ParseCourseLength), &g.CourseLength)
		put("draft", "feeds[0].draft", f.Draft, readNumber, &g.Draft)
		whole("ends", "feeds[0].ends", f.Ends, &g.Ends)
	}
	return errors.Join(errs...)
}

// quantity makes a reader of plain numbers out of one of typed ones.
func quantity[T ~float64](parse func(string) (T, error)) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := parse(text)
		return float64(v), err
	}
}

// bare reads a number whose unit the flag's name tells already; one with its unit
// will do as well.
func bare[T ~float64](parse func(string) (T, error), word string) func(string) (float64, error) {
	return func(text string) (float64, error) {
		if strings.Trim(text, "0123456789.,") == "" {
			text += " " + word
		}
		v, err := parse(text)
		return float64(v), err
	}
}

func readWhole(text string) (float64, error) {
	v, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || v < 1 {
		return 0, fmt.Errorf("found %q, expected a whole number above 0 in digits alone, for example 90", cut(text))
	}
	return float64(v), nil
}

func readNumber(text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || !(v > 0) || math.IsInf(v, 1) {
		return 0, fmt.Errorf("found %q, expected a number above 0 with a decimal point, for example 2.8", cut(text))
	}
	return v, nil
}

// cut keeps what a person typed short enough for a sentence.
func cut(text string) string {
	if r := []rune(text); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return text
}

// build makes the setup of what card and flags say.
func (j *job) build() error {
	c := &j.card
	j.running = knit.Running{Speed: unit.RPM(c.SpeedRPM), Efficiency: c.Efficiency}
	if c.Efficiency == 0 && j.places["efficiency"] == "" {
		j.running.Efficiency = 1
	}
	if c.Feeders == 0 {
		c.Feeders, j.places["feeder_count"] = c.InAction, j.places["feeds_in_action"]
	}
	if c.Feeders == 0 {
		return errors.New(`feeds are missing, expected how many are in action; give --feeds 90, or feeder_count in the card`)
	}
	j.setup = knit.Setup{
		Machine: knit.Machine{Diameter: unit.Inches(c.DiameterInch), Gauge: unit.Gauge(c.GaugeNPI), Needles: c.Cylinder, DialNeedles: c.Dial, Feeders: c.Feeders},
		InWork:  c.InWork, DialInWork: c.DialInWork, Feeds: c.InAction,
		Origins: map[string]string{},
	}
	if err := j.program(); err != nil {
		return err
	}
	if err := j.needles(); err != nil {
		return err
	}
	if ids := j.setup.Program.Groups(); len(ids) > 1 && len(j.card.Feeds) == 1 && j.card.Feeds[0].ID == "" {
		return fmt.Errorf("one yarn was given, expected one for each feed group of the repeat %s: %s; write a card with these feed groups and give it with -f", j.setup.Program, strings.Join(ids, ", "))
	}
	yarns, err := j.readYarns()
	if err != nil {
		return err
	}
	j.origin("needles in work", "cylinder_needle_count")
	j.origin("dial needles in work", "dial_needle_count")
	j.origin("needles in work", "needles_in_work")
	j.origin("dial needles in work", "dial_needles_in_work")
	j.origin("feeds in action", "feeder_count")
	j.origin("feeds in action", "feeds_in_action")
	j.origin("speed", "speed_rpm")
	j.origin("efficiency", "efficiency")
	if j.places["efficiency"] == "" {
		j.setup.Origins["efficiency"] = derive.Assumed + ": the theoretical rate"
	}
	if len(j.setup.Program.Feeds) == 0 {
		return j.withoutProgram(yarns)
	}
	j.setup, err = j.setup.WithYarns(yarns...)
	if err != nil {
		return j.point(err)
	}
	return j.sameFeeders()
}

// program reads the structure. Without one, a stitch length is taken for single
// jersey's, and a course length needs none.
func (j *job) program() error {
	c := &j.card
	if c.Repeat != "" {
		p, err := knit.ParseProgram(c.Repeat)
		if err != nil {
			return fmt.Errorf("%s%w", j.before("repeat"), err)
		}
		j.setup.Program = p
		return nil
	}
	text := c.Structure
	if text == "" {
		if len(c.Feeds) != 1 || c.Feeds[0].CourseLength != 0 {
			return nil
		}
		text = "single jersey"
		c.Structure = text
		j.doubts = append(j.doubts, "no structure was given: single jersey is assumed, every needle knits at every feed; give --structure")
	}
	p, err := knit.ReadProgram(text)
	if err != nil {
		return fmt.Errorf("%s%w", j.before("structure"), err)
	}
	j.setup.Program = p
	return nil
}

// needles refuses to estimate what stands on the plate.
func (j *job) needles() error {
	c, m := &j.card, &j.setup.Machine
	if m.Needles != 0 {
		return nil
	}
	if len(j.setup.Program.Feeds) == 0 {
		// Nothing that needs needles is asked of a setup without program.
		m.Needles, m.Gauge = 1, 0
		return nil
	}
	hint := ""
	if c.DiameterInch > 0 && c.GaugeNPI > 0 {
		e := knit.EstimateNeedles(m.Diameter, float64(m.Gauge))
		hint = fmt.Sprintf("; pi × %g in × E%g is about %.0f, which is no plate: give --needles %.0f to calculate with it", c.DiameterInch, c.GaugeNPI, e, e)
	}
	return fmt.Errorf("needles are missing, expected those of the plate; give --needles, or cylinder_needle_count in the card%s", hint)
}

// readYarns reads counts and lengths of the feed groups.
func (j *job) readYarns() ([]knit.Yarn, error) {
	var yarns []knit.Yarn
	for i, g := range j.card.Feeds {
		at := fmt.Sprintf("feeds[%d]", i)
		if g.Yarn == "" {
			return nil, fmt.Errorf("%sthe yarn is missing, expected its count as ordered; give --yarn 'Ne 24/1', or yarn in every feed group of the card", j.before(at))
		}
		ends, err := unit.ParseEnds(g.Yarn)
		if err != nil {
			return nil, fmt.Errorf("%s%w", j.before(at+".yarn"), err)
		}
		if len(ends) > 1 {
			if yarns, err = j.plated(g, ends); err != nil {
				return nil, fmt.Errorf("%s%w", j.before(at+".yarn"), err)
			}
			return yarns, nil
		}
		n := ends[0].Number
		if g.Ends > 0 {
			n *= g.Ends
		}
		y := knit.Yarn{Group: g.ID, Count: ends[0].Count.Tex, CourseLength: unit.Metres(g.CourseLength), StitchLength: unit.Millimetres(g.StitchLength), Draft: g.Draft, Ends: n}
		j.addYarn(y, ends[0].Count, at)
		yarns = append(yarns, y)
	}
	return yarns, nil
}

// addYarn keeps the count as ordered and where everything is from.
func (j *job) addYarn(y knit.Yarn, count unit.Count, at string) {
	j.yarns = append(j.yarns, count.Text)
	name := func(quantity string) string {
		if y.Group == "" {
			return quantity
		}
		return quantity + " of " + y.Group
	}
	j.origin(name("course length"), at+".course_length_m")
	j.origin(name("stitch length"), at+".stitch_length_mm")
	j.origin(name("draft"), at+".draft")
	j.origin(name("ends"), at+".ends")
	j.origin(name("feeders"), at+".feeder_count")
	if at == "feeds[0]" && j.places[at+".feeder_count"] == "" {
		j.origin(name("feeders"), "feeder_count")
	}
	from := j.places[at+".yarn"] + fmt.Sprintf(": %q", count.Text)
	j.setup.Prior = append(j.setup.Prior, texSteps(name("count"), count, from)...)
}

// plated gives every count of "Ne 40 + 22 dtex" a group of its own, in all feeds.
func (j *job) plated(g cardFeed, ends []unit.End) ([]knit.Yarn, error) {
	p := &j.setup.Program
	switch {
	case len(j.card.Feeds) > 1 || len(p.Groups()) > 1:
		return nil, errors.New("several yarns in one feed group, expected one where the card or its repeat tells feed groups apart; write a card with a feed group for every yarn")
	case g.Draft != 0:
		return nil, errors.New("a draft with several yarns, expected to know whose it is; write a card with a feed group for every yarn")
	}
	var yarns []knit.Yarn
	var ids []string
	for i, e := range ends {
		id := "yarn-" + strconv.Itoa(i+1)
		y := knit.Yarn{Group: id, Count: e.Count.Tex, CourseLength: unit.Metres(g.CourseLength), StitchLength: unit.Millimetres(g.StitchLength), Ends: e.Number * max(g.Ends, 1)}
		j.addYarn(y, e.Count, "feeds[0]")
		yarns, ids = append(yarns, y), append(ids, id)
	}
	feeds := make([]knit.Feed, len(p.Feeds))
	for i, f := range p.Feeds {
		if !f.Idle() {
			f.Groups = ids
		}
		feeds[i] = f
	}
	p.Feeds = feeds
	return yarns, nil
}

// texSteps derive a linear density from the count as ordered.
func texSteps(result string, c unit.Count, from string) derive.Derivation {
	var d derive.Derivation
	step := derive.Step{Result: result, Value: float64(c.Tex), Unit: "tex"}
	number := derive.Input{Name: c.System.String(), Value: c.Number, From: from}
	factor := derive.Input{Name: "factor", Value: c.System.Factor(), From: c.System.Rule() + "; " + c.System.Source()}
	step.Inputs = []derive.Input{factor, number}
	step.Formula = "factor / " + number.Name
	if c.System.Direct() {
		step.Formula = "factor × " + number.Name
	}
	if c.Folds > 1 && !c.Resultant {
		step.Formula += " × folds"
		step.Inputs = append(step.Inputs, derive.Input{Name: "folds", Value: float64(c.Folds), From: from})
	}
	d.Add(step)
	return d
}

// withoutProgram makes the card straight from course lengths.
func (j *job) withoutProgram(yarns []knit.Yarn) error {
	left := 0
	for i, y := range yarns {
		if y.CourseLength == 0 {
			return fmt.Errorf("%sthe course length is missing, and a stitch length alone needs the structure; give the course length, or a structure that names the feed groups", j.before(fmt.Sprintf("feeds[%d]", i)))
		}
		g := knit.FeedGroup{ID: y.Group, CourseLength: y.CourseLength, Count: y.Count, Draft: y.Draft, Ends: y.Ends, Feeders: j.feeds()}
		if i < len(j.card.Feeds) && j.card.Feeds[i].Feeders > 0 && !j.feedsFlagged() {
			g.Feeders = j.card.Feeds[i].Feeders
		}
		left = max(left, g.Feeders)
		j.setup.Card.Feeds = append(j.setup.Card.Feeds, g)
	}
	j.setup.Machine.Feeders = max(left, j.card.Feeders)
	return j.point(j.setup.Validate())
}

// feedsFlagged says that other feeds are in action than the card counts.
func (j *job) feedsFlagged() bool { return j.places["feeds_in_action"] == "--feeds" }

// sameFeeders holds the feeders that the card states against those of its repeat.
func (j *job) sameFeeders() error {
	if j.feedsFlagged() {
		return nil
	}
	for i, g := range j.card.Feeds {
		if i >= len(j.setup.Card.Feeds) || g.Feeders == 0 || len(j.card.Feeds) != len(j.setup.Card.Feeds) {
			continue
		}
		if has := j.setup.Card.Feeds[i].Feeders; g.Feeders != has {
			return fmt.Errorf("%sfeed group %q: feeders are %d, expected %d (%d feeds in action, repeat %s); correct feeder_count or the repeat",
				j.before(fmt.Sprintf("feeds[%d].feeder_count", i)), g.ID, g.Feeders, has, j.feeds(), j.setup.Program)
		}
	}
	return nil
}

// origin tells the derivation where an input is from.
func (j *job) origin(name, key string) {
	if from := j.places[key]; from != "" {
		j.setup.Origins[name] = from
	}
}

// before puts the place of a key before a sentence.
func (j *job) before(key string) string {
	if at := j.places[key]; at != "" {
		return at + ": "
	}
	return ""
}

// keysOf tells the key of a card by the name that a fault gives its field.
var keysOf = map[string]string{
	"speed": "speed_rpm", "efficiency": "efficiency", "waste": "waste_ratio", "diameter in inches": "diameter_inch", "gauge in needles per inch": "gauge_npi",
	"needles of the cylinder": "cylinder_needle_count", "needles of the dial": "dial_needle_count", "dial": "dial_needle_count", "feeders": "feeder_count",
	"needles in work": "needles_in_work", "dial needles in work": "dial_needles_in_work", "feeds in action": "feeds_in_action",
	"courses per cm": "courses_per_cm", "wales per cm": "wales_per_cm", "state": "stitches_state",
}

// point puts the line of the card, or the flag, before a fault.
func (j *job) point(err error) error {
	fault, ok := errors.AsType[*knit.InputError](err)
	if !ok {
		return err
	}
	for i, g := range j.card.Feeds {
		if name := fmt.Sprintf("feed group %q", g.ID); fault.Where == name || fault.Field == name {
			return fmt.Errorf("%s%w", j.before(fmt.Sprintf("feeds[%d]", i)), err)
		}
	}
	key := keysOf[fault.Field]
	switch {
	case fault.Where == "roll" && fault.Field == "mass in kg":
		key = "roll_kg"
	case key == "feeds_in_action" && j.places[key] == "":
		key = "feeder_count"
	}
	if fault.Field == "dial" && j.places[key] == "" {
		return fmt.Errorf("%w (--dial, or dial_needle_count in the card)", err)
	}
	return fmt.Errorf("%s%w", j.before(key), err)
}

// refuse ends a calculation for what the person put in.
func (j *job) refuse(err error) error { return &exitError{exitUsage, j.point(err)} }

// needSpeed refuses rates of a machine whose speed nobody told.
func (j *job) needSpeed() error {
	if j.running.Speed == 0 {
		return usage("the speed is missing, expected turns per minute; give --rpm 26, or speed_rpm in the card")
	}
	return nil
}
