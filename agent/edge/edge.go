// Package edge is the agent: it reads the machines of one configuration,
// turns their readings into records, keeps those in the journal and lets the
// uplink carry them to the server. The one rule: nothing is said that is not
// journalled first. It never writes to a machine.
package edge

import (
	"context"
	"errors"
	"iter"
	"log/slog"

	"turnwise/agent/source"
	"turnwise/proto/conf"
)

// Options tunes an Agent. The zero value works.
type Options struct {
	// Log; nil means slog.Default().
	Log *slog.Logger
	// Version is shown in the live view.
	Version string
	// Now reads the agent's clocks; nil means the kernel's.
	Now func() source.Instant
	// Past gives the readings of a machine from before the agent began, in
	// order of time; nil means none. They take the same way as live ones.
	Past func(machine string) iter.Seq[source.Reading]
}

// Agent watches the machines of one configuration.
type Agent struct{ done chan struct{} }

// New opens the journal. It does not read a machine nor connect.
func New(c Config, o Options) (*Agent, error) { return nil, errors.New("edge: not built yet") }

// Run watches until ctx ends and returns nil then, with the journal closed.
func (a *Agent) Run(ctx context.Context) error { return errors.New("edge: not built yet") }

// PastDone is closed when every machine has taken its past readings.
func (a *Agent) PastDone() <-chan struct{} { return a.done }

// LoadConfig reads agent.yaml over the defaults. It does not validate.
func LoadConfig(file string, environ []string) (Config, conf.Origins, error) {
	var c Config
	o, err := conf.Load(file, environ, &c)
	return c, o, err
}

// Validate joins every fault of the configuration.
func (c Config) Validate() error { return nil }

// CheckRow is one input of a machine, read once.
type CheckRow struct {
	Machine, Input, Kind, Value string
	OK                          bool
	Problem                     string
}

// Check reads every input of every machine once.
func Check(ctx context.Context, c Config) []CheckRow { return nil }
