package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"turnwise/simulator/backtest"
)

type backtestCommand struct {
	Fleets int      `default:"20" help:"Fleets of 60 machines drawn for each cell."`
	Seed   uint64   `default:"1" help:"Seed of the fleets."`
	Worlds []string `help:"Worlds to draw from, separated by commas; without it all."`
	JSON   bool     `help:"Print the result as one JSON object on the last line."`
}

// Help lists the worlds.
func (*backtestCommand) Help() string {
	var names []string
	for _, w := range backtest.Worlds() {
		names = append(names, w.Name)
	}
	return "Worlds: " + strings.Join(names, ", ") + "."
}

// Validate refuses what cannot be drawn, before hours are spent on it.
func (c *backtestCommand) Validate() error {
	for _, name := range c.Worlds {
		if !slices.ContainsFunc(backtest.Worlds(), func(w backtest.World) bool { return w.Name == name }) {
			return fmt.Errorf("--worlds: there is no world %q; %s", name, c.Help())
		}
	}
	return counted("--fleets", c.Fleets, 1000)
}

// Run draws mills whose truth is known, forecasts their orders and tells how often
// dates were kept.
func (c *backtestCommand) Run(e *env) error {
	r, err := backtest.Run(e.ctx, backtest.Options{Fleets: c.Fleets, Seed: c.Seed, Worlds: c.Worlds,
		Told: func(line string) { fmt.Fprintln(e.out, line) }})
	if err != nil {
		return err
	}
	if !c.JSON {
		fmt.Fprintf(e.out, "orders until levels are kept again after a step of all rates: %d\n", r.StepRecoveryOrders)
		return nil
	}
	text, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("write the result: %w", err)
	}
	fmt.Fprintln(e.out, string(text))
	return nil
}
