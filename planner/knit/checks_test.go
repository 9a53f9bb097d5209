package knit_test

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"os"
	"testing"

	"turnwise/planner/knit"
	"turnwise/planner/knit/handbook"
	"turnwise/planner/knit/regain"
	"turnwise/planner/unit"
)

// check is one value from outside, with its source beside it.
type check struct {
	ID, Quantity, Source, How, Verdict string
	Inputs                             map[string]measure
	Expected                           measure
	Tol                                float64
	Disagreements                      []disagreement
}

// disagreement is a figure in print that is known to differ, and why.
type disagreement struct {
	Inputs           map[string]measure // over those of the check
	Printed, Tol     float64
	Unit, Where, Why string
}

type measure struct {
	Value float64
	Unit  string
}

func (c check) in(name string) float64 { return c.Inputs[name].Value }

// plain is a card of one yarn in every feeder.
func plain(feeders int, length unit.Metres, yarn unit.Tex) knit.Card {
	return knit.Card{Feeds: []knit.FeedGroup{{ID: "all", Feeders: feeders, CourseLength: length, Count: yarn}}}
}

// computed says how each check value comes out of the public functions.
var computed = map[string]func(t *testing.T, c check) float64{
	"N01": needles, "N02": needles, "N03": needles,
	"L01": shiftLength, "L05": shiftLength, "L10": shiftLength,
	"L03": func(t *testing.T, c check) float64 {
		return c.in("courses per hour") * float64(length(t, 1, 1, c.in("courses")))
	},
	"L08": func(t *testing.T, c check) float64 {
		perTurn := length(t, int(c.in("feeds")), 1, c.in("courses")/2.54)
		return float64(perTurn) * c.in("speed") * 60 * c.in("efficiency") / 0.9144
	},
	"M01": func(t *testing.T, c check) float64 {
		n := knit.EstimateNeedles(unit.Inches(c.in("diameter")), c.in("gauge"))
		l := unit.Metres(n * c.in("stitch length") / 1000)
		return kilosPerHour(t, plain(int(c.in("feeds")), l, unit.Tex(c.in("linear density"))), c)
	},
	"M03": func(t *testing.T, c check) float64 {
		return kilosPerHour(t, plain(int(c.in("feeds")), course(c), unit.FromNe(c.in("count"))), c)
	},
	"M04": func(t *testing.T, c check) float64 {
		l, err := plain(int(c.in("feeds")), course(c), 20).YarnPerHour(unit.RPM(c.in("speed")), 1)
		return must(t, l, err)
	},
	"M07": func(t *testing.T, c check) float64 {
		kg, err := plain(1, knit.CourseLength(1, 1), unit.FromNe(1)).KilosPerHour(1, 1)
		return 1 / (must(t, kg, err) * c.in("time"))
	},
	"M09": func(t *testing.T, c check) float64 { return float64(course(c)) },
	"G03": func(t *testing.T, c check) float64 {
		return knit.GramsPerSquareMetre(1/2.54, 1/2.54, 1, unit.FromNe(1))
	},
	// Ks = c w l^2, GSM = Ks tex / l: the trade rule's factor over tex times Ne.
	"G04": func(t *testing.T, c check) float64 { return c.in("K") / float64(unit.FromNe(1)) },
	"G06": func(t *testing.T, c check) float64 {
		perCm := math.Sqrt(c.in("Ks")) / (c.in("stitch length") / 10) // courses and wales alike
		return knit.GramsPerSquareMetre(perCm, perCm, unit.Millimetres(c.in("stitch length")), unit.FromNe(c.in("count")))
	},
	"G13": func(t *testing.T, c check) float64 {
		return knit.Tightness(unit.Tex(c.in("linear density")), unit.Millimetres(c.in("stitch length")))
	},
	"Y01": func(t *testing.T, c check) float64 { return float64(unit.FromNe(c.in("count"))) },
	"Y03": func(t *testing.T, c check) float64 { return unit.Tex(c.in("linear density")).Ne() },
	"Y06": func(t *testing.T, c check) float64 { return unit.FromNe(c.in("count")).Denier() },
	"Y08": func(t *testing.T, c check) float64 { return float64(unit.FromNe(1)) },
	"Y09": func(t *testing.T, c check) float64 { return unit.FromNe(1).Denier() },
	"Y10": func(t *testing.T, c check) float64 { return float64(unit.FromWorsted(1)) },
	"Y11": func(t *testing.T, c check) float64 { return float64(unit.FromLea(1)) },
	"Y12": func(t *testing.T, c check) float64 { return float64(unit.FromSpyndle(1)) },
	"Y13": func(t *testing.T, c check) float64 { return unit.FromNe(c.in("count")).Worsted() },
	"Y15": func(t *testing.T, c check) float64 { return unit.FromNe(c.in("count")).French() },
	"F01": fold, "F03": fold, "F04": fold, "F06": fold,
	"F08": func(t *testing.T, c check) float64 {
		return unit.Fold(unit.FromNe(20), unit.FromNe(30), unit.FromNe(30), unit.FromNe(40), unit.FromNe(40), unit.FromNe(40)).Ne()
	},
	"F10": func(t *testing.T, c check) float64 {
		return unit.Fold(unit.FromDenier(c.in("A")), unit.FromDenier(c.in("B"))).Denier()
	},
	"F11": func(t *testing.T, c check) float64 {
		n, err := unit.ParseCount("Ne 2/40")
		return must(t, n.Tex.Ne(), err)
	},
	"N05": func(t *testing.T, c check) float64 { return float64(knit.NeedlePitch(c.in("gauge"))) },
	"N07": func(t *testing.T, c check) float64 { return perTurn(t, c, "K").Stitches },
	"S03": func(t *testing.T, c check) float64 { return knit.SurfaceSpeed(1, 1) },
	"S04": func(t *testing.T, c check) float64 {
		return knit.CoursesPerMinute(int(c.in("feeds")), 1, unit.RPM(c.in("speed")))
	},
	"S06": func(t *testing.T, c check) float64 {
		return float64(knit.SpeedOf(c.in("speed factor"), unit.Inches(c.in("diameter"))))
	},
	"L02": func(t *testing.T, c check) float64 {
		return 60 * c.in("efficiency") * knit.CoursesPerMinute(int(c.in("feeds")), 1, unit.RPM(c.in("speed")))
	},
	"G01": func(t *testing.T, c check) float64 {
		r := knit.Relaxation{State: knit.FullyRelaxed, Kc: c.in("Kc"), Kw: c.in("Kw")}
		d, err := r.Density(unit.Millimetres(c.in("loop length") * 10))
		return must(t, d.Courses*d.Wales, err)
	},
	"G02": func(t *testing.T, c check) float64 {
		return knit.Relaxation{State: knit.FullyRelaxed, Kc: c.in("Kc"), Kw: c.in("Kw")}.Shape()
	},
	"G12": func(t *testing.T, c check) float64 {
		g, err := unit.ParseGSM("1 oz/yd2")
		return must(t, g, err)
	},
	"H01": allowance("cotton"), "H02": allowance("viscose"), "H03": allowance("polyamide filament"),
	"H04": allowance("polyester"), "H05": allowance("elastane"), "H06": allowance("combed wool"),
	"H15": func(t *testing.T, c check) float64 {
		tex, _, err := regain.ConditionedTex(unit.Metres(c.in("length")), unit.Grams(c.in("oven-dry mass")), regain.Given(unit.Share(c.in("regain")/100)))
		return must(t, tex, err)
	},
	"C01": func(t *testing.T, c check) float64 { return number(t)(handbook.NeByGauge(c.in("gauge"))) },
	"G08": func(t *testing.T, c check) float64 {
		return number(t)(line(t, "single jersey").Ne(c.in("areal density")))
	},
	"G10": func(t *testing.T, c check) float64 {
		return number(t)(line(t, "single pique").Ne(c.in("areal density")))
	},
	"K01": func(t *testing.T, c check) float64 {
		return number(t)(handbook.Availability(c.in("run time"), c.in("planned busy time")))
	},
	"K02": func(t *testing.T, c check) float64 {
		return number(t)(handbook.Effectiveness(c.in("planned time per item"), c.in("produced quantity"), c.in("run time")))
	},
	"K04": func(t *testing.T, c check) float64 {
		planned := c.in("planned availability")
		return number(t)(handbook.Availability(planned-c.in("downtime"), planned))
	},
	"Q01": func(t *testing.T, c check) float64 {
		return number(t)(handbook.PointsPer100SquareYards(int(c.in("points")), c.in("length"), unit.Inches(c.in("width"))))
	},
	"Q04": func(t *testing.T, c check) float64 {
		points, err := handbook.FaultPoints(unit.Inches(c.in("defect length")))
		return number(t)(float64(points), err)
	},
	"P02": func(t *testing.T, c check) float64 {
		return float64(unit.Tex(c.in("linear density")).Length(unit.Kilograms(c.in("mass")).Grams()))
	},
	"P04": func(t *testing.T, c check) float64 {
		return float64(unit.Tex(c.in("linear density")).Mass(unit.Metres(c.in("length") * 1000)).Kilograms())
	},
	"B01": func(t *testing.T, c check) float64 { return 100 * fleeceShare(t, c, 0) },
	"B03": func(t *testing.T, c check) float64 { return 100 * fleeceShare(t, c, 2) },
	"B05": impliedDraft,
	"H07": func(t *testing.T, c check) float64 {
		content, err := regain.Content(unit.Share(c.in("regain") / 100))
		return must(t, content.Percent(), err)
	},
	"H09": func(t *testing.T, c check) float64 { return blend(t, c, "cotton", "viscose").Percent() },
	"H13": func(t *testing.T, c check) float64 {
		water, err := regain.Water(unit.Grams(c.in("mass")), blend(t, c, "wool", "silk", "viscose"))
		return must(t, water, err)
	},
}

func must[T ~float64](t *testing.T, v T, err error) float64 {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return float64(v)
}

// perTurn is the turn of a machine whose cylinder needles all work, without dial.
func perTurn(t *testing.T, c check, program string) knit.Turn {
	t.Helper()
	p, err := knit.ParseProgram(program)
	if err != nil {
		t.Fatal(err)
	}
	s, err := knit.Setup{Machine: knit.Machine{Needles: int(c.in("needles")), Feeders: int(c.in("feeds"))}, Program: p}.
		WithYarns(knit.Yarn{Count: unit.FromNe(30), StitchLength: 3})
	if err != nil {
		t.Fatal(err)
	}
	turn, err := s.PerTurn()
	if err != nil {
		t.Fatal(err)
	}
	return turn
}

// allowance looks a fibre up in the table of the EU.
func allowance(fibre string) func(*testing.T, check) float64 {
	return func(t *testing.T, c check) float64 {
		v, err := regain.Contract{Table: regain.EU}.Regain(fibre)
		return must(t, v.Regain.Percent(), err)
	}
}

// blend mixes fibres by their shares of dry mass at the regains that the check
// states.
func blend(t *testing.T, c check, fibres ...string) unit.Share {
	t.Helper()
	names := map[string]string{"wool": "carded wool"}
	contract := regain.Contract{Table: regain.EU, Agreed: map[string]unit.Share{}}
	var parts []regain.Part
	for _, f := range fibres {
		name := f
		if full := names[f]; full != "" {
			name = full
		}
		contract.Agreed[name] = unit.Share(c.in(f+" regain") / 100)
		parts = append(parts, regain.Part{Fibre: name, Share: unit.Share(c.in(f+" share") / 100)})
	}
	v, _, err := contract.Blend(parts, regain.DryMass)
	if err != nil {
		t.Fatal(err)
	}
	return v.Regain
}

// number passes on what a function gives together with its error.
func number(t *testing.T) func(float64, error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		return must(t, v, err)
	}
}

func line(t *testing.T, structure string) handbook.Line {
	t.Helper()
	for _, l := range handbook.Lines {
		if l.Structure == structure {
			return l
		}
	}
	t.Fatalf("no line for %s", structure)
	return handbook.Line{}
}

func needles(t *testing.T, c check) float64 {
	d, g := unit.Inches(c.in("diameter")), c.in("gauge")
	if doubt := knit.DoubtNeedles(int(c.Expected.Value), d, g); doubt != knit.Plausible {
		t.Errorf("%s: needles of the source are doubted: %d", c.ID, doubt)
	}
	return knit.EstimateNeedles(d, g)
}

func course(c check) unit.Metres {
	return knit.CourseLength(int(c.in("needles")), unit.Millimetres(c.in("stitch length")))
}

func kilosPerHour(t *testing.T, card knit.Card, c check) float64 {
	kg, err := card.KilosPerHour(unit.RPM(c.in("speed")), c.in("efficiency"))
	return must(t, kg, err)
}

func length(t *testing.T, feeders, feedsPerCourse int, courses float64) unit.Metres {
	l, err := knit.LengthPerRevolution(feeders, feedsPerCourse, courses)
	return unit.Metres(must(t, l, err))
}

// shiftLength is cloth in the check's hours, or in one hour.
func shiftLength(t *testing.T, c check) float64 {
	hours := max(c.in("time"), 1)
	perTurn := length(t, int(c.in("feeds")), max(int(c.in("feeds per course")), 1), c.in("courses"))
	return float64(perTurn) * c.in("speed") * 60 * c.in("efficiency") * hours
}

func fold(t *testing.T, c check) float64 {
	var ends []unit.Tex
	for _, m := range c.Inputs {
		ends = append(ends, unit.FromNe(m.Value))
	}
	return unit.Fold(ends...).Ne()
}

// fleeceShare: every yarn has as many feeders as the others.
func fleeceShare(t *testing.T, c check, group int) float64 {
	card := knit.Card{Feeds: []knit.FeedGroup{
		{ID: "face", Feeders: 30, CourseLength: knit.CourseLength(1884, unit.Millimetres(c.in("face stitch length"))), Count: unit.FromNe(c.in("face count"))},
		{ID: "binder", Feeders: 30, CourseLength: knit.CourseLength(1884, unit.Millimetres(c.in("binder stitch length"))), Count: unit.FromDenier(c.in("binder count"))},
		{ID: "loop", Feeders: 30, CourseLength: knit.CourseLength(1884, unit.Millimetres(c.in("loop stitch length"))), Count: unit.FromNe(c.in("loop count"))},
	}}
	shares, err := card.Shares()
	if err != nil {
		t.Fatal(err)
	}
	return shares[group]
}

// impliedDraft seeks the draft at which the elastane's share is the check's.
func impliedDraft(t *testing.T, c check) float64 {
	lo, hi := 1.0, 10.0
	for range 60 {
		draft := (lo + hi) / 2
		shares, err := knit.Card{Feeds: []knit.FeedGroup{
			{ID: "ground", Feeders: 96, CourseLength: 8, Count: unit.FromNe(c.in("ground count"))},
			{ID: "elastane", Feeders: 96, CourseLength: 8, Count: unit.FromDenier(c.in("elastane")), Draft: draft},
		}}.Shares()
		if err != nil {
			t.Fatal(err)
		}
		if shares[1]*100 > c.in("content") {
			lo = draft
		} else {
			hi = draft
		}
	}
	return lo
}

// TestChecks runs every check value of testdata/checks through the public
// functions; -v prints each with its source. Where a source is known to print
// another figure, it stays as a documented disagreement: the functions must not
// come to agree with it.
func TestChecks(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/checks/checks.json")
	if err != nil {
		t.Fatal(err)
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	var checks []check
	if err := d.Decode(&checks); err != nil {
		t.Fatal(err)
	}
	if len(checks) != 66 {
		t.Errorf("%d check values, want 66", len(checks))
	}
	seen := map[string]bool{}
	for _, c := range checks {
		if seen[c.ID] {
			t.Errorf("check value %s is there twice", c.ID)
		}
		seen[c.ID] = true
		t.Run(c.ID, func(t *testing.T) { c.run(t) })
	}
	for id := range computed {
		if !seen[id] {
			t.Errorf("check value %s is computed but not in the file", id)
		}
	}
}

func (c check) run(t *testing.T) {
	compute, ok := computed[c.ID]
	if !ok {
		t.Fatalf("nothing computes %s", c.Quantity)
	}
	if c.Source == "" || c.How == "" || c.Verdict == "" {
		t.Errorf("source %q, how %q, verdict %q: one is missing", c.Source, c.How, c.Verdict)
	}
	got := compute(t, c)
	t.Logf("%s: %.7g %s, published %.7g within %g\n  source: %s (%s)\n  verdict: %s", c.Quantity, got, c.Expected.Unit, c.Expected.Value, c.Tol, c.Source, c.How, c.Verdict)
	if !(math.Abs(got-c.Expected.Value) <= c.Tol) {
		t.Errorf("%s: %.6g %s, want %g within %g (%s; %s)", c.Quantity, got, c.Expected.Unit, c.Expected.Value, c.Tol, c.Source, c.Verdict)
	}
	for _, d := range c.Disagreements {
		other := c
		other.Inputs = maps.Clone(c.Inputs)
		maps.Copy(other.Inputs, d.Inputs)
		got := compute(t, other)
		t.Logf("  not agreed with: %g %s (%s): %s; here %.6g", d.Printed, d.Unit, d.Where, d.Why, got)
		if d.Where == "" || d.Why == "" || !(math.Abs(got-d.Printed) > d.Tol) {
			t.Errorf("%s: %.6g comes within %g of %g %s, which is known to be another figure (%s: %s)", c.Quantity, got, d.Tol, d.Printed, d.Unit, d.Where, d.Why)
		}
	}
}
