package handbook_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"turnwise/planner/knit/handbook"
	"turnwise/planner/unit"
)

const poundKilos = 0.45359237

// The values of published pages are in testdata/checks; these are the mill's own.
func TestMillValues(t *testing.T) {
	area, err := handbook.RollArea(25, 180)
	if err != nil {
		t.Fatal(err)
	}
	points, err := handbook.PointsPer100SquareMetres(14, unit.Metres(area), 1)
	if err != nil || math.Abs(points-10.08) > 0.005 {
		t.Errorf("14 points on 25 kg of 180 g/m2: %.4g per 100 m2, %v, want 10.08 (by hand: 14*100*0.180/25)", points, err)
	}
	rolls, err := handbook.RollsOfLotChange(5*poundKilos, 80, 50*poundKilos)
	if err != nil || math.Abs(rolls-8) > 1e-9 {
		t.Errorf("5 lb over 80 feeders on rolls of 50 lb: %.4g rolls, %v, want 8 (by hand)", rolls, err)
	}
}

func TestFaultPoints(t *testing.T) {
	for _, tt := range []struct {
		inches unit.Inches
		want   int
	}{{0.1, 1}, {3, 1}, {3.01, 2}, {6, 2}, {9, 3}, {9.01, 4}, {300, 4}} {
		if got, err := handbook.FaultPoints(tt.inches); got != tt.want || err != nil {
			t.Errorf("fault of %v in: %d points, %v, want %d (scale of ASTM D5430)", tt.inches, got, err, tt.want)
		}
	}
}

func TestRefused(t *testing.T) {
	nan := math.NaN()
	for name, call := range map[string]func() (float64, error){
		"longer than busy": func() (float64, error) { return handbook.Availability(500, 480) },
		"no busy time":     func() (float64, error) { return handbook.Availability(0, 0) },
		"no production":    func() (float64, error) { return handbook.Effectiveness(1, 5, 0) },
		"items below zero": func() (float64, error) { return handbook.Effectiveness(1, -5, 9) },
		"no width":         func() (float64, error) { return handbook.PointsPer100SquareYards(3, 100, 0) },
		"points below 0":   func() (float64, error) { return handbook.PointsPer100SquareMetres(-1, 100, 1) },
		"not a number":     func() (float64, error) { return handbook.RollArea(unit.Kilograms(nan), 180) },
		"no feeders":       func() (float64, error) { return handbook.RollsOfLotChange(1, 0, 25) },
		"infinite gauge":   func() (float64, error) { return handbook.NeByGauge(math.Inf(1)) },
		"beside the line":  func() (float64, error) { return handbook.Lines[0].Ne(400) },
		"no mass":          func() (float64, error) { return handbook.Lines[0].Ne(nan) },
		"no fault length":  func() (float64, error) { p, err := handbook.FaultPoints(-1); return float64(p), err },
	} {
		v, err := call()
		if v != 0 || !errors.Is(err, handbook.ErrInput) || !strings.Contains(err.Error(), "expected") {
			t.Errorf("%s: %v, %v; want 0 and an error that tells what was expected", name, v, err)
		}
	}
}
