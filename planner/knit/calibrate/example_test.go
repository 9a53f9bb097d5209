package calibrate_test

import (
	"fmt"

	"turnwise/planner/knit/calibrate"
	"turnwise/planner/unit"
)

func ExampleCalibrate() {
	var rolls []calibrate.Roll
	for i, weighed := range []unit.Kilograms{25.05, 24.95, 25.1, 25, 24.9, 25.05, 24.2, 24.1, 24.15, 24.2, 24.1, 24.2} {
		rolls = append(rolls, calibrate.Roll{ID: fmt.Sprint(i + 1), Machine: "K03", Article: "plain", Counted: 25, Weighed: weighed, CourseLength: 6.77})
		rolls = append(rolls, calibrate.Roll{ID: fmt.Sprint(101 + i), Machine: "K04", Article: "plain", Counted: 25, Weighed: 25.03, CourseLength: 6.77})
	}
	out, err := calibrate.Calibrate(rolls, calibrate.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, e := range out.Estimates {
		fmt.Printf("%s: %.3f (%.3f to %.3f) from %d of %d rolls, likely reason: %s\n", e.Machine, e.Ratio, e.Low, e.High, e.Used, e.Rolls, e.Finding.Reason)
		if e.Finding.Text != "" {
			fmt.Println(e.Finding.Text)
		}
	}
	// Output:
	// K03: 0.967 (0.963 to 0.970) from 6 of 12 rolls, likely reason: course length
	// 0.967 here, 1.001 on 1 other machine with the same article: the machine, not the yarn; since roll 7, 1.000 before it; course length on the card 6.77 m, measured 6.54?
	// K04: 1.001 (0.999 to 1.003) from 12 of 12 rolls, likely reason: -
}
