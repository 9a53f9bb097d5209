// Package regain turns the mass that a scale shows into the mass that is invoiced:
// it keeps the tables of agreed moisture regains and does the arithmetic of moist,
// dry and commercial mass. The one rule: a regain is never used without the table it
// is from, and tables that disagree are shown, not averaged. It measures nothing and
// does not decide which table a contract means.
package regain

import (
	"errors"
	"fmt"
	"math"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// ErrMoisture is inside every error about a mass, content or regain.
var ErrMoisture = errors.New("moisture is not usable")

// Believed at most: no fibre at the mill's door holds more water than this on its
// dry mass.
const maxRegain = 2.0

func checkRegain(name string, r unit.Share) error {
	if !(r >= 0 && r <= maxRegain) {
		return fmt.Errorf("%s: %w: it is %g, expected 0 to %g of the dry mass; enter 0.085 or 8.5 %%", name, ErrMoisture, float64(r), maxRegain)
	}
	return nil
}

func checkContent(c unit.Share) error {
	if !(c >= 0 && c < 1) {
		return fmt.Errorf("moisture content: %w: it is %g, expected 0 to below 1 of the moist mass; enter 0.08 or 8 %%", ErrMoisture, float64(c))
	}
	return nil
}

func checkMass(name string, grams unit.Grams) error {
	if !(grams >= 0) || math.IsInf(float64(grams), 1) {
		return fmt.Errorf("%s: %w: it is %g g, expected 0 or more; weigh again", name, ErrMoisture, float64(grams))
	}
	return nil
}

// Content is water on moist mass, from a regain, water on dry mass.
func Content(regain unit.Share) (unit.Share, error) {
	if err := checkRegain("regain", regain); err != nil {
		return 0, err
	}
	return regain / (1 + regain), nil
}

// FromContent is water on dry mass, from a content, water on moist mass.
func FromContent(content unit.Share) (unit.Share, error) {
	if err := checkContent(content); err != nil {
		return 0, err
	}
	return content / (1 - content), nil
}

// Dry is what is left of a moist mass without its water.
func Dry(moist unit.Grams, content unit.Share) (unit.Grams, error) {
	if err := checkMass("moist mass", moist); err != nil {
		return 0, err
	}
	if err := checkContent(content); err != nil {
		return 0, err
	}
	return moist * unit.Grams(1-content), nil
}

// Water is the water in a moist mass at a regain.
func Water(moist unit.Grams, regain unit.Share) (unit.Grams, error) {
	if err := checkMass("moist mass", moist); err != nil {
		return 0, err
	}
	content, err := Content(regain)
	return moist * unit.Grams(content), err
}

// CommercialMass is the mass to invoice: the net mass less its water, plus the
// agreed regain on the dry mass. With it comes how it was calculated.
func CommercialMass(net unit.Kilograms, content unit.Share, agreed Value) (unit.Kilograms, derive.Derivation, error) {
	if err := checkMass("net mass", net.Grams()); err != nil {
		return 0, nil, err
	}
	if err := checkContent(content); err != nil {
		return 0, nil, err
	}
	if err := checkRegain("agreed regain", agreed.Regain); err != nil {
		return 0, nil, err
	}
	dry := net * unit.Kilograms(1-content)
	commercial := dry * unit.Kilograms(1+agreed.Regain)
	var d derive.Derivation
	d.Add(derive.Step{
		Result: "dry mass", Formula: "net mass × (1 − moisture content)", Value: float64(dry), Unit: "kg",
		Inputs: []derive.Input{
			{Name: "net mass", Value: float64(net), Unit: "kg", From: derive.Weighed},
			{Name: "moisture content", Value: float64(content), From: derive.Given},
		},
	})
	d.Add(derive.Step{
		Result: "commercial mass", Formula: "dry mass × (1 + agreed regain)", Value: float64(commercial), Unit: "kg",
		Inputs: []derive.Input{
			{Name: "dry mass", Value: float64(dry), Unit: "kg", From: derive.FromAbove},
			{Name: "agreed regain", Value: float64(agreed.Regain), From: agreed.origin()},
		},
	})
	return commercial, d, nil
}

// ConditionedTex is the linear density at a regain of a length that was weighed
// oven-dry.
func ConditionedTex(length unit.Metres, dry unit.Grams, at Value) (unit.Tex, derive.Derivation, error) {
	if !(length > 0) || math.IsInf(float64(length), 1) {
		return 0, nil, fmt.Errorf("conditioned linear density: %w: the length is %g m, expected above 0; measure the skein", ErrMoisture, float64(length))
	}
	if err := checkMass("dry mass", dry); err != nil {
		return 0, nil, err
	}
	if err := checkRegain("regain", at.Regain); err != nil {
		return 0, nil, err
	}
	tex := float64(dry) * (1 + float64(at.Regain)) / float64(length) * 1000
	var d derive.Derivation
	d.Add(derive.Step{
		Result: "linear density", Formula: "dry mass × (1 + regain) / length × 1000", Value: tex, Unit: "tex",
		Inputs: []derive.Input{
			{Name: "dry mass", Value: float64(dry), Unit: "g", From: derive.Weighed},
			{Name: "regain", Value: float64(at.Regain), From: at.origin()},
			{Name: "length", Value: float64(length), Unit: "m", From: derive.Given},
		},
	})
	return unit.Tex(tex), d, nil
}

// Restate gives a linear density, or any mass, stated at one regain, as it is at
// another: the factor to multiply with.
func Restate(from, to unit.Share) (float64, error) {
	if err := checkRegain("regain it is stated at", from); err != nil {
		return 0, err
	}
	if err := checkRegain("regain it is wanted at", to); err != nil {
		return 0, err
	}
	return float64((1 + to) / (1 + from)), nil
}
