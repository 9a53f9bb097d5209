package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"text/tabwriter"
	"time"

	"turnwise/simulator/chaos"
)

type chaosCommand struct {
	Cycles int           `default:"60" help:"Cycles of one or two faults each, about two seconds a cycle."`
	Seed   uint64        `default:"1" help:"Seed of the faults, 1 or more. It draws the same faults again; programs and disks keep their own time."`
	Within time.Duration `placeholder:"TIME" help:"Begin no cycle after this time; what was run is judged. Example: 20m."`
	Lives  time.Duration `name:"server-lives" placeholder:"TIME" help:"So long before the end the last fault ends the server, so that one gets old enough to show what grows; without it a third of the run. Example: 25m."`
	Only   []string      `placeholder:"KINDS" help:"Kinds of faults to draw from, separated by commas; without it all. Example: \"kill agent,line cut\"."`
	List   bool          `help:"Show the kinds of faults and what they mean, and do nothing."`
	Bin    string        `type:"path" placeholder:"FOLDER" help:"Folder with the programs agent and server; without it they are built, which needs Go and this folder's sources."`
	Keep   bool          `help:"Leave journals, records and logs of a run that found something or went wrong."`
	JSON   bool          `name:"json" help:"Print the result as one JSON object on the last line of standard output; progress goes to standard error."`
}

// Help says what is done to whom, and what the end means.
func (*chaosCommand) Help() string {
	return `Three agents with four invented machines and one server run as processes on this
computer, on ports of the loopback interface that are free, in a temporary folder
that is removed at the end, also after Ctrl-C. No machine, agent or server of a
mill is touched.

Each cycle breaks one or two things and repairs them: programs are killed, lines
cut, disks filled, counters set back, journals damaged (--list shows all). At the
end every turn and every stop in the server's books is compared with a ledger that
was written before any agent could see it. First, two lines that lose and that
double are compared in the same way: the comparison must see them.

Each minute it tells what the oldest agent and the server use. Growth by more than
is allowed counts as found: 3 goroutines, 3 open files, 2 MB of heap or 6 MB of
memory in an hour, or a tenth of what it was, where even the lower bound of the
slope is above. A program is old enough after 13 minutes.

Cutting power and filling disks needs root on Linux and mkfs.ext4; what could not
be done is listed as "not injected".

Examples:
  simulator chaos --cycles 250 --seed 1 --json
  simulator chaos --cycles 100000 --within 1h --server-lives 25m
  simulator chaos --only "journal bit turned,kill server" --keep

Exit codes: 0 nothing found; 1 something lost, doubled, contradicted or growing, a
control that was not seen, or the run did not come to its end (then no result is
printed); 2 wrong arguments.`
}

// Validate refuses arguments that could only be a mistake.
func (c *chaosCommand) Validate() error {
	switch {
	case c.Cycles < 1:
		return fmt.Errorf("--cycles %d: 1 or more is expected", c.Cycles)
	case c.Seed < 1:
		return errors.New("--seed 0: 1 or more is expected")
	case c.Within < 0:
		return fmt.Errorf("--within %s: a time from the start is expected, for example 20m", c.Within)
	case c.Lives < 0:
		return fmt.Errorf("--server-lives %s: a time before the end is expected, for example 25m", c.Lives)
	case c.Within > 0 && c.Lives > c.Within:
		return fmt.Errorf("--server-lives %s is longer than the run, --within %s", c.Lives, c.Within)
	}
	for _, kind := range c.Only {
		if !slices.ContainsFunc(chaos.Kinds(), func(k chaos.Kind) bool { return k.Name == kind }) {
			return fmt.Errorf("--only: there is no fault %q; simulator chaos --list shows all kinds", kind)
		}
	}
	return nil
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
	for _, k := range slices.Sorted(maps.Keys(r.NotInjected)) {
		fmt.Fprintf(w, "not injected: %s: %s\n", k, r.NotInjected[k])
	}
	for _, k := range chaos.Kinds() {
		if n := r.Faults[k.Name]; n > 0 {
			fmt.Fprintf(w, "%6d  %s\n", n, k.Name)
		}
	}
	for _, of := range []string{"agent", "server"} {
		for _, f := range r.Resources[of] {
			if g := f.Growth; g != nil {
				fmt.Fprintf(w, "%s %s: %.1f at first, %.1f at last; %+.1f an hour, %+.1f at the least, %.1f allowed (%d minutes): %s\n",
					of, f.What, g.First, g.Last, g.PerHour, g.AtLeast, g.Allowed, f.Minutes, f.Verdict)
			} else {
				fmt.Fprintf(w, "%s %s: %s, looked at for %.0f s\n", of, f.What, f.Verdict, f.Seconds)
			}
		}
	}
}
