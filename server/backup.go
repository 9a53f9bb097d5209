package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"turnwise/server/host"
)

type backupCommand struct {
	configFlag
	To   string `placeholder:"PATH" help:"File, or a folder for a dated file; the folder must be there. Without it the folder of backup.dir."`
	JSON bool   `name:"json" help:"Print the result as JSON."`
}

type restoreCommand struct {
	configFlag
	From   string `required:"" placeholder:"PATH" help:"The backup."`
	Verify bool   `help:"Check the whole backup first. Restore always does; the flag says that you know."`
	DryRun bool   `help:"Check everything and change nothing."`
	JSON   bool   `name:"json" help:"Print the result as JSON."`
}

type verifyCommand struct {
	configFlag
	From string `placeholder:"PATH" help:"Check this backup instead of the records in use."`
	JSON bool   `name:"json" help:"Print the report as JSON."`
}

func (b *backupCommand) Run(w *world) error {
	c, _, err := host.LoadConfig(b.Config, w.environ)
	if err != nil {
		return err
	}
	p := newProgress(w.errOut, "backup")
	x, err := host.TakeBackup(w.ctx, c, b.To, nil, p.tell)
	p.end()
	if err != nil {
		return err
	}
	if b.JSON {
		return printJSON(w.out, x)
	}
	fmt.Fprintf(w.out, "backup %s: %d records of %d machines, %d turns, %d bytes, taken at %s, checked in %s\n",
		x.File, x.Records, x.Machines, x.Revolutions, x.Bytes, x.Taken.Format(time.RFC3339), x.Took().Round(time.Millisecond))
	return nil
}

func (r *restoreCommand) Run(w *world) error {
	c, _, err := host.LoadConfig(r.Config, w.environ)
	if err != nil {
		return err
	}
	if !r.Verify {
		fmt.Fprintln(w.errOut, "restore: the backup is checked fully first, as always (--verify)")
	}
	p := newProgress(w.errOut, "restore")
	x, err := host.Restore(w.ctx, c, r.From, r.DryRun, p.tell)
	p.end()
	if err != nil {
		return err
	}
	if x.Beyond > 0 {
		fmt.Fprintf(w.errOut, "restore: agents of %d streams may have forgotten records that this backup lacks, because a newer one has them", x.Beyond)
		if x.Newer != "" {
			fmt.Fprintf(w.errOut, ": %s; restore that one if it is good", x.Newer)
		}
		fmt.Fprintln(w.errOut)
	}
	if r.JSON {
		return printJSON(w.out, x)
	}
	what := "restored"
	if x.DryRun {
		what = "good, nothing was changed"
	}
	fmt.Fprintf(w.out, "%s: %s from %s of %s: %d records of %d machines, %d turns\n",
		what, x.File, x.From, x.Taken.Format(time.RFC3339), x.Records, x.Machines, x.Revolutions)
	if x.Aside != "" {
		fmt.Fprintf(w.out, "the records that were there are kept in %s\n", x.Aside)
	}
	if !x.DryRun {
		fmt.Fprintln(w.out, "start the server; the agents send what came after the backup")
	}
	return nil
}

func (v *verifyCommand) Run(w *world) error {
	c, _, err := host.LoadConfig(v.Config, w.environ)
	if err != nil {
		return err
	}
	p := newProgress(w.errOut, "verify")
	x, err := host.Verify(w.ctx, c, v.From, p.tell)
	p.end()
	if err != nil {
		return err
	}
	if v.JSON {
		return errors.Join(printJSON(w.out, x), x.Summary())
	}
	for _, d := range x.Damages {
		fmt.Fprintln(w.out, d)
	}
	if x.More > 0 {
		fmt.Fprintf(w.out, "and %d more\n", x.More)
	}
	if err := x.Summary(); err != nil {
		return err
	}
	fmt.Fprintf(w.out, "good: %s: %d records in %d streams of %d machines, %d turns; all sums counted again for %d machines\n",
		x.File, x.Records, x.Streams, x.Machines, x.Revolutions, x.Recounted)
	if x.CheckedAs > 0 {
		fmt.Fprintf(w.out, "it has schema %d, of an older version: checked as what it is, and its sums in a private copy that was brought up to schema %d, as the server does after a restore\n", x.Schema, x.CheckedAs)
	}
	if x.Dropped > 0 {
		fmt.Fprintf(w.out, "%d older records were dropped; sums were counted on from what they gave\n", x.Dropped)
	}
	for _, s := range x.Settled {
		fmt.Fprintf(w.out, "machine %s: sums settled as they stood on %s: %s\n", s.Machine, s.At.Format(time.RFC3339), s.Words)
	}
	if x.InPart > 0 {
		fmt.Fprintf(w.out, "for %d machines old records were booked by an older version: turns were counted again, stops and times were not\n", x.InPart)
	}
	return nil
}

// printLine prints one object on a line.
func printLine(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }

func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// progress is one line on a terminal that is written over, or a line for each
// stage anywhere else.
type progress struct {
	w        io.Writer
	what     string
	terminal bool
	stage    string
	told     time.Time
}

func newProgress(w io.Writer, what string) *progress {
	p := &progress{w: w, what: what}
	if f, ok := w.(*os.File); ok {
		st, err := f.Stat()
		p.terminal = err == nil && st.Mode()&os.ModeCharDevice != 0
	}
	return p
}

func (p *progress) tell(stage string, done, total int64) {
	if !p.terminal {
		if stage != p.stage {
			p.stage = stage
			fmt.Fprintf(p.w, "%s: %s\n", p.what, stage)
		}
		return
	}
	if stage == p.stage && time.Since(p.told) < 200*time.Millisecond {
		return
	}
	p.stage, p.told = stage, time.Now()
	share := ""
	if total > 0 {
		share = fmt.Sprintf(" %d %%", 100*done/total)
	}
	fmt.Fprintf(p.w, "\r%s: %s%s\x1b[K", p.what, stage, share)
}

// end leaves the terminal's line empty for what is told last.
func (p *progress) end() {
	if p.terminal && p.stage != "" {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
