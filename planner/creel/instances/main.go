// Command instances solves files of creel cases and prints one JSON line a case,
// for comparison with optima found elsewhere.
package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"turnwise/planner/creel"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

const usage = `usage: instances FILE
FILE is JSON with "single_round" and "rolling", lists of cases. For each case one
line: {"name", "cost" times 1000, "visits": [{"revolution", "cones"}]}, cones from 0.
`

const maxFile = 64 << 20

func run(args []string, out, errs io.Writer) int {
	if len(args) != 1 || args[0] == "-h" || args[0] == "-help" || args[0] == "--help" {
		fmt.Fprint(errs, usage)
		return 2
	}
	if err := solve(args[0], out); err != nil {
		fmt.Fprintln(errs, "instances:", err)
		return 1
	}
	return 0
}

func solve(path string, out io.Writer) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return err
	}
	if len(raw) > maxFile {
		return fmt.Errorf("%s: more than %d bytes, expected a file of cases", path, maxFile)
	}
	var file cases
	if err := json.Unmarshal(raw, &file); err != nil {
		return fmt.Errorf("%s: not JSON of creel cases: %w", path, err)
	}
	if len(file.Single)+len(file.Rolling) == 0 {
		return fmt.Errorf(`%s: no case found, expected a list "single_round" or "rolling"`, path)
	}
	lines := json.NewEncoder(out)
	for _, c := range file.Single {
		a, err := c.solve()
		if err != nil {
			return fmt.Errorf("%s: single_round %q: %w", path, c.Name, err)
		}
		if err := lines.Encode(a); err != nil {
			return err
		}
	}
	for _, c := range file.Rolling {
		a, err := c.solve()
		if err != nil {
			return fmt.Errorf("%s: rolling %q: %w", path, c.Name, err)
		}
		if err := lines.Encode(a); err != nil {
			return err
		}
	}
	return nil
}

type cases struct {
	Single  []single  `json:"single_round"`
	Rolling []rolling `json:"rolling"`
}

type single struct {
	Name   string    `json:"name"`
	Visit  float64   `json:"visit_cost"`
	Mean   []float64 `json:"runout_mean_revs"`
	Latest []float64 `json:"latest_visit_revs"`
	Value  []float64 `json:"yarn_value_per_1000_revs_left"`
}

type rolling struct {
	Name    string    `json:"name"`
	Horizon float64   `json:"horizon_revs"`
	Visit   float64   `json:"visit_cost"`
	Change  float64   `json:"cost_per_cone_change"`
	Value   float64   `json:"yarn_value_per_1000_revs_left"`
	Left    []float64 `json:"residual_revs"`
	Life    []float64 `json:"life_revs"`
}

type answer struct {
	Name   string  `json:"name"`
	Cost   float64 `json:"cost"`
	Visits []visit `json:"visits"`
}

type visit struct {
	Revolution float64 `json:"revolution"`
	Cones      []int   `json:"cones"`
}

var errLengths = errors.New("lists of different lengths, expected one value a cone in each")

// solve counts in thousandths of the cost, so that whole numbers in the file stay whole.
func (c single) solve() (answer, error) {
	if len(c.Mean) != len(c.Latest) || len(c.Mean) != len(c.Value) {
		return answer{}, errLengths
	}
	cones := make([]creel.Cone, len(c.Mean))
	for i := range cones {
		cones[i] = creel.Cone{Mean: c.Mean[i], Latest: c.Latest[i], Value: c.Value[i]}
	}
	rounds, cost, err := creel.Rounds(cones, 1000*c.Visit)
	if err != nil {
		return answer{}, err
	}
	return told(c.Name, cost, rounds), nil
}

func (c rolling) solve() (answer, error) {
	if len(c.Left) != len(c.Life) {
		return answer{}, errLengths
	}
	h := creel.Horizon{Until: c.Horizon, Visit: 1000 * c.Visit, Change: 1000 * c.Change, Value: c.Value}
	for i := range c.Left {
		h.Ends = append(h.Ends, creel.End{Left: c.Left[i], Life: c.Life[i]})
	}
	plan, err := creel.Roll(h, creel.Effort{})
	if err != nil {
		return answer{}, err
	}
	return told(c.Name, plan.Cost, plan.Rounds), nil
}

func told(name string, cost float64, rounds []creel.Round) answer {
	a := answer{Name: name, Cost: cost, Visits: make([]visit, 0, len(rounds))}
	for _, r := range rounds {
		a.Visits = append(a.Visits, visit{r.At, r.Cones})
	}
	return a
}
