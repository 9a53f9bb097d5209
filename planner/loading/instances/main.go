// Command instances solves files of known scheduling problems and prints one JSON
// line for each, for comparison with values published elsewhere.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"time"

	"turnwise/planner/loading"
	"turnwise/planner/loading/board"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

const usage = `usage: instances -format F [-n JOBS] [-seconds S] [-seed N] FILE...

Formats, plain or compressed with gzip:
  orlib    one machine, weighted tardiness: blocks of -n times, weights, due minutes
  wtsds    one machine, set-ups by sequence, weighted tardiness
  upms     machines of different speed, set-ups by machine and sequence: the last end
  upmstwt  the same with ready times and weighted tardiness; -n jobs (100)
  mill     JSON cases of a mill: releases, live state, weighted tardiness and set-up cost

One line an instance: {"instance", "cost", "seconds", "sequence" or "machines"};
jobs and machines are counted from 0, the orders of a mill are told by their id.
`

type options struct {
	format  string
	jobs    int
	seconds float64
	seed    uint64
}

func run(args []string, out, errs io.Writer) int {
	var o options
	f := flag.NewFlagSet("instances", flag.ContinueOnError)
	f.SetOutput(errs)
	f.Usage = func() { fmt.Fprint(errs, usage); f.PrintDefaults() }
	f.StringVar(&o.format, "format", "", "format of the file")
	f.IntVar(&o.jobs, "n", 0, "jobs of an instance, where the file does not say")
	f.Float64Var(&o.seconds, "seconds", 1, "time for one instance")
	f.Uint64Var(&o.seed, "seed", 1, "of the search")
	if err := f.Parse(args); err != nil {
		return 2
	}
	if f.NArg() == 0 || !(o.seconds > 0 && o.seconds <= 1e6) {
		f.Usage()
		return 2
	}
	for _, path := range f.Args() {
		if err := file(path, o, out); err != nil {
			fmt.Fprintln(errs, "instances:", err)
			return 1
		}
	}
	return 0
}

// instance is a problem with the names of a file.
type instance struct {
	name    any // number from 1 in a file of many, else the file's name
	problem loading.Problem
	line    bool // one machine: told as a sequence
	ids     []int
}

type answer struct {
	Instance any     `json:"instance"`
	Cost     int64   `json:"cost"`
	Seconds  float64 `json:"seconds"`
	Sequence []int   `json:"sequence,omitempty"`
	Machines [][]int `json:"machines,omitempty"`
	Proven   bool    `json:"proven,omitempty"`
}

func file(path string, o options, out io.Writer) error {
	raw, err := read(path)
	if err != nil {
		return err
	}
	parse, ok := formats[o.format]
	if !ok {
		return fmt.Errorf("format %q is unknown, expected orlib, wtsds, upms, upmstwt or mill", o.format)
	}
	all, err := parse(string(raw), o)
	if err != nil {
		return fmt.Errorf("%s, read as %s: %w", path, o.format, err)
	}
	if len(all) == 0 {
		return fmt.Errorf("%s: %w", path, errors.New("no instance found"))
	}
	lines := json.NewEncoder(out)
	for _, in := range all {
		if in.name == nil {
			in.name = base(path)
		}
		a, err := solve(in, o)
		if err != nil {
			return fmt.Errorf("%s, instance %v: %w", path, in.name, err)
		}
		if err := lines.Encode(a); err != nil {
			return err
		}
	}
	return nil
}

func solve(in instance, o options) (answer, error) {
	began := time.Now()
	s, err := board.Sequence(&in.problem, loading.Search{Seed: o.seed, Spent: func() float64 { return time.Since(began).Seconds() / o.seconds }})
	if err != nil {
		return answer{}, err
	}
	a := answer{Instance: in.name, Cost: s.Cost, Seconds: time.Since(began).Seconds(), Proven: s.Proven}
	plan := make([][]int, len(s.Plan))
	for i, jobs := range s.Plan {
		plan[i] = make([]int, len(jobs))
		for k, j := range jobs {
			plan[i][k] = j
			if in.ids != nil {
				plan[i][k] = in.ids[j]
			}
		}
	}
	if in.line {
		a.Sequence = plan[0]
	} else {
		a.Machines = plan
	}
	return a, nil
}
