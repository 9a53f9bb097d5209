package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strconv"
	"time"

	"turnwise/agent/edge"
	"turnwise/agent/source"
	"turnwise/agent/source/replay"
)

// caution goes before every command that sends people to a machine.
const caution = `Before you go to the machine: stop it and isolate it before reaching in. Guards stay closed.
Turn it by hand only when isolated, or inch it hold-to-run by trained people. Local rules hold;
wiring is for licensed electricians. This program only reads: it is no safety device.
`

// machineFlag picks one machine of the configuration.
type machineFlag struct {
	configFlag
	Machine string `placeholder:"ID" help:"Machine; may be left out when there is only one."`
}

func (f machineFlag) machine(w *world) (edge.Machine, error) {
	c, _, err := edge.LoadConfig(f.Config, w.environ)
	if err != nil {
		return edge.Machine{}, err
	}
	if err := c.Validate(); err != nil {
		return edge.Machine{}, err
	}
	if f.Machine == "" && len(c.Machines) == 1 {
		return c.Machines[0], nil
	}
	var ids []string
	for _, m := range c.Machines {
		if m.ID == f.Machine {
			return m, nil
		}
		ids = append(ids, m.ID)
	}
	return edge.Machine{}, fmt.Errorf("%w: --machine: found %q, one of %q expected", errUsage, f.Machine, ids)
}

type countCommand struct {
	machineFlag
	For    string `default:"10rev" placeholder:"HOWLONG" help:"Until so many turns (10rev), pulses (40pulses) or so long (60s)."`
	Record string `placeholder:"FILE" help:"Append the readings to a file that the source kind replay can read."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

// goal is how long to count; one of its fields is set.
type goal struct {
	turns  float64
	pulses uint64
	time   time.Duration
}

var goalForm = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?)(rev|pulses?)$`)

func parseGoal(s string) (goal, error) {
	if m := goalForm.FindStringSubmatch(s); m != nil {
		n, err := strconv.ParseFloat(m[1], 64)
		switch {
		case err != nil || n <= 0 || n > 1e6:
		case m[2] == "rev":
			return goal{turns: n}, nil
		case n == float64(uint64(n)):
			return goal{pulses: uint64(n)}, nil
		}
	} else if d, err := time.ParseDuration(s); err == nil && d > 0 {
		return goal{time: d}, nil
	}
	return goal{}, fmt.Errorf("%w: --for: found %q; 10rev, 40pulses or 60s expected", errUsage, s)
}

// counted is what was seen since the first reading.
type counted struct {
	Machine       string  `json:"machine"`
	Pulses        uint64  `json:"pulses"`
	PerRevolution uint32  `json:"pulses_per_revolution"`
	Revolutions   float64 `json:"revolutions"`
	Seconds       float64 `json:"seconds"`
	Reached       bool    `json:"reached"`
	// Refused is there for sources that count pulses by themselves.
	Refused *source.Tally `json:"refused,omitempty"`
	Note    string        `json:"note,omitempty"`
}

func (c *countCommand) Run(w *world) (err error) {
	until, err := parseGoal(c.For)
	if err != nil {
		return err
	}
	m, err := c.machine(w)
	if err != nil {
		return err
	}
	per, err := m.Source.PerRevolution()
	if err != nil {
		return err
	}
	src, _, err := edge.OpenSource(m.Source, nil)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	record := func(source.Reading) error { return nil }
	if c.Record != "" {
		f, err := os.OpenFile(c.Record, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			return fmt.Errorf("--record: %w; name a file in a folder that can be written", err)
		}
		defer func() { err = errors.Join(err, f.Close()) }()
		record = func(r source.Reading) error { return replay.Append(f, time.Now(), r) }
	}
	fmt.Fprint(w.errOut, caution)
	t := tell{w: w, json: c.JSON}
	got, err := watchCount(w.ctx, src, m.Source.Poll.Std(), until, per, record, t.progress)
	if err != nil {
		return fmt.Errorf("count %s: %w", m.ID, err)
	}
	got.Machine = m.ID
	return t.result(got)
}

// watchCount reads until the goal, or until ctx ends: whoever counts may end
// it at any time.
func watchCount(ctx context.Context, src source.Source, poll time.Duration, until goal, per uint32, record func(source.Reading) error, progress func(counted)) (counted, error) {
	c := counted{PerRevolution: per}
	var first, last uint64
	known := false
	began := time.Now()
	tick := time.NewTicker(poll)
	defer tick.Stop()
	for {
		r, err := src.Read(ctx)
		if ctx.Err() != nil {
			return c, nil
		}
		if r.Err = err; err != nil && !known {
			return c, err // it cannot be read at all
		}
		if err := record(r); err != nil {
			return c, err
		}
		c.Note, c.Seconds = r.Note, time.Since(began).Seconds()
		if err != nil {
			c.Note = err.Error()
		} else if !known {
			known, first, last = true, r.Raw, r.Raw
			progress(c)
		} else if r.Raw != last {
			last = r.Raw
			c.Pulses = forward(first, last, src.Counter())
			c.Revolutions = float64(c.Pulses) / float64(per)
		}
		if p, ok := src.(source.Pulses); ok {
			t := p.Tally()
			c.Refused = &t
		}
		c.Reached = until.turns > 0 && c.Revolutions >= until.turns || until.pulses > 0 && c.Pulses >= until.pulses ||
			until.time > 0 && time.Since(began) >= until.time
		progress(c)
		if c.Reached {
			return c, nil
		}
		select {
		case <-ctx.Done():
			return c, nil
		case <-tick.C:
		}
	}
}

// forward is how far a counter of a width went.
func forward(from, to uint64, bits uint) uint64 {
	if bits == 0 || bits > 63 {
		return to - from
	}
	return (to - from) & (1<<bits - 1)
}

// tell prints what is counted.
type tell struct {
	w    *world
	json bool
	last string
}

// progress prints a line when something changed, for people to look at while
// they turn.
func (t *tell) progress(c counted) {
	line := fmt.Sprintf("%d pulses  %.2f turns%s", c.Pulses, c.Revolutions, refused(c.Refused))
	if c.Note != "" {
		line += "  (" + c.Note + ")"
	}
	if line != t.last {
		fmt.Fprintln(t.w.errOut, line)
		t.last = line
	}
}

func refused(t *source.Tally) string {
	if t == nil {
		return ""
	}
	return fmt.Sprintf("  refused: %d bounces, %d too fast, %d backward, %d missed", t.Bounces, t.TooFast, t.Backward, t.Missed)
}

func (t *tell) result(c counted) error {
	if t.json {
		return json.NewEncoder(t.w.out).Encode(c)
	}
	err := table(t.w.out, func(o io.Writer) {
		fmt.Fprintf(o, "machine\t%s\npulses\t%d\nrevolutions\t%.2f at %d pulses each\nseconds\t%.1f\n", c.Machine, c.Pulses, c.Revolutions, c.PerRevolution, c.Seconds)
		if r := c.Refused; r != nil {
			fmt.Fprintf(o, "bounces\t%d\ntoo fast\t%d\nbackward\t%d\nmissed\t%d\n", r.Bounces, r.TooFast, r.Backward, r.Missed)
		}
	})
	if err == nil && c.Pulses > 0 {
		_, err = fmt.Fprintf(t.w.out, "If a mark on the cylinder shows another number of turns, pulses_per_revolution is %d divided by that number.\n", c.Pulses)
	}
	return err
}
