package knit_test

import (
	"errors"
	"fmt"
	"go/token"
	"go/types"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/knit"
	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

func mustProgram(t testing.TB, name string) knit.Program {
	t.Helper()
	p, err := knit.ReadProgram(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// frame is a machine of a usual size whose plate fits its diameter and gauge.
func frame(feeders int) knit.Machine {
	return knit.Machine{Diameter: 30, Gauge: 28, Needles: 2640, DialNeedles: 2640, Feeders: feeders}
}

func ends(g string, mm unit.Millimetres, tex unit.Tex) knit.Yarn {
	return knit.Yarn{Group: g, StitchLength: mm, Count: tex}
}

// Every structure, by hand: needles that take yarn at a feed × stitch length × tex ×
// feeds, and loops as the notation says. The frame has 2640 needles in each bed.
func TestPerTurn(t *testing.T) {
	elastane := knit.Yarn{Group: "elastane", StitchLength: 3, Count: 2.2, Draft: 2.75}
	for _, tt := range []struct {
		structure string
		feeders   int
		yarns     []knit.Yarn
		grams     float64
		shares    []float64 // in per cent
		courses   float64
		stitches  float64
		tucks     float64
		perNeedle float64
		by        string
	}{
		{"single jersey", 90, []knit.Yarn{ends("", 2.75, 20)}, 13.068, []float64{100}, 90, 237600, 0, 90, "2640*2.75*20*90/1e6"},
		{"1x1 rib", 60, []knit.Yarn{ends("", 2.75, 20)}, 17.424, []float64{100}, 60, 316800, 0, 60, "(2640+2640)*2.75*20*60/1e6"},
		{"interlock", 84, []knit.Yarn{ends("", 3.1, 15)}, 10.31184, []float64{100}, 42, 221760, 0, 42, "(1320+1320)*3.1*15*84/1e6; half of each bed knits"},
		{"single pique", 88, []knit.Yarn{ends("", 2.5, 20)}, 11.616, []float64{100}, 66, 174240, 58080, 88, "2640*2.5*20*88/1e6; each needle knits 3 and tucks 1 of 4"},
		{"double pique", 90, []knit.Yarn{ends("", 2.5, 20)}, 11.88, []float64{100}, 60, 158400, 79200, 90, "2640*2.5*20*90/1e6; each needle knits 4 and tucks 2 of 6"},
		{"two-thread fleece", 90, []knit.Yarn{ends("ground", 3, 20), ends("inlay", 1.8, 50)}, 17.82, []float64{40, 60}, 45, 118800, 29700, 90, "2640*(3*20+1.8*50)*45/1e6; inlay per needle in work; every fourth needle tucks"},
		{"three-thread fleece", 90, []knit.Yarn{ends("ground", 4, 20), ends("tie", 3, 10), ends("fleece", 2, 45)}, 15.84, []float64{40, 15, 45}, 30, 79200, 99000, 90, "2640*(80+30+90)*30/1e6; tie-in at all, fleece at every fourth needle"},
		{"plated jersey", 90, []knit.Yarn{ends("face", 3, 15), ends("back", 2.9, 10)}, 17.5824, []float64{60.81081, 39.18919}, 90, 237600, 0, 90, "2640*(3*15+2.9*10)*90/1e6; one stitch of two yarns"},
		{"elastane jersey", 90, []knit.Yarn{ends("ground", 3, 15), elastane}, 11.26224, []float64{94.936709, 5.063291}, 90, 237600, 0, 90, "2640*3*(15+2.2/2.75)*90/1e6"},
		{"elastane jersey, every second feed", 90, []knit.Yarn{ends("ground", 3, 15), elastane}, 10.97712, []float64{97.402597, 2.597403}, 90, 237600, 0, 90, "2640*3*(15*90+0.8*45)/1e6"},
		{"ponte roma", 84, []knit.Yarn{ends("", 2.75, 20)}, 12.1968, []float64{100}, 42, 221760, 0, 42, "2640*2.75*20*84/1e6: every feed serves one bed's number of needles"},
		{"milano rib", 60, []knit.Yarn{ends("rib", 3, 20), ends("plain", 2.5, 20)}, 11.616, []float64{54.545455, 45.454545}, 40, 211200, 0, 40, "5280*3*20*20/1e6 + 2640*2.5*20*40/1e6"},
		{"rot:K*6 blau:K*4", 90, []knit.Yarn{ends("rot", 2.75, 20), ends("blau", 2.75, 10)}, 10.4544, []float64{75, 25}, 90, 237600, 0, 90, "2640*2.75*(20*54+10*36)/1e6"},
		{"K K M", 90, []knit.Yarn{ends("", 2.75, 20)}, 8.712, []float64{100}, 60, 158400, 0, 60, "2640*2.75*20*60/1e6: every third feed is idle"},
	} {
		t.Run(tt.structure, func(t *testing.T) {
			s, err := knit.Setup{Machine: frame(tt.feeders), Program: mustProgram(t, tt.structure)}.WithYarns(tt.yarns...)
			if err != nil {
				t.Fatal(err)
			}
			got, err := s.PerTurn()
			if err != nil {
				t.Fatal(err)
			}
			if off := math.Abs(float64(got.Mass)/tt.grams - 1); off > 1e-9 {
				t.Errorf("%.9g g a turn, want %.9g (%s)", got.Mass, tt.grams, tt.by)
			}
			for i, d := range got.Yarns {
				if math.Abs(100*d.Share-tt.shares[i]) > 1e-5 {
					t.Errorf("%s is %.7g %% of the mass, want %.7g", d.Group, 100*d.Share, tt.shares[i])
				}
				if math.Abs(float64(d.Stitch-tt.yarns[i].StitchLength)) > 1e-9 {
					t.Errorf("%s has a stitch length of %v mm, want %v", d.Group, d.Stitch, tt.yarns[i].StitchLength)
				}
			}
			for what, v := range map[string][2]float64{"courses": {got.Courses, tt.courses}, "stitches": {got.Stitches, tt.stitches}, "tucks": {got.Tucks, tt.tucks}, "loops per needle": {got.PerNeedle, tt.perNeedle}} {
				if math.Abs(v[0]-v[1]) > 1e-6 {
					t.Errorf("%s are %g a turn, want %g (%s)", what, v[0], v[1], tt.by)
				}
			}
			checkSteps(t, got.Steps)
		})
	}
}

var numberIn = regexp.MustCompile(`[0-9]+(\.[0-9]+)?(e[+-][0-9]+)?`)

// checkSteps calculates every inserted formula again: a derivation that cannot be
// recalculated from what it prints tells another story than the result.
func checkSteps(t *testing.T, steps derive.Derivation) {
	t.Helper()
	if len(steps) == 0 {
		t.Error("no derivation")
	}
	for _, s := range steps {
		expr := strings.NewReplacer("×", "*", "−", "-").Replace(s.Inserted)
		expr = numberIn.ReplaceAllStringFunc(expr, func(n string) string {
			if strings.ContainsAny(n, ".e") {
				return n
			}
			return n + ".0"
		})
		v, err := types.Eval(token.NewFileSet(), nil, token.NoPos, expr)
		if err != nil || v.Value == nil {
			t.Errorf("%s: %q is no arithmetic: %v", s.Result, s.Inserted, err)
			continue
		}
		got, err := strconv.ParseFloat(v.Value.ExactString(), 64)
		if err != nil {
			num, den, _ := strings.Cut(v.Value.ExactString(), "/")
			a, errA := strconv.ParseFloat(num, 64)
			b, errB := strconv.ParseFloat(den, 64)
			if errA != nil || errB != nil {
				t.Errorf("%s: %q gives %s", s.Result, s.Inserted, v.Value)
				continue
			}
			got = a / b
		}
		if math.Abs(got-s.Value) > 3e-5*math.Abs(s.Value) {
			t.Errorf("%s: %q gives %.7g, the step says %.7g %s", s.Result, s.Inserted, got, s.Value, s.Unit)
		}
		for _, in := range s.Inputs {
			if in.From == "" || !strings.Contains(s.Formula, in.Name) {
				t.Errorf("%s: input %q from %q, formula %q", s.Result, in.Name, in.From, s.Formula)
			}
		}
	}
}

// The published example of a single jersey machine (apparel-merchandising.com
// 2011/08): 26.55 kg/h at 85 %; 1,269,216 m of yarn per hour of turning.
func TestPublishedExample(t *testing.T) {
	s, err := knit.Setup{
		Machine: knit.Machine{Diameter: 30, Gauge: 24, Needles: 2260, Feeders: 90},
		Program: mustProgram(t, "single jersey"),
		Origins: map[string]string{"speed": derive.Given},
	}.WithYarns(knit.Yarn{StitchLength: 4, Count: unit.FromNe(24)})
	if err != nil {
		t.Fatal(err)
	}
	r := knit.Running{Speed: 26, Efficiency: .85}
	h, err := s.PerHour(r)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(h.Kilos)-26.55) > .01 || math.Abs(float64(h.Theoretical)*.85-float64(h.Kilos)) > 1e-9 {
		t.Errorf("%.4f kg/h, theoretical %.4f, want 26.55", h.Kilos, h.Theoretical)
	}
	if math.Abs(float64(h.Yarn)/.85-1269216) > 1 {
		t.Errorf("%.1f m of yarn an hour of turning, want 1269216", float64(h.Yarn)/.85)
	}
	if v := sumKilos(h.Yarns); math.Abs(v-float64(h.Kilos)) > 1e-9 {
		t.Errorf("yarns are %g kg/h, the cloth %g", v, h.Kilos)
	}
	if h.Courses != 90*26*60*.85 || math.Abs(h.Yarns[0].Run-9.04*26) > 1e-9 {
		t.Errorf("%g courses an hour, yarn at %g m/min", h.Courses, h.Yarns[0].Run)
	}
	if math.Abs(h.Surface-math.Pi*.762*26/60) > 1e-12 {
		t.Errorf("surface %g m/s", h.Surface)
	}
	checkSteps(t, h.Steps)
	doubts, err := s.Doubts(r)
	if err != nil || len(doubts) != 1 || doubts[0].Code != "tightness" || !strings.Contains(doubts[0].String(), "12.4 tex^0.5/cm") {
		t.Errorf("doubts %v, %v; want the slack cloth of tightness 12.4 alone", doubts, err)
	}
}

func sumKilos(yarns []knit.HourDraw) float64 {
	sum := 0.0
	for _, y := range yarns {
		sum += float64(y.Kilos)
	}
	return sum
}

// K05 of the demo mill: elastane jersey; the figures by hand.
func TestOrderConesAndRoll(t *testing.T) {
	s, err := knit.Setup{Machine: knit.Machine{Diameter: 30, Gauge: 28, Needles: 2640, Feeders: 96}, Program: mustProgram(t, "elastane jersey")}.WithYarns(
		ends("ground", 3, unit.FromNe(40)), knit.Yarn{Group: "elastane", StitchLength: 3, Count: 2.2, Draft: 2.8})
	if err != nil {
		t.Fatal(err)
	}
	r := knit.Running{Speed: 27, Efficiency: .84}
	o, err := s.ForOrder(1000, .02, r)
	if err != nil {
		t.Fatal(err)
	}
	turn := 2640 * 3 * (590.5412/40 + 2.2/2.8) * 96 / 1e6
	if turns := 1e6 / turn; math.Abs(float64(o.Turns)/turns-1) > 1e-7 || math.Abs(float64(o.Hours)-turns/27/60/.84) > 1e-4 {
		t.Errorf("%v turns in %v h, want %v", o.Turns, o.Hours, turns)
	}
	if knit := o.Yarns[0].Knit + o.Yarns[1].Knit; math.Abs(float64(knit)-1000) > 1e-9 {
		t.Errorf("yarns in 1000 kg of cloth are %v kg", knit)
	}
	if got := o.Yarns[1].Bought; math.Abs(float64(got)-1000*.0505367/.98) > .01 {
		t.Errorf("%v kg of elastane to buy", got)
	}
	checkSteps(t, o.Steps)

	c, err := s.ConesOf("ground", 1.89, .05, r)
	if err != nil {
		t.Fatal(err)
	}
	km := 1840 / (590.5412 / 40)
	if hours := km / 7.92 * 1000 / 27 / 60 / .84; math.Abs(float64(c.Clock)-hours) > 1e-4 || math.Abs(c.PerHour*float64(c.Clock)-96) > 1e-9 || math.Abs(float64(c.Length)-km*1000) > .1 {
		t.Errorf("cone of %v m lasts %v h, %v changes an hour; want %v km, %v h", c.Length, c.Clock, c.PerHour, km, hours)
	}
	if math.Abs(float64(c.Running)-.84*float64(c.Clock)) > 1e-12 {
		t.Errorf("%v h of turning in %v", c.Running, c.Clock)
	}
	checkSteps(t, c.Steps)
	bobbin, err := s.ConesOf("elastane", .5, 0, r)
	if err != nil || math.Abs(float64(bobbin.Turns)-500/(2.2*7.92/2.8/1000)) > .01 {
		t.Errorf("bobbin lasts %v turns, %v", bobbin.Turns, err)
	}

	d := knit.Density{Courses: 19.5, Wales: 13.5, State: knit.OnMachine}
	roll, err := s.RollOf(25, d, r)
	if err != nil || roll.State != knit.OnMachine || math.Abs(float64(roll.Length)-float64(roll.Turns)*96/19.5/100) > 1e-9 {
		t.Errorf("roll %+v, %v", roll, err)
	}
	checkSteps(t, roll.Steps)
	if back, err := s.TurnsOfLength(roll.Length, d); err != nil || math.Abs(float64(back/roll.Turns)-1) > 1e-12 {
		t.Errorf("%v m take %v turns, %v; a roll of that length took %v", roll.Length, back, err, roll.Turns)
	}
	if roll, err := s.RollOf(25, knit.Density{}, r); err != nil || roll.Length != 0 || math.Abs(float64(roll.Turns)-25000/turn) > .01 {
		t.Errorf("roll without courses %+v, %v", roll, err)
	}
}

// Without a program a card gives mass and nothing that would be a guess.
func TestWithoutProgram(t *testing.T) {
	s := knit.Setup{Machine: frame(90), Card: knit.Card{Feeds: []knit.FeedGroup{{ID: "all", Feeders: 90, CourseLength: 7.26, Count: 20}}}}
	turn, err := s.PerTurn()
	if err != nil || turn.Courses != 0 || turn.Stitches != 0 || turn.Yarns[0].Stitch != 0 || math.Abs(float64(turn.Mass)-13.068) > 1e-9 {
		t.Errorf("%+v, %v", turn, err)
	}
	if s.StitchLength("all") != 0 || s.TightnessOf("all") != 0 {
		t.Error("a stitch length is told without a program")
	}
	checkSteps(t, turn.Steps)
	r := knit.Running{Speed: 28, Efficiency: 1}
	if _, err := s.Fabric(knit.Density{Courses: 20, Wales: 14, State: knit.Finished}, r); !errors.Is(err, knit.ErrProgram) {
		t.Errorf("cloth without a program: %v", err)
	}
	if doubts, err := s.Doubts(knit.Running{}); err != nil || len(doubts) != 0 {
		t.Errorf("doubts %v, %v", doubts, err)
	}
}

func TestUnusableSetups(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := knit.Setup{Machine: frame(90), Program: mustProgram(t, "K"), Card: knit.Card{Feeds: []knit.FeedGroup{{ID: "all", Feeders: 90, CourseLength: 7.26, Count: 20}}}}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		edit func(s *knit.Setup)
		kind error
		hint string
	}{
		"no needles":         {func(s *knit.Setup) { s.Machine.Needles = 0 }, knit.ErrMachine, "needles of the cylinder is 0"},
		"negative dial":      {func(s *knit.Setup) { s.Machine.DialNeedles = -1 }, knit.ErrMachine, "needles of the dial"},
		"absurd needles":     {func(s *knit.Setup) { s.Machine.Needles = 2256 }, knit.ErrMachine, "within 5 % of 2639"},
		"no feeders":         {func(s *knit.Setup) { s.Machine.Feeders = 0 }, knit.ErrMachine, "feeders"},
		"diameter in mm":     {func(s *knit.Setup) { s.Machine.Diameter = 762 }, knit.ErrMachine, "millimetres over 25.4"},
		"diameter is none":   {func(s *knit.Setup) { s.Machine.Diameter = unit.Inches(nan) }, knit.ErrMachine, "diameter"},
		"endless gauge":      {func(s *knit.Setup) { s.Machine.Gauge = unit.Gauge(inf) }, knit.ErrMachine, "gauge"},
		"more than cut":      {func(s *knit.Setup) { s.InWork = 2641 }, knit.ErrMachine, "2640 that are cut"},
		"more dial than cut": {func(s *knit.Setup) { s.DialInWork = 2641 }, knit.ErrMachine, "2640 that are cut"},
		"more feeds":         {func(s *knit.Setup) { s.Feeds = 91 }, knit.ErrMachine, "90 of the frame"},
		"not a repeat":       {func(s *knit.Setup) { s.Program = mustProgram(t, "K KT K TK") }, knit.ErrProgram, "multiple of the repeat's 4; run over 88 or 92 feeds"},
		"no dial":            {func(s *knit.Setup) { s.Machine.DialNeedles = 0; s.Program = mustProgram(t, "K/K") }, knit.ErrProgram, "without dial needles"},
		"unknown group":      {func(s *knit.Setup) { s.Program = mustProgram(t, "all+more:K") }, knit.ErrProgram, `"more" is not in the card`},
		"group at no feed":   {func(s *knit.Setup) { s.Program = mustProgram(t, "other:K") }, knit.ErrProgram, `"all" is at no feed`},
		"wrong feeders": {func(s *knit.Setup) {
			s.Card.Feeds = []knit.FeedGroup{{ID: "all", Feeders: 89, CourseLength: 7, Count: 20}}
		}, knit.ErrCard, "89, expected 90"},
		"twice": {func(s *knit.Setup) { s.Card.Feeds = append(s.Card.Feeds[:1:1], s.Card.Feeds[0]) }, knit.ErrProgram, "at no feed"},
		"twice, named": {func(s *knit.Setup) {
			s.Program = mustProgram(t, "all:K")
			s.Card.Feeds = append(s.Card.Feeds[:1:1], s.Card.Feeds[0])
		}, knit.ErrCard, "each ID once"},
		"no card":              {func(s *knit.Setup) { s.Card = knit.Card{} }, knit.ErrCard, "no feed group"},
		"course length absurd": {func(s *knit.Setup) { s.Card.Feeds = []knit.FeedGroup{{Feeders: 90, CourseLength: 1e300, Count: 20}} }, knit.ErrCard, "1e+300"},
	} {
		s := good
		tt.edit(&s)
		_, err := s.PerTurn()
		if !errors.Is(err, tt.kind) || !strings.Contains(fmt.Sprint(err), tt.hint) {
			t.Errorf("%s: %v, want %v that says %q", name, err, tt.kind, tt.hint)
		}
		if _, err := s.Doubts(knit.Running{}); err == nil {
			t.Errorf("%s: doubts are given", name)
		}
	}
	const once = "machine is not usable: needles of the cylinder is 0, expected 1 to 20000; read them from the plate"
	if err := (knit.Machine{}).Validate(); err == nil || err.Error() != once {
		t.Errorf("%v, want %s", err, once)
	}
	for _, r := range []knit.Running{{}, {Speed: 28}, {Speed: 28, Efficiency: 85}, {Speed: unit.RPM(nan), Efficiency: 1}, {Speed: unit.RPM(inf), Efficiency: 1}, {Speed: -1, Efficiency: 1}, {Speed: 28, Efficiency: nan}} {
		if _, err := good.PerHour(r); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("%+v: %v, want ErrQuantity", r, err)
		}
	}
	r := knit.Running{Speed: 28, Efficiency: .9}
	for _, v := range []float64{nan, inf, -1, 0, 1e300} {
		_, order := good.ForOrder(unit.Kilograms(v), 0, r)
		_, roll := good.RollOf(unit.Kilograms(v), knit.Density{}, r)
		_, length := good.TurnsOfLength(unit.Metres(v), knit.Density{Courses: 20, Wales: 14, State: knit.Finished})
		_, cone := good.ConesOf("all", unit.Kilograms(v), 0, r)
		_, courses := good.Fabric(knit.Density{Courses: unit.PerCm(v), Wales: 14, State: knit.Finished}, r)
		_, wales := good.RollOf(25, knit.Density{Courses: 20, Wales: unit.PerCm(v), State: knit.Finished}, r)
		_, munden := knit.Munden(knit.GreyRelaxed, unit.Millimetres(v))
		for what, err := range map[string]error{"order": order, "roll": roll, "length": length, "cone": cone, "courses": courses, "wales": wales, "munden": munden} {
			if !errors.Is(err, knit.ErrQuantity) {
				t.Errorf("%s of %g: %v, want ErrQuantity", what, v, err)
			}
		}
	}
	for _, waste := range []float64{nan, -.1, 1, 2} {
		if _, err := good.ForOrder(100, waste, r); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("waste %g: %v", waste, err)
		}
		if _, err := good.ConesOf("all", 1, unit.Kilograms(waste), r); !errors.Is(err, knit.ErrQuantity) && waste != 0 {
			t.Errorf("rest %g: %v", waste, err)
		}
	}
	if _, err := good.ConesOf("other", 1, 0, r); !errors.Is(err, knit.ErrCard) {
		t.Errorf("cone of no group: %v", err)
	}
	for _, y := range []knit.Yarn{{Count: 20}, {Count: 20, StitchLength: unit.Millimetres(nan)}, {Count: 20, StitchLength: -1}, {StitchLength: 3}, {Count: 20, CourseLength: -3}} {
		if _, err := good.WithYarns(y); !errors.Is(err, knit.ErrCard) {
			t.Errorf("%+v: %v, want ErrCard", y, err)
		}
	}
	named := knit.Setup{Machine: frame(90), Program: mustProgram(t, "a:K")}
	if _, err := named.WithYarns(ends("b", 3, 20)); !errors.Is(err, knit.ErrProgram) {
		t.Errorf("yarn of no feed: %v", err)
	}
}

// Mass is conserved over the feeds of any program, additive over its yarns, and
// scales with count, stitch length and feeds.
func TestSetupProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProgram(t)
		if p.Validate() != nil {
			return
		}
		rounds := rapid.IntRange(1, 12).Draw(t, "rounds")
		m := knit.Machine{Needles: rapid.IntRange(100, 4000).Draw(t, "needles"), DialNeedles: 2000, Feeders: rounds * len(p.Feeds)}
		yarns := func(tex, mm float64) []knit.Yarn {
			var ys []knit.Yarn
			for i, id := range p.Groups() {
				ys = append(ys, ends(id, unit.Millimetres(mm*float64(i+1)), unit.Tex(tex*float64(i+1))))
			}
			return ys
		}
		tex := rapid.Float64Range(1, 50).Draw(t, "tex")
		mm := rapid.Float64Range(1, 4).Draw(t, "mm")
		weigh := func(m knit.Machine, ys []knit.Yarn) (knit.Turn, bool) {
			s, err := knit.Setup{Machine: m, Program: p}.WithYarns(ys...)
			if err != nil {
				if !errors.Is(err, knit.ErrCard) { // a course length beyond belief
					t.Fatal(err)
				}
				return knit.Turn{}, false
			}
			turn, err := s.PerTurn()
			if err != nil {
				t.Fatal(err)
			}
			return turn, true
		}
		one, ok := weigh(m, yarns(tex, mm))
		if !ok {
			return
		}
		// Feed by feed, needle by needle: the slow way round.
		sum := 0.0
		for _, f := range p.Feeds {
			groups := f.Groups
			if len(groups) == 0 && !f.Idle() {
				groups = []string{""}
			}
			for _, g := range groups {
				for i, id := range p.Groups() {
					if id == g {
						sum += takers(f, float64(m.Needles), 2000) * mm * float64(i+1) * tex * float64(i+1) / 1e6
					}
				}
			}
		}
		if sum *= float64(rounds); math.Abs(float64(one.Mass)/sum-1) > 1e-9 {
			t.Fatalf("%s: %g g a turn, needle by needle %g", p, one.Mass, sum)
		}
		shares := 0.0
		for _, d := range one.Yarns {
			shares += d.Share
		}
		if math.Abs(shares-1) > 1e-12 {
			t.Fatalf("shares sum to %g", shares)
		}
		s, err := knit.Setup{Machine: m, Program: p}.WithYarns(yarns(tex, mm)...)
		if err != nil {
			t.Fatal(err)
		}
		a := unit.Kilograms(rapid.Float64Range(1, 1e4).Draw(t, "first part"))
		b := unit.Kilograms(rapid.Float64Range(1, 1e4).Draw(t, "second part"))
		var turns [3]unit.Revolutions
		for i, kg := range [...]unit.Kilograms{a, b, a + b} {
			o, err := s.ForOrder(kg, .01, knit.Running{Speed: 25, Efficiency: .9})
			if err != nil {
				t.Fatal(err)
			}
			turns[i] = o.Turns
		}
		if math.Abs(float64((turns[0]+turns[1])/turns[2])-1) > 1e-12 {
			t.Fatalf("an order in two parts takes %v and %v turns, whole %v", turns[0], turns[1], turns[2])
		}
		double := m
		double.Feeders *= 2
		for what, again := range map[string]func() (knit.Turn, bool){
			"count":  func() (knit.Turn, bool) { return weigh(m, yarns(2*tex, mm)) },
			"stitch": func() (knit.Turn, bool) { return weigh(m, yarns(tex, 2*mm)) },
			"feeds":  func() (knit.Turn, bool) { return weigh(double, yarns(tex, mm)) },
		} {
			two, ok := again()
			if ok && math.Abs(float64(two.Mass/one.Mass)-2) > 1e-9 {
				t.Fatalf("%s: twice the %s gives %g g after %g", p, what, two.Mass, one.Mass)
			}
		}
	})
}

// takers counts needles at a feed by walking the beds' letters.
func takers(f knit.Feed, cylinder, dial float64) float64 {
	n := 0.0
	for _, bed := range []struct {
		letters string
		needles float64
	}{{string(f.Cylinder), cylinder}, {string(f.Dial), dial}} {
		take := strings.Count(bed.letters, "K") + strings.Count(bed.letters, "T")
		if f.Inlay() && take > 0 {
			take = len(bed.letters) // stated per needle in work
		}
		if len(bed.letters) > 0 {
			n += bed.needles * float64(take) / float64(len(bed.letters))
		}
	}
	return n
}

// FuzzSetup: whatever numbers a person types, an answer is finite and an error is
// one of ours.
func FuzzSetup(f *testing.F) {
	f.Add(30.0, 28.0, 2640, 2640, 96, "K", 7.26, 19.7, 1.0, 28.0, 0.85, 19.5, 13.0, 25.0)
	f.Add(30.0, 18.0, 1696, 1696, 60, "g+e:K/K", 9.3, 21.0, 2.8, 24.0, 1.0, 14.0, 9.0, 1e300)
	f.Fuzz(func(t *testing.T, diameter, gauge float64, needles, dial, feeders int, program string, course, tex, draft, rpm, share, courses, wales, kilos float64) {
		p, _ := knit.ReadProgram(program)
		s := knit.Setup{Machine: knit.Machine{Diameter: unit.Inches(diameter), Gauge: unit.Gauge(gauge), Needles: needles, DialNeedles: dial, Feeders: feeders}, Program: p}
		r := knit.Running{Speed: unit.RPM(rpm), Efficiency: share}
		var yarns []knit.Yarn
		for _, id := range p.Groups() {
			yarns = append(yarns, knit.Yarn{Group: id, CourseLength: unit.Metres(course), StitchLength: unit.Millimetres(tex / 7), Count: unit.Tex(tex), Draft: draft})
		}
		ours := func(err error) bool {
			_, ok := errors.AsType[*knit.InputError](err)
			return ok || errors.Is(err, knit.ErrCard)
		}
		s, err := s.WithYarns(yarns...)
		if err != nil {
			if !ours(err) {
				t.Fatal(err)
			}
			return
		}
		h, err := s.PerHour(r)
		if err != nil {
			if !ours(err) {
				t.Fatal(err)
			}
			return
		}
		d := knit.Density{Courses: unit.PerCm(courses), Wales: unit.PerCm(wales), State: knit.Finished}
		cloth, errCloth := s.Fabric(d, r)
		order, errOrder := s.ForOrder(unit.Kilograms(kilos), .01, r)
		_, errDoubts := s.Doubts(r)
		for _, err := range []error{errCloth, errOrder, errDoubts} {
			if err != nil && !ours(err) {
				t.Fatal(err)
			}
		}
		for _, v := range []float64{float64(h.Kilos), float64(h.Yarn), h.Courses, float64(cloth.GSM), float64(cloth.PerHour), float64(order.Turns), float64(order.Hours)} {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				t.Fatalf("%+v: %v %+v %+v", s, h, cloth, order)
			}
		}
	})
}

func BenchmarkMassPerRevolution(b *testing.B) {
	for name, card := range map[string]knit.Card{
		"one yarn":    {Feeds: []knit.FeedGroup{{ID: "all", Feeders: 90, CourseLength: 7.26, Count: 19.7}}},
		"three yarns": {Feeds: []knit.FeedGroup{{ID: "ground", Feeders: 30, CourseLength: 7.9, Count: 22.7}, {ID: "tie", Feeders: 30, CourseLength: 6, Count: 8.3}, {ID: "fleece", Feeders: 30, CourseLength: 3.2, Count: 49.2}}},
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := card.MassPerRevolution(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
