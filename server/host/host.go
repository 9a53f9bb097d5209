// Package host wires the server: it reads its configuration, opens the store,
// listens, and runs until told to end. It opens in order and closes in
// reverse. It is the only package that names a database, and it decides
// nothing about counts or plans.
package host

import (
	"context"
	"errors"
	"log/slog"
	"time"
)

// Options tunes a Host. The zero value works.
type Options struct {
	Log     *slog.Logger     // nil = nowhere
	Version string           // empty = "dev"
	Now     func() time.Time // nil = time.Now
}

// Addrs are the addresses listened on with their real ports; empty = off.
type Addrs struct{ GRPC, HTTP, MQTT, Metrics string }

// Host is a server that listens.
type Host struct{}

// New opens the store and listens on everything.
func New(ctx context.Context, c Config, o Options) (*Host, error) {
	return nil, errors.New("host: being built")
}

// Addrs tells where the server listens.
func (h *Host) Addrs() Addrs { return Addrs{} }

// Run serves until ctx ends.
func (h *Host) Run(ctx context.Context) error { return nil }
