package creel

import (
	"fmt"
	"math"

	"turnwise/planner/unit"
)

// Trigger says how late a visit may be.
type Trigger struct {
	// Chance of a run-out that is borne per cone, or per round where a round is asked
	// for. Used when Under is 0.
	Chance float64
	// Under is the cost of a run-out, Over the value of the yarn of one more turn
	// thrown away: the chance is then Over/(Under+Over), the newsvendor's ratio.
	Under, Over float64
}

// Level is the chance of a run-out at which to come.
func (t Trigger) Level() (float64, error) {
	p := t.Chance
	if t.Under != 0 {
		p = t.Over / (t.Under + t.Over)
	}
	if !(p > 0 && p < 1) || t.Under < 0 || t.Over < 0 {
		return 0, fmt.Errorf("%w: trigger %+v gives a chance of %g, expected between 0 and 1; give a chance, or both costs", ErrLoad, t, p)
	}
	return p, nil
}

// given is the law under known shared parts: normal.
func (l Law) given(length, kind float64) (mean, sd float64) {
	life := float64(l.Life) * math.Exp(length+kind)
	return float64(l.At) + life, life * l.CV
}

// outBy is the chance that the cone is out by t under known shared parts.
func (l Law) outBy(t, length, kind float64) float64 {
	mean, sd := l.given(length, kind)
	if sd == 0 {
		if t < mean {
			return 0
		}
		return 1
	}
	return math.Erfc((mean-t)/sd/math.Sqrt2) / 2
}

// average integrates f over a normal law. The trapezoid rule converges faster than
// any power of the step once it resolves f, which changes over about grain: the
// cones' own spread on the same (logarithmic) scale.
func average(b Bias, grain float64, f func(x float64) float64) float64 {
	if b.SD == 0 {
		return f(b.Mean)
	}
	const reach = 7.0
	step := min(0.25, max(0.5*grain/b.SD, 0.01))
	n := int(reach / step)
	sum, weights := 0.0, 0.0
	for i := -n; i <= n; i++ {
		z := float64(i) * step
		w := math.Exp(-z * z / 2)
		sum += w * f(b.Mean+b.SD*z)
		weights += w
	}
	return sum / weights
}

// OutBy is the chance that the cone is out by turn t.
func (l Law) OutBy(t unit.Revolutions) float64 {
	// One cone does not tell its two shared parts apart: they add up to one.
	b := Bias{l.Length.Mean + l.Kind.Mean, math.Hypot(l.Length.SD, l.Kind.SD)}
	return average(b, l.CV, func(x float64) float64 { return l.outBy(float64(t), x, 0) })
}

// Quantile is the turn by which the cone is out with chance p, 0 < p < 1.
func (l Law) Quantile(p float64) unit.Revolutions {
	return l.search(p, l.OutBy)
}

// search inverts a rising chance by halving, to within 1e-9 of the cone's life.
func (l Law) search(p float64, chance func(unit.Revolutions) float64) unit.Revolutions {
	middle := math.Exp(l.Length.Mean + l.Kind.Mean)
	width := 8 * (l.CV + l.Length.SD + l.Kind.SD)
	low, high := l.At, l.At+l.Life*unit.Revolutions(middle*math.Exp(width)*(1+8*l.CV)+1e-9)
	for high-low > 1e-9*l.Life+1e-9 {
		mid := (low + high) / 2
		if mid == low || mid == high {
			break
		}
		if chance(mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// AnyOutBy is the chance that at least one of the cones is out by turn t. Cones of one
// group share its length, those of a lot also the lot's part, so chances do not
// multiply; given the shared parts they do, and those are integrated over. A lot on two
// groups counts as two, which overstates the chance slightly.
func AnyOutBy(cones []Law, t unit.Revolutions) float64 {
	type family struct{ group, lot string }
	members := map[family][]Law{}
	lots := map[string][]family{}
	var groups []string
	for _, c := range cones {
		f := family{c.Group, c.Lot}
		if len(members[f]) == 0 {
			if len(lots[c.Group]) == 0 {
				groups = append(groups, c.Group)
			}
			lots[c.Group] = append(lots[c.Group], f)
		}
		members[f] = append(members[f], c)
	}
	none := 1.0
	for _, g := range groups {
		first := members[lots[g][0]][0]
		grain := math.Inf(1)
		for _, f := range lots[g] {
			for _, c := range members[f] {
				grain = min(grain, math.Hypot(c.CV, c.Kind.SD))
			}
		}
		none *= average(first.Length, grain, func(length float64) float64 {
			all := 1.0
			for _, f := range lots[g] {
				all *= noneOut(members[f], float64(t), length)
			}
			return all
		})
	}
	return min(1, max(0, 1-none))
}

func noneOut(cones []Law, t, length float64) float64 {
	grain := math.Inf(1)
	for _, c := range cones {
		grain = min(grain, c.CV)
	}
	return average(cones[0].Kind, grain, func(kind float64) float64 {
		all := 1.0
		for _, c := range cones {
			all *= 1 - c.outBy(t, length, kind)
		}
		return all
	})
}

// LatestVisit is the last turn at which a visit finds the cone running, but for the
// trigger's chance.
func LatestVisit(l Law, t Trigger) (unit.Revolutions, error) {
	p, err := t.Level()
	if err != nil {
		return 0, err
	}
	return l.Quantile(p), nil
}

// LatestRound is the same for a round over several cones, with the chance that any
// of them runs out before.
func LatestRound(cones []Law, t Trigger) (unit.Revolutions, error) {
	p, err := t.Level()
	if err != nil {
		return 0, err
	}
	if len(cones) == 0 {
		return 0, fmt.Errorf("%w: a round without cones, expected one or more", ErrLoad)
	}
	// No cone may be out with more than p, and by Bonferroni p/n for each is enough.
	low, high := cones[0].At, unit.Revolutions(math.Inf(1))
	for i, c := range cones {
		high = min(high, c.Quantile(p))
		safe := c.Quantile(p / float64(len(cones)))
		if i == 0 || safe < low {
			low = safe
		}
	}
	for high-low > 1e-7*cones[0].Life {
		mid := (low + high) / 2
		if AnyOutBy(cones, mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return low, nil
}
