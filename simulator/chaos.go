package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"turnwise/simulator/chaos"
)

type chaosCommand struct {
	Cycles int      `default:"60" help:"Cycles of one or two faults each."`
	Seed   uint64   `default:"1" help:"Seed of the faults, 1 or more."`
	Bin    string   `type:"path" help:"Folder with the programs agent and server; without it they are built."`
	Faults []string `help:"Kinds of faults to draw from, separated by commas; without it all."`
	Keep   bool     `help:"Leave journals, records and logs of a run that found something."`
	JSON   bool     `help:"Print the result as one JSON object on the last line."`
}

// Help lists the kinds of faults.
func (*chaosCommand) Help() string {
	return "Kinds of faults: " + strings.Join(chaos.Kinds(), ", ") + "."
}

// Run runs the cycles and tells what was found.
func (c *chaosCommand) Run(e *env) error {
	progress := e.out
	if c.JSON {
		progress = e.errOut
	}
	r, err := chaos.Run(e.ctx, chaos.Options{Cycles: c.Cycles, Seed: c.Seed, Bin: c.Bin, Faults: c.Faults, Keep: c.Keep,
		Told: func(line string) { fmt.Fprintln(progress, line) }})
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
		fmt.Fprintf(e.out, "%d cycles, seed %d: %d of %d revolutions, %d lost, %d doubled, %d to %d declared lost; %d stops of %d made, %d to %d could be seen; controls caught: lossy %t, doubling %t\n",
			r.Cycles, r.Seed, r.Stored, r.Turns, r.Lost, r.Doubled, r.DeclaredMin, r.DeclaredMax,
			r.StopsStored, r.StopsTruth, r.StopsLeast, r.StopsMost, r.Caught.Lossy, r.Caught.Doubling)
		for _, m := range r.Mismatches {
			fmt.Fprintln(e.out, "differs:", m)
		}
		for k, why := range r.NotInjected {
			fmt.Fprintf(e.out, "not injected: %s: %s\n", k, why)
		}
		for _, k := range slices.DeleteFunc(chaos.Kinds(), func(k string) bool { return r.Faults[k] == 0 }) {
			fmt.Fprintf(e.out, "%6d  %s\n", r.Faults[k], k)
		}
	}
	if !r.OK() {
		return errDiffers
	}
	return nil
}
