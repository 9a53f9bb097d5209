package creel

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"turnwise/planner/unit"
)

func TestReplace(t *testing.T) {
	for _, tt := range []struct {
		name          string
		left          []unit.Kilograms
		cone, perTurn unit.Kilograms
		turns         unit.Revolutions
		cones         int
		first         unit.Revolutions
		source        string
	}{
		{"enough on it", []unit.Kilograms{1, 1}, 2, 0.001, 900, 0, 900, "by hand: 0.9 of 1 kg"},
		{"just used up", []unit.Kilograms{1, 1}, 2, 0.001, 1000, 0, 1000, "by hand: nothing more is drawn"},
		{"one of two", []unit.Kilograms{1, 3}, 2, 0.001, 2500, 1, 1000, "by hand: 2.5 - 1 = 1.5 kg is one cone of 2"},
		{"twice", []unit.Kilograms{1}, 2, 0.001, 3500, 2, 1000, "by hand: 3.5 - 1 = 2.5 kg is two cones of 2"},
		{"an empty creel", make([]unit.Kilograms, 90), 1.89, 0.000143, 13000, 90, 0, "by hand: 1.859 kg is one cone each"},
		{"no turn", []unit.Kilograms{0, 1}, 2, 0.001, 0, 0, 0, "nothing is drawn"},
	} {
		got, err := Replace(tt.left, tt.cone, tt.perTurn, tt.turns)
		if err != nil || got.Cones != tt.cones || math.Abs(float64(got.First-tt.first)) > 1e-6 {
			t.Errorf("%s: %+v, %v, want %d cones from turn %g (%s)", tt.name, got, err, tt.cones, float64(tt.first), tt.source)
		}
	}
}

// No yarn appears or goes: what was there and came is drawn or left; no place has more left than
// a cone or what it had; and two stretches of turns need what one of their length needs.
func TestReplaceKeepsYarn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cone := unit.Kilograms(rapid.Float64Range(0.1, 5).Draw(t, "cone"))
		per := unit.Kilograms(rapid.Float64Range(1e-5, 1e-2).Draw(t, "per turn"))
		var left []unit.Kilograms
		for range rapid.IntRange(1, 20).Draw(t, "places") {
			left = append(left, cone*unit.Kilograms(rapid.Float64Range(0, 2).Draw(t, "left")))
		}
		a, b := rapid.Float64Range(0, 5e4).Draw(t, "turns"), rapid.Float64Range(0, 5e4).Draw(t, "more")
		one, err1 := Replace(left, cone, per, unit.Revolutions(a))
		two, err2 := Replace(one.Left, cone, per, unit.Revolutions(b))
		whole, err3 := Replace(left, cone, per, unit.Revolutions(a+b))
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		balance := float64(one.Cones)*float64(cone) - float64(per)*a*float64(len(left))
		for i, l := range left {
			balance += float64(l - one.Left[i])
			if one.Left[i] < 0 || one.Left[i] > max(l, cone) {
				t.Fatalf("%g kg left of %g on place %d, cones of %g", float64(one.Left[i]), float64(l), i+1, float64(cone))
			}
		}
		if math.Abs(balance) > 1e-6*(1+float64(one.Cones)) {
			t.Fatalf("%g kg appear or go", balance)
		}
		// A cone that is just used up at the cut may fall on either side of it.
		if d := one.Cones + two.Cones - whole.Cones; d != 0 && !nearEnd(one.Left, two.Left, whole.Left, cone) {
			t.Fatalf("%d and %d cones in two stretches, %d in one", one.Cones, two.Cones, whole.Cones)
		}
	})
}

func nearEnd(one, two, whole []unit.Kilograms, cone unit.Kilograms) bool {
	for i := range one {
		if min(one[i], two[i], whole[i]) < 1e-6*cone || cone-min(max(two[i], whole[i]), cone) < 1e-6*cone {
			return true
		}
	}
	return false
}

func TestReplaceRefuses(t *testing.T) {
	for _, f := range []func() (Replaced, error){
		func() (Replaced, error) { return Replace([]unit.Kilograms{1}, 0, 0.001, 1) },
		func() (Replaced, error) { return Replace([]unit.Kilograms{1}, 2, unit.Kilograms(math.NaN()), 1) },
		func() (Replaced, error) { return Replace([]unit.Kilograms{1}, 2, 0.001, -1) },
		func() (Replaced, error) { return Replace([]unit.Kilograms{-1}, 2, 0.001, 1) },
	} {
		if got, err := f(); !errors.Is(err, ErrLoad) {
			t.Errorf("%+v, %v, want a refusal", got, err)
		}
	}
}
