package mill

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"turnwise/agent/edge"
	"turnwise/server/host"
	"turnwise/simulator/truth"
)

// PLCOptions tunes RunPLC. Floor.Dir is needed.
type PLCOptions struct {
	Floor       FloorOptions
	PortsFile   string            // addresses of the machines, read or written
	WriteConfig string            // folder of agent.yaml, server.yaml, book.yaml; "" = none
	FreezeAfter time.Duration     // 0 = never
	Listen      host.ListenConfig // for the written files
	Told        func(string)
}

// TruthFile is the ledger in the data folder of RunPLC.
const TruthFile = "truth.json"

// soloAgent is the one agent of the written configuration.
const soloAgent = "u-01"

// RunPLC runs the machines alone and keeps their ledger in a file.
func RunPLC(ctx context.Context, o PLCOptions) error {
	if o.PortsFile != "" {
		text, err := os.ReadFile(o.PortsFile)
		if err == nil {
			err = json.Unmarshal(text, &o.Floor.Addresses)
		}
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("mill: ports file %s: %w; move it aside, and it is written anew", o.PortsFile, err)
		}
	}
	f, err := OpenFloor(o.Floor)
	if err != nil {
		return err
	}
	if err := f.writeFiles(o); err != nil {
		f.closePorts()
		return err
	}
	begin := f.clock.Wall(f.s.Stand)
	if begin.After(f.clock.Now()) {
		o.Told("machines stand until " + begin.In(f.s.zone).Format("15:04:05") + "; start the agents before")
	}
	o.Told("truth in " + filepath.Join(o.Floor.Dir, TruthFile))
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return f.Run(ctx) })
	g.Go(func() error { return f.keepLedger(ctx, o) })
	err = g.Wait()
	return errors.Join(err, f.WriteLedger(filepath.Join(o.Floor.Dir, TruthFile)))
}

// keepLedger writes the truth each second and freezes the machines in time.
func (f *Floor) keepLedger(ctx context.Context, o PLCOptions) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var freeze <-chan time.Time
	if o.FreezeAfter > 0 {
		freeze = time.After(o.FreezeAfter)
	}
	for {
		if err := f.WriteLedger(filepath.Join(o.Floor.Dir, TruthFile)); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-freeze:
			if err := f.Freeze(); err != nil {
				return err
			}
			o.Told("all machines frozen")
		case <-tick.C:
		}
	}
}

func (f *Floor) writeFiles(o PLCOptions) error {
	if o.PortsFile != "" {
		text, err := json.MarshalIndent(f.Addresses(), "", "  ")
		if err != nil {
			return fmt.Errorf("mill: ports file: %w; name a file that can be written with --ports-file", err)
		}
		if err := truth.WriteFile(o.PortsFile, text); err != nil {
			return err
		}
	}
	if o.WriteConfig == "" {
		return nil
	}
	server := f.s.serverConfig(o.WriteConfig, o.Listen)
	// With the folder of the records: a server makes none that may be mistyped.
	if err := os.MkdirAll(filepath.Dir(server.Database.File), 0o700); err != nil {
		return fmt.Errorf("mill: folder for configurations: %w; name a folder that can be written with --write-config", err)
	}
	book := f.s.book()
	book.Agents = book.Agents[:1]
	book.Agents[0].Machines = nil
	for _, p := range plates {
		book.Agents[0].Machines = append(book.Agents[0].Machines, p.id)
	}
	bookText, err := bookYAML(book)
	if err != nil {
		return err
	}
	c := f.soloConfig(o)
	for name, text := range map[string]string{
		"agent.yaml": agentYAML(c), "server.yaml": serverYAML(server), "book.yaml": bookText,
	} {
		if err := truth.WriteFile(filepath.Join(o.WriteConfig, name), []byte(text)); err != nil {
			return err
		}
	}
	o.Told("configurations in " + o.WriteConfig)
	return nil
}

// soloConfig is one agent for all machines.
func (f *Floor) soloConfig(o PLCOptions) edge.Config {
	c := f.agentConfig(o.WriteConfig, soloAgent, o.Listen.MQTT)
	c.Machines = nil
	for _, id := range agentIDs() {
		c.Machines = append(c.Machines, f.agentConfig(o.WriteConfig, id, o.Listen.MQTT).Machines...)
	}
	return c
}

// agentYAML writes the keys that are set, in the order people expect.
func agentYAML(c edge.Config) string {
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	put("version: 1\nsite: %s\narea: %s\nagent: %s", c.Site, c.Area, c.Agent)
	put("mqtt:\n  url: %s", c.MQTT.URL)
	put("spool:\n  dir: %s\n  sync: %s", quote(c.Spool.Dir), c.Spool.Sync.Std())
	put("machines:")
	for _, m := range c.Machines {
		s := m.Source
		put("  - id: %s\n    source:\n      kind: %s\n      address: %s\n      unit: %d\n      poll: %s\n      read_only: true\n      max_speed_rpm: %g",
			m.ID, s.Kind, quote(s.Address), s.Unit, s.Poll.Std(), s.MaxSpeedRPM)
		put("      revolution: { function: %d, register: %d, type: %s, scale: %g }", s.Revolution.Function, s.Revolution.Register, s.Revolution.Type, s.Revolution.Scale)
		put("      speed_rpm: { function: %d, register: %d, type: %s, scale: %g }", s.SpeedRPM.Function, s.SpeedRPM.Register, s.SpeedRPM.Type, s.SpeedRPM.Scale)
		put("      stops:")
		for _, st := range s.Stops {
			side := ""
			if st.Side != "" {
				side = ", side: " + st.Side
			}
			put("        - { function: %d, input: %d, cause: %s%s }", st.Function, st.Input, st.Cause, side)
		}
		put("    run: { crawl_rpm: %g }", m.Run.CrawlRPM)
	}
	return b.String()
}

func serverYAML(c host.Config) string {
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	put("version: 1\nsite: { id: %s, name: %s, zone: %s }", c.Site.ID, quote(c.Site.Name), c.Site.Zone)
	put("listen: { grpc: %s, http: %s, mqtt: %s, metrics: %s }", quote(c.Listen.GRPC), quote(c.Listen.HTTP), quote(c.Listen.MQTT), quote(c.Listen.Metrics))
	put("database: { file: %s }", quote(c.Database.File))
	put("calendar:\n  day_starts: %q\n  shifts:", c.Calendar.DayStarts)
	for _, s := range c.Calendar.Shifts {
		put("    - { name: %s, from: %q, to: %q, days: %q }", s.Name, s.From, s.To, s.Days)
	}
	return b.String()
}

// quote makes a YAML scalar of any text.
func quote(s string) string {
	text, err := json.Marshal(s) // a JSON string is a YAML string
	if err != nil {
		panic(err)
	}
	return string(text)
}
