package edge

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"

	"turnwise/agent/source"
	"turnwise/agent/source/modbus"
	"turnwise/agent/source/replay"
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
	var sources opener
	var wg sync.WaitGroup
	for i, m := range c.Machines {
		wg.Go(func() { rows[i] = checkMachine(ctx, &sources, m) })
	}
	wg.Wait()
	var out []CheckRow
	for _, r := range rows {
		out = append(out, r...)
	}
	return out
}

func checkMachine(ctx context.Context, sources *opener, m Machine) []CheckRow {
	row := CheckRow{Machine: m.ID, Input: "source", Kind: m.Source.Kind}
	src, err := sources.open(m.Source)
	if err != nil {
		row.Problem = err.Error()
		return []CheckRow{row}
	}
	defer src.Close()
	if r, ok := src.(*replay.Source); ok {
		return []CheckRow{checkRecording(row, r)}
	}
	s, ok := src.(*modbus.Source)
	if !ok {
		return checkPulses(ctx, m, src)
	}
	var out []CheckRow
	for _, v := range s.Each(ctx) {
		row := CheckRow{Machine: m.ID, Input: v.Input + m.Source.inputName(v.Input), Kind: v.Kind, Value: v.Value, OK: v.Err == nil}
		if v.Err != nil {
			row.Problem = v.Err.Error()
		}
		out = append(out, row)
	}
	return out
}

// inputName is what is configured of a stop input, behind a space.
func (s Source) inputName(input string) string {
	for i, st := range s.Stops {
		if input != fmt.Sprintf("stops[%d]", i) {
			continue
		}
		if st.Side != "" {
			return " " + st.Cause + " " + st.Side
		}
		return " " + st.Cause
	}
	return ""
}

// checkPulses takes all lines at once: the kernel gives them together.
func checkPulses(ctx context.Context, m Machine, src source.Source) []CheckRow {
	r, err := src.Read(ctx)
	row := func(input, line, value string) CheckRow {
		c := CheckRow{Machine: m.ID, Input: input + m.Source.inputName(input), Kind: "line " + line, Value: value, OK: err == nil}
		if err != nil {
			c.Problem, c.Value = err.Error(), ""
		}
		return c
	}
	line := m.Source.Revolution.Line
	if b := m.Source.Revolution.LineB; b != "" {
		line += " and " + b
	}
	out := []CheckRow{row("revolution", line, "given")}
	for i, st := range m.Source.Stops {
		value := "off"
		if slices.Contains(r.Active, i) {
			value = "on"
		}
		out = append(out, row(fmt.Sprintf("stops[%d]", i), st.Line, value))
	}
	return out
}

// checkRecording reads a recording to its end.
func checkRecording(row CheckRow, r *replay.Source) CheckRow {
	n := 0
	for range r.Past() {
		n++
	}
	row.Value = strconv.Itoa(n) + " readings"
	_, err := r.Read(context.Background())
	if row.OK = errors.Is(err, replay.ErrEnded); !row.OK {
		row.Problem = err.Error()
	}
	return row
}
