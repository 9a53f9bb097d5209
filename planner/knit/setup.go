package knit

import (
	"fmt"
	"slices"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// Machine is what a machine's plate tells.
type Machine struct {
	Diameter    unit.Inches // nominal; 0 = not told
	Gauge       unit.Gauge  // 0 = not told
	Needles     int         // cut in the cylinder
	DialNeedles int         // cut in the dial; 0 = no dial
	Feeders     int         // in the frame
}

// Setup is a knit card on a machine, with the program of its feeds.
type Setup struct {
	Machine Machine
	// Program may be empty: then nothing is said of courses and stitches.
	Program Program
	Card    Card
	// InWork and DialInWork are needles in work; 0 means all that are cut.
	InWork, DialInWork int
	// Feeds that the program runs over; 0 means all of the frame.
	Feeds int
	// Prior holds the steps by which inputs were come by, for example a count
	// turned into tex; Results begin with them.
	Prior derive.Derivation
	// Origins tells where inputs are from, by their names in the derivation:
	// "needles in work", "course length of ground". Others are of the knit card or
	// the plate.
	Origins map[string]string

	claimed []Yarn // as given to WithYarns, for Doubts
}

// Bounds of what is believed of a machine: they refuse slips of the pen.
const (
	maxNeedles  = 20000
	maxDiameter = 100
	maxGauge    = 120
)

func (s Setup) inWork() int {
	if s.InWork == 0 {
		return s.Machine.Needles
	}
	return s.InWork
}

func (s Setup) dialInWork() int {
	if s.DialInWork == 0 {
		return s.Machine.DialNeedles
	}
	return s.DialInWork
}

func (s Setup) feeds() int {
	if s.Feeds == 0 {
		return s.Machine.Feeders
	}
	return s.Feeds
}

// repeats of the program round the machine.
func (s Setup) repeats() float64 { return float64(s.feeds()) / float64(len(s.Program.Feeds)) }

// Validate tells the first thing that makes the machine unusable.
func (m Machine) Validate() error {
	at := func(field string, found any, expected, repair string) error {
		return bad(ErrMachine, "machine", field, found, expected, repair)
	}
	switch {
	case m.Needles < 1 || m.Needles > maxNeedles:
		return at("needles of the cylinder", m.Needles, fmt.Sprintf("1 to %d", maxNeedles), "read them from the plate")
	case m.DialNeedles < 0 || m.DialNeedles > maxNeedles:
		return at("needles of the dial", m.DialNeedles, fmt.Sprintf("0 to %d", maxNeedles), "read them from the plate; 0 without a dial")
	case m.Feeders < 1 || m.Feeders > maxFeeders:
		return at("feeders", m.Feeders, fmt.Sprintf("1 to %d", maxFeeders), "count the feeders of the frame")
	case m.Diameter != 0 && !within(float64(m.Diameter), 1, maxDiameter):
		return at("diameter in inches", float64(m.Diameter), fmt.Sprintf("1 to %d, or 0 for not told", maxDiameter), "read it from the plate; millimetres over 25.4 are inches")
	case m.Gauge != 0 && !within(float64(m.Gauge), 1, maxGauge):
		return at("gauge in needles per inch", float64(m.Gauge), fmt.Sprintf("1 to %d, or 0 for not told", maxGauge), "read it from the plate")
	case DoubtNeedles(m.Needles, m.Diameter, float64(m.Gauge)) == Absurd:
		e := EstimateNeedles(m.Diameter, float64(m.Gauge))
		return at("needles of the cylinder", m.Needles, fmt.Sprintf("within 5 %% of %.0f (pi × %g in × E%g)", e, float64(m.Diameter), float64(m.Gauge)), "read needles, diameter and gauge from the plate again")
	}
	return nil
}

// Validate tells the first thing that makes the setup unusable: the machine, the
// card, the program, or what does not fit together.
func (s Setup) Validate() error {
	if err := s.Machine.Validate(); err != nil {
		return err
	}
	if err := s.Card.Validate(); err != nil {
		return err
	}
	if len(s.Card.Feeds) > maxRepeatFeeds {
		return bad(ErrCard, "knit card", "number of feed groups", len(s.Card.Feeds), fmt.Sprintf("1 to %d", maxRepeatFeeds), "put feeders that draw alike into one group")
	}
	at := func(field string, found any, expected, repair string) error {
		return bad(ErrMachine, "setup", field, found, expected, repair)
	}
	switch m := s.Machine; {
	case s.InWork < 0 || s.InWork > m.Needles:
		return at("needles in work", s.InWork, fmt.Sprintf("1 to the %d that are cut", m.Needles), "count the needles in the cylinder, or correct the plate's")
	case s.DialInWork < 0 || s.DialInWork > m.DialNeedles:
		return at("dial needles in work", s.DialInWork, fmt.Sprintf("0 to the %d that are cut", m.DialNeedles), "count the needles in the dial, or correct the plate's")
	case s.Feeds < 0 || s.Feeds > m.Feeders:
		return at("feeds in action", s.Feeds, fmt.Sprintf("1 to the %d of the frame", m.Feeders), "count the feeds, or correct the plate's")
	}
	if len(s.Program.Feeds) == 0 {
		return nil
	}
	return s.validateProgram()
}

func (s Setup) validateProgram() error {
	if err := s.Program.Validate(); err != nil {
		return err
	}
	if s.Program.DoubleBed() && s.dialInWork() == 0 {
		return badProgram("dial", "in use on a machine without dial needles", "dial needles on the plate", "enter them, or write a program of the cylinder alone")
	}
	repeat := len(s.Program.Feeds)
	if n := s.feeds(); n%repeat != 0 {
		return badProgram("feeds in action", n, fmt.Sprintf("a multiple of the repeat's %d", repeat), fmt.Sprintf("run over %d or %d feeds, or correct the program", n-n%repeat, n-n%repeat+repeat))
	}
	if only := s.Program.Groups(); len(only) == 1 && only[0] == "" && len(s.Card.Feeds) == 1 {
		return s.matchFeeders(s.Card.Feeds[0], "")
	}
	ids := s.Program.Groups()
	for i, g := range s.Card.Feeds {
		if slices.ContainsFunc(s.Card.Feeds[:i], func(o FeedGroup) bool { return o.ID == g.ID }) {
			return bad(ErrCard, "knit card", "feed group", fmt.Sprintf("%q twice", clip(g.ID)), "each ID once", "rename one and name both in the program")
		}
		if !slices.Contains(ids, g.ID) {
			return badProgram(fmt.Sprintf("feed group %q", clip(g.ID)), "at no feed", "every group of the card in the program", fmt.Sprintf("write %q before the feeds that draw it", clip(g.ID)+":"))
		}
		if err := s.matchFeeders(g, g.ID); err != nil {
			return err
		}
	}
	for _, id := range ids {
		if !slices.ContainsFunc(s.Card.Feeds, func(g FeedGroup) bool { return g.ID == id }) {
			return badProgram(fmt.Sprintf("feed group %q", id), "not in the card", "only groups that the card has", "enter its yarn and course length in the card, or correct the name")
		}
	}
	return nil
}

// matchFeeders holds a group's feeders against the feeds that name it.
func (s Setup) matchFeeders(g FeedGroup, id string) error {
	if want := s.feedersOf(id); g.Feeders != want {
		return bad(ErrCard, fmt.Sprintf("feed group %q", clip(g.ID)), "feeders", g.Feeders,
			fmt.Sprintf("%d (%d feeds, program %s)", want, s.feeds(), clip(s.Program.String())), "correct the card's feeders, the feeds in action or the program")
	}
	return nil
}

// feedersOf counts the feeds round the machine that name the group.
func (s Setup) feedersOf(id string) int {
	n := 0
	for _, f := range s.Program.Feeds {
		if slices.Contains(f.groups(), id) {
			n++
		}
	}
	return n * s.feeds() / len(s.Program.Feeds)
}

// needlesOf is how many needles take yarn at one feed of the group, the mean over
// its feeds; at an inlay all in work of a bed in action count, because tables state
// its stitch length so. mixed tells that its feeds differ.
func (s Setup) needlesOf(id string) (needles float64, inlay, mixed bool) {
	var each []float64
	for _, f := range s.Program.Feeds {
		if !slices.Contains(f.groups(), id) {
			continue
		}
		letters := "KT"
		if f.Inlay() {
			letters, inlay = "KTM", true
		}
		n := 0.0
		if f.Cylinder.share("KT") > 0 {
			n += f.Cylinder.share(letters) * float64(s.inWork())
		}
		if f.Dial.share("KT") > 0 {
			n += f.Dial.share(letters) * float64(s.dialInWork())
		}
		each = append(each, n)
	}
	sum := 0.0
	for _, n := range each {
		sum += n
	}
	return sum / float64(len(each)), inlay, slices.Max(each) != slices.Min(each)
}

// groupID is the name by which the program knows the group.
func (s Setup) groupID(g FeedGroup) string {
	if only := s.Program.Groups(); len(only) == 1 && only[0] == "" {
		return ""
	}
	return g.ID
}

// Yarn says what the feeds of a group draw.
type Yarn struct {
	Group string // ID; "" when the program names none
	Count unit.Tex
	// CourseLength per feed and turn, measured. It counts before StitchLength.
	CourseLength unit.Metres
	// StitchLength is the yarn per needle that takes it at the feed; at an inlay,
	// which no needle knits, per needle in work.
	StitchLength unit.Millimetres
	Draft        float64 // 0 means 1
	Ends         int     // 0 means 1
}

// WithYarns gives the setup the card that its program and the yarns make: feeders
// from the program, course lengths as given or from stitch lengths. Where both are
// given and differ, [Setup.Doubts] tells.
func (s Setup) WithYarns(yarns ...Yarn) (Setup, error) {
	if err := s.Machine.Validate(); err != nil {
		return s, err
	}
	if err := s.Program.Validate(); err != nil {
		return s, err
	}
	s.Card, s.Prior, s.claimed = Card{}, slices.Clone(s.Prior), slices.Clone(yarns)
	for _, y := range yarns {
		id := y.Group
		if only := s.Program.Groups(); len(only) == 1 && only[0] == "" {
			id = ""
		}
		if !slices.Contains(s.Program.Groups(), id) {
			return s, badProgram(fmt.Sprintf("feed group %q", clip(id)), "at no feed", "only groups that the program names", "correct the name, or write it before its feeds")
		}
		g := FeedGroup{ID: y.Group, Feeders: s.feedersOf(id), CourseLength: y.CourseLength, Count: y.Count, Draft: y.Draft, Ends: y.Ends}
		if y.CourseLength == 0 {
			var err error
			if g.CourseLength, err = s.deriveCourse(y, id); err != nil {
				return s, err
			}
		}
		s.Card.Feeds = append(s.Card.Feeds, g)
	}
	return s, s.Validate()
}

func (s *Setup) deriveCourse(y Yarn, id string) (unit.Metres, error) {
	const most = 100 // mm; no needle draws more
	if !within(float64(y.StitchLength), 0.1, most) {
		return 0, bad(ErrCard, fmt.Sprintf("feed group %q", clip(y.Group)), "stitch length in mm", float64(y.StitchLength), fmt.Sprintf("0.1 to %d, or a course length", most), "enter the course length, measured at one feed in one turn")
	}
	needles, inlay, _ := s.needlesOf(id)
	length := unit.Metres(needles) * y.StitchLength.Metres()
	name := "needles taking yarn"
	if inlay {
		name = "needles in work"
	}
	s.Prior.Add(derive.Step{
		Result: of("course length", y.Group), Formula: of(name, y.Group) + " × " + of("stitch length", y.Group) + " / 1000",
		Value: float64(length), Unit: "m/rev",
		Inputs: []derive.Input{
			{Name: of(name, y.Group), Value: needles, Unit: "needles", From: s.origin(of(name, y.Group), "plate and feed program")},
			{Name: of("stitch length", y.Group), Value: float64(y.StitchLength), Unit: "mm", From: s.origin(of("stitch length", y.Group), derive.Card)},
		},
	})
	return length, nil
}

// StitchLength is the mean yarn per needle that takes yarn at a feed of the group
// (at an inlay: per needle in work); 0 without a program or for an unknown group.
func (s Setup) StitchLength(group string) unit.Millimetres {
	i := slices.IndexFunc(s.Card.Feeds, func(g FeedGroup) bool { return g.ID == group })
	if i < 0 || len(s.Program.Feeds) == 0 || s.Validate() != nil {
		return 0
	}
	needles, _, _ := s.needlesOf(s.groupID(s.Card.Feeds[i]))
	return (s.Card.Feeds[i].CourseLength / unit.Metres(needles)).Millimetres()
}

// origin tells where the named input is from.
func (s Setup) origin(name, usual string) string {
	if slices.ContainsFunc(s.Prior, func(p derive.Step) bool { return p.Result == name }) {
		return derive.FromAbove
	}
	if from := s.Origins[name]; from != "" {
		return from
	}
	return usual
}

// of names a quantity of a group.
func of(quantity, group string) string {
	if group == "" {
		return quantity
	}
	return quantity + " of " + group
}
