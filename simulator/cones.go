package main

import (
	"encoding/json"
	"errors"
	"fmt"

	"turnwise/simulator/cones"
)

type conesCommand struct {
	Seeds     int      `default:"20" help:"Creels that are played, one a seed."`
	Seed      uint64   `default:"1" help:"Seed of the first creel."`
	Feeds     int      `default:"90" help:"Feeds of a creel."`
	Groups    int      `default:"1" help:"Feed groups of a creel, each with a bias of its own."`
	Chance    float64  `default:"0.02" help:"Run-outs that are borne for each cone."`
	VisitCost float64  `default:"2" help:"Cost of a walk to the creel."`
	KgValue   float64  `default:"3" help:"Value of a kilogram of yarn left on a cone that is changed."`
	Bias      *float64 `help:"Share by which a turn takes more yarn than the card says, in all creels; without it drawn within 0.03."`
	Settle    float64  `default:"2" help:"Lives of a cone that are played by visits before counting begins."`
	Lives     float64  `default:"10" help:"Lives of a cone that are counted."`
	JSON      bool     `help:"Print the result as one JSON object on the last line."`
}

// Help says what is compared.
func (*conesCommand) Help() string {
	return "Each creel is played three times with the same cones: changed when they are out, by visits of a planner that learns how\nlong they last, and by visits of one that knows. Masses spread by 2 %, a fifth of the cones is taken early by the tender's\nown choice, a tenth of the taps is lost until somebody comes again, a tenth comes late. Each begins with 30 run-outs told."
}

// Validate refuses 0, which would be played as something else; what else cannot be
// played is said by who plays it.
func (c *conesCommand) Validate() error {
	return errors.Join(counted("--seeds", c.Seeds, 10_000), counted("--feeds", c.Feeds, 1000), counted("--groups", c.Groups, 1000), measured("--chance", c.Chance, 1),
		measured("--visit-cost", c.VisitCost, 1e6), measured("--kg-value", c.KgValue, 1e6), measured("--settle", c.Settle, 1000), measured("--lives", c.Lives, 1000))
}

// Run plays the creels.
func (c *conesCommand) Run(e *env) error {
	o := cones.Options{Seeds: c.Seeds, Seed: c.Seed, Feeds: c.Feeds, Groups: c.Groups, Chance: c.Chance, VisitCost: c.VisitCost, KgValue: c.KgValue, Bias: c.Bias, Settle: c.Settle, Lives: c.Lives}
	r, err := cones.Play(o, func(done int) {
		if done%10 == 0 {
			fmt.Fprintf(e.errOut, "%d of %d creels\n", done, c.Seeds)
		}
	})
	if err != nil {
		return err
	}
	for _, w := range r.Ways {
		fmt.Fprintf(e.out, "%-17s %6d cones; for each: run-outs %.4f ± %.4f (%.2f ± %.2f of %g borne), walks %.4f ± %.4f, waste %.4f ± %.4f kg, cost %.4f ± %.4f\n", w.Way, w.Cones,
			w.RunOuts.Mean, w.RunOuts.SE, w.RunOutsOfBorne.Mean, w.RunOutsOfBorne.SE, r.Chance, w.Walks.Mean, w.Walks.SE, w.WasteKg.Mean, w.WasteKg.SE, w.Cost.Mean, w.Cost.SE)
	}
	fmt.Fprintf(e.out, "learning costs %.1f ± %.1f %% less than changing when out, %+.1f ± %.1f %% beside knowing; biases within two standard deviations: %.0f %%\n",
		100*r.Below.Mean, 100*r.Below.SE, 100*r.Above.Mean, 100*r.Above.SE, 100*r.Within)
	for _, b := range r.Bands {
		fmt.Fprintf(e.out, "  cones last %+.0f to %+.0f %%: %d, run-outs %.2f ± %.2f of what is borne, bias learnt %+.2f ± %.2f points off\n", 100*max(b.From, -0.03), 100*min(b.To, 0.03), b.Creels,
			b.RunOutsOfBorne.Mean, b.RunOutsOfBorne.SE, 100*b.Error.Mean, 100*b.Error.SE)
	}
	if c.JSON {
		text, err := json.Marshal(r)
		if err != nil {
			return fmt.Errorf("write the result: %w", err)
		}
		fmt.Fprintln(e.out, string(text))
	}
	return nil
}
