package main

import (
	"fmt"
	"time"

	"turnwise/proto/conf"
	"turnwise/server/host"
)

type pruneCommand struct {
	configFlag
	OlderThan conf.Duration `placeholder:"AGE" help:"Age of the records, at least 35d. Without it retain.records of the configuration."`
	DryRun    bool          `help:"Tell what would be dropped and change nothing."`
	JSON      bool          `name:"json" help:"Print the result as JSON."`
}

func (c *pruneCommand) Run(w *world) error {
	cfg, _, err := host.LoadConfig(c.Config, w.environ)
	if err != nil {
		return err
	}
	p := newProgress(w.errOut, "prune")
	x, err := host.Prune(w.ctx, cfg, host.PruneOptions{
		Age: c.OlderThan.Std(), DryRun: c.DryRun,
		Progress: func(machine string, _ int64) { p.tell("machine "+machine, 0, 0) },
	})
	p.end()
	if err != nil && x.Records == 0 {
		return err
	}
	if c.JSON {
		if jerr := printJSON(w.out, x); err == nil {
			err = jerr
		}
		return err
	}
	what := "dropped"
	if x.DryRun {
		what = "would be dropped"
	}
	for _, m := range x.Machines {
		if m.Records > 0 {
			fmt.Fprintf(w.out, "machine %s: %d records up to %s %s\n", m.Machine, m.Records, m.Until.Format(time.RFC3339), what)
		}
		if m.Kept != "" {
			fmt.Fprintf(w.out, "machine %s: older records stay: %s\n", m.Machine, m.Kept)
		}
	}
	if f := x.FineCells; f != nil && f.Cells > 0 {
		fmt.Fprintf(w.out, "%d cells of five minutes of before %s %s; hours stay\n", f.Cells, f.Before.Format(time.RFC3339), what)
	}
	if x.Before.IsZero() {
		return err
	}
	fmt.Fprintf(w.out, "%d records of before %s %s, %d bytes; totals, stops and times stay as they are\n", x.Records, x.Before.Format(time.RFC3339), what, x.Bytes)
	return err
}
