package knit_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

func plainSetup(t testing.TB, mm unit.Millimetres, tex unit.Tex) knit.Setup {
	t.Helper()
	s, err := knit.Setup{Machine: frame(96), Program: mustProgram(t, "single jersey")}.WithYarns(ends("", mm, tex))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Plain cloth by two ways: the mass of a turn over its area, and courses × wales ×
// stitch length × tex / 100 (textbook formula).
func TestFabricOfPlainCloth(t *testing.T) {
	r := knit.Running{Speed: 28, Efficiency: .85}
	rapid.Check(t, func(rt *rapid.T) {
		c := unit.PerCm(rapid.Float64Range(5, 40).Draw(rt, "courses"))
		w := unit.PerCm(rapid.Float64Range(5, 40).Draw(rt, "wales"))
		mm := unit.Millimetres(rapid.Float64Range(1.5, 5).Draw(rt, "mm"))
		tex := unit.Tex(rapid.Float64Range(5, 60).Draw(rt, "tex"))
		s := plainSetup(t, mm, tex)
		f, err := s.Fabric(knit.Density{Courses: c, Wales: w, State: knit.Finished}, r)
		if err != nil {
			rt.Fatal(err)
		}
		want := knit.GramsPerSquareMetre(float64(c), float64(w), mm, tex)
		if math.Abs(float64(f.GSM)/want-1) > 1e-9 || math.Abs(want/(float64(c*w)*float64(mm)*float64(tex)/100)-1) > 1e-9 {
			rt.Fatalf("%g g/m2, textbook formula %g", f.GSM, want)
		}
		h, err := s.PerHour(r)
		if err != nil {
			rt.Fatal(err)
		}
		if kg := float64(f.PerHour) * float64(f.OpenWidth) * float64(f.GSM) / 1000; math.Abs(kg/float64(h.Kilos)-1) > 1e-9 {
			rt.Fatalf("%g kg/h of cloth, %g of yarn", kg, h.Kilos)
		}
		if f.TubularWidth*2 != f.OpenWidth || f.State != knit.Finished || math.Abs(f.MetresPerKilo*f.GramsPerMetre-1000) > 1e-9 {
			rt.Fatalf("%+v", f)
		}
	})
}

// The worked default of a 30 inch E28 machine: 49.2 mm of cloth a turn at 19.5
// courses per cm (own calculation).
func TestFabricSteps(t *testing.T) {
	s := plainSetup(t, 2.75, unit.FromNe(30))
	f, err := s.Fabric(knit.Density{Courses: 19.5, Wales: 13.5, State: knit.OnMachine}, knit.Running{Speed: 28, Efficiency: .85})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(f.PerTurn)-.0492) > 5e-5 || math.Abs(float64(f.OpenWidth)-1.9556) > 1e-4 {
		t.Errorf("%v m a turn, %v m wide", f.PerTurn, f.OpenWidth)
	}
	checkSteps(t, f.Steps)
	last, _ := f.Steps.Last()
	if last.Result != "mass per area, on machine" || last.Unit != "g/m2" {
		t.Errorf("last step %+v", last)
	}
	if k := s.TightnessOf(""); math.Abs(float64(k)-16.13) > .01 {
		t.Errorf("tightness %v, want 16.1 tex^0.5/cm (own calculation)", k)
	}
	if l := knit.StitchLengthFor(unit.FromNe(30), s.TightnessOf("")); math.Abs(float64(l)-2.75) > 1e-9 {
		t.Errorf("stitch length %v mm for that tightness", l)
	}
	if knit.StitchLengthFor(0, 15) != 0 || knit.StitchLengthFor(20, unit.Tightness(math.Inf(1))) != 0 {
		t.Error("a stitch length of nothing")
	}
}

// Interlock: two feeds a course, so the length per turn is half that of plain;
// mass per area counts both beds' loops.
func TestFabricOfInterlock(t *testing.T) {
	s, err := knit.Setup{Machine: frame(96), Program: mustProgram(t, "interlock")}.WithYarns(ends("", 3, 15))
	if err != nil {
		t.Fatal(err)
	}
	f, err := s.Fabric(knit.Density{Courses: 17, Wales: 12, State: knit.GreyRelaxed}, knit.Running{Speed: 31, Efficiency: .85})
	if err != nil {
		t.Fatal(err)
	}
	// 44.64 m/h: textilecalculations.com, 'Production of Interlock Circular Knitting Machine', example 1.
	if math.Abs(float64(f.PerHour)-44.64) > .01 {
		t.Errorf("%v m/h, want 44.64", f.PerHour)
	}
	if want := 2 * 17 * 12 * 3 * 15 / 100.0; math.Abs(float64(f.GSM)-want) > 1e-9 {
		t.Errorf("%v g/m2, want %g: a course has loops on both beds", f.GSM, want)
	}
}

func TestMunden(t *testing.T) {
	d, err := knit.Munden(knit.FullyRelaxed, 5)
	if err != nil {
		t.Fatal(err)
	}
	// GATE Textile Engineering & Fibre Science examination 2015, question 54: 92.4.
	if math.Abs(float64(d.Courses*d.Wales)-92.4) > 1e-9 || d.State != knit.FullyRelaxed || !strings.Contains(d.Origin, "GATE") {
		t.Errorf("%+v", d)
	}
	for _, r := range knit.Relaxations() {
		if math.Abs(r.Shape()-1.3) > .03 || !within(r.Ks(), 18.9, 23.2) || r.Source == "" {
			t.Errorf("%+v: shape %g, Ks %g; usual 1.3 and 19 to 23.1 (textbook figures, from memory)", r, r.Shape(), r.Ks())
		}
	}
	for _, s := range []knit.State{knit.Unstated, knit.OnMachine, knit.Finished, 99} {
		if _, err := knit.Munden(s, 3); !errors.Is(err, knit.ErrQuantity) || !strings.Contains(err.Error(), "count courses and wales") {
			t.Errorf("%v: %v, want to be told to count", s, err)
		}
	}
	s := plainSetup(t, 2.78, unit.FromNe(28))
	guess, err := s.Relaxed(knit.GreyRelaxed)
	if err != nil {
		t.Fatal(err)
	}
	f, err := s.Fabric(guess, knit.Running{Speed: 28, Efficiency: 1})
	if err != nil || math.Abs(float64(f.GSM)-19*21.0908/2.78) > .01 {
		t.Errorf("%v g/m2, %v; want Ks × tex / stitch length", f.GSM, err)
	}
	elastic, err := knit.Setup{Machine: frame(96), Program: mustProgram(t, "elastane jersey")}.WithYarns(ends("ground", 3, 15), knit.Yarn{Group: "elastane", StitchLength: 3, Count: 2.2, Draft: 2.8})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := elastic.Relaxed(knit.GreyRelaxed); !errors.Is(err, knit.ErrCard) {
		t.Errorf("constants of plain cloth with elastane: %v", err)
	}
	if f, err := elastic.DoubtsOfCloth(knit.Density{Courses: 40, Wales: 40, State: knit.GreyRelaxed}); err != nil || f != nil {
		t.Errorf("elastane's density is doubted: %v, %v", f, err)
	}
	if f, err := elastic.DoubtsOfCloth(knit.Density{Courses: 20, Wales: 14, State: knit.OnMachine}); err != nil || len(f) != 1 || f[0].Code != "elastane_on_machine" {
		t.Errorf("elastane on the machine: %v, %v", f, err)
	}
	rib, err := knit.Setup{Machine: frame(60), Program: mustProgram(t, "rib")}.WithYarns(ends("", 2.75, 20))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rib.Relaxed(knit.GreyRelaxed); !errors.Is(err, knit.ErrProgram) {
		t.Errorf("constants of plain cloth for rib: %v", err)
	}
}

func within(v, low, high float64) bool { return v >= low && v <= high }

func TestStates(t *testing.T) {
	for _, s := range []knit.State{knit.OnMachine, knit.GreyRelaxed, knit.WetRelaxed, knit.FullyRelaxed, knit.Finished} {
		if got, err := knit.ParseState(strings.ToUpper(s.String())); err != nil || got != s {
			t.Errorf("%q reads %v, %v", s, got, err)
		}
	}
	if got, err := knit.ParseState("dry_relaxed"); err != nil || got != knit.GreyRelaxed {
		t.Errorf("dry_relaxed reads %v, %v", got, err)
	}
	for _, text := range []string{"", "state not told", "relaxed", "washed"} {
		if _, err := knit.ParseState(text); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("%q: %v", text, err)
		}
	}
	s := plainSetup(t, 2.75, 20)
	for _, state := range []knit.State{knit.Unstated, 99} {
		if _, err := s.Fabric(knit.Density{Courses: 20, Wales: 14, State: state}, knit.Running{Speed: 28, Efficiency: 1}); !errors.Is(err, knit.ErrQuantity) || !strings.Contains(err.Error(), "state is state not told") && state == 0 {
			t.Errorf("courses in %v: %v", state, err)
		}
	}
}

// The demo mill raises no doubt: its cards are of usual articles.
func TestDemoMillIsUndoubted(t *testing.T) {
	for _, tt := range []struct {
		name, structure string
		machine         knit.Machine
		rpm             unit.RPM
		yarns           []knit.Yarn
	}{
		{"K01", "single jersey", knit.Machine{Diameter: 30, Gauge: 28, Needles: 2640, Feeders: 90}, 28, []knit.Yarn{ends("", 2.75, unit.FromNe(30))}},
		{"K03", "single jersey", knit.Machine{Diameter: 30, Gauge: 24, Needles: 2256, Feeders: 90}, 30, []knit.Yarn{ends("", 3, unit.FromNe(24))}},
		{"K04", "single jersey", knit.Machine{Diameter: 34, Gauge: 28, Needles: 2976, Feeders: 102}, 25, []knit.Yarn{ends("", 2.75, unit.FromNe(30))}},
		{"K05", "elastane jersey", knit.Machine{Diameter: 30, Gauge: 28, Needles: 2640, Feeders: 96}, 27, []knit.Yarn{ends("ground", 3, unit.FromNe(40)), {Group: "elastane", StitchLength: 3, Count: 2.2, Draft: 2.8}}},
		{"K07", "double pique", knit.Machine{Diameter: 30, Gauge: 24, Needles: 2256, Feeders: 90}, 26, []knit.Yarn{ends("", 2.65, unit.FromNe(26))}},
		{"K09", "1x1 rib", knit.Machine{Diameter: 30, Gauge: 18, Needles: 1696, DialNeedles: 1696, Feeders: 60}, 24, []knit.Yarn{ends("", 2.75, unit.FromNe(28))}},
		{"K10", "1x1 rib with elastane", knit.Machine{Diameter: 34, Gauge: 18, Needles: 1920, DialNeedles: 1920, Feeders: 66}, 20, []knit.Yarn{ends("ground", 2.75, unit.FromNe(30)), {Group: "elastane", StitchLength: 2.75, Count: 4.4, Draft: 2.7}}},
		{"K11", "interlock", knit.Machine{Diameter: 30, Gauge: 24, Needles: 2256, DialNeedles: 2256, Feeders: 84}, 26, []knit.Yarn{ends("", 3.1, unit.FromNe(40))}},
		{"K12", "interlock", knit.Machine{Diameter: 30, Gauge: 28, Needles: 2640, DialNeedles: 2640, Feeders: 84}, 25, []knit.Yarn{ends("", 2.7, 8.4)}},
		{"K13", "three-thread fleece", knit.Machine{Diameter: 30, Gauge: 20, Needles: 1884, Feeders: 90}, 22, []knit.Yarn{ends("ground", 4.2, unit.FromNe(26)), ends("tie", 3.2, 8.3), ends("fleece", 1.7, unit.FromNe(12))}},
	} {
		s, err := knit.Setup{Machine: tt.machine, Program: mustProgram(t, tt.structure)}.WithYarns(tt.yarns...)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		for _, f := range must2(t)(s.Doubts(knit.Running{Speed: tt.rpm, Efficiency: .85})) {
			t.Errorf("%s: %s: %s", tt.name, f.Code, f)
		}
	}
}

func must2(t *testing.T) func([]knit.Finding, error) []knit.Finding {
	return func(f []knit.Finding, err error) []knit.Finding {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
}

func TestDoubts(t *testing.T) {
	base := knit.Machine{Diameter: 30, Gauge: 28, Needles: 2640, DialNeedles: 0, Feeders: 90}
	ne30 := unit.FromNe(30)
	edit := func(f func(m *knit.Machine)) knit.Machine { m := base; f(&m); return m }
	for _, tt := range []struct {
		code, structure string
		machine         knit.Machine
		rpm             unit.RPM
		yarns           []knit.Yarn
		says            string
	}{
		{"needles_off_plate", "K", edit(func(m *knit.Machine) { m.Needles = 2592 }), 28, []knit.Yarn{ends("", 2.75, ne30)}, "is 2592, expected within 1 % of 2639"},
		{"dial_off_cylinder", "K/K", edit(func(m *knit.Machine) { m.DialNeedles = 1320 }), 20, []knit.Yarn{ends("", 2.75, ne30)}, "1320"},
		{"feeders_dense", "K", edit(func(m *knit.Machine) { m.Feeders = 150 }), 28, []knit.Yarn{ends("", 2.75, ne30)}, "is 5, expected up to 4.8"},
		{"repeat_not_whole", "KTTTTTT", base, 28, []knit.Yarn{ends("", 2.75, ne30)}, "a multiple of the repeat's 7"},
		{"tightness", "K", base, 20, []knit.Yarn{ends("", 4.1, ne30)}, "slack"},
		{"tightness", "K", base, 28, []knit.Yarn{ends("", 2.4, ne30)}, "18.49 tex^0.5/cm, expected 13 to 17"},
		{"count_for_gauge", "K", base, 28, []knit.Yarn{ends("", 3.5, unit.FromNe(20))}, "Ne 20, expected Ne 28 to 40 for plain cotton at E28"},
		{"count_for_gauge", "K", base, 20, []knit.Yarn{{StitchLength: 4, Count: ne30, Ends: 2}}, "Ne 15"},
		{"stitch_against_course", "K", base, 28, []knit.Yarn{{StitchLength: 2.9, CourseLength: 7.26, Count: ne30}}, "is 2.9 mm, expected within 3 % of 2.75 mm, which 7.26 m over 2640 needles make"},
		{"stitch_length", "KT TK", base, 10, []knit.Yarn{ends("", 7, ne30)}, "7 mm"},
		{"draft", "ground+elastane:K", base, 28, []knit.Yarn{ends("ground", 2.9, ne30), {Group: "elastane", StitchLength: 2.9, Count: 2.2, Draft: 5}}, "is 5, expected 2 to 4"},
		{"no_draft", "ground+elastane:K/K", edit(func(m *knit.Machine) { m.DialNeedles = 2640 }), 18, []knit.Yarn{ends("ground", 2.9, ne30), ends("elastane", 2.9, 2.2)}, "overstated"},
		{"mixed_feeds", "K/K K/M", edit(func(m *knit.Machine) { m.DialNeedles = 2640 }), 20, []knit.Yarn{ends("", 2.75, ne30)}, "measure each"},
		{"yarn_fast", "K", base, 48, []knit.Yarn{ends("", 2.75, ne30)}, "is 348.5 m/min"},
		{"speed_high", "KM KM", base, 55, []knit.Yarn{ends("", 2.75, ne30)}, "is 1650 in·rev/min, expected up to 1500"},
	} {
		s, err := knit.Setup{Machine: tt.machine, Program: mustProgram(t, tt.structure)}.WithYarns(tt.yarns...)
		if err != nil {
			t.Errorf("%s: %v", tt.code, err)
			continue
		}
		all := must2(t)(s.Doubts(knit.Running{Speed: tt.rpm, Efficiency: .85}))
		if len(all) != 1 || all[0].Code != tt.code || !strings.Contains(all[0].String(), tt.says) || all[0].Source == "" || all[0].Doubt != knit.Unusual {
			t.Errorf("%s: %v, want it alone, saying %q", tt.code, all, tt.says)
		}
		if _, err := s.PerTurn(); err != nil {
			t.Errorf("%s: a doubt refuses: %v", tt.code, err)
		}
	}
	s := plainSetup(t, 2.75, ne30)
	s.InWork = 1320
	if all := must2(t)(s.Doubts(knit.Running{})); len(all) == 0 || all[0].Code != "needles_out_of_work" || !strings.Contains(all[0].String(), "1320 of 2640") {
		t.Errorf("half of the needles in work: %v", all)
	}
}

func TestDoubtsOfCloth(t *testing.T) {
	s := plainSetup(t, 2.75, unit.FromNe(30))
	for _, tt := range []struct {
		courses, wales unit.PerCm
		codes          string
	}{
		{19.5, 13.5, ""},
		{49.5, 34.3, "stitch_density"}, // per inch, taken for per cm
		{26, 12, "stitch_shape"},
		{12, 12.5, "stitch_density stitch_shape"},
	} {
		f, err := s.DoubtsOfCloth(knit.Density{Courses: tt.courses, Wales: tt.wales, State: knit.OnMachine})
		var codes []string
		for _, f := range f {
			codes = append(codes, f.Code)
		}
		if err != nil || strings.Join(codes, " ") != tt.codes {
			t.Errorf("%v courses, %v wales: %v, %v; want %q", tt.courses, tt.wales, f, err, tt.codes)
		}
	}
	if _, err := s.DoubtsOfCloth(knit.Density{}); !errors.Is(err, knit.ErrQuantity) {
		t.Errorf("nothing counted: %v", err)
	}
	for _, r := range knit.Relaxations() { // Munden's own cloth is not doubted
		d, err := r.Density(2.75)
		if err != nil {
			t.Fatal(err)
		}
		if f, err := s.DoubtsOfCloth(d); err != nil || len(f) != 0 {
			t.Errorf("%v: %v, %v", r.State, f, err)
		}
	}
}

func Example() {
	jersey, _ := knit.ReadProgram("single jersey")
	s, err := knit.Setup{
		Machine: knit.Machine{Diameter: 30, Gauge: 24, Needles: 2260, Feeders: 90},
		Program: jersey,
	}.WithYarns(knit.Yarn{StitchLength: 4, Count: unit.FromNe(24)})
	if err != nil {
		fmt.Println(err)
		return
	}
	h, err := s.PerHour(knit.Running{Speed: 26, Efficiency: 0.85})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f kg/h\n", h.Kilos)
	fmt.Print(h.Steps[:2])
	// Output:
	// 26.55 kg/h
	// 1. course length
	//      = needles taking yarn × stitch length / 1000
	//      = 2260 × 4 / 1000
	//      = 9.04 m/rev
	//        needles taking yarn: 2260 needles (plate and feed program)
	//        stitch length: 4 mm (knit card)
	// 2. mass per turn
	//      = course length × count × feeders / 1000
	//      = 9.04 × 24.6059 × 90 / 1000
	//      = 20.0193 g/rev
	//        course length: 9.04 m/rev (step above)
	//        count: 24.6059 tex (knit card)
	//        feeders: 90 (knit card)
}
