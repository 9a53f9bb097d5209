package mill

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"turnwise/agent/edge"
	"turnwise/server/host"
	"turnwise/simulator/machine"
	"turnwise/simulator/plc"
)

func TestFloorGoesOnAfterAKill(t *testing.T) {
	dir := t.TempDir()
	f, err := OpenFloor(FloorOptions{Dir: dir, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	before := f.Ledger()
	f.closePorts() // as after a kill: nothing is written at the end
	if _, err := OpenFloor(FloorOptions{Dir: dir, Seed: 4}); !errors.Is(err, ErrSeed) {
		t.Errorf("another seed in the folder gave %v, want ErrSeed", err)
	}
	if _, err := OpenFloor(FloorOptions{Dir: dir, Live: true}); !errors.Is(err, ErrSeed) {
		t.Errorf("a live floor in the folder of a story gave %v, want ErrSeed", err)
	}
	f, err = OpenFloor(FloorOptions{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer f.closePorts()
	after := f.Ledger()
	for id, b := range before.Machines {
		a := after.Machines[id]
		if a.Revolutions < b.Revolutions || a.Revolutions > b.Revolutions+60 || a.Stops < b.Stops {
			t.Errorf("%s had %d revolutions and %d stops, and %d and %d after the restart", id, b.Revolutions, b.Stops, a.Revolutions, a.Stops)
		}
	}
}

// TestModbusShowsTheLedger freezes the machines and reads each with an
// independent client.
func TestModbusShowsTheLedger(t *testing.T) {
	f, err := OpenFloor(FloorOptions{Dir: t.TempDir(), Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	if err := f.Freeze(); err != nil {
		t.Fatal(err)
	}
	ledger, addresses := f.Ledger(), f.Addresses()
	for _, p := range plates {
		c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + addresses[p.id], Timeout: 5 * time.Second})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Open(); err != nil {
			t.Fatal(err)
		}
		words, err := c.ReadRegisters(plc.CounterRegister, 2, modbus.HOLDING_REGISTER)
		if err != nil {
			t.Fatal(err)
		}
		var got uint64
		switch p.register {
		case machine.U16:
			got = uint64(words[0])
		case machine.U32BE:
			got = uint64(words[0])<<16 | uint64(words[1])
		case machine.U32LE:
			got = uint64(words[1])<<16 | uint64(words[0])
		}
		want := uint64(ledger.Machines[p.id].Revolutions)
		if p.register == machine.U16 {
			want %= 65536
		}
		if got != want {
			t.Errorf("%s shows %d (%s), the ledger has %d", p.id, got, p.register, ledger.Machines[p.id].Revolutions)
		}
		on, err := c.ReadDiscreteInputs(plc.FirstInput, 16)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, b := range on {
			if b {
				n++
			}
		}
		if open := ledger.Machines[p.id].OpenStop; open != (n == 1) || n > 1 {
			t.Errorf("%s has %d inputs on, open stop: %v", p.id, n, open)
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestWrittenConfigurationsAreRead(t *testing.T) {
	dir := t.TempDir()
	f, err := OpenFloor(FloorOptions{Dir: filepath.Join(dir, "plc"), Live: true, Stand: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	defer f.closePorts()
	o := PLCOptions{WriteConfig: filepath.Join(dir, "conf"), PortsFile: filepath.Join(dir, "ports.json"), Told: func(string) {},
		Listen: host.ListenConfig{GRPC: "127.0.0.1:7443", HTTP: "127.0.0.1:7080", MQTT: "127.0.0.1:7883", Metrics: host.Off}}
	if err := f.writeFiles(o); err != nil {
		t.Fatal(err)
	}
	a, _, err := edge.LoadConfig(filepath.Join(o.WriteConfig, "agent.yaml"), nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Validate(); err != nil || len(a.Machines) != len(plates) {
		t.Errorf("agent.yaml has %d machines, want %d: %v", len(a.Machines), len(plates), err)
	}
	for _, m := range a.Machines {
		if m.Source.Address != f.Addresses()[m.ID] || len(m.Source.Stops) != len(f.machine(m.ID).Plan.Inputs) {
			t.Errorf("%s: address %s, %d stops", m.ID, m.Source.Address, len(m.Source.Stops))
		}
	}
	s, _, err := host.LoadConfig(filepath.Join(o.WriteConfig, "server.yaml"), nil)
	if err != nil || s.Site.ID != a.Site || s.Listen.MQTT != "127.0.0.1:7883" {
		t.Errorf("server.yaml: site %q, mqtt %q: %v", s.Site.ID, s.Listen.MQTT, err)
	}
}
