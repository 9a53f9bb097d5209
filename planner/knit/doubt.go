package knit

import (
	"fmt"
	"math"
	"strings"

	"turnwise/planner/unit"
)

// Finding is something about a setup that a technologist would ask about. Nothing
// is corrected for it.
type Finding struct {
	Code     string `json:"code"` // a fixed word, for programs
	Doubt    Doubt  `json:"doubt"`
	Field    string `json:"field"`
	Found    string `json:"found"`
	Expected string `json:"expected"`
	Repair   string `json:"repair"`
	Source   string `json:"source"` // of what is expected
}

func (f Finding) String() string {
	return fmt.Sprintf("%s is %s, expected %s; %s", f.Field, f.Found, f.Expected, f.Repair)
}

// Bands of what is usual. Where a source is known it stands beside the use.
const (
	usualSlack, usualTight   = 13.0, 17.0 // tightness of plain cloth, root of tex per cm
	slack, tight             = 11.0, 18.0 // beyond: slack cloth, hard to knit
	shortStitch, longStitch  = 1.5, 6.0   // mm
	lowDraft, highDraft      = 2.0, 4.0
	stitchAgainstCourse      = 0.03
	fastDiameterSpeed        = 1500.0     // in·rev/min
	fastYarn                 = 300.0      // m/min
	denseFeeders             = 4.8        // per inch of diameter
	fewInWork                = 0.95       // of the needles cut
	looseKs, denseKs         = 17.0, 25.5 // courses × wales × stitch length squared: Munden's 19 to 23.1, 10 % off
	wideShape, longShape     = 1.0, 1.7   // courses over wales; Munden's 1.3
	largestDialDifference    = 0.05
	countBandSlack           = 1.005 // a count at the very edge of the band is inside
	whyMeasuredStitchDiffers = "a stitch length measured by unroving differs from the metered yarn by 1 to 3 % (common practice, no source)"
)

// countBands are the cotton counts that plain cloth is commonly knitted with.
var countBands = [...]struct{ gauge, coarse, fine float64 }{
	{18, 14, 22}, {20, 18, 24}, {24, 22, 30}, {28, 28, 40}, {32, 36, 50},
}

// Doubts lists what is unusual about the setup; the zero Running leaves speed out.
// It returns an error where the setup is not usable at all.
func (s Setup) Doubts(r Running) ([]Finding, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if r != (Running{}) {
		if err := r.Validate(); err != nil {
			return nil, err
		}
	}
	var all []Finding
	add := func(f Finding, found bool) {
		if found {
			f.Doubt = Unusual
			all = append(all, f)
		}
	}
	s.doubtMachine(add)
	if len(s.Program.Feeds) > 0 {
		for _, g := range s.Card.Feeds {
			s.doubtStitch(g, add)
			s.doubtCount(g, add)
		}
	}
	for _, g := range s.Card.Feeds {
		s.doubtDraft(g, add)
		run := float64(g.CourseLength) * float64(r.Speed)
		add(Finding{Code: "yarn_fast", Field: of("yarn speed", g.ID), Found: num(run) + " m/min", Expected: fmt.Sprintf("up to %g m/min", fastYarn),
			Repair: "check course length and speed", Source: practice}, run > fastYarn)
	}
	ds := DiameterSpeed(s.Machine.Diameter, r.Speed)
	add(Finding{Code: "speed_high", Field: "diameter × speed", Found: num(ds) + " in·rev/min", Expected: fmt.Sprintf("up to %g", fastDiameterSpeed),
		Repair: "check the turns per minute", Source: "T. W. Ellis, 'Knitting' (ITMA 2003 review), J. Textile and Apparel Technology and Management 3(3), 2003"}, ds > fastDiameterSpeed)
	return all, nil
}

func num(v float64) string { return fmt.Sprintf("%.4g", v) }

func (s Setup) doubtMachine(add func(Finding, bool)) {
	m := s.Machine
	estimate := EstimateNeedles(m.Diameter, float64(m.Gauge))
	add(Finding{Code: "needles_off_plate", Field: "needles of the cylinder", Found: fmt.Sprint(m.Needles), Expected: fmt.Sprintf("within 1 %% of %.0f (pi × %g in × E%g)", estimate, float64(m.Diameter), float64(m.Gauge)),
		Repair: "read needles, diameter and gauge from the plate again", Source: "geometry"}, DoubtNeedles(m.Needles, m.Diameter, float64(m.Gauge)) == Unusual)
	off := math.Abs(float64(m.DialNeedles)/float64(m.Needles) - 1)
	add(Finding{Code: "dial_off_cylinder", Field: "needles of the dial", Found: fmt.Sprint(m.DialNeedles), Expected: fmt.Sprintf("about the cylinder's %d", m.Needles),
		Repair: "read both from the plate again", Source: practice}, m.DialNeedles > 0 && off > largestDialDifference)
	if d := float64(m.Diameter); d > 0 {
		density := float64(m.Feeders) / d
		add(Finding{Code: "feeders_dense", Field: "feeders per inch of diameter", Found: num(density), Expected: fmt.Sprintf("up to %g", denseFeeders),
			Repair: "count the feeders again", Source: "knitting reference texts: 0.4 to 4.8, usual 3 to 4"}, density > denseFeeders)
	}
	add(Finding{Code: "needles_out_of_work", Field: "needles in work", Found: fmt.Sprintf("%d of %d", s.inWork(), m.Needles), Expected: "all but the few of a slit line",
		Repair: "count them, unless needles are left out on purpose", Source: practice}, float64(s.inWork()) < fewInWork*float64(m.Needles))
	if width := s.Program.Width(); len(s.Program.Feeds) > 0 {
		add(Finding{Code: "repeat_not_whole", Field: "needles in work", Found: fmt.Sprint(s.inWork()), Expected: fmt.Sprintf("a multiple of the repeat's %d", width),
			Repair: "the pattern breaks where the round closes: check needles and program", Source: "arithmetic"}, s.inWork()%width != 0)
	}
}

// doubtStitch holds stitch length and tightness against what is usual.
func (s Setup) doubtStitch(g FeedGroup, add func(Finding, bool)) {
	id := s.groupID(g)
	needles, inlay, mixed := s.needlesOf(id)
	stitch := (g.CourseLength / unit.Metres(needles)).Millimetres()
	add(Finding{Code: "mixed_feeds", Field: of("needles taking yarn", g.ID), Found: "different from feed to feed", Expected: "as many at every feed of a group",
		Repair: fmt.Sprintf("name the feeds apart and measure each; until then %s m is taken as the mean", num(float64(g.CourseLength))), Source: "feed program"}, mixed)
	for _, y := range s.claimed {
		if y.Group != g.ID || y.StitchLength == 0 || y.CourseLength == 0 {
			continue
		}
		off := math.Abs(float64(y.StitchLength/stitch) - 1)
		add(Finding{Code: "stitch_against_course", Field: of("stitch length", g.ID), Found: num(float64(y.StitchLength)) + " mm",
			Expected: fmt.Sprintf("within %g %% of %s mm, which %s m over %s needles make", 100*stitchAgainstCourse, num(float64(stitch)), num(float64(g.CourseLength)), num(needles)),
			Repair:   "measure both again; kilos are calculated from the course length", Source: whyMeasuredStitchDiffers}, off > stitchAgainstCourse)
	}
	if inlay {
		return
	}
	add(Finding{Code: "stitch_length", Field: of("stitch length", g.ID), Found: num(float64(stitch)) + " mm", Expected: fmt.Sprintf("%g to %g mm", shortStitch, longStitch),
		Repair: "check course length, needles and program", Source: practice}, !within(float64(stitch), shortStitch, longStitch))
	if !s.Program.Plain() || g.Draft > 1 || s.plated() && !s.elastic() {
		return // bands are of plain cloth of one yarn, elastane beside it or not
	}
	k := float64(TightnessPerCm(g.Count*unit.Tex(max(g.Ends, 1)), stitch))
	low := usualSlack
	if s.elastic() {
		low = slack // beside elastane the ground is knitted slacker
	}
	hint := "check count and course length"
	switch {
	case k < slack:
		hint = "the cloth will be slack; " + hint
	case k > tight:
		hint = "it will be hard to knit; " + hint
	}
	add(Finding{Code: "tightness", Field: of("tightness factor", g.ID), Found: num(k) + " tex^0.5/cm", Expected: fmt.Sprintf("%g to %g tex^0.5/cm", low, usualTight),
		Repair: hint, Source: practice}, !within(k, low, usualTight))
}

// elastic says that a yarn of the card is drafted.
func (s Setup) elastic() bool {
	for _, g := range s.Card.Feeds {
		if g.Draft > 1 {
			return true
		}
	}
	return false
}

// DoubtsOfCloth holds courses and wales against the stitch length of plain cloth:
// counts per inch taken for counts per cm, and counts of two states, show. Of other
// cloths, and with elastane, it says only that the state on the machine is of no use.
func (s Setup) DoubtsOfCloth(d Density) ([]Finding, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if err := d.Validate(); err != nil {
		return nil, err
	}
	var all []Finding
	if s.elastic() && d.State == OnMachine {
		all = append(all, Finding{Code: "elastane_on_machine", Doubt: Unusual, Field: "state of the cloth", Found: d.State.String(), Expected: "relaxed or finished where elastane is knitted in",
			Repair: "let the cloth relax and count again: off the machine elastane draws it together, so width, length and mass per area of this state are of no use later", Source: practice})
	}
	if !s.Program.Plain() || s.elastic() {
		return all, nil
	}
	cm := float64(s.StitchLength(s.Card.Feeds[0].ID)) / 10
	const source = "Munden's constants of relaxed plain cloth, 10 % either way (usual textbook figures, from memory)"
	if ks := float64(d.Courses) * float64(d.Wales) * cm * cm; !within(ks, looseKs, denseKs) {
		all = append(all, Finding{Code: "stitch_density", Doubt: Unusual, Field: "courses × wales × stitch length squared", Found: num(ks), Expected: fmt.Sprintf("%g to %g for plain cloth", looseKs, denseKs),
			Repair: "count courses and wales per cm again, both in one state, and measure the course length", Source: source})
	}
	if shape := float64(d.Courses / d.Wales); !within(shape, wideShape, longShape) {
		all = append(all, Finding{Code: "stitch_shape", Doubt: Unusual, Field: "courses over wales", Found: num(shape), Expected: fmt.Sprintf("%g to %g for plain cloth", wideShape, longShape),
			Repair: "count courses and wales per cm again, both in one state", Source: source})
	}
	return all, nil
}

// doubtCount holds the count of plain cloth against the gauge. Between the gauges
// of the table the band is interpolated; beyond them nothing is said.
func (s Setup) doubtCount(g FeedGroup, add func(Finding, bool)) {
	if !s.Program.Plain() || g.Draft > 1 || s.plated() && !s.elastic() {
		return
	}
	coarse, fine, ok := countBand(float64(s.Machine.Gauge))
	ne := (g.Count * unit.Tex(max(g.Ends, 1))).Ne()
	add(Finding{Code: "count_for_gauge", Field: of("count", g.ID), Found: "Ne " + num(ne), Expected: fmt.Sprintf("Ne %s to %s for plain cotton at E%g", num(coarse), num(fine), float64(s.Machine.Gauge)),
		Repair: "check the count and its system, ends and gauge", Source: practice}, ok && !within(ne, coarse/countBandSlack, fine*countBandSlack))
}

func (s Setup) plated() bool {
	for _, f := range s.Program.Feeds {
		if len(f.Groups) > 1 {
			return true
		}
	}
	return false
}

func countBand(gauge float64) (coarse, fine float64, ok bool) {
	for i := 1; i < len(countBands); i++ {
		a, b := countBands[i-1], countBands[i]
		if within(gauge, a.gauge, b.gauge) {
			x := (gauge - a.gauge) / (b.gauge - a.gauge)
			return a.coarse + x*(b.coarse-a.coarse), a.fine + x*(b.fine-a.fine), true
		}
	}
	return 0, 0, false
}

func (s Setup) doubtDraft(g FeedGroup, add func(Finding, bool)) {
	add(Finding{Code: "draft", Field: of("draft", g.ID), Found: num(g.Draft), Expected: fmt.Sprintf("%g to %g", lowDraft, highDraft),
		Repair: "course length at the feed over length off the bobbin is the draft: measure both", Source: practice}, g.Draft > 1 && !within(g.Draft, lowDraft, highDraft))
	add(Finding{Code: "no_draft", Field: of("draft", g.ID), Found: "none", Expected: fmt.Sprintf("%g to %g for elastane", lowDraft, highDraft),
		Repair: "without it the elastane's mass is overstated as many times", Source: practice}, g.Draft <= 1 && strings.HasPrefix(strings.ToLower(g.ID), "elast"))
}
