// Package cones plays creels three ways on the same cones: changed when they are out, by visits of a
// planner that learns, and by visits of one that knows how long cones last. It is pure. The one rule: cones, what the
// tender does by his own choice and which taps are lost are drawn here from a seed, by formulas of its
// own, before anybody plans, and no planner sees them.
package cones

import (
	"errors"
	"fmt"
	"math"
)

// Way of deciding when cones are changed.
type Way string

const (
	WhenOut  Way = "changed when out"
	Learning Way = "visits, learning"
	Knowing  Way = "visits, knowing"
)

// Options of a run. The zero value means the defaults.
type Options struct {
	Seeds     int      // creels; 0 = 20
	Seed      uint64   // of the first; the others follow
	Feeds     int      // of a creel; 0 = 90
	Groups    int      // feed groups, each with its own bias; 0 = 1
	Chance    float64  // of a run-out that is borne for each cone; 0 = 0.02
	VisitCost float64  // of one walk; 0 = 2
	KgValue   float64  // of yarn left on a changed cone, a kilogram; 0 = 3
	Most      float64  // the bias of the course length is uniform to both sides of 0 up to this; 0 = 0.03
	Bias      *float64 // of all creels instead, a share: above 0 takes more yarn, so that cones end sooner
	Taught    int      // run-outs that each group has told before visits begin; 0 = 30
	Settle    float64  // lives of a cone that are played by visits and not counted; 0 = 2
	Lives     float64  // that are counted; 0 = 10
}

// ErrOptions is inside errors about options.
var ErrOptions = errors.New("cones cannot be played")

func (o Options) filled() (Options, error) {
	fill := func(to *float64, v float64) {
		if *to == 0 {
			*to = v
		}
	}
	count := func(to *int, v int) {
		if *to == 0 {
			*to = v
		}
	}
	count(&o.Seeds, 20)
	count(&o.Feeds, 90)
	count(&o.Groups, 1)
	count(&o.Taught, 30)
	fill(&o.Chance, 0.02)
	fill(&o.VisitCost, 2)
	fill(&o.KgValue, 3)
	fill(&o.Most, 0.03)
	fill(&o.Settle, 2)
	fill(&o.Lives, 10)
	in := func(name string, v, low, high float64) error {
		if v >= low && v <= high {
			return nil
		}
		return fmt.Errorf("%w: %s is %g, expected %g to %g", ErrOptions, name, v, low, high)
	}
	bias := 0.0
	if o.Bias != nil {
		bias = *o.Bias
	}
	return o, errors.Join(in("number of seeds", float64(o.Seeds), 1, 10000), in("number of feeds", float64(o.Feeds), 1, 500),
		in("number of groups", float64(o.Groups), 1, float64(max(1, min(o.Feeds, 8)))), in("number of run-outs told", float64(o.Taught), 1, 1000),
		in("chance", o.Chance, 1e-4, 0.5), in("cost of a walk", o.VisitCost, 0, 1e6), in("value of a kilogram", o.KgValue, 0, 1e6),
		in("greatest bias", o.Most, 0, 0.1), in("bias", bias, -0.1, 0.1), in("lives to settle", o.Settle, 0, 100), in("lives counted", o.Lives, 1, 1000))
}

// Figure is a mean over creels and its standard error; the error is 0 for one creel.
type Figure struct {
	Mean float64 `json:"mean"`
	SE   float64 `json:"se"`
}

func figure(values []float64) Figure {
	n := float64(len(values))
	if n == 0 {
		return Figure{}
	}
	sum, squares := 0.0, 0.0
	for _, v := range values {
		sum += v
	}
	for _, v := range values {
		squares += (v - sum/n) * (v - sum/n)
	}
	f := Figure{Mean: sum / n}
	if n > 1 {
		f.SE = math.Sqrt(squares / (n - 1) / n)
	}
	return f
}

// Outcome of one way, for each cone that was changed.
type Outcome struct {
	Way            Way    `json:"way"`
	Cones          int    `json:"cones"`
	RunOuts        Figure `json:"runouts_per_cone"`
	RunOutsOfBorne Figure `json:"runouts_of_borne"`
	Walks          Figure `json:"walks_per_cone"`
	WasteKg        Figure `json:"waste_kg_per_cone"`
	Cost           Figure `json:"cost_per_cone"` // of walks and waste
	Early          Figure `json:"own_choice_per_cone"`
}

// Band is the learning way in creels whose bias lies in it.
type Band struct {
	From           float64 `json:"bias_from"` // of the turns that cones last, a share
	To             float64 `json:"bias_to"`
	Creels         int     `json:"creels"`
	RunOutsOfBorne Figure  `json:"runouts_of_borne"`
	Error          Figure  `json:"bias_error"` // learnt less true
}

// Result of a run. Shares of cost are taken creel by creel.
type Result struct {
	Seeds     int       `json:"seeds"`
	Seed      uint64    `json:"seed"`
	Feeds     int       `json:"feeds"`
	Groups    int       `json:"groups"`
	Chance    float64   `json:"chance"`
	VisitCost float64   `json:"visit_cost"`
	KgValue   float64   `json:"kg_value"`
	Ways      []Outcome `json:"ways"`
	// Below is how much less the learning way costs than changing when out, Above how much more than knowing.
	Below Figure `json:"below_when_out"`
	Above Figure `json:"above_knowing"`
	Bands []Band `json:"bands"`
	// Within is the share of biases known to within two of their standard deviations at the end.
	Within float64 `json:"within_two_sd"`
}

// Play plays the creels. told hears of each as it ends; it may be nil.
func Play(o Options, told func(done int)) (Result, error) {
	o, err := o.filled()
	if err != nil {
		return Result{}, err
	}
	r := Result{Seeds: o.Seeds, Seed: o.Seed, Feeds: o.Feeds, Groups: o.Groups, Chance: o.Chance, VisitCost: o.VisitCost, KgValue: o.KgValue}
	ways := []Way{WhenOut, Learning, Knowing}
	all := make([][]sums, len(ways))
	var learnt []lesson
	for i := range o.Seeds {
		seed := o.Seed + uint64(i)
		for w, way := range ways {
			s, biases, err := play(o, seed, way)
			if err != nil {
				return Result{}, fmt.Errorf("seed %d, %s: %w", seed, way, err)
			}
			all[w] = append(all[w], s)
			if way == Learning {
				for g, b := range biases {
					more := drawMore(seed, o.Groups, o.Most)[g]
					if o.Bias != nil {
						more = *o.Bias
					}
					learnt = append(learnt, lesson{-math.Log1p(more), b.Mean, b.SD, s.perCone(float64(s.runOuts)) / o.Chance})
				}
			}
		}
		if told != nil {
			told(i + 1)
		}
	}
	for w, way := range ways {
		r.Ways = append(r.Ways, outcome(o, way, all[w]))
	}
	var below, above []float64
	for i := range o.Seeds {
		when, learning, knowing := all[0][i].cost(o), all[1][i].cost(o), all[2][i].cost(o)
		below, above = append(below, 1-learning/when), append(above, learning/knowing-1)
	}
	r.Below, r.Above = figure(below), figure(above)
	r.bands(learnt)
	return r, nil
}

func (s sums) perCone(v float64) float64 { return v / float64(max(s.cones, 1)) }

func (s sums) cost(o Options) float64 {
	return s.perCone(float64(s.walks)*o.VisitCost + s.waste*o.KgValue)
}

func outcome(o Options, way Way, all []sums) Outcome {
	out := Outcome{Way: way}
	var runOuts, ofBorne, walks, waste, cost, own []float64
	for _, s := range all {
		out.Cones += s.cones
		share := s.perCone(float64(s.runOuts))
		runOuts, ofBorne = append(runOuts, share), append(ofBorne, share/o.Chance)
		walks, waste = append(walks, s.perCone(float64(s.walks))), append(waste, s.perCone(s.waste))
		cost, own = append(cost, s.cost(o)), append(own, s.perCone(float64(s.own)))
	}
	out.RunOuts, out.RunOutsOfBorne, out.Walks, out.WasteKg = figure(runOuts), figure(ofBorne), figure(walks), figure(waste)
	out.Cost, out.Early = figure(cost), figure(own)
	return out
}

// lesson is what one group was learnt as.
type lesson struct{ truth, mean, sd, ofBorne float64 }

func (r *Result) bands(learnt []lesson) {
	within := 0
	for _, l := range learnt {
		if math.Abs(l.mean-l.truth) <= 2*l.sd {
			within++
		}
	}
	r.Within = float64(within) / float64(max(len(learnt), 1))
	for _, b := range [][2]float64{{-1, -0.02}, {-0.02, -0.01}, {-0.01, 0.01}, {0.01, 0.02}, {0.02, 1}} {
		var ofBorne, off []float64
		for _, l := range learnt {
			if l.truth >= b[0] && l.truth < b[1] {
				ofBorne, off = append(ofBorne, l.ofBorne), append(off, l.mean-l.truth)
			}
		}
		if len(off) > 0 {
			r.Bands = append(r.Bands, Band{From: b[0], To: b[1], Creels: len(off), RunOutsOfBorne: figure(ofBorne), Error: figure(off)})
		}
	}
}
