package floor

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"turnwise/server/store"
)

// By hand: the fleece card draws 4.00, 0.40 and 8.00 g a turn, together 12.40. Rolls that weigh 2 % more are 2 % of
// 12.40 = 0.248 g, which is 6.2 % of the ground alone and 3.1 % of the loop alone, each as unsure as
// the other groups are together; of the elastane they tell nothing.
func TestRollsTellOfEveryFeedGroup(t *testing.T) {
	b := newBook(fleece(), nil)
	roll := store.Reading{Machine: "k01", Kind: store.ReadRolls, Rolls: 1, Turns: 1000, Measured: 1.02 * 12.4, Ratio: 1.5, SD: 0.01, At: six.Add(time.Hour)}
	log := []store.Load{
		{ID: 1, Machine: "k01", Group: "loop", Lot: "L-1", At: six.Add(-time.Hour)}, {ID: 3, Machine: "k01", Group: "loop", Lot: "L-9", At: six.Add(2 * time.Hour)},
		{ID: 2, Machine: "k01", Group: "loop", Lot: "L-2", At: six},
	}
	got := b.feedReadings([]store.Reading{roll}, log)
	if len(got) != 2 || got[0].Group != "ground" || got[1].Group != "loop" || got[1].Lot != "L-2" || got[0].Lot != "" {
		t.Fatalf("%+v, want ground and loop, the lot of then", got)
	}
	share := []float64{4 / 12.4, 0.4 / 12.4, 8 / 12.4}
	for i, g := range []int{0, 2} {
		others := 0.0
		for k, s := range share {
			if k != g {
				others += s * s
			}
		}
		sd := math.Sqrt(0.01*0.01+others*0.03*0.03) / share[g]
		if x := got[i]; math.Abs(x.Ratio-(1+0.02/share[g])) > 1e-9 || math.Abs(x.SD-sd) > 1e-9 {
			t.Errorf("%s: %.4f ±%.4f, want %.4f ±%.4f", x.Group, x.Ratio, x.SD, 1+0.02/share[g], sd)
		}
	}
	one := newBook(millBook(), nil)
	meter := store.Reading{Machine: "k01", Group: "ground", Kind: store.ReadMeter, Turns: 100, Measured: 510, Ratio: 1.3, SD: 0.005, At: six}
	old := store.Reading{Machine: "k01", Group: "ground", Kind: store.ReadRolls, Ratio: 0.98, SD: 0.01, At: six}
	roll.Group, roll.Measured = "ground", 9.9
	for i, want := range []float64{1.02, 0.98, 0.99} { // by the card as it is now: 5 m and 10 g a turn; of before as it was told
		if x := one.feedReadings([]store.Reading{meter, old, roll}, nil)[i]; math.Abs(x.Ratio-want) > 1e-9 {
			t.Errorf("reading %d: %.4f, want %.4f", i, x.Ratio, want)
		}
	}
}

// However many rolls are weighed, the mass of the cones stays unknown: they tell no more than one exact
// reading, and run-outs put right what they tell wrong.
func TestManyReadingsAreNotSurer(t *testing.T) {
	l := biases{}
	for range 500 {
		l.read(store.Reading{Machine: "k01", Group: "g", Lot: "L", Ratio: 1 / 1.02, SD: 0.01}, DefaultCreelRule)
	}
	x := l[creelGroup{"k01", "g", "L"}]
	if x.Bias.SD < 0.9*otherSD*0.03/math.Hypot(0.03, otherSD) || math.Abs(x.Bias.Mean-math.Log(1.02)) > 0.006 {
		t.Errorf("after 500 rolls %+v, want about %.3f and no surer than the cones allow", x.Bias, math.Log(1.02))
	}
	for i := range 40 {
		l.ended("k01", "g", store.Ended{Load: int64(i), Lot: "L", Cones: 1, Counted: 10000, Turns: 10000, Out: true}, DefaultCreelRule)
	}
	if math.Abs(x.Bias.Mean) > 2.5*x.Bias.SD || x.Bias.SD > 0.006 {
		t.Errorf("cones last as calculated: learnt %+v", x.Bias)
	}
}

// Weighed rolls, run-outs, early changes, and a fifth of the taps missing or late: the bias is
// found within two standard deviations in 90 of 100 creels and more, and nearer than without rolls. Told late as
// if it were then is what the learner does not know of: without rolls it must still be worth having, off by less
// than half of what one is off who learns nothing.
func TestLearnsWithLateTapsAndRolls(t *testing.T) {
	const creels = 300
	var within, withinNone int
	var off, offNone, offClean, unlearnt float64
	for seed := range creels {
		r := rand.New(rand.NewPCG(uint64(seed), 11))
		w := truth{bias: 0.03 * (2*r.Float64() - 1), noise: 0.02, early: 0.2, missed: 0.1, late: 0.1}
		loads := w.loads(r, 15)
		clean := w
		clean.missed, clean.late = 0, 0
		// A roll tells of the yarn drawn; the cones' own mass is part of the bias and not of it.
		mass := 0.012 * r.NormFloat64()
		var readings []store.Reading
		for i := range 30 {
			readings = append(readings, store.Reading{Machine: "k01", Group: "g", Lot: "L", Kind: store.ReadRolls, SD: 0.01,
				Ratio: math.Exp(-(w.bias - mass) + 0.006*r.NormFloat64()), At: six.Add(time.Duration(i) * 20 * time.Minute)})
		}
		k := creelGroup{"k01", "g", "L"}
		with, without := learnCreels(loads, readings, DefaultCreelRule)[k].Bias, learnCreels(loads, nil, DefaultCreelRule)[k].Bias
		if math.Abs(with.Mean-w.bias) <= 2*with.SD {
			within++
		}
		if math.Abs(without.Mean-w.bias) <= 2*without.SD {
			withinNone++
		}
		told := learnCreels(clean.loads(rand.New(rand.NewPCG(uint64(seed), 11)), 15), nil, DefaultCreelRule)[k].Bias
		unlearnt += math.Abs(w.bias) / creels
		offClean += math.Abs(told.Mean-w.bias) / creels
		off, offNone = off+math.Abs(with.Mean-w.bias)/creels, offNone+math.Abs(without.Mean-w.bias)/creels
	}
	t.Logf("%d of %d within two standard deviations, off by %.4f; without rolls %d, %.4f; all told in time %.4f, nothing learnt %.4f", within, creels, off, withinNone, offNone, offClean, unlearnt)
	if within < creels*90/100 {
		t.Errorf("%d of %d within two standard deviations, want 90 %% and more", within, creels)
	}
	if off > offNone || offNone > unlearnt/2 {
		t.Errorf("off by %.4f with rolls, by %.4f without, by %.4f where nothing is learnt", off, offNone, unlearnt)
	}
}
