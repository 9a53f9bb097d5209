package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// Pump data of Gaver and O'Muircheartaigh 1987 with the prior of the marginal
// maximum likelihood; values computed with R 4.2.2 (base/stats).
func TestPosteriorPumps(t *testing.T) {
	const a, b = 0.8222686421, 1.258954413
	x := []float64{5, 1, 5, 14, 3, 19, 1, 1, 4, 22}
	minutes := []float64{94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48}
	want := []float64{0.06091580179, 0.107325139, 0.09077585837, 0.1166933605, 0.5881359368, 0.6062049689, 0.7899023195, 0.7899023195, 1.437357427, 1.944148332}
	for i := range x {
		factor, rel := credit([][]float64{{1 / a}}, []tally{{count: x[i : i+1], expected: []float64{minutes[i] * a / b}}}, 0)
		if got := factor[0] * a / b; math.Abs(got-want[i]) > 1e-8 {
			t.Errorf("pump %d: posterior mean %.10f, want %.10f", i+1, got, want[i])
		}
		if got := 1 / rel[0][0]; math.Abs(got-(a+x[i])) > 1e-8*got {
			t.Errorf("pump %d: posterior shape %.10f, want a+x = %.10f", i+1, got, a+x[i])
		}
	}
	// Pump 5 over ten more units: no event at all with this chance.
	factor, rel := credit([][]float64{{1 / a}}, []tally{{count: []float64{3}, expected: []float64{5.24 * a / b}}}, 0)
	law, err := Compound(10, []Stops{{"a", Rate{factor[0] * a / b, 1 / rel[0][0]}, Exponential(1)}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := law.CDF(10); math.Abs(got-0.02840930949) > 1e-7 {
		t.Errorf("chance of no event %.11f, want 0.02840930949", got)
	}
}

// effects draws histories with known variances of the factors.
type effects struct {
	machine, own, order, night, step float64
	machines, orders, minutes        int // minutes of an order
	groups                           []float64
}

var effectCauses = []struct {
	name string
	gap  float64
}{{"yarn", 60}, {"fabric", 200}, {"needle", 500}}

func factor(rng *rand.Rand, v float64) float64 {
	if v == 0 {
		return 1
	}
	return gammaDraw(rng, 1/v) * v
}

func (e effects) draw(rng *rand.Rand) []History {
	var out []History
	for m := range e.machines {
		h := History{Machine: fmt.Sprint("k", m)}
		group := 1.0
		if n := len(e.groups); n > 0 {
			h.Group, group = fmt.Sprint("g", m%n), e.groups[m%n]
		}
		common, own := factor(rng, e.machine), make([]float64, len(effectCauses))
		for c := range own {
			own[c] = factor(rng, e.own)
		}
		shift := 1
		for o := range e.orders {
			lot := factor(rng, e.order)
			for left := e.minutes; left > 0; shift++ {
				s := Stretch{Order: fmt.Sprint("o", o), Shift: shift, Class: shift%3 + 1, RunMinutes: float64(min(left, 400))}
				left -= 400
				level := common * lot * group
				if e.night > 0 && s.Class == 3 {
					level *= e.night
				}
				if e.step > 0 && shift > 20 {
					level *= e.step
				}
				for c, k := range effectCauses {
					n := poissonDraw(rng, s.RunMinutes/k.gap*level*own[c])
					ch := CauseHistory{Cause: k.name, Count: n}
					for range n {
						ch.DurationsMin = append(ch.DurationsMin, 4*math.Exp(0.7*rng.NormFloat64()))
					}
					s.Causes = append(s.Causes, ch)
				}
				h.Stretches = append(h.Stretches, s)
			}
		}
		out = append(out, h)
	}
	return out
}

// The variances of the factors are found whatever the others are: none is taken for
// another. The bounds are three standard errors of the mean of the fleets, and the
// share of what is usual that is mixed in.
func TestSpreadsAreToldApart(t *testing.T) {
	tests := []struct {
		name string
		e    effects
	}{
		{"orders alone", effects{order: 0.15}},
		{"machines by cause", effects{own: 0.3}},
		{"machines in all causes", effects{machine: 0.3}},
		{"all", effects{machine: 0.1, own: 0.25, order: 0.12}},
		{"none", effects{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if testing.Short() && tt.name != "all" {
				t.Skip("one of five in the short run")
			}
			const fleets = 12
			rng := rand.New(rand.NewPCG(5, 6))
			tt.e.machines, tt.e.orders, tt.e.minutes = 60, 6, 1200
			var machine, own, order float64
			for range fleets {
				f := Learn(tt.e.draw(rng))
				machine += f.spread.machine / fleets
				order += f.spread.order / fleets
				own += f.spread.own[0] / fleets
			}
			for _, c := range []struct {
				what      string
				got, want float64
			}{{"machine", machine, tt.e.machine}, {"own", own, tt.e.own}, {"order", order, tt.e.order}} {
				if math.Abs(c.got-c.want) > 0.03+0.25*c.want {
					t.Errorf("squared spread of the %s's factor %.3f, want %.3f", c.what, c.got, c.want)
				}
			}
		})
	}
}

// Machines that are alike but for the yarn of their orders are not told apart.
func TestClusteringIsNoMachine(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	f := Learn(effects{order: 0.3, machines: 40, orders: 8, minutes: 800}.draw(rng))
	worst := 0.0
	for m := range 40 {
		rate := f.Machine(fmt.Sprint("k", m)).Stops()
		for i, s := range rate {
			worst = max(worst, math.Abs(math.Log(s.Rate.Mean/f.causes[i].rate)))
		}
	}
	if worst > 0.25 {
		t.Errorf("a machine's rate is %.2f off the fleet's on the logarithm, though all are alike", worst)
	}
}

func TestNightIsLearnt(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for _, night := range []float64{1, 2} {
		f := Learn(effects{own: 0.3, night: night, machines: 30, orders: 4, minutes: 1600}.draw(rng))
		got := f.level(3, 0) / f.level(1, 0)
		if math.Abs(math.Log(got/night)) > 0.12 {
			t.Errorf("nights stop %.2f times as often as days, want %.1f", got, night)
		}
		m := f.Machine("k0")
		day, err := m.Finish(Work{RunMinutes: 300, ClassMinutes: []float64{0, 300}})
		if err != nil {
			t.Fatal(err)
		}
		dark, err := m.Finish(Work{RunMinutes: 300, ClassMinutes: []float64{0, 0, 0, 300}})
		if err != nil {
			t.Fatal(err)
		}
		if got := (dark.Mean() - 300) / (day.Mean() - 300); math.Abs(math.Log(got/night)) > 0.12 {
			t.Errorf("work at night stands %.2f times as long, want %.1f", got, night)
		}
	}
}

// However long nights have been twice as bad as days, dusk and dawn are no steps.
func TestNightIsNoStep(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	for _, orders := range []int{2, 8, 12} {
		f := Learn(effects{own: 0.3, order: 0.1, night: 2, machines: 60, orders: orders, minutes: 1500}.draw(rng))
		if got := f.Changes(); len(got) > 0 {
			t.Errorf("%d orders a machine: changes at shifts %v, want none", orders, got)
		}
		if got := f.level(3, 0) / f.level(1, 0); math.Abs(math.Log(got/2)) > 0.12 {
			t.Errorf("%d orders a machine: nights stop %.2f times as often as days, want 2", orders, got)
		}
	}
}

// A step of all rates is found at its shift, and no step where there is none.
func TestStepIsFound(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	const fleets = 10
	level := 0.0
	for range fleets {
		f := Learn(effects{own: 0.3, order: 0.1, step: 1.5, machines: 40, orders: 8, minutes: 1200}.draw(rng))
		if got := f.Changes(); len(got) != 1 || got[0] < 20 || got[0] > 22 {
			t.Errorf("changes at shifts %v, want at 21", got)
		}
		level += f.tideNow() / f.level(0, 5) / fleets
	}
	// The yarn of forty orders and their stops leave a standard error of about 0.03.
	if math.Abs(level-1.5) > 0.09 {
		t.Errorf("level after the step is %.2f times the one before, want 1.5", level)
	}
	wrong := 0
	for range 20 {
		if len(Learn(effects{own: 0.3, order: 0.1, machines: 40, orders: 8, minutes: 1200}.draw(rng)).Changes()) > 0 {
			wrong++
		}
	}
	if wrong > 2 {
		t.Errorf("a change is found in %d of 20 steady mills, want at most 2", wrong)
	}
}

// An order that stops often goes on so; the next one does not.
func TestOrderUnderWay(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	histories := effects{own: 0.2, order: 0.2, machines: 30, orders: 6, minutes: 1200}.draw(rng)
	bad := &histories[3]
	bad.Stretches = append(bad.Stretches, Stretch{Order: "bad", Shift: 19, Class: 2, RunMinutes: 400,
		Causes: []CauseHistory{{Cause: "yarn", Count: 30}, {Cause: "fabric", Count: 9}}})
	m := Learn(histories).Machine(bad.Machine)
	mean := func(order string) float64 {
		law, err := m.Finish(Work{RunMinutes: 800, Order: order})
		if err != nil {
			t.Fatal(err)
		}
		return law.Mean() - 800
	}
	if same, next := mean("bad"), mean("good"); same < 1.3*next {
		t.Errorf("%.0f min of standing are expected of the bad order, %.0f of the next; want a third more", same, next)
	}
}

// A machine never seen is taken for one of its group.
func TestGroups(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	f := Learn(effects{own: 0.1, machines: 30, orders: 4, minutes: 1200, groups: []float64{0.6, 1.4}}.draw(rng))
	rate := func(group string) float64 { return f.With(History{Machine: "new", Group: group}).Stops()[0].Rate.Mean }
	if got := rate("g1") / rate("g0"); got < 1.6 || got > 2.8 {
		t.Errorf("the groups differ by %.2f, want about 2.3", got)
	}
}

func TestEpisodes(t *testing.T) {
	stop := func(cause string, at, minutes float64) Stop { return Stop{Cause: cause, AtRun: at, Minutes: minutes} }
	got := Episodes([]Stop{
		stop("yarn", 10, 2), stop("yarn", 10.5, 3), stop("needle", 11, 20), stop("yarn", 12, -1),
		{Cause: "yarn", AtRun: 100, Minutes: 4, Taken: 1}, {Cause: "yarn", AtRun: 101, Minutes: 6, Taken: 2},
		{Cause: "needle", AtRun: 300, Minutes: 5, Taken: 3}, {Cause: "needle", AtRun: 301, Minutes: 7, Open: true},
	})
	want := []Stop{stop("yarn", 10, -1), stop("needle", 11, 20), {Cause: "yarn", AtRun: 100, Minutes: 10, Taken: 3}, {Cause: "needle", AtRun: 300, Minutes: 12, Open: true}}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("episodes %v, want %v", got, want)
	}
	rapid.Check(t, func(t *rapid.T) {
		var stops []Stop
		at, sum := 0.0, 0.0
		for range rapid.IntRange(0, 30).Draw(t, "n") {
			at += rapid.Float64Range(0, 10).Draw(t, "gap")
			s := stop(rapid.SampledFrom([]string{"a", "b"}).Draw(t, "cause"), at, rapid.Float64Range(0, 50).Draw(t, "minutes"))
			stops, sum = append(stops, s), sum+s.Minutes
		}
		left := 0.0
		for _, e := range Episodes(stops) {
			left += e.Minutes
		}
		if math.Abs(left-sum) > 1e-9*(1+sum) {
			t.Fatalf("episodes last %g min together, their stops %g", left, sum)
		}
	})
}

func TestBinsKeepTheLaw(t *testing.T) {
	for _, d := range []Durations{Exponential(4), Lognormal{1, 1.1}, Choose(observed([]float64{0, 1, 2, 2, 70}), anyDuration).Law} {
		b := bin(d)
		var mass, mean, square float64
		b.each(func(x, p float64) { mass, mean, square = mass+p, mean+p*x, square+p*x*x })
		if math.Abs(mass-1) > 1e-6 || math.Abs(mean/d.Mean()-1) > 1e-4 || math.Abs(square/d.Square()-1) > 2e-3 {
			t.Errorf("%T: bins hold %.7f, mean %.5f of %.5f, mean square %.3f of %.3f", d, mass, mean, d.Mean(), square, d.Square())
		}
		if s := b.scale(2); math.Abs(s.Mean()-2*d.Mean()) > 1e-9 || math.Abs(s.Tail(10)-d.Tail(5)) > 1e-9 || math.Abs(s.Limited(10)-2*d.Limited(5)) > 1e-9 {
			t.Errorf("%T: twice as long is not", d)
		}
	}
}

// Whatever the stretches, a forecast is finite or refused.
func TestAnyStretches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var histories []History
		for m := range rapid.IntRange(0, 4).Draw(t, "machines") {
			h := History{Machine: fmt.Sprint(m), Group: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "group")}
			for range rapid.IntRange(0, 5).Draw(t, "stretches") {
				h.Stretches = append(h.Stretches, Stretch{
					Order: rapid.SampledFrom([]string{"", "o1", "o2"}).Draw(t, "order"),
					Shift: rapid.IntRange(-2, 9).Draw(t, "shift"), Class: rapid.IntRange(-1, 30).Draw(t, "class"),
					RunMinutes: rapid.SampledFrom([]float64{-1, 0, 1e-9, 10, 500, 1e6, math.Inf(1), math.NaN()}).Draw(t, "minutes"),
					Causes: []CauseHistory{{Cause: rapid.SampledFrom([]string{"yarn", "doff"}).Draw(t, "cause"),
						Count: rapid.SampledFrom([]int{-3, 0, 1, 40, 1 << 40}).Draw(t, "count"), DurationsMin: []float64{rapid.Float64().Draw(t, "d")}}},
				})
			}
			histories = append(histories, h)
		}
		m := Learn(histories).Machine("1")
		law, err := m.Finish(Work{RunMinutes: 700, Order: "o1", ClassMinutes: []float64{1, 2, math.NaN(), 4}})
		if err != nil {
			return
		}
		for _, p := range []float64{0, 0.5, 0.95, 1} {
			if q := law.Quantile(p); math.IsNaN(q) || math.IsInf(q, 0) || q < 700 {
				t.Fatalf("Quantile(%g) = %g for 700 running minutes", p, q)
			}
		}
	})
}
