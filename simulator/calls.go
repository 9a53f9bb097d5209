package main

import (
	"encoding/json"
	"fmt"

	"turnwise/simulator/day"
)

type callsCommand struct {
	Hours float64 `default:"24" help:"Length of the play that is counted, after an hour that is not."`
	Seed  uint64  `default:"14" help:"Seed of the mill."`
	JSON  bool    `name:"json" help:"Print the result as one JSON object on the last line."`
}

// Help has an example.
func (*callsCommand) Help() string {
	return `Plays day 1 of the mill, with tenders of whom a tenth tells nothing and a tenth tells late, and who fetch wrong
cones for one round in twenty. Ends with 1 when a mix-up that was told is not caught. An hour takes about twenty
seconds of a processor.

Example:
  simulator calls --hours 8 --seed 3`
}

// Validate refuses what cannot be played.
func (c *callsCommand) Validate() error {
	if !(c.Hours > 0 && c.Hours <= 24*4) {
		return fmt.Errorf("--hours is %g, above 0 and at most 96 is expected", c.Hours)
	}
	return nil
}

// Run plays and tells.
func (c *callsCommand) Run(e *env) error {
	progress := e.out
	if c.JSON {
		progress = e.errOut
	}
	r, err := day.Run(e.ctx, day.Options{Seed: c.Seed, Hours: c.Hours, Told: func(line string) { fmt.Fprintln(progress, line) }})
	if err != nil {
		return err
	}
	if c.JSON {
		text, err := json.Marshal(r)
		if err != nil {
			return fmt.Errorf("write the result: %w", err)
		}
		fmt.Fprintln(e.out, string(text))
	} else {
		for _, a := range r.Asked {
			fmt.Fprintf(e.out, "%-8s %4d calls of %4d tasks, %3d alarms in %.1f h: %.2f and %.3f in 10 minutes; at most %d of both, %d alarms; %d floods\n",
				a.Person, a.Calls, a.Tasks, a.Alarms, r.Hours, a.MeanCalls, a.MeanAlarms, a.Worst, a.WorstAlarms, a.Floods)
		}
		t := r.Tending
		fmt.Fprintf(e.out, "%d rounds of cones, %d told late, %d never; %d mix-ups of lots, %d told, %d of those caught; %d tasks taken\n", t.Rounds, t.Late, t.NoTap, len(t.Mixups), t.Told, t.Caught, t.Taken)
		fmt.Fprintf(e.out, "%d rolls weighed, %d weights refused\n", t.Weighed, len(t.Unweighed))
		for _, m := range r.Missed {
			fmt.Fprintln(e.out, "not caught:", m)
		}
	}
	if len(r.Missed) > 0 {
		return errDiffers
	}
	return nil
}
