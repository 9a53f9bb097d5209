package edge

import (
	"context"
	"fmt"
	"sync"

	"turnwise/agent/source/modbus"
)

// CheckRow is one input of a machine, read once.
type CheckRow struct {
	Machine string `json:"machine"`
	Input   string `json:"input"`
	Kind    string `json:"kind"`
	Value   string `json:"value"`
	OK      bool   `json:"ok"`
	Problem string `json:"problem,omitempty"`
}

// Check reads every input of every machine once, all machines at a time.
func Check(ctx context.Context, c Config) []CheckRow {
	c = c.withDefaults()
	rows := make([][]CheckRow, len(c.Machines))
	var wg sync.WaitGroup
	for i, m := range c.Machines {
		wg.Go(func() { rows[i] = checkMachine(ctx, m) })
	}
	wg.Wait()
	var out []CheckRow
	for _, r := range rows {
		out = append(out, r...)
	}
	return out
}

func checkMachine(ctx context.Context, m Machine) []CheckRow {
	s, err := modbus.Open(modbusConfig(m.Source))
	if err != nil {
		return []CheckRow{{Machine: m.ID, Input: "source", Kind: m.Source.Kind, Problem: err.Error()}}
	}
	defer s.Close()
	names := map[string]string{}
	for i, st := range m.Source.Stops {
		name := st.Cause
		if st.Side != "" {
			name += " " + st.Side
		}
		names[fmt.Sprintf("stops[%d]", i)] = name
	}
	var out []CheckRow
	for _, v := range s.Each(ctx) {
		row := CheckRow{Machine: m.ID, Input: v.Input, Kind: v.Kind, Value: v.Value, OK: v.Err == nil}
		if n := names[v.Input]; n != "" {
			row.Input += " " + n
		}
		if v.Err != nil {
			row.Problem = v.Err.Error()
		}
		out = append(out, row)
	}
	return out
}
