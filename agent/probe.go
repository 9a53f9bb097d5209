package main

import (
	"fmt"
	"io"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"turnwise/agent/source/modbus"
)

type probeCommand struct {
	URL      string        `arg:"" placeholder:"URL" help:"modbus://HOST[:PORT][?unit=N]; port 502 and unit 1 unless given."`
	Scan     string        `default:"0-99" placeholder:"FROM-TO" help:"Addresses to look at, as sent on the wire, from 0."`
	Function int           `default:"3" help:"Function to read with: 1 coils, 2 discrete inputs, 3 holding registers, 4 input registers."`
	Timeout  time.Duration `default:"1s" help:"Longest wait for one answer."`
	Apart    time.Duration `default:"2s" help:"Time between the two looks; turn the machine meanwhile."`
	JSON     bool          `name:"json" help:"Print JSON."`
}

func (c *probeCommand) Run(w *world) error {
	o, err := c.options()
	if err != nil {
		return err
	}
	r, err := modbus.Probe(w.ctx, o)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(w.out, r)
	}
	err = table(w.out, func(t io.Writer) {
		fmt.Fprintln(t, "ADDRESS\tFIRST\tSECOND\tMOVED\tREMARK")
		for _, s := range r.Seen {
			fmt.Fprintf(t, "%d\t%d\t%d\t%d\t%s\n", s.Address, s.First, s.Second, s.Moved, remark(s, c.Function))
		}
	})
	if err == nil && len(r.Absent) > 0 {
		fmt.Fprintf(w.errOut, "agent: %d addresses are not there\n", len(r.Absent))
	}
	return err
}

func remark(s modbus.Seen, function int) string {
	var parts []string
	switch {
	case s.Counts:
		parts = append(parts, "counts (u16)")
	case function <= 2 && s.First != s.Second:
		parts = append(parts, "changed")
	}
	for _, p := range s.Pairs {
		parts = append(parts, fmt.Sprintf("counts with %d (%s, %d)", p.Register+1, p.Type, p.Value))
	}
	return strings.Join(parts, "; ")
}

func (c *probeCommand) options() (modbus.ProbeOptions, error) {
	var o modbus.ProbeOptions
	u, err := url.Parse(c.URL)
	if err != nil || u.Scheme != "modbus" || u.Hostname() == "" || u.Path != "" {
		return o, fmt.Errorf("%w: found %q, modbus://HOST:PORT?unit=N expected, for example modbus://192.0.2.5:502?unit=1", errUsage, c.URL)
	}
	port := u.Port()
	if port == "" {
		port = "502" // the registered port of Modbus TCP
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return o, fmt.Errorf("%w: found port %s in %q, 1 to 65535 expected", errUsage, port, c.URL)
	}
	if c.Timeout <= 0 || c.Timeout > time.Minute {
		return o, fmt.Errorf("%w: --timeout: found %s, above 0 and at most 1m expected", errUsage, c.Timeout)
	}
	if c.Apart <= 0 || c.Apart > time.Hour {
		return o, fmt.Errorf("%w: --apart: found %s, above 0 and at most 1h expected", errUsage, c.Apart)
	}
	o.Address, o.Unit, o.Function, o.Timeout, o.Apart = net.JoinHostPort(u.Hostname(), port), 1, c.Function, c.Timeout, c.Apart
	for key, values := range u.Query() {
		unit, err := strconv.ParseUint(values[0], 10, 8)
		if key != "unit" || err != nil {
			return o, fmt.Errorf("%w: found %s=%s, unit=0 to unit=255 expected", errUsage, key, values[0])
		}
		o.Unit = int(unit)
	}
	from, to, ok := strings.Cut(c.Scan, "-")
	if !ok {
		to = from
	}
	a, err1 := strconv.ParseUint(from, 10, 16)
	b, err2 := strconv.ParseUint(to, 10, 16)
	if err1 != nil || err2 != nil || a > b {
		return o, fmt.Errorf("%w: --scan: found %q, two addresses expected, for example 0-99", errUsage, c.Scan)
	}
	if c.Function < 1 || c.Function > 4 {
		return o, fmt.Errorf("%w: --function: found %d: %w: 1 to 4 expected", errUsage, c.Function, modbus.ErrWrites)
	}
	o.From, o.To = int(a), int(b)
	return o, nil
}
