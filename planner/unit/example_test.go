package unit_test

import (
	"fmt"

	"turnwise/planner/unit"
)

func ExampleParseCount() {
	for _, text := range []string{"Ne 30/1", "2/40s", "R40 tex/2", "75D/72f", "12 woollen", "1,500 den"} {
		c, err := unit.ParseCount(text)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Printf("%s is %s, %.2f tex\n", c.Text, c, float64(c.Tex))
	}
	// Output:
	// Ne 30/1 is Ne 30, 19.68 tex
	// 2/40s is Ne 40/2, 29.53 tex
	// R40 tex/2 is R40 tex/2, 40.00 tex
	// 75D/72f is 75 den f72, 8.33 tex
	// yarn count: found "12 woollen", expected one woollen system; write "Yorkshire skein" (256 yd in a pound), "US run" (1600 yd in a pound), "US cut" (300 yd in a pound), "Galashiels" (200 yd in 24 oz) or "Nm"
	// yarn count: found "1,500 den", expected a number that can be read in one way; with a decimal mark it is 1.5, with a thousands mark 1500: write "1.5" or "1500" without thousands mark
}

func ExampleParseGSM() {
	for _, text := range []string{"5.3 oz/yd2", "180 g/m²", "120 g/m"} {
		g, err := unit.ParseGSM(text)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Printf("%.1f g/m2\n", float64(g))
	}
	// Output:
	// 179.7 g/m2
	// 180.0 g/m2
	// mass of cloth by area: found "120 g/m", expected a mass by area or a unit of mass of cloth by area; g/m is mass by running length, which depends on the width; mass by area is written "180 g/m2"
}
