package derive_test

import (
	"encoding/json"
	"math"
	"testing"

	"turnwise/planner/knit/derive"
)

func mass() derive.Derivation {
	var d derive.Derivation
	d.Add(derive.Step{
		Result:  "course length",
		Formula: "needles in work × stitch length / 1000 (needles cut serve the check only)",
		Value:   7.26, Unit: "m/rev",
		Inputs: []derive.Input{
			{Name: "needles", Value: 2640, Unit: "needles", From: derive.Plate},
			{Name: "needles in work", Value: 2638, Unit: "needles", From: derive.Card},
			{Name: "stitch length", Value: 2.75, Unit: "mm", From: derive.Card},
		},
	})
	return d
}

func TestAddInsertsNumbers(t *testing.T) {
	s, ok := mass().Last()
	const want = "2638 × 2.75 / 1000 (2640 cut serve the check only)"
	if !ok || s.Inserted != want {
		t.Errorf("inserted %q, want %q: the longer name goes first, the shorter as a whole word", s.Inserted, want)
	}
	if _, ok := (derive.Derivation{}).Last(); ok {
		t.Error("an empty derivation has a last step")
	}
}

func TestString(t *testing.T) {
	const want = `1. course length
     = needles in work × stitch length / 1000 (needles cut serve the check only)
     = 2638 × 2.75 / 1000 (2640 cut serve the check only)
     = 7.26 m/rev
       needles: 2640 needles (plate)
       needles in work: 2638 needles (knit card)
       stitch length: 2.75 mm (knit card)
`
	if got := mass().String(); got != want {
		t.Errorf("printed\n%s\nwant\n%s", got, want)
	}
}

func TestJSON(t *testing.T) {
	raw, err := json.Marshal(mass())
	if err != nil {
		t.Fatal(err)
	}
	var back derive.Derivation
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	if back.String() != mass().String() {
		t.Errorf("%s reads back as\n%s", raw, back)
	}
}

func TestNumber(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0", 2640: "2640", 7.26: "7.26", 12.86209: "12.8621", 1269216: "1269216",
		1.0 / 3: "0.333333", 1e-9: "1e-09", 2e12: "2e+12", -1.5: "-1.5", math.Inf(1): "+Inf",
	} {
		if got := derive.Number(v); got != want {
			t.Errorf("Number(%v) = %q, want %q", v, got, want)
		}
	}
	if got := derive.Quantity(3, ""); got != "3" {
		t.Errorf("a plain number prints %q", got)
	}
}
