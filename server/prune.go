package main

import (
	"fmt"
	"time"

	"turnwise/proto/conf"
	"turnwise/server/host"
)

type pruneCommand struct {
	configFlag
	OlderThan *conf.Duration `placeholder:"AGE" help:"Age of the records, at least 35d. Without it retain.records of the configuration."`
	DryRun    bool           `help:"Tell what would be dropped and change nothing."`
	JSON      bool           `name:"json" help:"Print the result as JSON."`
}

func (c *pruneCommand) Run(w *world) error {
	cfg, _, err := host.LoadConfig(c.Config, w.environ)
	if err != nil {
		return err
	}
	age := time.Duration(0) // that of the configuration
	if c.OlderThan != nil {
		if age = c.OlderThan.Std(); age < host.LeastRetained {
			return fmt.Errorf("%w: prune: --older-than is %s, at least %s is expected: for so long agents may tell records again", errUsage, c.OlderThan, conf.Duration(host.LeastRetained))
		}
	}
	p := newProgress(w.errOut, "prune")
	x, err := host.Prune(w.ctx, cfg, host.PruneOptions{
		Age: age, DryRun: c.DryRun,
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
		if m.Settled != "" {
			settled := "are settled as they stand"
			if x.DryRun {
				settled = "would be settled as they stand"
			}
			fmt.Fprintf(w.out, "machine %s: sums of before %s: %s\n", m.Machine, settled, m.Settled)
		}
		if m.Kept != "" {
			fmt.Fprintf(w.out, "machine %s: older records stay: %s\n", m.Machine, m.Kept)
		}
	}
	if f := x.FineCells; f != nil && f.Cells > 0 {
		fmt.Fprintf(w.out, "%d cells of five minutes of before %s %s; hours stay\n", f.Cells, f.Before.Format(time.RFC3339), what)
	}
	if !x.Before.IsZero() {
		fmt.Fprintf(w.out, "%d records of before %s %s, %d bytes; totals, stops and times stay as they are\n", x.Records, x.Before.Format(time.RFC3339), what, x.Bytes)
	}
	fmt.Fprintf(w.out, "the file has %d bytes, %d of them free; before %d and %d\n", x.Room.Bytes, x.Room.Free, x.RoomBefore.Bytes, x.RoomBefore.Free)
	if !x.Room.Gives && x.Room.Surplus() > 0 {
		fmt.Fprintln(w.out, "this file cannot give room back; server shrink makes it anew once, with the server stopped")
	}
	return err
}

type shrinkCommand struct {
	configFlag
	DryRun bool `help:"Tell how much would be given back and change nothing; beside a running server too."`
	JSON   bool `name:"json" help:"Print the result as JSON."`
}

func (c *shrinkCommand) Run(w *world) error {
	cfg, _, err := host.LoadConfig(c.Config, w.environ)
	if err != nil {
		return err
	}
	p := newProgress(w.errOut, "shrink")
	x, err := host.Shrink(w.ctx, cfg, c.DryRun, p.tell)
	p.end()
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(w.out, x)
	}
	if x.DryRun {
		fmt.Fprintf(w.out, "%s: %d bytes, %d of them free: about %d would be left; nothing was changed\n", x.File, x.Before.Bytes, x.Before.Free, x.After.Bytes)
		return nil
	}
	fmt.Fprintf(w.out, "%s: %d bytes, before %d; the same %d records of %d machines, %d turns, in %.1f s\n",
		x.File, x.After.Bytes, x.Before.Bytes, x.Records, x.Machines, x.Revolutions, x.Seconds)
	fmt.Fprintln(w.out, "start the server; from now on it gives room back by itself")
	return nil
}
