package knit_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

func count(t testing.TB, s string) unit.Tex {
	c, err := unit.ParseCount(s)
	if err != nil {
		t.Fatal(err)
	}
	return c.Tex
}

// The demo mill: grams per turn, turns of a 25 kg roll, cone hours at the running
// share. The figures were calculated by hand with the textbook formula and are
// rounded as printed.
func TestDemoMill(t *testing.T) {
	group := func(feeders, needles int, mm float64, yarn string) knit.FeedGroup {
		return knit.FeedGroup{Feeders: feeders, CourseLength: knit.CourseLength(needles, unit.Millimetres(mm)), Count: count(t, yarn)}
	}
	drafted := func(g knit.FeedGroup, draft float64) knit.FeedGroup { g.Draft = draft; return g }
	for _, tt := range []struct {
		name    string
		card    []knit.FeedGroup
		rpm     unit.RPM
		share   float64
		grams   float64
		kgPerH  float64
		roll    float64
		cone    []unit.Kilograms
		coneHrs []float64
	}{
		{"K01", []knit.FeedGroup{group(90, 2640, 2.75, "Ne 30")}, 28, .88, 12.862, 19.0, 1944, []unit.Kilograms{1.89}, []float64{8.9}},
		{"K03", []knit.FeedGroup{group(90, 2256, 3.00, "Ne 24")}, 30, .87, 14.988, 23.5, 1668, []unit.Kilograms{1.89}, []float64{7.2}},
		{"K05", []knit.FeedGroup{group(96, 2640, 3.00, "Ne 40"), drafted(group(96, 2640, 3.00, "22 dtex"), 2.8)}, 27, .84, 11.822, 16.1, 2115, []unit.Kilograms{1.89, 0.5}, []float64{11.9, 59}},
		{"K09", []knit.FeedGroup{group(60, 3392, 2.75, "Ne 28")}, 24, .85, 11.804, 14.5, 2118, []unit.Kilograms{1.89}, []float64{7.8}},
		{"K10", []knit.FeedGroup{group(66, 3840, 2.75, "Ne 30"), drafted(group(66, 3840, 2.75, "44 dtex"), 2.7)}, 20, .82, 14.855, 14.6, 1683, []unit.Kilograms{1.89, 0.5}, []float64{9.2, 29.5}},
		{"K12", []knit.FeedGroup{group(84, 2640, 2.70, "84 dtex")}, 25, .86, 5.030, 6.5, 4971, []unit.Kilograms{3}, []float64{38.8}},
		{"K13", []knit.FeedGroup{group(30, 1884, 4.2, "Ne 26"), group(30, 1884, 3.2, "83 dtex"), group(30, 1884, 1.7, "Ne 12")}, 22, .83, 11.621, 12.7, 2151, []unit.Kilograms{1.89, 3, 1.89}, []float64{9.6, 55, 10.9}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			card := knit.Card{Feeds: tt.card}
			grams, err := card.MassPerRevolution()
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(float64(grams)-tt.grams) > 0.0006 {
				t.Errorf("%.4f g a turn, want %.3f", grams, tt.grams)
			}
			if kg, err := card.KilosPerHour(tt.rpm, tt.share); err != nil || math.Abs(float64(kg)-tt.kgPerH) > 0.06 {
				t.Errorf("%.3f kg/h, %v, want %.1f", kg, err, tt.kgPerH)
			}
			if r, err := card.RevolutionsPerRoll(25); err != nil || math.Abs(float64(r)-tt.roll) > 1 {
				t.Errorf("%.1f turns a roll, %v, want %.0f", r, err, tt.roll)
			}
			for i, g := range tt.card {
				r, err := g.RevolutionsPerCone(tt.cone[i])
				if hours := float64(r) / float64(tt.rpm) / 60 / tt.share; err != nil || math.Abs(hours-tt.coneHrs[i]) > 0.35+0.005*tt.coneHrs[i] {
					t.Errorf("cone %d lasts %.2f h, %v, want %.1f", i, hours, err, tt.coneHrs[i])
				}
			}
		})
	}
}

func anyGroup(t *rapid.T) knit.FeedGroup {
	return knit.FeedGroup{
		ID:           "g",
		Feeders:      rapid.IntRange(1, 120).Draw(t, "feeders"),
		CourseLength: unit.Metres(rapid.Float64Range(0.1, 20).Draw(t, "length")),
		Count:        unit.Tex(rapid.Float64Range(0.5, 100).Draw(t, "tex")),
		Draft:        rapid.SampledFrom([]float64{0, 1, 2.5, 4}).Draw(t, "draft"),
		Ends:         rapid.IntRange(0, 3).Draw(t, "ends"),
	}
}

func TestCardProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyGroup(t), anyGroup(t)
		both := knit.Card{Feeds: []knit.FeedGroup{a, b}}
		ma, errA := a.MassPerRevolution()
		mb, errB := b.MassPerRevolution()
		m, err := both.MassPerRevolution()
		if errA != nil || errB != nil || err != nil {
			t.Fatal(errA, errB, err)
		}
		if math.Abs(float64(m-ma-mb)) > 1e-9*float64(m) {
			t.Fatalf("two groups weigh %v, apart %v and %v", m, ma, mb)
		}
		shares, err := both.Shares()
		if err != nil || math.Abs(shares[0]+shares[1]-1) > 1e-12 {
			t.Fatalf("shares %v, %v", shares, err)
		}
		kg := unit.Kilograms(rapid.Float64Range(0, 1e5).Draw(t, "kg"))
		r, err := both.Revolutions(kg)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := both.Kilos(r); err != nil || math.Abs(float64(back-kg)) > 1e-9*float64(kg)+1e-12 {
			t.Fatalf("%v kg are %v turns are %v kg, %v", kg, r, back, err)
		}
	})
}

func TestUnusableCards(t *testing.T) {
	good := knit.FeedGroup{ID: "all", Feeders: 90, CourseLength: 7.26, Count: 19.7}
	edit := func(f func(g *knit.FeedGroup)) knit.Card {
		g := good
		f(&g)
		return knit.Card{Feeds: []knit.FeedGroup{g}}
	}
	nan := math.NaN()
	for name, c := range map[string]knit.Card{
		"no feeds":       {},
		"no feeders":     edit(func(g *knit.FeedGroup) { g.Feeders = 0 }),
		"many feeders":   edit(func(g *knit.FeedGroup) { g.Feeders = math.MaxInt }),
		"no length":      edit(func(g *knit.FeedGroup) { g.CourseLength = 0 }),
		"length is none": edit(func(g *knit.FeedGroup) { g.CourseLength = unit.Metres(nan) }),
		"millimetres":    edit(func(g *knit.FeedGroup) { g.CourseLength = 7260 }),
		"no yarn":        edit(func(g *knit.FeedGroup) { g.Count = 0 }),
		"no mass":        edit(func(g *knit.FeedGroup) { g.Count = 1e-300 }),
		"endless yarn":   edit(func(g *knit.FeedGroup) { g.Count = unit.Tex(math.Inf(1)) }),
		"draft below 1":  edit(func(g *knit.FeedGroup) { g.Draft = 0.4 }),
		"draft is none":  edit(func(g *knit.FeedGroup) { g.Draft = nan }),
		"negative ends":  edit(func(g *knit.FeedGroup) { g.Ends = -1 }),
	} {
		if err := c.Validate(); !errors.Is(err, knit.ErrCard) {
			t.Errorf("%s: %v, want ErrCard", name, err)
		}
		if _, err := c.Shares(); err == nil {
			t.Errorf("%s: shares are given", name)
		}
		if _, err := c.Revolutions(1); err == nil {
			t.Errorf("%s: turns are given", name)
		}
	}
	card := knit.Card{Feeds: []knit.FeedGroup{good}}
	for _, v := range []float64{nan, math.Inf(1), -1} {
		if _, err := card.Revolutions(unit.Kilograms(v)); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("turns for %g kg: %v, want ErrQuantity", v, err)
		}
		if _, err := card.KilosPerHour(unit.RPM(v), 1); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("kilos at %g turns a minute: %v, want ErrQuantity", v, err)
		}
		if _, err := card.KilosPerHour(28, v); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("kilos at share %g: %v, want ErrQuantity", v, err)
		}
		if _, err := good.RevolutionsPerCone(unit.Kilograms(v)); !errors.Is(err, knit.ErrQuantity) {
			t.Errorf("turns for a cone of %g kg: %v, want ErrQuantity", v, err)
		}
	}
}

func TestDoubtNeedles(t *testing.T) {
	for _, tt := range []struct {
		needles int
		want    knit.Doubt
	}{{2640, knit.Plausible}, {2600, knit.Unusual}, {2256, knit.Absurd}, {0, knit.Absurd}} {
		if got := knit.DoubtNeedles(tt.needles, 30, 28); got != tt.want {
			t.Errorf("%d needles in 30 inch E28: doubt %d, want %d", tt.needles, got, tt.want)
		}
	}
	if got := knit.DoubtNeedles(5, 0, 28); got != knit.Plausible {
		t.Errorf("without a diameter doubt is %d", got)
	}
}
