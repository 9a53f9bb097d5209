package mill

import (
	"crypto/sha256"
	"fmt"
	"iter"
	"path/filepath"
	"time"

	"turnwise/agent/edge"
	"turnwise/agent/source"
	"turnwise/proto/conf"
	"turnwise/server/host"
	"turnwise/simulator/plc"
	"turnwise/simulator/truth"
)

const (
	siteID = "mill-fourteen"
	// poll of the demo: short, so that pages feel live.
	demoPoll = 100 * time.Millisecond
	// demoSync of the journals: a demo loses nothing worth more.
	demoSync = 20 * time.Millisecond
	// catchUp is the batches a second of an agent that brings its past.
	catchUp = 5000
	// crawlRPM is far below the slowest card: no turn for 7.5 s is a standstill.
	crawlRPM = 8
	// pastStep is the longest time between two readings of the past.
	pastStep = 10 * time.Second
)

// serverConfig is server.yaml of the demo.
func (s *scenario) serverConfig(dir string, listen host.ListenConfig) host.Config {
	c := host.Defaults()
	c.Site.ID, c.Site.Name, c.Site.Zone = siteID, "Mill Fourteen", s.Zone
	c.Listen = listen
	c.Database.File = filepath.Join(dir, "server", "turnwise.db")
	open := host.Days{true, true, true, true, true, true, true} // see scenario.firstClosed
	c.Calendar = host.CalendarConfig{DayStarts: 6 * 60, Shifts: []host.ShiftConfig{
		{Name: "morning", From: 6 * 60, To: 14 * 60, Days: open},
		{Name: "evening", From: 14 * 60, To: 22 * 60, Days: open},
		{Name: "night", From: 22 * 60, To: 6 * 60, Days: open},
	}}
	return c
}

// agentConfig is agent.yaml of one box of the demo.
func (f *Floor) agentConfig(dir, id, mqtt string) edge.Config {
	yes := true
	c := edge.Config{Version: 1, Site: siteID, Area: area, Agent: id}
	c.MQTT.URL, c.MQTT.CatchUp = "mqtt://"+mqtt, catchUp
	c.Spool.Dir, c.Spool.Sync = filepath.Join(dir, "agents", id), conf.Duration(demoSync)
	address := f.Addresses()
	for i, p := range plates {
		if p.agent != id {
			continue
		}
		m := edge.Machine{ID: p.id, Source: edge.Source{
			Kind: "modbus-tcp", Address: address[p.id], Unit: 1, Poll: conf.Duration(demoPoll), ReadOnly: &yes, MaxSpeedRPM: p.maxRPM,
			Revolution: edge.Revolution{Function: 3, Register: plc.CounterRegister, Type: string(p.register), Scale: 1},
			SpeedRPM:   &edge.Register{Function: 3, Register: plc.SpeedRegister, Type: "u16", Scale: 0.1},
		}, Run: edge.Run{CrawlRPM: crawlRPM}}
		for n, in := range f.machines[i].Plan.Inputs {
			m.Source.Stops = append(m.Source.Stops, edge.Stop{Function: 2, Input: plc.FirstInput + n, Cause: in.Cause, Side: in.Side})
		}
		c.Machines = append(c.Machines, m)
	}
	return c
}

// instant is the clock of an agent's box at a wall time. Every box was booted
// an hour before the first instant and never since, so that past and live
// readings are of one boot.
func (f *Floor) instant(agent string, t time.Time) source.Instant {
	booted := f.clock.Origin().Add(-time.Hour)
	id := sha256.Sum256(fmt.Appendf(nil, "%s %d %d", agent, f.s.Seed, booted.UnixNano()))
	return source.Instant{Boot: [16]byte(id[:16]), Boottime: t.Sub(booted).Nanoseconds(), Wall: t.UnixNano(), Quality: source.NTPSynced}
}

// past gives the readings of a machine from the first instant until now, as
// an agent would have taken them at every change and each ten seconds.
func (f *Floor) past(agent, id string) iter.Seq[source.Reading] {
	m := f.machine(id)
	end := func() time.Duration { return f.clock.At(f.clock.Now()) }
	return func(yield func(source.Reading) bool) {
		for mo := range m.Moments(0, end, pastStep) {
			r := source.Reading{At: f.instant(agent, f.clock.Wall(mo.At)), Raw: m.Plan.Register.Raw(mo.Turns), SpeedRPM: mo.RPM, Restarted: mo.Restarted}
			if mo.Input >= 0 {
				r.Active = []int{mo.Input}
			}
			if !yield(r) {
				return
			}
		}
	}
}

func (f *Floor) machine(id string) *truth.Machine {
	for _, m := range f.machines {
		if m.Plan.ID == id {
			return m
		}
	}
	panic("mill: no machine " + id)
}
