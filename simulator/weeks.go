package main

import (
	"encoding/json"
	"errors"
	"fmt"

	"turnwise/simulator/weeks"
)

type weeksCommand struct {
	Weeks  int     `default:"4" help:"Weeks in which orders arrive."`
	Seed   uint64  `default:"1" help:"Seed of orders, yarn and what really happens."`
	Rounds int     `default:"400" help:"Rounds of each search."`
	Load   float64 `default:"0.85" help:"Share of the machines' hours that the orders need."`
	JSON   bool    `help:"Print one JSON object instead of the table."`
}

// Help says what is compared.
func (*weeksCommand) Help() string {
	return "An invented mill of 14 machines is loaded twice: by the habit of earliest due date on the first free machine,\nand by plans that are made anew whenever a machine ends, an order arrives or yarn comes in.\nOrders, yarn and what really happens are the same; time is simulated."
}

// Validate refuses what cannot be played, and 0, which would be played as something else.
func (c *weeksCommand) Validate() error {
	return errors.Join(counted("--weeks", c.Weeks, 52), counted("--rounds", c.Rounds, 1e6), measured("--load", c.Load, 1.5))
}

// Run plays the weeks both ways.
func (c *weeksCommand) Run(e *env) error {
	results, err := weeks.Play(weeks.Options{Weeks: c.Weeks, Seed: c.Seed, Rounds: c.Rounds, Load: c.Load})
	if err != nil {
		return err
	}
	if c.JSON {
		text, err := json.Marshal(struct {
			Weeks   int            `json:"weeks"`
			Seed    uint64         `json:"seed"`
			Results []weeks.Result `json:"results"`
		}{c.Weeks, c.Seed, results})
		if err != nil {
			return fmt.Errorf("write the result: %w", err)
		}
		fmt.Fprintln(e.out, string(text))
		return nil
	}
	for _, r := range results {
		fmt.Fprintf(e.out, "%s:\n  %d of %d orders late, %.0f h in all, %.0f h weighted\n  %.1f h of set-up, %.1f machine-hours starved, the yarn of an order was there in %.1f of them\n", r.Way, r.Late, r.Orders, r.TardyHours, r.WeightedHours, r.SetupHours, r.StarvedHours, r.HeldHours)
	}
	return nil
}
