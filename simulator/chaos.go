package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"turnwise/simulator/chaos"
)

type chaosCommand struct {
	Cycles int           `default:"60" help:"Cycles of one or two faults each."`
	Seed   uint64        `default:"1" help:"Seed of the faults, 1 or more."`
	Bin    string        `type:"path" help:"Folder with the programs agent and server; without it they are built."`
	Within time.Duration `help:"Begin no cycle after this time; what was run is judged. Example: 20m."`
	Lives  time.Duration `name:"server-lives" help:"So long before the end the last fault ends the server, so that one gets old enough to show what grows; without it a third of the run. Example: 25m."`
	Only   []string      `placeholder:"KINDS" help:"Kinds of faults to draw from, separated by commas; without it all."`
	List   bool          `help:"Show the kinds of faults and what they mean, and do nothing."`
	Keep   bool          `help:"Leave journals, records and logs of a run that found something or went wrong."`
	JSON   bool          `help:"Print the result as one JSON object on the last line."`
}

// Run runs the cycles and tells what was found.
func (c *chaosCommand) Run(e *env) error {
	if c.List {
		tw := tabwriter.NewWriter(e.out, 0, 4, 2, ' ', 0)
		for _, k := range chaos.Kinds() {
			fmt.Fprintf(tw, "%s\t%s\n", k.Name, k.Meaning)
		}
		return tw.Flush()
	}
	progress := e.out
	if c.JSON {
		progress = e.errOut
	}
	r, err := chaos.Run(e.ctx, chaos.Options{Cycles: c.Cycles, Seed: c.Seed, Bin: c.Bin, Within: c.Within, ServerLives: c.Lives, Only: c.Only, Keep: c.Keep,
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
		tell(e.out, r)
	}
	if !r.OK() {
		return errDiffers
	}
	return nil
}

// tell prints a result for people.
func tell(w io.Writer, r chaos.Result) {
	fmt.Fprintf(w, "%d cycles, seed %d, %.0f s: %d lost, %d doubled; %d of %d revolutions stored, %d to %d declared lost; %d stops of %d made, %d to %d could be seen; controls caught: lossy %t, doubling %t\n",
		r.Cycles, r.Seed, r.Seconds, r.Lost, r.Doubled, r.Stored, r.Turns, r.DeclaredMin, r.DeclaredMax,
		r.StopsStored, r.StopsTruth, r.StopsLeast, r.StopsMost, r.Caught.Lossy, r.Caught.Doubling)
	for _, m := range r.Mismatches {
		fmt.Fprintln(w, "differs:", m)
	}
	for k, why := range r.NotInjected {
		fmt.Fprintf(w, "not injected: %s: %s\n", k, why)
	}
	for _, k := range chaos.Kinds() {
		if n := r.Faults[k.Name]; n > 0 {
			fmt.Fprintf(w, "%6d  %s\n", n, k.Name)
		}
	}
	for _, of := range []string{"agent", "server"} {
		for _, f := range r.Resources[of] {
			fmt.Fprintf(w, "%s %s: %.1f at first, %.1f at last, growth %.1f an hour, %.1f at the least, %.1f allowed (%d minutes of %.0f s): %s\n",
				of, f.What, f.First, f.Last, f.Growth, f.GrowthLeast, f.GrowthAllowed, f.Minutes, f.Seconds, f.Verdict)
		}
	}
}
