package mill

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"turnwise/simulator/plc"
	"turnwise/simulator/truth"
)

// DefaultZone of the mill.
const DefaultZone = "Europe/Istanbul"

// ErrSeed is inside the error about a data folder of another mill.
var ErrSeed = errors.New("data folder of another mill")

// FloorOptions says which machines stand where. Dir is needed, the zero value
// of the rest works.
type FloorOptions struct {
	Dir  string
	Seed uint64 // 0 means that of the folder, else 14
	Zone string // "" means that of the folder, else DefaultZone
	// Live says that the mill begins now, without the five days of its story;
	// the machines stand for Stand first.
	Live  bool
	Stand time.Duration
	// LivelyEvery adds a stop of LivelyFor to each machine so often during the
	// first half hour, for checks. 0 means none.
	LivelyEvery, LivelyFor time.Duration
	// Addresses of the Modbus servers by machine; missing ones get a free port
	// of the loopback interface.
	Addresses map[string]string
	Now       func() time.Time // nil means time.Now
}

// Floor is the machines of the mill and their Modbus servers.
type Floor struct {
	s        *scenario
	clock    *truth.Clock
	machines []*truth.Machine
	plcs     []*plc.Server
	resumed  bool
}

const note = "Clock of the simulated mill. The mill is closed on one day of each week, 06:00 to 06:00: the first that begins twelve hours after the first start or later, so that the demo runs when it is begun and has a closed day ahead; see server/closed.ics. While the simulator is off its machines stand."

// OpenFloor begins or continues the mill of a folder and listens for Modbus.
func OpenFloor(o FloorOptions) (_ *Floor, err error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("mill: data folder: %w; name a folder that can be written with --data", err)
	}
	file := filepath.Join(o.Dir, "mill.json")
	s, err := readScenario(file, o)
	if err != nil {
		return nil, err
	}
	f := &Floor{s: s}
	closed := truth.Closed(nil)
	if s.Story {
		closed = s.closed
	}
	f.clock, _, f.resumed, err = truth.OpenClock(file, s.origin(), s.json(), truth.ClockOptions{Closed: closed, Now: o.Now, Note: note})
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			f.closePorts()
		}
	}()
	for i := range plates {
		m, err := truth.NewMachine(s.plan(i))
		if err != nil {
			return nil, err
		}
		f.machines = append(f.machines, m)
		address := o.Addresses[m.Plan.ID]
		if address == "" {
			address = "127.0.0.1:0"
		}
		srv, err := plc.Listen(address, plc.Options{Register: m.Plan.Register, Look: func() plc.Look { return look(m.At(f.clock.At(f.clock.Now()))) }})
		if err != nil {
			return nil, fmt.Errorf("mill: machine %s: %w", m.Plan.ID, err)
		}
		f.plcs = append(f.plcs, srv)
	}
	return f, nil
}

// look is a machine as its controller shows it.
func look(s truth.State) plc.Look {
	l := plc.Look{Turns: s.Turns, RPM: s.RPM}
	if s.Input >= 0 {
		l.Inputs = []int{s.Input}
	}
	return l
}

// readScenario is the scenario of the folder, or the one that begins now.
func readScenario(file string, o FloorOptions) (*scenario, error) {
	s := &scenario{Seed: o.Seed, Zone: o.Zone, First: o.Now().Round(0), Story: !o.Live, Stand: o.Stand, Lively: lively{o.LivelyEvery, o.LivelyFor}}
	if s.Seed == 0 {
		s.Seed = 14
	}
	if s.Zone == "" {
		s.Zone = DefaultZone
	}
	if s.Story {
		s.Early, s.Slim, s.Ahead = earlyShare, storySlim, openAhead
	}
	text, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return s, s.init()
	}
	var st struct {
		Scenario *scenario `json:"scenario"`
	}
	if err == nil {
		err = json.Unmarshal(text, &st)
	}
	if err != nil || st.Scenario == nil {
		return nil, fmt.Errorf("mill: %s cannot be read (%v); move the folder away to begin a new mill", file, err)
	}
	old := st.Scenario
	switch {
	case o.Seed != 0 && o.Seed != old.Seed:
		return nil, fmt.Errorf("mill: %w: %s was begun with seed %d, %d asked; give another folder or leave the seed away", ErrSeed, file, old.Seed, o.Seed)
	case o.Live == old.Story:
		return nil, fmt.Errorf("mill: %w: %s was begun by another command; give another folder", ErrSeed, file)
	}
	return old, old.init()
}

// Run lets the machines turn until ctx ends; then all ports are closed.
func (f *Floor) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, p := range f.plcs {
		g.Go(func() error { return p.Run(ctx) })
	}
	g.Go(func() error { return f.clock.Run(ctx) })
	return g.Wait()
}

func (f *Floor) closePorts() {
	for _, p := range f.plcs {
		p.Close()
	}
}

// Addresses of the Modbus servers by machine.
func (f *Floor) Addresses() map[string]string {
	out := map[string]string{}
	for i, p := range f.plcs {
		out[f.machines[i].Plan.ID] = p.Addr()
	}
	return out
}

// Freeze stops all cylinders for good.
func (f *Floor) Freeze() error {
	_, err := f.clock.Freeze()
	return err
}

// Ledger is the truth of the whole mill at one instant.
type Ledger struct {
	At       time.Time               `json:"at"`
	Frozen   bool                    `json:"frozen"`
	FrozenAt time.Time               `json:"frozen_at,omitzero"`
	Machines map[string]truth.Totals `json:"machines"`
}

// Ledger adds up the truth until now.
func (f *Floor) Ledger() Ledger {
	now := f.clock.Now()
	frozen, since := f.clock.Frozen()
	l := Ledger{At: now, Frozen: frozen, FrozenAt: since, Machines: map[string]truth.Totals{}}
	at := f.clock.At(now)
	for _, m := range f.machines {
		l.Machines[m.Plan.ID] = m.Totals(at)
	}
	return l
}

// WriteLedger puts the truth into a file, in one step.
func (f *Floor) WriteLedger(file string) error {
	text, err := json.MarshalIndent(f.Ledger(), "", "  ")
	if err != nil {
		return fmt.Errorf("mill: write truth: %w", err)
	}
	return truth.WriteFile(file, text)
}

// PortTaken tells which address an error about a taken port is about.
func PortTaken(err error) (string, bool) {
	if op, ok := errors.AsType[*net.OpError](err); ok && op.Op == "listen" && op.Addr != nil {
		return op.Addr.String(), true
	}
	return "", false
}
